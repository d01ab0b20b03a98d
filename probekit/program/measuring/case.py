"""A DMIS program that has been read, with all that its checks need to know."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from ..checking.case import Case
from ..moves import Move
from ..reading.steps import Step
from .plan_of import Wanted, wanted_of, ways_of
from .reader import Reading
from .state import Setting

__all__ = ["SAME", "MeasuringCase"]

#: What counts as the same: more than numbers are rounded by, less than matters [mm] and [degree].
SAME = 1e-3


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
    """

    reading: Reading
    case: Case
    moves: tuple[Move, ...]
    frame: str
    positioning: float

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
