"""All edges of a body as one table of polynomial pieces and samples, worked out together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from .edges import PER_SPAN, Edge, powers_of
from .surfaces import dot, lengths
from .taylor import curve_pieces

__all__ = ["EdgeTable", "evaluate", "on_polylines", "ranges", "thinned"]

_CHUNK = 65536  # points evaluated at a time
_BLOCK = 8  # segments of a polyline that have a box of their own
_LOOKS = 200_000  # boxes looked at together
_JOINED = 1e-8  # part of its size by which an edge may end off its start and yet be closed


class EdgeTable(NamedTuple):
    """Polynomial pieces of all edges, padded to one degree, in homogeneous coordinates; and their samples.

    Pieces of edge `k` start at `first_piece[k]`, samples at `first_sample[k]`. `sags` are the largest distances of the
    edges from the polylines of their samples, as the middles show it; `boxes` (e, 2, 3) hold edges and samples [mm].
    Samples from `block[j]` to `block_end[j]` lie in the box `block_boxes[j]`; those of edge `k` start at
    `first_block[k]`.
    """

    pieces: np.ndarray
    starts: np.ndarray
    middles: np.ndarray
    first_piece: np.ndarray
    last_piece: np.ndarray
    samples: np.ndarray
    line: np.ndarray
    first_sample: np.ndarray
    last_sample: np.ndarray
    ends: np.ndarray
    straight: np.ndarray
    closed: np.ndarray
    smooth: np.ndarray
    sags: np.ndarray
    boxes: np.ndarray
    block: np.ndarray
    block_end: np.ndarray
    block_boxes: np.ndarray
    first_block: np.ndarray

    @classmethod
    def of(cls, edges: Sequence[Edge]) -> EdgeTable:
        """The table of edges."""
        degree = max((edge.degree for edge in edges), default=1)
        alike: dict[tuple[bytes, int, bool], list[int]] = {}
        for k, edge in enumerate(edges):
            alike.setdefault((edge.knots.tobytes(), edge.degree, edge.weights is None), []).append(k)
        breaks = {key: edges[own[0]].breaks for key, own in alike.items()}
        many, per_span = np.zeros((2, len(edges)), dtype=np.int64)
        for key, own in alike.items():
            many[own], per_span[own] = len(breaks[key]) - 1, 1 if key[1] == 1 else PER_SPAN - 1
        first_piece = np.cumsum(many) - many
        pieces = np.zeros((many.sum(), degree + 1, 4))
        bounds, ends = np.empty((len(pieces), 2)), np.empty((len(edges), 2))
        for key, own in alike.items():
            some = [edges[k] for k in own]
            weights = None if key[2] else np.array([edge.weights for edge in some])
            found = curve_pieces(np.array([edge.poles for edge in some]), weights, some[0].knots, key[1], breaks[key])
            rows = first_piece[own][:, None] + np.arange(found.shape[1])
            pieces[rows, : key[1] + 1, : found.shape[3]] = found
            if key[2]:
                pieces[rows, 0, 3] = 1.0
            bounds[rows, 0], bounds[rows, 1] = breaks[key][:-1], breaks[key][1:]
            ends[own] = some[0].ends
        count = many * per_span + 1
        first = np.cumsum(count) - count
        last = first + count - 1
        samples = np.empty(count.sum())
        of_piece = np.repeat(np.arange(len(edges)), many)
        step = (bounds[:, 1] - bounds[:, 0]) / per_span[of_piece]
        inner = np.repeat(np.arange(len(pieces)), per_span[of_piece])
        nth = ranges(np.zeros(len(pieces), dtype=np.int64), per_span[of_piece])
        samples[np.arange(len(inner)) + of_piece[inner]] = bounds[inner, 0] + nth * step[inner]
        samples[last] = bounds[first_piece + many - 1, 1]
        straight = np.array([edge.degree == 1 and edge.weights is None for edge in edges], dtype=bool)
        plain = np.zeros(len(edges), dtype=bool)
        blocks = -(-(count - 1) // _BLOCK)
        block = np.repeat(first, blocks) + _BLOCK * ranges(np.zeros(len(edges), dtype=np.int64), blocks)
        block_end = np.minimum(block + _BLOCK, np.repeat(last, blocks))
        table = cls(
            *(pieces, bounds[:, 0], 0.5 * (bounds[:, 0] + bounds[:, 1]), first_piece, first_piece + many - 1),
            *(samples, np.empty((len(samples), 3)), first, last, ends, straight, plain, plain),
            *(np.zeros(len(edges)), np.empty((len(edges), 2, 3))),
            *(block, block_end, np.empty((len(block), 2, 3)), np.cumsum(blocks) - blocks),
        )
        return table._drawn() if len(edges) else table

    def _drawn(self) -> EdgeTable:
        """With what follows from the samples."""
        edge = np.repeat(np.arange(len(self.ends)), self.last_sample - self.first_sample + 1)
        line = self._points(edge, self.samples)
        start = np.flatnonzero(edge[1:] == edge[:-1])
        middle = self._points(edge[start], 0.5 * (self.samples[start + 1] + self.samples[start]))
        off = lengths(middle - 0.5 * (line[start + 1] + line[start]))
        sags = 1.5 * np.maximum.reduceat(off, self.first_sample - np.arange(len(self.ends)))
        boxes = np.stack([ufunc.reduceat(line, self.first_sample) for ufunc in (np.minimum, np.maximum)], axis=1)
        boxes += sags[:, None, None] * np.array([-1.0, 1.0])[:, None]
        ends = line[self.block_end]
        block_boxes = np.stack([f(f.reduceat(line, self.block), ends) for f in (np.minimum, np.maximum)], axis=1)
        closed = lengths(line[self.first_sample] - line[self.last_sample]) <= _JOINED * lengths(
            boxes[:, 1] - boxes[:, 0]
        )
        which = np.arange(len(self.ends))
        before, after = (evaluate(self, which, self.ends[:, k], 1)[1] for k in (0, 1))
        square = lengths(np.cross(before, after)) <= 1e-6 * lengths(before) * lengths(after)
        smooth = closed & (dot(before, after) > 0) & square
        return self._replace(line=line, sags=sags, boxes=boxes, closed=closed, smooth=smooth, block_boxes=block_boxes)

    def _points(self, edge: np.ndarray, t: np.ndarray) -> np.ndarray:
        out = np.empty((len(t), 3))
        for at in range(0, len(t), _CHUNK):
            out[at : at + _CHUNK] = evaluate(self, edge[at : at + _CHUNK], t[at : at + _CHUNK], 1)[0]
        return out


def thinned(table: EdgeTable, within: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Segments that stand for the polylines in rough searches: fewer of them where the edges are nearly straight.

    Parameters
    ----------
    table : EdgeTable
    within : float
        How far they may be off the samples [mm].

    Returns
    -------
    segments : (s, 2) int
        Samples that they lead from and to, edge by edge.
    edge : (s,) int
    sags : (e,) float
        Largest distance of each edge from its segments [mm].
    """
    n = len(table.ends)
    edge = np.repeat(np.arange(n), table.last_sample - table.first_sample + 1)
    nth = np.arange(len(edge)) - table.first_sample[edge]
    stride, sags = np.ones(n, dtype=np.int64), table.sags.copy()
    for step in (8, 32):
        far = np.empty(len(edge))
        for at in range(0, len(edge), _CHUNK):
            some = slice(at, at + _CHUNK)
            start = table.first_sample[edge[some]] + nth[some] // step * step
            end = np.minimum(start + step, table.last_sample[edge[some]])
            along, away = table.line[end] - table.line[start], table.line[some] - table.line[start]
            part = np.clip(dot(away, along) / np.maximum(dot(along, along), 1e-300), 0.0, 1.0)
            far[some] = lengths(away - part[:, None] * along)
        off = np.maximum.reduceat(far, table.first_sample)
        good = off <= within
        stride[good], sags[good] = step, table.sags[good] + off[good]
    starts = np.flatnonzero((nth % stride[edge] == 0) & (np.arange(len(edge)) < table.last_sample[edge]))
    of = edge[starts]
    return np.column_stack([starts, np.minimum(starts + stride[of], table.last_sample[of])]), of, sags


