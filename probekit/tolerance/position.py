"""Position of axes, centres or middle planes, alone or as a pattern, regardless of feature size or with M or L.

symbol   variable    meaning (all [mm])
t        width       tolerance on the drawing: diameter of the zone, or distance of its planes
P        actual      position value: twice the largest distance of the axis from its true position, over the length
S        size        size of the mating envelope (MMC), or of the minimum material envelope (LMC)
b        bonus       what the departure from the material condition adds: M: |S - MMC|, L: |S - LMC|
VC                   virtual condition: bore MMC - t, boss MMC + t (M); bore LMC + t, boss LMC - t (L)

P <= t regardless of feature size. With a material condition t may be zero: the bonus is then all there is. No touch may
lie beyond the boundary of size VC about the true position (the surface), which comes first in Y14.5 where it and
P <= t + b (the axis) differ; the actual value is then t + b less the room left to the boundary (`surface`). A projected
zone, or one between planes, is judged by the axis. ASME Y14.5-2018 clauses 5.9 and 10, from
memory. ISO 2692 knows the surface interpretation only (maximum material virtual size). Without a material condition
ISO 1101 takes the extracted median line where Y14.5 takes the axis of the unrelated actual mating envelope.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

import numpy as np

from ..errors import InputError
from ..fit.datums.freedom import Freedom
from ..show import shown
from ..values import Number
from .axes import envelope, size_of
from .candidates import most_favourable
from .cover import Covered, cover, positive
from .derived import SHAPES, derived
from .enough import few, require_located
from .evaluation import Evaluation, Shifts
from .form import material_of
from .local_size import contacts_of
from .placement import Free
from .places import of_shifts, of_surfaces
from .settle import Held, middles_of, settle, settle_surfaces
from .spec import Direction, Limits, Tolerance, Vector, stated
from .surface import Room, rooms

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.elements.model import Element
    from ..nominal import Nominal

__all__ = ["Group", "Position", "bonus_of", "evaluation_at", "pattern", "position", "virtual_condition"]

_WORDS = (("an axis", "axes"), ("a centre", "centres"), ("a middle plane", "middle planes"))
_SAID = dict(zip(SHAPES, _WORDS, strict=True))
_OTHERS = ("least_squares", "maximum_inscribed", "minimum_circumscribed")


def bonus_of(size: float, limits: tuple[float, float], modifier: str, *, bore: bool) -> float:
    """Bonus tolerance [mm] of a feature of a size, never negative, never more than the tolerance of size.

    Parameters
    ----------
    size : float
        Size of the envelope [mm].
    limits : (float, float)
        Smallest and largest size allowed [mm].
    modifier : {"", "M", "L"}
    bore : bool
        Whether the feature is internal (bore, slot).
    """
    if not modifier:
        return 0.0
    from_lower = (modifier == "M") == bore  # a bore is at MMC at its smallest, a boss at its largest
    departure = size - limits[0] if from_lower else limits[1] - size
    return float(np.clip(departure, 0.0, limits[1] - limits[0]))


def virtual_condition(width: float, limits: tuple[float, float], modifier: str, *, bore: bool) -> float:
    """Virtual condition [mm]: the constant boundary that tolerances of size and position make together.

    Parameters
    ----------
    width : float
        Tolerance of position, without bonus [mm].
    limits, modifier, bore
        See `bonus_of`; the modifier is M or L.
    """
    sign = -1.0 if (modifier == "M") == bore else 1.0
    return limits[0] + sign * width if sign < 0 else limits[1] + width


@shown
@dataclass(frozen=True, kw_only=True)
class Position(Tolerance):
    """Position of an axis, a centre or a middle plane, or of a pattern of them, in the datum frame.

    Judged as a whole. The width of the evaluation includes the bonus; `details` has size, bonus, virtual condition and
    the room that the touches leave to its boundary. Of a pattern, the actual value and the width are those of the
    feature that uses the largest share of its tolerance, and `details` has those of each: every feature conforms if and
    only if this one does.

    Attributes
    ----------
    width : float
        Tolerance [mm]; 0 with a modifier is the zero tolerance of Y14.5, all of which comes from the size.
    of : str
        "axis" of a cylinder, "centre" of a sphere, or "middle plane" of two parallel planes. The width is a diameter,
        or the distance of two planes if `across` is given or a middle plane is judged.
    pattern : bool
        Each feature is one of a pattern, at one common placement; if not, all touches together make one.
    at : (3,) float, optional
        A point of the true position [mm], of a pattern one for each; that of the nominal under the touches by default.
    direction : (3,) float, optional
        Direction of the true axis, or normal of the true middle plane; that of the nominal by default.
    across : (3,) float, optional
        Direction square to a zone of two parallel planes, in place of a round one.
    modifier : str
        "": regardless of feature size. "M", "L": at maximum or at least material condition.
    limits : (float, float), optional
        Smallest and largest size allowed [mm], needed with a modifier.
    length : (float, float), optional
        Heights over `at`, along `direction`, between which the axis is judged [mm]: outside the feature for a
        projected zone. By default those of the feature in the nominal, or of the touches where no nominal is given.
    projected : bool
        `length` is a projected zone; it is drawn so.
    method : str, optional
        Element whose axis it is; the actual mating envelope by default (minimum material envelope with "L").
    free : tuple of str
        Degrees of freedom that the datum frame leaves, see `Profile`: used once, by all of a pattern together.
    separate : bool
        Not to be met at one placement together with others that share its datums.
    """

    width: Annotated[float, Number(least=1e-6, most=1e5, or_zero=True)] | None = None
    of: Literal["axis", "centre", "middle plane"] = "axis"
    pattern: bool = False
    at: Vector | tuple[Vector, ...] | None = None
    direction: Direction | None = None
    across: Direction | None = None
    modifier: Literal["", "M", "L"] = field(
        default="", metadata=stated(maximum_material_requirement="M", least_material_requirement="L")
    )
    limits: Limits | None = None
    length: tuple[float, float] | None = None
    projected: bool = False
    method: str | None = None
    free: tuple[str, ...] = ()
    separate: bool = field(default=False, metadata=stated(separate_requirement=True))

    characteristic: ClassVar[str] = "position"
    kinds: ClassVar = {"position": {}}

    def _check(self) -> None:
        super()._check()
        if self.width == 0 and not self.modifier:
            what = f"tolerance '{self.name}': a position of zero needs a material condition, which its zone comes from"
            raise InputError(what, column="width", todo='Give it modifier = "M" or "L", with the limits of size.')
        if self.modifier and self.limits is None:
            raise InputError("a material condition needs the limits of size", expected="limits=(smallest, largest)")
        if self.limits is not None and not (len(self.limits) == 2 and 0 < self.limits[0] < self.limits[1]):
            raise InputError("limits of size are two rising lengths", column="limits", found=self.limits)
        if self.pattern and (not self.features or len(set(self.features)) < len(self.features)):
            raise InputError(
                "a pattern needs features, each named once", found=", ".join(self.features) or "none", column="features"
            )
        if self.pattern and self.at is not None and np.shape(self.at) != (len(self.features), 3):
            what = "a pattern needs one true position per feature"
            raise InputError(what, column="at", found=self.at, expected=f"{len(self.features)} points")

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, free: Freedom) -> Evaluation:
        return evaluation_at(self.group(deviations, nominal), free)

    def group(self, deviations: pd.DataFrame, nominal: Nominal | None = None) -> Group:
        """Its features with their touches, for what is evaluated together."""
        if not self.pattern:
            covered = self.covered(deviations)
            return Group(deviations, self, covered.names, {"": covered}, (self.at,), nominal)
        parts = {one: cover(deviations, one, self.between, name=self.name) for one in self.features}
        return Group(deviations, self, self.features, parts, self.at or (None,) * len(parts), nominal)

    def _words(self) -> Iterator[str]:
        many = {"axis": "axes", "centre": "centres", "middle plane": "middle planes"}
        yield f"of the {many[self.of]}, as one pattern" if self.pattern else f"of the {self.of}"
        if self.free:
            yield "free: " + ", ".join(self.free)
        if self.separate:
            yield "separate requirement"
        if self.modifier:
            yield {"M": "at maximum material condition", "L": "at least material condition"}[self.modifier]
        if self.projected and self.length is not None:
            yield f"projected from {self.length[0]:g} to {self.length[1]:g} mm"

    def _cells(self) -> list[list[str]]:
        text = "dia " if self.of != "middle plane" and self.across is None else ""
        text = "S" + text if self.of == "centre" and text else text
        text += f"{self.needed_width():g}" + (f"({self.modifier})" if self.modifier else "")
        if self.projected and self.length is not None:
            text += f"(P){abs(self.length[1] - self.length[0]):g}"
        return [[text, *self.datums]]


def position(
    deviations: pd.DataFrame, width: float, *, free: Free = (), pivot: Vector = (0.0, 0.0, 0.0), **options: Any
) -> Evaluation:
    """Evaluate position [mm] of the table `deviations` in the datum frame: all touches make one feature.

    `width` and `options` are attributes of `Position`; `free` and `pivot` those of `Tolerance.evaluate`.
    """
    return Position(width=width, **options).evaluate(deviations, free=free, pivot=pivot)


def pattern(
    deviations: pd.DataFrame,
    width: float,
    *,
    features: Sequence[str],
    free: Free = (),
    pivot: Vector = (0.0, 0.0, 0.0),
    **options: Any,
) -> Evaluation:
    """Evaluate the position [mm] of several `features` of the table `deviations` as one pattern.

    `width` and `options` are attributes of `Position`; `free` and `pivot` those of `Tolerance.evaluate`.
    """
    one = Position(width=width, pattern=True, features=features, **options)
    return one.evaluate(deviations, free=free, pivot=pivot)


@shown
@dataclass(frozen=True, eq=False)
class Group:
    """Features of one tolerance of position, their touches, and what derives them; see `position`."""

    deviations: pd.DataFrame
    spec: Position
    names: tuple[str, ...]
    parts: Mapping[str, Covered]
    at: Sequence[Vector | None]
    nominal: Nominal | None = None

    @property
    def by_surface(self) -> bool:
        """Whether the surface decides, not the axis: at a material condition, unless the zone is projected or flat."""
        return bool(self.spec.modifier) and self.spec.across is None and self.spec.length is None

    @cached_property
    def bores(self) -> list[bool]:
        """Whether each is internal."""
        return [material_of(part) == "outside" for part in self.parts.values()]

    @cached_property
    def contacts(self) -> list[np.ndarray]:
        """(n, 3) contacts of each, on the feature where it lies."""
        return [contacts_of(part, SHAPES[self.spec.of]) for part in self.parts.values()]

    @cached_property
    def envelopes(self) -> list[tuple[float, Element]]:
        """Size of each that its bonus comes from [mm], and its element."""
        of, least = self.spec.of, self.spec.modifier == "L"
        return [size_of(part, SHAPES[of], envelope(part, least_material=least)) for part in self.parts.values()]

    def held(self, method: str | None = None) -> list[Held]:
        """The features, derived by a method, with bonus and boundary."""
        made, one, least = [], self.spec, self.spec.modifier == "L"
        options: dict[str, Any] = {"of": one.of, "direction": one.direction, "across": one.across}
        options |= {"length": one.length, "nominal": self.nominal}
        for k, (part, at, bore) in enumerate(zip(self.parts.values(), self.at, self.bores, strict=True)):
            way = method or one.method or envelope(part, least_material=least)
            found = Held(derived(part, at=at, method=way, **options), one.width, 0.0, self.contacts[k])
            if one.modifier:
                bonus = bonus_of(self.envelopes[k][0], one.limits, one.modifier, bore=bore)
                boundary = virtual_condition(one.width, one.limits, one.modifier, bore=bore)
                inside, unit = bore == (one.modifier == "M"), one.width or float(np.ptp(one.limits))
                found = replace(found, bonus=bonus, boundary=boundary, inside=inside, unit=unit)
            made.append(most_favourable(found, part) if found.feature.active else found)
        return made


def evaluation_at(
    group: Group, free: Freedom, motion: np.ndarray | None = None, with_: str = "", *, located: bool = True
) -> Evaluation:
    """Evaluation of a group where a motion (4, 4) puts it, or else where its zones, by themselves, are best placed.

    `with_`: what else the motion was found with. `located`: refused if that place tells nothing of the features'.
    """
    of, modifier, width = group.spec.of, group.spec.modifier, group.spec.needed_width()
    width = 0.0 if modifier and width == 0 else positive(width)
    held, alone = group.held(), motion is None
    if alone and located:
        require_located(group.spec.name, middles_of(held, free), free)
    motion = settle(held, free) if motion is None else motion
    left = None
    if group.by_surface:
        motion, left = _most_room(held, free if alone else Freedom.named(()), motion)
    details, notes = _each(group, held)
    reach = [np.linalg.norm(one.feature.shifts(motion)[0], axis=1) for one in held]
    shares = [one.share(motion) for one in held] if left is None else [-one.room for one in left]
    worst = int(np.argmax(shares))
    allowed, actual = width + held[worst].bonus, 2.0 * float(reach[worst].max())
    touch = None if left is None else left[worst].touch
    if left is not None:
        details |= {"by the axis": actual}
        details |= {"room to the boundary of the virtual condition": min(one.touches for one in left)}
        actual = max(allowed - left[worst].room, 0.0)
        if touch is not None:
            notes.append("judged by the surface, which comes before the axis")
    if len(held) > 1:
        details |= {f"{label}: position": 2.0 * float(off.max()) for label, off in zip(group.parts, reach, strict=True)}
        leads = list(group.parts)[worst]
        notes.append(f"the largest share of its tolerance is used by {leads}: {actual:.4f} of {allowed:.4f} mm")
    if with_:
        notes.append(f"simultaneous requirement: one placement for {with_}")

    def value(features: Sequence[Held], placed: np.ndarray) -> float:
        return max(one.unit * (one.share(placed) - 1.0) for one in features) + width + held[worst].bonus

    def alternatives() -> dict[str, float]:
        values = {}
        for how in _OTHERS:
            again = group.held(how)
            values[how.replace("_", " ")] = value(again, settle(again, free) if alone else motion)
        if free:
            values["zones held where the datum frame puts them"] = value(held, np.eye(4))
        return values

    fitted = [size_of(part, SHAPES[of], "least_squares")[1] for part in group.parts.values()]
    parts = [(part.contact, part.normal) for part in group.parts.values()]
    if touch is None or left is None:
        bonus = np.array([one.bonus - held[worst].bonus for one in held])
        per_size = 0.0 if not held[worst].bonus else 1.0 if modifier == "M" else -1.0
        sized = [one.active for _, one in group.envelopes] if modifier else None
        ways = [held, group.held("least_squares")] if any(one.feature.active for one in held) else [held]
        # scatter lets an envelope on few touches slide, and lean, towards its true position: bounds count both
        each = [of_shifts([one.feature for one in way], parts, motion, free, bonus, per_size, sized) for way in ways]
        places = each[0] if len(each) == 1 else each[0].beside(each[1])
        rules = sum(len(one) for one in reach[:worst]) + int(reach[worst].argmax())
    else:
        taken = [allowed - one.room - (one.each - one.touches) for one in left]
        places = of_surfaces(parts, np.concatenate(taken), motion, free, least=modifier == "L")
        rules = sum(len(one) for one in taken[:worst]) + touch
    gradient, slope = places.along(rules)
    active = list(held[worst].feature.active) if touch is None else [touch]
    return Evaluation.as_whole(
        group.deviations,
        np.concatenate([part.rows for part in group.parts.values()]),
        actual,
        allowed,
        name=group.spec.name,
        kind=f"position of {_SAID[of][0] if len(held) == 1 else f'a pattern of {len(held)} {_SAID[of][1]}'}"
        + {"": "", "M": " at maximum material condition", "L": " at least material condition"}[modifier],
        features=group.names,
        high=float(reach[worst].max()),
        low=float(reach[worst].min()),
        deviations=np.concatenate([one.residuals for one in fitted]),
        ruling=tuple(list(group.parts.values())[worst].ids[active].tolist()),
        missed_rows=np.concatenate([part.missed for part in group.parts.values()]),
        free=free.names,
        motion=motion,
        notes=tuple(notes),
        details=details,
        shifts=tuple(
            Shifts(label, one.shifts(motion) @ one.feature.zone, one.feature.true, one.feature.zone, width + one.bonus)
            for label, one in zip(group.parts, held, strict=True)
        ),
        alternatives=alternatives,
        gradient=gradient,
        slope=slope,
        places=places,
        envelopes=tuple(each for one in held for each in one.feature.envelopes),
    )


def _most_room(held: Sequence[Held], free: Freedom, motion: np.ndarray) -> tuple[np.ndarray, list[Room]]:
    """The motion that leaves the surfaces more room, of a given one and the best for the touches, and that room."""
    placed = [motion, settle_surfaces(held, free)] if free else [motion]
    left = [rooms(held, one) for one in placed]
    best = int(np.argmax([min(each.room for each in one) for one in left]))
    return placed[best], left[best]


def _each(group: Group, held: Sequence[Held]) -> tuple[dict[str, float], list[str]]:
    """Details and notes of each feature by itself."""
    details: dict[str, float] = {}
    notes: list[str] = []
    for k, (one, (label, part)) in enumerate(zip(held, group.parts.items(), strict=True)):
        lead, on = (f"{label}: ", f"on {label}: ") if label else ("", "")
        notes += [
            on + note for note in (*few(SHAPES[one.feature.of], len(part.rows), "a position"), *one.feature.notes)
        ]
        if group.spec.modifier:
            size, (low, high) = group.envelopes[k][0], group.spec.limits
            details |= {f"{lead}size": size, f"{lead}bonus": one.bonus, f"{lead}virtual condition": one.boundary}
            if not low <= size <= high:
                notes.append(f"{on}the size {size:.4f} mm is outside {low:g} to {high:g} mm: it fails by itself")
        if one.feature.of == "axis" and not label:
            details |= {"from height": float(one.feature.places[0]), "to height": float(one.feature.places[1])}
    return details, notes
