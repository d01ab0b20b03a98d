"""More shapes that are hard to measure on, of kinds that `hard_shapes` has none of. Invented; lengths in mm.

Import this only after ``pytest.importorskip("OCP")``.
"""

from __future__ import annotations

from collections.abc import Callable

import exact_shapes as es
import numpy as np
from hard_shapes import (
    arc_of,
    axis,
    ball,
    box,
    common,
    cut,
    drawn,
    fuse,
    patch,
    ring,
    ruled_between,
    turned,
    upright,
)
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_NurbsConvert,
)
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakePipe
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakeTorus
from OCP.Geom import Geom_Ellipse, Geom_Hyperbola
from OCP.TopoDS import TopoDS, TopoDS_Shape

__all__ = ["HARDER"]


def cylinder(point: tuple[float, ...], way: tuple[float, ...], radius: float, height: float) -> TopoDS_Shape:
    return BRepPrimAPI_MakeCylinder(axis(point, way), radius, height).Shape()


def lens() -> TopoDS_Shape:
    """Two large balls' common part: a rim of 13 degrees."""
    return common(ball((0, 0, -199.5), 200.0), ball((0, 0, 199.5), 200.0))


def tubes() -> TopoDS_Shape:
    """Three tubes in each other, 0.2 mm apart, walls of 0.4 mm."""
    walls = []
    for radius in (6.0, 6.6, 7.2):
        outer = cylinder((0, 0, 0), (0, 0.2, 1), radius + 0.4, 20.0)
        walls.append(cut(outer, cylinder((0, -0.2, -1), (0, 0.2, 1), radius, 22.0)))
    return es.compound(walls)


def hooks() -> TopoDS_Shape:
    """Two U in each other, 1 mm apart, that do not touch."""

    def hook(turn: float) -> TopoDS_Shape:
        u = cut(box((0, -10, -3), (40, 10, 3)), box((6, -6, -4), (45, 6, 4)))
        return es.moved(u, (1, 0, 0), turn, (0, 0, 0))

    other = es.moved(hook(np.pi / 2), (0, 0, 1), np.pi, (49.0, 0.0, 0.0))
    return es.compound([hook(0.0), other])


def fin() -> TopoDS_Shape:
    """A fin of 0.15 mm on a block, tapered to 0.05 mm."""
    return fuse(
        box((0, 0, -10), (40, 30, 0)),
        ruled_between(
            [(5, 14.925, 0), (35, 14.925, 0), (35, 15.075, 0), (5, 15.075, 0)],
            [(8, 16.975, 15), (30, 16.975, 15), (30, 17.025, 15), (8, 17.025, 15)],
        ),
    )


def hourglass() -> TopoDS_Shape:
    """Two cones on each other's tips: two bodies that share a point."""
    up = BRepPrimAPI_MakeCone(axis((0, 0, 0), (0, 0, 1)), 0.0, 12.0, 20.0).Shape()
    down = BRepPrimAPI_MakeCone(axis((0, 0, 0), (0.1, 0, -1)), 0.0, 9.0, 20.0).Shape()
    return es.compound([up, down])


def cut_apple() -> TopoDS_Shape:
    """The outer part of a spindle torus, cut aslant through a dimple's tip."""
    curve = upright("circle", 25.0, centre=(15, 0, 0))
    reach = np.pi - np.arccos(15 / 25)
    whole = turned([arc_of(curve, -reach, reach)], [(0, 0, 20), (0, 0, -20)])
    tool = es.moved(box((0, -60, -60), (80, 60, 60)), (0, 1, 0), 0.3, (0, 0, 20))
    return cut(whole, tool)


def pocket_of_small_radii() -> TopoDS_Shape:
    """A pocket with fillets of 0.3 mm along all edges of its floor and walls."""
    block = cut(box((0, 0, 0), (40, 30, 20)), box((8, 7, 8), (32, 23, 30)))
    fillets, seen = BRepFilletAPI_MakeFillet(block), []
    for shape in es.parts(block, es.EDGE):
        ends = np.array([es.BRep_Tool.Pnt_s(TopoDS.Vertex(v)).Coord() for v in es.parts(shape, es.VERTEX)])
        inside = (ends[:, 0] > 7.9) & (ends[:, 0] < 32.1) & (ends[:, 1] > 6.9) & (ends[:, 1] < 23.1)
        if inside.all() and ends[:, 2].min() < 8.1 and not any(shape.IsSame(other) for other in seen):
            fillets.Add(0.3, TopoDS.Edge(shape))
            seen.append(shape)
    return fillets.Shape()


