"""Curves drawn out or turned: surfaces of revolution of B-splines, conics and lines, extrusions of conics."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ...geometry import across as square_to
from .conics import Conic
from .edges import Edge
from .splines import newton
from .surfaces import Closest, Derivatives, dot

__all__ = ["Extruded", "Revolved"]

_TURN = 2.0 * np.pi
_BEYOND = 1e-3  # of its largest radius: how far a loose file may carry a profile over the axis
_FLAT = 1e-12  # part of its size that a profile may lie off a plane with the axis


@dataclass(frozen=True, eq=False)
class Revolved:
    """S(u, v): the profile's point at v, turned by the angle u about an axis (ISO 10303-42, surface of revolution).

    Attributes
    ----------
    profile : Edge or Conic
        In the axis' own frame [mm].
    origin : (3,) float [mm]
    axes : (3, 3) float
        Rows X, Y, Z, right-handed, Z along the axis.
    periods : two float
        Period in u and v; 0 where there is none.
    middle : float or None
        A v inside the face if it does not cross the axis: an unlimited profile goes on beyond it, where the same
        surface has its normal turned round.
    """

    profile: Edge | Conic
    origin: np.ndarray
    axes: np.ndarray
    periods: tuple[float, float]
    middle: float | None = None
    kind: str = "revolution"

    @classmethod
    def about(
        cls,
        profile: Edge | Conic,
        origin: tuple[float, float, float],
        axis: tuple[float, float, float],
        *,
        closed: bool,
        span: tuple[float, float] | None = None,
    ) -> Revolved:
        """Turn a profile in the part's frame about an axis through `origin`.

        `closed` if it ends where it starts; `span` is the part of it (v, v) that a face takes.
        """
        z = np.array(axis) / np.linalg.norm(axis)
        axes = np.array([*square_to(z), z])
        motion = np.eye(4)
        motion[:3, :3], motion[:3, 3] = axes, -axes @ origin
        local = profile.moved(motion)
        first, last = local.ends
        return cls(local, np.array(origin), axes, (_TURN, last - first if closed else 0.0), _one_sided(local, span))

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
        """Closest point of each of `points` (n, 3), starting from parameters `near` (n, 2).

        Of a profile in a plane with the axis, in closed form in u: the foot lies in the plane of the axis and the
        point. Newton's method is left with v, and does not creep round the axis, where u moves little or nothing.
        """
        first, last = (-np.inf, np.inf) if self.periods[1] else self.profile.ends
        low, high = np.array([-np.inf, first]), np.array([np.inf, last])
        if self._meridian is None:
            return newton(self, points, near, low, high)
        flat, start = self._meridian
        local = (points - self.origin) @ self.axes.T
        radius = np.hypot(local[:, 0], local[:, 1])
        by = near[:, 1] if self.middle is None else np.full(len(near), self.middle)
        ahead = flat.evaluate(np.column_stack([np.zeros(len(near)), by]), 1)[0][:, 0]
        side = np.where(ahead < 0, -1.0, 1.0)  # of the axis that the profile is on
        u = np.where(radius > 0, np.arctan2(side * local[:, 1], side * local[:, 0]) - start, near[:, 0])
        beside = np.column_stack([side * radius, np.zeros(len(points)), local[:, 2]])
        found = newton(flat, beside, np.column_stack([np.zeros(len(near)), near[:, 1]]), low, high)
        uv = np.column_stack([u + _TURN * np.round((near[:, 0] - u) / _TURN), found.uv[:, 1]])
        return Closest(uv, found.how, *self.evaluate(uv, 1))

    @cached_property
    def _meridian(self) -> tuple[_Flat, float] | None:
        """The profile turned into the plane y = 0, and the angle of its own plane; None if it lies in none."""
        across = self.profile.poles[:, :2]
        furthest = across[np.hypot(*across.T).argmax()]
        size = float(np.hypot(*furthest))
        if size == 0.0:
            return None
        cosine, sine = furthest / size
        along, off = across @ [cosine, sine], across @ [-sine, cosine]
        if np.abs(off).max() > _FLAT * size:
            return None
        poles = np.column_stack([along, np.zeros(len(along)), self.profile.poles[:, 2]])
        return _Flat(replace(self.profile, poles=poles), self.periods[1], np.array([0.0, 1.0, 0.0])), float(
            np.arctan2(sine, cosine)
        )


@dataclass(frozen=True, eq=False)
class Extruded:
    """S(u, v): the point of a conic at u, moved by v along a direction (ISO 10303-42, surface of linear extrusion).

    Attributes
    ----------
    profile : Conic
        In the part's frame [mm].
    direction : (3,) float
        Of unit length.
    """

    profile: Conic
    direction: np.ndarray
    kind: str = "extrusion"

    @property
    def periods(self) -> tuple[float, float]:
        """Period in u and v; 0 where there is none."""
        return (_TURN if self.profile.kind == "ellipse" else 0.0, 0.0)

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        curve, curve1, curve2 = self.profile.evaluate(uv[:, 0])
        along = np.broadcast_to(self.direction, curve.shape).copy()  # callers write into it
        first = (curve + uv[:, 1:] * self.direction, curve1, along)
        zero = np.zeros(curve.shape)
        return first if order < 2 else (*first, curve2, zero, zero)

    def moved(self, motion: np.ndarray) -> Extruded:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        return replace(self, profile=self.profile.moved(motion), direction=motion[:3, :3] @ self.direction)

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), starting from parameters `near` (n, 2): v in closed form."""
        across = self.profile.poles - np.outer(self.profile.poles @ self.direction, self.direction)
        flat = _Flat(replace(self.profile, poles=across), self.periods[0], self.direction)
        beside = points - np.outer(points @ self.direction, self.direction)
        start = np.column_stack([np.zeros(len(near)), near[:, 0]])
        first, last = (-np.inf, np.inf) if self.periods[0] else self.profile.ends
        low, high = np.array([-np.inf, first]), np.array([np.inf, last])
        found = newton(flat, beside, start, low, high)
        u = found.uv[:, 1]
        v = dot(points - self.profile.evaluate(u)[0], np.broadcast_to(self.direction, points.shape))
        uv = np.column_stack([u, v])
        return Closest(uv, found.how, *self.evaluate(uv, 1))


