"""Facets drawn into a grid of pixels, the nearest in front, row by row between their sides."""

from __future__ import annotations

import numpy as np

__all__ = ["raster"]

_FRAGMENTS = 200_000  # pixels of facets handled at a time, to bound the memory
_EDGE = 1e-6  # a pixel whose middle is this near beside a facet is in it: no gap between two that share a side [px]


def raster(
    corner: np.ndarray, facets: np.ndarray, width: int, height: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Nearest facet of each pixel: depth (h, w), facet (h, w) or -1, barycentric coordinates (h, w, 3).

    Parameters
    ----------
    corner : (n, 3) float
        Picture coordinates: x right, y down [px], depth toward the viewer.
    facets : (f, 3) int
        Those that face the viewer are drawn.
    width, height : int
        [px]
    """
    x, y, z = corner[facets].transpose(2, 0, 1)
    area = (x[:, 1] - x[:, 0]) * (y[:, 2] - y[:, 0]) - (x[:, 2] - x[:, 0]) * (y[:, 1] - y[:, 0])
    facing = np.flatnonzero(area < 0)  # y runs down, so facets that face the viewer turn the other way
    x, y, z, area = x[facing], y[facing], z[facing], area[facing]
    # a weight is linear in the pixel: its change per column and per row, from the first corner, where it is 1, 0, 0
    ends, starts = [2, 0, 1], [1, 2, 0]
    per_column, per_row = -(y[:, ends] - y[:, starts]) / area[:, None], (x[:, ends] - x[:, starts]) / area[:, None]
    own, row = _runs(_first(y.min(axis=1)), _last(y.max(axis=1), height))
    first, last = _between_sides(x, y, own, row, width)
    z_column, z_row = (per_column * z).sum(axis=1), (per_row * z).sum(axis=1)
    start = z[own, 0] + z_row[own] * (row + 0.5 - y[own, 0])
    low, high = z.min(axis=1), z.max(axis=1)
    depth = np.full(width * height, -np.inf)
    owner = np.full(width * height, -1, dtype=np.int32)
    count = np.cumsum(np.maximum(last - first + 1, 0))
    cuts = np.searchsorted(count, np.arange(_FRAGMENTS, count[-1] if len(count) else 0, _FRAGMENTS))
    for spans in np.split(np.arange(len(own)), cuts):
        of, column = _runs(first[spans], last[spans])
        span = spans[of]
        facet, where = own[span], row[span] * width + column
        far = start[span] + z_column[facet] * (column + 0.5 - x[facet, 0])
        np.clip(far, low[facet], high[facet], out=far)
        np.maximum.at(depth, where, far)
        front = far >= depth[where]
        owner[where[front]] = facet[front]
    share, found = np.zeros((width * height, 3), dtype=np.float32), np.full(width * height, -1, dtype=np.int32)
    for block in range(0, width * height, _FRAGMENTS):
        seen = block + np.flatnonzero(owner[block : block + _FRAGMENTS] >= 0)
        facet = owner[seen]
        right, down = seen % width + 0.5 - x[facet, 0], seen // width + 0.5 - y[facet, 0]
        for k in (1, 2):
            share[seen, k] = np.clip(per_column[facet, k] * right + per_row[facet, k] * down, 0.0, 1.0)
        share[seen, 0] = np.maximum(1 - share[seen, 1] - share[seen, 2], 0)
        found[seen] = facing[facet]
    shape = (height, width)
    return depth.astype(np.float32).reshape(shape), found.reshape(shape), share.reshape(*shape, 3)


def _between_sides(
    x: np.ndarray, y: np.ndarray, own: np.ndarray, row: np.ndarray, width: int
) -> tuple[np.ndarray, np.ndarray]:
    """First and last column (m,) of facets `own` (m,) in rows (m,)."""
    middle = np.clip(row + 0.5, y.min(axis=1)[own], y.max(axis=1)[own])
    left, right = np.full(len(own), np.inf), np.full(len(own), -np.inf)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        ya, yb = y[own, a], y[own, b]
        crossed = np.flatnonzero((np.minimum(ya, yb) <= middle) & (middle <= np.maximum(ya, yb)) & (ya != yb))
        ya, yb, xa = ya[crossed], yb[crossed], x[own[crossed], a]
        at = xa + (middle[crossed] - ya) / (yb - ya) * (x[own[crossed], b] - xa)
        left[crossed], right[crossed] = np.minimum(left[crossed], at), np.maximum(right[crossed], at)
    return _first(left), _last(right, width)


def _first(at: np.ndarray) -> np.ndarray:
    """The first pixel whose middle is not before a place, from 0 on."""
    return np.clip(np.ceil(at - 0.5 - _EDGE), 0, 1 << 31).astype(np.int64)


def _last(at: np.ndarray, size: int) -> np.ndarray:
    """The last pixel whose middle is not behind a place, to the last one of so many."""
    return np.clip(np.floor(at - 0.5 + _EDGE), -1, size - 1).astype(np.int64)


def _runs(first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Numbers from `first` to `last` of each, both included, behind each other: whose they are, and the numbers."""
    count = np.maximum(last - first + 1, 0)
    own = np.repeat(np.arange(len(count)), count)
    return own, np.arange(len(own)) + np.repeat(first - np.cumsum(count) + count, count)
