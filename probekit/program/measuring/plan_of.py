"""What planned moves ask of a DMIS program: its touches, the places that it goes to, where it waits for a person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...plan.access.poses import tip_offset
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..moves import Approach, Confirm, DryTouch, Index, Lift, Move, Restart, Retract, Stop, StopIf, Touch

__all__ = ["Limit", "Wanted", "limits_of", "next_touches", "start_and_end", "waits_of", "wanted_of", "ways_of"]


@dataclass(frozen=True, eq=False)
class Wanted:
    """A planned touch, as a measured point of DMIS states it.

    Attributes
    ----------
    touch : Touch
    label : str
        Of its feature.
    angles : (n_axes,) float
        Of the head [degree].
    approach, search, retract : float
        Distances between surface and ball [mm].
    positioning : float
        Rate of the way to it [mm/min].
    """

    touch: Touch
    label: str
    angles: tuple[float, ...]
    approach: float
    search: float
    retract: float
    positioning: float


@dataclass(frozen=True)
class Limit:
    """Limits of a touch's deviation, outside of which the program waits for a person."""

    label: str
    lower: float
    upper: float


def wanted_of(moves: Sequence[Move], kinematics: Kinematics, probe: Probe) -> tuple[Wanted, ...]:
    """The planned touches in their order.

    Parameters
    ----------
    moves : sequence of Move
    kinematics : Kinematics
    probe : Probe
    """
    found = []
    angles: tuple[float, ...] = (0.0,) * len(kinematics.axes)
    at, rate = np.full(3, np.nan), 0.0
    for number, move in enumerate(moves):
        angles = move.angles if isinstance(move, Index) else angles
        rate = move.feed if isinstance(move, Approach) else rate
        if isinstance(move, Touch):
            out, beside = np.array(move.normal), tip_offset(probe, move.tip, kinematics, angles)
            back = next((later.to for later in moves[number + 1 :] if isinstance(later, Retract)), move.to)
            ways = [
                float((np.add(p, beside) - move.target) @ out) - probe.tip_radius(move.tip) for p in (at, move.to, back)
            ]
            found.append(Wanted(move, f"P{move.touch}", angles, ways[0], -ways[1], ways[2], rate))
        at = np.array(move.to) if hasattr(move, "to") else at
    return tuple(found)


def ways_of(moves: Sequence[Move], kinematics: Kinematics, probe: Probe) -> dict[str, list[tuple[float, ...]]]:
    """Places by which the plan goes, with the angles there, by the label of the touch that they lead to; "" to its end.

    Parameters
    ----------
    moves : sequence of Move
    kinematics : Kinematics
    probe : Probe
    """
    found: dict[str, list[tuple[float, ...]]] = {}
    own: list[tuple[float, ...]] = []
    angles: tuple[float, ...] = (0.0,) * len(kinematics.axes)
    at: tuple[float, ...] = ()
    for move in moves:
        angles = move.angles if isinstance(move, Index) else angles
        if isinstance(move, Touch | DryTouch):
            found[f"P{move.touch}"] = own
            own = []
        elif hasattr(move, "to"):
            place = kinematics.to_program(np.array(move.to), angles, length=probe.tool_length)
            at = tuple(float(c) for c in place)
            own.append((*at, *angles))
        elif isinstance(move, Lift) and at:
            at = (*at[:2], move.height)
            own.append((*at, *angles))
    found[""] = own
    return found


def limits_of(moves: Sequence[Move]) -> tuple[Limit, ...]:
    """Limits outside of which the program is to wait."""
    found = [
        Limit(f"P{one.touch}", -one.limit, one.limit)
        if isinstance(one, Confirm)
        else Limit(f"P{one.touch}", one.lower, one.upper)
        for one in moves
        if isinstance(one, Confirm | StopIf)
    ]
    return tuple(found)


def waits_of(moves: Sequence[Move]) -> dict[str, int]:
    """Label of the touch before, "" before the first one -> how often the program waits there whatever it measures."""
    found: dict[str, int] = {}
    label = ""
    for move in moves:
        label = f"P{move.touch}" if isinstance(move, Touch) else label
        if isinstance(move, Stop):
            found[label] = found.get(label, 0) + 1
    return found


def next_touches(moves: Sequence[Move]) -> dict[str, str]:
    """Number of each place to start again -> label of the first touch after it, "" without one."""
    found, label = dict[str, str](), ""
    for move in reversed(moves):
        label = f"P{move.touch}" if isinstance(move, Touch) else label
        if isinstance(move, Restart):
            found[str(move.number)] = label
    return found


def start_and_end(moves: Sequence[Move]) -> tuple[tuple[float, ...], ...]:
    """Angles that the plan turns to first and last; nothing without rotary axes."""
    turned = [move.angles for move in moves if isinstance(move, Index)]
    return (turned[0], turned[-1]) if turned else ()
