"""Touches near the axis of revolved faces, where one parameter moves little: against the profile, sampled densely."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_NurbsConvert,
)
from OCP.BRepPrimAPI import BRepPrimAPI_MakeRevol
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from probekit.nominal.exact import HOW, ExactEngine
from probekit.nominal.exact.edges import Edge
from probekit.nominal.exact.step import read_step
from probekit.nominal.exact.swept import Revolved

OUTLINE = np.array([[0, 0, -10], [12, 0, -8], [20, 0, 0], [22, 0, 10]], dtype=float)  # dips below -10 off the axis
AXIS = np.array([1, 0.3, 0]) / np.hypot(1, 0.3)
TURN, SHIFT = Rotation.from_rotvec(0.4 * AXIS).as_matrix(), np.array([3.0, 4, 5])


def bowl():
    """A block with a bowl turned into it, its inside a revolved B-spline; tilted."""
    edges = [BRepBuilderAPI_MakeEdge(es.profile_curve(OUTLINE)).Edge()]
    for a, b in pairwise([(22, 0, 10), (30, 0, 10), (30, 0, -20), (0, 0, -20), (0, 0, -10)]):
        edges.append(BRepBuilderAPI_MakeEdge(gp_Pnt(*map(float, a)), gp_Pnt(*map(float, b))).Edge())
    wire = BRepBuilderAPI_MakeWire()
    for edge in edges:
        wire.Add(edge)
    axis = gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1))
    body = BRepPrimAPI_MakeRevol(BRepBuilderAPI_MakeFace(wire.Wire()).Face(), axis, 2 * np.pi).Shape()
    return es.moved(body, (1, 0.3, 0), 0.4, (3, 4, 5))


@pytest.fixture(scope="module")
def profile():
    """Tree of points of the profile: radius and height."""
    curve = es.profile_curve(OUTLINE)
    t = np.linspace(curve.FirstParameter(), curve.LastParameter(), 60_001)
    return cKDTree(np.array([curve.Value(float(at)).Coord() for at in t])[:, [0, 2]])


@pytest.mark.parametrize("kind", ["revolution", "spline"])
def test_touches_near_the_axis_settle(kind, profile, tmp_path):
    shape = bowl() if kind == "revolution" else BRepBuilderAPI_NurbsConvert(bowl(), True).Shape()
    engine = ExactEngine(read_step(es.write(shape, tmp_path / "bowl.step")))
    assert kind in {face.kind for face in engine.brep.faces}
    rng = np.random.default_rng(1)
    for radius in (0.0, 1e-7, 1e-4, 1e-3, 1e-2, 1.0):
        turn, height = rng.uniform(0, 2 * np.pi, 200), rng.uniform(-0.9, 2, 200)
        height = -10 + height[np.abs(height) > 0.1]
        turn = turn[: len(height)]
        local = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])
        found = engine.feet(local @ TURN.T + SHIFT)
        assert not (found.how == HOW.index("facet")).any(), radius
        expected = profile.query(np.column_stack([np.full(len(height), radius), height]))[0]
        # samples are up to 0.00075 mm apart, so the nearest is too far by at most (0.00075 / 2)^2 / 2 d
        gap = expected - np.abs(found.distance)
        assert gap.min() > -1e-9
        assert (gap * expected).max() < 7e-8


def test_a_profile_aslant_of_its_axis_is_still_searched_in_both():
    """A profile in no plane with the axis has no closed form; points along its normals have known feet."""
    points = np.array([[10, 0, 0], [12, 3, 8], [9, -2, 17], [11, 1, 25]], dtype=float)
    curve = es.profile_curve(points)
    poles = np.array([curve.Pole(k + 1).Coord() for k in range(curve.NbPoles())])
    knots = np.repeat(
        [curve.Knot(k + 1) for k in range(curve.NbKnots())], [curve.Multiplicity(k + 1) for k in range(curve.NbKnots())]
    )
    for shift in (0.0, 3.0):  # in a plane beside the axis, and in none
        edge = Edge(poles * [1, shift > 0, 1], None, knots, curve.Degree())
        surface = Revolved.about(edge, (1.0, 2.0, 3.0), (0.2, 0.1, 1.0), closed=False)
        rng = np.random.default_rng(2)
        first, last = edge.ends
        uv = np.column_stack([rng.uniform(-3, 3, 500), rng.uniform(first, last, 500)])
        foot, su, sv = surface.evaluate(uv, 1)
        normal = np.cross(su, sv)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        found = surface.closest(foot + rng.uniform(-1, 1, 500)[:, None] * normal, uv + np.array([0.05, 0.001]))
        np.testing.assert_allclose(found.foot, foot, rtol=0, atol=1e-8)
        np.testing.assert_allclose(found.uv, uv, rtol=0, atol=1e-8)
