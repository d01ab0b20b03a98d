"""Form of a derived median: straightness of the axis of a cylinder, flatness of the middle of two planes.

symbol   variable    meaning (all [mm])
t        width       tolerance on the drawing: diameter of the zone, or distance of its planes
F                    form of the derived median line or surface: width of the narrowest zone that holds its points
S        local       local size where there is most material (M), or least (L)
b        bonus       M: |S - MMC|, L: |S - LMC|, never more than the tolerance of size
E        envelope    size of the unrelated mating envelope (M), or of the minimum material envelope (L)
VC                   virtual condition: bore MMC - t, boss MMC + t (M); bore LMC + t, boss LMC - t (L)

F <= t regardless of feature size. With a material condition the surface comes first: the envelope must clear the
boundary of size VC, wherever that lies (the feature may be bowed by what its size leaves). The actual value is then
t + b less the room |E - VC|. Perfect form at maximum material (rule one) is not required of such a feature. ASME
Y14.5-2018, clauses 5.8 and 8.4 (derived median line and plane), from memory; ISO 2692 knows the surface alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np

from ..errors import InputError, TouchesError
from ..fit import FREEDOMS
from ..fit.elements import Element, element
from ..geometry import across
from ..show import shown
from .axes import envelope, size_of
from .blocks import of_element
from .cover import Covered, positive, sections_of
from .enough import few, require_enough
from .envelopes import envelope_of
from .evaluation import Evaluation
from .form import material_of, section_axis
from .nominal_shape import require, require_turned
from .places import Places
from .position import bonus_of, virtual_condition
from .propagation import element_gain
from .size import two_point_sizes
from .spec import Direction, Length, Limits, Tolerance, only, stated

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.freedom import Freedom
    from ..nominal import Nominal

__all__ = ["Median", "straightness_of_axis"]

_AXIS, _MIDDLE = "straightness of an axis", "flatness of a middle plane"
_SHAPES = {_AXIS: "cylinder", _MIDDLE: "width"}
_SAID = {"": "", "M": " at maximum material condition", "L": " at least material condition"}
_RULE_ONE = "perfect form at maximum material is not required of this feature: its size takes independency = true"


@shown
@dataclass(frozen=True, kw_only=True)
class Median(Tolerance):
    """Form of the derived median line of a cylinder, or of the derived median plane of two planes; judged as a whole.

    The points of a line are the centres of the least squares circle of each section; those of a plane lie midway
    between opposed touches.

    Attributes
    ----------
    of : str
        "straightness of an axis": a round zone. "flatness of a middle plane": two parallel planes.
    modifier : str
        "": regardless of feature size. "M", "L": at maximum or at least material condition; the surface then decides.
    limits : (float, float), optional
        Smallest and largest size allowed [mm], needed with a modifier.
    section : str or (3,) float, optional
        How touches are divided into circles; see `LineProfile`. By default circles are square to z.
    axis : (3,) float, optional
        Direction of the axis, needed when `section` is a column.
    apart : float
        Touches whose heights differ by less than this from the next lie on one section [mm].
    opposed : float
        Of a middle plane: two touches are opposed if their normals, and the line between them, are within this of each
        other [deg].
    """

    of: Literal["straightness of an axis", "flatness of a middle plane"]
    modifier: Literal["", "M", "L"] = field(
        default="", metadata=stated(maximum_material_requirement="M", least_material_requirement="L")
    )
    limits: Limits | None = None
    section: str | Direction | None = field(default=None, metadata=only(of=(_AXIS,)))
    axis: Direction | None = field(default=None, metadata=only(of=(_AXIS,)))
    apart: Length = field(default=0.5, metadata=only(of=(_AXIS,)))
    opposed: Length = field(default=5.0, metadata=only(of=(_MIDDLE,)))

    kinds: ClassVar = {kind: {"of": kind} for kind in _SHAPES}

    @property
    def characteristic(self) -> str:  # noqa: D102
        return self.of.split()[0]

    def _check(self) -> None:
        super()._check()
        if self.modifier and self.limits is None:
            raise InputError("a material condition needs the limits of size", expected="limits=(smallest, largest)")
        if self.limits is not None and not (len(self.limits) == 2 and 0 < self.limits[0] < self.limits[1]):
            raise InputError("limits of size are two rising lengths", column="limits", found=self.limits)

    def _evaluate(self, deviations: pd.DataFrame, _nominal: Nominal | None, _free: Freedom) -> Evaluation:
        covered, width = self.covered(deviations), positive(self.needed_width())
        form, details, local, notes, places = (self._line if self.of == _AXIS else self._plane)(deviations, covered)
        if not self.modifier:
            more: dict[str, Any] = {"details": details, "notes": notes}
            if places is not None:
                worst = int(np.linalg.norm(places.shift, axis=1).argmax())
                more |= {"places": places, "gradient": places.along(worst)[0]}
            return self._as_whole(deviations, covered, form, width, more)
        bore, least = material_of(covered) == "outside", self.modifier == "L"
        size = float(local.min() if bore != least else local.max())
        low, high = self.limits or (0.0, 0.0)
        bonus = bonus_of(size, (low, high), self.modifier, bore=bore)
        boundary = virtual_condition(width, (low, high), self.modifier, bore=bore)
        reach, fitted = size_of(covered, _SHAPES[self.of], envelope(covered, least_material=least))
        room = reach - boundary if bore != least else boundary - reach
        details = {
            **details,
            "form of the median": form,
            "size": size,
            "bonus": bonus,
            "virtual condition": boundary,
            "envelope": reach,
            "room to the virtual condition": room,
        }
        outside = (
            ()
            if low <= size <= high
            else (f"the size {size:.4f} mm is outside {low:g} to {high:g} mm: it fails by itself",)
        )
        more = self._of_envelope(covered, fitted, least) | {
            "details": details,
            "notes": (
                *notes,
                "judged by the surface, which comes before the median",
                *outside,
                _RULE_ONE,
                *fitted.notes,
            ),
            "alternatives": lambda: {"by the form of the median": form},
        }
        return self._as_whole(deviations, covered, max(width + bonus - room, 0.0), width + bonus, more)

    def _of_envelope(self, covered: Covered, fitted: Element, least: bool) -> dict[str, Any]:
        """How the room of an envelope follows its touches: material left on takes twice as much off it at M."""
        outward = 2.0 * element_gain(covered.contact, covered.normal, fitted.active)[1]
        return {
            "ruling": tuple(covered.ids[list(fitted.active)].tolist()),
            "gradient": -outward if least else outward,
            "blocks": of_element(covered.contact, covered.normal, sized=False, rise=2.0),
            "envelopes": envelope_of(covered, fitted),
        }

    def _as_whole(
        self, deviations: pd.DataFrame, covered: Covered, actual: float, width: float, more: dict[str, Any]
    ) -> Evaluation:
        return Evaluation.as_whole(
            deviations,
            covered.rows,
            actual,
            width,
            name=self.name,
            kind=self.of + _SAID[self.modifier],
            features=covered.names,
            deviations=np.zeros(len(covered.rows)),
            missed_rows=covered.missed,
            free=FREEDOMS,
            **more,
        )

    def _line(
        self, deviations: pd.DataFrame, covered: Covered
    ) -> tuple[float, dict[str, float], np.ndarray, tuple[str, ...], Places | None]:
        """Form of the line through the centres of the sections, how far each is off, local sizes, notes, places."""
        along = section_axis(self.section or "z", self.axis)
        flat, centres, sizes, change = across(along), [], [], []
        sections = sections_of(deviations, covered.rows, self.section or "z", apart=self.apart)
        if len(sections) < 2:
            raise TouchesError(f"tolerance '{self.name}' needs two sections or more", found=f"{len(sections)}")
        for part in sections.values():
            require_turned(covered, along, part)
            require_enough("circle", covered.contact[part], "a centre of its axis", self.name)
            points = covered.measured[part]
            circle = element(points @ flat.T, "circle2", ball=covered.ball, material=material_of(covered))
            centres.append(np.asarray(circle.parameters["centre"]) @ flat + (points @ along).mean() * along)
            sizes.append(2.0 * float(circle.parameters["radius"]))
            change.append(_of_centre(covered.normal @ flat.T, part))
        if not self.modifier:
            require_enough("line", np.array(centres), f"{self.of} by {len(centres)} sections", self.name, form=True)
        line = element(np.array(centres), "line", method="minimum_zone")
        off, straight = np.abs(line.residuals), np.asarray(line.parameters["direction"])
        aside = np.array(centres) - np.asarray(line.parameters["point"])
        aside = (aside - np.outer(aside @ straight, straight)) @ flat.T
        places = Places(2.0 * aside, np.zeros(len(off)), np.array(change), np.zeros((len(off), 3, 6)))
        thin = [
            f"{label}: {note}"
            for label, part in sections.items()
            for note in few("circle", len(part), "its form", form=True)
        ]
        details = dict(zip(sections, off.tolist(), strict=True))
        return (
            2.0 * float(off.max()),
            details,
            np.array(sizes),
            (*few("line", len(sections), self.of, form=True), *thin),
            places,
        )

    def _plane(
        self, _deviations: pd.DataFrame, covered: Covered
    ) -> tuple[float, dict[str, float], np.ndarray, tuple[str, ...], Places | None]:
        """Form of the plane midway between opposed touches, no details, local sizes, notes, no places."""
        require(covered, "width")
        sizes, pairs, said = two_point_sizes(covered, self.opposed, "width")
        if len(sizes) < 3:
            raise TouchesError(
                f"tolerance '{self.name}': fewer than three pairs of touches are opposed within {self.opposed:g} deg",
                found=f"{len(sizes)} pairs",
                todo="Touch both sides at opposite places, or widen opposed=.",
            )
        middles = covered.contact[pairs].mean(axis=1)
        if not self.modifier:
            require_enough("plane", middles, f"{self.of} by {len(sizes)} pairs", self.name, form=True)
        along = np.linalg.svd(covered.normal, full_matrices=False)[2][0]
        fitted = element(middles, "plane", method="minimum_zone", outward=along)
        notes = (*few("plane", len(sizes), self.of, form=True), *said)
        return float(np.ptp(fitted.residuals)), {"opposed pairs": float(len(sizes))}, sizes, notes, None

    def _words(self) -> Iterator[str]:
        yield "of the axis" if self.of == _AXIS else "of the middle plane"
        if self.modifier:
            yield _SAID[self.modifier].strip()

    def _cells(self) -> list[list[str]]:
        text = ("dia " if self.of == _AXIS else "") + f"{self.needed_width():g}"
        return [[text + (f"({self.modifier})" if self.modifier else "")]]


def _of_centre(normal: np.ndarray, part: np.ndarray) -> np.ndarray:
    """(3, n) change of twice the centre of a circle, and of nothing else, with the deviation of each touch.

    By least squares through the touches `part` of `normal` (n, 2). An arc tells its centre much worse than a ring: the
    zone then grows by far more than twice the worst touch.
    """
    change = np.zeros((3, len(normal)))
    change[:2, part] = 2.0 * np.linalg.pinv(np.column_stack([normal[part], np.ones(len(normal[part]))]))[:2]
    return change


def straightness_of_axis(deviations: pd.DataFrame, width: float, **options: Any) -> Evaluation:
    """Evaluate straightness [mm] of an axis in a table `deviations`: `width`, `options` are attributes of `Median`."""
    return Median(of=_AXIS, width=width, **{"name": "straightness of the axis", **options}).evaluate(deviations)
