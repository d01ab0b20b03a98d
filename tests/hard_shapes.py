"""Shapes that are hard to measure on, each for a reason of its own; made by the CAD kernel. Lengths in mm.

Import this only after ``pytest.importorskip("OCP")``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import exact_shapes as es
import numpy as np
import OCP.collections as kernel_arrays
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeSolid,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_NurbsConvert,
    BRepBuilderAPI_Sewing,
    BRepBuilderAPI_Transform,
)
from OCP.BRepLib import BRepLib
from OCP.BRepOffsetAPI import BRepOffsetAPI_ThruSections
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
    BRepPrimAPI_MakeRevol,
    BRepPrimAPI_MakeSphere,
    BRepPrimAPI_MakeTorus,
)
from OCP.Geom import (
    Geom_BezierSurface,
    Geom_BSplineSurface,
    Geom_Circle,
    Geom_Ellipse,
    Geom_Hyperbola,
    Geom_Parabola,
)
from OCP.gp import gp_Ax1, gp_Ax2, gp_Circ, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS, TopoDS_Shape

__all__ = ["HARD", "for_brute_force", "scaled"]


def at(point: Sequence[float]) -> gp_Pnt:
    """A point of the kernel's."""
    return gp_Pnt(*map(float, point))


def fuse(*shapes: TopoDS_Shape) -> TopoDS_Shape:
    out = shapes[0]
    for shape in shapes[1:]:
        out = BRepAlgoAPI_Fuse(out, shape).Shape()
    return out


def cut(shape: TopoDS_Shape, *tools: TopoDS_Shape) -> TopoDS_Shape:
    for tool in tools:
        shape = BRepAlgoAPI_Cut(shape, tool).Shape()
    return shape


def common(one: TopoDS_Shape, two: TopoDS_Shape) -> TopoDS_Shape:
    return BRepAlgoAPI_Common(one, two).Shape()


def scaled(shape: TopoDS_Shape, factor: float) -> TopoDS_Shape:
    """Larger or smaller about the origin."""
    move = gp_Trsf()
    move.SetScale(gp_Pnt(0, 0, 0), factor)
    return BRepBuilderAPI_Transform(shape, move, True).Shape()


def box(low: Sequence[float], high: Sequence[float]) -> TopoDS_Shape:
    return BRepPrimAPI_MakeBox(at(low), at(high)).Shape()


def axis(point: Sequence[float], direction: Sequence[float], x: Sequence[float] | None = None) -> gp_Ax2:
    if x is None:
        return gp_Ax2(at(point), gp_Dir(*map(float, direction)))
    return gp_Ax2(at(point), gp_Dir(*map(float, direction)), gp_Dir(*map(float, x)))


def ball(centre: Sequence[float], radius: float) -> TopoDS_Shape:
    return BRepPrimAPI_MakeSphere(at(centre), radius).Shape()


def polygon(points: Sequence[Sequence[float]]) -> BRepBuilderAPI_MakePolygon:
    out = BRepBuilderAPI_MakePolygon()
    for point in points:
        out.Add(at(point))
    out.Close()
    return out


def ruled_between(*sections: Sequence[Sequence[float]]) -> TopoDS_Shape:
    """Polygons joined by ruled faces."""
    loft = BRepOffsetAPI_ThruSections(True, True, 1e-6)
    for section in sections:
        loft.AddWire(polygon(section).Wire())
    loft.Build()
    return loft.Shape()


def ring(sides: int, radius: float, turn: float, height: float) -> np.ndarray:
    angle = turn + 2 * np.pi * np.arange(sides) / sides
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.full(sides, height)])


def patch(degree_u: int, degree_v: int, seed: int, rough: float = 8.0) -> TopoDS_Shape:
    """A body under one Bezier patch with heights at random."""
    heights = iter(np.random.default_rng(seed).uniform(-rough, rough, (degree_u + 1) * (degree_v + 1)))
    x, y = np.linspace(0, 60, degree_u + 1), np.linspace(0, 50, degree_v + 1)
    knots, ends = es.reals([0, 1]), [es.integers([degree + 1] * 2) for degree in (degree_u, degree_v)]
    poles = es.point_grid(x, y, lambda _a, _b: next(heights))
    return es.slab(Geom_BSplineSurface(poles, knots, knots, *ends, degree_u, degree_v), 30.0)


