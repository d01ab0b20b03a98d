"""A ball in a hollow narrower than itself touches beside it, and the table says so; by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.TopoDS import TopoDS

import probekit as pk
from probekit.deviation import project


@pytest.fixture(scope="module")
def corner(tmp_path_factory):
    """An L of walls x = 0 and z = 0 whose concave edge along y has a fillet of 1 mm."""
    block = BRepPrimAPI_MakeBox(gp_Pnt(-10, 0, -10), 50.0, 40.0, 50.0).Shape()
    ell = BRepAlgoAPI_Cut(block, BRepPrimAPI_MakeBox(gp_Pnt(0, -5, 0), 60.0, 60.0, 60.0).Shape()).Shape()
    fillet = BRepFilletAPI_MakeFillet(ell)
    for edge in map(TopoDS.Edge, es.parts(ell, es.EDGE)):
        ends = es._on_edges(edge, 6, np.random.default_rng(0))
        if np.abs(ends[:, [0, 2]]).max() < 1e-9:
            fillet.Add(1.0, edge)
    path = es.write(fillet.Shape(), tmp_path_factory.mktemp("corner") / "corner.step")
    part = pk.nominal.load(path)
    found = part.engine.feet(np.array([[1 - np.sqrt(0.5), 20, 1 - np.sqrt(0.5)]]))
    return part, part.face_names[found.face[0]]


def centres(points, **columns):
    x, y, z = np.asarray(points, dtype=float).T
    return pd.DataFrame({"touch": np.arange(len(x)), "radius": 0.0, "feature": "", "x": x, "y": y, "z": z}).assign(
        **columns
    )


def test_a_ball_that_cannot_touch_there_is_flagged(corner):
    """Ball of 3 mm against both walls: sqrt(3^2 + 2^2) - 3 = 0.6056 mm over the end of the fillet."""
    part, fillet = corner
    table = centres([[3.0, 20, 3.0]], face=fillet)
    found = project(table, part, stylus=3.0)
    assert found["deviation"][0] == pytest.approx(np.sqrt(13) - 3)
    assert "too tight" in found["flag"][0]
    # in its walls it is right
    walls = project(centres([[3.0, 20, 8.0], [8.0, 20, 3.0]]), part, stylus=3.0)
    assert walls["deviation"].tolist() == pytest.approx([0, 0], abs=1e-12)
    assert (walls["flag"] == "").all()


@pytest.mark.parametrize(("ball", "flagged"), [(0.5, False), (0.999, False), (1.0, False), (1.001, True), (1.5, True)])
def test_the_radius_decides(corner, ball, flagged):
    part, fillet = corner
    way = np.sqrt(0.5)
    at = 1.0 + (ball - 1.0) * way  # so that the ball touches the middle of the fillet, or would
    found = project(centres([[at, 20, at]], face=fillet), part, stylus=ball)
    assert ("too tight" in found["flag"][0]) is flagged


def test_an_allowance_makes_it_narrower(corner):
    part, fillet = corner
    at = 1.0 - 0.2 * np.sqrt(0.5)
    table = centres([[at, 20, at]], face=fillet)
    assert "too tight" not in project(table, part, stylus=0.8)["flag"][0]
    assert "too tight" in project(table, part, stylus=0.8, allowance=0.3)["flag"][0]


def meshed(part):
    """The same part as a mesh that knows nothing of the exact surfaces, under the same names of faces."""
    plain = dataclasses.replace(part, brep=None)
    assert not plain.exact
    return plain


def test_contact_points_are_never_too_tight(corner):
    part, fillet = corner
    for model in (part, meshed(part)):
        assert "too tight" not in project(centres([[0.3, 20, 0.3]], face=fillet), model)["flag"][0]
    assert "too tight" not in project(centres([[3.0, 20, 3.0]]), meshed(part), stylus=3.0)["flag"][0]


@pytest.mark.parametrize(("ball", "flagged"), [(0.3, False), (0.8, False), (1.0, False), (1.5, True), (3.0, True)])
def test_facets_of_a_narrow_fillet_are_too_tight(corner, ball, flagged):
    """The radius of a fillet of 1 mm is estimated from its facets; both where the ball lies in it and on both walls."""
    part, fillet = corner
    at = [1.0 + (ball - 1.0) * np.sqrt(0.5), max(ball, 1.0)]
    found = project(centres([[a, 20, a] for a in at], face=fillet), meshed(part), stylus=ball)
    assert found["flag"].str.contains("too tight").tolist() == [flagged, flagged]
    walls = project(centres([[ball, 20, 8.0], [8.0, 20, ball]]), meshed(part), stylus=ball)
    assert not walls["flag"].str.contains("too tight").any()


def test_the_facets_of_a_bore_and_of_a_shaft(tmp_path):
    """A ball of 3 mm: a bore of 2 mm is too narrow, one of 4 mm is not, and a shaft of 1 mm never is."""
    block = BRepPrimAPI_MakeBox(gp_Pnt(-20, -20, -10), 40.0, 40.0, 10.0).Shape()
    for x, r in ((-10, 2.0), (10, 4.0)):
        tool = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(x, 0, -20), gp_Dir(0, 0, 1)), r, 40.0).Shape()
        block = BRepAlgoAPI_Cut(block, tool).Shape()
    shaft = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(0, 10, -1), gp_Dir(0, 0, 1)), 1.0, 20.0).Shape()
    part = meshed(pk.nominal.load(es.write(BRepAlgoAPI_Fuse(block, shaft).Shape(), tmp_path / "part.step")))
    on = [[-12.0, 0, -5.0], [14.0, 0, -5.0], [0, 11.0, 10.0]]
    names = [part.face_names[k] for k in part.engine.feet(np.array(on)).face]
    rest = np.sqrt(3.0**2 - 2.0**2)  # on the rim of the narrow bore
    found = project(centres([[-10.001, 0, rest], [11.0, 0, -5.0], [0, 14.0, 10.0]], face=names), part, stylus=3.0)
    assert found["flag"].str.contains("too tight").tolist() == [True, False, False]


@pytest.mark.parametrize("exact", [True, False])
def test_a_slot_narrower_than_the_ball_holds_it_off_the_floor(exact, tmp_path):
    """Ball of 3 mm on the rims of a slot 4 wide and 1 deep: sqrt(3^2 - 2^2) + 1 - 3 = 0.236 mm above its flat floor."""
    block = BRepPrimAPI_MakeBox(gp_Pnt(-20, -20, -10), 40.0, 40.0, 10.0).Shape()
    for x, width in ((-10, 4.0), (8, 10.0)):
        tool = BRepPrimAPI_MakeBox(gp_Pnt(x - width / 2, -30, -1), width, 60.0, 5.0).Shape()
        block = BRepAlgoAPI_Cut(block, tool).Shape()
    part = pk.nominal.load(es.write(block, tmp_path / "slots.step"))
    part = part if exact else meshed(part)
    floor, wide = (part.face_names[k] for k in part.engine.feet(np.array([[-10.0, 0, -1], [8, 0, -1]])).face)
    rest = np.sqrt(3.0**2 - 2.0**2)
    points = [[-10.0, 0, rest], [-10.01, 3.0, rest + 0.02], [8.0, 0, 2.236], [8.0, 0, 2.0], [5.9, 0, 2.05]]
    found = project(centres(points, face=[floor, floor, wide, wide, wide]), part, stylus=3.0)
    np.testing.assert_allclose(found["deviation"][:4], [rest - 2.0, rest - 1.98, 0.236, 0.0], atol=1e-9)
    assert found["flag"].str.contains("too tight").tolist() == [True, True, False, False, False]


def test_a_bore_narrower_than_the_ball(tmp_path):
    """Ball of 3 mm over a bore of 5 mm diameter: bound to the bore it rests on the rim and cannot touch the wall."""
    block = BRepPrimAPI_MakeBox(gp_Pnt(-10, -10, -10), 20.0, 20.0, 10.0).Shape()
    bore = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(0, 0, -20), gp_Dir(0, 0, 1)), 2.5, 40.0).Shape()
    part = pk.nominal.load(es.write(BRepAlgoAPI_Cut(block, bore).Shape(), tmp_path / "bore.step"))
    wall = part.face_names[part.engine.feet(np.array([[2.5, 0.0, -5.0]])).face[0]]
    rest = np.sqrt(3.0**2 - 2.5**2)
    found = project(centres([[0.001, 0, rest], [4.0, 4.0, 3.0]], face=[wall, ""]), part, stylus=3.0)
    assert "too tight" in found["flag"][0]
    assert found["flag"][1] == ""
    assert found["deviation"][1] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("name", ["ball_spline", "sphere"])
def test_a_ball_at_the_pole_of_another_is_not_too_tight(name, tmp_path):
    """Round the pole of a convex ball, where the parameters degenerate, nothing is hollow."""
    part = pk.nominal.load(es.make(name, tmp_path).path)
    centre, radius, axis = {
        "ball_spline": ((1, 2, 3), 15.0, (0, 0, 1)),
        "sphere": ((5, -3, 2), 20.0, (0.2, 0.3, 1)),
    }[name]
    rng = np.random.default_rng(0)
    scale = np.repeat([0.0, 1e-12, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-3, 0.1], 60)[:, None]
    outward = np.array(axis, dtype=float) / np.linalg.norm(axis) + scale * rng.normal(size=(len(scale), 3))
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    found = project(centres(np.array(centre) + (radius + 3.0) * outward), part, stylus=3.0)
    np.testing.assert_allclose(found["deviation"], 0.0, atol=1e-9)
    assert not found["flag"].str.contains("too tight").any()
