"""Closest point of a triangle in extended precision, by brute force: the reference that the engine is tested against.

By the Voronoi regions of the triangle (three vertices, three edges, the inside), after C. Ericson, Real-Time Collision
Detection (2005), section 5.1.5, from memory; written anew for arrays. All arithmetic is in numpy's long double (64-bit
significand on x86; elsewhere it may be no better than double, and `EXTENDED` is false).
"""

from __future__ import annotations

import numpy as np

__all__ = ["EXTENDED", "brute_force", "closest_on_segment", "closest_on_triangle", "signs_by_solid_angle"]

Real = np.longdouble
EXTENDED = np.finfo(Real).eps < 1e-18


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return (a * b).sum(axis=-1)


def closest_on_segment(p: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Closest point to p on the segment ab, which may be a single point."""
    along = b - a
    length2 = _dot(along, along)
    t = np.where(length2 > 0, _dot(p - a, along) / np.where(length2 > 0, length2, 1), 0)
    return a + np.clip(t, 0, 1)[..., None] * along


def closest_on_triangle(p: np.ndarray, a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Closest point to p on the triangle abc, (..., 3) each; a triangle without area is three segments."""
    p, a, b, c = (np.asarray(x, dtype=Real) for x in (p, a, b, c))
    ab, ac = b - a, c - a
    d1, d2 = _dot(ab, p - a), _dot(ac, p - a)
    d3, d4 = _dot(ab, p - b), _dot(ac, p - b)
    d5, d6 = _dot(ab, p - c), _dot(ac, p - c)
    va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
    area = va + vb + vc
    flat = area <= 0
    inside = a + (vb / np.where(flat, 1, area))[..., None] * ab + (vc / np.where(flat, 1, area))[..., None] * ac
    regions = [
        ((d1 <= 0) & (d2 <= 0), np.broadcast_to(a, inside.shape)),
        ((d3 >= 0) & (d4 <= d3), np.broadcast_to(b, inside.shape)),
        ((d6 >= 0) & (d5 <= d6), np.broadcast_to(c, inside.shape)),
        ((vc <= 0) & (d1 >= 0) & (d3 <= 0), closest_on_segment(p, a, b)),
        ((vb <= 0) & (d2 >= 0) & (d6 <= 0), closest_on_segment(p, a, c)),
        ((va <= 0) & (d4 >= d3) & (d5 >= d6), closest_on_segment(p, b, c)),
    ]
    out = np.select([r[..., None] for r, _ in regions], [x for _, x in regions], default=inside)
    if flat.any():  # the regions of a triangle without area overlap: take the best of its sides
        sides = np.stack([closest_on_segment(p, *ends) for ends in ((a, b), (a, c), (b, c))])
        best = _dot(sides - p, sides - p).argmin(axis=0)
        out = np.where(flat[..., None], np.take_along_axis(sides, best[None, ..., None], axis=0)[0], out)
    return out


def brute_force(points: np.ndarray, vertices: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance of every point to every facet (n, f), and the closest points (n, f, 3), in extended precision."""
    corner = np.asarray(vertices, dtype=Real)[np.asarray(facets)]
    p = np.asarray(points, dtype=Real)[:, None, :]
    foot = closest_on_triangle(p, *(corner[None, :, k] for k in range(3)))
    return np.sqrt(_dot(foot - p, foot - p)), foot


def signs_by_solid_angle(points: np.ndarray, vertices: np.ndarray, facets: np.ndarray) -> np.ndarray:
    """+1 outside and -1 inside a closed mesh with outward normals, without looking at any normal.

    Sum of the signed solid angles of the facets: 4 pi inside, 0 outside; each by A. Van Oosterom and J. Strackee, "The
    solid angle of a plane triangle", IEEE Trans. Biomedical Engineering 30 (1983) 125-126, from memory.
    """
    corner = np.asarray(vertices, dtype=Real)[np.asarray(facets)][None] - np.asarray(points, dtype=Real)[:, None, None]
    length = np.sqrt(_dot(corner, corner))
    a, b, c = (corner[:, :, k] for k in range(3))
    la, lb, lc = (length[:, :, k] for k in range(3))
    top = _dot(a, np.cross(b, c))
    bottom = la * lb * lc + _dot(a, b) * lc + _dot(b, c) * la + _dot(c, a) * lb
    turns = 2 * np.arctan2(top, bottom).sum(axis=1) / (4 * np.pi)
    return np.where(turns > 0.5, -1, 1)
