"""Probing moves as data. A dialect turns them into text; nothing here knows how a control spells them.

Positions are those of the ball centre in the part frame [mm]; feeds are [mm/min]. One touch is Approach, Touch, Record,
Retract; everything between touches is Link, and Lift before the rotary axes Index.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Approach",
    "Comment",
    "Index",
    "Lift",
    "Link",
    "Move",
    "Record",
    "Retract",
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
class ToolChange:
    """Put a tool in: its number in the magazine and the number of its length offset."""

    tool: int
    offset: int
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


@dataclass(frozen=True)
class Record:
    """Write the last trigger position to the results file, with what was meant."""

    touch: int
    feature: str
    target: Point
    normal: Point


@dataclass(frozen=True)
class Retract:
    """Back off after a touch, in a straight line."""

    to: Point
    feed: float


@dataclass(frozen=True)
class StopIf:
    """Stop if the touch last recorded lies outside limits of its deviation along the target's normal [mm].

    `radius` is the effective radius that the deviation is compensated with.
    """

    touch: int
    target: Point
    normal: Point
    radius: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Stop:
    """Stop until a person continues."""

    message: str


Move = (
    Comment
    | SpindleStop
    | ToolChange
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
