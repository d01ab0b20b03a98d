"""What a program reckons from its triggers: a small tree of named operations, each with its unit.

A tree is data: it is checked, evaluated here, and spelled by a dialect. Units are those of lengths and angles, so that
an angle is never added to a length; sums, differences and comparisons need the same unit on both sides.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import reduce

from ...errors import InputError

__all__ = [
    "Deviation",
    "Expression",
    "Let",
    "Name",
    "Operation",
    "Shifted",
    "Value",
    "is_condition",
    "leaves",
    "total",
    "value_of",
]

#: What a tree may give: a plain number, a length, its square, an angle, or whether something holds.
UNITS = ("", "mm", "mm2", "degree", "truth")


@dataclass(frozen=True)
class Value:
    """A number that is known when the program is written."""

    number: float
    unit: str = ""

    def __post_init__(self) -> None:
        if not (isinstance(self.number, int | float) and math.isfinite(self.number)) or self.unit not in UNITS[:-1]:
            raise InputError("a value is not usable", found=self, expected="a finite number, in mm or degree")


@dataclass(frozen=True)
class Name:
    """What a `Let` has named before."""

    name: str
    unit: str = "mm"

    def __post_init__(self) -> None:
        if not self.name.strip() or self.unit not in UNITS[:-1]:
            raise InputError("a name is not usable", found=self, expected="a text, and the unit of what it names")


@dataclass(frozen=True)
class Deviation:
    """By how much a recorded touch triggered outside its nominal, along the outward normal of its target [mm]."""

    touch: int
    unit: str = field(default="mm", init=False)


@dataclass(frozen=True)
class Shifted:
    """By how much a work offset that a person has entered lies off another one, along X, Y or Z (0 to 2) [mm].

    A program as data knows nothing of it: there it counts as none.
    """

    to: str
    of: str
    axis: int
    unit: str = field(default="mm", init=False)


@dataclass(frozen=True)
class Operation:
    """An operation on trees: + - * / abs min max sqrt atan2, < <= > >=, and, or.

    Parameters
    ----------
    word : str
    of : tuple of Expression
        One of abs and sqrt, else two; those of atan2 are the side opposite to the angle and the one beside it.
    """

    word: str
    of: tuple[Expression, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "of", tuple(self.of))
        count = 1 if self.word in ("abs", "sqrt") else 2
        if self.word not in _VALUES or len(self.of) != count:
            raise InputError(
                "an operation is not usable",
                found=f"{self.word} of {len(self.of)}",
                expected=f"one of {' '.join(_VALUES)}, with {count} operand{'s' * (count - 1)}",
            )
        self.unit  # noqa: B018  # refuses what cannot be reckoned

    @property
    def unit(self) -> str:
        """Of what it gives.

        Raises
        ------
        InputError
            If the units of the operands do not go together.
        """
        given = tuple(one.unit for one in self.of)
        found = _unit(self.word, given)
        if found is None:
            told = " and ".join(unit or "a plain number" for unit in given)
            raise InputError("units do not go together", column=self.word, found=told)
        return found


Expression = Value | Name | Deviation | Shifted | Operation


@dataclass(frozen=True)
class Let:
    """Name the value of an expression; only a repeat may set a name again."""

    name: str
    to: Expression


_VALUES: dict[str, Callable[..., float]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
    "abs": abs,
    "min": min,
    "max": max,
    "sqrt": math.sqrt,
    "atan2": lambda a, b: math.degrees(math.atan2(a, b)),
    "<": lambda a, b: float(a < b),
    "<=": lambda a, b: float(a <= b),
    ">": lambda a, b: float(a > b),
    ">=": lambda a, b: float(a >= b),
    "and": lambda a, b: float(bool(a) and bool(b)),
    "or": lambda a, b: float(bool(a) or bool(b)),
}

_PRODUCTS = {
    ("mm", "mm"): "mm2",
    ("", "mm"): "mm",
    ("mm", ""): "mm",
    ("", "degree"): "degree",
    ("degree", ""): "degree",
}
_QUOTIENTS = {("mm", ""): "mm", ("mm", "mm"): "", ("mm2", "mm"): "mm", ("mm2", ""): "mm2", ("degree", ""): "degree"}


def _unit(word: str, given: tuple[str, ...]) -> str | None:
    """The unit of an operation, None if its operands do not go together."""
    if word in ("and", "or"):
        return "truth" if given == ("truth", "truth") else None
    if "truth" in given:
        return None
    if word == "abs":
        return given[0]
    if word == "sqrt":
        return {"": "", "mm2": "mm"}.get(given[0])
    if word == "*":
        return _PRODUCTS.get(given, "" if given == ("", "") else None)
    if word == "/":
        return _QUOTIENTS.get(given, "" if given == ("", "") else None)
    if given[0] != given[1]:
        return None
    return "degree" if word == "atan2" else "truth" if word[0] in "<>" else given[0]


def value_of(tree: Expression, names: Mapping[str, float], deviations: Mapping[int, float]) -> float:
    """The number that a tree gives; of a condition 1 or 0.

    Parameters
    ----------
    tree : Expression
    names : mapping of str to float
        What has been named.
    deviations : mapping of int to float
        Touch -> deviation [mm].

    Raises
    ------
    InputError
        If a name or a touch is not there, or the number cannot be reckoned.
    """
    if isinstance(tree, Value):
        return float(tree.number)
    if isinstance(tree, Shifted):
        return 0.0
    if isinstance(tree, Name | Deviation):
        known, key = (names, tree.name) if isinstance(tree, Name) else (deviations, tree.touch)
        if key not in known:
            raise InputError("a value is used before it is there", found=key)
        return float(known[key])  # type: ignore[index]
    try:
        return float(_VALUES[tree.word](*(value_of(one, names, deviations) for one in tree.of)))
    except (ArithmeticError, ValueError) as error:
        raise InputError(f"a value cannot be reckoned: {error}", found=tree.word) from None


def leaves(tree: Expression) -> Iterator[Value | Name | Deviation | Shifted]:
    """The numbers, names and touches that a tree is made of."""
    if isinstance(tree, Operation):
        for one in tree.of:
            yield from leaves(one)
    else:
        yield tree


def total(parts: tuple[Expression, ...] | list[Expression]) -> Expression:
    """The sum of trees of one unit, at least one."""
    return reduce(lambda a, b: Operation("+", (a, b)), parts)


def is_condition(tree: Expression) -> bool:
    """Whether a tree tells if something holds."""
    return tree.unit == "truth"
