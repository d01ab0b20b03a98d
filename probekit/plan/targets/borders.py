"""The borders of a face: its loops in order, and the distance of points from them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...nominal import Nominal
from ...nominal.exact import ExactEngine
from ...nominal.exact.borders import Borders
from ...nominal.nearby import ApartTree
from ...nominal.topology import edge_pairs, edge_table, facet_normals
from .polylines import chain

__all__ = ["border_foot", "border_loops", "edge_distance"]

_CREASE = np.cos(np.radians(30.0))  # an edge inside a face that turns by more counts as its border


def border_loops(nominal: Nominal, face: int) -> list[tuple[np.ndarray, bool, np.ndarray]]:
    """The border of a face as chains of vertices, the face to the left seen from outside.

    Parameters
    ----------
    nominal : Nominal
    face : int

    Returns
    -------
    list of (vertices (n,), closed, neighbour)
        `neighbour` has the face beyond each segment, -1 where there is none; longest chain first.
    """
    facets = nominal.facets.astype(np.int64)
    count = len(nominal.vertices)
    start, end = facets[:, [0, 1, 2]].ravel(), facets[:, [1, 2, 0]].ravel()
    owner = np.repeat(nominal.facet_face, 3)
    forth, back = start * count + end, end * count + start
    own = owner == face
    single = np.flatnonzero(own & ~np.isin(forth, back[own]))
    order = np.argsort(back[~own])
    others, owners = back[~own][order], owner[~own][order]
    place = np.minimum(np.searchsorted(others, forth[single]), max(len(others) - 1, 0))
    beyond = np.full(len(single), -1)
    if len(others):
        beyond = np.where(others[place] == forth[single], owners[place], -1)
    loops = []
    for path, closed in chain(start[single], end[single]):
        inner = single[path]
        vertices = start[inner] if closed else np.append(start[inner], end[inner[-1]])
        loops.append((vertices, closed, beyond[path]))
    return sorted(loops, key=lambda loop: -len(loop[0]))


def border_foot(nominal: Nominal, face: int) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """A function that gives the nearest point (n, 3) of a face's border and the distance (n,) [mm] of points (n, 3).

    The border is every edge to another face or to nothing, and every crease inside the face that turns by more than 30
    degrees, hollow or not. On exact faces it is the exact edges; distances are infinite where there is none.
    """
    if nominal.brep is not None:
        edges = [(edge, 1.0) for edge in _exact_edges(nominal, face)]
        borders = Borders(nominal.brep.edges, [0] * len(nominal.brep.edges), [edges])

        def exact(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            found = borders.nearest(np.ascontiguousarray(points, dtype=np.float64), np.zeros(len(points), np.int64))
            return found.foot, found.distance

        return exact
    edges = _mesh_edges(nominal, face)
    if not len(edges):
        return lambda points: (points.copy(), np.full(len(points), np.inf))
    tree = ApartTree(nominal.vertices, edges, np.zeros(len(edges), dtype=np.int64))

    def on_mesh(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        squared, _, foot = tree.search(points, np.zeros(len(points), np.int64))
        return foot, np.sqrt(squared)

    return on_mesh


def edge_distance(nominal: Nominal, points: np.ndarray, face: np.ndarray) -> np.ndarray:
    """Distance of points from the borders of their faces.

    Parameters
    ----------
    nominal : Nominal
    points : (n, 3) float [mm]
    face : (n,) int
        Index of the face of each point.

    Returns
    -------
    (n,) float
        Straight distance to the nearest border edge or crease of the face [mm], which is never more than the way on
        the surface; infinite on a face without border.
    """
    out = np.full(len(points), np.inf)
    for number in np.unique(face):
        rows = np.flatnonzero(face == number)
        out[rows] = border_foot(nominal, int(number))(points[rows])[1]
    return out


def _mesh_edges(nominal: Nominal, face: int) -> np.ndarray:
    """(m, 2) vertices of the edges that bound or crease a face of facets."""
    chosen = np.flatnonzero(nominal.facet_face == face)
    facets = nominal.facets[chosen]
    edge, count = edge_table(facets, len(nominal.vertices))
    ends = np.zeros((len(count), 2), dtype=np.int64)
    ends[edge] = facets[:, [[1, 2], [2, 0], [0, 1]]]
    kept = count != 2
    normal, _ = facet_normals(nominal.vertices, facets)
    one, two = edge_pairs(edge, count)
    sound = normal[one // 3].any(axis=1) & normal[two // 3].any(axis=1)
    sharp = sound & (np.einsum("ij,ij->i", normal[one // 3], normal[two // 3]) < _CREASE)
    kept[edge.ravel()[one[sharp]]] = True
    return ends[kept]


def _exact_edges(nominal: Nominal, face: int) -> list[int]:
    """Exact edges that bound or crease one of the user's faces."""
    brep, group = nominal.brep, nominal.engine.group
    members = np.flatnonzero(group == face).tolist()
    sides: dict[int, list[int]] = {}
    for exact in members:
        for edge, _ in brep.faces[exact].borders:
            sides.setdefault(edge, []).append(exact)
    kept = [edge for edge, faces in sides.items() if len(faces) == 1]
    inner = [edge for edge, faces in sides.items() if len(faces) == 2 and faces[0] != faces[1]]
    if inner:
        engine = ExactEngine(brep)
        for edge in inner:
            low, high = brep.edges[edge].ends
            middle = brep.edges[edge].evaluate(np.linspace(low, high, 7)[1:-1])[0]
            one, two = (engine.of_face(k)[0].feet(middle).normal for k in sides[edge])
            if (np.einsum("ij,ij->i", one, two) < _CREASE).any():
                kept.append(edge)
    return sorted(kept)
