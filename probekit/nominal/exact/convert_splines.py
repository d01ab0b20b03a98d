"""B-spline surfaces, swept surfaces and edges of the CAD kernel as plain arrays."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np

from .conics import Conic
from .creases import Creased, bends
from .edges import Edge
from .kernel import kernel
from .splines import Spline
from .surfaces import Surface
from .swept import Extruded, Revolved

__all__ = ["edge_curves", "plain", "spline_surface", "swept_surface"]

_SMOOTH = 1e-6  # angle below which a knot of an edge is no kink [rad]
_AT_END = 1e-9  # part of an edge's range within which a knot is its end, written with other last digits
_BESIDE = 1e-5  # the same where the kernel cannot part the curve beside the knot


def spline_surface(surface: Any) -> Spline | Creased:
    """B-spline or Bezier surface of the kernel."""
    (convert,) = kernel("GeomConvert")
    return _smooth_parts(convert.GeomConvert.SurfaceToBSplineSurface_s(surface), "spline")


def swept_surface(face: Any, surface: Any) -> Surface | None:
    """Extrusion or revolution of a B-spline, conic or line, as a face is of it; None if the surface is neither."""
    (geom,) = kernel("Geom")
    if not isinstance(surface, geom.Geom_SurfaceOfLinearExtrusion | geom.Geom_SurfaceOfRevolution):
        return None
    curve = surface.BasisCurve()
    while isinstance(curve, geom.Geom_TrimmedCurve):
        curve = curve.BasisCurve()
    conic = _conic(curve)
    if isinstance(surface, geom.Geom_SurfaceOfLinearExtrusion) and conic is not None:
        return Extruded(conic, np.array(_xyz(surface.Direction())))
    if conic is None and not isinstance(curve, geom.Geom_BSplineCurve | geom.Geom_BezierCurve):
        return None
    if isinstance(surface, geom.Geom_SurfaceOfLinearExtrusion):
        return _extrusion(face, curve, surface.Direction())
    profile = conic or _b_spline_curve(curve, curve.FirstParameter(), curve.LastParameter())[0]
    axis = surface.Axis()
    (adaptors,) = kernel("BRepAdaptor")
    within = adaptors.BRepAdaptor_Surface(face, True)
    span = (within.FirstVParameter(), within.LastVParameter())
    return Revolved.about(profile, _xyz(axis.Location()), _xyz(axis.Direction()), closed=curve.IsClosed(), span=span)


def _conic(curve: Any) -> Conic | None:
    """A whole conic or line of the kernel; None if the curve is another one."""
    (geom,) = kernel("Geom")
    if isinstance(curve, geom.Geom_Line):
        origin, direction = curve.Position().Location(), curve.Position().Direction()
        return Conic("line", np.array([_xyz(origin), _xyz(direction), (0.0, 0.0, 0.0)]))
    if not isinstance(curve, geom.Geom_Conic):
        return None
    place = curve.Position()
    origin, x, y = (np.array(_xyz(one)) for one in (place.Location(), place.XDirection(), place.YDirection()))
    if isinstance(curve, geom.Geom_Circle):
        return Conic("ellipse", np.array([origin, curve.Radius() * x, curve.Radius() * y]))
    if isinstance(curve, geom.Geom_Ellipse):
        return Conic("ellipse", np.array([origin, curve.MajorRadius() * x, curve.MinorRadius() * y]))
    if isinstance(curve, geom.Geom_Hyperbola):
        return Conic("hyperbola", np.array([origin, curve.MajorRadius() * x, curve.MinorRadius() * y]))
    if isinstance(curve, geom.Geom_Parabola):
        return Conic("parabola", np.array([origin, x / (4.0 * curve.Focal()), y]))
    return None


def _extrusion(face: Any, curve: Any, direction: Any) -> Spline | Creased:
    """As a B-spline of degree 1 along the direction, longer than the face on either side."""
    geom, convert, tools = kernel("Geom", "GeomConvert", "BRepTools")
    if isinstance(curve, geom.Geom_BSplineCurve) and curve.IsPeriodic():
        curve = curve.Copy()
        curve.SetNotPeriodic()
    _, _, low, high = tools.BRepTools.UVBounds_s(face)
    more = high - low
    trimmed = geom.Geom_RectangularTrimmedSurface(
        geom.Geom_SurfaceOfLinearExtrusion(curve, direction),
        *(curve.FirstParameter(), curve.LastParameter(), low - more, high + more),
    )
    return _smooth_parts(convert.GeomConvert.SurfaceToBSplineSurface_s(trimmed), "extrusion")


def _smooth_parts(surface: Any, kind: str) -> Spline | Creased:
    """A kernel B-spline surface, cut along its creases if it has any."""
    periods = [0.0, 0.0]
    for k, (closed, periodic, unroll) in enumerate(
        (
            (surface.IsUClosed, surface.IsUPeriodic, surface.SetUNotPeriodic),
            (surface.IsVClosed, surface.IsVPeriodic, surface.SetVNotPeriodic),
        )
    ):
        was_closed = closed()
        if periodic():
            unroll()
        if was_closed:
            low, high = _domain(surface)
            periods[k] = high[k] - low[k]
    low, high = _domain(surface)
    cuts: list[list[float]] = []
    for k in (0, 1):
        knots, many, degree = _knots(surface)[k]
        unsmooth = [knot for knot, m in zip(knots, many, strict=True) if m >= degree and low[k] < knot < high[k]]
        if not unsmooth and not periods[k]:
            cuts.append([])
            continue
        strips = _cut(surface, k, unsmooth, kind)
        cuts.append([knot for knot, a, b in zip(unsmooth, strips[:-1], strips[1:], strict=True) if bends(a, b, k)])
        if periods[k] and bends(strips[-1], strips[0], k):
            cuts[k].append(high[k])
    whole = _arrays(surface, kind, (periods[0], periods[1]))
    if not any(cuts):
        return whole
    inner = [[cut for cut in cuts[k] if cut < high[k]] for k in (0, 1)]
    kept = tuple(0.0 if cuts[k] else periods[k] for k in (0, 1))
    parts = []
    for u0, u1 in pairwise([low[0], *inner[0], high[0]]):
        row = []
        for v0, v1 in pairwise([low[1], *inner[1], high[1]]):
            part = surface.Copy()
            part.Segment(u0, u1, v0, v1)
            row.append(_arrays(part, kind, kept))
        parts.append(tuple(row))
    return Creased(tuple(parts), (periods[0], periods[1]), kind)


def _cut(surface: Any, k: int, at: list[float], kind: str) -> list[Spline]:
    """Strips of a surface between parameters of one direction."""
    low, high = _domain(surface)
    strips = []
    for a, b in pairwise([low[k], *at, high[k]]):
        strip = surface.Copy()
        strip.Segment(*((a, b, low[1], high[1]) if k == 0 else (low[0], high[0], a, b)))
        strips.append(_arrays(strip, kind, (0.0, 0.0)))
    return strips


def _arrays(surface: Any, kind: str, periods: tuple[float, float]) -> Spline:
    nu, nv = surface.NbUPoles(), surface.NbVPoles()
    poles = np.array([[surface.Pole(i + 1, j + 1).Coord() for j in range(nv)] for i in range(nu)])
    rational = surface.IsURational() or surface.IsVRational()
    weights = np.array([[surface.Weight(i + 1, j + 1) for j in range(nv)] for i in range(nu)]) if rational else None
    full = [np.repeat(knots, many) for knots, many, _ in _knots(surface)]
    return Spline(poles, weights, (full[0], full[1]), (surface.UDegree(), surface.VDegree()), periods, kind)


def _knots(surface: Any) -> tuple[tuple[list[float], list[int], int], tuple[list[float], list[int], int]]:
    """Knots, multiplicities and degree along u, and along v."""
    u, v = range(1, surface.NbUKnots() + 1), range(1, surface.NbVKnots() + 1)
    return (
        ([surface.UKnot(k) for k in u], [surface.UMultiplicity(k) for k in u], surface.UDegree()),
        ([surface.VKnot(k) for k in v], [surface.VMultiplicity(k) for k in v], surface.VDegree()),
    )


def edge_curves(edge: Any) -> tuple[Edge, ...]:
    """The curve of a kernel edge as B-splines, which represent every conic exactly; several where it has kinks."""
    adaptors, brep = kernel("BRepAdaptor", "BRep")
    adaptor = adaptors.BRepAdaptor_Curve(edge)
    first, last = adaptor.FirstParameter(), adaptor.LastParameter()
    curve = brep.BRep_Tool.Curve_s(edge, first, last)
    try:
        whole = _b_spline_curve(curve, first, last)
    except Exception:  # the kernel's errors share no base
        ends = _at_knots(curve, first, last)
        if ends is None:
            raise
        first, last = ends
        whole = _b_spline_curve(curve, first, last)
    near = _AT_END * (last - first)
    unsmooth = [knot for knot, many in whole[1] if many >= whole[0].degree and first + near < knot < last - near]
    kinks = []
    for knot, before, after in zip(unsmooth, [first, *unsmooth], [*unsmooth[1:], last], strict=False):
        pieces = (_b_spline_curve(curve, a, b)[0] for a, b in ((before, knot), (knot, after)))
        tangents = [piece.evaluate(np.array([knot]))[1][0] for piece in pieces]
        one, two = (tangent / max(np.linalg.norm(tangent), 1e-300) for tangent in tangents)
        if np.linalg.norm(one - two) > _SMOOTH:
            kinks.append(knot)
    if not kinks:
        return (whole[0],)
    return tuple(_b_spline_curve(curve, a, b)[0] for a, b in zip([first, *kinks], [*kinks, last], strict=True))


def _b_spline_curve(curve: Any, first: float, last: float) -> tuple[Edge, list[tuple[float, int]]]:
    """Part of a kernel curve as a B-spline, and its knots with their multiplicities."""
    geom, convert = kernel("Geom", "GeomConvert")
    spline = convert.GeomConvert.CurveToBSplineCurve_s(geom.Geom_TrimmedCurve(curve, first, last))
    if spline.IsPeriodic():
        spline.SetNotPeriodic()
    count = spline.NbPoles()
    poles = np.array([spline.Pole(k + 1).Coord() for k in range(count)])
    weights = np.array([spline.Weight(k + 1) for k in range(count)]) if spline.IsRational() else None
    knots = [(spline.Knot(k + 1), spline.Multiplicity(k + 1)) for k in range(spline.NbKnots())]
    full = np.repeat([knot for knot, _ in knots], [many for _, many in knots])
    return Edge(poles, weights, full, spline.Degree()), knots


def _at_knots(curve: Any, first: float, last: float) -> tuple[float, float] | None:
    """Knots of a kernel curve that the ends of a part of it lie beside; None if they do not.

    A loose file leaves a vertex a little off its knot, and the kernel may fail to insert another knot there.
    """
    (geom,) = kernel("Geom")
    if not isinstance(curve, geom.Geom_BSplineCurve):
        return None
    knots = np.array([curve.Knot(k + 1) for k in range(curve.NbKnots())])
    if curve.IsPeriodic():
        knots = (knots + curve.Period() * np.arange(-2, 3)[:, None]).ravel()
    one, two = (float(knots[np.abs(knots - end).argmin()]) for end in (first, last))
    beside = max(abs(one - first), abs(two - last)) <= _BESIDE * (last - first)
    return (one, two) if beside and one < two else None


def plain(surface: Any) -> Any:
    """The surface under a rectangular trim, whose parameters it keeps."""
    (geom,) = kernel("Geom")
    while isinstance(surface, geom.Geom_RectangularTrimmedSurface):
        surface = surface.BasisSurface()
    return surface


def _domain(surface: Any) -> tuple[np.ndarray, np.ndarray]:
    u = surface.UKnot(surface.FirstUKnotIndex()), surface.UKnot(surface.LastUKnotIndex())
    v = surface.VKnot(surface.FirstVKnotIndex()), surface.VKnot(surface.LastVKnotIndex())
    return np.array([u[0], v[0]]), np.array([u[1], v[1]])


def _xyz(thing: Any) -> tuple[float, float, float]:
    return thing.X(), thing.Y(), thing.Z()
