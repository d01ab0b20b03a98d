"""The tangent plane of a flat feature, judged in place of its surface: modifier (T).

symbol   variable   meaning
d_i                 distance of touch i outside a plane that is free in place and tilt [mm]
                    tangent plane: sum d_i^2 least with all d_i <= 0, on the high points from outside the material
h        heights    height of the tangent plane over the zone, at the edge of the feature [mm]
G        gain       change of these heights with the deviation of each touch, with the same touches in contact

(T) lets the surface be as rough as its form tolerance allows: a plane laid on its high points must lie in the zone,
over the whole feature. ASME Y14.5-2018 (tangent plane modifier; orientation, clause 9), with the constrained least
squares plane of Y14.5.1-2019, which also says which one is meant where it could rock; from memory. ISO 1101 writes (T)
as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..deviation.projection import Projection
from ..fit.datums.freedom import Freedom
from ..fit.datums.simulators import settle
from ..fit.datums.twists import velocity_rows
from ..fit.minimax import minimax_motion
from ..fit.motion import typical_arm
from ..geometry import across, apply_motion, invert_motion
from .cover import Covered, direction_of
from .places import Places
from .propagation import less_placement, motion_rows

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["TangentPlane", "edge_of", "pairs_of", "placed_heights", "tangent_plane"]

_AROUND = 16  # directions in which the edge of a feature is looked for
_ON = 2e-3  # of the size of the face: corners farther from the nominal plane belong to a blend


@dataclass(frozen=True, eq=False)
class TangentPlane:
    """A tangent plane: a point and outward unit normal (3,), touches it rests on, its doubt.

    `outward` (3,): mean normal of the nominal. `twist` (6, n): how it moves with the deviation of each touch, as shift
    of `centre` (3,) [mm] and turn [rad].
    """

    point: np.ndarray
    normal: np.ndarray
    outward: np.ndarray
    centre: np.ndarray
    twist: np.ndarray
    active: tuple[int, ...]

    def under(self, places: np.ndarray) -> np.ndarray:
        """Points (m, 3) of the plane, under places (m, 3) along the normal of the nominal."""
        height = (self.point - places) @ self.normal / (self.outward @ self.normal)
        return places + height[:, None] * self.outward

    def gain(self, places: np.ndarray) -> np.ndarray:
        """(m, n) change of its height at places (m, 3) with the deviation of each touch."""
        return velocity_rows(places, np.tile(self.outward, (len(places), 1)), self.centre, 1.0) @ self.twist

    @property
    def notes(self) -> tuple[str, ...]:
        """What has to be known of it."""
        if len(self.active) >= 3:
            return ()
        on = f"{len(self.active)} touch{'es' if len(self.active) > 1 else ''}"
        return (f"the tangent plane rests on {on} alone; where it could rock, it is nearest to all others",)


def tangent_plane(covered: Covered) -> TangentPlane:
    """Tangent plane of the touches of a flat feature.

    Raises
    ------
    FitError
        If it does not settle.
    """
    outward, centre = direction_of(covered.outward, "of the nominal"), covered.contact.mean(axis=0)
    arm = typical_arm(covered.contact, centre)
    taken = np.zeros((6, 3))
    taken[:3, 0], taken[3:, 1:] = outward, across(outward).T

    def measure(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (points - centre) @ outward - covered.ball, np.tile(outward, (len(points), 1))

    n = len(covered.rows)
    found = settle(covered.measured, measure, taken, np.zeros((n, 0)), np.ones(n), "tangent", centre=centre, arm=arm)
    twist = -taken @ found.gain  # the touches would move onto the nominal: the plane moves the other way
    twist[3:] /= arm
    back = invert_motion(found.motion)
    normal = back[:3, :3] @ outward
    return TangentPlane(
        apply_motion(back, centre[None])[0], normal, outward, centre, twist, tuple(map(int, found.active))
    )


def edge_of(covered: Covered, nominal: Nominal | Projection | None) -> np.ndarray:
    """Outermost places (m, 3) of a flat feature, m <= 16: of its faces in the nominal, or else of what was touched."""
    points, outward = covered.contact, direction_of(covered.outward, "of the nominal")
    part = nominal.nominal if isinstance(nominal, Projection) else nominal
    if part is not None and set(covered.faces) & set(part.face_names):
        own = np.isin(part.facet_face, [k for k, name in enumerate(part.face_names) if name in covered.faces])
        corners = part.vertices[np.unique(part.facets[own])]
        off = np.abs((corners - covered.foot.mean(axis=0)) @ outward)
        flat = corners[off <= _ON * max(float(np.linalg.norm(np.ptp(corners, axis=0))), 1e-9)]
        points = np.vstack([points, flat])
    turn = np.arange(_AROUND) * 2 * np.pi / _AROUND
    looks = np.column_stack([np.cos(turn), np.sin(turn)]) @ across(outward)
    return points[np.unique((points @ looks.T).argmax(axis=0))]


def placed_heights(points: np.ndarray, square: np.ndarray, middle: float, free: Freedom) -> np.ndarray:
    """Heights (m,) of points (m, 3) over a plane through the origin, less `middle`, where the zone is best placed."""
    if not free:
        return points @ square - middle
    free = free.turning_little().scaled(typical_arm(points, free.pivot))
    return minimax_motion(
        points,
        lambda at: (at @ square, np.tile(square, (len(at), 1))),
        free.motions,
        pivot=free.pivot,
        middle=middle,
        within=(free.rows, free.limits),
    ).residuals


def pairs_of(
    plane: TangentPlane, edge: np.ndarray, heights: Sequence[float] | np.ndarray, square: np.ndarray, free: Freedom
) -> tuple[Places, int]:
    """How far any two places of the edge (m, 3) lie apart in height, as places that compete, and the worst pair."""
    first, second = np.triu_indices(len(edge), 1)
    heights, gain = np.asarray(heights, dtype=float), plane.gain(edge)
    rows = motion_rows(plane.under(edge), np.tile(square, (len(edge), 1)))
    apart = (heights[first] - heights[second])[:, None]
    moved = less_placement(rows[first] - rows[second], free)
    none = np.zeros_like
    change = np.stack([gain[first] - gain[second], none(gain[first])], axis=1)
    places = Places(apart, np.zeros(len(apart)), change, np.stack([moved, none(moved)], axis=1))
    return places, int(np.abs(apart[:, 0]).argmax())
