"""Bodies with exact surfaces, made by the CAD kernel and written to STEP, and the kernel's own answers about them.

Invented shapes; lengths in mm. Import this only after ``pytest.importorskip("OCP")``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import OCP.collections as kernel_arrays
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeVertex,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_NurbsConvert,
    BRepBuilderAPI_Transform,
)
from OCP.BRepClass import BRepClass_FaceClassifier
from OCP.BRepClass3d import BRepClass3d_SolidClassifier
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepMesh import BRepMesh_IncrementalMesh
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
    Geom_BSplineCurve,
    Geom_BSplineSurface,
    Geom_Ellipse,
    Geom_Line,
    Geom_OffsetSurface,
)
from OCP.GeomAbs import GeomAbs_Shape
from OCP.GeomAPI import GeomAPI_IntCS, GeomAPI_Interpolate, GeomAPI_PointsToBSplineSurface, GeomAPI_ProjectPointOnSurf
from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pnt, gp_Pnt2d, gp_Trsf, gp_Vec
from OCP.Interface import Interface_Static
from OCP.IntTools import IntTools_FClass2d
from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.ShapeUpgrade import ShapeUpgrade_ShapeDivideContinuity
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_Reader, STEPControl_StepModelType, STEPControl_Writer
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_ShapeEnum, TopAbs_State
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Compound, TopoDS_Face, TopoDS_Shape
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

from probekit.nominal.exact.kernel import kernel

kernel()  # switches the kernel's chatter off

SURFACE_COLOUR = XCAFDoc_ColorType.XCAFDoc_ColorSurf
FACE, EDGE, SOLID = TopAbs_ShapeEnum.TopAbs_FACE, TopAbs_ShapeEnum.TopAbs_EDGE, TopAbs_ShapeEnum.TopAbs_SOLID
VERTEX = TopAbs_ShapeEnum.TopAbs_VERTEX


def write(shape: TopoDS_Shape, path: Path, *, unit: str = "MM") -> Path:
    """Write a STEP file in a unit of length ("MM", "INCH", "M", ...)."""
    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", unit)
    try:
        writer.Transfer(shape, STEPControl_StepModelType.STEPControl_AsIs)
        writer.Write(str(path))
    finally:
        Interface_Static.SetCVal_s("write.step.unit", "MM")
    return path


def read(path: Path) -> TopoDS_Shape:
    """All that a STEP file holds, read by the kernel alone."""
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    return reader.OneShape()


def parts(shape: TopoDS_Shape, kind: TopAbs_ShapeEnum) -> list[TopoDS_Shape]:
    """Faces, edges, ... in the kernel's order."""
    found, explorer = [], TopExp_Explorer(shape, kind)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def compound(shapes: Iterable[TopoDS_Shape]) -> TopoDS_Compound:
    """Several shapes as one."""
    out, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(out)
    for shape in shapes:
        builder.Add(out, shape)
    return out


def vertex(point: np.ndarray) -> TopoDS_Shape:
    """A point as the kernel's extrema want it."""
    return BRepBuilderAPI_MakeVertex(gp_Pnt(*map(float, point))).Vertex()


def kernel_distances(points: np.ndarray, shape: TopoDS_Shape) -> tuple[np.ndarray, np.ndarray]:
    """Distance (n,) and one closest point (n, 3) of the faces of a shape, by BRepExtrema, point by point."""
    faces = compound(parts(shape, FACE))
    distance, foot = np.empty(len(points)), np.empty((len(points), 3))
    for k, point in enumerate(points):
        extrema = BRepExtrema_DistShapeShape(vertex(point), faces)
        assert extrema.IsDone()
        at = extrema.PointOnShape2(1)
        distance[k], foot[k] = extrema.Value(), (at.X(), at.Y(), at.Z())
    return distance, foot


