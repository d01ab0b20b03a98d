"""Further bodies and lines of a scene: shading by facet, sharp edges, dashes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["dashed", "flat_shaded", "shade", "sharp_edges"]

_LIGHT = np.array([0.35, -0.45, 0.82])


def shade(colour: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Colours under a fixed soft light from above, so that a form can be read where nothing else is lit.

    Parameters
    ----------
    colour : (3,) or (n, 3)
        sRGB in 0..255.
    normal : (n, 3) float
        Outward unit normals.

    Returns
    -------
    (n, 3) uint8
    """
    facing = 0.5 + 0.5 * (normal @ _LIGHT) / np.linalg.norm(_LIGHT)
    return np.rint((0.72 + 0.28 * facing)[:, None] * np.asarray(colour, dtype=float)).astype(np.uint8)


def flat_shaded(vertices: np.ndarray, facets: np.ndarray, colour: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and colours with three vertices of its own per facet.

    Parameters
    ----------
    vertices : (v, 3) float
    facets : (f, 3) int
        Counter-clockwise seen from outside.
    colour : (3,) or (f, 3)
        sRGB in 0..255.

    Returns
    -------
    (3 f, 3) float32, (3 f, 3) uint8
    """
    corner = np.asarray(vertices, dtype=float)[facets]
    colours = shade(colour, _normals(corner))
    return corner.reshape(-1, 3).astype(np.float32), np.repeat(colours, 3, axis=0)


def _normals(corner: np.ndarray) -> np.ndarray:
    """(f, 3) unit normals of facets (f, 3, 3); zero for those without area."""
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    return normal / np.where(length > 0, length, 1.0)


def sharp_edges(vertices: np.ndarray, facets: np.ndarray, angle: float = 30.0) -> np.ndarray:
    """Edges where two facets meet at more than an angle, and open ones.

    Parameters
    ----------
    vertices : (v, 3) float
    facets : (f, 3) int
    angle : float
        [degree]

    Returns
    -------
    (2 e, 3) float32
        Ends in pairs.
    """
    vertices = np.asarray(vertices, dtype=float)
    normal = _normals(vertices[facets])
    pair = np.sort(np.stack([facets, np.roll(facets, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edge, number, count = np.unique(pair, axis=0, return_inverse=True, return_counts=True)
    total = np.stack(
        [np.bincount(number.ravel(), np.repeat(normal[:, k], 3), minlength=len(edge)) for k in range(3)], axis=1
    )
    # the sum of two unit vectors that enclose an angle has the length 2 cos(angle / 2)
    sharp = (count != 2) | (np.linalg.norm(total, axis=1) < 2 * np.cos(np.deg2rad(angle) / 2))
    return vertices[edge[sharp]].reshape(-1, 3).astype(np.float32)


def dashed(points: np.ndarray, rows: np.ndarray, dash: Sequence[float], period: float) -> tuple[np.ndarray, np.ndarray]:
    """Cut the pieces of a line into dashes that run on from piece to piece.

    Parameters
    ----------
    points : (2 s, 3) float
        Ends of the pieces in pairs [mm].
    rows : (s,) int
        What each piece belongs to.
    dash : sequence of float
        Dash and gap as parts of the period, in turn; empty: unbroken.
    period : float
        [mm]

    Returns
    -------
    (2 d, 3) float32, (d,) int32
        Ends of the dashes in pairs, and what each belongs to.
    """
    start, end = points[0::2].astype(float), points[1::2].astype(float)
    if dash and len(start):
        length = np.linalg.norm(end - start, axis=1)
        before = np.concatenate([[0.0], np.cumsum(length)[:-1]])
        first = np.floor(before / period).astype(int)
        count = np.floor((before + length) / period).astype(int) - first + 1
        piece = np.repeat(np.arange(len(start)), count)
        number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
        ends = np.concatenate([[0.0], np.cumsum(dash)])
        begin, stop, owner = [], [], []
        for low, high in zip(ends[0:-1:2], ends[1::2], strict=True):
            a = np.clip((number + low) * period - before[piece], 0, length[piece])
            b = np.clip((number + high) * period - before[piece], 0, length[piece])
            kept = b - a > 1e-6 * period
            along = ((end - start) / np.where(length > 0, length, 1.0)[:, None])[piece[kept]]
            begin.append(start[piece[kept]] + a[kept, None] * along)
            stop.append(start[piece[kept]] + b[kept, None] * along)
            owner.append(piece[kept])
        start, end, rows = np.concatenate(begin), np.concatenate(stop), rows[np.concatenate(owner)]
    pairs = np.stack([start, end], axis=1).reshape(-1, 3)
    return pairs.astype(np.float32), np.asarray(rows, dtype=np.int32)
