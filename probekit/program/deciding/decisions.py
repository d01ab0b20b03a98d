"""What a program decides, as data beside its moves: no jumps, every branch ends where it began or ends the program.

A program that decides is a tuple of moves and decisions; `Decide` and `Reprobe` hold such tuples in turn. What a
control finds out is a deviation of a touch; everything else is reckoned from these (`expressions`). All deviations are
counted from the first work offset, whatever offset a touch is made in.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ...errors import InputError
from ..moves import Move
from .estimates import Estimate
from .expressions import Expression, Let, is_condition

__all__ = [
    "Continue",
    "Decide",
    "Decision",
    "Entered",
    "Milling",
    "Recut",
    "Reprobe",
    "ShiftOffset",
    "Step",
    "Switch",
    "UseOffset",
    "decides",
    "linear",
]

Point = tuple[float, float, float]


@dataclass(frozen=True)
class ShiftOffset:
    """Write a COPY of a work offset, shifted, and count from it: never the offset itself, and always anew from that.

    Attributes
    ----------
    to, by : str
        The copy and what it is a copy of, by their names in the dialect: "G55", "G54".
    names : tuple of str
        What was reckoned: by how much the part lies off, along each direction [mm].
    directions : tuple of (3,) float
        Square to one another, part frame; one for each name.
    angles : (n_axes,) float
        Of the rotary axes for which the copy holds [degree]: a table that turns takes the shift along.
    """

    to: str
    by: str
    names: tuple[str, ...]
    directions: tuple[Point, ...]
    angles: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.to == self.by:
            raise InputError("a shift would be written into the work offset itself", found=self.to, expected="a copy")
        if not self.names or len(self.names) != len(self.directions):
            raise InputError("a shift needs a direction for each of its values", found=len(self.directions))
        for row, one in enumerate(self.directions):
            if abs(math.hypot(*one) - 1.0) > 1e-6:
                raise InputError("a direction of a shift is no unit vector", found=one)
            for other in self.directions[:row]:
                if abs(sum(a * b for a, b in zip(one, other, strict=True))) > 1e-6:
                    raise InputError(
                        "two directions of a shift are not square to each other",
                        found=f"{other} and {one}",
                        todo="Estimate along directions that are: each value would count twice.",
                    )


@dataclass(frozen=True)
class Entered:
    """Count from a copy of a work offset that a person has entered, within a limit of what it copies [mm]."""

    to: str
    by: str
    limit: float

    def __post_init__(self) -> None:
        if self.to == self.by:
            raise InputError("a shift would be entered into the work offset itself", found=self.to, expected="a copy")


@dataclass(frozen=True)
class UseOffset:
    """Count from another work offset, whose values stay as they are."""

    name: str


@dataclass(frozen=True)
class Continue:
    """Go on: nothing is to be done. It stands in a branch for what is meant to be empty."""


@dataclass(frozen=True)
class Milling:
    """Here the milling program runs on, to one of its places; the probe is out, and is put in anew after it.

    Attributes
    ----------
    after : str or int
        The place, as `probekit.program.merge` takes it.
    occurrence : int, optional
        Which one, from 1, where there are several.
    """

    after: str | int
    occurrence: int | None = None


@dataclass(frozen=True)
class Recut:
    """Run an operation of the milling program again, at most once, its tool lower within a limit.

    Neither the tool table nor a work offset that was set up is written, for what is changed there stays changed for the
    next part: the operation counts from a COPY of its work offset, lower along the tool. For an upright tool that is
    the same as a change of its length offset.

    Attributes
    ----------
    operation : str
        A tool or the whole comment that heads it in the milling program.
    by : str
        Name of what is left [mm]: by so much the tool goes lower; higher if it is negative.
    limit : float
        Of its size [mm]; a decision before it must hold to it.
    to, of : str
        The copy and the work offset in which the operation was milled, by their names in the dialect.
    occurrence : int, optional
        Which one, from 1, where there are several.
    """

    operation: str
    by: str
    limit: float
    to: str = ""
    of: str = ""
    occurrence: int | None = None


@dataclass(frozen=True)
class Decide:
    """Go one way or the other; both ways come out lifted, at the same angles, in the same work offset, or end."""

    condition: Expression
    then: tuple[Step, ...]
    otherwise: tuple[Step, ...] = (Continue(),)

    def __post_init__(self) -> None:
        _need_condition(self.condition)
        if not self.then or not self.otherwise:
            raise InputError("a branch of a decision is empty", todo="Write Continue() where nothing is to be done.")


@dataclass(frozen=True)
class Reprobe:
    """Make touches, and make them again while a condition does not hold, at most so many times.

    What follows must ask for the condition again: after the last repeat the program goes on, whether it holds or not.
    `between` comes before each repeat, and leaves all as it was before the first touch.
    """

    steps: tuple[Step, ...]
    until: Expression
    at_most: int
    between: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        _need_condition(self.until)
        if isinstance(self.at_most, bool) or not isinstance(self.at_most, int) or not 0 <= self.at_most <= 9:
            raise InputError("repeats are not bounded", column="at_most", found=self.at_most, expected="0 to 9")


Decision = Continue | Decide | Entered | Estimate | Let | Milling | Recut | Reprobe | ShiftOffset | UseOffset
Step = Move | Decision


@dataclass(frozen=True)
class Switch:
    """In a program as one list: where a decision or a repeat opens, turns to its other branch, and closes."""

    of: Decide | Reprobe
    where: str
    number: int


def linear(steps: Sequence[Step]) -> Iterator[Step | Switch]:
    """A program as one list, in the order of its text; decisions and repeats are numbered from 1.

    Parameters
    ----------
    steps : sequence of Step
    """
    numbers = iter(range(1, 1_000_000))

    def listed(steps: Sequence[Step]) -> Iterator[Step | Switch]:
        for one in steps:
            if isinstance(one, Decide):
                number = next(numbers)
                yield Switch(one, "then", number)
                yield from listed(one.then)
                if any(not isinstance(step, Continue) for step in one.otherwise):
                    yield Switch(one, "otherwise", number)
                    yield from listed(one.otherwise)
                yield Switch(one, "end", number)
            elif isinstance(one, Reprobe):
                number = next(numbers)
                yield Switch(one, "repeat", number)
                yield from listed(one.steps)
                if one.between:
                    yield Switch(one, "again", number)
                    yield from listed(one.between)
                yield Switch(one, "again_end" if one.between else "end", number)
            elif isinstance(one, Estimate):
                yield from one.lets
            else:
                yield one

    return listed(steps)


def decides(steps: Sequence[Step]) -> bool:
    """Whether a program decides or reckons anything; else it is a plain list of moves."""
    return any(isinstance(one, Decision) for one in steps)


def _need_condition(tree: Expression) -> None:
    if not is_condition(tree):
        raise InputError("a decision needs a condition", found=tree.unit or "a plain number", expected="a comparison")