def kernel_projections(points: np.ndarray, shape: TopoDS_Shape) -> np.ndarray:
    """Least distance (n,) of points from feet on whole surfaces that the kernel's fine classifier finds in the face.

    Needed because BRepExtrema tells inside from outside with another classifier, whose border is a micrometre wide: it
    passes over feet there, and gives the next edge or vertex instead.
    """
    least = np.full(len(points), np.inf)
    for face in map(TopoDS.Face, parts(shape, FACE)) if len(points) else ():
        surface, classifier = BRep_Tool.Surface_s(face), IntTools_FClass2d(face, 1e-9)
        for k, point in enumerate(points):
            projection = GeomAPI_ProjectPointOnSurf(gp_Pnt(*map(float, point)), surface)
            for i in range(1, projection.NbPoints() + 1):
                state = classifier.Perform(gp_Pnt2d(*projection.Parameters(i)), True)
                if state in (TopAbs_State.TopAbs_IN, TopAbs_State.TopAbs_ON):
                    least[k] = min(least[k], projection.Distance(i))
    return least


def kernel_inside(points: np.ndarray, shape: TopoDS_Shape) -> np.ndarray:
    """Whether points (n, 3) lie inside one of a shape's solids, by the kernel's classifier."""
    inside = np.zeros(len(points), dtype=bool)
    for solid in parts(shape, SOLID):
        classifier = BRepClass3d_SolidClassifier(solid)
        for k, point in enumerate(points):
            classifier.Perform(gp_Pnt(*map(float, point)), 1e-9)
            inside[k] |= classifier.State() == TopAbs_State.TopAbs_IN
    return inside


def inside_by_rays(points: np.ndarray, shape: TopoDS_Shape, rays: int = 7) -> np.ndarray:
    """The same by counting where rays in several directions cross the faces, the majority deciding.

    Needed because the classifier errs now and then near B-spline faces: on a line through a plate it says in, in, in,
    out, in.
    """
    faces = [(TopoDS.Face(face), BRep_Tool.Surface_s(TopoDS.Face(face))) for face in parts(shape, FACE)]
    directions = np.random.default_rng(5).normal(size=(rays, 3))
    odd = np.zeros((len(points), rays), dtype=bool)
    classifier = BRepClass_FaceClassifier()
    for k, point in enumerate(points):
        for j, direction in enumerate(directions):
            line, found = Geom_Line(gp_Pnt(*map(float, point)), gp_Dir(*map(float, direction))), set()
            for face, surface in faces:
                crossing = GeomAPI_IntCS(line, surface)
                for i in range(1, crossing.NbPoints() + 1):
                    u, v, along = crossing.Parameters(i)
                    classifier.Perform(face, gp_Pnt2d(u, v), 1e-9)
                    if along > 0 and classifier.State() == TopAbs_State.TopAbs_IN:
                        found.add(round(along, 7))
            odd[k, j] = len(found) % 2 == 1
    return odd.sum(axis=1) > rays // 2


def without_creases(shape: TopoDS_Shape) -> TopoDS_Shape:
    """The same shape with its faces divided along creases; the kernel's extrema want faces that are smooth inside."""
    divide = ShapeUpgrade_ShapeDivideContinuity(shape)
    divide.SetBoundaryCriterion(GeomAbs_Shape.GeomAbs_G1)
    divide.SetSurfaceCriterion(GeomAbs_Shape.GeomAbs_C1)
    divide.Perform()
    return divide.Result()


#: Distances from the surface at which touches are placed, on both sides [mm].
DISTANCES = (0.0, 0.001, 0.01, 0.1, 1.0, 3.0)