@dataclass(frozen=True, eq=False)
class _Flat:
    """A profile in a plane, drawn out square to it: S(u, v) = C(v) + u D. Who stays in the plane stays at u = 0."""

    profile: Edge | Conic
    period: float
    direction: np.ndarray

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        first, last = self.profile.ends
        v = first + np.mod(uv[:, 1] - first, self.period) if self.period else uv[:, 1]
        curve, curve1, curve2 = self.profile.evaluate(np.clip(v, first, last))
        across = np.broadcast_to(self.direction, curve.shape).copy()
        value = curve + uv[:, :1] * across
        zero = np.zeros(curve.shape)
        return (value, across, curve1) if order < 2 else (value, across, curve1, zero, zero, curve2)


def _one_sided(profile: Edge | Conic, span: tuple[float, float] | None) -> float | None:
    """A v in the middle of a span of a profile in its axis' frame that stays on one side of the axis, else None."""
    if span is None or not max(map(abs, span)) < 1e50:
        return None
    across = profile.evaluate(np.clip(np.linspace(*span, 17), *profile.ends))[0][:, :2]
    furthest = across[np.hypot(*across.T).argmax()]
    along = across @ furthest
    return 0.5 * (span[0] + span[1]) if along.min() > -_BEYOND * along.max() and along[8] > 0 else None


def _quarter(local: np.ndarray) -> np.ndarray:
    """Z x the vector: the derivative of turning it."""
    return np.column_stack([-local[:, 1], local[:, 0], np.zeros(len(local))])
