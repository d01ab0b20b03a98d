"""A machining allowance offsets the nominal along its normals: closed forms on planes and spheres, fits, tolerances."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapes

import probekit as pk
from probekit.geometry import invert_motion

DATA = Path(__file__).parents[2] / "data"
sys.path.insert(0, str(DATA))

import foil_shape  # noqa: E402

needs_kernel = pytest.mark.skipif(importlib.util.find_spec("OCP") is None, reason="the CAD kernel is not installed")


def touches(points: np.ndarray, feature: str | list[str] = "") -> pd.DataFrame:
    table = pd.DataFrame(np.asarray(points, dtype=float), columns=["x", "y", "z"]).assign(radius=0.0)
    table.insert(0, "touch", np.arange(1, len(points) + 1))
    table.insert(1, "feature", feature)
    return table


def directions(n: int) -> np.ndarray:
    vectors = np.random.default_rng(2).normal(size=(n, 3))
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


@pytest.mark.parametrize("allowance", [0.5, -0.2])
def test_a_plane_is_shifted_along_its_normal(allowance):
    height = np.array([0.7, 0.5, 0.0, -0.2, -0.3])
    points = np.column_stack([np.arange(5.0), -np.arange(5.0), height])
    found = pk.deviation.project(points, shapes.plane_patch(), allowance=allowance)
    np.testing.assert_allclose(found["deviation"], height - allowance, atol=1e-12)
    np.testing.assert_allclose(found["foot_z"], allowance, atol=1e-12)
    np.testing.assert_allclose(found[["foot_x", "foot_y"]], points[:, :2], atol=1e-12)
    np.testing.assert_allclose(found[["nx", "ny", "nz"]], np.tile([0.0, 0.0, 1.0], (5, 1)), atol=1e-12)


def test_a_sphere_is_made_larger():
    """Touches on the sphere of radius R + a have no deviation, up to the depth of the facets below the sphere."""
    part = shapes.ball(radius=20.0)
    found = pk.deviation.project(20.5 * directions(300), part, allowance=0.5)
    chord = 20.0 - np.linalg.norm(part.vertices[part.facets].mean(axis=1), axis=1).min()
    assert found["deviation"].between(-1e-9, 1.1 * chord).all()
    np.testing.assert_allclose(np.linalg.norm(found[["foot_x", "foot_y", "foot_z"]], axis=1), 20.5, atol=2 * chord)


@needs_kernel
@pytest.mark.parametrize("allowance", [0.5, -0.2])
@pytest.mark.parametrize("radius", [0.0, 3.0])
def test_an_exact_sphere_is_exactly_larger(tmp_path, allowance, radius):
    """tests/exact_shapes.py: radius 20 about (5, -3, 2). With a ball, its centre is further out by its radius."""
    import exact_shapes

    part = pk.nominal.load(exact_shapes.write(exact_shapes.sphere(), tmp_path / "sphere.step"))
    made = np.random.default_rng(4).uniform(-0.05, 0.05, 300)
    points = np.array([5.0, -3.0, 2.0]) + (20.0 + allowance + made + radius)[:, None] * directions(300)
    found = pk.deviation.project(points, part, stylus=radius or None, allowance=allowance)
    np.testing.assert_allclose(found["deviation"], made, rtol=0, atol=1e-9)
    foot = found[["foot_x", "foot_y", "foot_z"]].to_numpy() - [5.0, -3.0, 2.0]
    np.testing.assert_allclose(np.linalg.norm(foot, axis=1), 20.0 + allowance, atol=1e-9)


@needs_kernel
def test_a_freeform_skin_is_offset_along_its_own_normals():
    rng = np.random.default_rng(6)
    u, v, made = rng.uniform(0.05, 0.95, 500), rng.uniform(0.05, 0.95, 500), rng.uniform(-0.1, 0.1, 500)
    points = foil_shape.skin(u, v) + (0.5 + made)[:, None] * foil_shape.skin_normal(u, v)
    part = pk.nominal.load(DATA / "foil" / "foil.step")
    found = pk.deviation.project(touches(points, "skin"), part, allowance={"skin": 0.5})
    np.testing.assert_allclose(found["deviation"], made, rtol=0, atol=1e-8)


def test_faces_have_their_own_allowance():
    """On a box of 60 x 40 x 20, each face touched 0.1 mm above its surface."""
    part = shapes.box()
    points, normals = shapes.sample_box(part, 24, np.random.default_rng(1))
    found = pk.deviation.project(points + 0.1 * normals, part, allowance={"top": 0.5, "left": -0.2})
    expected = found["face"].map({"top": 0.1 - 0.5, "left": 0.1 + 0.2}).fillna(0.1)
    assert set(found["face"]) == set(shapes.BOX_FACES)
    np.testing.assert_allclose(found["deviation"], expected, atol=1e-12)


def test_none_is_the_same_as_zero():
    points = shapes.sample(shapes.saddle(), 50, np.random.default_rng(0))[0] + 0.01
    plain = pk.deviation.project(points, shapes.saddle())
    pd.testing.assert_frame_equal(plain, pk.deviation.project(points, shapes.saddle(), allowance=0.0))
    pd.testing.assert_frame_equal(plain, pk.deviation.project(points, shapes.saddle(), allowance={}))


@pytest.mark.parametrize(
    ("allowance", "message"),
    [
        ({"lid": 0.5}, "no face with that name; found 'lid'; expected one of left, right"),
        (np.nan, "the machining allowance is not a number"),
        (np.inf, "the machining allowance is not a number"),
        ({"top": "0.5"}, "the machining allowance is not a number; found '0.5'"),
        ({"top": [0.5]}, "the machining allowance is not a number"),
        (True, "the machining allowance is not a number; found True"),
        ("much", "the machining allowance is not a number; found 'much'"),
    ],
)
def test_what_is_no_allowance(allowance, message):
    with pytest.raises(pk.InputError, match=message):
        pk.deviation.project(np.zeros((1, 3)), shapes.box(), allowance=allowance)


def test_along_the_target_and_far_and_missed():
    table = touches([[0.0, 0.0, 10.8], [1.0, 0.0, 12.9], [np.nan] * 3], "top")
    table = table.assign(x0=[0.0, 1.0, 2.0], y0=0.0, z0=10.0, i=0.0, j=0.0, k=1.0)
    table["reason"] = ["", "", "no trigger"]
    found = pk.deviation.project(table, shapes.box(), along="target", allowance=0.5, max_distance=2.0)
    np.testing.assert_allclose(found["deviation"], [0.3, 2.4, np.nan], atol=1e-12)
    np.testing.assert_allclose(found["foot_z"][:2], 10.5, atol=1e-12)
    assert found["flag"].tolist() == ["", "far", "missed"]
    assert pk.deviation.project(table, shapes.box(), max_distance=2.8)["flag"].tolist() == ["", "far", "missed"]
    assert pk.deviation.project(table, shapes.box(), allowance=0.5, max_distance=2.8)["flag"][1] == ""


@pytest.fixture(scope="module")
def three_sides() -> tuple[pd.DataFrame, np.ndarray]:
    """Touches on three sides of the box, each left 0.5 mm proud, as a machine sees them; the motion back."""
    part = shapes.box()
    points, normals = shapes.sample_box(part, 60, np.random.default_rng(8))
    chosen = (normals > 0).any(axis=1)  # right, back, top
    names = np.array(shapes.BOX_FACES)[np.arange(60) % 6][chosen].tolist()
    proud = touches(points[chosen] + 0.5 * normals[chosen], names)
    there = pk.fit.make_motion((0.1, -0.2, 0.15), (0.05, -0.03, 0.08))
    return pk.fit.move_touches(proud, there), invert_motion(there)


def test_a_fit_under_an_allowance_finds_the_set_up(three_sides):
    """Left out, the allowance goes into the translation: 0.5 mm off along each of the three normals."""
    table, back = three_sides
    part = shapes.box()
    alignment = pk.fit.rigid(pk.deviation.project(table, part, allowance=0.5), part)
    np.testing.assert_allclose(alignment.motion, back, atol=1e-7)
    assert alignment.rms < 1e-9
    without = pk.fit.rigid(pk.deviation.project(table, part), part)
    np.testing.assert_allclose(without.motion[:3, 3] - back[:3, 3], -0.5, atol=0.005)


def test_a_profile_under_an_allowance(three_sides):
    table, back = three_sides
    raised = pk.fit.move_touches(table, back)
    raised["z"] += np.where(raised["feature"] == "top", 0.03, 0.0)
    found = pk.deviation.project(raised, shapes.box(), allowance={"top": 0.5, "right": 0.5, "back": 0.5})
    profile = pk.tolerance.profile(found, 0.1, features=["top", "right", "back"], name="stage 1")
    assert profile.actual == pytest.approx(0.06, abs=1e-9)  # twice the largest deviation, 0.03
    assert profile.actual <= profile.width
    floating = pk.tolerance.profile(found, 0.1, free=pk.fit.FREEDOMS, nominal=shapes.box(), name="floating")
    assert floating.actual == pytest.approx(0.0, abs=1e-6)  # a shift by 0.03 along z takes it all


def test_what_a_fit_minimises_is_what_projection_reports(three_sides):
    table, _ = three_sides
    part = shapes.box()
    found = pk.deviation.project(table, part, stylus=0.2, allowance={"top": 0.5, "right": -0.1})
    deviation, _ = pk.deviation.projection.distance_function(found, part)(table[["x", "y", "z"]].to_numpy())
    np.testing.assert_allclose(deviation, found["deviation"], atol=1e-12)
