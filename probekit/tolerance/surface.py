"""Position at a material condition, judged by the surface: the room that it leaves to its virtual condition boundary.

The surface comes before the axis (ASME Y14.5-2018, 5.9; from memory): a feature conforms if it does not violate the
boundary of its virtual condition, though its axis may be out. Touches show the surface at places, though:

symbol   meaning (all [mm], in size)
R_t      room of the touches: boundary against twice the distance of the worst touch from the true axis
R_a      room of the axis: t + b - P, the mating envelope against the boundary; enough, not necessary
R_c      R_t less what the surface may do between touches: 2 e (1 - cos(gap / 2)), for an axis e off its place and
         touches an angle `gap` apart

The room is min(R_t, max(R_a, R_c)): a touch beyond the boundary is out whatever the axis says, and the surface is taken
at its word only as far as the touches stand close enough to show it. Where an axis is carried on beyond the touches,
there is no surface, and R_a holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..geometry import apply_motion
from ..show import shown
from .derived import beyond
from .length import UNTOUCHED
from .settle import Held

__all__ = ["Room", "room_of", "rooms"]

_WIDE = 0.5 * np.pi  # touches further apart than this round the axis show no surface between them


@shown
@dataclass(frozen=True, eq=False)
class Room:
    """Room of one feature [mm], and of each of its touches (n,); the touch that decides, None if the axis does."""

    room: float
    each: np.ndarray
    touch: int | None

    @property
    def touches(self) -> float:
        """Room that the touches leave [mm]."""
        return float(self.each.min())


def rooms(features: Sequence[Held], motion: np.ndarray) -> list[Room]:
    """Room of each feature after a motion (4, 4)."""
    return [room_of(one, motion) for one in features]


def room_of(one: Held, motion: np.ndarray) -> Room:
    """Room of a feature with a boundary, after a motion (4, 4)."""
    contact = apply_motion(motion, one.contact)
    out, _ = beyond(one.feature, contact, one.boundary, inside=one.inside)
    worst = int(out.argmax())
    touches, off = -float(out[worst]), np.linalg.norm(one.shifts(motion), axis=1)
    axis = one.width + one.bonus - 2.0 * float(off.max())
    gap = _gap(one, contact)
    between = touches - 2.0 * float(off.max()) * (1.0 - np.cos(gap / 2.0)) if gap <= _WIDE else -np.inf
    if one.feature.of == "axis":
        heights = (contact - one.feature.at) @ one.feature.true
        slack = UNTOUCHED * float(np.ptp(heights))
        carried = (one.feature.places < heights.min() - slack) | (one.feature.places > heights.max() + slack)
        if carried.any():
            between = min(between, one.width + one.bonus - 2.0 * float(off[carried].max()))
    room = min(touches, max(axis, between))
    return Room(room, -out, None if room == axis else worst)


def _gap(one: Held, contact: np.ndarray) -> float:
    """Largest angle [rad] between neighbouring touches, seen along the true axis; of planes none."""
    if one.feature.of == "middle plane":
        return 0.0
    if one.feature.of == "centre":
        return np.inf  # a ball: directions have no order
    frame = np.linalg.svd(one.feature.true[None])[2][1:]
    angle = np.sort(np.arctan2(*((contact - one.feature.at) @ frame.T).T))
    return float(np.diff(np.append(angle, angle[0] + 2 * np.pi)).max())