def skin(height: Callable[[float, float], float], x: np.ndarray, y: np.ndarray, depth: float = 30.0) -> TopoDS_Shape:
    """A body under a smooth surface through a grid of heights."""
    return es.slab(es.GeomAPI_PointsToBSplineSurface(es.point_grid(x, y, height)).Surface(), depth)


def turned(edges: Sequence[object], corners: Sequence[Sequence[float]], about: gp_Ax1 | None = None) -> TopoDS_Shape:
    """A body of revolution: curved edges, then straight ones through corners."""
    wire = BRepBuilderAPI_MakeWire()
    for edge in edges:
        wire.Add(edge)
    for a, b in pairwise(corners):
        wire.Add(BRepBuilderAPI_MakeEdge(at(a), at(b)).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakeRevol(face, about or gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 2 * np.pi).Shape()


def drawn(edges: Sequence[object], corners: Sequence[Sequence[float]], along: Sequence[float]) -> TopoDS_Shape:
    """A prism: curved edges, then straight ones through corners."""
    wire = BRepBuilderAPI_MakeWire()
    for edge in edges:
        wire.Add(edge)
    for a, b in pairwise(corners):
        wire.Add(BRepBuilderAPI_MakeEdge(at(a), at(b)).Edge())
    return BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(wire.Wire()).Face(), gp_Vec(*map(float, along))).Shape()


def arc_of(conic: object, first: float, last: float) -> object:
    return BRepBuilderAPI_MakeEdge(conic, float(first), float(last)).Edge()


ELLIPSE = Geom_Ellipse(axis((0, 0, 0), (0, 0, 1)), 30.0, 12.0)


def ellipse_tube() -> TopoDS_Shape:
    """A bore of elliptic section, drawn aslant, in a block: touches inside reach its medial axis."""
    tool = drawn([BRepBuilderAPI_MakeEdge(ELLIPSE).Edge()], [], (6, 3, 50))
    return cut(box((-40, -25, 5), (46, 28, 40)), tool)


def parabola_trough() -> TopoDS_Shape:
    curve = Geom_Parabola(axis((0, 0, 0), (0, 0, 1)), 4.0)  # x = y^2 / 16
    a, b = (float(25**2 / 16), -25.0), (float(25**2 / 16), 25.0)
    return drawn([arc_of(curve, -25, 25)], [(*b, 0), (50, 25, 0), (50, -25, 0), (*a, 0)], (0, 0, 40))


def hyperbola_ridge() -> TopoDS_Shape:
    curve = Geom_Hyperbola(axis((0, 0, 0), (0, 0, 1)), 10.0, 5.0)
    first, last = curve.Value(-1.5).Coord(), curve.Value(1.5).Coord()
    return drawn([arc_of(curve, -1.5, 1.5)], [last, (40, last[1], 0), (40, first[1], 0), first], (4, 0, 30))


def oblique_cylinder() -> TopoDS_Shape:
    """A circle drawn aslant: not a cylinder of the standard."""
    circle = Geom_Circle(axis((0, 0, 0), (0, 0, 1)), 15.0)
    return drawn([BRepBuilderAPI_MakeEdge(circle).Edge()], [], (12, 5, 40))


def upright(conic: str, *sizes: float, centre: Sequence[float] = (0, 0, 0)) -> object:
    """A conic in the plane y = 0, its first axis along x, its second along z."""
    kinds = {"ellipse": Geom_Ellipse, "hyperbola": Geom_Hyperbola, "parabola": Geom_Parabola, "circle": Geom_Circle}
    return kinds[conic](axis(centre, (0, -1, 0), (1, 0, 0)), *sizes)


