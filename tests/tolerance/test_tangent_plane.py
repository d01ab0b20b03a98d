"""The tangent plane modifier: closed forms of rough planes, brute force of the plane, bounds with few touches."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from thorough import some
from tolerance.inspected import inspected
from tolerance.touched import table

import probekit as pk
from probekit.tolerance import Orientation, Profile, evaluate_all, profile
from probekit.tolerance.bounds import bounds
from probekit.tolerance.tangent import tangent_plane
from probekit.uncertainty import Scatter

UP = (0.0, 0.0, 1.0)
GRID = np.array([[x, y] for x in (-20.0, -7, 8, 20) for y in (-15.0, 0, 15)])
SPEC = Orientation(of="parallelism", width=0.05, direction=UP, tangent=True)


def rough(heights, *, at=GRID, feature="a"):
    points = np.column_stack([at, heights])
    return table(points, UP, deviation=np.asarray(heights), feature=feature)


def test_valleys_do_not_count():
    """Three high points at one level carry a plane that is parallel, however deep the others lie."""
    heights = np.full(12, -0.2)
    heights[[0, 5, 9]] = 0.0
    one = SPEC.evaluate(rough(heights))
    assert one.actual == pytest.approx(0.0, abs=1e-9)
    assert set(one.ruling) == {1, 6, 10}
    assert dataclasses.replace(SPEC, tangent=False).evaluate(rough(heights)).actual == pytest.approx(0.2)
    assert one.kind == "parallelism of a tangent plane"
    assert "\u24c9" in SPEC.frame


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("n", [4, 5, 12])
def test_plane_and_value_against_a_general_optimiser(seed, n):
    """Least squares of the distances under the condition that none is outside; its lean over the corners touched."""
    rng = np.random.default_rng(seed)
    at = rng.uniform(-20, 20, (n, 2))
    heights = rng.normal(scale=0.02, size=n) + 0.001 * at[:, 0]
    design, up = np.column_stack([np.ones(n), at / 20]), 100 * heights  # all of about one, for the optimiser
    solved = minimize(
        lambda p: np.sum((design @ p - up) ** 2),
        [up.max() + 0.1, 0, 0],
        jac=lambda p: 2 * design.T @ (design @ p - up),
        constraints={"type": "ineq", "fun": lambda p: design @ p - up, "jac": lambda _: design},
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 1000},
    )
    one = SPEC.evaluate(rough(heights, at=at))
    turn = np.arange(16) * 2 * np.pi / 16
    edge = np.unique((at @ np.array([np.cos(turn), np.sin(turn)])).argmax(axis=0))
    assert one.actual == pytest.approx(np.ptp((design @ solved.x)[edge]) / 100, abs=5e-5)


def test_gradient_is_that_of_a_touch_pushed():
    rng = np.random.default_rng(4)
    heights = rng.normal(scale=0.02, size=12)
    one = SPEC.evaluate(rough(heights))
    for k in range(12):
        pushed = heights.copy()
        pushed[k] += 1e-6
        change = (SPEC.evaluate(rough(pushed)).actual - one.actual) / 1e-6
        assert change == pytest.approx(one.gradient[k], abs=2e-3), k


def test_a_free_turn_is_used():
    """A wall square to x: turned about z by 0.002 it is square to the floor; it leans by 30 x 0.001."""
    at = np.column_stack([0.002 * GRID[:, 0] + 0.001 * GRID[:, 1], GRID])
    at[4, 0] -= 0.1  # a pit
    found = table(at, (1.0, 0, 0))
    held = Orientation(of="perpendicularity", width=0.1, direction=(1, 0, 0), tangent=True)
    free = dataclasses.replace(held, turn=UP)
    assert held.evaluate(found).actual == pytest.approx(0.08 + 0.03, abs=1e-4)
    assert free.evaluate(found).actual == pytest.approx(0.03, abs=1e-4)


def test_over_the_whole_face_of_the_model(tmp_path):
    """Touched from -20 to 20 of a face of 100: the plane is carried on; the touches alone say 0.4 of it."""
    import trimesh

    box = trimesh.creation.box((100.0, 60.0, 10.0))
    faces = np.array([int(np.argmax(np.abs(n))) * 2 + int(n.max() > 0.5) for n in box.face_normals])
    part = pk.nominal.Nominal(box.vertices, box.faces, faces, ("left", "right", "front", "back", "bottom", "top"))
    rng = np.random.default_rng(0)
    touches = pd.DataFrame({"touch": np.arange(1, 13), "feature": "top"})
    touches[["x", "y"]] = GRID
    touches["z"] = 5.0 + 0.001 * GRID[:, 0] - np.where(np.arange(12) % 5, 0.0, rng.uniform(0.02, 0.1, 12))
    found = pk.deviation.Projection(part, stylus=0.0).project(touches)
    found.to_csv(tmp_path / "found.csv", index=False)
    found = pd.read_csv(tmp_path / "found.csv")
    spec = Orientation(of="parallelism", width=0.05, features="top", tangent=True)
    assert spec.evaluate(found).actual == pytest.approx(0.04, abs=1e-6)
    assert spec.evaluate(found, part).actual == pytest.approx(0.1, abs=1e-6)


def test_profile_of_a_tangent_plane():
    """High points 0.03 above the nominal, valleys 0.2 below: +-0.05 holds the plane, not the surface."""
    heights = np.where(np.arange(12) % 2, 0.03, -0.17)
    heights[0] = 0.03
    found = rough(heights)
    found[["foot_x", "foot_y", "foot_z"]] = np.column_stack([GRID, np.zeros(12)])
    one = profile(found, 0.1, tangent=True)
    assert one.actual == pytest.approx(0.06, abs=1e-9)
    assert profile(found, 0.1).actual == pytest.approx(0.34)
    assert profile(found, 0.1, tangent=True, free=("tz",)).actual == pytest.approx(0.0, abs=5e-6)
    assert profile(found, 0.1, tangent=True, outside=0.03).actual == pytest.approx(0.1, abs=1e-9)
    assert "0.1\u24c9" in Profile(width=0.1, tangent=True).frame
    with pytest.raises(pk.InputError, match="a tangent plane is judged in a uniform zone"):
        Profile(width=0.1, tangent=True, dynamic=True)


@pytest.mark.parametrize("n", some([3, 5]))
@pytest.mark.parametrize("located", [False, True])
def test_bounds_hold_at_the_limit(n, located):
    """A rough plane at the limit, touched with 3 um: accepted, and rejected, in at most 5 % of runs (three errors)."""
    along = np.linspace(-20.0, 20.0, n)
    at = np.array([[x, y] for x in along for y in along])
    rng, u, runs = np.random.default_rng(1), 0.003, 150
    form = -np.abs(rng.normal(scale=0.01, size=n * n))
    true = form + 0.001 * at[:, 0]
    spec = Profile(width=0.1, tangent=True) if located else SPEC

    def judged(heights):
        found = rough(heights, at=at)
        found["foot_z"] = 0.0
        return spec.evaluate(found)

    limit, accepted, rejected = judged(true).actual, 0, 0
    for _ in range(runs):
        one = judged(true + rng.normal(scale=u, size=n * n))
        reach = bounds(one, Scatter.independent(np.full(n * n, u)))
        accepted += reach.high <= limit
        rejected += reach.low > limit
    assert max(accepted, rejected) / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


def test_it_says_on_how_few_touches_it_rests():
    heights = -1e-4 * (GRID[:, 0] ** 2)  # a ridge along y: it rocks
    plane = tangent_plane(SPEC.covered(rough(heights)))
    assert len(plane.active) < 3 or abs(plane.normal[0]) < 1e-2


def test_what_shares_a_frame_is_placed_without_it():
    found = rough(np.zeros(12))
    found["foot_z"] = 0.0
    part = pk.nominal.Nominal(
        np.array([[-50.0, -50, 0], [50, -50, 0], [0, 80, 0]]), np.array([[0, 1, 2]]), np.zeros(1, dtype=int), ("a",)
    )
    pair = [Profile(width=0.1, name=name, free=("tz",), datums=("A",), tangent=name == "t") for name in "st"]
    one, two = evaluate_all(pair, found, part)
    assert any("a simultaneous requirement" in note for note in two.notes)
    assert not any("simultaneous" in note for note in one.notes)


def test_in_a_study(tmp_path):
    study = """
[[tolerance]]
kind = "parallelism"
name = "tangent"
features = ["base_top"]
width = 0.05
direction = [0, 0, 1]
tangent = true

[[tolerance]]
kind = "parallelism"
name = "surface"
features = ["base_top"]
width = 0.05
direction = [0, 0, 1]

[[tolerance]]
name = "place"
features = ["base_top"]
width = 0.05
tangent = true
"""
    found = inspected(tmp_path, study)
    assert found["tangent"]["kind"] == "parallelism of a tangent plane"
    assert found["place"]["kind"] == "profile of a tangent plane"
    assert all(0 < one["actual"] < 0.05 for one in found.values())
