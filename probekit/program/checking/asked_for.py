"""What else a plan asks of a program: confirmations, a wait for the probe to settle, a dry run that touches nothing.

Common practice of probing in a machining centre, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from ..moves import Agree, Confirm, DryTouch, Index, ToolChange, Touch, WarmUp
from ..reading.steps import Recorded, Step
from ..writing.slots import slot_of
from .case import Case
from .findings import Finding, NotMade, gathered
from .sheet_parts import unproved_poses

__all__ = ["confirmed", "dry_run", "rotary_proved", "warmed_up"]

_SAME = 0.01  # [mm] and [degree], as for touches
_NOWHERE = 9999.0  # a place that no machine has [mm]: in the parameters of a dry run
_NOT_GIVEN = NotMade("the planned moves were not given", "note")


def confirmed(case: Case) -> list[Finding] | NotMade:
    """Each confirmation that is planned is made, with its own limit, before the program goes on."""
    if not case.moves:
        return _NOT_GIVEN
    wrong = []
    for move in case.moves:
        if not isinstance(move, (Confirm, Agree)):
            continue
        second = move.second if isinstance(move, Agree) else move
        both = [move.first.touch, second.touch] if isinstance(move, Agree) else [second.touch]
        word = "AGREE" if isinstance(move, Agree) else "CONFIRM"
        told = f"PROBEKIT {word} {' '.join(map(str, both))} WITHIN"
        at = _after(case, second.touch)
        named = f"touch{'es' * (len(both) > 1)} {' and '.join(map(str, both))}"
        message = next((s for _, s in at if s.kind == "message" and str(s.detail).startswith(told)), None)
        if message is None:
            line = at[0][1].line if at else 0
            wrong.append((line, f"{named}: the planned confirmation is missing before the next touch"))
            continue
        limit = str(message.detail).removeprefix(told).strip()
        if not _is_number(limit) or abs(float(limit) - move.limit) > 1e-6:
            wrong.append(
                (message.line, f"{named}: the limit of the confirmation is {limit}, planned is {move.limit:g}")
            )
        if not _guarded(case, message.line, at[-1][1].line, move.limit):
            wrong.append((message.line, f"{named}: nothing stops the program outside the limit of the confirmation"))
    return gathered(wrong, "stop", "Write the program again: a wrong probe, length or set-up would go unnoticed.")


def rotary_proved(case: Case) -> list[Finding]:
    """A program that touches in several poses proves the rotary set-up before it relies on it."""
    poses = unproved_poses(case.steps)
    if not poses:
        return []
    line = next(step.line for step in case.steps if step.kind == "probe")
    what = f"it touches in {poses} poses, and nothing in it proves the rotary set-up"
    todo = (
        "Touch one place in two of them by hand first, and compare; or add to [program] in the study agree = 0.05 "
        "(your limit, mm): the program then does that before all other touches, and stops beyond it."
    )
    return [Finding(line, "look", what, todo)]


def warmed_up(case: Case) -> list[Finding] | NotMade:
    """After each tool change the probe waits as long as planned before it touches."""
    if not case.moves:
        return _NOT_GIVEN
    dry = {step.line for _, step in _dry_rows(case)}
    planned, made = _Waits(), _Waits()
    for one in case.moves:
        planned.tell(isinstance(one, ToolChange), isinstance(one, Touch | DryTouch), 0)
        planned.wait(one.seconds if isinstance(one, WarmUp) and case.spells("warm_up") else 0.0)
    for step in case.steps:
        if case.probe_in(step):
            made.tell(step.kind == "tool", step.kind == "probe" or step.line in dry, step.line)
            made.wait(float(str(step.detail)) if step.kind == "dwell" else 0.0)
    wrong = [
        (line, f"before its first touch the probe waits {seconds:g} s, planned are {wanted:g} s")
        for seconds, line, wanted in zip(made.seconds, made.lines, planned.seconds, strict=False)
        if seconds < wanted - _SAME
    ]
    return gathered(wrong, "look", "The first touches may drift: touch them again at the end, and compare.")


@dataclass
class _Waits:
    """Seconds of waiting between each tool change and the first touch after it, and the line of the change."""

    seconds: list[float] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    waiting: bool = False

    def tell(self, changed: bool, touched: bool, line: int) -> None:
        """The next thing that happens."""
        self.waiting = (self.waiting or changed) and not touched
        if changed:
            self.seconds.append(0.0)
            self.lines.append(line)

    def wait(self, seconds: float) -> None:
        """A wait."""
        if self.waiting:
            self.seconds[-1] += seconds


def dry_run(case: Case) -> list[Finding] | NotMade:
    """If it is a dry run: it touches and records nothing, and stands at the start of each planned touch."""
    if not case.dry:
        return []
    touching = [(s.line, "a probing move in a dry run") for s in case.steps if s.kind == "probe"]
    touching += [(s.line, "a record line in a dry run") for s in case.steps if s.kind == "record"]
    found = gathered(touching, "stop", "A dry run is made without a part: the control would stop there, or record it.")
    if not case.moves:
        return found
    made = dict(_dry_rows(case))
    wrong, missing = [], []
    angles: tuple[float, ...] = ()
    for move in case.moves:
        if isinstance(move, Index):
            angles = move.angles
        if not isinstance(move, DryTouch):
            continue
        step = made.pop(move.touch, None)
        if step is None:
            missing.append(move.touch)
            continue
        if case.tool is not None and not case.probe_in(step):
            wrong.append((step.line, "the dry run is not made with the probe in the spindle"))
        length = case.probe.tool_length if case.probe is not None else 0.0
        place = case.kinematics.to_program(np.array(move.to), angles, length=length)
        turned = np.subtract(step.angles_end, angles) if angles else np.zeros(1)
        if not (np.abs(np.subtract(step.end, place)) <= _SAME).all() or (np.abs(turned) > _SAME).any():
            wrong.append((step.line, "the dry run does not stand where the touch is to begin"))
    wrong += [(step.line, "the dry run stands at a touch that is not planned") for step in made.values()]
    found += gathered(wrong, "stop", "Write it again: it must go the ways of the program that it stands for.")
    if case.slots and any("{slot_x}" in line for line in (case.spelled or {}).get("dry_touch", ())):
        found += _kept_from_before(case)
    if missing:
        what = f"{len(missing)} planned touches are not in the dry run: {', '.join(map(str, missing[:10]))}"
        found.append(Finding(0, "stop", what, "Write it again."))
    return found


def _kept_from_before(case: Case) -> list[Finding]:
    """Parameters that a dry run leaves with the trigger of an earlier part in them."""
    told = {place: value for block in case.blocks for place, value in block.assignments}
    wrong = []
    for number, move in enumerate(one for one in case.moves if isinstance(one, DryTouch)):
        first = slot_of(case.slots, number)
        values = [told.get(float(first + axis)) for axis in range(3)] if first is not None else []
        if any(not isinstance(value, float) or abs(value) < _NOWHERE for value in values):
            wrong.append((0, f"touch {move.touch}: the dry run leaves in its parameters what an earlier program kept"))
    return gathered(wrong[:3], "stop", "Write it again: whoever reads them out would take that for a result.")


def _after(case: Case, touch: int) -> list[tuple[int, Step]]:
    """The steps from the record of a touch to the next probing move, tool or end."""
    rows = iter(enumerate(case.steps))
    found: list[tuple[int, Step]] = []
    for row, step in rows:
        if step.kind == "record" and isinstance(step.detail, Recorded) and step.detail.touch == touch:
            found = [(row, step)]
        elif found:
            found.append((row, step))
            if step.kind in ("probe", "tool", "end"):
                break
    return found


def _guarded(case: Case, first: int, last: int, limit: float) -> bool:
    """Whether blocks between two lines are an error outside the limit, or wait for a person."""
    for block in case.blocks[first : last - 1]:
        text = block.text.upper().replace(" ", "")
        if "SQRT[" in text and any(abs(value - limit) < 1e-6 for value in _numbers_in(text)):
            return True
        if ("M", 0.0) in block.words:
            return True
    return False


def _numbers_in(text: str) -> Iterator[float]:
    yield from (float(found) for found in re.findall(r"(?<![#\d.])\d+\.?\d*|\.\d+", text))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _dry_rows(case: Case) -> Iterator[tuple[int, Step]]:
    for step in case.steps:
        words = str(step.detail).upper().split() if step.kind == "message" else []
        if words[:3] == ["PROBEKIT", "DRY", "TOUCH"] and len(words) > 3 and words[3].isdigit():
            yield int(words[3]), step