def standing_parabola() -> TopoDS_Shape:
    """A paraboloid: z = x^2 / 20 turned about its axis."""
    curve = Geom_Parabola(axis((0, 0, 0), (0, 1, 0), (0, 0, 1)), 5.0)
    end = curve.Value(30.0).Coord()
    return turned([arc_of(curve, 0, 30)], [end, (0, 0, end[2]), (0, 0, 0)])


def egg() -> TopoDS_Shape:
    """An ellipse turned about its long axis, with two poles."""
    curve = Geom_Ellipse(axis((0, 0, 0), (0, -1, 0), (0, 0, 1)), 30.0, 12.0)
    return turned([arc_of(curve, 0, np.pi)], [(0, 0, -30), (0, 0, 30)])


def elliptic_ring() -> TopoDS_Shape:
    """An ellipse aslant turned about an axis beside it."""
    curve = Geom_Ellipse(axis((30, 0, 0), (0, -1, 0), (1, 0, 0.5)), 12.0, 5.0)
    return turned([BRepBuilderAPI_MakeEdge(curve).Edge()], [])


def hyperbola_horn() -> TopoDS_Shape:
    curve = upright("hyperbola", 10.0, 14.0)
    first, last = curve.Value(-1.0).Coord(), curve.Value(1.2).Coord()
    return turned([arc_of(curve, -1.0, 1.2)], [last, (0, 0, last[2]), (0, 0, first[2]), first])


def skew_line() -> TopoDS_Shape:
    """A hyperboloid of one sheet: a straight line turned about an axis that it does not meet."""
    line = BRepBuilderAPI_MakeEdge(at((15, 0, 0)), at((8, 18, 40))).Edge()
    side = BRepPrimAPI_MakeRevol(line, gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 2 * np.pi).Shape()
    sewing = BRepBuilderAPI_Sewing(1e-6)
    sewing.Add(side)
    for height, radius in ((0.0, 15.0), (40.0, float(np.hypot(8, 18)))):
        circle = gp_Circ(axis((0, 0, height), (0, 0, 1)), radius)
        sewing.Add(
            BRepBuilderAPI_MakeFace(BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(circle).Edge()).Wire()).Face()
        )
    sewing.Perform()
    shell = es.parts(sewing.SewedShape(), TopAbs_ShapeEnum.TopAbs_SHELL)[0]
    solid = BRepBuilderAPI_MakeSolid(TopoDS.Shell(shell)).Solid()
    BRepLib.OrientClosedSolid_s(solid)
    return solid


def lemon() -> TopoDS_Shape:
    """An arc less than its radius from the axis turned about it: the inner part of a spindle torus, two tips."""
    curve = upright("circle", 25.0, centre=(-15, 0, 0))
    return turned([arc_of(curve, -np.arccos(15 / 25), np.arccos(15 / 25))], [(0, 0, 20), (0, 0, -20)])


def apple() -> TopoDS_Shape:
    """The outer part of a spindle torus, dimples at both ends."""
    curve = upright("circle", 25.0, centre=(15, 0, 0))
    reach = np.pi - np.arccos(15 / 25)
    return turned([arc_of(curve, -reach, reach)], [(0, 0, 20), (0, 0, -20)])


def pointed_vase() -> TopoDS_Shape:
    """A spline turned that meets its axis square at one end and aslant at the other."""
    points = np.array([[0, 0, 0], [14, 0, 3], [18, 0, 18], [6, 0, 34], [0, 0, 46]], dtype=float)
    return turned([BRepBuilderAPI_MakeEdge(es.profile_curve(points)).Edge()], [(0, 0, 46), (0, 0, 0)])


def cone_cut_through_apex(tilt: float) -> TopoDS_Shape:
    """Half a cone, cut by a plane through its apex."""
    whole = BRepPrimAPI_MakeCone(axis((0, 0, 0), (0, 0, 1)), 15.0, 0.0, 30.0).Shape()
    tool = BRepPrimAPI_MakeBox(axis((0, 0, 30), (np.cos(tilt), 0, np.sin(tilt)), (0, 1, 0)), 100, 100, 100)
    move = gp_Trsf()
    side = np.cross((np.cos(tilt), 0, np.sin(tilt)), (0, 1, 0))
    move.SetTranslation(gp_Vec(*map(float, -50 * (np.array([0.0, 1, 0]) + side))))
    return cut(whole, BRepBuilderAPI_Transform(tool.Shape(), move, True).Shape())


