"""Position of a feature that is not round, at a material condition: no touch beyond a boundary of uniform offset.

symbol   variable    meaning (all [mm])
t        width       tolerance on the drawing; the boundary lies t/2 beyond the material limit, all along the feature
d                    deviation of a touch from the nominal in its true position, positive = material left on
m        within      largest deviation that the tolerance of size or profile allows (M: most material), or smallest (L)
P        actual      M: 2 max (d - m), L: 2 max (m - d), never negative

The word BOUNDARY stands below the frame of such a position in ASME Y14.5: the surface of the feature must not violate
the boundary of identical shape that lies half the tolerance beyond the material limit. P <= t says so. From memory of
ASME Y14.5-2018, clause 10 (boundary of irregular features) and ISO 2692 (maximum material virtual condition). The
size or profile is a tolerance of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

import numpy as np

from ..errors import InputError
from ..show import shown
from ..values import Number
from .enough import require_held
from .evaluation import Evaluation
from .placement import TOGETHER, place
from .places import of_surfaces
from .spec import Limits, Tolerance, stated

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = ["Boundary"]

_SAID = {"M": "maximum", "L": "least"}


@shown
@dataclass(frozen=True, kw_only=True)
class Boundary(Tolerance):
    """Position of a feature of any shape at a material condition: its surface within a boundary of uniform offset.

    Judged as a whole, at the touched places. Where the datum frame leaves something free, it has a
    placement by itself, and a note says so.

    Attributes
    ----------
    width : float
        Tolerance of position [mm], as on the drawing; 0 puts the boundary at the material limit.
    within : (float, float)
        Smallest and largest deviation from the nominal that the tolerance of size or profile allows [mm], positive
        where material is left on: (-0.1, 0.1) for a profile of 0.2.
    modifier : str
        "M": at maximum material condition. "L": at least material condition.
    free : tuple of str
        Degrees of freedom that the datum frame leaves, see `Profile`.
    separate : bool
        Not to be met at one placement together with others that share its datums.
    """

    within: Limits
    width: Annotated[float, Number(least=1e-6, most=1e5, or_zero=True)] | None = None
    modifier: Literal["M", "L"] = field(
        default="M", metadata=stated(maximum_material_requirement="M", least_material_requirement="L")
    )
    free: tuple[str, ...] = ()
    separate: bool = field(default=False, metadata=stated(separate_requirement=True))

    characteristic: ClassVar[str] = "position"
    kinds: ClassVar = {"position of a boundary": {}}

    def _check(self) -> None:
        super()._check()
        if self.width is not None and not (np.isfinite(self.width) and self.width >= 0):
            raise InputError("the width of a tolerance must be positive, or zero here", found=self.width)
        if not (len(self.within) == 2 and np.isfinite(self.within).all() and self.within[0] < self.within[1]):
            what = "the limits of the surface are two rising deviations"
            raise InputError(what, column="within", found=self.within, expected="(smallest, largest)")

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, free: Freedom) -> Evaluation:
        covered, width = self.covered(deviations), self.needed_width()
        sign, limit = (1.0, self.within[1]) if self.modifier == "M" else (-1.0, self.within[0])
        chosen = deviations.iloc[covered.rows]
        require_held(self.name, covered.contact, covered.normal, free)
        held = chosen["deviation"].to_numpy(dtype=float)
        far = 2.0 * float(np.abs(held).max()) + 1.0  # so far off that only one side of the zone rules
        placed = place(chosen, nominal, free, -sign * far, 1.0, name=self.name)
        taken = 2.0 * sign * (placed.deviations - limit)
        worst, actual = int(taken.argmax()), max(float(taken.max()), 0.0)
        places = of_surfaces(
            [(covered.contact, covered.normal)], taken, placed.motion, free, least=self.modifier == "L"
        )
        gradient, slope = places.along(worst)
        return Evaluation.as_whole(
            deviations,
            covered.rows,
            actual,
            width,
            name=self.name,
            kind=f"position of a boundary at {_SAID[self.modifier]} material condition",
            features=covered.names,
            deviations=placed.deviations,
            high=float(placed.deviations.max()),
            low=float(placed.deviations.min()),
            ruling=tuple(covered.ids[taken >= taken.max() - (1e-5 if free else 2e-9)].tolist()),
            missed_rows=covered.missed,
            free=free.names,
            freedom=free,
            motion=placed.motion,
            notes=(
                "the surface is seen at the touches alone: between them it may come nearer to the boundary",
                *((TOGETHER,) if free and not self.separate else ()),
            ),
            details={
                "boundary, from the nominal surface": limit + sign * width / 2,
                "room to the boundary": (width - float(taken.max())) / 2,
            },
            alternatives=lambda: {
                "zone held where the datum frame puts it": 2.0 * float((sign * held).max() - sign * limit)
            },
            gradient=gradient,
            slope=slope,
            places=places,
        )

    def _words(self) -> Iterator[str]:
        yield f"of the surface, as a boundary, at {_SAID[self.modifier]} material condition"
        if self.free:
            yield "free: " + ", ".join(self.free)

    def _cells(self) -> list[list[str]]:
        return [[f"{self.needed_width():g}({self.modifier})", *self.datums]]

    def _outside_of_frame(self) -> dict[str, Any]:
        outside = super()._outside_of_frame()
        return {**outside, "beside": ", ".join(filter(None, ("BOUNDARY", outside["beside"])))}
