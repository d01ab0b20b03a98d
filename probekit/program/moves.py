"""Probing moves as data. A dialect turns them into text; nothing here knows how a control spells them.

Positions are those of the REFERENCE ball's centre in the part frame [mm], whichever tip of the probe touches: one place
of the probe, one position, on every way and between any two touches. That is the ball of the straight stylus, or where
it would be; length offset, work offset and clearance belong to it too. Where another tip touches, its ball's centre is
there plus `Probe.offset`, turned by the pose (`plan.tip_offset`). Three things know of the difference: the start and
the end of a touch (`plan.order`, `moves_of`), the writer of a dialect whose machine is told where the tip's own ball
goes, and the results, which give the centre of the ball that touched.

Feeds are [mm/min]. One touch is Approach, Touch, Record, Retract; everything between touches is Link, and Lift before
the rotary axes Index. Before a touch with another tip than the last one comes SelectTip; a probe is put in with its
reference tip, 0.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Approach",
    "Away",
    "Comment",
    "Index",
    "Lift",
    "Link",
    "Move",
    "Orient",
    "Record",
    "Retract",
    "SelectTip",
    "SpindleStop",
    "Stop",
    "StopIf",
    "ToolChange",
    "Touch",
    "WarmUp",
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


Move = (
    Comment
    | SpindleStop
    | Away
    | ToolChange
    | Orient
    | SelectTip
    | WarmUp
    | Lift
    | Index
    | Link
    | Approach
    | Touch
    | Record
    | Retract
    | StopIf
    | Stop
)
