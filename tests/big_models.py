"""A large STEP model, made by the CAD kernel: a mould of many small freeform faces.

The top is a square grid of tiles. Most are bicubic B-spline patches of 12 x 12 poles that share their edges, which are
B-splines of 12 poles; every ninth is a plane with a blind bore and straight edges. Four walls and a floor close the
body. Invented; lengths in mm. Import this only after ``pytest.importorskip("OCP")``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from exact_shapes import integers, reals, write
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeVertex
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder
from OCP.BRepTools import BRepTools
from OCP.collections import Array1_gp_Pnt, Array2_gp_Pnt
from OCP.Geom import Geom_BSplineCurve, Geom_BSplineSurface, Geom_Plane
from OCP.Geom2d import Geom2d_Line
from OCP.gp import gp_Ax2, gp_Ax3, gp_Dir, gp_Dir2d, gp_Pnt, gp_Pnt2d
from OCP.Interface import Interface_Static
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Face, TopoDS_Shape, TopoDS_Shell, TopoDS_Solid, TopoDS_Wire

__all__ = ["mould", "write_mould"]

_PITCH, _POLES, _FLOOR, _BORE, _DIGITS = 8.1, 12, -10.0, 2.5, 3
_EXACT = 1e-7
_KNOTS = np.linspace(0.0, _PITCH, _POLES - 2)
_MANY = [4] + [1] * (_POLES - 4) + [4]
#: Greville abscissae of the cubic: poles there make a coordinate grow evenly with the parameter.
_EVEN = np.convolve(np.repeat(_KNOTS, _MANY)[1:-1], np.ones(3) / 3.0, mode="valid")


def write_mould(path: Path, tiles: int, *, seed: int = 1) -> Path:
    """The mould as a STEP file: 31 tiles a side give 1166 faces and 8 MB, 91 give 10 086 faces and 70 MB."""
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)  # no curves in parameters: few systems write them
    try:
        return write(mould(tiles, seed=seed), path)
    finally:
        Interface_Static.SetIVal_s("write.surfacecurve.mode", 1)


def mould(tiles: int, *, seed: int = 1) -> TopoDS_Solid:
    """A mould of `tiles` x `tiles` tiles of 8.1 mm, the planes at the middles of blocks of 3 x 3."""
    return _Mould(tiles, np.random.default_rng(seed)).solid()


class _Mould:
    """Heights of the corners of tiles, vertices and edges between them."""

    def __init__(self, n: int, rng: np.random.Generator) -> None:
        self.n, self.rng, self.builder = n, rng, BRep_Builder()
        self.height = np.round(2.5 * rng.uniform(-1, 1, (n + 1, n + 1)), _DIGITS)
        self.flat = {(i, j) for i in range(1, n, 3) for j in range(1, n, 3)}
        for i, j in self.flat:
            self.height[i : i + 2, j : j + 2] = self.height[i, j]
        self.vertex = {
            (i, j): _vertex(i * _PITCH, j * _PITCH, self.height[i, j]) for i in range(n + 1) for j in range(n + 1)
        }
        straight = {side for i, j in self.flat for side in ((0, i, j), (0, i, j + 1), (1, i, j), (1, i + 1, j))}
        self.poles: dict[tuple[int, int, int], np.ndarray] = {}
        self.edge: dict[tuple[int, int, int], TopoDS_Shape] = {}
        for k in (0, 1):  # along x, along y
            for i in range(n + 1 - (k == 0)):
                for j in range(n + 1 - (k == 1)):
                    self._enter(k, i, j, straight=(k, i, j) in straight)

    def _enter(self, k: int, i: int, j: int, *, straight: bool) -> None:
        """The edge from the corner i, j along x (k = 0) or y (k = 1)."""
        end = (i + 1, j) if k == 0 else (i, j + 1)
        poles = np.empty((_POLES, 3))
        poles[:, k], poles[:, 1 - k] = (i, j)[k] * _PITCH + _EVEN, (i, j)[1 - k] * _PITCH
        poles[:, 2] = np.interp(_EVEN, [0.0, _PITCH], [self.height[i, j], self.height[end]])
        one, two = self.vertex[i, j], self.vertex[end]
        if not straight:
            poles[1:-1, 2] += 1.0 * self.rng.uniform(-1, 1) * np.sin(np.pi * _EVEN[1:-1] / _PITCH)
        poles = np.round(poles, _DIGITS)
        if straight:
            made = BRepBuilderAPI_MakeEdge(one, two)
        else:
            curve = Geom_BSplineCurve(_points(poles), reals(_KNOTS), integers(_MANY), 3)
            made = BRepBuilderAPI_MakeEdge(curve, one, two)
        self.poles[k, i, j], self.edge[k, i, j] = poles, made.Edge()

    def solid(self) -> TopoDS_Solid:
        """All faces together."""
        shell, solid = TopoDS_Shell(), TopoDS_Solid()
        self.builder.MakeShell(shell)
        for i in range(self.n):
            for j in range(self.n):
                for face in self._plane_tile(i, j) if (i, j) in self.flat else [self._patch(i, j)]:
                    self.builder.Add(shell, face)
        for face in self._box():
            self.builder.Add(shell, face)
        shell.Closed(True)
        self.builder.MakeSolid(solid)
        self.builder.Add(solid, shell)
        return solid

    def _round(self, i: int, j: int) -> list[TopoDS_Shape]:
        """Edges of a tile in the sense in which they run round it, seen from above."""
        back = self.edge[0, i, j + 1].Reversed(), self.edge[1, i, j].Reversed()
        return [self.edge[0, i, j], self.edge[1, i + 1, j], *back]

    def _patch(self, i: int, j: int) -> TopoDS_Face:
        """A Coons patch between its four edges, with bumps."""
        south, north = self.poles[0, i, j], self.poles[0, i, j + 1]
        west, east = self.poles[1, i, j], self.poles[1, i + 1, j]
        u, v = (_EVEN / _PITCH)[:, None, None], (_EVEN / _PITCH)[None, :, None]
        ruled = (1 - v) * south[:, None] + v * north[:, None] + (1 - u) * west[None] + u * east[None]
        corners = (1 - u) * ((1 - v) * south[0] + v * north[0]) + u * ((1 - v) * south[-1] + v * north[-1])
        poles = ruled - corners
        dome = (np.sin(np.pi * u) * np.sin(np.pi * v))[..., 0]
        poles[..., 2] += self.rng.uniform(-1.5, 1.5) * dome
        poles[2:-2, 2:-2] += self.rng.uniform(-0.02, 0.02, (_POLES - 4, _POLES - 4, 3))
        poles = np.round(poles, _DIGITS)
        grid = Array2_gp_Pnt(1, _POLES, 1, _POLES)
        for a in range(_POLES):
            for b in range(_POLES):
                grid.SetValue(a + 1, b + 1, gp_Pnt(*map(float, poles[a, b])))
        knots, many = reals(_KNOTS), integers(_MANY)
        surface = Geom_BSplineSurface(grid, knots, knots, many, many, 3, 3)
        face = TopoDS_Face()
        self.builder.MakeFace(face, surface, _EXACT)
        lines = (((0, 0), (1, 0)), ((_PITCH, 0), (0, 1)), ((0, _PITCH), (1, 0)), ((0, 0), (0, 1)))
        edges = self._round(i, j)
        for edge, (start, way) in zip(edges, lines, strict=True):
            line = Geom2d_Line(gp_Pnt2d(*map(float, start)), gp_Dir2d(*map(float, way)))
            self.builder.UpdateEdge(TopoDS.Edge(edge), line, surface, TopLoc_Location(), _EXACT)
        self.builder.Add(face, self._wire(edges))
        return face

    def _plane_tile(self, i: int, j: int) -> list[TopoDS_Shape]:
        """A plane, the wall of its bore and the bottom of that."""
        x, y, z = (i + 0.5) * _PITCH, (j + 0.5) * _PITCH, float(self.height[i, j])
        bore = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, y, z - 4.0), gp_Dir(0, 0, 1)), _BORE, 4.0).Cylinder()
        mouth = BRepTools.OuterWire_s(bore.TopFace())
        plane = self._plane((x, y, z), (0, 0, 1), (1, 0, 0), self._wire(self._round(i, j)), mouth.Reversed())
        return [plane, bore.LateralFace().Reversed(), bore.BottomFace().Reversed()]

    def _box(self) -> list[TopoDS_Shape]:
        """Walls and floor."""
        n, size = self.n, self.n * _PITCH
        at = [(0, 0), (n, 0), (n, n), (0, n)]
        foot = [_vertex(i * _PITCH, j * _PITCH, _FLOOR) for i, j in at]
        post = [BRepBuilderAPI_MakeEdge(foot[k], self.vertex[at[k]]).Edge() for k in range(4)]
        sill = [BRepBuilderAPI_MakeEdge(foot[k], foot[(k + 1) % 4]).Edge() for k in range(4)]
        top = [
            [self.edge[0, i, 0] for i in range(n)],
            [self.edge[1, n, j] for j in range(n)],
            [self.edge[0, i, n].Reversed() for i in reversed(range(n))],
            [self.edge[1, 0, j].Reversed() for j in reversed(range(n))],
        ]
        outward = [(0, -1, 0), (1, 0, 0), (0, 1, 0), (-1, 0, 0)]
        along = [(1, 0, 0), (0, 1, 0), (-1, 0, 0), (0, -1, 0)]
        faces = []
        for k in range(4):
            rim = [edge.Reversed() for edge in reversed(top[k])]
            wire = self._wire([sill[k], post[(k + 1) % 4], *rim, post[k].Reversed()])
            start = at[k][0] * _PITCH, at[k][1] * _PITCH, _FLOOR
            faces.append(self._plane(start, outward[k], along[k], wire))
        floor = self._wire([edge.Reversed() for edge in reversed(sill)])
        return [*faces, self._plane((0.5 * size, 0.5 * size, _FLOOR), (0, 0, -1), (1, 0, 0), floor)]

    def _plane(
        self, at: tuple[float, ...], outward: tuple[int, ...], along: tuple[int, ...], *wires: TopoDS_Shape
    ) -> TopoDS_Face:
        face = TopoDS_Face()
        self.builder.MakeFace(face, Geom_Plane(gp_Ax3(gp_Pnt(*at), gp_Dir(*outward), gp_Dir(*along))), _EXACT)
        for wire in wires:
            self.builder.Add(face, wire)
        return face

    def _wire(self, edges: list[TopoDS_Shape]) -> TopoDS_Wire:
        wire = TopoDS_Wire()
        self.builder.MakeWire(wire)
        for edge in edges:
            self.builder.Add(wire, edge)
        wire.Closed(True)
        return wire


def _vertex(x: float, y: float, z: float) -> TopoDS_Shape:
    return BRepBuilderAPI_MakeVertex(gp_Pnt(float(x), float(y), float(z))).Vertex()


def _points(poles: np.ndarray) -> Array1_gp_Pnt:
    out = Array1_gp_Pnt(1, len(poles))
    for k, pole in enumerate(poles):
        out.SetValue(k + 1, gp_Pnt(*map(float, pole)))
    return out
