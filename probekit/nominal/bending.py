"""How strongly the facets of a mesh bend inwards: an estimate of the curvature of the hollows that they stand for."""

from __future__ import annotations

import numpy as np

from .topology import edge_pairs, edge_table

__all__ = ["hollow_curvatures"]

_TURN = np.radians(1.0)  # less than this between the ends of an edge may be rounding of the mesh


def hollow_curvatures(
    vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray, normal: np.ndarray, corner_normal: np.ndarray
) -> np.ndarray:
    """Curvature of the hollow that each facet is part of; 0 where the surface is flat or bulges.

    Two estimates, each the change of the normal by a length: between two facets of a face across their edge, by the
    mean of their heights, which is exact in a bore; and between the ends of an edge, by its length, which is exact in a
    ball. The larger counts. Slivers do not decide alone: a corner has the second largest of the facets of its face,
    and a facet the largest of its corners.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    facet_face : (f,) int
    normal : (f, 3) float
        Unit normals.
    corner_normal : (f, 3, 3) float
        Unit normal at each corner, of the facets of its face.

    Returns
    -------
    (f,) float [1/mm]
    """
    corner = vertices[facets]
    own = np.maximum(_between_ends(corner, corner_normal), _across_edges(vertices, facets, facet_face, corner, normal))
    key = facets.astype(np.int64) * (int(facet_face.max(initial=0)) + 1) + facet_face[:, None]
    _, place, count = np.unique(key.ravel(), return_inverse=True, return_counts=True)
    order = np.lexsort((np.repeat(own, 3), place.ravel()))
    last = np.cumsum(count) - 1
    second = np.repeat(own, 3)[order][np.where(count > 1, last - 1, last)]
    return second[place].reshape(-1, 3).max(axis=1)


def _between_ends(corner: np.ndarray, corner_normal: np.ndarray) -> np.ndarray:
    """(f,) the largest of the edges of a facet."""
    along = np.roll(corner, -1, axis=1) - corner
    turn = np.roll(corner_normal, -1, axis=1) - corner_normal
    squared = np.einsum("fkc,fkc->fk", along, along)
    bent = -np.einsum("fkc,fkc->fk", along, turn)
    real = (np.einsum("fkc,fkc->fk", turn, turn) > _TURN**2) & (squared > 0)
    return np.divide(bent, squared, out=np.zeros_like(bent), where=real).max(axis=1).clip(0.0)


def _across_edges(
    vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray, corner: np.ndarray, normal: np.ndarray
) -> np.ndarray:
    """(f,) the largest of the edges that a facet shares with another of its face."""
    one, two = edge_pairs(*edge_table(facets, len(vertices)))
    inside = facet_face[one // 3] == facet_face[two // 3]
    one, two = one[inside], two[inside]
    a, b = one // 3, two // 3
    turn = np.linalg.norm(normal[b] - normal[a], axis=1)
    rise = np.einsum("ec,ec->e", corner[b].mean(axis=1) - corner[a].mean(axis=1), normal[a])
    height = 0.5 * (_height(corner, one) + _height(corner, two))
    real = (turn > _TURN) & (rise > 0) & (height > 0)
    bent = np.divide(turn, height, out=np.zeros_like(turn), where=real)
    out = np.zeros(len(facets))
    np.maximum.at(out, a, bent)
    np.maximum.at(out, b, bent)
    return out


def _height(corner: np.ndarray, side: np.ndarray) -> np.ndarray:
    """Height of facets over their sides: side s is opposite corner s % 3 of facet s // 3."""
    facet, k = side // 3, side % 3
    tip, start, end = (corner[facet, (k + turn) % 3] for turn in range(3))
    base = np.linalg.norm(end - start, axis=1)
    area = np.linalg.norm(np.cross(end - start, tip - start), axis=1)
    return np.divide(area, base, out=np.zeros_like(area), where=base > 0)
