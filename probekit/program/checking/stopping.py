"""Stops on the deviation of a touch, critical or confirmed: made outside the planned limits, and not within them."""

from __future__ import annotations

from collections.abc import Sequence

from ..deciding.decisions import linear
from ..deciding.estimates import Estimate
from ..moves import Agree, Confirm, StopIf
from ..reading.flow import executed
from ..reading.interpreter import Interpreter
from ..reading.steps import MOVES, Recorded, Step
from .case import Case
from .findings import Finding, NotMade, gathered
from .runs import of_control, touch_of_line, touched

__all__ = ["confirms_as_planned", "stops_as_planned"]

_BESIDE = 2e-3  # beyond and within a limit the program is run so far off it [mm]; numbers of a program are rounded


def stops_as_planned(case: Case) -> list[Finding] | NotMade:
    """A critical touch stops the program outside its planned limits, and nowhere within them."""
    planned = {move.touch: move for move in case.moves if isinstance(move, StopIf)}
    if not planned or case.dry:
        return []
    if not case.options.get("flow"):
        return NotMade("the dialect stops by words that are not followed here", "note")
    reckoned = {touch for one in linear(case.decided) if isinstance(one, Estimate) for touch in one.used}
    own = {touch: move for touch, move in planned.items() if touch not in reckoned}  # others move the rest along
    wrong: list[tuple[int, str]] = []
    for what, at, stops in (
        ("just above its upper limit", {t: m.upper + _BESIDE for t, m in own.items()}, True),
        ("just within its upper limit", {t: m.upper - _BESIDE for t, m in own.items()}, False),
        ("just below its lower limit", {t: m.lower - _BESIDE for t, m in own.items()}, True),
        ("just within its lower limit", {t: m.lower + _BESIDE for t, m in own.items()}, False),
    ):
        made = _stopped(case, at)
        for touch in own:
            line, stopped = made.get(touch, (0, stops))
            if stopped != stops:
                told = "does not stop" if stops else "stops"
                wrong.append((line, f"touch {touch}, {what}: the program {told}"))
    return gathered(wrong, "stop", "Write the program again: its limits are not those of the plan.")


def confirms_as_planned(case: Case) -> list[Finding] | NotMade:
    """What is confirmed before the program goes on stops it outside its limit, and nowhere within it."""
    confirmed = {one.touch: one.limit for one in case.moves if isinstance(one, Confirm)}
    agreed = {one.second.touch: one.limit for one in case.moves if isinstance(one, Agree)}
    reckoned = {touch for one in linear(case.decided) if isinstance(one, Estimate) for touch in one.used}
    if case.dry or case.probe is None:
        return []
    wrong: list[tuple[int, str]] = []
    for own in (confirmed, agreed):
        own = {touch: limit for touch, limit in own.items() if touch not in reckoned}
        for sign in (1.0, -1.0) if own else ():
            beyond = _stopped(case, {touch: sign * (limit + _BESIDE) for touch, limit in own.items()}, errors=True)
            within = _stopped(case, {touch: sign * (limit - _BESIDE) for touch, limit in own.items()}, errors=True)
            for touch, limit in own.items():
                line, stops = beyond.get(touch, (0, True))
                if not stops:
                    wrong.append((line, f"touch {touch} off by just more than {limit:g} mm: nothing stops the program"))
                line, stops = within.get(touch, (0, False))
                if stops and not _stopped(case, {}, errors=True).get(touch, (0, False))[1]:
                    wrong.append((line, f"touch {touch} off by just less than {limit:g} mm: the program stops"))
    return gathered(wrong, "stop", "Write the program again: a wrong probe, length or set-up would go unnoticed.")


def _stopped(case: Case, deviations: dict[int, float], *, errors: bool = False) -> dict[int, tuple[int, bool]]:
    """Line of each recorded touch, and whether the program stops before the next one; by an error, before it moves."""
    places, lines = touched(case), touch_of_line(case)

    def trigger(step: Step) -> Sequence[float]:
        if step.line not in places:
            return step.end
        at, normal = places[step.line]
        return (at + deviations.get(lines[step.line], 0.0) * normal).tolist()

    control = Interpreter(trigger=trigger, **of_control(case))
    found: dict[int, tuple[int, bool]] = {}
    last: int | None = None
    for _, steps in executed(case.blocks, control, flow=True):
        for step in steps:
            if step.kind == "record" and isinstance(step.detail, Recorded):
                last = step.detail.touch
                found[last] = (step.line, False)
            elif step.kind in (MOVES if errors else ("probe",)):
                last = None
            elif last is not None and (
                (step.kind == "stop" and step.detail == "M0") or (errors and step.kind == "unknown")
            ):
                found[last] = (found[last][0], True)
    return found
