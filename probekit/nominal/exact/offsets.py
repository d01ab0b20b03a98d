"""Offset surfaces: a surface moved along its normal. Nearest points are those of the surface, moved as well."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...errors import InputError
from .splines import Spline
from .surfaces import Closest, Derivatives, Elementary, Surface, across, dot, lengths, principal_curvatures
from .swept import Extruded, Revolved

__all__ = ["Offset", "offset_of"]

_LEFT = 1e-6  # part of its radius of curvature that an offset must leave


@dataclass(frozen=True, eq=False)
class Offset:
    """S(u, v) = B(u, v) + d N(u, v), with N the unit normal Bu x Bv (ISO 10303-42, offset surface).

    Attributes
    ----------
    base : Surface
        B, smooth.
    distance : float
        d [mm], less than the least radius of B on that side, see `require_regular`.
    """

    base: Surface
    distance: float
    kind: str = "offset"

    @property
    def periods(self) -> tuple[float, float]:
        """Period in u and v; 0 where there is none."""
        return self.base.periods

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2).

        Of the second derivatives only the part along the normal, which curvatures are made of: Suu . N = -Su . Nu,
        because Su . N is 0 everywhere, and so on.
        """
        b, bu, bv, buu, buv, bvv = self.base.evaluate(uv, 2)
        normal, nu, nv = _turning(bu, bv, buu, buv, bvv)
        su, sv = bu + self.distance * nu, bv + self.distance * nv
        first = (b + self.distance * normal, su, sv)
        if order < 2:
            return first
        along = ((su, nu), (su, nv), (sv, nv))
        return (*first, *(-dot(one, other)[:, None] * normal for one, other in along))

    def moved(self, motion: np.ndarray) -> Offset:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        return replace(self, base=self.base.moved(motion))

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), starting from parameters `near` (n, 2).

        Both surfaces have the same normals, so a point has its feet on both at the same parameters. One is nearest on
        both or on neither: the distance h from B has the second derivatives 1 - h k, that from S (1 - h k) / (1 - d k),
        for each curvature k of B, and 1 - d k is positive where an offset surface is regular.
        """
        found = self.base.closest(points, near)
        return Closest(found.uv, found.how, *self.evaluate(found.uv, 1))

    def require_regular(self, uv: np.ndarray, called: str) -> None:
        """Refuse an offset deeper than a radius of curvature at some of the parameters (n, 2): there it folds.

        Raises
        ------
        InputError
            It names the face as it is `called`.
        """
        derivatives = self.base.evaluate(uv, 2)
        normal = _turning(*derivatives[1:])[0]
        curvature = principal_curvatures(derivatives, normal)
        left = 1.0 - self.distance * curvature
        if np.nanmin(left, initial=1.0) > _LEFT:
            return
        radius = abs(1.0 / curvature.flat[np.nanargmin(left)])
        raise InputError(
            f"{called} of the STEP file is offset by more than its surface is curved, so that it folds",
            found=f"radius of curvature {radius:.6g} mm, offset {abs(self.distance):.6g} mm",
            todo="Repair that face in the CAD system and export the part again.",
        )


def _turning(bu: np.ndarray, bv: np.ndarray, *second: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit normal (n, 3) and its derivatives, from those of the surface."""
    buu, buv, bvv = second
    natural = across(bu, bv)
    length = np.maximum(lengths(natural), 1e-300)[:, None]
    normal = natural / length
    out = [normal]
    for change in (across(buu, bv) + across(bu, buv), across(buv, bv) + across(bu, bvv)):
        out.append((change - dot(change, normal)[:, None] * normal) / length)
    return out[0], out[1], out[2]


def offset_of(base: Surface, distance: float) -> Surface | None:
    """A surface moved by `distance` along Su x Sv [mm]: of an elementary one another of its kind; None if it cannot be.

    Only of smooth surfaces: at a crease the sides of the offset part.

    Raises
    ------
    InputError
        If a cylinder, sphere or torus would be turned inside out.
    """
    if isinstance(base, Spline | Extruded | Revolved):
        return Offset(base, distance)
    if not isinstance(base, Elementary):
        return None
    out = distance * float(np.linalg.det(base.axes))  # of left-handed axes the normal points the other way
    z = base.axes[2]
    if base.kind == "plane":
        return replace(base, origin=base.origin + out * z)
    if base.kind == "cone":
        out *= float(base.side)
        sine, cosine = np.sin(base.second), np.cos(base.second)
        return replace(base, origin=base.origin - out * sine * z, radius=base.radius + out * cosine)
    size = "second" if base.kind == "torus" else "radius"
    radius = float(getattr(base, size))
    if radius + out <= 0:
        raise InputError(
            f"a {base.kind} of the STEP file is offset beyond its own axis or centre",
            found=f"radius {radius:.6g} mm, offset {distance:.6g} mm",
            todo="Repair that face in the CAD system and export the part again.",
        )
    return replace(base, **{size: radius + out})
