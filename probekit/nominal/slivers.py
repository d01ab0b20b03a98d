"""Facets without area, taken out of a mesh so that it stays closed.

Such facets come from exporters that put a vertex on a neighbour's edge and close the gap with a facet of three corners
in a line. They have no normal, so they spoil signs, faces and shading.
"""

from __future__ import annotations

import numpy as np

from .topology import edge_table, heights, rounding

__all__ = ["without_slivers", "without_voids"]

#: A facet lower than this part of the model's diagonal is taken out: what single precision, in which most mesh files
#: are written, cannot tell from a straight line (24-bit significand, IEEE 754). It is 10 nm on a part of 100 mm.
_RESOLUTION = 1e-7


def without_voids(vertices: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, int]:
    """Join vertices that only rounding separates, and drop facets that have the same corner twice.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int

    Returns
    -------
    facets : (f', 3) int
    dropped : int
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    start, end = facets.ravel(), np.roll(facets, -1, axis=1).ravel()
    close = np.linalg.norm(vertices[end] - vertices[start], axis=1) <= rounding(np.ptp(vertices, axis=0))
    close &= start != end
    if close.any():
        links = coo_matrix((np.ones(close.sum(), dtype=bool), (start[close], end[close])), shape=(len(vertices),) * 2)
        _, group = connected_components(links, directed=False)
        _, first, index = np.unique(group, return_index=True, return_inverse=True)
        facets = first[index][facets]
    void = (facets == np.roll(facets, 1, axis=1)).any(axis=1)
    return facets[~void], int(void.sum())


def without_slivers(vertices: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, int, int]:
    """Take out facets whose corners lie in a line.

    The neighbour over the longest side is cut in two at the middle corner, which leaves the surface where it was and
    as closed as it was. Where there is no such neighbour (a border, an edge shared by more than two) the facet goes.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int

    Returns
    -------
    facets : (f', 3) int
        Order kept where nothing was done.
    recut, dropped : int
        How many facets were taken out in the one way and the other.
    """
    facets, recut = facets.copy(), 0
    lowest = _RESOLUTION * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    while True:
        height, middle = heights(vertices, facets)
        thin = height <= lowest
        if not thin.any():
            return facets, recut, 0
        edge, count = edge_table(facets, len(vertices))
        owners = np.argsort(edge.ravel(), kind="stable")
        first = np.concatenate([[0], np.cumsum(count)])
        taken = np.zeros(len(facets), dtype=bool)
        done = 0
        for facet in np.flatnonzero(thin):
            over = edge[facet, middle[facet]]
            pair = owners[first[over] : first[over + 1]]
            if len(pair) != 2:
                continue
            beyond = pair[0] if pair[1] // 3 == facet else pair[1]
            other, apex = divmod(int(beyond), 3)
            if thin[other] or taken[other] or facets[other, apex] == facets[facet, middle[facet]]:
                continue
            a, b = facets[other, (apex + 1) % 3], facets[other, (apex + 2) % 3]
            tip, between = facets[other, apex], facets[facet, middle[facet]]
            facets[other], facets[facet] = (tip, a, between), (tip, between, b)
            taken[[other, facet]] = True
            done += 1
        recut += done
        if not done:
            return facets[~thin], recut, int(thin.sum())
