"""Probing moves as data. A dialect turns them into text; nothing here knows how a control spells them.

Positions are those of the REFERENCE ball's centre in the part frame [mm], whichever tip of the probe touches: one place
of the probe, one position, on every way and between any two touches. That is the ball of the straight stylus, or where
it would be; length offset, work offset and clearance belong to it too. Where another tip touches, its ball's centre is
there plus `Probe.offset`, turned by the pose (`plan.tip_offset`). Three things know of the difference: the start and
the end of a touch (`plan.order`, `moves_of`), the writer of a dialect whose machine is told where the tip's own ball
goes, and the results, which give the centre of the ball that touched.

Feeds are [mm/min]. One touch is Approach, Touch, Record, Retract, or with a first, fast one Approach, FirstTouch,
BackOff, Touch, Record, Retract; everything between touches is Link, and Lift before the rotary axes Index. Before a
touch with another tip than the last one comes SelectTip; a probe is put in with its reference tip, 0. `dry_of` makes
of moves those of a dry run, in which DryTouch stands for each touch.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "Agree",
    "Approach",
    "Away",
    "BackOff",
    "Comment",
    "Confirm",
    "DryTouch",
    "FirstTouch",
    "Index",
    "Lift",
    "Link",
    "Message",
    "Move",
    "Orient",
    "Record",
    "Restart",
    "Retract",
    "SafeStop",
    "SelectTip",
    "SpindleStop",
    "Stop",
    "StopIf",
    "ToolChange",
    "Touch",
    "WarmUp",
    "dry_of",
]

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Comment:
    """Words for a person."""

    text: str


@dataclass(frozen=True)
class SpindleStop:
    """Stop the spindle and the coolant. Comes before the probe is put in."""


@dataclass(frozen=True)
class Away:
    """Bring the spindle to where tools may be changed, whatever tool is in it: no height of the probe holds there."""


@dataclass(frozen=True)
class ToolChange:
    """Put a tool in: its number in the magazine and the number of its length offset."""

    tool: int
    offset: int
    name: str = ""


@dataclass(frozen=True)
class Orient:
    """Bring the spindle to where the side tips point as planned, and hold it: by its angle [degree], or by a person.

    `message` tells the person, where `angle` is None.
    """

    angle: float | None
    message: str = ""


@dataclass(frozen=True)
class SelectTip:
    """From here on another tip of the probe touches; nothing moves."""

    tip: int
    name: str = ""


@dataclass(frozen=True)
class WarmUp:
    """Wait with the probe in, for its temperature and its electronics to settle [s]."""

    seconds: float


@dataclass(frozen=True)
class Lift:
    """Rapid up the program's Z to a height [mm, program coordinates], where the rotary axes may turn."""

    height: float


@dataclass(frozen=True)
class Index:
    """Turn the rotary axes, one angle per axis of the kinematics [degree]; the linear axes stand still, lifted."""

    angles: tuple[float, ...]


@dataclass(frozen=True)
class Link:
    """Rapid in a straight line, outside the safe envelope of part and fixture."""

    to: Point


@dataclass(frozen=True)
class Approach:
    """Positioning feed to the standoff of a touch; the probe is watched where the control can."""

    to: Point
    feed: float


@dataclass(frozen=True)
class FirstTouch:
    """Fast probing move that finds the surface, to the end of the overtravel of the touch that follows."""

    touch: int
    to: Point
    feed: float


@dataclass(frozen=True)
class BackOff:
    """Back from where the first touch triggered, by a way [mm, part frame]; `to` is where that ends on a nominal part.

    It is counted from the trigger, so that it leaves the surface wherever that is.
    """

    by: Point
    to: Point
    feed: float


@dataclass(frozen=True)
class Touch:
    """Slow probing move to the end of the overtravel; the control stops at the trigger."""

    touch: int
    feature: str
    target: Point
    normal: Point
    to: Point
    feed: float
    tip: int = 0


@dataclass(frozen=True)
class Record:
    """Write the last trigger position to the results file, with what was meant."""

    touch: int
    feature: str
    target: Point
    normal: Point
    tip: int = 0


@dataclass(frozen=True)
class Retract:
    """Back off after a touch, in a straight line."""

    to: Point
    feed: float


@dataclass(frozen=True)
class DryTouch:
    """In a dry run: where a touch would begin, a plain move to the standoff; nothing is touched or recorded."""

    touch: int
    feature: str
    to: Point
    feed: float
    tip: int = 0


@dataclass(frozen=True)
class Confirm:
    """Go on only if the touch last recorded deviates by no more than a limit [mm]: probe, length and offset are right.

    `radius` is the effective radius of the tip that touches.
    """

    touch: int
    target: Point
    normal: Point
    radius: float
    limit: float
    tip: int = 0


@dataclass(frozen=True)
class Agree:
    """Go on only if two touches of one place, in two poses, differ by no more than a limit [mm]."""

    first: Confirm
    second: Confirm
    first_angles: tuple[float, ...]
    limit: float


@dataclass(frozen=True)
class StopIf:
    """Stop if the touch last recorded lies outside limits of its deviation along the target's normal [mm].

    `radius` is the effective radius of the tip that touches, with which the deviation is compensated.
    """

    touch: int
    target: Point
    normal: Point
    radius: float
    lower: float
    upper: float
    tip: int = 0


@dataclass(frozen=True)
class Stop:
    """Stop until a person continues."""

    message: str


@dataclass(frozen=True)
class SafeStop:
    """Lifted, with spindle and coolant off: tell a person, stop, and end. Nothing follows it."""

    message: str


@dataclass(frozen=True)
class Message:
    """Words on the display of the machine; it goes on."""

    message: str


@dataclass(frozen=True)
class Restart:
    """From here the program can be started again: all modes and offsets are said anew; a Lift follows.

    `number` is that of the block, `offset` that of the length offset of the probe, `message` what comes from here on.
    """

    number: int
    offset: int
    message: str


Move = (
    Agree
    | Approach
    | Away
    | BackOff
    | Comment
    | Confirm
    | DryTouch
    | FirstTouch
    | Index
    | Lift
    | Link
    | Message
    | Orient
    | Record
    | Restart
    | Retract
    | SafeStop
    | SelectTip
    | SpindleStop
    | Stop
    | StopIf
    | ToolChange
    | Touch
    | WarmUp
)

_OF_TOUCHING = (Agree, BackOff, Confirm, FirstTouch, Record, StopIf)


def dry_of(moves: Iterable[Move]) -> tuple[Move, ...]:
    """The moves of a dry run: the same ways, but each touch stays at its standoff, and nothing is recorded.

    Parameters
    ----------
    moves : iterable of Move

    Returns
    -------
    tuple of Move
    """
    dry: list[Move] = []
    at: Point | None = None
    for move in moves:
        if isinstance(move, _OF_TOUCHING) or (isinstance(move, Retract) and move.to == at):
            continue
        if isinstance(move, Touch):
            start = move.to if at is None else at
            dry.append(DryTouch(move.touch, move.feature, start, move.feed, move.tip))
        else:
            dry.append(move)
            at = getattr(move, "to", at)
    return tuple(dry)
