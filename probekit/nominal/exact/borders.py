"""The borders of faces: all edges of a body together, and the nearest points on chosen borders for many touches."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np

from ..nearby import ApartTree
from .edge_branches import EdgeBranches
from .edge_table import EdgeTable, evaluate, on_polylines, ranges, thinned
from .edges import Edge
from .surfaces import across, dot, lengths

__all__ = ["Borders", "OnBorder"]

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
        Whether the point lies to the left of the edge, or at a corner in the angle left of those that meet there.
    at_end : (n,) bool
        Whether the foot is the end of an edge.
    """

    foot: np.ndarray
    distance: np.ndarray
    flags: np.ndarray
    left: np.ndarray
    at_end: np.ndarray


class Borders:
    """Edges in the senses in which they run round faces.

    Parameters
    ----------
    edges : sequence of Edge
    flags : sequence of int
        Flags of a foot on each edge.
    loops : sequence of sequences of (int, float)
        For each face the edges that bound it, and for each of these +1 where the face lies to the left of the edge's
        own direction, seen from the tip of Su x Sv, else -1.
    within : float
        How far rough distances may be off [mm].
    tie : float
        Edges whose distances differ by this are equally far [mm].
    loose : float
        How far the ends of edges that meet may lie apart [mm].
    """

    def __init__(
        self,
        edges: Sequence[Edge],
        flags: Sequence[int],
        loops: Sequence[Sequence[tuple[int, float]]],
        within: float = 0.0,
        tie: float = 1e-9,
        loose: float = 0.0,
    ) -> None:
        # what lies in the list but bounds none of the faces is left out
        used, places = np.unique([edge for loop in loops for edge, _ in loop], return_inverse=True)
        self.edges = tuple(edges[k] for k in used.astype(int))
        self._flags = np.asarray(flags, dtype=np.uint8)[used.astype(int)]
        self._use_edge = places.reshape(-1)
        self._use_sense = np.array([sense for loop in loops for _, sense in loop], dtype=np.float64)
        self._count = np.array([len(loop) for loop in loops])
        self._first = np.cumsum(self._count) - self._count
        self._within, self._tie, self._loose = within, tie, loose
        self._table = EdgeTable.of(self.edges)
        self._branches = EdgeBranches(self._table)

    @cached_property
    def sag(self) -> np.ndarray:
        """(faces,) largest distance of a face's edges from their samples' polylines [mm]."""
        return self._largest(self._table.sags)

    def _largest(self, of_edges: np.ndarray) -> np.ndarray:
        """(faces,) largest of what (e,) their edges have."""
        out = np.zeros(len(self._count))
        np.maximum.at(out, self._use_face, of_edges[self._use_edge])
        return out

    @cached_property
    def _use_face(self) -> np.ndarray:
        return np.repeat(np.arange(len(self._count)), self._count)

    @cached_property
    def _rough(self) -> tuple[ApartTree, np.ndarray]:
        """Tree of few segments for the edges of each face, and how far the face's edges (faces,) are off them [mm]."""
        segments, edge, sags = thinned(self._table, self._within)
        first, last = np.searchsorted(edge, self._use_edge), np.searchsorted(edge, self._use_edge, side="right")
        chosen = ranges(first, last - first)
        tree = ApartTree(self._table.line, segments[chosen], np.repeat(self._use_face, last - first))
        return tree, self._largest(sags)

    def ends(self) -> tuple[np.ndarray, np.ndarray]:
        """First and last point (e, 2, 3) of each edge in `edges`, and the derivatives there (e, 2, 3)."""
        which = np.repeat(np.arange(len(self.edges)), 2)
        place, tangent = evaluate(self._table, which, self._table.ends.ravel(), 1)
        return place.reshape(-1, 2, 3), tangent.reshape(-1, 2, 3)

    def uses(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Face, edge (its place in `edges`) and sense (u,) of every use of an edge."""
        return self._use_face, self._use_edge, self._use_sense

    def rough_gap(self, points: np.ndarray, face: np.ndarray) -> np.ndarray:
        """Distance (n,) of points from the edges of faces (n,), or a little less [mm]; infinite without edges."""
        distance, off = self._from_lines(points, face)
        return np.maximum(distance - off, 0.0)

    def _from_lines(self, points: np.ndarray, face: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Rough distance (n,) of points from the edges of faces (n,), and by how much it may be off (n,) [mm].

        Infinite without edges.
        """
        out, off = np.full(len(points), np.inf), np.zeros(len(points))
        rows = np.flatnonzero(self._count[face])
        if len(rows):
            tree, sags = self._rough
            out[rows], off[rows] = np.sqrt(tree.search(points.take(rows, axis=0), face[rows])[0]), sags[face[rows]]
        return out, off

    def nearest(self, points: np.ndarray, face: np.ndarray, natural: np.ndarray | None = None) -> OnBorder:
        """Nearest points of the edges of faces.

        Parameters
        ----------
        points : (n, 3) float [mm]
        face : (n,) int
            Face whose edges are asked for.
        natural : (n, 3) float, optional
            Su x Sv of the surface at the points; without it nothing is said about sides.

        Returns
        -------
        OnBorder
            Distances are infinite if there is no edge.
        """
        n = len(points)
        out = OnBorder(points.copy(), np.full(n, np.inf), np.zeros(n, np.uint8), np.zeros(n, bool), np.zeros(n, bool))
        step = max(1, _PAIRS // max(int(self._count.max(initial=0)), 1))
        for at in range(0, n, step) if self.edges else ():
            some = slice(at, at + step)
            beside = None if natural is None else natural[some]
            self._nearest(points[some], face[some], beside, OnBorder(*(values[some] for values in out)))
        return out

    def _nearest(self, points: np.ndarray, face: np.ndarray, natural: np.ndarray | None, out: OnBorder) -> None:
        rows, use, where, bound = self._candidates(points, face)
        which = self._use_edge[use]
        foot, tangent, at_end = self._closest(which, points[rows], where)
        away = points[rows] - foot
        distance = lengths(away)
        np.minimum.at(out.distance, rows, distance)
        # where an edge may have another branch that is nearer, all of them are looked at
        again = np.flatnonzero((bound <= out.distance[rows]) & ~self._branches.sure(which, distance))
        if len(again):
            self._look_again(which, points[rows], again, (foot, tangent, at_end))
            away = points[rows] - foot
            distance = lengths(away)
            np.minimum.at(out.distance, rows, distance)
        tied = np.flatnonzero(distance <= out.distance[rows] + self._tie)
        out.foot[rows[tied]] = foot[tied]
        if self._loose > self._tie:
            tied = self._at_corners(rows, which, foot, at_end, tied, out.foot, distance, out.distance)
        rows, use, which = rows[tied], use[tied], which[tied]
        np.bitwise_or.at(out.flags, rows, self._flags[which])
        np.logical_or.at(out.at_end, rows, at_end[tied])
        if natural is not None:
            # at a corner, whatever its angle, the sum of the unit vectors to the left: the pseudo-normal in a plane
            to_the_left = self._use_sense[use, None] * across(natural[rows], tangent[tied])
            to_the_left /= np.maximum(lengths(to_the_left), 1e-300)[:, None]
            lean = np.zeros(len(points))
            np.add.at(lean, rows, dot(away[tied], to_the_left))
            out.left[rows] = lean[rows] >= 0

    def _look_again(
        self, which: np.ndarray, points: np.ndarray, rows: np.ndarray, found: tuple[np.ndarray, np.ndarray, np.ndarray]
    ) -> None:
        """Foot, tangent and whether at an end, of `rows`, are replaced where another branch of the edge is nearer."""
        table, own = self._table, which[rows]
        guess = self._branches.nearest(own, points[rows])
        foot, tangent = evaluate(table, own, guess, 1)
        at_end = ((guess <= table.ends[own, 0]) | (guess >= table.ends[own, 1])) & ~table.smooth[own]
        nearer = lengths(points[rows] - foot) < lengths(points[rows] - found[0][rows])
        for column, values in zip(found, (foot, tangent, at_end), strict=True):
            column[rows[nearer]] = values[nearer]

    def _at_corners(
        self,
        rows: np.ndarray,
        which: np.ndarray,
        foot: np.ndarray,
        at_end: np.ndarray,
        tied: np.ndarray,
        nearest: np.ndarray,
        distance: np.ndarray,
        least: np.ndarray,
    ) -> np.ndarray:
        """The tied candidates, and with those at a corner the other edges that meet there, if not quite.

        Which of two ends that a loose file leaves apart is the nearer says nothing about sides. Beside an end, a foot
        of another edge has its full distance in the sum that decides, and so the last word.
        """
        table, near = self._table, 2.0 * self._loose
        ends = table.line[table.first_sample[which]], table.line[table.last_sample[which]]
        by_end = at_end | (np.minimum(*(lengths(foot - end) for end in ends)) <= near)
        corner = np.zeros(len(nearest), dtype=bool)
        corner[rows[tied[by_end[tied]]]] = True
        meets = np.minimum(*(lengths(nearest[rows] - end) for end in ends)) <= 2.0 * near
        with_it = corner[rows] & meets & (distance <= least[rows] + near)
        with_it[tied] = True
        return np.flatnonzero(with_it)

    def _candidates(
        self, points: np.ndarray, face: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Rows, edges as used by their faces, and places on these' polylines, for all that may be the nearest.

        And the least distance that each may have [mm].
        """
        count = self._count[face]
        use, rows = ranges(self._first[face], count), np.repeat(np.arange(len(points)), count)
        box, at = self._table.boxes[self._use_edge[use]], points[rows]
        gap = lengths(np.maximum(np.maximum(box[:, 0] - at, at - box[:, 1]), 0.0))
        distance, off = self._from_lines(points, face)
        most = distance + off + max(self._tie, 4.0 * self._loose)
        kept = np.flatnonzero(gap <= most[rows])
        rows, use = rows[kept], use[kept]
        edge = self._use_edge[use]
        squared, start = on_polylines(self._table, points[rows], edge)
        least = np.sqrt(squared) - self._table.sags[edge]
        kept = np.flatnonzero(least <= most[rows])
        rows, use, edge, start, least = rows[kept], use[kept], edge[kept], start[kept], least[kept]
        line = self._table.line
        along = line[start + 1] - line[start]
        part = dot(points[rows] - line[start], along) / np.maximum(dot(along, along), 1e-300)
        return rows, use, start - self._table.first_sample[edge] + np.clip(part, 0.0, 1.0), least

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
            p, p1, p2 = evaluate(self._table, which[active], guess[active], 2)
            away = p - points[active]
            gradient, square = dot(away, p1), dot(p1, p1)
            hessian = square + dot(away, p2)
            bowl = hessian > 1e-9 * square
            step = -gradient / np.maximum(np.where(bowl, hessian, square), 1e-300)
            longest = 2.0 * spacing[active]  # no step is to jump to another part of the curve
            step = np.minimum(np.maximum(step, -longest), longest)
            new = np.minimum(np.maximum(guess[active] + step, low[active]), high[active])
            moved = np.abs(new - guess[active]) * np.sqrt(square)
            guess[active] = new
            # a full Newton step leaves about its square over the radius of curvature
            active = active[moved > np.where(bowl, 1e-7, 1e-11)]
        if len(active):
            guess[active] = self._branches.nearest(which[active], points[active])
        foot, tangent = evaluate(self._table, which, guess, 1)
        return foot, tangent, guess
