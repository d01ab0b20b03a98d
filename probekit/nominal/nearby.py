"""A coarse grid that tells at once where in space only one face is near, so that few points need a second search."""

from __future__ import annotations

import numpy as np

__all__ = ["FaceGrid"]

_CELLS = 96  # along the longest side of the model
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
        self.face_bounds = np.empty((n_faces, 2, 3))
        for face in range(n_faces):
            own = facet_face == face
            self.face_bounds[face] = (
                [low[own].min(axis=0), high[own].max(axis=0)] if own.any() else [[np.inf] * 3, [-np.inf] * 3]
            )
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

    def _mixed_within(self, cells: int) -> np.ndarray:
        """Grid padded by `cells` + 1, true where facets of several faces lie within that many cells."""
        if cells not in self._mixed:
            from scipy.ndimage import maximum_filter, minimum_filter

            nobody = int(self._highest.max()) + 1
            low = np.pad(self._lowest, cells + 1, constant_values=nobody)
            high = np.pad(self._highest, cells + 1, constant_values=-1)
            width = 2 * cells + 1
            low = minimum_filter(low, size=width, mode="constant", cval=nobody)
            high = maximum_filter(high, size=width, mode="constant", cval=-1)
            self._mixed[cells] = (high >= 0) & (low != high)
        return self._mixed[cells]
