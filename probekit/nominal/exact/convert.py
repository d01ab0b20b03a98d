"""Surfaces and curves of the CAD kernel as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .convert_splines import plain, spline_surface, swept_surface
from .kernel import kernel
from .splines import newton
from .surfaces import KERNEL, NEWTON, Closest, Derivatives, Elementary, Surface

__all__ = ["KernelSurface", "face_surface"]


@dataclass(frozen=True, eq=False)
class KernelSurface:
    """Any other surface (an offset, an ellipse swept ...), evaluated by the kernel one point at a time."""

    handle: Any
    low: np.ndarray
    high: np.ndarray
    periods: tuple[float, float]
    kind: str = "other"

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        (gp,) = kernel("gp")
        found = np.empty((6 if order > 1 else 3, len(uv), 3))
        point, vectors = gp.gp_Pnt(), [gp.gp_Vec() for _ in range(5)]
        for k, (u, v) in enumerate(uv.tolist()):
            if order > 1:
                self.handle.D2(u, v, point, *vectors)
            else:
                self.handle.D1(u, v, point, *vectors[:2])
            found[0, k] = point.X(), point.Y(), point.Z()
            for i in range(1, len(found)):
                found[i, k] = vectors[i - 1].X(), vectors[i - 1].Y(), vectors[i - 1].Z()
        return tuple(found)

    def moved(self, motion: np.ndarray) -> KernelSurface:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        (gp,) = kernel("gp")
        move = gp.gp_Trsf()
        move.SetValues(*motion[:3].ravel().tolist())
        return replace(self, handle=self.handle.Transformed(move))

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), by Newton's method from `near` (n, 2)."""
        found = newton(self, points, near, self.low, self.high)
        found.how[found.how == NEWTON] = KERNEL
        return found


def face_surface(face: Any) -> tuple[str, Surface]:
    """Kind and surface of a kernel face."""
    adaptors, abstract = kernel("BRepAdaptor", "GeomAbs")
    adaptor = adaptors.BRepAdaptor_Surface(face, True)
    kinds = abstract.GeomAbs_SurfaceType
    kind = adaptor.GetType()
    if kind == kinds.GeomAbs_Plane:
        plane = adaptor.Plane()
        return "plane", Elementary("plane", *_frame(plane.Position()))
    if kind == kinds.GeomAbs_Cylinder:
        cylinder = adaptor.Cylinder()
        return "cylinder", Elementary("cylinder", *_frame(cylinder.Position()), cylinder.Radius())
    if kind == kinds.GeomAbs_Cone:
        cone = adaptor.Cone()
        radius, angle = cone.RefRadius(), cone.SemiAngle()
        middle = radius + 0.5 * (adaptor.FirstVParameter() + adaptor.LastVParameter()) * np.sin(angle)
        return "cone", Elementary("cone", *_frame(cone.Position()), radius, angle, 1.0 if middle >= 0 else -1.0)
    if kind == kinds.GeomAbs_Sphere:
        sphere = adaptor.Sphere()
        return "sphere", Elementary("sphere", *_frame(sphere.Position()), sphere.Radius())
    if kind == kinds.GeomAbs_Torus:
        torus = adaptor.Torus()
        return "torus", Elementary("torus", *_frame(torus.Position()), torus.MajorRadius(), torus.MinorRadius())
    if kind in (kinds.GeomAbs_BSplineSurface, kinds.GeomAbs_BezierSurface):
        return "spline", spline_surface(face)
    swept = swept_surface(face)
    return (swept.kind, swept) if swept is not None else ("other", _other(face))


def _frame(position: Any) -> tuple[np.ndarray, np.ndarray]:
    axes = [position.XDirection(), position.YDirection(), position.Direction()]
    return np.array(_xyz(position.Location())), np.array([_xyz(axis) for axis in axes])


def _xyz(thing: Any) -> tuple[float, float, float]:
    return thing.X(), thing.Y(), thing.Z()


def _other(face: Any) -> KernelSurface:
    adaptors, brep = kernel("BRepAdaptor", "BRep")
    adaptor = adaptors.BRepAdaptor_Surface(face, False)
    low, high, periods = np.full(2, -np.inf), np.full(2, np.inf), [0.0, 0.0]
    ends = (
        (adaptor.FirstUParameter(), adaptor.LastUParameter(), adaptor.IsUPeriodic(), adaptor.UPeriod),
        (adaptor.FirstVParameter(), adaptor.LastVParameter(), adaptor.IsVPeriodic(), adaptor.VPeriod),
    )
    for k, (first, last, periodic, period) in enumerate(ends):
        if periodic:
            periods[k] = period()
        elif abs(first) < 1e50 and abs(last) < 1e50:
            low[k], high[k] = first, last
    return KernelSurface(plain(brep.BRep_Tool.Surface_s(face)), low, high, (periods[0], periods[1]))