def touches(shape: TopoDS_Shape, count: int, seed: int, distances: tuple[float, ...] = DISTANCES) -> np.ndarray:
    """Points off a shape, in all directions: half off its faces, a third off its edges and seams, some off corners."""
    rng = np.random.default_rng(seed)
    on_faces = _on_faces(shape, count // 2, rng)
    on_edges = _on_edges(shape, count // 3, rng)
    corners = np.array([BRep_Tool.Pnt_s(TopoDS.Vertex(v)).Coord() for v in parts(shape, VERTEX)])
    rest = count - len(on_faces) - len(on_edges)
    on_corners = corners[rng.integers(len(corners), size=rest)]
    direction = rng.normal(size=(count, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    return np.vstack([on_faces, on_edges, on_corners]) + direction * rng.choice(distances, count)[:, None]


def _on_faces(shape: TopoDS_Shape, count: int, rng: np.random.Generator) -> np.ndarray:
    BRepMesh_IncrementalMesh(shape, 0.2, False, 0.5)
    out = []
    faces = [TopoDS.Face(face) for face in parts(shape, FACE)]
    per_face = np.bincount(rng.integers(len(faces), size=count), minlength=len(faces))
    for face, many in zip(faces, per_face, strict=True):
        mesh, surface = BRep_Tool.Triangulation_s(face, TopLoc_Location()), BRep_Tool.Surface_s(face)
        for k in rng.integers(mesh.NbTriangles(), size=many):
            uv = np.array([mesh.UVNode(i).Coord() for i in mesh.Triangle(int(k) + 1).Get()])
            out.append(surface.Value(*map(float, rng.dirichlet((0.7, 0.7, 0.7)) @ uv)).Coord())
    return np.array(out).reshape(-1, 3)


def _on_edges(shape: TopoDS_Shape, count: int, rng: np.random.Generator) -> np.ndarray:
    curves = [BRepAdaptor_Curve(e) for e in map(TopoDS.Edge, parts(shape, EDGE)) if not BRep_Tool.Degenerated_s(e)]
    out = []
    for k in rng.integers(len(curves), size=count):
        first, last = curves[k].FirstParameter(), curves[k].LastParameter()
        out.append(curves[k].Value(float(rng.uniform(first, last))).Coord())
    return np.array(out).reshape(-1, 3)


def moved(shape: TopoDS_Shape, axis: tuple[float, ...], angle: float, shift: tuple[float, ...]) -> TopoDS_Shape:
    """Turned about an axis through the origin [rad], then shifted; the geometry itself, not a mere location."""
    turn, slide = gp_Trsf(), gp_Trsf()
    turn.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(*axis)), angle)
    slide.SetTranslation(gp_Vec(*shift))
    return BRepBuilderAPI_Transform(shape, slide.Multiplied(turn), True).Shape()


def point_grid(x: np.ndarray, y: np.ndarray, height: Callable[[float, float], float]) -> kernel_arrays.Array2_gp_Pnt:
    """The kernel's array of points over a grid."""
    out = kernel_arrays.Array2_gp_Pnt(1, len(x), 1, len(y))
    for i, a in enumerate(x):
        for j, b in enumerate(y):
            out.SetValue(i + 1, j + 1, gp_Pnt(float(a), float(b), float(height(a, b))))
    return out


def wave(x: float, y: float) -> float:
    """Height of the freeform skins."""
    return 30 + 6 * np.sin(x / 30) * np.cos(y / 25)


def reals(values: Iterable[float]) -> kernel_arrays.Array1_double:
    """The kernel's array of numbers."""
    values = list(values)
    out = kernel_arrays.Array1_double(1, len(values))
    for k, value in enumerate(values):
        out.SetValue(k + 1, float(value))
    return out


def integers(values: Iterable[int]) -> kernel_arrays.Array1_int:
    """The kernel's array of integers."""
    values = list(values)
    out = kernel_arrays.Array1_int(1, len(values))
    for k, value in enumerate(values):
        out.SetValue(k + 1, int(value))
    return out


def rational_surface(seed: int = 3) -> Geom_BSplineSurface:
    """A rational B-spline surface of degrees 3 and 2 with uneven knots."""
    rng = np.random.default_rng(seed)
    x, y = np.linspace(0, 100, 7), np.linspace(0, 80, 6)
    weights = kernel_arrays.Array2_double(1, 7, 1, 6)
    for i in range(7):
        for j in range(6):
            weights.SetValue(i + 1, j + 1, float(rng.uniform(0.5, 2.0)))
    return Geom_BSplineSurface(
        point_grid(x, y, lambda a, b: 25 + 8 * np.sin(a / 22) * np.cos(b / 20)),
        weights,
        reals([0, 0.2, 0.7, 1.1, 2.0]),
        reals([0, 0.3, 0.6, 0.75, 1]),
        integers([4, 1, 1, 1, 4]),
        integers([3, 1, 1, 1, 3]),
        3,
        2,
    )


def slab(surface: object, depth: float = 40.0) -> TopoDS_Shape:
    """A body below a surface."""
    return BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(surface, 1e-6).Face(), gp_Vec(0, 0, -depth)).Shape()


def plate() -> TopoDS_Shape:
    """Freeform skin (not rational) on a plate with a hole through it and a corner cut out."""
    surface = GeomAPI_PointsToBSplineSurface(point_grid(20.0 * np.arange(9), 15.0 * np.arange(9), wave)).Surface()
    hole = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(60, 50, -50), gp_Dir(0, 0, 1)), 12, 150).Shape()
    corner = BRepPrimAPI_MakeBox(gp_Pnt(100, 70, -50), gp_Pnt(200, 200, 100)).Shape()
    return BRepAlgoAPI_Cut(BRepAlgoAPI_Cut(slab(surface), hole).Shape(), corner).Shape()


