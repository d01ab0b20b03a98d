"""Profile of a line: the zone of `probekit.tolerance.profile`, section by section.

From memory of ASME Y14.5-2018, 11.3; actual values in the sense of Y14.5.1-2019.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from ..show import shown
from .boundaries import limits
from .cover import sections_of
from .enough import fits_anything, require_unfitted
from .evaluation import Evaluation
from .placement import Free, place
from .spec import Direction, Length, Tolerance, Vector

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = ["LineProfile", "line_profile"]


@shown
@dataclass(frozen=True, kw_only=True)
class LineProfile(Tolerance):
    """Profile of a line: each section by itself, in the zone of `Profile`.

    Its actual value is that of the worst section; `details` has the value of each.

    Attributes
    ----------
    section : str or (3,) float
        A column that names the curve or plane of each touch, an axis "x", "y" or "z" square to the sections, or the
        direction of one.
    apart : float
        Touches whose heights differ by less than this from the next lie on one section [mm].
    outside, dynamic
        See `Profile`.
    free : tuple of str
        Motions left to the zone of each section. For sections square to z and no datum: tx, ty, rz.
    """

    section: str | Direction = "z"
    apart: Length = 0.5
    outside: float | None = None
    free: tuple[str, ...] = ()
    dynamic: bool = False

    characteristic: ClassVar[str] = "profile of a line"
    kinds: ClassVar = {"profile of a line": {}}

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, free: Freedom) -> Evaluation:
        width, covered = self.needed_width(), self.covered(deviations)
        sides = limits(width, self.outside)
        sections = sections_of(deviations, covered.rows, self.section, apart=self.apart)
        values, details, middle = np.empty(len(covered.rows)), {}, sum(sides) / 2
        thin = [
            label
            for label, part in sections.items()
            if fits_anything(covered.contact[part], covered.normal[part], free, offset=self.dynamic)
        ]
        if len(thin) == len(sections):
            part = max(sections.values(), key=len)
            options = {"offset": self.dynamic, "where": " in the fullest section"}
            require_unfitted(self.name, covered.contact[part], covered.normal[part], free, **options)
        for label, part in sections.items():
            chosen = deviations.iloc[covered.rows[part]]
            placed = place(chosen, nominal, free, middle, width / 2, name=self.name, offset=self.dynamic)
            values[part] = placed.deviations
            details[label] = 2.0 * float(np.abs(placed.deviations - middle).max())
        notes = [f"{len(sections)} sections, each with its own zone; only the touched sections are judged"]
        if thin:
            notes.append(
                "sections with so few touches that their zone fits them whatever they are: "
                + ", ".join(f"{label} ({len(sections[label])})" for label in thin)
            )
        return Evaluation.by_touch(
            deviations,
            covered.rows,
            values,
            width,
            name=self.name,
            kind=self.characteristic,
            limits=sides,
            settled=5e-6 if free or self.dynamic else 1e-9,
            features=covered.names,
            missed_rows=covered.missed,
            free=free.names,
            freedom=free,
            details=details,
            notes=tuple(notes),
        )

    def _words(self) -> Iterator[str]:
        yield f"each section by {self.section}" if isinstance(self.section, str) else "each section"
        if self.free:
            yield "free: " + ", ".join(self.free)

    def _cells(self) -> list[list[str]]:
        text = f"{self.needed_width():g}" + ("" if self.outside is None else f"(U){self.outside:g}")
        return [[text + ("(D)" if self.dynamic else ""), *self.datums]]


def line_profile(
    deviations: pd.DataFrame,
    width: float,
    *,
    free: Free = (),
    nominal: Nominal | None = None,
    pivot: Vector = (0.0, 0.0, 0.0),
    **options: Any,
) -> Evaluation:
    """Evaluate profile of a line [mm] of the table `deviations`.

    `width` and `options` are attributes of `LineProfile`; `free`, `nominal` and `pivot` those of `Tolerance.evaluate`.
    """
    one = LineProfile(width=width, **{"name": "line profile", **options})
    return one.evaluate(deviations, nominal, free=free, pivot=pivot)
