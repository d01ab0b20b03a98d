"""The display mesh: faces split, long edges cut, and the touches' deviations spread over the vertices."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

__all__ = [
    *("borders", "cut_long_edges", "edge_codes", "reach_of_face", "smooth_normals", "split_faces", "spread"),
    "with_normals",
]


def reach_of_face(feet: np.ndarray, area: float, diagonal: float) -> float:
    """How far the colour of a touch reaches on its face [mm].

    Parameters
    ----------
    feet : (n, 3) float
        Feet of the touches of one face [mm].
    area : float
        Area of the face [mm2].
    diagonal : float
        Diagonal of the part [mm].

    Returns
    -------
    float
        1.75 spacings of an even grid over the face, but at most three times the usual distance to the next touch, so
        that a few touches in a corner do not paint the whole face. A rule of our own; it decides looks only.
    """
    if len(feet) > 1:
        near = float(np.median(cKDTree(feet).query(feet, k=2)[0][:, 1]))
    else:
        near = 0.03 * diagonal
    return max(min(1.75 * float(np.sqrt(area / len(feet))), 3.0 * near), 0.01 * diagonal)


def cut_long_edges(
    vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray, longest: np.ndarray, limit: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Halve edges until none is longer than its faces allow; neighbours stay joined.

    Parameters
    ----------
    vertices : (v, 3) float
        Positions [mm].
    facets : (f, 3) int
        Vertex indices.
    facet_face : (f,) int
        Face of each facet.
    longest : (faces,) float
        Longest edge allowed on each face [mm]; inf leaves a face alone.
    limit : int
        Stop before there would be more facets than this.

    Returns
    -------
    vertices, facets, facet_face
        The finer mesh; shape and faces are unchanged.
    """
    while True:
        pair = np.sort(np.stack([facets, np.roll(facets, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
        code = pair[:, 0] * np.int64(len(vertices)) + pair[:, 1]
        edge, first, of = np.unique(code, return_index=True, return_inverse=True)
        allowed = np.full(len(edge), np.inf)
        np.minimum.at(allowed, of, np.repeat(longest[facet_face], 3))
        ends = pair[first]
        cut = np.linalg.norm(vertices[ends[:, 0]] - vertices[ends[:, 1]], axis=1) > allowed
        marks = cut[of].reshape(-1, 3)
        if not cut.any() or len(facets) + marks.sum() > limit:
            return vertices, facets, facet_face
        middle = np.full(len(edge), -1, dtype=np.int64)
        middle[cut] = len(vertices) + np.arange(cut.sum())
        vertices = np.vstack([vertices, vertices[ends[cut]].mean(axis=1)])
        facets, facet_face = _pieces(facets, facet_face, marks, middle[of].reshape(-1, 3))


def _pieces(
    facets: np.ndarray, facet_face: np.ndarray, marks: np.ndarray, middle: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Replace each facet by one to four, according to which of its edges (k to k + 1) have a middle vertex."""
    count = marks.sum(axis=1)
    # turn each facet so that a single cut edge comes first, and of two cut edges the uncut one comes last
    turn = np.where(count == 1, np.argmax(marks, axis=1), np.where(count == 2, np.argmin(marks, axis=1) + 1, 0))
    order = (turn[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(facets, order, axis=1).T
    p, q, r = np.take_along_axis(middle, order, axis=1).T
    pieces = {
        0: [(a, b, c)],
        1: [(a, p, c), (p, b, c)],
        2: [(p, b, q), (a, p, q), (a, q, c)],
        3: [(a, p, r), (p, b, q), (r, q, c), (p, q, r)],
    }
    out, face = [], []
    for n, triples in pieces.items():
        which = count == n
        for triple in triples:
            out.append(np.column_stack([corner[which] for corner in triple]))
            face.append(facet_face[which])
    return np.vstack(out), np.concatenate(face)


def split_faces(facets: np.ndarray, facet_face: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give each face vertices of its own.

    Parameters
    ----------
    facets : (f, 3) int
        Vertex indices.
    facet_face : (f,) int
        Face of each facet.

    Returns
    -------
    facets : (f, 3) int32
        Indices of the new vertices.
    origin : (v,) int
        Old vertex of each new vertex.
    vertex_face : (v,) int32
        Face of each new vertex.
    """
    step = int(facets.max()) + 1
    code, inverse = np.unique(facet_face.astype(np.int64)[:, None] * step + facets, return_inverse=True)
    return inverse.reshape(-1, 3).astype(np.int32), code % step, (code // step).astype(np.int32)


def borders(facets: np.ndarray, origin: np.ndarray) -> np.ndarray:
    """(e, 2) int32 vertex pairs along borders between faces and along open edges.

    Parameters
    ----------
    facets : (f, 3) int
        Facets of the split mesh: an edge used by one facet only is a border of its face.
    origin : (v,) int
        Old vertex of each vertex: a border that two faces share is returned once.
    """
    pair = np.stack([facets, np.roll(facets, -1, axis=1)], axis=2).reshape(-1, 2)
    _, first, count = np.unique(edge_codes(pair), return_index=True, return_counts=True)
    single = pair[first[count == 1]]
    _, first = np.unique(edge_codes(origin[single]), return_index=True)
    return single[np.sort(first)].astype(np.int32)


def edge_codes(pairs: np.ndarray) -> np.ndarray:
    """(n,) one number for each pair (n, 2) of indices, whichever way round, in the order of (smaller, larger)."""
    low, high = pairs.min(axis=1).astype(np.int64), pairs.max(axis=1).astype(np.int64)
    return low * (int(high.max(initial=0)) + 1) + high


def smooth_normals(vertices: np.ndarray, facets: np.ndarray) -> np.ndarray:
    """(v, 3) unit normals, the area-weighted mean of the facets at each vertex; (0, 0, 1) where that vanishes."""
    import igl

    normals = igl.per_vertex_normals(
        np.ascontiguousarray(vertices, dtype=float), np.ascontiguousarray(facets, np.int64)
    )
    return np.where(np.isfinite(normals).all(axis=1, keepdims=True), normals, [0.0, 0.0, 1.0])


def with_normals(positions: np.ndarray, normals: np.ndarray, reach: float) -> np.ndarray:
    """(n, 6) places whose distance grows with the angle between normals, for `spread`.

    Two places on the opposite sides of a thin wall are near in space, but what was measured on one side says nothing
    about the other: with the normals times `reach` as further coordinates, places whose normals differ by 60 degrees
    or more are out of reach of each other.
    """
    return np.hstack([positions, reach * normals])


def spread(
    positions: np.ndarray, feet: np.ndarray, values: np.ndarray, reach: float, neighbours: int = 12
) -> np.ndarray:
    """Interpolate scattered values, within reach only.

    Parameters
    ----------
    positions : (v, d) float
        Where to interpolate [mm]; d is usually 3, see `with_normals` for 6.
    feet : (n, d) float
        Where the values are known [mm].
    values : (n,) float
        The values.
    reach : float
        Radius of influence [mm].
    neighbours : int
        At most about so many of the nearest values count.

    Returns
    -------
    (v,) float
        Weighted mean with weights phi(d / reach) / d^2, where phi(t) = (1 - t)^4 (4 t + 1) is Wendland's C2 function
        [1]_ and 1 / d^2 makes it pass through the values [2]_. It never leaves the range of the
        values. NaN beyond reach.

    References
    ----------
    .. [1] H. Wendland, Adv. Comput. Math. 4 (1995) 389-396.
    .. [2] D. Shepard, Proc. 23rd ACM National Conference (1968) 517-524.
    """
    k = min(neighbours + 1, len(feet))
    distance, index = cKDTree(feet).query(positions, k=k, distance_upper_bound=reach)
    distance, index = distance.reshape(len(positions), k), index.reshape(len(positions), k)
    found = np.isfinite(distance)
    # where more values than wanted are in reach, the first one left out sets the radius: the mean stays continuous
    radius = distance[:, -1:] if k > neighbours else np.full((len(positions), 1), reach)
    radius = np.where(np.isfinite(radius), radius, reach)
    t = np.where(found, distance / np.maximum(radius, 1e-12), 1.0)
    weight = np.where(found, (1 - t) ** 4 * (4 * t + 1) / np.maximum(t, 1e-6) ** 2, 0.0)
    value = np.where(found, values[np.minimum(index, len(feet) - 1)], 0.0)
    total = weight.sum(axis=1)
    with np.errstate(invalid="ignore"):
        return (weight * value).sum(axis=1) / np.where(total > 0, total, np.nan)
