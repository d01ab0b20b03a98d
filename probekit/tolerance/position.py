"""Position of axes, centres or middle planes, alone or as a pattern, regardless of feature size or with M or L.

symbol   variable    meaning (all [mm])
t        width       tolerance on the drawing: diameter of the zone, or distance of its planes
P        actual      position value: twice the largest distance of the axis from its true position, over the length
S        size        size of the mating envelope (MMC), or of the minimum material envelope (LMC)
b        bonus       what the departure from the material condition adds: M: |S - MMC|, L: |S - LMC|
VC                   virtual condition: bore MMC - t, boss MMC + t (M); bore LMC + t, boss LMC - t (L)

P <= t regardless of feature size, P <= t + b with a material condition (resolved geometry: the axis). The surface
interpretation (no touch beyond the boundary of size VC about the true position) is computed as well and comes first
in Y14.5 where both differ. ASME Y14.5-2018 clauses 5.9 and 10, from memory. ISO 2692 knows the surface interpretation
only (maximum material virtual size). Without a material condition ISO 1101 takes the extracted median line where Y14.5
takes the axis of the unrelated actual mating envelope.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ..errors import InputError
from ..fit.datums.freedom import Freedom
from ..show import shown
from .axes import envelope, size_of
from .cover import Covered, cover, few, positive
from .derived import SHAPES, derived
from .evaluation import Evaluation, Shifts
from .form import material_of
from .placement import Free, freedom_of
from .propagation import shift_sensitivity
from .settle import Held, settle, settle_surfaces

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.elements.model import Element

__all__ = ["Group", "bonus_of", "evaluation_at", "group_of", "pattern", "position", "virtual_condition"]

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


def position(
    found: pd.DataFrame,
    width: float,
    *,
    of: Literal["axis", "centre", "middle plane"] = "axis",
    at: Iterable[float] | None = None,
    direction: Iterable[float] | None = None,
    across: Iterable[float] | None = None,
    modifier: Literal["", "M", "L"] = "",
    limits: tuple[float, float] | None = None,
    length: tuple[float, float] | None = None,
    method: str | None = None,
    free: Free = (),
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str = "position",
) -> Evaluation:
    """Evaluate position in the datum frame.

    Parameters
    ----------
    found : DataFrame
        Deviations table, in the datum frame.
    width : float
        Tolerance [mm]: a diameter, or the distance of two planes if `across` is given or a middle plane is judged.
    of : {"axis", "centre", "middle plane"}
        Of a cylinder, a sphere, two parallel planes.
    at : (3,) float, optional
        A point of the true position [mm]; that of the nominal under the touches by default.
    direction : (3,) float, optional
        Direction of the true axis, or normal of the true middle plane; that of the nominal by default.
    across : (3,) float, optional
        Direction square to a zone of two parallel planes, in place of a round one.
    modifier : {"", "M", "L"}
        Regardless of feature size, at maximum or at least material condition.
    limits : (float, float), optional
        Smallest and largest size allowed [mm], needed with a modifier.
    length : (float, float), optional
        Heights over `at`, along `direction`, between which the axis is judged [mm]: outside the feature for a
        projected zone. Those of the touches by default.
    method : str, optional
        Element whose axis it is; the actual mating envelope by default (minimum material envelope with "L").
    free, pivot, features, between, name
        See `probekit.tolerance.profile`. All touches together make one axis, centre or middle plane.

    Returns
    -------
    Evaluation
        Judged as a whole. `width` includes the bonus; `details` has size, bonus, virtual condition and the room that
        the touches leave to its boundary.

    Raises
    ------
    InputError
        If the touches do not fix the element, or a modifier lacks limits of size.
    """
    group = group_of(
        found,
        width,
        together=True,
        features=features,
        options={"of": of, "direction": direction, "across": across, "length": length},
        at=at,
        modifier=modifier,
        limits=limits,
        method=method,
        between=between,
        name=name,
    )
    return evaluation_at(group, freedom_of(free, pivot))


def pattern(
    found: pd.DataFrame,
    width: float,
    *,
    features: Sequence[str],
    of: Literal["axis", "centre", "middle plane"] = "axis",
    at: Sequence[Iterable[float]] | None = None,
    direction: Iterable[float] | None = None,
    across: Iterable[float] | None = None,
    modifier: Literal["", "M", "L"] = "",
    limits: tuple[float, float] | None = None,
    length: tuple[float, float] | None = None,
    method: str | None = None,
    free: Free = (),
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str = "position",
) -> Evaluation:
    """Evaluate the position of several features as one pattern: at one common placement.

    Parameters
    ----------
    features : sequence of str
        Each is one axis, centre or middle plane.
    at : sequence of (3,) float, optional
        A point of the true position of each [mm]; that of the nominal under the touches by default.
    found, width, of, direction, across, modifier, limits, length, method, between, name
        As for `position`, alike for all.
    free : iterable of str, or DatumFrame
        What the datum frame leaves to the pattern, with the play of its datums at MMB: used once, by all together.
    pivot : (3,) float
        See `probekit.tolerance.profile`.

    Returns
    -------
    Evaluation
        Its `actual` and `width` (with the bonus) are those of the feature that uses the largest share of its tolerance;
        `details` has those of each. Every feature conforms if and only if this one does.

    Raises
    ------
    InputError
        As `position`, or if a feature is named twice, or `at` is not one point each.
    FitError
        If the placement does not settle.
    """
    group = group_of(
        found,
        width,
        together=False,
        features=features,
        options={"of": of, "direction": direction, "across": across, "length": length},
        at=at,
        modifier=modifier,
        limits=limits,
        method=method,
        between=between,
        name=name,
    )
    return evaluation_at(group, freedom_of(free, pivot))


@shown
@dataclass(frozen=True, eq=False)
class Group:
    """Features of one tolerance of position, their touches, and what derives them; see `position`."""

    found: pd.DataFrame
    name: str
    names: tuple[str, ...]
    width: float
    parts: Mapping[str, Covered]
    options: Sequence[Mapping[str, Any]]
    modifier: str
    limits: tuple[float, float] | None
    method: str | None

    @cached_property
    def bores(self) -> list[bool]:
        """Whether each is internal."""
        return [material_of(part) == "outside" for part in self.parts.values()]

    @cached_property
    def envelopes(self) -> list[tuple[float, Element]]:
        """Size of each that its bonus comes from [mm], and its element."""
        of, least = self.options[0]["of"], self.modifier == "L"
        return [size_of(part, SHAPES[of], envelope(part, least_material=least)) for part in self.parts.values()]

    def held(self, method: str | None = None) -> list[Held]:
        """The features, derived by a method, with bonus and boundary."""
        made, least = [], self.modifier == "L"
        for k, (part, own, bore) in enumerate(zip(self.parts.values(), self.options, self.bores, strict=True)):
            one = derived(part, **{**own, "method": method or envelope(part, least_material=least)})
            if not self.modifier:
                made.append(Held(one, self.width, 0.0, part.contact))
                continue
            bonus = bonus_of(self.envelopes[k][0], self.limits, self.modifier, bore=bore)
            boundary = virtual_condition(self.width, self.limits, self.modifier, bore=bore)
            made.append(Held(one, self.width, bonus, part.contact, boundary, inside=bore == (self.modifier == "M")))
        return made


def group_of(
    found: pd.DataFrame,
    width: float,
    *,
    together: bool,
    features: Iterable[str] | None,
    options: Mapping[str, Any],
    at: Iterable | None,
    modifier: str,
    limits: tuple[float, float] | None,
    method: str | None,
    between: Mapping[str, tuple[float, float]] | None,
    name: str,
) -> Group:
    """The features of a pattern, each with its touches, or all `together` as one; see `pattern` and `position`."""
    _check(options["of"], modifier, limits)
    width = positive(width)
    if together:
        covered = cover(found, features, between, name=name)
        return Group(
            found, name, covered.names, width, {"": covered}, [{**options, "at": at}], modifier, limits, method
        )
    names = (features,) if isinstance(features, str) else tuple(features or ())
    if not names or len(set(names)) < len(names):
        raise InputError("a pattern needs features, each named once", found=", ".join(names) or "none")
    points = [None] * len(names) if at is None else list(at)
    if len(points) != len(names):
        raise InputError("a pattern needs one true position per feature", found=len(points), expected=str(len(names)))
    parts = {one: cover(found, one, between, name=name) for one in names}
    own = [{**options, "at": one} for one in points]
    return Group(found, name, names, width, parts, own, modifier, limits, method)


def evaluation_at(group: Group, free: Freedom, motion: np.ndarray | None = None, with_: str = "") -> Evaluation:
    """Evaluation of a group where a motion (4, 4) puts it, or else where its zones, by themselves, are best placed.

    `with_`: what other tolerances the motion was found together with.
    """
    of, modifier, width = group.options[0]["of"], group.modifier, group.width
    held, alone = group.held(group.method), motion is None
    motion = settle(held, free) if motion is None else motion
    details, notes = _each(group, held)
    reach = [np.linalg.norm(one.feature.shifts(motion)[0], axis=1) for one in held]
    worst = int(np.argmax([one.share(motion) for one in held]))
    allowed, actual = width + held[worst].bonus, 2.0 * float(reach[worst].max())
    if len(held) > 1:
        details |= {f"{label}: position": 2.0 * float(off.max()) for label, off in zip(group.parts, reach, strict=True)}
        leads = list(group.parts)[worst]
        notes.append(f"the largest share of its tolerance is used by {leads}: {actual:.4f} of {allowed:.4f} mm")
    if with_:
        notes.append(f"simultaneous requirement: one placement for {with_}")
    if modifier and group.options[0]["across"] is None:
        room = width * settle_surfaces(held, free if alone else Freedom.named(()), motion)
        details["room to the boundary of the virtual condition"] = room
        if (room >= 0) != (actual <= allowed):
            notes.append(
                f"by the surface the tolerance is {'met' if room >= 0 else 'not met'} (room {room:+.4f} mm), by "
                "the axis it is not so: in Y14.5 the surface comes first"
            )

    def value(features: Sequence[Held], placed: np.ndarray) -> float:
        return max(width * one.share(placed) for one in features) + held[worst].bonus

    def alternatives() -> dict[str, float]:
        values = {}
        for how in _OTHERS:
            again = group.held(how)
            values[how.replace("_", " ")] = value(again, settle(again, free) if alone else motion)
        if free:
            values["zones held where the datum frame puts them"] = value(held, np.eye(4))
        return values

    fitted = [size_of(part, SHAPES[of], "least_squares")[1] for part in group.parts.values()]
    gradient, slope = shift_sensitivity(
        [one.feature for one in held],
        [(part.contact, part.normal) for part in group.parts.values()],
        worst,
        motion,
        free,
        0.0 if not held[worst].bonus else 1.0 if modifier == "M" else -1.0,
        group.envelopes[worst][1].active if modifier else (),
    )
    return Evaluation.as_whole(
        group.found,
        np.concatenate([part.rows for part in group.parts.values()]),
        actual,
        allowed,
        name=group.name,
        kind=f"position of {_SAID[of][0] if len(held) == 1 else f'a pattern of {len(held)} {_SAID[of][1]}'}"
        + {"": "", "M": " at maximum material condition", "L": " at least material condition"}[modifier],
        features=group.names,
        high=float(reach[worst].max()),
        low=float(reach[worst].min()),
        deviations=np.concatenate([one.residuals for one in fitted]),
        ruling=tuple(list(group.parts.values())[worst].ids[list(held[worst].feature.active)].tolist()),
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
    )


def _each(group: Group, held: Sequence[Held]) -> tuple[dict[str, float], list[str]]:
    """Details and notes of each feature by itself."""
    details: dict[str, float] = {}
    notes: list[str] = []
    for k, (one, (label, part)) in enumerate(zip(held, group.parts.items(), strict=True)):
        lead, on = (f"{label}: ", f"on {label}: ") if label else ("", "")
        notes += [
            on + note for note in (*few(SHAPES[one.feature.of], len(part.rows), "a position"), *one.feature.notes)
        ]
        if group.modifier:
            size, (low, high) = group.envelopes[k][0], group.limits
            details |= {f"{lead}size": size, f"{lead}bonus": one.bonus, f"{lead}virtual condition": one.boundary}
            if not low <= size <= high:
                notes.append(f"{on}the size {size:.4f} mm is outside {low:g} to {high:g} mm: it fails by itself")
        if one.feature.of == "axis" and not label:
            details |= {"from height": float(one.feature.places[0]), "to height": float(one.feature.places[1])}
    return details, notes


def _check(of: str, modifier: str, limits: tuple[float, float] | None) -> None:
    if of not in SHAPES:
        raise InputError("a position is that of an axis, a centre or a middle plane", found=of)
    if modifier not in ("", "M", "L"):
        raise InputError("unknown material condition", found=modifier, expected="M, L or none")
    if modifier and limits is None:
        raise InputError("a material condition needs the limits of size", expected="limits=(smallest, largest)")
    if limits is not None and not (len(limits) == 2 and 0 < limits[0] < limits[1]):
        raise InputError("limits of size are two rising lengths", found=limits)
