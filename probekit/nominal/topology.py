"""Edges, borders and normals of a facet mesh, worked out once.

Pseudo-normals at edges and vertices are the angle-weighted sums of [1]_, which give the right sign of the distance
also where the closest point lies on an edge or a vertex.

References
----------
.. [1] J. A. Baerentzen, H. Aanaes, "Signed distance computation using the angle weighted pseudonormal",
   IEEE Trans. Visualization and Computer Graphics 11(3), 2005, 243-253.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..show import shown

__all__ = [
    *("BOUNDARY", "FACE_EDGE", "INSIDE", "Shared", "Topology"),
    *("edge_pairs", "edge_table", "facet_normals", "heights", "open_edges", "open_note", "rounding", "topology"),
]

#: Kinds of edge: inside a face, between faces, border of an open mesh.
INSIDE, FACE_EDGE, BOUNDARY = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Shared:
    """An array (f, 3, ...) of which many entries are one and the same: it is held once, and read by index.

    Attributes
    ----------
    values : (m, ...)
    place : (f, 3) int32
        Row of `values` for each entry.
    """

    values: np.ndarray
    place: np.ndarray

    def __getitem__(self, index: Any) -> np.ndarray:
        return self.values[self.place[index]]


@shown
@dataclass(frozen=True, eq=False)
class Topology:
    """Per-facet tables; edge `k` of a facet is the one opposite its corner `k`.

    Attributes
    ----------
    normal : (f, 3) float
        Outward unit normal; zero for a facet without area.
    edge_normal, vertex_normal : (f, 3, 3) float, shared
        Unit pseudo-normal of each edge, and of the vertex at each corner.
    corner_normal : (f, 3, 3) float, shared
        Unit normal at each corner averaged over the facets of the same face only (smooth shading).
    edge_kind, vertex_kind : (f, 3) uint8
        `INSIDE`, `FACE_EDGE` or `BOUNDARY`; a vertex takes the largest kind of the edges that meet there.
    """

    normal: np.ndarray
    edge_normal: np.ndarray | Shared
    vertex_normal: np.ndarray | Shared
    corner_normal: np.ndarray | Shared
    edge_kind: np.ndarray
    vertex_kind: np.ndarray


def rounding(extent: np.ndarray) -> float:
    """Length that means nothing on a model of this extent (3,): 1e-10 of its diagonal [mm]."""
    return 1e-10 * float(np.linalg.norm(extent)) + 1e-12


def facet_normals(vertices: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Unit normals (f, 3) and twice the areas (f,) [mm2]; both zero where a facet's height is mere rounding."""
    corner = vertices[facets]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    cross[heights(vertices, facets)[0] <= rounding(np.ptp(vertices, axis=0))] = 0.0
    return _unit(cross), np.linalg.norm(cross, axis=1)


