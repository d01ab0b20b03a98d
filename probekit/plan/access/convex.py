"""Distance of triangles to swept pieces of the probe: exact, many pairs at a time.

A piece is a turned frustum, moved along a straight line and grown by a sphere: a convex body. Its distance to a
triangle is that of the origin to their Minkowski difference, found by the iteration of [1]_ on simplices of three
points. Each step also gives a bound from below, since all of the difference lies beyond the plane through its support
point; the iteration stops when the two bounds meet.

References
----------
.. [1] E. G. Gilbert, D. W. Johnson, S. S. Keerthi, "A fast procedure for computing the distance between complex objects
   in three-dimensional space", IEEE J. Robotics and Automation 4(2), 1988, 193-203 (from memory).

symbol   variable      meaning
a, u, h  foot, axis    lower end of the axis, its unit direction towards the upper end, its length [mm]
r0, r1   radius        radii of the flat ends [mm]
g        grown         radius of the sphere that the piece is grown by [mm]
v        move          the straight line that it is swept along [mm]
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Self

import numpy as np

__all__ = ["Swept", "closest_on_triangle", "triangle_distance"]

_TINY = 1e-12
_STEPS = 60  # of the iteration; ten are usual


@dataclass(frozen=True, eq=False)
class Swept:
    """Pieces of a probe on straight moves, one per row.

    Attributes
    ----------
    foot, axis : (n, 3) float
        Lower end of the axis at the start of the move [mm], and its unit direction.
    height, low_radius, high_radius, grown : (n,) float
        [mm]
    move : (n, 3) float
        From the start of the move to its end [mm].
    """

    foot: np.ndarray
    axis: np.ndarray
    height: np.ndarray
    low_radius: np.ndarray
    high_radius: np.ndarray
    grown: np.ndarray
    move: np.ndarray

    def __len__(self) -> int:
        return len(self.foot)

    def take(self, rows: np.ndarray | slice) -> Self:
        """Some of the rows."""
        return type(self)(*(getattr(self, one.name)[rows] for one in fields(self)))

    def signed(self, rows: np.ndarray, points: np.ndarray, along: np.ndarray) -> np.ndarray:
        """Signed distance of points to the pieces as they stand at a place of their move.

        Parameters
        ----------
        rows : (m,) int
            Piece of each point.
        points : (m, 3) float [mm]
        along : (m,) float
            Place on the move, 0 at its start, 1 at its end.

        Returns
        -------
        (m,) float
            Negative inside [mm].
        """
        offset = points - self.foot[rows]
        offset -= along[:, None] * self.move[rows]
        z = np.einsum("ij,ij->i", offset, self.axis[rows])
        r = np.sqrt(np.maximum(np.einsum("ij,ij->i", offset, offset) - z * z, 0.0))
        h, r0 = self.height[rows], self.low_radius[rows]
        slope = self.high_radius[rows] - r0
        squared = np.maximum(h * h + slope * slope, _TINY)
        beside = r - r0
        place = np.clip((beside * slope + z * h) / squared, 0.0, 1.0)
        slant = np.hypot(beside - place * slope, z - place * h)
        lengthwise = np.maximum(-z, z - h)  # beyond the flat ends
        within = (beside * h <= z * slope) & (beside <= np.maximum(slope, 0.0))  # inside the slanted line
        over_end = (lengthwise > 0) & np.where(z < 0, beside <= 0, beside <= slope)
        inside = within & (lengthwise <= 0)
        return (
            np.where(inside, np.maximum(lengthwise, -slant), np.where(over_end, lengthwise, slant)) - self.grown[rows]
        )

    def furthest(self, direction: np.ndarray) -> np.ndarray:
        """Point (n, 3) of each swept piece, not grown, that lies furthest along a direction (n, 3)."""
        along = np.einsum("ij,ij->i", direction, self.axis)
        across = direction - along[:, None] * self.axis
        across /= np.maximum(np.linalg.norm(across, axis=1), _TINY)[:, None]
        width = np.einsum("ij,ij->i", direction, across)
        high = along * self.height + width * (self.high_radius - self.low_radius) > 0
        point = self.foot + np.where(high, self.height, 0.0)[:, None] * self.axis
        point += np.where(high, self.high_radius, self.low_radius)[:, None] * across
        ahead = np.einsum("ij,ij->i", direction, self.move) > 0
        point[ahead] += self.move[ahead]
        return point


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Cross products (..., 3) along the last axis: `numpy.cross` to the last bit, at half its cost for small arrays."""
    out = np.empty(np.broadcast_shapes(a.shape, b.shape))
    for k, (i, j) in enumerate(((1, 2), (2, 0), (0, 1))):
        out[..., k] = a[..., i] * b[..., j] - a[..., j] * b[..., i]
    return out


