"""Runout, where a rotary axis turned the part or the touches go round: circular and total, about a datum axis.

The reading is the distance of the surface from the datum axis (radial), its height along it (axial), or its distance
along a given slant (for cones). Circular runout is the range of the reading in each section; total runout the range
over the whole surface. ASME Y14.5-2018 clause 12 and ISO 1101, from memory; they agree here. A cylinder whose axis is
off by e has the circular runout 2 e, to first order in e / radius.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np

from ..show import shown
from .blocks import of_range
from .cover import direction_of, sections_of
from .enough import few, place_of, require_enough
from .evaluation import Evaluation
from .local_size import contacts_of
from .nominal_shape import require_turned
from .spec import Direction, Length, Tolerance, Vector

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = ["Runout", "runout"]


@shown
@dataclass(frozen=True, kw_only=True)
class Runout(Tolerance):
    """Circular or total runout: the full movement of a reading about a datum axis.

    The deviation of a touch is its reading from the middle of the range of its section (total: of all). Touches taken
    with a rotary axis at several angles must be in part coordinates already.

    Attributes
    ----------
    total : bool
        Over the whole surface, in place of each section.
    reading : str
        "radial": distance from the axis. "axial": height along it. "normal" (cones, any turned shape): the deviation
        along the nominal's normal, which for a turned nominal about the datum axis is what an indicator square to the
        surface reads.
    at, axis : (3,) float
        A point [mm] and the direction of the datum axis.
    apart : float
        Touches whose heights (axial: radii) differ by less than this from the next make one section [mm].
    section : str, optional
        A column that names sections, in place of `apart`.
    """

    total: bool = False
    reading: Literal["radial", "axial", "normal"] = "radial"
    at: Vector = (0.0, 0.0, 0.0)
    axis: Direction = (0.0, 0.0, 1.0)
    apart: Length = 0.5
    section: str | None = None

    kinds: ClassVar = {"circular runout": {"total": False}, "total runout": {"total": True}}

    @property
    def characteristic(self) -> str:  # noqa: D102
        return "total runout" if self.total else "circular runout"

    def _evaluate(self, deviations: pd.DataFrame, _nominal: Nominal | None, _free: Freedom) -> Evaluation:
        covered = self.covered(deviations)
        along, origin = direction_of(self.axis, "of the datum axis"), np.asarray(self.at, dtype=float)
        require_turned(covered, along, np.arange(len(covered.rows)), origin)
        off = (contacts_of(covered, "cylinder") if self.reading == "radial" else covered.contact) - origin
        height = off @ along
        radius = np.linalg.norm(off - height[:, None] * along, axis=1)
        deviation = deviations["deviation"].to_numpy(dtype=float)[covered.rows]
        value = {"radial": radius, "axial": height, "normal": deviation}[self.reading]
        if self.section is not None:
            sections = sections_of(deviations, covered.rows, self.section)
        elif self.reading == "axial":
            sections = _groups(radius, self.apart)
        else:
            sections = sections_of(deviations, covered.rows, along, apart=self.apart, origin=origin)
        details = {label: float(np.ptp(value[part])) for label, part in sections.items()}
        judged = {"all": np.arange(len(value))} if self.total else sections
        round_ = off - height[:, None] * along  # places as the axis sees them: one line along it is one place
        fullest = max(judged.values(), key=lambda part: len(np.unique(place_of(round_[part]))))
        require_enough("circle", round_[fullest], self.characteristic, self.name)
        centred = np.empty(len(value))
        for part in judged.values():
            centred[part] = value[part] - (value[part].max() + value[part].min()) / 2
        return Evaluation.by_touch(
            deviations,
            covered.rows,
            centred,
            self.needed_width(),
            name=self.name,
            kind=f"{self.characteristic}, {self.reading}",
            features=covered.names,
            missed_rows=covered.missed,
            details=details,
            blocks=tuple(of_range(part) for part in judged.values()),
            notes=tuple(
                f"{label}: {note}" for label, part in sections.items() for note in few("circle", len(part), "runout")
            ),
            alternatives=lambda: {
                "circular (each section by itself)": max(details.values()),
                "total (all together)": float(np.ptp(value)),
            },
        )


def runout(deviations: pd.DataFrame, width: float, **options: Any) -> Evaluation:
    """Evaluate runout [mm] of the table `deviations`: `width` and `options` are attributes of `Runout`."""
    return Runout(width=width, **options).evaluate(deviations)


def _groups(values: np.ndarray, apart: float) -> dict[str, np.ndarray]:
    order = np.argsort(values, kind="stable")
    group = np.concatenate([[0], np.cumsum(np.diff(values[order]) > apart)])
    return {f"radius {values[order[group == k]].mean():.3f}": order[group == k] for k in range(group[-1] + 1)}
