"""Branches of edges: several nearest points that one edge may have, as over a hollow or between the turns of a spiral.

A search that starts from the nearest piece of an edge's polyline finds the nearest point only of the branch that this
piece is on; another branch may be nearer by up to twice the sag. Where a touch is nearer to its foot than the edge's
reach, the foot is the nearest point of all. Elsewhere every branch that may be nearer is looked at.
"""

from __future__ import annotations

import numpy as np

from .edge_table import EdgeTable, evaluate, ranges
from .surfaces import dot, lengths

__all__ = ["EdgeBranches"]

_SAFE = 0.8  # of the reach, which is taken from samples
_TURN = 0.9 * np.pi  # length times curvature up to which an edge cannot come back to itself
_MOST = 60  # steps within a branch; halving it alone gets to rounding in so many
_FINER = 8  # parts of a piece of polyline that may hold a nearer branch
_STILL = 1e-12  # a step this short ends the search [mm]
_AT_ONCE = 500_000  # samples, or pairs of them, looked at together


class EdgeBranches:
    """The branches of edges, looked at when first asked for.

    Parameters
    ----------
    table : EdgeTable
    """

    def __init__(self, table: EdgeTable) -> None:
        self._table = table
        self._reach = np.where(table.straight, np.inf, np.nan)

    def sure(self, which: np.ndarray, distance: np.ndarray) -> np.ndarray:
        """Whether a settled foot on edges (n,) must be the nearest point of its edge, at so small a distance (n,) [mm].

        Notes
        -----
        Up to its reach every point has one nearest point on a curve, and is nowhere else square to it (H. Federer,
        Curvature measures, Trans. AMS 93 (1959) 418-491, theorem 4.8, from memory).
        """
        reach = self._reach[which]
        if np.isnan(reach).any():
            new = np.unique(which[np.isnan(reach)])
            self._reach[new] = _reach(self._table, new)
            reach = self._reach[which]
        return distance < _SAFE * reach

    def nearest(self, which: np.ndarray, points: np.ndarray) -> np.ndarray:
        """Parameters (n,) of the nearest points of edges (n,): of all places between samples where one may be."""
        table, out = self._table, np.empty(len(which))
        count = table.last_sample[which] - table.first_sample[which] + 1
        for some in np.split(np.arange(len(which)), np.flatnonzero(np.diff(np.cumsum(count) // _AT_ONCE)) + 1):
            out[some] = self._nearest(which[some], points[some], count[some])
        return out

    def _nearest(self, which: np.ndarray, points: np.ndarray, count: np.ndarray) -> np.ndarray:
        table = self._table
        row, sample = np.repeat(np.arange(len(which)), count), ranges(table.first_sample[which], count)
        line = table.line[sample]
        found, least = _first_best(row, lengths(line - points[row]), table.samples[sample])
        # pieces of the polyline that are as near, but for the sag, are looked at closely
        piece = np.flatnonzero(row[1:] == row[:-1])
        own = row[piece]
        along, away = line[piece + 1] - line[piece], points[own] - line[piece]
        part = np.clip(dot(away, along) / np.maximum(dot(along, along), 1e-300), 0.0, 1.0)
        near = lengths(away - part[:, None] * along) - table.sags[which[own]] <= least[own]
        own, start = own[near], table.samples[sample[piece[near]]]
        step = (table.samples[sample[piece[near] + 1]] - start) / _FINER
        own = np.repeat(own, _FINER + 1)
        t = (start[:, None] + np.arange(_FINER + 1) * step[:, None]).ravel()
        place, tangent = evaluate(table, which[own], t, 1)
        slope = dot(place - points[own], tangent)
        ends = np.arange(len(t)).reshape(-1, _FINER + 1)
        low, high = ends[:, :-1].ravel(), ends[:, 1:].ravel()
        falls = np.flatnonzero((slope[low] < 0) & (slope[high] > 0))
        low, high = low[falls], high[falls]
        inner = _between(table, which[own[low]], points[own[low]], t[low], t[high])
        distance = lengths(evaluate(table, which[own[low]], inner, 1)[0] - points[own[low]])
        rows = np.append(np.arange(len(which)), own[low])
        return _first_best(rows, np.append(least, distance), np.append(found, inner))[0]


def _first_best(row: np.ndarray, distance: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of each row, in order, the t (m,) of the least distance (m,), and that."""
    order = np.lexsort((distance, row))
    best = order[np.flatnonzero(np.diff(row[order], prepend=-1))]
    return t[best], distance[best]


def _between(table: EdgeTable, which: np.ndarray, points: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Parameters (n,) of least distance between those at which the distance falls and rises: Newton, else halving."""
    t, low, high = 0.5 * (low + high), low.copy(), high.copy()
    active = np.arange(len(which))
    for _ in range(_MOST):
        if not len(active):
            break
        p, p1, p2 = evaluate(table, which[active], t[active], 2)
        away, square = p - points[active], dot(p1, p1)
        slope, bend = dot(away, p1), square + dot(away, p2)
        rises = slope > 0
        high[active[rises]], low[active[~rises]] = t[active[rises]], t[active[~rises]]
        step = -slope / np.where(bend > 0, bend, square)
        new = t[active] + step
        left = (np.abs(step) * np.sqrt(square) > _STILL) & (high[active] > low[active])
        outside = left & ((bend <= 0) | (new <= low[active]) | (new >= high[active]))
        t[active] = np.where(outside, 0.5 * (low[active] + high[active]), new)
        active = active[left]
    return t


def _reach(table: EdgeTable, which: np.ndarray) -> np.ndarray:
    """Reach (n,) of edges (n,), all different, as their samples show it [mm]."""
    count = table.last_sample[which] - table.first_sample[which] + 1
    sample, row = ranges(table.first_sample[which], count), np.repeat(np.arange(len(which)), count)
    first = np.cumsum(count) - count
    _, p1, p2 = evaluate(table, which[row], table.samples[sample], 2)
    speed = np.maximum(lengths(p1), 1e-300)
    tangent = p1 / speed[:, None]
    bend = lengths(p2 - dot(p2, tangent)[:, None] * tangent) / speed**2
    most = np.maximum.reduceat(bend, first)
    inner = row[1:] == row[:-1]
    steps = np.append(lengths(np.diff(table.line[sample], axis=0)) * inner, 0.0)
    out = 1.0 / np.maximum(most, 1e-300)
    # a curve that turns by less than this does not come back into the balls that touch it
    for k in np.flatnonzero(np.add.reduceat(steps, first) * most > _TURN).tolist():
        closed = bool(table.smooth[which[k]])  # then the last sample is the first one again
        some = slice(first[k], first[k] + count[k] - closed)
        out[k] = min(out[k], _reach_of_pairs(table.line[sample[some]], tangent[some], closed=closed))
    # bends that are tighter than the samples are apart say only that there is one
    return np.where(np.maximum.reduceat(steps, first) < out, out, 0.0)


def _reach_of_pairs(line: np.ndarray, tangent: np.ndarray, *, closed: bool) -> float:
    """Least of |b - a|^2 over twice the distance of b - a from the tangent at a, of all a and b (n, 3).

    At the ends of an open curve the tangent is but half a line.
    """
    least = np.inf
    step = max(1, _AT_ONCE // len(line))
    for at in range(0, len(line), step):
        some = slice(at, at + step)
        chord = line[None] - line[some, None]
        square = dot(chord, chord)
        along = np.einsum("abc,ac->ab", chord, tangent[some])
        if not closed and at == 0:
            along[0] = np.maximum(along[0], 0.0)
        if not closed and at + step >= len(line):
            along[-1] = np.minimum(along[-1], 0.0)
        off = np.sqrt(np.maximum(square - along**2, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            radius = square / (2.0 * off)
        radius[~(square > 0)] = np.inf
        least = min(least, float(np.nanmin(radius)))
    return least
