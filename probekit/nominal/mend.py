"""Facets as files bring them, mended where that is safe, with a note for each thing done."""

from __future__ import annotations

import numpy as np

from ..errors import InputError
from .slivers import without_slivers, without_voids
from .topology import edge_pairs, edge_table, open_note

__all__ = ["mend", "orient"]

_ASKED = 32  # facets of a shell asked whether it lies inside another


def mend(
    vertices: np.ndarray, facets: np.ndarray, *, file: str | None = None
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Weld, drop what is void or double, and turn facets so that normals point out of the material.

    Parameters
    ----------
    vertices : (v, 3) float
    facets : (f, 3) int
    file : str, optional
        For messages.

    Returns
    -------
    vertices : (v', 3) float
    facets : (f', 3) int
    notes : list of str
        What was done, and what was noticed and left.

    Raises
    ------
    InputError
        No facets, an index out of range, a facet with NaN or infinite corners, or a surface that has no two sides.
    """
    notes: list[str] = []
    vertices = np.asarray(vertices, dtype=np.float64).reshape(-1, 3)
    facets = np.asarray(facets, dtype=np.int64).reshape(-1, 3)
    if not len(facets):
        raise InputError("the model has no facets", file=file, expected="a mesh with at least one triangle")
    if facets.min() < 0 or facets.max() >= len(vertices):
        raise InputError(
            "a facet refers to a vertex that does not exist",
            file=file,
            found=f"index {int(facets.max() if facets.max() >= len(vertices) else facets.min())}",
            expected=f"0 to {len(vertices) - 1}",
        )
    bad = ~np.isfinite(vertices).all(axis=1)
    if bad[facets].any():
        raise InputError(
            "the model has facets whose corners are not finite numbers",
            file=file,
            found=f"{int(bad[facets].any(axis=1).sum())} of {len(facets)} facets, the first is number "
            f"{int(np.flatnonzero(bad[facets].any(axis=1))[0]) + 1}",
            todo="Export the model again.",
        )
    vertices, facets = _weld(vertices, facets)

    facets, void = without_voids(vertices, facets)
    if void:
        notes.append(f"{void} facets with coinciding corners dropped")
    facets, doubled = _without_doubles(facets)
    if doubled:
        notes.append(f"{doubled} duplicate facets dropped")
    facets, recut, dropped = without_slivers(vertices, facets)
    if recut:
        notes.append(f"{recut} facets without area merged into their neighbours, which were recut")
    if dropped:
        notes.append(f"{dropped} facets without area dropped")
    if not len(facets):
        raise InputError("no facet of the model has an area", file=file)
    facets, turned = orient(vertices, facets, file=file)
    return *_weld(vertices, facets), notes + turned


def orient(vertices: np.ndarray, facets: np.ndarray, *, file: str | None = None) -> tuple[np.ndarray, list[str]]:
    """Turn facets so that neighbours agree, and closed shells so that their normals point out of the material.

    A shell inside another one is a cavity and keeps its normals pointing into it.

    Raises
    ------
    InputError
        If no choice makes neighbours agree (a one-sided surface).
    """
    from scipy.sparse.csgraph import connected_components

    notes: list[str] = []
    facets = facets.copy()
    edge, count = edge_table(facets, len(vertices))
    one, two, opposed = _neighbours(facets, edge, count)
    links = _links(one, two, len(facets))
    n_shells, shell = connected_components(links, directed=False)
    if not opposed.all():
        flip = _agreeing_flips(links, one, two, opposed, shell)
        if ((flip[one] ^ flip[two]) == opposed).any():
            raise InputError(
                "the surface has only one side: neighbouring facets cannot be made to agree",
                file=file,
                todo="Export the solid body again.",
            )
        facets[flip] = facets[flip][:, ::-1]
        notes.append(f"{int(flip.sum())} facets reversed to agree with their neighbours")

    crowded = int((count > 2).sum())
    if crowded:
        notes.append(f"{crowded} edges are shared by more than two facets")
    closed = np.ones(n_shells, dtype=bool)
    closed[shell[(count == 1)[edge].any(axis=1)]] = False
    inside_out = _inside_out(vertices, facets, shell, closed)
    if inside_out.any():
        wrong = inside_out[shell]
        facets[wrong] = facets[wrong][:, ::-1]
        notes.append(f"{int(inside_out.sum())} closed shell(s) were inside out: normals reversed")
    return facets, notes + open_note(int((count == 1).sum()))


def _weld(vertices: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Join vertices at exactly the same position and drop those that no facet uses."""
    used = np.zeros(len(vertices), dtype=bool)
    used[facets] = True
    kept = vertices[used] + 0.0  # -0.0 becomes 0.0
    order = np.lexsort(kept.T[::-1])
    ranked = kept[order]
    new = np.ones(len(ranked), dtype=bool)
    new[1:] = (ranked[1:] != ranked[:-1]).any(axis=1)
    first = order[new]
    first_of = np.empty(len(kept), dtype=np.int64)
    first_of[order] = np.minimum.reduceat(order, np.flatnonzero(new))[np.cumsum(new) - 1] if len(first) else 0
    survivors, index = np.unique(first_of, return_inverse=True)
    renumber = np.full(len(vertices), -1, dtype=np.int64)
    renumber[used] = index
    return kept[survivors], renumber[facets]


def _without_doubles(facets: np.ndarray) -> tuple[np.ndarray, int]:
    ordered = np.sort(facets, axis=1)
    _, first = np.unique(ordered, axis=0, return_index=True)
    return facets[np.sort(first)], len(facets) - len(first)


def _neighbours(facets: np.ndarray, edge: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of facets over each manifold edge, and whether they run along it in opposite directions (right)."""
    one, two = edge_pairs(edge, count)
    start = facets[:, [1, 2, 0]].ravel()
    return one // 3, two // 3, start[one] != start[two]


def _links(one: np.ndarray, two: np.ndarray, n: int) -> object:
    from scipy.sparse import coo_matrix

    return coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(n, n)).tocsr()


def _agreeing_flips(
    links: object, one: np.ndarray, two: np.ndarray, opposed: np.ndarray, shell: np.ndarray
) -> np.ndarray:
    """Which facets to turn, walking each shell from its first facet; the smaller part of a shell is turned."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order

    n = len(shell)
    clash = coo_matrix((~opposed, (one, two)), shape=(n, n)).tocsr()
    clash = (clash + clash.T).tocsr()
    flip = np.zeros(n, dtype=bool)
    shells, firsts = np.unique(shell, return_index=True)
    for first in firsts[np.isin(shells, shell[one[~opposed]])]:
        walk, before = breadth_first_order(links, first, directed=False)
        step = np.asarray(clash[before[walk[1:]], walk[1:]]).ravel()
        for facet, parent, turned in zip(walk[1:], before[walk[1:]], step, strict=True):
            flip[facet] = flip[parent] ^ turned
        if flip[walk].mean() > 0.5:
            flip[walk] = ~flip[walk]
    return flip


def _inside_out(vertices: np.ndarray, facets: np.ndarray, shell: np.ndarray, closed: np.ndarray) -> np.ndarray:
    """Closed shells whose volume has the wrong sign: negative outside any other shell, positive inside one."""
    corner = vertices[facets] - vertices.mean(axis=0)
    volume = np.bincount(
        shell, weights=np.einsum("fc,fc->f", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])), minlength=len(closed)
    )
    low = np.full((len(closed), 3), np.inf)
    high = np.full((len(closed), 3), -np.inf)
    np.minimum.at(low, shell, vertices[facets].min(axis=1))
    np.maximum.at(high, shell, vertices[facets].max(axis=1))
    whole = np.flatnonzero(closed)
    low, high = low[whole], high[whole]
    depth = np.zeros(len(closed), dtype=int)
    for k, shell_k in enumerate(whole):
        for around in whole[(low < low[k]).all(axis=1) & (high > high[k]).all(axis=1)]:
            depth[shell_k] += _lies_within(vertices, facets[shell == shell_k], facets[shell == around])
    return closed & (np.where(depth % 2 == 0, volume, -volume) < 0)


def _lies_within(vertices: np.ndarray, inner: np.ndarray, outer: np.ndarray) -> bool:
    """Whether a closed shell lies inside another that it does not cross: by the winding number of its facets' middles.

    The median of some of them decides, so that shells may touch.
    """
    import igl

    middles = vertices[inner[:: 1 + len(inner) // _ASKED]].mean(axis=1)
    used, own = np.unique(outer, return_inverse=True)
    winding = igl.winding_number(vertices[used], own.reshape(-1, 3).astype(np.int64), middles)
    return bool(np.median(np.abs(winding)) > 0.5)