def slotted_seam() -> TopoDS_Shape:
    """A turned B-spline body with a slot and a bore through its seam."""
    round_ = BRepBuilderAPI_NurbsConvert(cylinder((0, 0, 0), (0, 0, 1), 20.0, 40.0), True).Shape()
    return cut(round_, box((10, -2, 10), (30, 3, 50)), cylinder((10, 0.5, 5), (1, 0, 0), 3.0, 30.0))


def orange() -> TopoDS_Shape:
    """A slice of a B-spline ball, cut by two planes through its poles."""
    whole = BRepBuilderAPI_NurbsConvert(ball((0, 0, 0), 20.0), True).Shape()
    tool = es.moved(box((-50, 0, -50), (50, 50, 50)), (0, 0, 1), 0.9, (0, 0, 0))
    return common(common(whole, box((-50, 0, -50), (50, 50, 50))), tool)


def hyperbolic_groove() -> TopoDS_Shape:
    """A groove of hyperbolic section, drawn aslant into a block: hollow, least radius 0.9 mm."""
    curve = Geom_Hyperbola(axis((0, 0, 0), (0, 0, 1)), 10.0, 3.0)
    first, last = curve.Value(-2.0).Coord(), curve.Value(2.0).Coord()
    tool = drawn([arc_of(curve, -2.0, 2.0)], [last, (60, last[1], 0), (60, first[1], 0), first], (6, 0, 60))
    return cut(box((2, -16, 10), (40, 16, 40)), tool)


def dish() -> TopoDS_Shape:
    """A block with a hollow: half an egg standing on its end."""
    curve = Geom_Ellipse(axis((0, 0, 0), (0, -1, 0), (0, 0, 1)), 25.0, 10.0)
    egg = turned([arc_of(curve, 0, np.pi)], [(0, 0, -25), (0, 0, 25)])
    return cut(box((-20, -20, -35), (20, 20, 0)), egg)


def ring_channel() -> TopoDS_Shape:
    """A closed channel of elliptic section in a block: touches inside reach its middle."""
    curve = Geom_Ellipse(axis((20, 0, 0), (0, -1, 0), (1, 0, -0.7)), 8.0, 3.0)
    tool = turned([BRepBuilderAPI_MakeEdge(curve).Edge()], [])
    return cut(box((-40, -40, -15), (40, 40, 15)), tool)


def bent_pipe() -> TopoDS_Shape:
    """A pipe of elliptic section along a spline in space."""
    points = np.array([[0, 0, 0], [0, 5, 15], [12, 8, 28], [30, 0, 30], [40, -12, 38]], dtype=float)
    spine = BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(es.profile_curve(points)).Edge()).Wire()
    first = es.profile_curve(points)
    way = first.DN(first.FirstParameter(), 1)
    section = Geom_Ellipse(axis((0, 0, 0), (way.X(), way.Y(), way.Z())), 5.0, 2.0)
    face = BRepBuilderAPI_MakeFace(BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(section).Edge()).Wire()).Face()
    return BRepOffsetAPI_MakePipe(spine, face).Shape()


def two_balls_in_a_torus() -> TopoDS_Shape:
    """A torus with a ball in its hole, 0.1 mm clear, and one through its flesh."""
    whole = BRepPrimAPI_MakeTorus(axis((0, 0, 0), (0, 0, 1)), 20.0, 8.0).Shape()
    return es.compound([cut(whole, ball((20, 0, 2), 6.0)), ball((0, 0, 0), 11.9), ball((20, 0, 2), 5.9)])


HARDER: dict[str, Callable[[], TopoDS_Shape]] = {
    "twisted in two steps": lambda: ruled_between(ring(5, 20, 0, 0), ring(5, 12, 0.7, 15), ring(5, 25, -0.3, 40)),
    "9 x 1": lambda: patch(9, 1, 21, 10.0),
    "1 x 7": lambda: patch(1, 7, 22, 10.0),
    "lens": lens,
    "tubes": tubes,
    "hooks": hooks,
    "fin": fin,
    "hourglass": hourglass,
    "cut apple": cut_apple,
    "small radii": pocket_of_small_radii,
    "slotted seam": slotted_seam,
    "orange": orange,
    "hyperbolic groove": hyperbolic_groove,
    "dish": dish,
    "ring channel": ring_channel,
    "bent pipe": bent_pipe,
    "balls in a torus": two_balls_in_a_torus,
}
