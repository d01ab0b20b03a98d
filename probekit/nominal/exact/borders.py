"""The border of a face: its edges together, and the nearest points of them for many touches at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from .edges import Edge, powers_of
from .surfaces import across, lengths

__all__ = ["Border", "OnBorder"]

_TIE = 1e-9  # edges that come this near to each other are equally far [mm]
_PAIRS = 1_000_000  # of touches and edges looked at together
_MOST = 30  # steps of Newton's method


class OnBorder(NamedTuple):
    """Nearest points of some edges.

    Attributes
    ----------
    foot : (n, 3) float [mm]
    distance : (n,) float [mm]
    flags : (n,) uint8
        Those of the edges it lies on.
    left : (n,) bool
        Whether the point lies to the left of the edge, or at a corner of each of the edges that meet there.
    at_end : (n,) bool
        Whether the foot is the end of an edge.
    """

    foot: np.ndarray
    distance: np.ndarray
    flags: np.ndarray
    left: np.ndarray
    at_end: np.ndarray


class _Table(NamedTuple):
    """Polynomial pieces of all edges, padded to one degree, in homogeneous coordinates; and their samples.

    Pieces of edge `k` start at `first_piece[k]`, samples at `first_sample[k]`.
    """

    pieces: np.ndarray
    starts: np.ndarray
    middles: np.ndarray
    first_piece: np.ndarray
    last_piece: np.ndarray
    samples: np.ndarray
    first_sample: np.ndarray
    last_sample: np.ndarray
    ends: np.ndarray
    straight: np.ndarray
    closed: np.ndarray
    smooth: np.ndarray


class Border:
    """Edges in the sense in which they run round a face.

    Parameters
    ----------
    edges : sequence of Edge
    senses : sequence of float
        +1 where the face lies to the left of the edge's own direction, seen from the tip of Su x Sv, else -1.
    flags : sequence of int
        Flags of a foot on each edge.
    """

    def __init__(self, edges: Sequence[Edge], senses: Sequence[float], flags: Sequence[int]) -> None:
        self.edges = tuple(edges)
        self._senses = np.asarray(senses, dtype=np.float64)
        self._flags = np.asarray(flags, dtype=np.uint8)
        self._sags = np.array([edge.sag for edge in self.edges])
        self._boxes = np.array([edge.box for edge in self.edges]).reshape(-1, 2, 3)

    @cached_property
    def sag(self) -> float:
        """Largest distance of an edge from its samples' polyline [mm]."""
        return float(self._sags.max(initial=0.0))

    @cached_property
    def _tree(self) -> SegmentTree:
        return SegmentTree([edge.samples[1] for edge in self.edges])

    @cached_property
    def _trees(self) -> list[SegmentTree]:
        return [SegmentTree([edge.samples[1]]) for edge in self.edges]

    @cached_property
    def _table(self) -> _Table:
        degree = max(edge.degree for edge in self.edges)
        pieces, starts, middles, samples = [], [], [], []
        for edge in self.edges:
            breaks, centres, own = edge.pieces
            padded = np.zeros((len(own), degree + 1, 4))
            padded[:, : edge.degree + 1, : own.shape[2]] = own
            if edge.weights is None:
                padded[:, 0, 3] = 1.0
            pieces.append(padded)
            starts.append(breaks[:-1])
            middles.append(centres)
            samples.append(edge.samples[0])
        of_pieces = np.cumsum([0] + [len(own) for own in pieces])
        of_samples = np.cumsum([0] + [len(own) for own in samples])
        return _Table(
            np.concatenate(pieces),
            np.concatenate(starts),
            np.concatenate(middles),
            of_pieces[:-1],
            of_pieces[1:] - 1,
            np.concatenate(samples),
            of_samples[:-1],
            of_samples[1:] - 1,
            np.array([edge.ends for edge in self.edges]),
            np.array([edge.degree == 1 and edge.weights is None for edge in self.edges]),
            np.array([edge.closed for edge in self.edges]),
            np.array([edge.smoothly_closed for edge in self.edges]),
        )

    def rough_gap(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points from the edges, or a little less [mm]."""
        if not self.edges:
            return np.full(len(points), np.inf)
        return np.maximum(self._tree.search(points)[0] - self.sag, 0.0)

    def nearest(self, points: np.ndarray, natural: np.ndarray | None = None) -> OnBorder:
        """Nearest points of the edges.

        Parameters
        ----------
        points : (n, 3) float [mm]
        natural : (n, 3) float, optional
            Su x Sv of the surface at the points; without it nothing is said about sides.

        Returns
        -------
        OnBorder
            Distances are infinite if there is no edge.
        """
        n = len(points)
        out = OnBorder(points.copy(), np.full(n, np.inf), np.zeros(n, np.uint8), np.zeros(n, bool), np.zeros(n, bool))
        step = max(1, _PAIRS // max(len(self.edges), 1))
        for at in range(0, n, step) if self.edges else ():
            some = slice(at, at + step)
            self._nearest(points[some], None if natural is None else natural[some], OnBorder(*(o[some] for o in out)))
        return out

    def _nearest(self, points: np.ndarray, natural: np.ndarray | None, out: OnBorder) -> None:
        rows, which, where = (np.concatenate(parts) for parts in zip(*self._candidates(points), strict=True))
        foot, tangent, at_end = self._closest(which, points[rows], where)
        away = points[rows] - foot
        distance = lengths(away)
        np.minimum.at(out.distance, rows, distance)
        tied = np.flatnonzero(distance <= out.distance[rows] + _TIE)
        rows, which = rows[tied], which[tied]
        out.foot[rows] = foot[tied]
        np.bitwise_or.at(out.flags, rows, self._flags[which])
        np.logical_or.at(out.at_end, rows, at_end[tied])
        if natural is not None:
            to_the_left = self._senses[which, None] * across(natural[rows], tangent[tied])
            out.left[:] = True
            np.logical_and.at(out.left, rows, np.einsum("ij,ij->i", away[tied], to_the_left) >= 0)

    def _candidates(self, points: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Rows, edge and place on its polyline, for each edge that may be the nearest of some points."""
        gaps = self._gaps(points)
        most = self._tree.search(points)[0] + self.sag  # the nearest edge is no further than this
        for k in np.flatnonzero((gaps <= most[:, None] + _TIE).any(axis=0)):
            rows = np.flatnonzero(gaps[:, k] <= most + _TIE)
            distance, segment, nearest = self._trees[k].search(points[rows])
            kept = distance - self._sags[k] <= most[rows] + _TIE
            rows, segment, nearest = rows[kept], segment[kept], nearest[kept]
            line = self.edges[k].samples[1]
            start, along = line[segment], line[segment + 1] - line[segment]
            square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
            yield rows, np.full(len(rows), k), segment + np.einsum("ij,ij->i", nearest - start, along) / square

    def _gaps(self, points: np.ndarray) -> np.ndarray:
        """(n, edges) distance of points from the box about each edge [mm]."""
        low, high = self._boxes[:, 0], self._boxes[:, 1]
        gap = np.zeros((len(points), len(low)))
        for c in range(3):
            at = points[:, c : c + 1]
            gap += np.maximum(np.maximum(low[:, c] - at, at - high[:, c]), 0.0) ** 2
        return np.sqrt(gap)

    def _closest(
        self, which: np.ndarray, points: np.ndarray, where: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Foot and tangent (n, 3) of points on the edges `which` (n,), near places on their polylines; if at an end."""
        table = self._table
        foot, tangent, guess = self._newton(which, points, where)
        at_end = (guess <= table.ends[which, 0]) | (guess >= table.ends[which, 1])
        rows = np.flatnonzero(at_end & table.closed[which])
        if len(rows):  # the curve goes on at its other end
            some = which[rows]
            last = (table.last_sample - table.first_sample)[some]
            other = np.where(guess[rows] <= table.ends[some, 0], last, 0)
            foot2, tangent2, guess2 = self._newton(some, points[rows], other)
            better = lengths(points[rows] - foot2) < lengths(points[rows] - foot[rows])
            foot[rows[better]], tangent[rows[better]] = foot2[better], tangent2[better]
            end2 = (guess2 <= table.ends[some, 0]) | (guess2 >= table.ends[some, 1])
            at_end[rows[better]] = end2[better]
            at_end &= ~table.smooth[which]
        return foot, tangent, at_end

    def _newton(
        self, which: np.ndarray, points: np.ndarray, where: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Foot, tangent and parameter of the closest point, by Newton's method on half the squared distance."""
        table = self._table
        first = table.first_sample[which]
        sample = np.minimum(first + where.astype(np.int64), table.last_sample[which] - 1)
        spacing = table.samples[sample + 1] - table.samples[sample]
        guess = table.samples[sample] + (where - (sample - first)) * spacing
        low, high = table.ends[which, 0], table.ends[which, 1]
        active = np.flatnonzero(~table.straight[which])  # of a straight edge the polyline is exact
        for _ in range(_MOST):
            if not len(active):
                break
            p, p1, p2 = self._evaluate(which[active], guess[active], 2)
            away = p - points[active]
            gradient, square = np.einsum("ij,ij->i", away, p1), np.einsum("ij,ij->i", p1, p1)
            hessian = square + np.einsum("ij,ij->i", away, p2)
            bowl = hessian > 1e-9 * square
            step = -gradient / np.maximum(np.where(bowl, hessian, square), 1e-300)
            longest = 2.0 * spacing[active]  # no step is to jump to another part of the curve
            step = np.minimum(np.maximum(step, -longest), longest)
            new = np.minimum(np.maximum(guess[active] + step, low[active]), high[active])
            moved = np.abs(new - guess[active]) * np.sqrt(square)
            guess[active] = new
            # a full Newton step leaves about its square over the radius of curvature
            active = active[moved > np.where(bowl, 1e-7, 1e-11)]
        foot, tangent = self._evaluate(which, guess, 1)
        return foot, tangent, guess

    def _evaluate(self, which: np.ndarray, t: np.ndarray, order: int) -> tuple[np.ndarray, ...]:
        """Points and derivatives up to `order` (1 or 2), each (n, 3), of edges `which` (n,) at parameters (n,)."""
        table = self._table
        piece = table.first_piece[which]
        if len(table.starts) > len(self.edges):
            for step in range(int((table.last_piece - table.first_piece).max()).bit_length() - 1, -1, -1):
                ahead = np.minimum(piece + (1 << step), table.last_piece[which])
                piece = np.where((table.starts[ahead] <= t) & (ahead > piece), ahead, piece)
        powers = np.stack(powers_of(t - table.middles[piece], table.pieces.shape[1] - 1, order), axis=1)
        values = np.matmul(powers, table.pieces[piece])
        w = values[:, 0, 3:]
        p = values[:, 0, :3] / w
        p1 = (values[:, 1, :3] - values[:, 1, 3:] * p) / w
        if order < 2:
            return p, p1
        return p, p1, (values[:, 2, :3] - 2.0 * values[:, 1, 3:] * p1 - values[:, 2, 3:] * p) / w


class SegmentTree:
    """Closest points on some polylines, by libigl's tree.

    Parameters
    ----------
    lines : list of (m, 3) float
        Their corners [mm].
    """

    def __init__(self, lines: list[np.ndarray]) -> None:
        import igl

        first = np.cumsum([0] + [len(line) for line in lines])
        self._corners = np.vstack(lines)
        starts = np.concatenate([np.arange(a, b - 1) for a, b in pairwise(first)])
        self._segments = np.column_stack([starts, starts + 1]).astype(np.int64)
        self._tree = igl.AABB()
        self._tree.init(self._corners, self._segments)

    def search(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distance (n,), index of the segment (n,) and nearest point (n, 3) on the polylines."""
        if not len(points):
            return np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros((0, 3))
        squared, segment, nearest = self._tree.squared_distance(
            self._corners, self._segments, np.ascontiguousarray(points)
        )
        return np.sqrt(squared).reshape(-1), segment.reshape(-1), nearest.reshape(-1, 3)