def closest_on_triangle(corner: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Closest point to the origin of triangles, which may be without area.

    Parameters
    ----------
    corner : (..., 3, 3) float
        Corners [mm].

    Returns
    -------
    point : (..., 3) float
    squared : (...,) float
        Squared distance [mm2].
    """
    a, b, c = corner[..., 0, :], corner[..., 1, :], corner[..., 2, :]
    ab, ac = b - a, c - a
    normal = _cross(ab, ac)
    area = np.einsum("...i,...i->...", normal, normal)
    safe = np.maximum(area, 1e-300)
    v = np.einsum("...i,...i->...", _cross(ac, a), normal) / safe  # weights of b and c at the foot of the origin
    w = np.einsum("...i,...i->...", _cross(a, ab), normal) / safe
    ends = corner[..., [1, 2, 0], :]
    side = ends - corner
    place = -np.einsum("...i,...i->...", corner, side) / np.maximum(np.einsum("...i,...i->...", side, side), 1e-300)
    on_side = corner + np.clip(place, 0.0, 1.0)[..., None] * side
    squared = np.einsum("...i,...i->...", on_side, on_side)
    best = squared.argmin(axis=-1)[..., None]
    point = np.take_along_axis(on_side, best[..., None], axis=-2)[..., 0, :]
    squared = np.take_along_axis(squared, best, axis=-1)[..., 0]
    lengths = np.einsum("...i,...i->...", ab, ab) * np.einsum("...i,...i->...", ac, ac)
    over = (v >= 0) & (w >= 0) & (v + w <= 1) & (area > 1e-20 * lengths)
    flat = (np.einsum("...i,...i->...", a, normal) / safe)[..., None] * normal
    flat_squared = np.einsum("...i,...i->...", flat, flat)
    over &= flat_squared < squared
    return np.where(over[..., None], flat, point), np.where(over, flat_squared, squared)


def triangle_distance(
    corner: np.ndarray, swept: Swept, *, within: float, beyond: np.ndarray | None = None
) -> np.ndarray:
    """Distance of triangles to swept pieces, pair by pair.

    Parameters
    ----------
    corner : (n, 3, 3) float
        Corners of the triangles [mm].
    swept : Swept
        n pieces.
    within : float
        How exact [mm]; the answer is never larger than the distance.
    beyond : (n,) float, optional
        A distance that is surely larger than this need not be exact [mm].

    Returns
    -------
    (n,) float
        [mm]; minus the radius grown by where the triangle meets the piece before it is grown.
    """
    lower, rows, grown = np.zeros(len(corner)), np.arange(len(corner)), swept.grown
    limit = np.full(len(corner), np.inf) if beyond is None else beyond + grown
    middle = swept.foot + 0.5 * (swept.height[:, None] * swept.axis + swept.move)
    point = _support(corner, swept, corner.mean(axis=1) - middle)
    simplex = np.repeat(point[:, None], 3, axis=1)
    for _ in range(_STEPS):
        new, size = _support(corner, swept, point), np.linalg.norm(point, axis=1)
        bound = np.einsum("ij,ij->i", new, point) / np.maximum(size, _TINY)
        lower[rows] = np.maximum(lower[rows], bound)
        going = np.flatnonzero((size - lower[rows] > within) & (lower[rows] <= limit[rows]))
        if not len(going):
            break
        faces = np.repeat(simplex[going, None], 3, axis=1)  # the new point in the place of each old one
        faces[:, [0, 1, 2], [0, 1, 2]] = new[going, None]
        near, squared = closest_on_triangle(faces)
        best = (np.arange(len(going)), squared.argmin(axis=1))
        # where the shapes meet the bound stays zero; where rounding stops the progress it stands as it is
        ahead = (squared[best] < size[going] ** 2) & ~_around_origin(simplex[going], new[going])
        simplex, point, going = faces[best][ahead], near[best][ahead], going[ahead]
        rows, corner, swept = rows[going], corner[going], swept.take(going)
    return lower - grown


def _support(corner: np.ndarray, swept: Swept, direction: np.ndarray) -> np.ndarray:
    """Point (n, 3) of the difference triangle - piece that lies least far along a direction."""
    nearest = np.einsum("ikj,ij->ik", corner, direction).argmin(axis=1)
    return corner[np.arange(len(corner)), nearest] - swept.furthest(direction)


def _around_origin(simplex: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Whether the tetrahedron of three points (n, 3, 3) and one more (n, 3) has the origin inside it."""
    a, b, c = (simplex[:, k] for k in range(3))
    whole = np.einsum("ij,ij->i", _cross(b - a, c - a), new - a)
    parts = np.stack(
        [
            np.einsum("ij,ij->i", _cross(b, c), new),
            np.einsum("ij,ij->i", _cross(c, a), new),
            np.einsum("ij,ij->i", _cross(a, b), new),
            -np.einsum("ij,ij->i", _cross(b - a, c - a), a),
        ],
        axis=1,
    )
    scale = np.linalg.norm(new, axis=1) ** 3
    return (np.abs(whole) > 1e-15 * scale) & ((parts * np.sign(whole)[:, None] >= 0).all(axis=1))
