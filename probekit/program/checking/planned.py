"""Each touch of a text beside the touch that was planned: place, direction, angles, feed, target, where it is kept.

What counts as the same is our own choice: a hundredth of a millimetre and of a degree, more than
numbers are rounded by.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..moves import Approach, BackOff, FirstTouch, Index, Link, Retract, Touch
from ..reading.steps import IN_WORDS, MOVES, Recorded, Step, first_touches
from ..writing.slots import slot_of
from .case import ROUNDING, Case, known_place
from .findings import Finding, NotMade, gathered
from .stored import stored_axis
from .ways import turned

__all__ = ["rapids_as_planned", "touches_as_planned"]

_SAME = 0.01  # [mm] and [degree]
_NOT_GIVEN = NotMade("the planned moves were not given", "note")


@dataclass(frozen=True, eq=False)
class _Planned:
    """A planned touch: its ends in program coordinates, and where the control keeps it."""

    touch: Touch
    start: np.ndarray
    end: np.ndarray
    back: np.ndarray
    angles: tuple[float, ...]
    slot: int | None
    first: FirstTouch | None
    again: np.ndarray  # where the touch itself starts on a nominal part: after a first one elsewhere than that
    slow: float  # feed of the way to it [mm/min]


@dataclass(frozen=True)
class _Made:
    """A touch of the text: the probing move, its record, the move after it, the parameters set on the way.

    `first` is the fast one before it, `back` the move between them, `came` the move to where the first of them begins.
    """

    came: Step | None
    first: Step | None
    back: Step | None
    step: Step
    record: Step
    after: Step | None
    stored: dict[int, int]


def touches_as_planned(case: Case) -> list[Finding] | NotMade:
    """Each planned touch is made once: from its start, in its direction, at its angles, kept in its own parameters."""
    if not case.moves:
        return _NOT_GIVEN
    planned = {one.touch.touch: one for one in _planned(case)}
    made = _made(case)
    numbers = {one.record.detail.touch for one in made}
    missing = [touch for touch in planned if touch not in numbers]
    wrong = [(step.line, "a probing move that is not planned") for step in _besides(case, made)]
    wrong += [
        (one.record.line, "a touch that is not planned") for one in made if one.record.detail.touch not in planned
    ]
    pairs = [(planned[one.record.detail.touch], one) for one in made if one.record.detail.touch in planned]
    for plan, one in pairs:
        wrong += _differing(plan, one)
    wrong += _misnamed(pairs)
    found = gathered(wrong, "stop", "Write the program again, or plan again what is to be touched otherwise.")
    if missing:
        listed = ", ".join(map(str, missing[:10])) + (f" and {len(missing) - 10} more" if len(missing) > 10 else "")
        what = f"{len(missing)} planned touches are not made: {listed}"
        found.append(Finding(0, "stop", what, "Their features would be judged without them: plan again."))
    return found


def rapids_as_planned(case: Case) -> list[Finding] | NotMade:
    """Rapid moves of the probe end where the plan has them end, or lifted."""
    if not case.moves:
        return _NOT_GIVEN
    ends = _rapid_ends(case)
    lifted = math.inf if case.turn_height is None else case.turn_height
    wrong = []
    for step in case.probe_moves("rapid"):
        up = step.start[:2] == step.end[:2] and step.end[2] >= step.start[2]
        if not known_place(step) or up or min(step.start[2], step.end[2]) >= lifted - ROUNDING:
            continue
        near = ends.get(turned(step.angles_end))
        if near is None or not (np.abs(near - step.end).max(axis=1) <= _SAME).any():
            wrong.append((step.line, "a rapid move of the probe to where the plan has none"))
    return gathered(wrong, "stop", "Make it at the positioning feed of the plan, or lifted.")


def _planned(case: Case) -> list[_Planned]:
    """The touches of planned moves, in their order."""
    found: list[_Planned] = []
    angles: tuple[float, ...] = ()
    at = np.full(3, math.nan)
    first: tuple[FirstTouch, np.ndarray] | None = None
    slow = math.inf
    for number, move in enumerate(case.moves):
        if isinstance(move, Index):
            angles = move.angles
        if not hasattr(move, "to"):
            continue
        start, at = at, _program(case, move.to, angles)
        slow = move.feed if isinstance(move, Approach) else slow
        if isinstance(move, FirstTouch):
            first = (move, start)
        elif isinstance(move, Touch):
            back = next((later.to for later in case.moves[number + 1 :] if isinstance(later, Retract)), move.to)
            slot = slot_of(case.slots, len(found))
            fast, begin = first or (None, start)
            back_to = _program(case, back, angles)
            found.append(_Planned(move, begin, at, back_to, angles, slot, fast, start, slow))
        if not isinstance(move, (FirstTouch, BackOff)):
            first = None
    return found


def _rapid_ends(case: Case) -> dict[tuple[float, ...], np.ndarray]:
    """Where planned rapid moves end, in program coordinates, by the angles."""
    ends: dict[tuple[float, ...], list[np.ndarray]] = {}
    angles: tuple[float, ...] = ()
    for move in case.moves:
        if isinstance(move, Index):
            angles = move.angles
        elif isinstance(move, Link):
            ends.setdefault(turned(angles), []).append(_program(case, move.to, angles))
    return {key: np.array(places) for key, places in ends.items()}


def _made(case: Case) -> list[_Made]:
    """The recorded touches of the text, in their order."""
    found: list[_Made] = []
    touched: Step | None = None
    came: Step | None = None
    first: Step | None = None
    back: Step | None = None
    steps = [step for step in case.steps if step.kind in (*MOVES, "record", "tool")]
    fast = first_touches(steps)
    for number, step in enumerate(steps):
        if step.kind == "probe" and first is None:
            came = steps[number - 1] if number else None
        if number in fast:
            first, back = step, steps[number + 1]
        elif step.kind == "probe":
            touched = step
        elif step.kind == "record" and isinstance(step.detail, Recorded) and touched is not None:
            after = next((later for later in steps[number + 1 :] if later.kind in (*MOVES, "tool")), None)
            until = math.inf if after is None else after.line
            found.append(_Made(came, first, back, touched, step, after, _stored(case, touched.line, until)))
            touched = first = back = None
    return found


def _besides(case: Case, made: Sequence[_Made]) -> list[Step]:
    """Probing moves that no record line belongs to, also not as the first one of two."""
    own = {step.line for one in made for step in (one.first, one.step) if step is not None}
    return [step for step in case.steps if step.kind == "probe" and step.line not in own]


def _stored(case: Case, first: int, last: float) -> dict[int, int]:
    """Parameters that are set from the trigger in some lines -> which of X, Y, Z (0 to 2) each takes."""
    found = {}
    for block in case.blocks[first - 1 : None if last == math.inf else int(last)]:
        for place, value in block.assignments:
            axis = stored_axis(value)
            if isinstance(place, float) and axis is not None:
                found[int(place)] = axis
    return found


def _differing(plan: _Planned, one: _Made) -> list[tuple[int, str]]:
    """What differs from the plan, with the line."""
    touch, record, step = plan.touch, one.record.detail, one.step
    wrong = _first_differing(plan, one)
    if not (_near(step.start, plan.again) and _near(step.end, plan.end)):
        wrong.append((step.line, "a touch is made from or to another place than planned"))
    if turned(step.angles_end) != turned(plan.angles):
        wrong.append((step.line, "a touch is made with the rotary axes at other angles than planned"))
    if step.feed is None or not math.isclose(step.feed, touch.feed, rel_tol=0.01):
        told = "no feed" if step.feed is None else f"{step.feed:g} mm/min"
        wrong.append((step.line, f"a touch is made at {told}, planned are {touch.feed:g} mm/min"))
    came = one.came
    if came is not None and came.kind == "feed" and came.feed is not None and came.feed > plan.slow * 1.01:
        wrong.append((came.line, f"the way to a touch is made at {came.feed:g} mm/min, planned are {plan.slow:g}"))
    if not (_near(record.target, touch.target) and _near(record.normal, touch.normal)) or record.tip != touch.tip:
        wrong.append((one.record.line, "a record line states another target, normal or tip than planned"))
    if one.after is None or one.after.kind != "feed" or not _near(one.after.end, plan.back):
        after = "it ends there" if one.after is None else IN_WORDS.get(one.after.kind, "a tool change")
        wrong.append((step.line, f"a touch is not followed by the planned way back: {after}"))
    if plan.slot is not None and one.stored != {plan.slot + k: k for k in range(3)}:
        wrong.append((step.line, "a trigger is not stored in the parameters that the plan reads it from"))
    return wrong


def _first_differing(plan: _Planned, one: _Made) -> list[tuple[int, str]]:
    """What differs from the plan in the first, fast touch before a touch."""
    if plan.first is None:
        return [] if one.first is None else [(one.first.line, "a first, fast touch that is not planned")]
    if one.first is None or one.back is None:
        return [(one.step.line, "a touch without the first, fast one that is planned")]
    wrong = []
    if not (_near(one.first.start, plan.start) and _near(one.first.end, plan.end)):
        wrong.append((one.first.line, "a first, fast touch is made from or to another place than planned"))
    if one.first.feed is None or not math.isclose(one.first.feed, plan.first.feed, rel_tol=0.01):
        wrong.append((one.first.line, f"a first touch is not made at the planned {plan.first.feed:g} mm/min"))
    if one.back.state.distance != "G91":
        wrong.append((one.back.line, "after a first touch the ball backs off to a place, not by a way: G91 is missing"))
    return wrong


def _misnamed(pairs: Sequence[tuple[_Planned, _Made]]) -> list[tuple[int, str]]:
    """Record lines that name another feature than the others of the same planned feature, or one name for two."""
    count: dict[str, Counter[str]] = {}
    for plan, one in pairs:
        count.setdefault(plan.touch.feature, Counter())[one.record.detail.feature] += 1
    own = {feature: names.most_common(1)[0][0] for feature, names in count.items()}
    twice = {name for name, times in Counter(own.values()).items() if times > 1}
    return [
        (one.record.line, "a record line names the feature of another touch")
        for plan, one in pairs
        if one.record.detail.feature != own[plan.touch.feature] or one.record.detail.feature in twice
    ]


def _program(case: Case, place: Sequence[float], angles: tuple[float, ...]) -> np.ndarray:
    length = case.probe.tool_length if case.probe is not None else 0.0
    return np.asarray(case.kinematics.to_program(np.array(place, dtype=float), angles, length=length))


def _near(a: Sequence[float], b: Sequence[float]) -> bool:
    return bool((np.abs(np.subtract(a, b)) <= _SAME).all())
