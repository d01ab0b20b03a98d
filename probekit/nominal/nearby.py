"""Searches among many things at once: where in space only one face is near, and closest points of chosen groups."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np

__all__ = ["ApartTree", "FaceGrid", "by_group", "morton_order", "on_triangles"]

_CELLS = 96  # along the longest side of the model
_TOGETHER = 256  # points whose faces are looked for together
_WIDEST = 8  # cells that the look-up may reach; further than that the answer is always "maybe"


class FaceGrid:
    """Lowest and highest face index of the facets that touch each cell; conservative, never misses a face."""

    def __init__(self, vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray) -> None:
        corner = vertices[facets]
        low, high = corner.min(axis=1), corner.max(axis=1)
        self.origin = low.min(axis=0)
        extent = high.max(axis=0) - self.origin
        self.size = max(float(extent.max()), 1e-9) / _CELLS
        shape = tuple((np.floor(extent / self.size) + 1).astype(int))
        n_faces = int(facet_face.max(initial=0)) + 1
        self.face_bounds = np.full((n_faces, 2, 3), np.inf)
        self.face_bounds[:, 1] = -np.inf
        order, first = by_group(facet_face, n_faces)
        some = np.flatnonzero(np.diff(first))
        self.face_bounds[some, 0] = np.minimum.reduceat(low[order], first[some])
        self.face_bounds[some, 1] = np.maximum.reduceat(high[order], first[some])
        self._lowest = np.full(shape, n_faces, dtype=np.int32)
        self._highest = np.full(shape, -1, dtype=np.int32)
        self._mark(low, high, facet_face)
        self._mixed: dict[int, np.ndarray] = {}

    def _mark(self, low: np.ndarray, high: np.ndarray, facet_face: np.ndarray) -> None:
        """Enter each facet's bounding box into the cells it overlaps."""
        shape = np.array(self._lowest.shape)
        first = np.clip(((low - self.origin) / self.size).astype(int), 0, shape - 1)
        last = np.clip(((high - self.origin) / self.size).astype(int), 0, shape - 1)
        span = last - first + 1
        count = span.prod(axis=1)
        large = count > 64
        for facet in np.flatnonzero(large):  # few: whole slices at once
            box = tuple(slice(a, b + 1) for a, b in zip(first[facet], last[facet], strict=True))
            np.minimum(self._lowest[box], facet_face[facet], out=self._lowest[box])
            np.maximum(self._highest[box], facet_face[facet], out=self._highest[box])
        first, span, count, face = first[~large], span[~large], count[~large], facet_face[~large]
        owner = np.repeat(np.arange(len(count)), count)
        nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        span_y, span_z = span[owner, 1], span[owner, 2]
        cell = first[owner] + np.column_stack([nth // (span_y * span_z), nth // span_z % span_y, nth % span_z])
        flat = np.ravel_multi_index(cell.T, self._lowest.shape)
        np.minimum.at(self._lowest.ravel(), flat, face[owner])
        np.maximum.at(self._highest.ravel(), flat, face[owner])

    def may_have_two_faces(self, points: np.ndarray, reach: np.ndarray) -> np.ndarray:
        """Whether more than one face may lie within `reach` (n,) [mm] of each of `points` (n, 3): False is certain."""
        cells = int(np.ceil(min(np.quantile(reach, 0.99), _WIDEST * self.size) / self.size))
        mixed = self._mixed_within(max(cells, 1))
        at = ((points - self.origin) / self.size + (cells + 1)).astype(np.int64)
        outside = (at < 0) | (at >= mixed.shape)
        at[outside] = 0
        answer = mixed[at[:, 0], at[:, 1], at[:, 2]]
        return answer | (reach > cells * self.size) & ~outside.any(axis=1) | outside.any(axis=1)

    def faces_near(self, points: np.ndarray, face: np.ndarray, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rows of points (n, 3), and faces other than theirs (n,) whose boxes lie within reach (n,), by face."""
        nothing = np.zeros(0, dtype=np.int64)
        maybe = np.flatnonzero(self.may_have_two_faces(points, reach)) if len(points) else nothing
        if not len(maybe):
            return nothing, nothing
        low, high = self.face_bounds[:, 0], self.face_bounds[:, 1]
        maybe = maybe[
            morton_order(points[maybe], np.array([low.min(axis=0), high[np.isfinite(high[:, 0])].max(axis=0)]))
        ]
        rows, others = [], []
        for at in range(0, len(maybe), _TOGETHER):
            some = maybe[at : at + _TOGETHER]
            own, within = points[some], reach[some, None]
            least, most = own - within, own + within
            # these are neighbours, so most faces are far from all of them
            faces = np.flatnonzero(((low <= most.max(axis=0)) & (high >= least.min(axis=0))).all(axis=1))
            near = face[some, None] != faces
            for c in range(3):
                near &= (most[:, c, None] >= low[faces, c]) & (least[:, c, None] <= high[faces, c])
            row, other = np.nonzero(near)
            row, other = some[row], faces[other]
            gap = np.maximum(np.maximum(low[other] - points[row], points[row] - high[other]), 0.0)
            kept = np.flatnonzero(np.einsum("ij,ij->i", gap, gap) <= reach[row] ** 2)
            rows.append(row[kept])
            others.append(other[kept])
        row, other = np.concatenate(rows), np.concatenate(others)
        order = np.lexsort((row, other))
        return row[order], other[order]

    def _mixed_within(self, cells: int) -> np.ndarray:
        """Grid padded by `cells` + 1, true where facets of several faces lie within that many cells."""
        if cells not in self._mixed:
            nobody = int(self._highest.max()) + 1
            low = _widened(np.pad(self._lowest, cells + 1, constant_values=nobody), cells, np.minimum)
            high = _widened(np.pad(self._highest, cells + 1, constant_values=-1), cells, np.maximum)
            self._mixed[cells] = (high >= 0) & (low != high)
        return self._mixed[cells]


def _widened(grid: np.ndarray, cells: int, extreme: np.ufunc) -> np.ndarray:
    """The extreme of what lies within so many cells of each cell along all three axes."""
    for axis in range(3):
        lines = np.moveaxis(grid, axis, 0)
        grid = np.array(grid)
        out = np.moveaxis(grid, axis, 0)
        for k in range(1, cells + 1):
            extreme(out[k:], lines[:-k], out=out[k:])
            extreme(out[:-k], lines[k:], out=out[:-k])
    return grid


class ApartTree:
    """Closest points within chosen groups of segments or triangles: one libigl tree of all, for many queries at once.

    The groups are shifted apart, each to a place of its own, and a query to the place of the group that it asks for.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    simplices : (s, 2 or 3) int
    group : (s,) int
    """

    def __init__(self, vertices: np.ndarray, simplices: np.ndarray, group: np.ndarray) -> None:
        self._group = group
        n = int(group.max()) + 1
        # what members of a group share is shifted once
        shared, place = np.unique(simplices * np.int64(n) + group[:, None], return_inverse=True)
        corners, of = vertices[shared // n], shared % n
        low, high = corners.min(axis=0), corners.max(axis=0)
        side = int(np.ceil(np.cbrt(n)))
        places = np.stack(np.unravel_index(np.arange(n), (side, side, side)), axis=1)
        self._shift = 4.0 * float((high - low).max()) * places - 0.5 * (low + high)
        self._corners = corners + self._shift[of]
        self._simplices = place.reshape(simplices.shape)
        self._tree = _tree(self._corners, self._simplices)

    def _members(self, group: int) -> np.ndarray:
        """Simplices of a group, in order."""
        order, first = self._by_group
        return order[first[group] : first[group + 1]]

    @cached_property
    def _by_group(self) -> tuple[np.ndarray, np.ndarray]:
        return by_group(self._group, int(self._group.max()) + 1)

    def search(self, points: np.ndarray, group: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Closest points within groups.

        Parameters
        ----------
        points : (n, 3) float [mm]
        group : (n,) int
            Group to search, of those that have something in them.

        Returns
        -------
        squared distance (n,), simplex (n,), point (n, 3) on it
        """
        if not len(points):
            return np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros((0, 3))
        shift = self._shift.take(group, axis=0)
        squared, simplex, nearest = _search(self._tree, self._corners, self._simplices, points + shift)
        astray = np.flatnonzero(self._group[simplex] != group)  # so far off that another group was nearer
        of_asked, first = by_group(group[astray], int(self._group.max()) + 1)
        for asked in np.flatnonzero(np.diff(first)):
            rows, own = astray[of_asked[first[asked] : first[asked + 1]]], self._members(asked)
            alone = _tree(self._corners, self._simplices[own])
            query = points[rows] + shift[rows]
            squared[rows], place, nearest[rows] = _search(alone, self._corners, self._simplices[own], query)
            simplex[rows] = own[place]
        return squared, simplex, nearest - shift


def on_triangles(points: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Closest points of triangles, each row on its own; also of triangles without an area.

    Parameters
    ----------
    points : (n, 3) float [mm]
    corners : (n, 3, 3) float [mm]

    Returns
    -------
    (n, 3) float
        The foot of the perpendicular where it lies inside, else the closest point of the three sides.
    """
    out, least, inside = np.empty_like(points), np.full(len(points), np.inf), np.ones(len(points), dtype=bool)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.einsum("ij,ij->i", normal, normal)
    for k in range(3):
        start = corners[:, k]
        along, away = corners[:, (k + 1) % 3] - start, points - start
        square = np.einsum("ij,ij->i", along, along)
        part = np.clip(np.einsum("ij,ij->i", away, along) / np.where(square > 0, square, 1.0), 0.0, 1.0)
        foot = start + part[:, None] * along
        distance = np.linalg.norm(points - foot, axis=1)
        nearer = distance < least
        least[nearer], out[nearer] = distance[nearer], foot[nearer]
        inside &= np.einsum("ij,ij->i", np.cross(normal, along), away) > 0
    rows = np.flatnonzero(inside & (size > 0))
    height = np.einsum("ij,ij->i", points[rows] - corners[rows, 0], normal[rows]) / size[rows]
    out[rows] = points[rows] - height[:, None] * normal[rows]
    return out


def _tree(corners: np.ndarray, simplices: np.ndarray) -> Any:
    import igl

    tree = igl.AABB()
    tree.init(corners, simplices)
    return tree


def _search(
    tree: Any, corners: np.ndarray, simplices: np.ndarray, points: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    squared, simplex, nearest = tree.squared_distance(corners, simplices, points)
    return squared.reshape(-1), simplex.reshape(-1), nearest.reshape(-1, 3)


def by_group(group: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Members of groups.

    Parameters
    ----------
    group : (n,) int
    count : int
        Number of groups.

    Returns
    -------
    order : (n,) int
        Members, those of group 0 first, in their order.
    first : (count + 1,) int
        Where in it each group starts, and where the last one ends.
    """
    order = np.argsort(group, kind="stable")
    return order, np.searchsorted(group[order], np.arange(count + 1))


def morton_order(points: np.ndarray, box: np.ndarray) -> np.ndarray:
    """Order of points along a Morton (Z-order) curve through a box.

    Parameters
    ----------
    points : (n, 3) float
    box : (2, 3) float
        Lower and upper corner; points outside are taken to its skin.

    Returns
    -------
    (n,) int
        Indices that sort the points.
    """
    span = box[1] - box[0]
    span = np.maximum(span, 1e-6 * span.max() + 1e-12)
    cells = np.clip((points - box[0]) * (1023.0 / span), 0, 1023).astype(np.uint16)
    key = _SPREAD[cells[:, 0]] | (_SPREAD[cells[:, 1]] << 1) | (_SPREAD[cells[:, 2]] << 2)
    return np.argsort(key)


def _spread_bits() -> np.ndarray:
    """(1024,) each ten-bit number with two zero bits between its bits."""
    number = np.arange(1024, dtype=np.uint32)
    return sum(((number >> bit) & 1) << (3 * bit) for bit in range(10)).astype(np.uint32)


_SPREAD = _spread_bits()