def rational() -> TopoDS_Shape:
    """Rational freeform skin with a notch whose walls stand askew."""
    notch = BRepPrimAPI_MakeBox(gp_Ax2(gp_Pnt(40, -5, -50), gp_Dir(0, 0, 1), gp_Dir(1, 0.2, 0)), 18, 40, 150).Shape()
    return BRepAlgoAPI_Cut(slab(rational_surface()), notch).Shape()


def all_edges_rounded(shape: TopoDS_Shape, radius: float) -> TopoDS_Shape:
    """A body with a fillet along each of its edges."""
    fillets, seen = BRepFilletAPI_MakeFillet(shape), []
    for part in parts(shape, EDGE):
        if not any(part.IsSame(other) for other in seen):
            fillets.Add(radius, TopoDS.Edge(part))
            seen.append(part)
    return fillets.Shape()


def filleted() -> TopoDS_Shape:
    """Box and boss, every edge rounded: planes, cylinders, spheres, tori."""
    boss = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(40, 30, 30), gp_Dir(0, 0, 1)), 15, 25).Shape()
    return all_edges_rounded(BRepAlgoAPI_Fuse(BRepPrimAPI_MakeBox(80, 60, 30).Shape(), boss).Shape(), 4.0)


def freeform_filleted() -> TopoDS_Shape:
    """Freeform skin whose rim is rounded: rolling-ball fillets, which are rational B-splines."""
    x, y = np.linspace(0, 60, 5), np.linspace(0, 50, 5)
    surface = GeomAPI_PointsToBSplineSurface(point_grid(x, y, lambda a, b: 20 + (a - 25) ** 2 / 150 - b**2 / 300))
    body = slab(surface.Surface(), 30.0)
    skin = parts(body, FACE)
    fillets = BRepFilletAPI_MakeFillet(body)
    fillets.SetParams(1e-3, 1e-7, 1e-7, 1e-7, 1e-7, 1e-4)  # so that edges lie on their faces to better than 1e-6
    rim = max(skin, key=lambda face: _mean_height(face))
    for part in parts(rim, EDGE):
        fillets.Add(3.0, TopoDS.Edge(part))
    return fillets.Shape()


def _mean_height(face: TopoDS_Shape) -> float:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, properties)
    return properties.CentreOfMass().Z()


def turned_cluster() -> TopoDS_Shape:
    """Sphere, tilted truncated cone and torus grown together."""
    ball = BRepPrimAPI_MakeSphere(gp_Pnt(0, 0, 0), 25).Shape()
    cone = BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 0, 10), gp_Dir(0.3, 0, 1)), 18, 6, 40).Shape()
    ring = BRepPrimAPI_MakeTorus(gp_Ax2(gp_Pnt(0, 0, -8), gp_Dir(0, 0, 1)), 24, 7).Shape()
    return BRepAlgoAPI_Fuse(BRepAlgoAPI_Fuse(ball, cone).Shape(), ring).Shape()


