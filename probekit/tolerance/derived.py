"""Axes, centres and middle planes with their true positions: how far off they are, and what a motion changes.

symbol   meaning (in the datum frame)
c, n     point and unit direction of the true axis, or normal of the true middle plane
e, d     a point on the actual axis or plane, and its unit direction or normal
s        shift of the actual from the true at one place (3,) [mm]; |s| is half the position there

A small motion moves e by v = t + w x (e - p). The places at which an axis is judged are those of the feature and move
with it, so ds is the part of v square to n: to slide along n, where the datums leave that free, changes nothing. On a
plane e is where a touch, h away from it along n, comes down along n, so that ds = n (n.v + h w.(d x n)/(d.n)). A zone
of two parallel planes sees the part of ds square to them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..fit.beneath import nominal_beneath
from ..fit.elements import element
from ..geometry import apply_motion, cross_matrix
from ..show import shown
from .axes import axis_of, sides, size_of
from .cover import Covered, direction_of
from .envelopes import Envelope, envelope_of
from .length import judged_length
from .nominal_shape import require

if TYPE_CHECKING:
    from ..deviation.projection import Projection
    from ..nominal import Nominal

__all__ = ["SHAPES", "Derived", "beyond", "derived", "true_position"]

SHAPES = {"axis": "cylinder", "centre": "sphere", "middle plane": "width"}


@shown
@dataclass(frozen=True, eq=False)
class Derived:
    """An axis, centre or middle plane, and where it should be.

    Attributes
    ----------
    of : str
        A key of `SHAPES`.
    point, direction : (3,) float
        Of the actual one.
    at, true : (3,) float
        A point, and the unit direction, of the true position.
    places : (m,) or (m, 3) float
        Heights over `at` at which an axis is judged, or the touches that spread out a middle plane.
    zone : (z, 3) float
        Orthonormal directions in which the zone limits the shift: two for a round one, three for a ball, one for two
        planes.
    notes : tuple of str
    active : tuple of int
        Which touches, by place, its envelope rests on; empty for least squares.
    held : bool
        Whether the direction of an axis is that of the nominal, for the touches do not tell it.
    envelopes : tuple of Envelope
        What it is the axis, centre or middle of; none for least squares.
    residuals : (n,) float
        How far each touch is outside the element, away from the material [mm].
    """

    of: str
    point: np.ndarray
    direction: np.ndarray
    at: np.ndarray
    true: np.ndarray
    places: np.ndarray
    zone: np.ndarray
    notes: tuple[str, ...]
    active: tuple[int, ...] = ()
    held: bool = False
    residuals: np.ndarray = field(default_factory=lambda: np.zeros(0))
    envelopes: tuple[Envelope, ...] = ()

    def shifts(self, motion: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Shifts within the zone (m, z) [mm], and the points (m, 3) they are taken at, after a motion (4, 4)."""
        ends, _ = self._ends(np.eye(4) if motion is None else motion)
        return self._off(ends) @ self.zone.T, ends

    def slopes(self, motion: np.ndarray, pivot: np.ndarray) -> np.ndarray:
        """(m, z, 6) change of the shifts with a further small motion: shift [mm] and turn [rad] about a point (3,)."""
        ends, direction = self._ends(motion)
        velocity = np.stack([np.hstack([np.eye(3), -cross_matrix(end - pivot)]) for end in ends])
        if self.of == "middle plane":
            height = (apply_motion(motion, self.places) - ends) @ self.true
            tilt = np.cross(direction, self.true) / (direction @ self.true)
            velocity[:, :, 3:] += self.true[None, :, None] * (height[:, None] * tilt)[:, None, :]
        return self.zone @ velocity

    def _ends(self, motion: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points (m, 3) at which it is judged, and its direction (3,), after a motion."""
        point, direction = apply_motion(motion, self.point[None])[0], motion[:3, :3] @ self.direction
        if self.of == "centre":
            return point[None], direction
        if self.of == "axis":
            rise = self.direction / (self.direction @ self.true)
            ends = self.point + (self.places - (self.point - self.at) @ self.true)[:, None] * rise
            return apply_motion(motion, ends), direction
        places = apply_motion(motion, self.places)
        height = (places - point) @ direction / (direction @ self.true)
        return places - height[:, None] * self.true, direction

    def _off(self, ends: np.ndarray) -> np.ndarray:
        off = ends - self.at
        if self.of == "axis":
            return off - np.outer(off @ self.true, self.true)
        return np.outer(off @ self.true, self.true) if self.of == "middle plane" else off


def derived(
    covered: Covered,
    of: str,
    method: str,
    *,
    at: Iterable[float] | None = None,
    direction: Iterable[float] | None = None,
    across: Iterable[float] | None = None,
    length: tuple[float, float] | None = None,
    nominal: Nominal | Projection | None = None,
) -> Derived:
    """Derived feature of touches, by an element of some method; see `probekit.tolerance.position` for the rest.

    An axis is judged over `length`, or over that of the feature in `nominal`, or else over what was touched.

    Raises
    ------
    InputError
        If the touches do not fix the element, or a direction cannot be used.
    """
    require(covered, SHAPES[of])
    point, true = true_position(covered, of, at, direction)
    square = None if across is None else direction_of(across, "square to the zone")
    places, rims, held = np.empty(0), np.eye(3), False
    if of == "axis":
        one = axis_of(covered, method)
        found, along, notes, active, held = one.point, one.direction, one.notes, one.active, one.held
        residuals, envelopes = one.residuals, one.envelopes
        if length is None:
            places, said = judged_length(covered, nominal, point, true)
            notes = (*notes, *said)
        else:
            places = np.array(length, dtype=float)
        rims = np.linalg.svd(true[None])[2][1:]
    else:
        fitted = size_of(covered, SHAPES[of], method)[1]
        notes, active, residuals = fitted.notes, fitted.active, fitted.residuals
        envelopes = envelope_of(covered, fitted)
        found = np.asarray(fitted.parameters["centre" if of == "centre" else "point"])
        along = true if of == "centre" else np.asarray(fitted.parameters["direction"])
        if of == "middle plane":
            places, rims = covered.contact, true[None]
    zone = rims if square is None or of == "middle plane" else square[None]
    return Derived(of, found, along, point, true, places, zone, tuple(notes), active, held, residuals, envelopes)


def beyond(one: Derived, contact: np.ndarray, boundary: float, *, inside: bool) -> tuple[np.ndarray, np.ndarray]:
    """How far each touch (n, 3) is beyond a boundary of that size about the true position (n,) [mm, in size].

    `inside`: the boundary lies inside the surface touched (bore at M, boss at L). Also its gradient (n, 3).
    """
    off = contact - one.at
    if one.of == "middle plane":
        reach = (off @ one.true)[:, None] * one.true
    else:
        reach = off if one.of == "centre" else off - (off @ one.true)[:, None] * one.true
    size = np.linalg.norm(reach, axis=1)
    outward = reach / np.where(size > 0, size, 1.0)[:, None]
    return (boundary - 2.0 * size, -2.0 * outward) if inside else (2.0 * size - boundary, 2.0 * outward)


def true_position(
    covered: Covered, of: str, at: Iterable[float] | None = None, direction: Iterable[float] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Point and unit direction of the true position, as given or from the nominal under the touches."""
    point = None if at is None else np.asarray(at, dtype=float)
    if point is not None and (point.shape != (3,) or not np.isfinite(point).all()):
        raise InputError("a true position is three numbers", found=at)
    axis = np.array([0.0, 0.0, 1.0]) if of == "centre" else None
    axis = direction_of(direction, "of the true position") if direction is not None else axis
    if point is None or axis is None:
        fitted = nominal_beneath(covered.foot, covered.normal, SHAPES[of])
        if fitted is None:
            fitted = element(covered.foot, SHAPES[of], **sides(covered, SHAPES[of])).parameters
        point = np.asarray(fitted["centre" if of == "centre" else "point"]) if point is None else point
        axis = np.asarray(fitted["direction"]) if axis is None else axis
    return point, axis