def on_polylines(table: EdgeTable, points: np.ndarray, which: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Nearest segments of the polylines of edges.

    Parameters
    ----------
    table : EdgeTable
    points : (n, 3) float [mm]
    which : (n,) int
        Edge of each point.

    Returns
    -------
    squared : (n,) float
        Squared distance of each point [mm2].
    sample : (n,) int
        Sample that the nearest segment starts at.
    """
    squared, sample = np.empty(len(which)), np.empty(len(which), dtype=np.int64)
    count = np.diff(table.first_block, append=len(table.block))[which]
    for some in np.split(np.arange(len(which)), np.flatnonzero(np.diff(np.cumsum(count) // _LOOKS)) + 1):
        squared[some], sample[some] = _on_polylines(table, points[some], table.first_block[which[some]], count[some])
    return squared, sample


def _on_polylines(
    table: EdgeTable, points: np.ndarray, first: np.ndarray, count: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The same of `count` (n,) blocks each, from `first` (n,) on."""
    if not len(points):
        return np.zeros(0), np.zeros(0, dtype=np.int64)
    row, block = np.repeat(np.arange(len(points)), count), ranges(first, count)
    at, box = points.take(row, axis=0), table.block_boxes.take(block, axis=0)
    below, above = box[:, 0] - at, box[:, 1] - at
    near, far = np.maximum(np.maximum(below, -above), 0.0), np.maximum(np.abs(below), np.abs(above))
    most = np.minimum.reduceat(dot(far, far), np.cumsum(count) - count)
    kept = np.flatnonzero(dot(near, near) <= most[row])
    row, block = row[kept], block[kept]
    segments = table.block_end[block] - table.block[block]
    row, start = np.repeat(row, segments), ranges(table.block[block], segments)
    begin = table.line.take(start, axis=0)
    along, away = table.line.take(start + 1, axis=0) - begin, points.take(row, axis=0) - begin
    part = np.clip(dot(away, along) / np.maximum(dot(along, along), 1e-300), 0.0, 1.0)
    away -= part[:, None] * along
    distance = dot(away, away)
    least = np.minimum.reduceat(distance, np.flatnonzero(np.diff(row, prepend=-1)))
    nearest = np.flatnonzero(distance == least[row])[::-1]
    sample = np.empty(len(points), dtype=np.int64)
    sample[row[nearest]] = start[nearest]  # of several the first one
    return least, sample


def evaluate(table: EdgeTable, which: np.ndarray, t: np.ndarray, order: int) -> tuple[np.ndarray, ...]:
    """Points and derivatives up to `order` (1 or 2), each (n, 3), of edges `which` (n,) at parameters (n,)."""
    piece = table.first_piece[which]
    if len(table.starts) > len(table.ends):
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


def ranges(first: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Whole numbers first, first + 1, ... of each of some ranges, one after the other."""
    return np.arange(count.sum()) + np.repeat(first - (np.cumsum(count) - count), count)