def heights(vertices: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least height of each facet (f,) [mm], and the corner from which it falls, opposite the longest side (f,)."""
    corner = vertices[facets]
    opposite = np.roll(corner, -2, axis=1) - np.roll(corner, -1, axis=1)
    length = np.sqrt(np.einsum("fkc,fkc->fk", opposite, opposite))
    double_area = np.linalg.norm(np.cross(opposite[:, 0], opposite[:, 1]), axis=1)
    longest = length.max(axis=1, initial=0.0)
    return np.divide(double_area, longest, out=np.zeros_like(longest), where=longest > 0), length.argmax(axis=1)


def edge_table(facets: np.ndarray, n_vertices: int) -> tuple[np.ndarray, np.ndarray]:
    """Index of the undirected edge opposite each corner.

    Returns
    -------
    edge : (f, 3) int
        Edge index of each facet's edge.
    count : (e,) int
        How many facets share each edge.
    """
    start = facets[:, [1, 2, 0]].astype(np.int64)
    end = facets[:, [2, 0, 1]].astype(np.int64)
    key = np.minimum(start, end) * n_vertices + np.maximum(start, end)
    _, inverse, count = np.unique(key.ravel(), return_inverse=True, return_counts=True)
    return inverse.reshape(-1, 3), count


def edge_pairs(edge: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The two sides of each edge that exactly two facets share.

    Parameters
    ----------
    edge : (f, 3) int
    count : (e,) int
        As `edge_table` gives them.

    Returns
    -------
    one, two : (m,) int
        Sides, in the order of their edges; side s is opposite corner s % 3 of facet s // 3.
    """
    flat = edge.ravel()
    order = np.argsort(flat, kind="stable")
    paired = order[(count == 2)[flat[order]]]
    return paired[::2], paired[1::2]


def open_edges(facets: np.ndarray, n_vertices: int) -> int:
    """How many edges only one facet has: none on a closed surface."""
    return int((edge_table(facets, n_vertices)[1] == 1).sum())


def open_note(edges: int) -> list[str]:
    """What to say about a mesh with this many border edges: nothing if it is closed."""
    if not edges:
        return []
    side = "the winding order of the facets decides which side is material"
    return [f"the surface is open ({edges} border edges): {side}"]


def topology(vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray) -> Topology:
    """Work out the tables of a mesh.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    facet_face : (f,) int
        Face of each facet; borders between different faces become `FACE_EDGE`.
    """
    n_vertices, n_faces = len(vertices), int(facet_face.max(initial=0)) + 1
    normal, _ = facet_normals(vertices, facets)
    edge, count = edge_table(facets, n_vertices)

    low = np.full(len(count), n_faces)
    high = np.full(len(count), -1)
    faces = np.repeat(facet_face, 3)
    np.minimum.at(low, edge.ravel(), faces)
    np.maximum.at(high, edge.ravel(), faces)
    kind = np.full(len(count), INSIDE, dtype=np.uint8)
    kind[(low != high) | (count > 2)] = FACE_EDGE
    kind[count == 1] = BOUNDARY
    edge_kind = kind[edge]

    vertex_of_edge_ends = facets[:, [[1, 2], [2, 0], [0, 1]]]  # (f, 3, 2)
    vertex_worst = np.zeros(n_vertices, dtype=np.uint8)
    np.maximum.at(vertex_worst, vertex_of_edge_ends.ravel(), np.repeat(edge_kind.ravel(), 2))

    weighted = corner_angles(vertices, facets)[:, :, None] * normal[:, None, :]
    vertex_sum = _group_sum(facets.ravel(), weighted.reshape(-1, 3), n_vertices)
    corner_key = facets.astype(np.int64) * n_faces + facet_face[:, None]
    _, corner = np.unique(corner_key.ravel(), return_inverse=True)
    corner_sum = _group_sum(corner, weighted.reshape(-1, 3), int(corner.max(initial=0)) + 1)
    edge_sum = _group_sum(edge.ravel(), np.repeat(normal, 3, axis=0), len(count))
    return Topology(
        normal=normal,
        edge_normal=Shared(_unit(edge_sum), edge.astype(np.int32)),
        vertex_normal=Shared(_unit(vertex_sum), facets.astype(np.int32)),
        corner_normal=Shared(_unit(corner_sum), corner.reshape(-1, 3).astype(np.int32)),
        edge_kind=edge_kind,
        vertex_kind=vertex_worst[facets],
    )


def corner_angles(vertices: np.ndarray, facets: np.ndarray) -> np.ndarray:
    """(f, 3) inner angle at each corner [rad]; zero for a facet without area."""
    corner = vertices[facets]
    ahead = np.roll(corner, -1, axis=1) - corner
    behind = np.roll(corner, 1, axis=1) - corner
    sine = np.linalg.norm(np.cross(ahead, behind), axis=2)
    return np.arctan2(sine, np.einsum("fkc,fkc->fk", ahead, behind)) * (sine > 0)


def _group_sum(group: np.ndarray, values: np.ndarray, n_groups: int) -> np.ndarray:
    return np.column_stack([np.bincount(group, weights=values[:, c], minlength=n_groups) for c in range(3)])


def _unit(vectors: np.ndarray) -> np.ndarray:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)
