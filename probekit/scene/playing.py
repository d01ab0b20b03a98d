"""The whole probe along the path of a program, for a player: where it stands, how it is turned, when, and what it does.

The same moves that a dialect spells, on a part as planned: a touch ends where the ball meets its target. Where the
rotary axes turn, the part stands still and the probe goes round it. Times are those of straight moves at the stated
feeds, without acceleration.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..plan import Kinematics, Probe
from ..plan.access.poses import pose_frame, tip_offset
from ..plan.route.pace import Pace
from ..program.deciding.decisions import Milling, Recut, Step
from ..program.deciding.paths import paths_of
from ..program.moves import (
    Approach,
    Away,
    BackOff,
    FirstTouch,
    Index,
    Lift,
    Link,
    Retract,
    SafeStop,
    SelectTip,
    ToolChange,
    Touch,
)
from ..show import shown

__all__ = ["KINDS", "Played", "played", "played_all"]

#: What the probe does on its way to a place.
KINDS = ("comes in", "rapid", "at feed", "touches", "lifts", "turns")

_TURN = 6.0  # rotary axes are drawn in steps of this size [degree]
_MOST_WAYS = 12  # that can be chosen


@shown
@dataclass(frozen=True, eq=False)
class Played:
    """One way through a program.

    Attributes
    ----------
    name : str
        What becomes of it.
    seconds : (n,) float
        When the probe is at each place.
    place : (n, 3) float
        Centre of the reference ball, part frame [mm].
    frame : (n,) int
        How it is turned there: row of `frames`.
    frames : (k, 3, 3) float
        From probe coordinates to the part frame.
    row : (n,) int
        Of the touch that it belongs to, -1 if none.
    kind : (n,) int
        Into `kinds`: what it does on the way to this place.
    kinds : tuple of str
    """

    name: str
    seconds: np.ndarray
    place: np.ndarray
    frame: np.ndarray
    frames: np.ndarray
    row: np.ndarray
    kind: np.ndarray
    kinds: tuple[str, ...] = KINDS

    @property
    def sentence(self) -> str:
        """How long it takes, and through how many places."""
        return f"{self.name}: {self.seconds[-1]:.0f} s through {len(self.seconds)} places"


@dataclass
class _Track:
    """The places so far."""

    kinematics: Kinematics
    probe: Probe
    pace: Pace
    rows: Mapping[int, int]
    angles: tuple[float, ...]
    at: np.ndarray | None = None
    time: float = 0.0
    tip: int = 0
    found: list[tuple[float, np.ndarray, np.ndarray, int, str]] = field(default_factory=list)

    def to(self, place: np.ndarray, kind: str, seconds: float, row: int = -1) -> None:
        self.time += seconds if self.at is not None else 0.0
        self.at = np.asarray(place, dtype=float)
        self.found.append((self.time, self.at, pose_frame(self.kinematics, self.angles), row, kind))

    def go(self, place: Sequence[float] | np.ndarray, feed: float, kind: str, row: int = -1) -> None:
        way = 0.0 if self.at is None else float(np.linalg.norm(np.subtract(place, self.at)))
        self.to(np.asarray(place, dtype=float), kind if self.at is not None else "comes in", way * 60.0 / feed, row)

    def touch(self, meant: Touch, feed: float) -> None:
        """Go to where the ball meets the target."""
        offset = tip_offset(self.probe, meant.tip, self.kinematics, self.angles)
        contact = np.add(meant.target, self.probe.tip_radius(meant.tip) * np.array(meant.normal)) - offset
        self.go(contact, feed, "touches", self.rows.get(meant.touch, -1))

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


def played(
    name: str,
    path: Sequence[Step],
    kinematics: Kinematics,
    probe: Probe,
    pace: Pace,
    rows: Mapping[int, int],
) -> Played:
    """One way through a program, place by place.

    Parameters
    ----------
    name : str
    path : sequence of Step
        Moves, and decisions that are passed over.
    kinematics : Kinematics
    probe : Probe
    pace : Pace
        Speeds of rapid moves and of rotary axes; feeds are those of the moves.
    rows : mapping of int to int
        Number of a touch -> its row in the scene.
    """
    track = _Track(kinematics, probe, pace, rows, (0.0,) * len(kinematics.axes))
    for move in path:
        if isinstance(move, Index):
            track.turn(move.angles)
        elif isinstance(move, Lift):
            track.lift(move.height)
        elif isinstance(move, ToolChange | Away | Milling | Recut):
            track.at, track.tip = None, 0
        elif isinstance(move, SelectTip):
            track.tip = move.tip
        elif isinstance(move, Touch):
            track.touch(move, move.feed)
            track.time += pace.per_touch
        elif isinstance(move, FirstTouch):  # it meets the part where the touch that follows it does
            meant = next(one for one in path if isinstance(one, Touch) and one.touch == move.touch)
            track.touch(meant, move.feed)
        elif isinstance(move, Approach | BackOff | Link | Retract):
            kind = "rapid" if isinstance(move, Link) else "at feed"
            feed = pace.rapid if isinstance(move, Link) else move.feed
            track.go(move.to, feed, kind)
    times, places, frames, numbers, kinds = zip(*track.found, strict=True)
    unique, which = np.unique(np.round(np.array(frames), 9), axis=0, return_inverse=True)
    return Played(
        name,
        np.array(times),
        np.array(places),
        which.reshape(-1),
        unique,
        np.array(numbers),
        np.array([KINDS.index(one) for one in kinds]),
    )


def played_all(
    steps: Sequence[Step], kinematics: Kinematics, probe: Probe, pace: Pace, rows: Mapping[int, int]
) -> tuple[Played, ...]:
    """Every way through a program that ends otherwise than another one, the planned one first.

    Parameters
    ----------
    steps : sequence of Step
    kinematics, probe, pace, rows
        As for `played`.
    """
    found: dict[str, Played] = {}
    for path in paths_of(steps):
        stop = next((one.message for one in path if isinstance(one, SafeStop)), "")
        again = any(isinstance(one, Recut) for one in path)
        name = (f"stops: {stop}" if stop else "as planned, to its end") + (" (cut again before)" if again else "")
        if name not in found and len(found) < _MOST_WAYS and any(isinstance(one, Touch) for one in path):
            found[name] = played(name, path, kinematics, probe, pace, rows)
    return tuple(sorted(found.values(), key=lambda one: not one.name.startswith("as planned, to its end")))
