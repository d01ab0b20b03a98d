"""The sign of touches at corners of exact bodies, judged by closed forms: bodies made of balls and half-spaces."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRep import BRep_Tool
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakeSphere
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.TopoDS import TopoDS, TopoDS_Shape

from probekit.nominal.exact import ExactEngine
from probekit.nominal.exact.step import read_step


@dataclass(frozen=True)
class Solid:
    """A shape of the kernel's, and how far points (n, 3) are outside it: negative inside, of any scale."""

    shape: TopoDS_Shape
    outside: Callable[[np.ndarray], np.ndarray]

    def __and__(self, other):
        shape = BRepAlgoAPI_Common(self.shape, other.shape).Shape()
        return Solid(shape, lambda p: np.maximum(self.outside(p), other.outside(p)))

    def __or__(self, other):
        shape = BRepAlgoAPI_Fuse(self.shape, other.shape).Shape()
        return Solid(shape, lambda p: np.minimum(self.outside(p), other.outside(p)))

    def __sub__(self, other):
        shape = BRepAlgoAPI_Cut(self.shape, other.shape).Shape()
        return Solid(shape, lambda p: np.maximum(self.outside(p), -other.outside(p)))


def ball(centre, radius):
    shape = BRepPrimAPI_MakeSphere(gp_Pnt(*map(float, centre)), radius).Shape()
    return Solid(shape, lambda p: np.linalg.norm(p - centre, axis=1) - radius)


def rod(start, along, radius, length):
    """A cylinder; its ends are to lie outside of what it is combined with."""
    along = np.array(along, dtype=float) / np.linalg.norm(along)
    axis = gp_Ax2(gp_Pnt(*map(float, start)), gp_Dir(*along))
    shape = BRepPrimAPI_MakeCylinder(axis, radius, length).Shape()
    return Solid(shape, lambda p: np.linalg.norm(np.cross(p - np.array(start, dtype=float), along), axis=1) - radius)


def below(point, normal, size=400.0):
    """The half-space under a plane, as a large box."""
    point, normal = np.array(point, dtype=float), np.array(normal, dtype=float) / np.linalg.norm(normal)
    side = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    side /= np.linalg.norm(side)
    low = point - size / 2 * (side + np.cross(normal, side)) - size * normal
    axis = gp_Ax2(gp_Pnt(*map(float, low)), gp_Dir(*normal), gp_Dir(*side))
    return Solid(BRepPrimAPI_MakeBox(axis, size, size, size).Shape(), lambda p: (p - point) @ normal)


def spear(drop):
    """A thin tip at the origin: one face above, two below that fall by `drop` over 40 mm, an end."""
    a, b = np.array([40.0, 12.0, 0.0]), np.array([40.0, -12.0, 0.0])
    keel = np.array([40.0, 0.0, -drop])
    under = [np.cross(keel, a), np.cross(b, keel)]
    under = [n if n[2] < 0 else -n for n in under]
    return below((0, 0, 0), (0, 0, 1)) & below((0, 0, 0), under[0]) & below((0, 0, 0), under[1]) & below(a, (1, 0, 0))


def saddle():
    """Two wedges back to back on a block: corners that are convex one way and concave the other."""
    block = below((0, 0, 0), (0, 0, 1)) & ball((0, 0, 0), 60.0)
    one = below((0, 0, 12), (0.3, 0.1, 1)) & below((0, 0, 0), (1, 0, 0)) & below((0, 8, 0), (0, 1, 0.2))
    return block | (
        one & below((-25, 0, 0), (-1, 0, 0)) & below((0, -9, 0), (0.1, -1, 0)) & below((0, 0, -5), (0, 0, -1))
    )


SOLIDS = {
    "spear": lambda: spear(1.5),
    "flat spear": lambda: spear(0.3),
    "hollow spear": lambda: ball((0, 0, 0), 30.0) - spear(1.5),
    "three balls": lambda: ball((0, 0, 0), 30.0) & ball((40, 0, 0), 25.0) & ball((20, 22, 0), 12.0),
    "thin lens cut": lambda: ball((0, 0, -98), 100.0) & ball((0, 0, 98), 100.0) - ball((16, 22, 0), 12.0),
    "rods": lambda: (
        rod((-80, 0, 0), (1, 0, 0), 12.0, 160) - rod((3, -80, 2), (0.2, 1, 0), 11.0, 160) & ball((0, 0, 0), 50.0)
    ),
    "saddle": saddle,
    "notched ball": lambda: (
        ball((0, 0, 0), 25.0)
        - (below((0, 0, 0), (-1, -0.05, 0)) & below((0, 0, 0), (0.1, -1, 0)) & below((0, 0, 3), (0, 0.9, -1)))
    ),
}


@pytest.fixture(scope="module", params=SOLIDS)
def case(request, tmp_path_factory):
    solid = SOLIDS[request.param]()
    path = es.write(solid.shape, tmp_path_factory.mktemp("corners") / "solid.step")
    return solid, ExactEngine(read_step(path, deflection=0.05)), es.read(path)


def test_signs_at_corners(case):
    """Touches 2 um to 0.2 mm off each corner, in all directions, and others beside its edges."""
    solid, engine, shape = case
    rng = np.random.default_rng(1)
    corners = np.unique(
        np.array([BRep_Tool.Pnt_s(TopoDS.Vertex(v)).Coord() for v in es.parts(shape, es.VERTEX)]), axis=0
    )
    corners = np.repeat(corners, 400, axis=0)
    direction = rng.normal(size=corners.shape)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    points = corners + direction * np.exp(rng.uniform(np.log(0.002), np.log(0.2), len(corners)))[:, None]
    found = engine.feet(points)
    outside = solid.outside(points)
    told = np.abs(outside) > 1e-6
    wrong = told & ((found.distance > 0) != (outside > 0))
    assert told.mean() > 0.95
    assert not wrong.any(), f"{wrong.sum()} of {len(points)}, worst {np.abs(found.distance[wrong]).max():.4f} mm"
    along = found.normal * found.distance[:, None]
    np.testing.assert_allclose(along, points - found.foot, rtol=0, atol=1e-6)


def test_each_face_keeps_its_own_side(case):
    """On one face alone its own normal decides: at its corners the sign is that of the height over its plane."""
    _, engine, _ = case
    for face, exact in enumerate(engine.brep.faces):
        if exact.kind != "plane":
            continue
        alone, _ = engine.of_face(face)
        normal = exact.outward * exact.surface.axes[2]
        rng = np.random.default_rng(face)
        edge = engine.brep.edges[exact.borders[0][0]]
        corner = edge.evaluate(np.array(edge.ends))[0][0]
        points = corner + rng.normal(scale=0.02, size=(200, 3))
        height = (points - exact.surface.origin) @ normal
        clear = np.abs(height) > 1e-6
        np.testing.assert_array_equal((alone.feet(points).distance > 0)[clear], (height > 0)[clear])