def sphere() -> TopoDS_Shape:
    """A whole sphere: one face, a seam, two poles."""
    return BRepPrimAPI_MakeSphere(gp_Ax2(gp_Pnt(5, -3, 2), gp_Dir(0.2, 0.3, 1)), 20.0).Shape()


def torus() -> TopoDS_Shape:
    """A whole torus: one face, two seams, no border."""
    return BRepPrimAPI_MakeTorus(gp_Ax2(gp_Pnt(5, -3, 2), gp_Dir(0.2, 0.3, 1)), 30.0, 9.0).Shape()


def cylinder() -> TopoDS_Shape:
    """A whole cylinder: a seam and two caps."""
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(5, -3, 2), gp_Dir(0.2, 0.3, 1)), 12.0, 35.0).Shape()


def cone() -> TopoDS_Shape:
    """A whole cone with its apex."""
    return BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(5, -3, 2), gp_Dir(0.2, 0.3, 1)), 15.0, 0.0, 30.0).Shape()


def sections_wire(height: float, size: float, lobes: float, *, crease: bool = False) -> TopoDS_Shape:
    """A closed section at a height: a smooth loop, or one with a corner where it starts."""
    angle = np.linspace(0, 2 * np.pi, 13)[: 13 if crease else 12]
    radius = size * (1 + lobes * np.cos(2 * angle))
    if crease:
        radius = size * (0.4 + 0.6 * np.sin(angle / 2))  # a drop, pointed at angle 0
    points = kernel_arrays.HArray1_gp_Pnt(1, len(angle))
    for k, (a, r) in enumerate(zip(angle, radius, strict=True)):
        points.SetValue(k + 1, gp_Pnt(float(r * np.cos(a)), float(r * np.sin(a)), height))
    through = GeomAPI_Interpolate(points, not crease, 1e-9)
    through.Perform()
    return BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(through.Curve()).Edge()).Wire()


def lofted(*, crease: bool = False) -> TopoDS_Shape:
    """A skin over three closed sections: one closed B-spline face with a seam, and two caps."""
    loft = BRepOffsetAPI_ThruSections(True, False, 1e-6)
    for height, size, lobes in ((0.0, 20.0, 0.1), (18.0, 16.0, -0.1), (40.0, 18.0, 0.12)):
        loft.AddWire(sections_wire(height, size, lobes, crease=crease))
    loft.Build()
    return loft.Shape()


def profile_curve(points: np.ndarray) -> Geom_BSplineCurve:
    """A smooth curve through points (n, 3)."""
    through = kernel_arrays.HArray1_gp_Pnt(1, len(points))
    for k, point in enumerate(points):
        through.SetValue(k + 1, gp_Pnt(*map(float, point)))
    curve = GeomAPI_Interpolate(through, False, 1e-9)
    curve.Perform()
    return curve.Curve()


def revolved() -> TopoDS_Shape:
    """A vase: surface of revolution of a B-spline curve, about a tilted axis, with flat caps."""
    outline = np.array([[18, 0, 0], [22, 0, 10], [15, 0, 22], [17, 0, 35]], dtype=float)
    edges = [BRepBuilderAPI_MakeEdge(profile_curve(outline)).Edge()]
    corners = [(17, 0, 35), (0, 0, 35), (0, 0, 0), (18, 0, 0)]
    for a, b in pairwise(corners):
        edges.append(BRepBuilderAPI_MakeEdge(gp_Pnt(*map(float, a)), gp_Pnt(*map(float, b))).Edge())
    wire = BRepBuilderAPI_MakeWire()
    for edge in edges:
        wire.Add(edge)
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    body = BRepPrimAPI_MakeRevol(face, gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 2 * np.pi).Shape()
    return moved(body, (1, 0.3, 0), 0.4, (3, 4, 5))


def revolved_spline() -> TopoDS_Shape:
    """The vase with every surface converted to a rational B-spline, closed in u."""
    return BRepBuilderAPI_NurbsConvert(revolved(), True).Shape()


