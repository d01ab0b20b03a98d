"""Profile of a line: the zone of `probekit.tolerance.profile`, section by section.

From memory of ASME Y14.5-2018, 11.3; actual values in the sense of Y14.5.1-2019.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from .cover import cover, positive, sections_of
from .evaluation import Evaluation
from .placement import Free, freedom_of, place
from .profile import limits

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["line_profile"]


def line_profile(
    found: pd.DataFrame,
    width: float,
    *,
    section: str | Iterable[float] = "z",
    apart: float = 0.5,
    outside: float | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    free: Free = (),
    dynamic: bool = False,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    name: str = "line profile",
) -> Evaluation:
    """Evaluate profile of a line: each section by itself.

    Parameters
    ----------
    found : DataFrame
        Deviations table.
    width, outside, features, between, dynamic, nominal, pivot, name
        As for `profile`.
    section : str or (3,) float
        A column that names the curve or plane of each touch, an axis "x", "y" or "z" square to the sections, or the
        direction of one.
    apart : float
        Touches whose heights differ by less than this from the next lie on one section [mm].
    free : iterable of str, or DatumFrame
        Motions left to the zone of each section. For sections square to z and no datum: tx, ty, rz.

    Returns
    -------
    Evaluation
        Its actual value is that of the worst section; `details` has the value of each.

    Raises
    ------
    InputError
        As `profile`, or if there is no such section.
    """
    sides, free = limits(width, outside), freedom_of(free, pivot)
    covered = cover(found, features, between, name=name)
    sections = sections_of(found, covered.rows, section, apart=apart)
    deviations, details = np.empty(len(covered.rows)), {}
    middle, half = sum(sides) / 2, positive(width) / 2
    for label, part in sections.items():
        placed = place(
            found.iloc[covered.rows[part]],
            nominal,
            free,
            middle,
            half,
            name=name,
            offset=dynamic,
        )
        deviations[part] = placed.deviations
        details[label] = 2.0 * float(np.abs(placed.deviations - middle).max())
    thin = [
        f"{label} ({len(part)})" for label, part in sections.items() if len(part) <= free.motions.shape[1] + dynamic
    ]
    notes = (f"{len(sections)} sections, each with its own zone; only the touched sections are judged",)
    if thin:
        notes += ("sections with so few touches that their zone fits them whatever they are: " + ", ".join(thin),)
    return Evaluation.by_touch(
        found,
        covered.rows,
        deviations,
        width,
        name=name,
        kind="profile of a line",
        limits=sides,
        settled=5e-6 if free or dynamic else 1e-9,
        features=covered.names,
        missed_rows=covered.missed,
        free=free.names,
        freedom=free,
        details=details,
        notes=notes,
    )
