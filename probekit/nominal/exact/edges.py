"""Edges as B-spline curves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from ...geometry import apply_motion
from ...show import shown
from .taylor import curve_pieces

__all__ = ["PER_SPAN", "Edge", "powers_of"]

PER_SPAN = 24


@shown
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
    def pieces(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distinct knots, middles between them, and Taylor coefficients about these (spans, degree + 1, 3 or 4)."""
        breaks = self.breaks
        middles = 0.5 * (breaks[1:] + breaks[:-1])
        return breaks, middles, curve_pieces(self.poles, self.weights, self.knots, self.degree, breaks)

    @property
    def breaks(self) -> np.ndarray:
        """Distinct knots inside the domain, its ends included."""
        return np.unique(self.knots[self.degree : len(self.knots) - self.degree])

    @property
    def ends(self) -> tuple[float, float]:
        """First and last parameter."""
        return float(self.knots[self.degree]), float(self.knots[-self.degree - 1])

    @cached_property
    def samples(self) -> tuple[np.ndarray, np.ndarray]:
        """Parameters (m,) and points (m, 3) along the curve, dense enough to start Newton's method from."""
        per_span = 2 if self.degree == 1 else PER_SPAN
        t = np.unique(np.concatenate([np.linspace(a, b, per_span) for a, b in pairwise(self.breaks)]))
        return t, self.evaluate(t)[0]

    def evaluate(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Point, first and second derivative, each (n, 3), at parameters (n,)."""
        breaks, middles, pieces = self.pieces
        span = np.clip(np.searchsorted(breaks, t, side="right") - 1, 0, len(middles) - 1)
        powers = np.stack(powers_of(t - middles[span], self.degree, 2), axis=1)
        values = np.matmul(powers, pieces[span])  # (n, derivative, component)
        c, c1, c2 = values[:, 0], values[:, 1], values[:, 2]
        if self.weights is None:
            return c, c1, c2
        w, w1, w2 = c[:, 3:], c1[:, 3:], c2[:, 3:]
        p = c[:, :3] / w
        p1 = (c1[:, :3] - w1 * p) / w
        return p, p1, (c2[:, :3] - 2.0 * w1 * p1 - w2 * p) / w

    def moved(self, motion: np.ndarray) -> Edge:
        """The curve in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        return replace(self, poles=apply_motion(motion, self.poles))

    @cached_property
    def closed(self) -> bool:
        """Whether it ends where it starts."""
        line = self.samples[1]
        return bool(np.linalg.norm(line[0] - line[-1]) <= 1e-6)


def powers_of(x: np.ndarray, degree: int, order: int) -> list[np.ndarray]:
    """Powers 0..degree of x (n,), then their first to `order`-th derivatives, each (n, degree + 1)."""
    values = np.ones((len(x), degree + 1))
    for k in range(degree):
        np.multiply(values[:, k], x, out=values[:, k + 1])
    found = [values]
    factor = np.arange(1.0, degree + 1)
    for _ in range(order):
        derivative = np.zeros_like(values)
        derivative[:, 1:] = found[-1][:, :-1] * factor
        found.append(derivative)
    return found
