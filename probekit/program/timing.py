"""Where the probe stands along the moves of a program, and when: the one home of the time that a program takes.

On a part as planned: a touch ends where the ball meets its target. Where the rotary axes turn, the part stands still
and the probe goes round it. Times are those of straight moves at the stated feeds, without acceleration, tool change
and warming up; a real cycle takes longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..plan.access.poses import tip_offset
from ..plan.kinematics import Kinematics
from ..plan.probe import Probe
from ..plan.route.pace import CycleTime, Pace
from .deciding.decisions import Milling, Recut, Step
from .moves import Approach, Away, BackOff, FirstTouch, Index, Lift, Link, Retract, ToolChange, Touch

__all__ = ["KINDS", "Stand", "stands_of", "time_of"]

#: What the probe does on its way to a place.
KINDS = ("comes in", "rapid", "at feed", "touches", "lifts", "turns")

_TURN = 6.0  # rotary axes are followed in steps of this size [degree]


@dataclass(frozen=True, eq=False)
class Stand:
    """A place on the way of the probe.

    Attributes
    ----------
    seconds : float
        When it is there.
    place : (3,) float
        Centre of the reference ball, part frame [mm].
    angles : (n_axes,) float
        Of the rotary axes [degree].
    touch : int or None
        Number of the touch that is made on the way to it.
    kind : str
        Of `KINDS`.
    """

    seconds: float
    place: np.ndarray
    angles: tuple[float, ...]
    touch: int | None
    kind: str


@dataclass
class _Track:
    """The places so far."""

    kinematics: Kinematics
    probe: Probe
    pace: Pace
    angles: tuple[float, ...]
    at: np.ndarray | None = None
    time: float = 0.0
    found: list[Stand] = field(default_factory=list)

    def to(self, place: np.ndarray, kind: str, seconds: float, touch: int | None = None) -> None:
        self.time += seconds if self.at is not None else 0.0
        self.at = np.asarray(place, dtype=float)
        self.found.append(Stand(self.time, self.at, self.angles, touch, kind))

    def go(self, place: Sequence[float] | np.ndarray, feed: float, kind: str, touch: int | None = None) -> None:
        way = 0.0 if self.at is None else float(np.linalg.norm(np.subtract(place, self.at)))
        self.to(np.asarray(place, dtype=float), kind if self.at is not None else "comes in", way * 60.0 / feed, touch)

    def touch(self, meant: Touch, feed: float) -> None:
        """Go to where the ball meets the target."""
        offset = tip_offset(self.probe, meant.tip, self.kinematics, self.angles)
        contact = np.add(meant.target, self.probe.tip_radius(meant.tip) * np.array(meant.normal)) - offset
        self.go(contact, feed, "touches", meant.touch)

    def lift(self, height: float) -> None:
        if self.at is None:
            return
        length = float(self.probe.tool_length or 0.0)
        there = self.kinematics.to_program(self.at, self.angles, length=length)
        there[2] = max(float(there[2]), height)
        self.go(self.kinematics.to_part(there, self.angles, length=length), self.pace.rapid, "lifts")

    def turn(self, angles: Sequence[float]) -> None:
        before, after = np.array(self.angles, dtype=float), np.array(angles, dtype=float)
        most = float(np.abs(after - before).max()) if len(after) else 0.0
        if self.at is None or most == 0.0:
            self.angles = tuple(angles)
            return
        length = float(self.probe.tool_length or 0.0)
        there = self.kinematics.to_program(self.at, self.angles, length=length)
        parts = np.linspace(0.0, 1.0, int(np.ceil(most / _TURN)) + 1)[1:]
        for part in parts:
            self.angles = tuple(float(v) for v in before + part * (after - before))
            seconds = (self.pace.per_index + most / self.pace.rotary) / len(parts)
            self.to(self.kinematics.to_part(there, self.angles, length=length), "turns", seconds)


def stands_of(path: Sequence[Step], kinematics: Kinematics, probe: Probe, pace: Pace) -> list[Stand]:
    """The places of the probe along one way through a program.

    Parameters
    ----------
    path : sequence of Step
        Moves, and decisions that are passed over.
    kinematics : Kinematics
    probe : Probe
    pace : Pace
        Speeds of rapid moves and of rotary axes; feeds are those of the moves.
    """
    track = _Track(kinematics, probe, pace, (0.0,) * len(kinematics.axes))
    meant = {one.touch: one for one in reversed(path) if isinstance(one, Touch)}
    for move in path:
        if isinstance(move, Index):
            track.turn(move.angles)
        elif isinstance(move, Lift):
            track.lift(move.height)
        elif isinstance(move, ToolChange | Away | Milling | Recut):
            track.at = None
        elif isinstance(move, Touch):
            track.touch(move, move.feed)
            track.time += pace.per_touch
        elif isinstance(move, FirstTouch):  # it meets the part where the touch that follows it does
            track.touch(meant[move.touch], move.feed)
        elif isinstance(move, Approach | BackOff | Link | Retract):
            kind = "rapid" if isinstance(move, Link) and _has_rapid(pace) else "at feed"
            track.go(move.to, pace.rapid if isinstance(move, Link) else move.feed, kind)
    return track.found


def time_of(path: Sequence[Step], kinematics: Kinematics, probe: Probe, pace: Pace) -> CycleTime:
    """The time of one way through a program, in parts: of all its moves, the slow last millimetres too.

    Parameters
    ----------
    path, kinematics, probe, pace
        As for `stands_of`. Moves away from a touch count as positioning, lifts as rapid; where nothing is faster than
        positioning there are no rapid moves.
    """
    spent, before = dict.fromkeys(KINDS, 0.0), 0.0
    for one in stands_of(path, kinematics, probe, pace):
        spent[one.kind] += one.seconds - before
        before = one.seconds
    fast = spent["rapid"] + spent["lifts"] + spent["comes in"]
    waits = pace.per_touch * sum(isinstance(one, Touch) for one in path)  # before the move away from it
    return CycleTime(
        touching=spent["touches"] + waits,
        positioning=spent["at feed"] - waits + (0.0 if _has_rapid(pace) else fast),
        rapid=fast if _has_rapid(pace) else 0.0,
        indexing=spent["turns"],
    )


def _has_rapid(pace: Pace) -> bool:
    """Whether any move is faster than positioning."""
    return pace.rapid > pace.positioning