def ball_spline() -> TopoDS_Shape:
    """A sphere as a rational B-spline, with poles where the parameters degenerate."""
    return BRepBuilderAPI_NurbsConvert(BRepPrimAPI_MakeSphere(gp_Pnt(1, 2, 3), 15.0).Shape(), True).Shape()


def ring_spline() -> TopoDS_Shape:
    """A torus as a rational B-spline closed both ways."""
    return BRepBuilderAPI_NurbsConvert(torus(), True).Shape()


def extruded() -> TopoDS_Shape:
    """A wall along a B-spline curve, the extrusion aslant."""
    outline = np.array([[0, 0, 0], [20, 8, 0], [40, -5, 0], [60, 4, 0]], dtype=float)
    top = BRepBuilderAPI_MakeEdge(profile_curve(outline)).Edge()
    polygon = BRepBuilderAPI_MakePolygon(gp_Pnt(60, 4, 0), gp_Pnt(60, -30, 0), gp_Pnt(0, -30, 0), gp_Pnt(0, 0, 0))
    wire = BRepBuilderAPI_MakeWire(top)
    wire.Add(polygon.Wire())
    return BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(wire.Wire()).Face(), gp_Vec(3, 5, 25)).Shape()


def conics() -> TopoDS_Shape:
    """An ellipse drawn aslant, and one turned about an axis beside it."""
    flat = Geom_Ellipse(gp_Ax2(gp_Pnt(-20, 0, 0), gp_Dir(0, 0, 1)), 20.0, 9.0)
    upright = Geom_Ellipse(gp_Ax2(gp_Pnt(90, 0, 10), gp_Dir(0, -1, 0), gp_Dir(1, 0, 0.5)), 10.0, 5.0)
    faces = [
        BRepBuilderAPI_MakeFace(BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(one).Edge()).Wire()).Face()
        for one in (flat, upright)
    ]
    post = BRepPrimAPI_MakePrism(faces[0], gp_Vec(5, 2, 30)).Shape()
    ring = BRepPrimAPI_MakeRevol(faces[1], gp_Ax1(gp_Pnt(60, 0, 0), gp_Dir(0, 0, 1)), 2 * np.pi).Shape()
    return compound([post, ring])


def offset_skin() -> TopoDS_Shape:
    """A body whose skin is an offset surface, 2 mm off a freeform one."""
    basis = GeomAPI_PointsToBSplineSurface(point_grid(15.0 * np.arange(5), 12.0 * np.arange(5), wave)).Surface()
    return slab(Geom_OffsetSurface(basis, 2.0), 30.0)


def bezier() -> TopoDS_Shape:
    """A body under one Bezier patch of degrees 3 and 4."""
    x, y = np.linspace(0, 60, 4), np.linspace(0, 50, 5)
    return slab(Geom_BezierSurface(point_grid(x, y, lambda a, b: 20 + 10 * np.sin(a / 15) * np.cos(b / 14))), 30.0)


def pyramids() -> TopoDS_Shape:
    """Edges of all angles, convex and concave: sharp wedges stuck into each other."""
    one = BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 18, 3, 40).Shape()
    two = BRepPrimAPI_MakeBox(gp_Ax2(gp_Pnt(-8, -20, 12), gp_Dir(0.2, 0.1, 1), gp_Dir(1, 0.3, 0)), 14, 45, 9).Shape()
    cut = BRepPrimAPI_MakeBox(gp_Ax2(gp_Pnt(3, -30, 30), gp_Dir(0.5, 0.1, 1), gp_Dir(1, 0.1, 0)), 30, 60, 30).Shape()
    return BRepAlgoAPI_Cut(BRepAlgoAPI_Fuse(one, two).Shape(), cut).Shape()


