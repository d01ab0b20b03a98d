"""How the decisions of a program are spelled: the kinds of their lines, and the texts of their placeholders."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ...errors import InputError
from ..deciding.decisions import (
    Continue,
    Decide,
    Decision,
    Entered,
    Milling,
    Recut,
    Reprobe,
    ShiftOffset,
    Step,
    Switch,
    UseOffset,
    linear,
)
from ..deciding.expressions import Deviation, Expression, Let, Name, Operation, Value, leaves, total
from ..moves import Record, SafeStop
from .dialect import Dialect
from .reckoning import spelled

if TYPE_CHECKING:
    from ...plan.kinematics import Kinematics

__all__ = ["Obtain", "Values", "kind_of_decision", "refuse_decisions", "shift_along", "spread_out"]

_TINY = 1e-9  # of a coefficient that counts as none


class Obtain:
    """Where a dialect must fetch the deviation of a touch before it can reckon with it."""

    def __init__(self, touch: int) -> None:
        self.touch = touch


def spread_out(steps: Sequence[Step]) -> list[Step | Switch | Obtain]:
    """A program as one list, each deviation fetched before it is first used."""
    found: list[Step | Switch | Obtain] = []
    fetched: set[int] = set()
    for one in linear(steps):
        trees: list[Expression] = [one.to] if isinstance(one, Let) else []
        if isinstance(one, Switch) and isinstance(one.of, Decide) and one.where == "then":
            trees.append(one.of.condition)
        for leaf in (leaf for tree in trees for leaf in leaves(tree) if isinstance(leaf, Deviation)):
            if leaf.touch not in fetched:
                found.append(Obtain(leaf.touch))
                fetched.add(leaf.touch)
        if not isinstance(one, Continue):
            found.append(one)
    return found


def kind_of_decision(one: object, depth: int, shifted: bool) -> str | None:
    """The kind of the lines of a decision, or of a move that decisions make another one of; None of any other."""
    if isinstance(one, Switch):
        if one.where == "end":
            return "decided" if isinstance(one.of, Decide) else "repeated"
        return "decide" if one.where == "then" else one.where
    if isinstance(one, SafeStop) and depth:
        return "give_up"
    if isinstance(one, Record) and shifted:
        return "record_shifted"
    kinds: tuple[tuple[type, str], ...]
    kinds = (
        (Let, "let"),
        (Entered, "entered"),
        (ShiftOffset, "shift"),
        (UseOffset, "use_offset"),
        (Recut, "recut"),
        (Milling, "milling"),
        (Obtain, "obtain"),
    )
    return next((kind for cls, kind in kinds if isinstance(one, cls)), None)


def refuse_decisions(kinds: Sequence[tuple[str, object]], dialect: Dialect) -> None:
    """Refuse what a dialect cannot decide: nothing of a decision is left out in silence.

    Parameters
    ----------
    kinds : sequence of (str, object)
        Kind of line and what is to be written.
    dialect : Dialect

    Raises
    ------
    InputError
    """
    for kind, one in kinds:
        own = isinstance(one, Switch | Obtain | Decision) or kind in ("give_up", "record_shifted")
        if own and kind in dialect.omit:
            raise InputError(
                f"the dialect {dialect.name} cannot decide within a program",
                column=f"moves.{kind}",
                found=dialect.omit[kind],
                todo="Use a dialect that can, such as rs274_flow if the control reads it; no program was written.",
            )


def shift_along(shift: ShiftOffset, kinematics: Kinematics) -> tuple[Expression, Expression, Expression]:
    """By how much a copy is shifted along X, Y and Z of the program, at the angles of the shift.

    Parameters
    ----------
    shift : ShiftOffset
    kinematics : Kinematics
        A table that has turned takes the shift of the part along.
    """
    turn = kinematics.part_motion(shift.angles)[:3, :3]
    rows = np.array([turn @ np.array(one) for one in shift.directions])
    found: list[Expression] = []
    for axis in range(3):
        parts: list[Expression] = [
            Name(name) if abs(by - 1.0) < _TINY else Operation("*", (Value(float(by)), Name(name)))
            for name, by in zip(shift.names, rows[:, axis], strict=True)
            if abs(by) > _TINY
        ]
        found.append(total(parts) if parts else Value(0.0, "mm"))
    return found[0], found[1], found[2]


class Values:
    """Texts of the placeholders of decisions; remembers which parameter holds which name.

    Parameters
    ----------
    dialect : Dialect
    kinematics : Kinematics
    """

    def __init__(self, dialect: Dialect, kinematics: Kinematics) -> None:
        self.dialect, self.kinematics = dialect, kinematics
        self.numbers: dict[str, int] = {}
        self.deviations: dict[int, str] = {}
        self.shift: ShiftOffset | Entered | None = None

    def parameter(self, name: str) -> str:
        """The parameter of a name; the next free one if it has none yet."""
        how = self.dialect.reckoning
        if name not in self.numbers:
            first, last = how.names or (1, 0)
            number = first + len(self.numbers)
            if number > last:
                raise InputError(
                    f"the dialect {self.dialect.name} has no parameter left for a value",
                    column="reckoning.names",
                    found=f"{len(self.numbers) + 1} values",
                    expected=f"at most {last - first + 1}",
                )
            self.numbers[name] = number
        return how.parameter.replace("{n}", str(self.numbers[name]))

    def text(self, tree: Expression) -> str:
        """The text of an expression."""
        return spelled(tree, self.dialect.reckoning, self.parameter, self.deviations.__getitem__, self.dialect.name)

    def origin(self, name: str, axis: int) -> int:
        """The parameter that holds X, Y or Z of a work offset."""
        origins = self.dialect.reckoning.origins
        if name not in origins:
            raise InputError(
                f"the dialect {self.dialect.name} does not tell where the values of a work offset are",
                column="reckoning.origins",
                found=name,
                expected=", ".join(origins) or "none",
            )
        return origins[name] + axis

    def between(self) -> dict[str, str]:
        """Parameters of the copy in force and of the work offset that it is a copy of."""
        return {} if self.shift is None else self.pair(self.shift.to, self.shift.by)

    def pair(self, to: str, by: str) -> dict[str, str]:
        """Names and parameters of a copy and of the work offset that it is a copy of."""
        for name in (to, by):
            if name not in self.dialect.work_offsets:
                known = ", ".join(self.dialect.work_offsets)
                raise InputError("the dialect has no such work offset", found=name, expected=known)
        pairs = (("to", to), ("by", by))
        if self.dialect.coordinates == "part":
            return dict(pairs)  # systems of the part have labels, and no parameters
        each = {f"{what}_{axis}": str(self.origin(name, k)) for what, name in pairs for k, axis in enumerate("xyz")}
        return dict(pairs) | each

    def number(self, offset: str) -> str:
        """Which of the work offsets one is, from 1."""
        return str(list(self.dialect.work_offsets).index(offset) + 1)

    def of(self, one: object) -> Mapping[str, str]:
        """Texts of the placeholders of one decision."""
        return dict(self._of(one))

    def _of(self, one: object) -> Iterator[tuple[str, str]]:
        if isinstance(one, Switch):
            yield "flow", str(10 * one.number)
            if isinstance(one.of, Decide):
                yield "condition", self.text(one.of.condition)
            else:
                yield from self._repeat(one.of, one.number)
        elif isinstance(one, Let):
            yield "expression", self.text(one.to)
            yield "parameter", self.parameter(one.name)
            yield "value_name", self.dialect.words(one.name)
        elif isinstance(one, Obtain):
            yield "touch", str(one.touch)
        elif isinstance(one, ShiftOffset | Entered):
            self.shift = one
            yield from self.between().items()
            if isinstance(one, Entered):
                yield "limit", self.dialect.numbers["target"](one.limit)
            else:
                trees = shift_along(one, self.kinematics)
                yield from ((f"shift_{axis}", self.text(tree)) for axis, tree in zip("xyz", trees, strict=True))
            yield "to_number", self.number(one.to)
            yield "work_offset", self.dialect.work_offsets[one.to]
        elif isinstance(one, Recut):
            yield from self.pair(one.to, one.of).items()
            yield "left", self.text(Name(one.by))
            yield "to_number", self.number(one.to)
        elif isinstance(one, UseOffset):
            self.shift = None
            yield "work_offset", self.dialect.work_offsets[one.name]

    def _repeat(self, one: Reprobe, number: int) -> Iterator[tuple[str, str]]:
        yield "tries", self.parameter(f"tries of repeat {number}")
        yield "good", self.parameter(f"end of repeat {number}")
        yield "most", str(one.at_most + 1)
        yield "inner", str(10 * number + 1)
        yield "other", str(10 * number + 2)
        if all(not isinstance(leaf, Name) or leaf.name in self.numbers for leaf in leaves(one.until)):
            yield "condition", self.text(one.until)
