"""Surfaces of revolution of B-spline curves."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .edges import Edge
from .splines import newton
from .surfaces import Closest, Derivatives

__all__ = ["Revolved"]

_TURN = 2.0 * np.pi


@dataclass(frozen=True, eq=False)
class Revolved:
    """S(u, v): the profile's point at v, turned by the angle u about an axis (ISO 10303-42, surface of revolution).

    Attributes
    ----------
    profile : Edge
        In the axis' own frame [mm].
    origin : (3,) float [mm]
    axes : (3, 3) float
        Rows X, Y, Z, right-handed, Z along the axis.
    periods : two float
        Period in u and v; 0 where there is none.
    """

    profile: Edge
    origin: np.ndarray
    axes: np.ndarray
    periods: tuple[float, float]
    kind: str = "revolution"

    @classmethod
    def about(
        cls, profile: Edge, origin: tuple[float, float, float], axis: tuple[float, float, float], *, closed: bool
    ) -> Revolved:
        """Turn a profile in the part's frame about an axis through `origin`; `closed` if it ends where it starts."""
        z = np.array(axis) / np.linalg.norm(axis)
        x = np.cross(np.eye(3)[np.abs(z).argmin()], z)
        x /= np.linalg.norm(x)
        axes = np.array([x, np.cross(z, x), z])
        local = Edge((profile.poles - origin) @ axes.T, profile.weights, profile.knots, profile.degree)
        first, last = local.ends
        return cls(local, np.array(origin), axes, (_TURN, last - first if closed else 0.0))

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        first, last = self.profile.ends
        v = first + np.mod(uv[:, 1] - first, self.periods[1]) if self.periods[1] else uv[:, 1]
        curve, curve1, curve2 = self.profile.evaluate(np.clip(v, first, last))
        turned = [self._turned(values, uv[:, 0]) for values in (curve, curve1, curve2)]
        quarter = [self._turned(_quarter(values), uv[:, 0]) for values in (curve, curve1)]
        found = (self.origin + turned[0], quarter[0], turned[1])
        if order < 2:
            return found
        inward = self._turned(curve * [-1.0, -1.0, 0.0], uv[:, 0])
        return (*found, inward, quarter[1], turned[2])

    def _turned(self, local: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Vectors (n, 3) of the axis' frame, turned by `u` (n,), in the part's frame."""
        cosine, sine = np.cos(u), np.sin(u)
        x = cosine * local[:, 0] - sine * local[:, 1]
        y = sine * local[:, 0] + cosine * local[:, 1]
        return np.column_stack([x, y, local[:, 2]]) @ self.axes

    def moved(self, motion: np.ndarray) -> Revolved:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        turn = motion[:3, :3]
        return replace(self, origin=turn @ self.origin + motion[:3, 3], axes=self.axes @ turn.T)

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), by Newton's method from `near` (n, 2)."""
        first, last = (-np.inf, np.inf) if self.periods[1] else self.profile.ends
        return newton(self, points, near, np.array([-np.inf, first]), np.array([np.inf, last]))


def _quarter(local: np.ndarray) -> np.ndarray:
    """Z x the vector: the derivative of turning it."""
    return np.column_stack([-local[:, 1], local[:, 0], np.zeros(len(local))])
