"""What must hold of moves before they become text, whatever the dialect."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, is_dataclass

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ..moves import (
    Agree,
    Approach,
    Away,
    BackOff,
    Comment,
    Confirm,
    DryTouch,
    FirstTouch,
    Index,
    Lift,
    Link,
    Message,
    Move,
    Orient,
    Record,
    Restart,
    Retract,
    SafeStop,
    SelectTip,
    SpindleStop,
    StopIf,
    ToolChange,
    Touch,
    WarmUp,
)

__all__ = ["LEAST_PROBING", "check_moves"]

LEAST_PROBING = 0.254  # a shorter probing move is an error: NISTIR 6556, 3.5.9, from memory [mm]

_POSITIONAL = (Link, Approach, FirstTouch, BackOff, Touch, DryTouch, Retract)
_AT_FEED = (Approach, FirstTouch, BackOff, Touch, DryTouch, Retract)
_SAME = ("touch", "target", "tip")  # of a touch and its record


@dataclass
class _State:
    """What is known after the moves so far."""

    indexed: bool
    put_in: bool = False
    stopped: bool = False
    high: bool = False
    tip: int = 0
    seen: set[int] = field(default_factory=set)
    last: int | None = None
    before: Move | None = None
    first: FirstTouch | None = None
    dry: bool | None = None


def check_moves(moves: Sequence[Move], kinematics: Kinematics) -> None:
    """Refuse moves that could do harm, whatever the dialect.

    Parameters
    ----------
    moves : sequence of Move
    kinematics : Kinematics

    Raises
    ------
    InputError
        For a number that is not finite; a feed that is not positive; a probing move before the spindle is stopped and
        the probe put in, not straight after the approach, faster than it, or with a tip that was not selected; a first
        touch that the touch itself does not follow from where the ball has backed off; a record or a conditional stop
        without its touch; rotary axes that turn unlifted, out of their limits, or not before the first move of such a
        machine; a turn of no axis at all; a safe stop that is not lifted, or that something follows; a place to start
        again that no lift follows; a dry run that touches.
    """
    now = _State(indexed=not kinematics.axes)
    for number, move in enumerate(moves, start=1):
        here = f"move {number} ({type(move).__name__})"
        if not all(math.isfinite(value) for value in _numbers(move)):
            raise InputError(f"{here} has a number that is not finite", found=move)
        if isinstance(move, _AT_FEED) and move.feed <= 0:
            raise InputError(f"{here} has no feed", column="feed", found=move.feed, expected="more than 0 mm/min")
        if isinstance(now.before, SafeStop) and not isinstance(move, Comment):
            raise InputError(f"{here}: something follows a safe stop, which is the end")
        if isinstance(now.before, Restart) and not isinstance(move, (Comment, Orient, Lift)):
            raise InputError(f"{here}: the probe is not lifted after a place to start again")
        _check_state(move, now, kinematics, here)
        _check_touching(move, now, here)
        if not isinstance(move, (Comment, WarmUp, Message)):
            now.before = move
    if isinstance(now.before, Touch):
        raise InputError(f"touch {now.before.touch} is not recorded")


def _check_state(move: Move, now: _State, kinematics: Kinematics, here: str) -> None:
    """Spindle, probe, height and rotary axes."""
    if isinstance(move, SpindleStop):
        now.stopped = True
    elif isinstance(move, ToolChange):
        _need(now.stopped, f"{here}: the spindle is not stopped before the probe is loaded")
        _need(min(move.tool, move.offset) >= 0, f"{here}: a tool or its offset has a negative number")
        now.put_in, now.tip = True, 0
    elif isinstance(move, Orient):
        _need(now.put_in, f"{here}: the spindle is oriented before the probe is loaded")
    elif isinstance(move, SelectTip):
        now.tip = move.tip
    elif isinstance(move, WarmUp):
        _need(move.seconds >= 0, f"{here}: a dwell has a negative time")
    elif isinstance(move, SafeStop):
        _need(now.high, f"{here}: the probe is not lifted")
    elif isinstance(move, Index):
        _need(bool(move.angles), f"{here}: there is no rotary axis to turn")  # a bare G0: NISTIR 6556 forbids it
        _need(now.high, f"{here}: the rotary axes would turn without a lift")
        _check_angles(move.angles, kinematics, here)
        now.indexed = True
    elif isinstance(move, (Away, Lift)):
        now.high = True
    elif isinstance(move, _POSITIONAL):
        now.high = False
        _need(now.put_in, f"{here}: the probe moves before it is loaded")
        _need(now.indexed, f"{here}: the angles of the rotary axes are not known yet")


def _check_touching(move: Move, now: _State, here: str) -> None:
    """The order of the moves of one touch."""
    before = now.before
    if isinstance(before, FirstTouch) and not isinstance(move, BackOff):
        raise InputError(f"{here}: the ball does not back off after a first touch")
    if isinstance(before, BackOff) and not isinstance(move, Touch):
        raise InputError(f"{here}: a first touch is not followed by the touch itself")
    if isinstance(move, (FirstTouch, Touch, DryTouch)):
        dry = isinstance(move, DryTouch)
        _need(now.dry in (None, dry), f"{here}: a dry run must not touch")
        now.dry = dry
    if isinstance(move, (FirstTouch, DryTouch)):
        _need(isinstance(before, Approach), f"{here}: it does not follow its approach")
        _need(move.feed <= before.feed, f"{here}: a touch is faster than its approach")
        now.first = move if isinstance(move, FirstTouch) else None
        if isinstance(move, DryTouch):
            _need(move.to == before.to, f"{here}: a dry run leaves the standoff")
    elif isinstance(move, BackOff):
        _need(isinstance(before, FirstTouch), f"{here}: the ball backs off without a first touch")
        _need(any(move.by), f"{here}: the ball does not back off at all")
    elif isinstance(move, Touch):
        _need(isinstance(before, (Approach, BackOff)), f"{here}: a probing move does not follow its approach")
        faster = now.first if isinstance(before, BackOff) else before
        _need(move.feed <= faster.feed, f"{here}: a probing move is faster than its approach or its first touch")
        same = not isinstance(before, BackOff) or (now.first.touch, now.first.to) == (move.touch, move.to)
        _need(same, f"{here}: the first touch is that of another one")
        _need(move.touch not in now.seen, f"{here}: touch {move.touch} is made twice")
        _need(move.tip == now.tip, f"{here}: touch {move.touch} is for tip {move.tip}, but tip {now.tip} is selected")
        now.seen.add(move.touch)
        now.last = move.touch
    elif isinstance(move, Record):
        own = isinstance(before, Touch) and all(getattr(before, name) == getattr(move, name) for name in _SAME)
        _need(own, f"{here}: a record does not follow its touch")
    elif isinstance(before, Touch) and not isinstance(move, (Comment, WarmUp, Message)):
        raise InputError(f"{here}: touch {before.touch} is not recorded")
    if isinstance(move, (StopIf, Confirm)):
        _need(move.touch == now.last, f"{here}: a conditional stop does not refer to the touch last recorded")
    if isinstance(move, Agree):
        both = {move.first.touch, move.second.touch} <= now.seen and move.first.touch != move.second.touch
        _need(both, f"{here}: two touches are to agree, but not both were made")


def _numbers(move: object) -> Iterator[float]:
    for one in fields(move):  # type: ignore[arg-type]
        value = getattr(move, one.name)
        if is_dataclass(value):
            yield from _numbers(value)
            continue
        for number in value if isinstance(value, tuple) else (value,):
            if number is not None and not isinstance(number, str):
                yield number


def _check_angles(angles: tuple[float, ...], kinematics: Kinematics, here: str) -> None:
    if len(angles) != len(kinematics.axes):
        raise InputError(f"{here}: each rotary axis needs one angle", found=angles, expected=kinematics.letters)
    for axis, angle in zip(kinematics.axes, angles, strict=True):
        low, high = axis.limits
        if not low - 1e-9 <= angle <= high + 1e-9:
            raise InputError(
                f"{here}: an angle is outside the limits", column=axis.letter, found=angle, expected=f"{low} to {high}"
            )


def _need(holds: bool, what: str) -> None:
    if not holds:
        raise InputError(what)
