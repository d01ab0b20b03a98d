"""Least distance of swept pieces of the probe to facets, certified: branch and bound over spheres, exact at the end.

Where a piece stands at the place t of its move, its distance to what a sphere holds is at least its signed distance to
the centre less the sphere's radius; over a part of the move, less half the length of that part. So a pair of a node of
the tree and a part of the move that lies further away than something already found is dropped, else the larger of the
two is cut. What is left at the end, a few facets per piece, is settled by `convex.triangle_distance`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from .convex import Swept, triangle_distance
from .ground import Ground
from .pieces import BRANCHES, Level, PieceTree

__all__ = ["RESOLUTION", "least_distance"]

#: How exact the distances are [mm]: at most this much smaller than they are, never larger.
RESOLUTION = 1e-3

_PIECES_AT_ONCE = 4096  # bounds the memory


def least_distance(
    tree: PieceTree, swept: Swept, *, enough: float = np.inf, ground: Ground | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Least distance of each swept piece to the facets, over its whole move.

    Parameters
    ----------
    tree : PieceTree
    swept : Swept
        n pieces on moves.
    enough : float
        Distances from here on need not be known [mm]: they are given as this.
    ground : Ground, optional
        What does not count.

    Returns
    -------
    distance : (n,) float
        [mm], at most `RESOLUTION` below the true distance. Where a facet enters the piece it is negative: minus the
        depth of the middle of the deepest piece of a facet, or zero if none has its middle inside.
    facet : (n,) int
        The facet that is nearest; -1 where nothing is nearer than `enough`.
    """
    distance, facet = np.full(len(swept), enough), np.full(len(swept), -1)
    for start in range(0, len(swept), _PIECES_AT_ONCE):
        rows = slice(start, start + _PIECES_AT_ONCE)
        some = None if ground is None else ground.take(rows)
        distance[rows], facet[rows] = _chunk(tree, swept.take(rows), enough, some)
    return distance, facet


def _chunk(tree: PieceTree, swept: Swept, enough: float, ground: Ground | None) -> tuple[np.ndarray, np.ndarray]:
    """`least_distance` of a few thousand swept pieces."""
    n, top = len(swept), len(tree.levels[-1].radius)
    least, reach = np.full(n, enough), np.linalg.norm(swept.move, axis=1) / 2
    pairs = _Pairs(np.repeat(np.arange(n), top), np.tile(np.arange(top), n), np.full(n * top, 0.5), np.ones(n * top))
    for number in range(len(tree.levels) - 1, 0, -1):
        level = tree.levels[number]
        if ground is not None:
            pairs = pairs.take(~ground.covers(pairs.row, level, pairs.node))
        open_to_ground = None if ground is None else ground.region > -2
        pairs, _, _ = _narrow(level, swept, reach, pairs, least, open_to_ground)
        pairs = pairs.children(len(tree.levels[number - 1].radius))
    if ground is not None:
        pairs = pairs.take(~ground.holds(pairs.row, tree, pairs.node))
    pairs, bound, reached = _narrow(tree.levels[0], swept, reach, pairs, least, None, last=True)
    return _settle(tree, swept, pairs, bound, reached, least, enough)


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Pairs of a swept piece and a node: middle and width of the part of the move that they stand for, in 0 to 1."""

    row: np.ndarray
    node: np.ndarray
    middle: np.ndarray
    width: np.ndarray

    def take(self, chosen: np.ndarray) -> _Pairs:
        return _Pairs(self.row[chosen], self.node[chosen], self.middle[chosen], self.width[chosen])

    def children(self, n_below: int) -> _Pairs:
        node = (self.node[:, None] * BRANCHES + np.arange(BRANCHES)).ravel()
        real = node < n_below
        rest = (np.repeat(values, BRANCHES)[real] for values in (self.row, self.middle, self.width))
        row, middle, width = rest
        return _Pairs(row, node[real], middle, width)

    def halves(self) -> _Pairs:
        quarter = self.width / 4
        return _Pairs(
            np.concatenate([self.row] * 2),
            np.concatenate([self.node] * 2),
            np.concatenate([self.middle - quarter, self.middle + quarter]),
            np.concatenate([self.width / 2] * 2),
        )


def _narrow(
    level: Level,
    swept: Swept,
    reach: np.ndarray,
    pairs: _Pairs,
    least: np.ndarray,
    open_to_ground: np.ndarray | None,
    *,
    last: bool = False,
) -> tuple[_Pairs, np.ndarray, np.ndarray]:
    """Drop pairs that are surely further than something else; cut moves that are longer than the node is wide.

    Lowers `least` (n,) in place. Returns the pairs kept, their bounds from below and the distances at the centres.
    """
    kept, bounds, reached = [], [], []
    while len(pairs.row):
        row, radius = pairs.row, level.radius[pairs.node]
        slack = pairs.width * reach[row]
        distance = swept.signed(row, level.centre[pairs.node], pairs.middle)
        above = distance if last else distance + radius  # something of the node is at most this far
        counts = slice(None) if open_to_ground is None else ~open_to_ground[row]
        np.minimum.at(least, row[counts], above[counts])
        bound = distance - radius - slack
        near = bound <= least[row]
        cut = near & (slack > radius) & (slack > RESOLUTION)
        ready = near & ~cut
        kept.append(pairs.take(ready))
        bounds.append(bound[ready])
        reached.append(distance[ready])
        pairs = pairs.take(cut).halves()
    bound = np.concatenate(bounds) if bounds else np.empty(0)
    distance = np.concatenate(reached) if reached else np.empty(0)
    all_kept = _Pairs(*(np.concatenate([getattr(p, f.name) for p in kept]) for f in fields(_Pairs))) if kept else pairs
    near = bound <= least[all_kept.row]
    return all_kept.take(near), bound[near], distance[near]


def _settle(
    tree: PieceTree,
    swept: Swept,
    pairs: _Pairs,
    bound: np.ndarray,
    reached: np.ndarray,
    least: np.ndarray,
    enough: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Exact distances of the pairs that are left, most promising first."""
    best, at = np.full(len(swept), enough), np.full(len(swept), -1)
    order = np.lexsort([bound, pairs.node, pairs.row])
    row, node, bound, reached = pairs.row[order], pairs.node[order], bound[order], reached[order]
    if not len(row):
        return best, at
    first = np.flatnonzero(np.r_[True, (np.diff(row) != 0) | (np.diff(node) != 0)])  # the parts of one move
    row, node, bound, reached = row[first], node[first], bound[first], np.minimum.reduceat(reached, first)
    order = np.lexsort([bound, row])
    row, node, bound, reached = row[order], node[order], bound[order], reached[order]
    starts = np.flatnonzero(np.r_[True, np.diff(row) != 0])
    rank = np.arange(len(row)) - np.repeat(starts, np.diff(np.r_[starts, len(row)]))
    low, high = 0, 2
    while low <= rank.max():
        known = np.minimum(best, least)
        now = np.flatnonzero((rank >= low) & (rank < high) & (bound <= known[row]))
        low, high = high, 2 * high
        exact = triangle_distance(
            tree.corner[node[now]], swept.take(row[now]), within=RESOLUTION, beyond=known[row[now]]
        )
        exact = np.minimum(exact, reached[now])
        now, exact = now[exact < best[row[now]]], exact[exact < best[row[now]]]
        np.minimum.at(best, row[now], exact)
        winner = now[exact == best[row[now]]]
        at[row[winner]] = tree.facet[node[winner]]
    return best, at
