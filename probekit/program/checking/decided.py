"""A program that decides, run beside its plan: the same touches must lead to the same end, offsets and repeats."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ...plan.kinematics import Kinematics
from ..deciding.decisions import Decision, Entered, Recut, ShiftOffset, UseOffset
from ..deciding.entries import numbers_of
from ..deciding.outcome import Outcome, outcome
from ..deciding.phases import cut_again
from ..merging.cutting_again import CUT_BEGIN
from ..moves import Record, SafeStop
from ..reading.expressions import Formula
from ..reading.flow import executed, flow_of
from ..reading.interpreter import Interpreter
from ..reading.steps import MOVES, Recorded, Step
from ..reading.words import Block
from .again import changes_besides
from .case import SAFE_STOP, Case
from .collision import collision
from .findings import Finding, NotMade, gathered
from .in_milling import course
from .rules import RULES
from .runs import known, of_control, runs_of, touch_of_line, touched
from .scenarios import Event, Scenario, differences, unlike
from .seams import handed_back
from .stored import counted_from, stored_axis
from .ways import beside, planned_ways

__all__ = ["branches", "decides_as_planned", "shifts_as_planned"]

_SYSTEM = "in {} shifted by ({})"
_RECKONED = 2e-5  # of values [mm, degree]: numbers of a program are rounded
_FREE = 5061  # parameters below this are the program's: NISTIR 6556, 3.2.1, from memory
_OF_BRANCHES = (
    *("spindle", "coolant", "probe_is_in", "touch_feed", "feed_said", "rapid_height"),
    *("rotary_lifted", "travel", "unknown_words", "modes", "orientation"),
)


def decides_as_planned(case: Case) -> list[Finding] | NotMade:
    """Just within and beyond each of its limits the program repeats, shifts, goes on and stops as planned."""
    if not any(isinstance(one, Decision) for one in case.decided):
        return []
    if case.dry:
        return []
    places = touched(case)
    return differences(case.decided, lambda one: _differs(case, one, places, outcome(case.decided, one)))


def shifts_as_planned(case: Case) -> list[Finding]:
    """Only planned copies of the work offset are written, never itself, and each touch counts from its own."""
    if not any(isinstance(one, Decision) for one in case.decided):
        return []
    wrong = []
    for step in case.steps:
        told = str(step.detail) if step.kind == "message" else ""
        written = told.rsplit(" ", 1)[-1] if told.startswith("G10") else ""
        if written and written not in case.written:
            wrong.append((step.line, f"the values of {written} are written, which is not a planned copy"))
    for step, record in _recorded(case.steps) if case.copies else ():
        planned = case.offset_of.get(record.touch)
        if planned is not None and step.state.offset != planned:
            wrong.append((step.line, f"a touch is made in {step.state.offset}, planned is {planned}"))
        first = case.first_offset if planned != case.first_offset else ""
        if planned is not None and record.counted != first:
            wrong.append((step.line, "a touch in a shifted copy is not said to count from the first work offset"))
        wanted = None if planned in (None, case.first_offset) else (planned, case.first_offset)
        if planned is not None and case.slots and any(pair != wanted for pair in _kept_by(case, step.line)):
            wrong.append((step.line, "a trigger is not kept as counted from the first work offset"))
    if case.steps and case.steps[-1].kind == "end" and not case.inserted:  # the milling has an offset of its own
        before = next((step for step in reversed(case.steps[:-1]) if step.kind in MOVES), None)
        ended = case.steps[-2] if len(case.steps) > 1 else None
        if before is not None and ended is not None and _last_offset(case) in case.copies:
            wrong.append((case.steps[-1].line, "the program ends in a shifted copy: what follows would count from it"))
    return gathered(wrong, "stop", "Touches of one part must be counted from one origin, and the set-up stay as it is.")


def branches(case: Case) -> list[Finding] | NotMade:
    """On every branch the program keeps to its rules, reads only what it has set, and ends or comes back."""
    flow = bool(case.options.get("flow"))
    if case.dry or not (flow or any(_own(block) for block in case.blocks)):
        return []
    seen = {_key(step) for step in case.steps}
    found: list[Finding] = []
    unset: set[tuple[int, str]] = set()
    plan = planned_ways(case)

    def before(block: Block, control: Interpreter) -> None:
        for number in _own(block):
            if number not in control.parameters:
                unset.add((block.line, f"parameter #{number:g} is read before it is set"))

    for steps in runs_of(case, before):
        new = _new_steps(steps, seen)
        seen |= {_key(step) for step in steps}
        own = replace(case, steps=new)
        here = list(handed_back(replace(case, steps=steps)))
        for rule in (*(rule for rule in RULES if rule.__name__ in _OF_BRANCHES), collision) if new else ():
            outcome_of = rule(own)
            if not isinstance(outcome_of, NotMade):
                here += [one for one in outcome_of if one.line and one.severity != "note"]
        here += beside(case, steps, plan, {step.line for step in new}) if case.moves else ()
        found += [replace(one, what=f"{one.what} (on another branch)") for one in here]
        found += _stops_for_good(steps)
        changed = [(step.line, "a tool change on another branch") for step in changes_besides(own)]
        found += gathered(changed, "stop", "The probe stays in until the program ends.")
    found += gathered(sorted(unset), "stop", "It may hold anything from an earlier program.")
    return list({(one.line, one.what): one for one in found}.values())


def _new_steps(steps: Sequence[Step], seen: Collection[object]) -> tuple[Step, ...]:
    """The steps that were not seen; a touch with all that stands after it, also where only the move away is new.

    Away from a touch the probe may be near, and a record tells where the touch should be.
    """
    wanted = [_key(step) not in seen for step in steps]
    rows = [row for row, step in enumerate(steps) if step.kind in MOVES]
    for row, following in zip(rows, (*rows[1:], len(steps)), strict=True):
        if steps[row].kind == "probe" and any(wanted[row : following + 1]):
            wanted[row:following] = [True] * (following - row)
    return tuple(step for step, new in zip(steps, wanted, strict=True) if new)


def _stops_for_good(steps: Sequence[Step]) -> list[Finding]:
    """What is wrong with the end of a path."""
    wrong = []
    at = next(
        (row for row, step in enumerate(steps) if step.kind == "message" and str(step.detail).upper() == SAFE_STOP),
        None,
    )
    if at is not None:
        after = steps[at:]
        if any(step.kind in MOVES for step in after):
            wrong.append((steps[at].line, "the probe moves after a safe stop"))
        if not any(step.kind == "stop" and step.detail == "M0" for step in after):
            wrong.append((steps[at].line, "a safe stop does not wait for a person (M0)"))
        if any(step.state.turning or step.state.coolant for step in after):
            wrong.append((steps[at].line, "the spindle or the coolant is on at a safe stop"))
    if not steps or steps[-1].kind != "end":
        wrong.append((steps[-1].line if steps else 0, "a path of the program does not come to an end"))
    return gathered(wrong, "stop", "Write the program again.")


def _differs(
    case: Case,
    scenario: Scenario,
    places: Mapping[int, tuple[np.ndarray, np.ndarray]],
    planned: Outcome,
) -> tuple[int, str] | None:
    """The line at which a program does otherwise than planned, and how; None if it does not."""
    times: dict[int, int] = {}
    by_line = touch_of_line(case)

    def trigger(step: Step) -> Sequence[float] | None:
        if step.line not in places:
            return known(step.end)
        at, normal = places[step.line]
        touch = by_line[step.line]
        deviation = scenario(touch, times.get(touch, 0))
        first = case.options["offsets"].get(case.first_offset)
        moved = np.zeros(3) if first is None else np.subtract(step.origin, first)
        return (at + deviation * normal - moved).tolist()

    control = Interpreter(trigger=trigger, **of_control(case))
    expected = iter(_planned(planned, case))
    line = 0
    blocks, at = course(case)
    for block, own in executed(blocks, control, flow=bool(case.options.get("flow")), before=at):
        for step in own:
            line = step.line
            event = _event(step, control, case)
            if event is None:
                continue
            if event.what.startswith("touch"):
                touch = int(event.what.split()[1])
                times[touch] = times.get(touch, 0) + 1
            if otherwise := unlike(event, expected, _SYSTEM):
                return block.line, f"{scenario.what}: {otherwise}"
            if event.what in ("a safe stop", "its end"):
                return _misreckoned(control, planned, scenario, case)
    return line, f"{scenario.what}: the program does not come to an end"


def _misreckoned(control: Interpreter, planned: Outcome, scenario: Scenario, case: Case) -> tuple[int, str] | None:
    """Values that a person is to read off after the program, and that are not as planned."""
    if not case.names:
        return None
    for name, number in numbers_of(case.decided, case.names[0]).items():
        if name in planned.values:
            found, wanted = control.parameters.get(number, math.nan), planned.values[name]
            if not math.isclose(found, wanted, rel_tol=1e-5, abs_tol=_RECKONED):
                line = next((b.line for b in case.blocks if (float(number) in {p for p, _ in b.assignments})), 0)
                what = f"{scenario.what}: #{number} ({name}) becomes {found:.5f}, planned is {wanted:.5f}"
                return line, what
    return None


def _event(step: Step, control: Interpreter, case: Case) -> Event | None:
    if step.kind == "record" and isinstance(step.detail, Recorded):
        first = case.options["offsets"].get(case.first_offset)
        moved = () if first is None else tuple(float(v) for v in np.subtract(control.origin, first))
        return Event(f"touch {step.detail.touch}", step.state.offset if case.copies else "", moved, step.line)
    told = str(step.detail).upper() if step.kind == "message" else ""
    if told == SAFE_STOP:
        return Event("a safe stop", line=step.line)
    if told == CUT_BEGIN and len(cut := cut_again(case.decided)) and case.again:
        place = next((row for row, span in enumerate(case.again) if span[0] == step.line), 0)
        to = cut[min(place, len(cut) - 1)].to
        off = np.subtract(control.offsets.get(to, [math.nan] * 3), case.options["offsets"].get(case.first_offset))
        return Event("an operation cut again", to, tuple(off.tolist()), step.line)
    return Event("its end", line=step.line) if step.kind == "end" else None


def _planned(found: Outcome, case: Case) -> list[Event]:
    """What a program comes to, event by event, by the meaning of its data."""
    events: list[Event] = []
    offset, moved = case.first_offset, np.zeros(3)
    shifts, cut = iter(found.shifts), iter(found.recuts)
    for step in found.steps:
        if isinstance(step, ShiftOffset):
            _, angles, shift = next(shifts)
            offset, moved = step.to, _turned(shift, angles, case.kinematics)
        elif isinstance(step, Entered | UseOffset):
            next(shifts)
            offset, moved = (step.to if isinstance(step, Entered) else step.name), np.zeros(3)
        elif isinstance(step, Recut):
            lower = np.array([0.0, 0.0, -next(cut)[1]])
            events.append(Event("an operation cut again", step.to, tuple((moved + lower).tolist())))
        elif isinstance(step, Record):
            known = case.first_offset != ""
            events.append(Event(f"touch {step.touch}", offset, tuple(moved.tolist()) if known else ()))
    last = case.decided[-1]  # one at the very end stops, and then ends, as every program does
    stopped = found.stopped and not (isinstance(last, SafeStop) and last.message == found.stopped)
    return [*events, Event("a safe stop" if stopped else "its end")]


def _turned(shift: Sequence[float], angles: Sequence[float], kinematics: Kinematics) -> np.ndarray:
    return np.asarray(kinematics.part_motion(angles)[:3, :3] @ np.array(shift))


def _recorded(steps: Sequence[Step]) -> Iterator[tuple[Step, Recorded]]:
    touched: Step | None = None
    for step in steps:
        if step.kind == "probe":
            touched = step
        elif step.kind == "record" and isinstance(step.detail, Recorded) and touched is not None:
            yield touched, step.detail


def _kept_by(case: Case, line: int) -> Iterator[tuple[str, str] | None]:
    """How each coordinate of a trigger is kept after the probing move of a line: between which offsets, if any."""
    for block in case.blocks[line:]:
        if any(comment.upper().startswith("PROBEKIT RECORD") for comment in block.comments):
            return
        for _, value in block.assignments:
            if isinstance(value, Formula) and stored_axis(value) is not None:
                yield counted_from(value)


def _last_offset(case: Case) -> str:
    return next((step.state.offset for step in reversed(case.steps[:-1]) if step.kind != "end"), "")


def _own(block: Block) -> set[float]:
    """Parameters of the program's own that a block reads, its condition too."""
    asked = flow_of(block)
    values = [value for pair in (*block.words, *block.assignments) for value in pair]
    values += [] if asked is None or asked.asks is None else [asked.asks]
    read = {n for value in values if isinstance(value, Formula) for n in value.reads if isinstance(n, float)}
    return {number for number in read if number < _FREE}


def _key(step: Step) -> tuple[object, ...]:
    ends = tuple(0.0 if math.isnan(v) else round(v, 4) for v in (*step.start, *step.end))
    return step.line, step.kind, ends
