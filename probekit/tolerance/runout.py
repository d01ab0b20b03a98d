"""Runout, where a rotary axis turned the part or the touches go round: circular and total, about a datum axis.

The reading is the distance of the surface from the datum axis (radial), its height along it (axial), or its distance
along a given slant (for cones). Circular runout is the range of the reading in each section; total runout the range
over the whole surface. ASME Y14.5-2018 clause 12 and ISO 1101, from memory; they agree here. A cylinder whose axis is
off by e has the circular runout 2 e, to first order in e / radius.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..errors import InputError
from .cover import cover, direction_of, few, positive, sections_of
from .evaluation import Evaluation
from .nominal_shape import require_turned

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["runout"]


def runout(
    found: pd.DataFrame,
    width: float,
    *,
    total: bool = False,
    reading: Literal["radial", "axial", "normal"] = "radial",
    at: Iterable[float] = (0.0, 0.0, 0.0),
    axis: Iterable[float] = (0.0, 0.0, 1.0),
    apart: float = 0.5,
    section: str | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str | None = None,
) -> Evaluation:
    """Evaluate circular or total runout.

    Parameters
    ----------
    found : DataFrame
        Deviations table, in the datum frame. Touches taken with a rotary axis at several angles must be in part
        coordinates already.
    width : float
        Tolerance: full movement of the reading [mm].
    total : bool
        Over the whole surface, in place of each section.
    reading : {"radial", "axial", "normal"}
        Distance from the axis, height along it, or (cones, and any turned shape) the deviation along the nominal's
        normal, which for a turned nominal about the datum axis is what an indicator square to the surface reads.
    at, axis : (3,) float
        A point [mm] and the direction of the datum axis.
    apart : float
        Touches whose heights (axial: radii) differ by less than this from the next make one section [mm].
    section : str, optional
        A column that names sections, in place of `apart`.
    features, between, name
        See `probekit.tolerance.profile`.

    Returns
    -------
    Evaluation
        The deviation of a touch is its reading from the middle of the range of its section (total: of all).

    Raises
    ------
    InputError
        If the reading is unknown, the axis is not a direction, or no section has two touches.
    """
    name = name or ("total runout" if total else "circular runout")
    width, covered = positive(width), cover(found, features, between, name=name)
    along, origin = direction_of(axis, "of the datum axis"), np.asarray(at, dtype=float)
    require_turned(covered, along, np.arange(len(covered.rows)), origin)
    off = covered.contact - origin
    height = off @ along
    radius = np.linalg.norm(off - height[:, None] * along, axis=1)
    values = {"radial": radius, "axial": height, "normal": found["deviation"].to_numpy(dtype=float)[covered.rows]}
    if reading not in values:
        raise InputError("unknown reading of a runout", found=reading, expected=", ".join(values))
    value = values[reading]
    if section is not None:
        sections = sections_of(found, covered.rows, section)
    elif reading == "axial":
        sections = _groups(radius, apart)
    else:
        sections = sections_of(found, covered.rows, along, apart=apart, origin=origin)
    details = {label: float(np.ptp(value[part])) for label, part in sections.items()}
    judged = {"all": np.arange(len(value))} if total else sections
    if max(len(part) for part in judged.values()) < 2:
        raise InputError(f"tolerance '{name}' needs two touches in a section", todo="Raise apart=, or touch more.")
    deviations = np.empty(len(value))
    for part in judged.values():
        deviations[part] = value[part] - (value[part].max() + value[part].min()) / 2
    notes = tuple(f"{label}: {note}" for label, part in sections.items() for note in few("circle", len(part), "runout"))
    return Evaluation.by_touch(
        found,
        covered.rows,
        deviations,
        width,
        name=name,
        kind=("total runout" if total else "circular runout") + f", {reading}",
        features=covered.names,
        missed_rows=covered.missed,
        details=details,
        notes=notes,
        alternatives=lambda: {
            "circular (each section by itself)": max(details.values()),
            "total (all together)": float(np.ptp(value)),
        },
    )


def _groups(values: np.ndarray, apart: float) -> dict[str, np.ndarray]:
    order = np.argsort(values, kind="stable")
    group = np.concatenate([[0], np.cumsum(np.diff(values[order]) > apart)])
    return {f"radius {values[order[group == k]].mean():.3f}": order[group == k] for k in range(group[-1] + 1)}
