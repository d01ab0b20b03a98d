"""Edges as B-spline curves, and closest points on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from scipy.interpolate import BSpline
    from scipy.spatial import cKDTree

__all__ = ["Edge"]

_MOST = 30
_PER_SPAN = 24


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
        spans = zip(breaks[:-1], breaks[1:], strict=True)
        t = np.unique(np.concatenate([np.linspace(a, b, per_span) for a, b in spans]))
        return t, self.evaluate(t)[0]

    @cached_property
    def tree(self) -> cKDTree:
        """Search tree of the samples."""
        from scipy.spatial import cKDTree

        return cKDTree(self.samples[1])

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
        nearest = self.tree.query(points)[1]
        best, where = np.full(len(points), np.inf), nearest.astype(float)
        for first in (nearest - 1, nearest):
            start = np.clip(first, 0, len(line) - 2)
            along = line[start + 1] - line[start]
            local = points - line[start]
            square = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
            part = np.clip(np.einsum("ij,ij->i", local, along) / square, 0.0, 1.0)
            local -= part[:, None] * along
            distance = np.einsum("ij,ij->i", local, local)
            better = distance < best
            best = np.where(better, distance, best)
            where = np.where(better, start + np.minimum(part, 1.0 - 1e-12), where)
        return where, np.sqrt(best)

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
        whole = np.floor(where).astype(int)
        guess = np.interp(where, np.arange(len(t)), t)
        low, high = t[np.maximum(whole - 1, 0)], t[np.minimum(whole + 2, len(t) - 1)]
        for _ in range(_MOST):
            p, p1, p2 = self.evaluate(guess)
            away = p - points
            gradient, square = np.einsum("ij,ij->i", away, p1), np.einsum("ij,ij->i", p1, p1)
            hessian = square + np.einsum("ij,ij->i", away, p2)
            hessian = np.where(hessian > 1e-3 * square, hessian, square)
            new = np.clip(guess - gradient / np.maximum(hessian, 1e-300), low, high)
            moved = np.abs(new - guess) * np.sqrt(square)
            guess = new
            if not len(points) or moved.max() < 1e-11:
                break
        foot, tangent, _ = self.evaluate(guess)
        first, last = self.ends
        return foot, tangent, (guess <= first) | (guess >= last)