def needle() -> TopoDS_Shape:
    """A pyramid of 4 degrees at its tip."""
    a = np.array([[0, 0, 0], [60, 2.1, 0.4], [60, -1.0, 2.0], [60, -1.5, -1.8]])
    return ruled_to_tip(a[0], a[1:])


def ruled_to_tip(tip: np.ndarray, base: np.ndarray) -> TopoDS_Shape:
    loft = BRepOffsetAPI_ThruSections(True, True, 1e-6)
    loft.AddVertex(es.vertex(tip))
    loft.AddWire(polygon(base).Wire())
    loft.Build()
    return loft.Shape()


def nested() -> TopoDS_Shape:
    """A ball in the cavity of a ball in the cavity of a box."""
    hollow = cut(box((-30, -30, -30), (30, 30, 30)), ball((0, 0, 0), 26))
    return es.compound([hollow, cut(ball((1, 0, 0), 22), ball((0, 1, 0), 15)), ball((0, 1, 2), 10)])


def interlocked() -> TopoDS_Shape:
    """Two rings linked like those of a chain, and a pin in the mouth of a C."""
    one = BRepPrimAPI_MakeTorus(axis((0, 0, 0), (0, 0, 1)), 20, 5).Shape()
    two = BRepPrimAPI_MakeTorus(axis((20, 0, 0), (0, 1, 0)), 20, 6).Shape()
    c = cut(box((-20, -60, -8), (20, -30, 8)), box((-12, -65, -9), (12, -38, 9)))
    pin = BRepPrimAPI_MakeCylinder(axis((0, -48, -10), (0, 0, 1)), 5, 20).Shape()
    return es.compound([one, two, c, pin])


def thin_plate() -> TopoDS_Shape:
    return es.moved(box((0, 0, 0), (50, 40, 0.3)), (1, 2, 3), 0.7, (5, 6, 7))


def thin_tube() -> TopoDS_Shape:
    outer = BRepPrimAPI_MakeCylinder(axis((0, 0, 0), (0.2, 0, 1)), 20.0, 40.0).Shape()
    inner = BRepPrimAPI_MakeCylinder(axis((0, 0, 0), (0.2, 0, 1)), 19.7, 40.0).Shape()
    return cut(outer, inner)


def thin_skin() -> TopoDS_Shape:
    """A curved wall of 0.3 mm."""
    return skin(lambda a, b: 5 * np.sin(a / 12) + b**2 / 90, np.linspace(0, 60, 9), np.linspace(0, 40, 7), 0.3)


def valley() -> TopoDS_Shape:
    """A valley of parabolic section, z = (x - 30)^2 / 30, that falls along y: its medial sheet stands over it."""
    poles = es.point_grid(np.array([0.0, 30, 60]), np.array([0.0, 50]), lambda a, b: 30 - 2 * (a % 60) + 0.02 * b)
    return es.slab(Geom_BezierSurface(poles), 35.0)


def waves() -> TopoDS_Shape:
    """Waves that are as deep as wide: centres of curvature close to the skin."""
    return skin(lambda a, b: 4 * np.sin(a / 4) * np.cos(b / 6), np.linspace(0, 60, 61), np.linspace(0, 50, 41))


def fillets() -> TopoDS_Shape:
    """A pocket whose corners are rounded by 0.5 mm: smaller than most balls."""
    pocket = es.all_edges_rounded(box((0, 0, 0), (40, 30, 40)), 0.5)
    return cut(box((-8, -8, -8), (48, 38, 25)), pocket)


def collapsed() -> TopoDS_Shape:
    """A Bezier patch with one side of no length."""
    poles = kernel_arrays.Array2_gp_Pnt(1, 4, 1, 3)
    rng = np.random.default_rng(4)
    for i in range(4):
        for j in range(3):
            width = i / 3.0
            poles.SetValue(i + 1, j + 1, at((20 * i, (j - 1) * 25 * width, 8 * np.sin(i) + rng.uniform(-4, 4) * width)))
    return es.slab(Geom_BezierSurface(poles), 25.0)