def creased_skin() -> TopoDS_Shape:
    """A body under one B-spline surface that has a crease along a knot inside it."""
    x, y = np.linspace(0, 60, 7), np.linspace(0, 40, 4)
    poles = point_grid(x, y, lambda a, b: 20 + 0.4 * abs(a - 30) + b**2 / 200)
    surface = Geom_BSplineSurface(poles, reals([0, 0.5, 1]), reals([0, 1]), integers([4, 3, 4]), integers([4, 4]), 3, 3)
    return slab(surface, 30.0)


#: Shapes by name; those whose nearest points are compared with the kernel's.
SHAPES: dict[str, Callable[[], TopoDS_Shape]] = {
    "plate": plate,
    "rational": rational,
    "filleted": filleted,
    "freeform_filleted": freeform_filleted,
    "turned_cluster": turned_cluster,
    "sphere": sphere,
    "torus": torus,
    "cylinder": cylinder,
    "cone": cone,
    "lofted": lofted,
    "drop": lambda: lofted(crease=True),
    "revolved": revolved,
    "revolved_spline": revolved_spline,
    "cone_spline": lambda: BRepBuilderAPI_NurbsConvert(cone(), True).Shape(),
    "ball_spline": ball_spline,
    "ring_spline": ring_spline,
    "extruded": extruded,
    "conics": conics,
    "offset_skin": offset_skin,
    "bezier": bezier,
    "pyramids": pyramids,
    "creased_skin": creased_skin,
}


@dataclass(frozen=True)
class Body:
    """A shape to be written by `write_document`; names and colours by index of the face, colours linear RGB."""

    name: str
    shape: TopoDS_Shape
    face_names: dict[int, str] = field(default_factory=dict)
    face_colours: dict[int, tuple[float, float, float]] = field(default_factory=dict)
    colour: tuple[float, float, float] | None = None
    places: tuple[gp_Trsf, ...] = ()


@dataclass(frozen=True)
class Model:
    """A shape, its file, and its faces as the kernel reads them back."""

    name: str
    path: Path
    shape: TopoDS_Shape
    faces: tuple[TopoDS_Face, ...]


def make(name: str, folder: Path) -> Model:
    """Write one of `SHAPES` and read it back."""
    path = write(SHAPES[name](), folder / f"{name}.step")
    shape = read(path)
    return Model(name, path, shape, tuple(TopoDS.Face(face) for face in parts(shape, FACE)))


def write_document(bodies: Iterable[Body], path: Path) -> Path:
    """Write bodies with names and colours, those with places as an assembly, through the kernel's document."""
    document = TDocStd_Document(TCollection_ExtendedString("test"))
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    root = None
    for body in bodies:
        label = shapes.AddShape(body.shape, False)
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(body.name, True))
        for index, name in body.face_names.items():
            part = shapes.AddSubShape(label, parts(body.shape, FACE)[index])
            TDataStd_Name.Set_s(part, TCollection_ExtendedString(name, True))
        for index, colour in body.face_colours.items():
            part = shapes.AddSubShape(label, parts(body.shape, FACE)[index])
            colours.SetColor(part, Quantity_Color(*colour, Quantity_TypeOfColor.Quantity_TOC_RGB), SURFACE_COLOUR)
        if body.colour is not None:
            colours.SetColor(label, Quantity_Color(*body.colour, Quantity_TypeOfColor.Quantity_TOC_RGB), SURFACE_COLOUR)
        for place in body.places:
            if root is None:
                root = shapes.NewShape()
                TDataStd_Name.Set_s(root, TCollection_ExtendedString("assembly"))
            shapes.AddComponent(root, label, TopLoc_Location(place))
    shapes.UpdateAssemblies()
    writer = STEPCAFControl_Writer()
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    writer.SetNameMode(True)
    writer.SetColorMode(True)
    writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
    writer.Write(str(path))
    return path


def place(x: float, y: float, z: float, turn: float = 0.0) -> gp_Trsf:
    """Turned about z [rad], then shifted [mm]."""
    rotation, shift = gp_Trsf(), gp_Trsf()
    rotation.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), turn)
    shift.SetTranslation(gp_Vec(x, y, z))
    return shift.Multiplied(rotation)
