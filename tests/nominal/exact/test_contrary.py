"""Faces turned the wrong side out: by a file, or by the CAD kernel when it reads a sound one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
from OCP.BRepOffset import BRepOffset_Mode
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakeThickSolid, BRepOffsetAPI_ThruSections
from OCP.collections import HArray1_gp_Pnt, List_TopoDS_Shape
from OCP.GeomAbs import GeomAbs_JoinType
from OCP.GeomAPI import GeomAPI_Interpolate
from OCP.gp import gp_Pnt
from OCP.TopoDS import TopoDS_Shape, TopoDS_Wire

from probekit.nominal.exact import ExactEngine
from probekit.nominal.exact.contrary import contrary_faces
from probekit.nominal.exact.step import read_step

WALL = 0.8


def ring(z: float, radius: float, lobes: float) -> TopoDS_Wire:
    """A closed spline with three lobes."""
    points = HArray1_gp_Pnt(1, 6)
    for k in range(6):
        angle = np.pi * k / 3.0
        r = radius * (1.0 + lobes * np.cos(3.0 * angle))
        points.SetValue(k + 1, gp_Pnt(r * np.cos(angle), 0.8 * r * np.sin(angle), z))
    curve = GeomAPI_Interpolate(points, True, 1e-6)
    curve.Perform()
    return BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(curve.Curve()).Edge()).Wire()


def cup() -> TopoDS_Shape:
    """A loft through closed splines, hollowed to a wall of 0.8 mm, open at its top."""
    loft = BRepOffsetAPI_ThruSections(True, False)
    for section in ((0.0, 20.0, 0.1), (12.0, 22.0, 0.05), (20.0, 24.0, 0.1)):
        loft.AddWire(ring(*section))
    loft.Build()
    top = List_TopoDS_Shape()
    top.Append(max(es.parts(loft.Shape(), es.FACE), key=es._mean_height))
    hollow, mode = BRepOffsetAPI_MakeThickSolid(), BRepOffset_Mode.BRepOffset_Skin
    join = GeomAbs_JoinType.GeomAbs_Intersection
    hollow.MakeThickSolidByJoin(loft.Shape(), top, -WALL, 1e-4, mode, False, False, join)
    return hollow.Shape()


def test_the_inside_of_a_hollow_loft(tmp_path: Path) -> None:
    """Touches about its wall and floor, against the kernel's extrema and classifier on the body before it was written.

    The kernel, when it reads the file, turns the face inside.
    """
    made = cup()
    brep = read_step(es.write(made, tmp_path / "cup.step"), deflection=0.2)
    assert [note for note in brep.notes if "contradicted their neighbours" in note] == [
        "1 faces contradicted their neighbours: their normals were reversed"
    ]
    rng = np.random.default_rng(3)
    facet = rng.integers(len(brep.facets), size=60)
    middle = brep.vertices[brep.facets[facet]].mean(axis=1)
    points = middle + rng.uniform(-0.6, 0.6, (60, 3))
    found = ExactEngine(brep).feet(points)
    inside = es.kernel_inside(points, made)
    clear = np.abs(found.distance) > 0.01
    assert clear.sum() > 40
    assert 10 < inside[clear].sum() < 40
    np.testing.assert_array_equal(found.distance[clear] < 0, inside[clear])
    size, _ = es.kernel_distances(points, made)
    np.testing.assert_allclose(np.abs(found.distance), size, rtol=0, atol=1e-7)


def cube(at: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Corners, and two facets for each of six sides, outward."""
    corners = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)]) + at
    sides = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return corners, np.array([half for a, b, c, d in sides for half in ((a, b, c), (a, c, d))])


@pytest.mark.parametrize("wrong", [(), (3,), (0, 5), (1, 2)])
def test_the_smaller_part_is_turned(wrong: tuple[int, ...]) -> None:
    """Of two cubes that share a corner's place, one is sound; of the other some sides are turned."""
    (one, facets), (two, _) = cube(), cube(1.0)
    vertices, facets = np.vstack([one, two]), np.vstack([facets, facets + 8])
    owner, body = np.repeat(np.arange(12), 2), np.repeat([0, 1], 6)
    turned = np.isin(owner, np.array(wrong, dtype=int) + 6)
    facets[turned] = facets[turned, ::-1]
    turn, never = contrary_faces(vertices, facets, owner, body)
    assert np.flatnonzero(turn).tolist() == [side + 6 for side in wrong]
    assert not never.any()


def test_bodies_do_not_turn_each_other() -> None:
    """A side that two bodies share is a side of each, the way round that each wants."""
    vertices, facets = cube()
    both = np.vstack([facets, facets[:, ::-1]])
    turn, never = contrary_faces(vertices, both, np.repeat(np.arange(12), 2), np.repeat([0, 1], 6))
    assert not turn.any()
    assert not never.any()


def test_a_band_with_one_side_is_named() -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 13)[:-1]
    radial = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(12)])
    half = 0.3 * (np.cos(angle / 2)[:, None] * radial + np.sin(angle / 2)[:, None] * [0.0, 0.0, 1.0])
    vertices = np.vstack([radial - half, radial + half])
    low = np.arange(12)
    follow = (low + 1) % 12
    near, far = np.where(follow == 0, 12, follow), np.where(follow == 0, 0, follow + 12)
    facets = np.stack([np.stack([low, near, far], 1), np.stack([low, far, low + 12], 1)], 1).reshape(-1, 3)
    turn, never = contrary_faces(vertices, facets, np.repeat(np.arange(12), 2), np.zeros(12, dtype=int))
    assert never.all()
    assert not turn.any()
