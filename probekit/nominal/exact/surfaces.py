"""Elementary surfaces: value, derivatives and closest point in closed form.

Parametrised as ISO 10303-42 does (plane, cylindrical, conical, spherical, toroidal surface), angles in radians:

plane      S = O + u X + v Y
cylinder   S = O + R (cos u X + sin u Y) + v Z
cone       S = O + (R + v sin a)(cos u X + sin u Y) + v cos a Z     (v along the generator)
sphere     S = O + R cos v (cos u X + sin u Y) + R sin v Z
torus      S = O + (R + r cos v)(cos u X + sin u Y) + r sin v Z
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np

__all__ = [
    *("BORDER", "CLOSED_FORM", "KERNEL", "NEWTON", "UNSETTLED"),
    *("Closest", "Derivatives", "Elementary", "Surface", "across", "dot", "lengths", "principal_curvatures"),
]

#: Value and derivatives (S, Su, Sv, Suu, Suv, Svv), each (n, 3); the second ones only where asked for.
Derivatives = tuple[np.ndarray, ...]

#: How a foot was found: by formula, by Newton's method, on an edge, crease or pole that the touch need not be above,
#: by Newton's method on the kernel's surface, not at all.
CLOSED_FORM, NEWTON, BORDER, KERNEL, UNSETTLED = 1, 2, 3, 4, 5

_TURN = 2.0 * np.pi
_POLE = 1e-10  # square of the ratio of the tangents' lengths below which curvatures are rounding


def across(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Cross product of rows (n, 3): many small batches go through here, for which NumPy's own is slow."""
    out = np.empty(a.shape)
    for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        out[:, i] = a[:, j] * b[:, k] - a[:, k] * b[:, j]
    return out


def lengths(vectors: np.ndarray) -> np.ndarray:
    """Length (...) of vectors (..., 3)."""
    return np.sqrt(dot(vectors, vectors))


def dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Scalar product (...) of vectors (..., 3)."""
    return np.einsum("...i,...i->...", a, b)


class Closest(NamedTuple):
    """Closest points of a whole surface: parameters (n, 2), how each was found (n,), foot and tangents (n, 3) each."""

    uv: np.ndarray
    how: np.ndarray
    foot: np.ndarray
    su: np.ndarray
    sv: np.ndarray


class Surface(Protocol):
    """What every surface can do."""

    kind: str

    @property
    def periods(self) -> tuple[float, float]:
        """Period in u and v; 0 where there is none."""

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), starting from parameters `near` (n, 2)."""

    def moved(self, motion: np.ndarray) -> Surface:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""


