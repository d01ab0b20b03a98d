"""Stops on the deviation of a critical touch: made outside the planned limits, and not within them."""

from __future__ import annotations

from collections.abc import Sequence

from ..deciding.decisions import linear
from ..deciding.estimates import Estimate
from ..moves import StopIf
from ..reading.flow import executed
from ..reading.interpreter import Interpreter
from ..reading.steps import Recorded, Step
from .case import Case
from .findings import Finding, NotMade, gathered
from .runs import of_control, touch_of_line, touched

__all__ = ["stops_as_planned"]

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


def _stopped(case: Case, deviations: dict[int, float]) -> dict[int, tuple[int, bool]]:
    """Line of each recorded touch, and whether the program stops between it and the next touch."""
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
            elif step.kind == "probe":
                last = None
            elif step.kind == "stop" and step.detail == "M0" and last is not None:
                found[last] = (found[last][0], True)
    return found
