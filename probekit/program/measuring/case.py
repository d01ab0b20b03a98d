"""A DMIS program that has been read, with all that its checks need to know."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from ..checking.case import Case
from ..deciding.decisions import ShiftOffset, decides, linear
from ..deciding.decisions import Step as Planned
from ..moves import DryTouch, Move
from ..reading.steps import Step
from .plan_of import Wanted, wanted_of, ways_of
from .reader import Reading
from .state import Setting
from .statements import Statement

__all__ = ["SAME", "MeasuringCase", "decisions_of"]

#: What counts as the same: more than numbers are rounded by, less than matters [mm] and [degree].
SAME = 1e-3


def decisions_of(program: Sequence[Statement]) -> tuple[tuple[int, ...], tuple[Statement, ...]]:
    """Lines of the decisions within which all that follows stands, and the statements from the first ELSE on.

    Parameters
    ----------
    program : sequence of Statement
    """
    opened: list[int] = []
    for number, one in enumerate(program):
        if one.word == "ELSE":
            return tuple(opened), tuple(program[number:])
        if one.word == "IF":
            opened.append(one.line)
        elif one.word == "ENDIF" and opened:
            opened.pop()
    return (), ()


@dataclass(frozen=True, eq=False)
class MeasuringCase:
    """A program and what it is compared with.

    Attributes
    ----------
    reading : Reading
    case : Case
        Its steps as a milling machine's, for the checks that are common to both.
    moves : tuple of Move
        The planned ones; of a dry run those of the plan's dry run.
    frame : str
        The statement that recalls the planned coordinate system.
    positioning : float
        Largest rate of moves [mm/min].
    steps : tuple of Step
        The plan, with what it decides.
    """

    reading: Reading
    case: Case
    moves: tuple[Move, ...]
    frame: str
    positioning: float
    steps: tuple[Planned, ...] = ()

    @property
    def decided(self) -> bool:
        """Whether the plan decides anything."""
        return decides(self.steps)

    @property
    def dry(self) -> bool:
        """Whether it is a dry run."""
        return any(isinstance(one, DryTouch) for one in self.moves)

    @property
    def by(self) -> str:
        """Label of the planned coordinate system."""
        return self.frame.upper().removeprefix("RECALL/D(").removesuffix(")")

    @property
    def copies(self) -> tuple[str, ...]:
        """Labels of the coordinate systems that the plan has the program make."""
        return tuple(one.to for one in linear(self.steps) if isinstance(one, ShiftOffset))

    @cached_property
    def decisions(self) -> tuple[tuple[int, ...], tuple[Statement, ...]]:
        """As `decisions_of` gives them."""
        return decisions_of(self.reading.statements)

    def frame_at(self, line: int) -> str:
        """Label of the coordinate system in which the probe is to move at a line."""
        opened, _ = self.decisions
        shifted = self.decided and not self.dry and self.copies and opened and line > opened[-1]
        return self.copies[0] if shifted else self.by

    @cached_property
    def wanted(self) -> tuple[Wanted, ...]:
        """The planned touches in their order."""
        assert self.case.probe is not None
        return wanted_of(self.moves, self.case.kinematics, self.case.probe)

    @cached_property
    def planned_ways(self) -> dict[str, list[tuple[float, ...]]]:
        """By the label of the touch they lead to, "" after the last one: places by which the plan goes, and angles."""
        assert self.case.probe is not None
        return ways_of(self.moves, self.case.kinematics, self.case.probe)

    @cached_property
    def made_ways(self) -> dict[str, tuple[int, list[tuple[float, ...]]]]:
        """The same of the program, with the line of the touch, or of the end."""
        labels = {one.row: one.label for one in self.reading.touches}
        found: dict[str, tuple[int, list[tuple[float, ...]]]] = {}
        own: list[tuple[float, ...]] = []
        for row, step in enumerate(self.reading.steps):
            words = str(step.detail).upper().split() if step.kind == "message" else []
            label = f"P{words[3]}" if words[:3] == ["PROBEKIT", "DRY", "TOUCH"] and words[3:] else labels.get(row)
            if step.kind == "feed":
                own.append((*step.end, *step.angles_end))
            if label is not None:
                found[label] = (step.line, own)
                own = []
        found[""] = (self.reading.steps[-1].line if self.reading.steps else 0, own)
        return found

    def in_force(self, *kinds: str) -> Iterator[tuple[Step, Setting]]:
        """Steps of some kinds, and the setting in force."""
        both = zip(self.reading.steps, self.reading.settings, strict=True)
        return ((step, setting) for step, setting in both if step.kind in kinds)