@dataclass(frozen=True, eq=False)
class Elementary:
    """Plane, cylinder, cone, sphere or torus; or many of one kind: then each attribute but the kind has n rows.

    Of many, `evaluate` and `closest` take the n-th row of what they are given on the n-th surface.

    Attributes
    ----------
    kind : str
        "plane", "cylinder", "cone", "sphere" or "torus".
    origin : (3,) float [mm]
    axes : (3, 3) float
        Rows X, Y, Z, orthonormal; may be left-handed.
    radius : float
        R [mm]; 0 for a plane.
    second : float
        Semi-angle a of a cone [rad], minor radius r of a torus [mm], else 0.
    side : float
        Side of its apex that a cone is used on: +1 where R + v sin a > 0, else -1.
    """

    kind: str
    origin: np.ndarray
    axes: np.ndarray
    radius: float | np.ndarray = 0.0
    second: float | np.ndarray = 0.0
    side: float | np.ndarray = 1.0

    @classmethod
    def stacked(cls, surfaces: Sequence[Elementary]) -> Elementary:
        """Surfaces of one kind as rows."""
        columns = zip(*((s.origin, s.axes, s.radius, s.second, s.side) for s in surfaces), strict=True)
        return cls(surfaces[0].kind, *(np.array(column) for column in columns))

    def rows(self, index: np.ndarray) -> Elementary:
        """Some of the rows, in any order and number."""
        columns = (self.origin, self.axes, self.radius, self.second, self.side)
        return Elementary(self.kind, *(column.take(index, axis=0) for column in columns))

    @property
    def periods(self) -> tuple[float, float]:
        """Period in u and v; 0 where there is none."""
        return {"plane": (0.0, 0.0), "torus": (_TURN, _TURN)}.get(self.kind, (_TURN, 0.0))

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        u, v = uv[:, :1], uv[:, 1:]
        x, y, z = self._directions
        if self.kind == "plane":
            zero = np.zeros((len(uv), 3))
            first = (self.origin + u * x + v * y, zero + x, zero + y)
            return first if order < 2 else (*first, zero, zero, zero)
        cos_u, sin_u = np.cos(u), np.sin(u)
        out, along = cos_u * x + sin_u * y, cos_u * y - sin_u * x
        rho, rho1, rho2, h, h1, h2 = self._outline(v)
        first = (self.origin + rho * out + h * z, rho * along, rho1 * out + h1 * z)
        if order < 2:
            return first
        return (*first, -rho * out, rho1 * along, rho2 * out + h2 * z)

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), its parameters in the turn nearest to `near` (n, 2)."""
        directions, away = self._directions, points - self.origin
        x, y, height = (dot(away, direction) for direction in directions)
        uv = np.empty((len(points), 2))
        if self.kind == "plane":
            uv[:, 0], uv[:, 1] = x, y
        else:
            side = self.side if self.kind == "cone" else 1.0
            rho = np.hypot(x, y)
            uv[:, 0] = np.where(rho > 0, np.arctan2(side * y, side * x), near[:, 0])
            uv[:, 1] = self._along_outline(rho, height)
        for k, period in enumerate(self.periods):
            if period:
                uv[:, k] += period * np.round((near[:, k] - uv[:, k]) / period)
        foot, su, sv = self.evaluate(uv, 1)
        if self.kind in ("cone", "sphere"):
            # at apex and pole Su has no length, but a direction it still has, and the normal needs it
            blind = dot(su, su) < 1e-24
            if blind.any():
                along = np.cos(uv[:, :1]) * directions[1] - np.sin(uv[:, :1]) * directions[0]
                su[blind] = along[blind]
        return Closest(uv, np.full(len(points), CLOSED_FORM, dtype=np.uint8), foot, su, sv)

    def moved(self, motion: np.ndarray) -> Elementary:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        turn = motion[:3, :3]
        return replace(self, origin=turn @ self.origin + motion[:3, 3], axes=self.axes @ turn.T)

    @property
    def _directions(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return self.axes[..., 0, :], self.axes[..., 1, :], self.axes[..., 2, :]

    def _outline(self, v: np.ndarray) -> tuple[np.ndarray | float, ...]:
        """Distance from the axis and height over v (n, 1), with first and second derivatives."""
        radius, second = np.asarray(self.radius)[..., None], np.asarray(self.second)[..., None]
        if self.kind == "cylinder":
            return radius, 0.0, 0.0, v, 1.0, 0.0
        if self.kind == "cone":
            sine, cosine = np.sin(second), np.cos(second)
            return radius + v * sine, sine, 0.0, v * cosine, cosine, 0.0
        large, small = (0.0, radius) if self.kind == "sphere" else (radius, second)
        cos_v, sin_v = np.cos(v), np.sin(v)
        return large + small * cos_v, -small * sin_v, -small * cos_v, small * sin_v, small * cos_v, -small * sin_v

    def _along_outline(self, rho: np.ndarray, height: np.ndarray) -> np.ndarray:
        """Parameter v (n,) of the closest point at a distance from the axis and a height (n,)."""
        if self.kind == "cylinder":
            return height
        if self.kind == "cone":
            # on the side of the apex that is used: at most the apex itself
            sine, cosine, side = np.sin(self.second), np.cos(self.second), self.side
            v = (side * rho - self.radius) * sine + height * cosine
            return np.where(side * (self.radius + v * sine) < 0, -self.radius / sine, v)
        return np.arctan2(height, rho - (self.radius if self.kind == "torus" else 0.0))


def principal_curvatures(derivatives: Derivatives, normal: np.ndarray) -> np.ndarray:
    """(n, 2) principal curvatures [1/mm], larger first; positive where the surface curves towards `normal` (n, 3).

    NaN beside a pole, where one tangent is so short that the quotients would be rounding.

    Notes
    -----
    Roots of k^2 - 2 H k + K = 0 with mean and Gaussian curvature from the two fundamental forms (M. P. do Carmo,
    Differential Geometry of Curves and Surfaces, sec. 3-3).
    """
    _, su, sv, suu, suv, svv = derivatives

    e, f, g = dot(su, su), dot(su, sv), dot(sv, sv)
    ll, mm, nn = dot(suu, normal), dot(suv, normal), dot(svv, normal)
    area = e * g - f * f
    with np.errstate(divide="ignore", invalid="ignore"):
        gauss = (ll * nn - mm * mm) / area
        mean = (ll * g - 2.0 * mm * f + nn * e) / (2.0 * area)
    root = np.sqrt(np.maximum(mean**2 - gauss, 0.0))
    out = np.column_stack([mean + root, mean - root])
    out[np.minimum(e, g) <= _POLE * np.maximum(e, g)] = np.nan
    return out