def leaf() -> TopoDS_Shape:
    """A Bezier patch with two sides of no length."""
    poles = kernel_arrays.Array2_gp_Pnt(1, 4, 1, 3)
    for i in range(4):
        for j in range(3):
            width = (0.0, 1.0, 1.0, 0.0)[i]
            poles.SetValue(i + 1, j + 1, at((20 * i, (j - 1) * 20 * width, 6 * np.sin(1.3 * i) + 3 * (j == 1) * width)))
    return es.slab(Geom_BezierSurface(poles), 25.0)


def tilted_bores() -> TopoDS_Shape:
    """Bores that cross, and one that just touches the skin: edges of order four, near tangent."""
    block = box((0, 0, 0), (60, 50, 30))
    one = BRepPrimAPI_MakeCylinder(axis((15, -5, 15), (0, 1, 0.05)), 8, 70).Shape()
    two = BRepPrimAPI_MakeCylinder(axis((-5, 20, 15), (1, 0.1, 0)), 8, 80).Shape()
    three = BRepPrimAPI_MakeCylinder(axis((45, -5, 27), (0, 1, 0)), 3.01, 70).Shape()
    return cut(block, one, two, three)


def star_loft() -> TopoDS_Shape:
    """A star drawn out and turned by 50 degrees: ruled faces, concave and convex."""
    sections = []
    for height, turn, size in ((0.0, 0.0, 1.0), (35.0, 0.9, 0.8)):
        section = ring(10, 1.0, turn, height)
        section[:, :2] *= size * np.where(np.arange(10) % 2 == 0, 22.0, 11.0)[:, None]
        sections.append(section)
    return ruled_between(*sections)


HARD: dict[str, Callable[[], TopoDS_Shape]] = {
    "twisted squares": lambda: ruled_between(ring(4, 28, 0, 0), ring(4, 22, 0.9, 60)),
    "twisted triangles": lambda: ruled_between(ring(3, 28, 0, 0), ring(3, 12, 1.0, 30)),
    "twisted star": star_loft,
    "1 x 1": lambda: patch(1, 1, 7, 14.0),
    "2 x 1": lambda: patch(2, 1, 8),
    "1 x 5": lambda: patch(1, 5, 9),
    "5 x 1": lambda: patch(5, 1, 10),
    "4 x 3": lambda: patch(4, 3, 11, 15.0),
    "needle": needle,
    "cone cut through its apex": lambda: cone_cut_through_apex(0.0),
    "cone cut aslant": lambda: cone_cut_through_apex(0.25),
    "nested": nested,
    "interlocked": interlocked,
    "thin plate": thin_plate,
    "thin tube": thin_tube,
    "thin skin": thin_skin,
    "valley": valley,
    "waves": waves,
    "pocket": fillets,
    "collapsed side": collapsed,
    "leaf": leaf,
    "crossing bores": tilted_bores,
    "elliptic bore": ellipse_tube,
    "parabolic trough": parabola_trough,
    "hyperbolic ridge": hyperbola_ridge,
    "oblique cylinder": oblique_cylinder,
    "paraboloid": standing_parabola,
    "egg": egg,
    "egg spline": lambda: BRepBuilderAPI_NurbsConvert(egg(), True).Shape(),
    "elliptic ring": elliptic_ring,
    "hyperboloid of one sheet": skew_line,
    "hyperbolic horn": hyperbola_horn,
    "lemon": lemon,
    "apple": apple,
    "pointed vase": pointed_vase,
    "pointed vase spline": lambda: BRepBuilderAPI_NurbsConvert(pointed_vase(), True).Shape(),
    "closed loft": es.lofted,
}


def for_brute_force(name: str, shape: TopoDS_Shape) -> TopoDS_Shape:
    """The shape for brute force: the kernel's extrema fail on a parabola turned, not on its B-spline."""
    return BRepBuilderAPI_NurbsConvert(shape, True).Shape() if name == "paraboloid" else shape
