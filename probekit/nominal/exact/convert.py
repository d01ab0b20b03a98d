"""Surfaces and curves of the CAD kernel as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .convert_splines import plain, spline_surface, swept_surface
from .kernel import kernel
from .offsets import offset_of
from .splines import newton
from .surfaces import KERNEL, NEWTON, Closest, Derivatives, Elementary, Surface

__all__ = ["KernelSurface", "face_surface"]


@dataclass(frozen=True, eq=False)
class KernelSurface:
    """Any other surface (an offset with creases ...), evaluated by the kernel one point at a time."""

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
    adaptors, abstract, brep, geom = kernel("BRepAdaptor", "GeomAbs", "BRep", "Geom")
    adaptor = adaptors.BRepAdaptor_Surface(face, True)
    kinds = abstract.GeomAbs_SurfaceType
    kind = adaptor.GetType()
    if kind in (kinds.GeomAbs_BSplineSurface, kinds.GeomAbs_BezierSurface):
        return "spline", spline_surface(plain(brep.BRep_Tool.Surface_s(face)))
    found = _elementary(kind, adaptor, adaptor)
    if found is None:
        surface = plain(brep.BRep_Tool.Surface_s(face))
        found = swept_surface(face, surface)
        if found is None and isinstance(surface, geom.Geom_OffsetSurface):
            base = _base(face, plain(surface.BasisSurface()), adaptor)
            found = None if base is None else offset_of(base, surface.Offset())
    return (found.kind, found) if found is not None else ("other", _other(face))


def _elementary(kind: Any, surface: Any, trim: Any) -> Elementary | None:
    """A plane, cylinder, cone, sphere or torus of the kernel's adaptor; `trim` knows the parameters of the face."""
    (abstract,) = kernel("GeomAbs")
    kinds = abstract.GeomAbs_SurfaceType
    if kind == kinds.GeomAbs_Plane:
        return Elementary("plane", *_frame(surface.Plane().Position()))
    if kind == kinds.GeomAbs_Cylinder:
        cylinder = surface.Cylinder()
        return Elementary("cylinder", *_frame(cylinder.Position()), cylinder.Radius())
    if kind == kinds.GeomAbs_Cone:
        cone = surface.Cone()
        radius, angle = cone.RefRadius(), cone.SemiAngle()
        middle = radius + 0.5 * (trim.FirstVParameter() + trim.LastVParameter()) * np.sin(angle)
        return Elementary("cone", *_frame(cone.Position()), radius, angle, 1.0 if middle >= 0 else -1.0)
    if kind == kinds.GeomAbs_Sphere:
        sphere = surface.Sphere()
        return Elementary("sphere", *_frame(sphere.Position()), sphere.Radius())
    if kind == kinds.GeomAbs_Torus:
        torus = surface.Torus()
        return Elementary("torus", *_frame(torus.Position()), torus.MajorRadius(), torus.MinorRadius())
    return None


def _base(face: Any, surface: Any, trim: Any) -> Surface | None:
    """What a face's surface is offset from; None if it needs the kernel."""
    adaptors, geom = kernel("GeomAdaptor", "Geom")
    if isinstance(surface, geom.Geom_BSplineSurface | geom.Geom_BezierSurface):
        return spline_surface(surface)
    adaptor = adaptors.GeomAdaptor_Surface(surface)
    return _elementary(adaptor.GetType(), adaptor, trim) or swept_surface(face, surface)


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
