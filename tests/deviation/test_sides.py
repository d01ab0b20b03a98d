"""Touches whose direction is known go to the side that they came from, or say that they did not; by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from reference.meshes import box, sphere

import probekit as pk
from probekit.deviation import project
from probekit.deviation.projection import distance_function
from probekit.nominal import from_arrays

WALL = 0.3  # thickness [mm]
DEPTHS = np.array([0.05, 0.0, -0.05, -0.14, -0.16, -0.2, -0.29])  # deviations on the side touched, the top


@pytest.fixture(scope="module", params=["facets", "exact"])
def wall(request, tmp_path_factory):
    """A sheet of 100 x 60 x 0.3 mm, its top at z = 0.3."""
    if request.param == "facets":
        return from_arrays(*box(100, 60, WALL))
    pytest.importorskip("OCP")
    import exact_shapes as es

    path = tmp_path_factory.mktemp("wall") / "wall.step"
    return pk.nominal.load(es.write(es.BRepPrimAPI_MakeBox(100.0, 60.0, WALL).Shape(), path))


def touches(depths=DEPTHS, *, height=0.0, **columns):
    depths = np.asarray(depths, dtype=float)
    n = len(depths)
    table = pd.DataFrame({"touch": np.arange(n), "feature": "", "radius": 0.0, "x": 20.0 + 5 * np.arange(n), "y": 30.0})
    table["z"] = WALL + depths + height
    return table.assign(**columns)


DOWN, NORMAL = {"ai": 0.0, "aj": 0.0, "ak": -1.0}, {"i": 0.0, "j": 0.0, "k": 1.0}
TILTED = {"ai": 0.5, "aj": -0.3, "ak": -0.81}


@pytest.mark.parametrize("known", [DOWN, NORMAL, TILTED, NORMAL | DOWN], ids=["approach", "normal", "tilted", "both"])
def test_a_known_direction_decides_between_the_sides(wall, known):
    found = project(touches(**known), wall)
    np.testing.assert_allclose(found["deviation"], DEPTHS, atol=1e-12)
    np.testing.assert_allclose(found["foot_z"], WALL, atol=1e-12)
    np.testing.assert_allclose(found["nz"], 1.0, atol=1e-12)
    assert not found["flag"].str.contains("other side").any()


def test_without_a_direction_the_nearest_side_is_taken(wall):
    found = project(touches(), wall)
    np.testing.assert_allclose(found["deviation"], np.maximum(DEPTHS, -WALL - DEPTHS), atol=1e-12)


def test_some_rows_know_their_direction(wall):
    """A table put together of two, one without directions, as CSV brings it back: empty cells."""
    table = touches(**DOWN)
    table.loc[:4, ["ai", "aj", "ak"]] = np.nan
    found = project(table, wall)
    nearest = np.maximum(DEPTHS, -WALL - DEPTHS)
    np.testing.assert_allclose(found["deviation"], np.where(np.arange(7) < 5, nearest, DEPTHS), atol=1e-12)


def test_ball_centres(wall):
    """Ball of 0.2 mm radius so far down that its centre is below the middle of the sheet."""
    found = project(touches([-0.36, -0.29], height=0.2, **DOWN), wall, stylus=0.2)
    np.testing.assert_allclose(found["deviation"], [-0.36, -0.29], atol=1e-12)


def test_the_same_in_a_fit(wall):
    found = project(touches(**DOWN), wall)
    deviation, normal = distance_function(found, wall)(found[["x", "y", "z"]].to_numpy() - np.array([0, 0, 0.001]))
    np.testing.assert_allclose(deviation, DEPTHS - 0.001, atol=1e-12)
    np.testing.assert_allclose(normal[:, 2], 1.0, atol=1e-12)


def test_what_cannot_be_is_flagged_and_kept():
    """A block of 20 mm whose approach has the wrong sign: no foot near on that side, so the nearest stays, flagged."""
    block = from_arrays(*box())
    table = pd.DataFrame({"touch": [1, 2], "radius": 0.0, "feature": "", "x": 50.0, "y": 30.0, "z": [20.02, 19.98]})
    found = project(table.assign(ai=0.0, aj=0.0, ak=1.0), block)
    np.testing.assert_allclose(found["deviation"], [0.02, -0.02], atol=1e-12)
    assert found["flag"].tolist() == ["other side", "other side"]
    bound = project(table.assign(ai=0.0, aj=0.0, ak=1.0, face=found["face"]), block)
    assert bound["flag"].tolist() == ["other side", "other side"], "on a face that has no such side"


def test_both_sides_of_one_face():
    """A thin lens that is one face, named by its touches: above and below are not the same."""
    vertices, facets = sphere(20.0, 5)
    lens = from_arrays(
        vertices * [1, 1, 0.01], facets, facet_face=np.zeros(len(facets), dtype=int), face_names=["skin"]
    )
    x = np.linspace(-6, 6, 9)
    top = 0.2 * np.sqrt(1 - (x / 20) ** 2)
    table = pd.DataFrame({"touch": range(9), "radius": 0.0, "feature": "skin", "x": x, "y": 0.3, "z": top - 0.3})
    found = project(table.assign(**DOWN), lens)
    np.testing.assert_allclose(found["deviation"], -0.3, atol=2e-3)
    assert (found["flag"] == "").all()
    assert (project(table, lens)["deviation"] > -0.15).all(), "without a direction they go below"


def test_an_approach_along_the_surface_says_nothing():
    """An edge touched from above a little beside it: its foot is on the wall, at 90 degrees, and stays there."""
    block = from_arrays(*box())
    table = pd.DataFrame({"touch": [1], "radius": 0.0, "feature": "", "x": [100.01], "y": [30.0], "z": [19.5]})
    found = project(table.assign(**DOWN), block)
    assert found["deviation"].tolist() == pytest.approx([0.01])
    assert found["flag"].tolist() == [""]
