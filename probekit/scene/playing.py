"""The whole probe along the path of a program, for a player: where it stands, how it is turned, when, and what it does.

The same moves that a dialect spells, on a part as planned: see `probekit.program.timing`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..plan import Kinematics, Probe
from ..plan.access.poses import pose_frame
from ..plan.route.pace import Pace
from ..program.deciding.decisions import Recut, Step
from ..program.deciding.paths import paths_of
from ..program.moves import SafeStop, Touch
from ..program.timing import KINDS, stands_of
from ..show import shown

__all__ = ["KINDS", "Played", "played", "played_all"]

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
    stands = stands_of(path, kinematics, probe, pace)
    frames = np.array([pose_frame(kinematics, one.angles) for one in stands])
    unique, which = np.unique(np.round(frames, 9), axis=0, return_inverse=True)
    return Played(
        name,
        np.array([one.seconds for one in stands]),
        np.array([one.place for one in stands]),
        which.reshape(-1),
        unique,
        np.array([-1 if one.touch is None else rows.get(one.touch, -1) for one in stands]),
        np.array([KINDS.index(one.kind) for one in stands]),
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
