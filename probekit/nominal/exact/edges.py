"""Edges as B-spline curves, and closest points on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from scipy.interpolate import BSpline

__all__ = ["Edge", "SegmentTree"]

_MOST = 30
_PER_SPAN = 24


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


@dataclass(frozen=True, eq=False)
class Edge:
    """A bounded B-spline curve, rational or not.

    Attributes
    ----------
    poles : (n, 3) float [mm]
    weights : (n,) float or None
    knots : (n + degree + 1,) float
    degree : int
    """

    poles: np.ndarray
    weights: np.ndarray | None
    knots: np.ndarray
    degree: int

    @cached_property
    def _curve(self) -> BSpline:
        from scipy.interpolate import BSpline

        values = self.poles
        if self.weights is not None:
            values = np.column_stack([self.poles * self.weights[:, None], self.weights])
        return BSpline(self.knots, values, self.degree)

    @property
    def ends(self) -> tuple[float, float]:
        """First and last parameter."""
        return float(self.knots[self.degree]), float(self.knots[-self.degree - 1])

    @cached_property
    def samples(self) -> tuple[np.ndarray, np.ndarray]:
        """Parameters (m,) and points (m, 3) along the curve, dense enough to start Newton's method from."""
        breaks = np.unique(self.knots[self.degree : len(self.knots) - self.degree])
        per_span = 2 if self.degree == 1 else _PER_SPAN
        t = np.unique(np.concatenate([np.linspace(a, b, per_span) for a, b in pairwise(breaks)]))
        return t, self.evaluate(t)[0]

    @cached_property
    def tree(self) -> SegmentTree:
        """Search tree of the samples' polyline."""
        return SegmentTree([self.samples[1]])

    @cached_property
    def sag(self) -> float:
        """Largest distance of the curve from the polyline of its samples [mm], as its middles show it."""
        t, line = self.samples
        middle = self.evaluate(0.5 * (t[1:] + t[:-1]))[0]
        return 1.5 * float(np.linalg.norm(middle - 0.5 * (line[1:] + line[:-1]), axis=1).max(initial=0.0))

    @cached_property
    def box(self) -> np.ndarray:
        """(2, 3) lower and upper corner of a box that holds the curve and its samples [mm]."""
        line = self.samples[1]
        return np.array([line.min(axis=0) - self.sag, line.max(axis=0) + self.sag])

    def evaluate(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Point, first and second derivative, each (n, 3), at parameters (n,)."""
        c, c1, c2 = (self._curve(t, nu=order) for order in (0, 1, 2))
        if self.weights is None:
            return c, c1, c2
        w, w1, w2 = c[:, 3:], c1[:, 3:], c2[:, 3:]
        p = c[:, :3] / w
        p1 = (c1[:, :3] - w1 * p) / w
        return p, p1, (c2[:, :3] - 2.0 * w1 * p1 - w2 * p) / w

    def locate(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Where the polyline of the samples comes nearest.

        Returns
        -------
        where : (n,) float
            Position along the polyline, counted in its segments.
        distance : (n,) float
            From there to the point [mm]: the curve's, but for its sag.
        """
        line = self.samples[1]
        distance, segment, nearest = self.tree.search(points)
        start, along = line[segment], line[segment + 1] - line[segment]
        square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
        part = np.clip(np.einsum("ij,ij->i", nearest - start, along) / square, 0.0, 1.0 - 1e-12)
        return segment + part, distance

    def closest(self, points: np.ndarray, where: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Closest point of the curve, by Newton's method.

        Parameters
        ----------
        points : (n, 3) float [mm]
        where : (n,) float
            Positions to start from, as `locate` gives them.

        Returns
        -------
        foot : (n, 3) float
        tangent : (n, 3) float
            Derivative there.
        at_end : (n,) bool
            Whether it is an end of the curve.
        """
        t, _ = self.samples
        foot, tangent, guess = self._newton(points, where)
        first, last = self.ends
        at_end = (guess <= first) | (guess >= last)
        if self._closed and at_end.any():  # the curve goes on at its other end
            rows = np.flatnonzero(at_end)
            other = np.where(guess[rows] <= first, len(t) - 1.0 - 1e-9, 0.0)
            foot2, tangent2, guess2 = self._newton(points[rows], other)
            near, near2 = (np.linalg.norm(points[rows] - there, axis=1) for there in (foot[rows], foot2))
            better = near2 < near
            foot[rows[better]], tangent[rows[better]] = foot2[better], tangent2[better]
            at_end[rows[better]] = ((guess2 <= first) | (guess2 >= last))[better]
            if self._smoothly_closed:
                at_end[:] = False
        return foot, tangent, at_end

    @cached_property
    def _closed(self) -> bool:
        line = self.samples[1]
        return bool(np.linalg.norm(line[0] - line[-1]) <= 1e-6)

    @cached_property
    def _smoothly_closed(self) -> bool:
        start, end = self.evaluate(np.array(self.ends))[1]
        lengths = np.linalg.norm(start) * np.linalg.norm(end)
        return self._closed and bool(start @ end > 0) and bool(np.linalg.norm(np.cross(start, end)) <= 1e-6 * lengths)

    def _newton(self, points: np.ndarray, where: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Foot, tangent and parameter of the closest point near positions on the polyline."""
        t, _ = self.samples
        whole = np.clip(np.floor(where).astype(int), 0, len(t) - 2)
        guess = np.interp(where, np.arange(len(t)), t)
        longest = 2.0 * (t[whole + 1] - t[whole])  # no step is to jump to another part of the curve
        first, last = self.ends
        for _ in range(_MOST):
            p, p1, p2 = self.evaluate(guess)
            away = p - points
            gradient, square = np.einsum("ij,ij->i", away, p1), np.einsum("ij,ij->i", p1, p1)
            hessian = square + np.einsum("ij,ij->i", away, p2)
            bowl = hessian > 1e-9 * square
            hessian = np.where(bowl, hessian, square)
            step = np.clip(-gradient / np.maximum(hessian, 1e-300), -longest, longest)
            new = np.clip(guess + step, first, last)
            moved = np.abs(new - guess) * np.sqrt(square)
            guess = new
            # a full Newton step leaves about its square over the radius of curvature
            if not len(points) or moved.max() < (1e-7 if bowl.all() else 1e-11):
                break
        foot, tangent, _ = self.evaluate(guess)
        return foot, tangent, guess
