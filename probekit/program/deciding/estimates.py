"""What is reckoned of a few touches, in closed forms that a control can evaluate; redundant touches check one another.

Each touch tells one number: its deviation. A part that lies off by a vector d deviates by n . d at a touch of normal n,
so touches along a direction u give the share of d along u:

    height     touches on one side:  e = mean(s), s = deviation along u; spread: max(s) - min(s)
    middle     touches on both sides, of a width w that need not be known:  e = (mean(s+) - mean(s-)) / 2, where s- are
               deviations against u; spread: the larger one of max - min on either side
    angle      touches on one side, in two groups along a direction v, apart by b:  e = atan2(mean(s2) - mean(s1), b);
               spread: the larger one of max - min in either group

Closed forms of elementary geometry, no source. General fits stay outside the program: `probekit.fit`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ...errors import InputError
from .expressions import Deviation, Expression, Let, Name, Operation, Value, total

__all__ = ["KINDS", "Estimate", "Probed"]

KINDS = ("height", "middle", "angle")
_ALONG = math.cos(math.radians(1.0))  # of normals that count as along a direction
_SQUARE = 1e-3  # of a direction along a plane to its normal

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Probed:
    """A touch that is recorded: its number, target and outward normal, part frame."""

    touch: int
    target: Point
    normal: Point


@dataclass(frozen=True)
class Estimate:
    """One number of some touches: see the module.

    Parameters
    ----------
    name : str
        Of the result; that of its check is this and " spread".
    kind : {"height", "middle", "angle"}
    touches : tuple of Probed
        Those whose normals lie along the direction, within a degree, are used; see `unused`.
    direction : (3,) float
        Part frame; made a unit vector.
    along : (3,) float, optional
        Of an angle: the direction in which the plane rises, square to the other.

    Raises
    ------
    InputError
        If the touches do not give such a number.
    """

    name: str
    kind: str
    touches: tuple[Probed, ...]
    direction: Point
    along: Point | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise self._error("this kind of estimate is not known", self.kind, ", ".join(KINDS))
        for what in ("direction", "along"):
            given = getattr(self, what)
            length = 0.0 if given is None else math.hypot(*given)
            if given is not None and length == 0:
                raise self._error("a direction has no length", given, "three numbers, not all 0")
            if given is not None:
                object.__setattr__(self, what, tuple(float(c) / length for c in given))
        if (self.along is None) == (self.kind == "angle"):
            raise self._error("an angle, and nothing else, has a direction along its plane", self.along, "along")
        if self.along is not None and abs(float(np.dot(self.along, self.direction))) > _SQUARE:
            raise self._error("the direction along the plane is not square to its normal", self.along, "square to it")
        one_side = bool(self._plus) != bool(self._minus)
        if self.kind == "middle" and not (self._plus and self._minus):
            raise self._error("a middle needs touches on both sides", self._counted, "at least one each")
        if self.kind != "middle" and not one_side:
            raise self._error("it needs touches on one side", self._counted, "on one side only")
        if self.kind == "angle" and not all(self._groups):
            raise self._error("an angle needs touches at two places along its plane", self._counted, "two groups")

    @property
    def unit(self) -> str:
        """Of the result."""
        return "degree" if self.kind == "angle" else "mm"

    @property
    def used(self) -> tuple[int, ...]:
        """Numbers of the touches that it is reckoned of."""
        return tuple(one.touch for group in self._groups for one in group)

    @property
    def groups(self) -> tuple[tuple[int, ...], ...]:
        """Numbers of the touches on either side, or at either end."""
        return tuple(tuple(one.touch for one in group) for group in self._groups)

    @property
    def unused(self) -> tuple[int, ...]:
        """Numbers of the touches that lie neither along nor against the direction."""
        return tuple(one.touch for one in self.touches if one.touch not in self.used)

    @property
    def redundant(self) -> bool:
        """Whether touches check one another."""
        return any(len(group) > 1 for group in self._groups)

    @property
    def spread(self) -> Name:
        """The name of its check [mm]."""
        return Name(f"{self.name} spread")

    @cached_property
    def lets(self) -> tuple[Let, ...]:
        """What a program reckons, small step by small step: no line of it is long."""
        lets, means, spreads = [], [], []
        for number, group in enumerate(self._groups, 1):
            own = [Name(f"{self.name} of touch {one.touch}") for one in group]
            lets += [Let(at.name, self._share(one)) for at, one in zip(own, group, strict=True)]
            mean = Name(f"{self.name} mean {number}")
            lets.append(Let(mean.name, Operation("/", (total(own), Value(len(own))))))
            means.append(mean)
            if len(group) > 1:
                ends = [self._extreme(word, number, own, lets) for word in ("max", "min")]
                spreads.append(Name(f"{self.name} range {number}"))
                lets.append(Let(spreads[-1].name, Operation("-", (ends[0], ends[1]))))
        lets.append(Let(self.name, self._result(means)))
        if spreads:
            largest = spreads[0] if len(spreads) == 1 else Operation("max", (spreads[0], spreads[1]))
            lets.append(Let(self.spread.name, largest))
        return tuple(lets)

    def _result(self, means: Sequence[Expression]) -> Expression:
        if self.kind == "height":
            return means[0]
        apart = Operation("-", (means[1], means[0])) if self.kind == "angle" else Operation("+", (means[0], means[1]))
        if self.kind == "middle":  # shares against the direction count with their sign already
            return Operation("/", (apart, Value(2)))
        return Operation("atan2", (apart, Value(self._apart, "mm")))

    def _share(self, one: Probed) -> Expression:
        """What a touch tells along the direction."""
        if float(np.dot(one.normal, self.direction)) > 0:
            return Deviation(one.touch)
        return Operation("-", (Value(0.0, "mm"), Deviation(one.touch)))

    def _extreme(self, word: str, number: int, own: Sequence[Name], lets: list[Let]) -> Name:
        so_far = own[0]
        for count, one in enumerate(own[1:], 2):
            name = Name(f"{self.name} {word} {number} of {count}")
            lets.append(Let(name.name, Operation(word, (so_far, one))))
            so_far = name
        return so_far

    @property
    def _plus(self) -> list[Probed]:
        return [one for one in self.touches if float(np.dot(one.normal, self.direction)) > _ALONG]

    @property
    def _minus(self) -> list[Probed]:
        return [one for one in self.touches if float(np.dot(one.normal, self.direction)) < -_ALONG]

    @cached_property
    def _groups(self) -> tuple[list[Probed], ...]:
        if self.kind == "middle":
            return self._plus, self._minus
        own = self._plus or self._minus
        if self.along is None:
            return (own,)
        places = [float(np.dot(one.target, self.along)) for one in own]
        middle = (max(places) + min(places)) / 2
        low, high = (
            [one for one, at in zip(own, places, strict=True) if (at > middle) == up and max(places) > min(places)]
            for up in (False, True)
        )
        return low, high

    @property
    def _apart(self) -> float:
        """Distance of the two groups along the plane [mm]."""
        low, high = (np.mean([np.dot(one.target, self.along) for one in group]) for group in self._groups)
        return round(float(high - low), 5)

    @property
    def _counted(self) -> str:
        return f"{len(self._plus)} along, {len(self._minus)} against the direction"

    def _error(self, what: str, found: object, expected: str) -> InputError:
        return InputError(f"estimate '{self.name}': {what}", found=found, expected=expected)
