"""A DMIS program that decides, run beside its plan: the same results must lead to the same touches, system and end."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial

import numpy as np

from ...errors import InputError
from ..checking.findings import Finding, gathered
from ..checking.scenarios import AGAIN, Event, Scenario, differences, unlike
from ..deciding.decisions import ShiftOffset, UseOffset
from ..deciding.outcome import Outcome, outcome
from ..moves import Record
from .case import SAME, MeasuringCase
from .statements import Statement
from .stopping import Reckoning

__all__ = ["branches_end", "decides_as_planned", "systems_as_planned"]

_SYSTEM = "in D({}) at ({})"


class _Deciding(Reckoning):
    """Reckons with results that are given by a scenario, and remembers what it comes to."""

    def __init__(self, case: MeasuringCase, scenario: Scenario) -> None:
        numbers = (int(one.label[1:]) for one in case.wanted)
        super().__init__(case, {f"P{number}": scenario(number, 0) for number in numbers})
        self.events: list[Event] = []

    def event(self, what: str, line: int) -> None:
        """One more event, in the system in force."""
        origin = tuple(self.now.motion[:3, 3].tolist())
        turned = "" if np.array_equal(self.now.motion[:3, :3], np.eye(3)) else ", turned"
        self.events.append(Event(what, f"{self.now.frame}{turned}", origin, line))

    def on_goto(self, one: Statement) -> None:
        """Nothing moves, but it is known in which system it would."""
        self.event("a move", one.line)

    def on_ptmeas(self, one: Statement) -> None:
        """A point off its nominal."""
        super().on_ptmeas(one)
        self.event(f"touch {self.label}", one.line)

    def on_output(self, one: Statement) -> None:
        """A result goes out in the system in force."""
        super().on_output(one)
        self.event(f"result {one.named}", one.line)


def decides_as_planned(case: MeasuringCase) -> list[Finding]:
    """Just within and beyond each of its limits the program shifts its system, goes on and ends as planned."""
    if not case.decided or case.dry:
        return []
    return differences(case.steps, partial(_differs, case))


def _differs(case: MeasuringCase, scenario: Scenario) -> tuple[int, str] | None:
    """The line at which a program does otherwise than planned, and how; None if it does not."""
    memory, program = _Deciding(case, scenario), case.reading.statements
    try:
        for number, one in enumerate(program):
            memory.do(one, last=number == len(program) - 1)
    except InputError as error:
        return error.line or 0, f"{scenario.what}: the program does not run: {error}"
    planned = outcome(case.steps, scenario)
    systems = {case.by: (0.0, 0.0, 0.0), **{to: shift for to, _, shift in planned.shifts if to != case.by}}
    expected = _planned(planned, case)
    for event in memory.events:
        if event.what == "a move":
            if not any(event.same(Event("a move", frame, at)) for frame, at in systems.items()):
                return event.line, f"{scenario.what}: a move in D({event.system}), which is not where it should be"
            continue
        if otherwise := unlike(event, expected, _SYSTEM):
            return event.line, f"{scenario.what}: {otherwise}"
    if (wanted := next(expected, None)) is not None:
        return memory.ended[
            0
        ] if memory.ended else 0, f"{scenario.what}: the program does not come to {wanted.words(_SYSTEM)}"
    if memory.now.frame != case.by:
        return program[-1].line, f"{scenario.what}: it ends in D({memory.now.frame}), which the next program would take"
    line, why = memory.ended or (0, "")
    if _letters(why) != _letters(planned.stopped):
        told = f"'{planned.stopped}'" if planned.stopped else "nothing"
        return line, f"{scenario.what}: it tells '{why}' as the reason for its end, planned is {told}"
    return None


def _planned(found: Outcome, case: MeasuringCase) -> Iterator[Event]:
    """What a program comes to, event by event, by the meaning of its data."""
    frame, origin, later = case.by, (0.0, 0.0, 0.0), list[str]()
    shifts = iter(found.shifts)
    for step in found.steps:
        if isinstance(step, ShiftOffset | UseOffset):
            frame, _, origin = next(shifts)
            if frame == case.by:
                yield from (Event(f"result {label}", frame, origin) for label in later)
                later = []
        elif isinstance(step, Record):
            label = f"P{step.touch}"
            yield Event(f"touch {label}", frame, origin)
            if frame == case.by:
                yield Event(f"result {label}", frame, origin)
            else:
                later.append(label)


def _letters(words: str) -> str:
    """What of words any system can write."""
    return re.sub(r"[^A-Za-z0-9]", "", words)


def systems_as_planned(case: MeasuringCase) -> list[Finding]:
    """Only the planned coordinate system is made, under a label of its own; the one that is recalled stays as it is."""
    wrong, own = [], {f"{to}{part}" for to in case.copies for part in ("", "_X", "_XY")}
    for one in case.reading.statements:
        if one.word == "RECALL" and one.named != case.by:
            wrong.append((one.line, f"the program recalls D({one.named}), planned is D({case.by})"))
        elif one.word == "ROTATE":
            wrong.append((one.line, "the program turns a coordinate system"))
        elif one.word == "TRANS" and one.own not in own:
            wrong.append((one.line, f"the program makes D({one.own}), which is not planned"))
    return gathered(wrong, "stop", "Every position would be counted from elsewhere.")


def branches_end(case: MeasuringCase) -> list[Finding]:
    """Where a decision does not let the program go on it only tells why, lifted, and comes to its end."""
    if not case.decided or case.dry:
        return []
    opened, after = case.decisions
    wrong = []
    if not opened:
        return [Finding(0, "stop", "the program decides nothing that could end it", AGAIN)]
    for one in after:
        if one.word not in ("ELSE", "ENDIF", "$$", "ENDFIL") and (one.word, one.minor) != ("TEXT", ("OPER",)):
            wrong.append((one.line, f"{one.word} after a decision has ended the program"))
    heights = [step.end[2] for step, _ in case.in_force("feed", "probe") if step.line < opened[0]]
    lifted = case.case.turn_height
    if lifted is not None and not (heights and heights[-1] >= lifted - SAME):
        wrong.append((opened[0], "the probe is not lifted where the program may end"))
    return gathered(wrong, "stop", AGAIN)
