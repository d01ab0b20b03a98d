"""Targets spread over faces: spacing, evenness, density, and what they keep clear of."""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from probekit import plan
from probekit.errors import InputError
from probekit.nominal import Nominal, load
from probekit.study.planning import targets_of

FOIL = Path(__file__).parents[2] / "data" / "foil"
RNG = np.random.default_rng


@pytest.fixture(scope="module")
def foil() -> Nominal:
    pytest.importorskip("OCP")
    return load(FOIL / "foil.step")


@pytest.fixture(scope="module")
def foil_facets() -> Nominal:
    return load(FOIL / "foil.3mf")


def positions(targets: object) -> np.ndarray:
    return targets[["x0", "y0", "z0"]].to_numpy()


def gaps(targets: object, *, same_side: bool = True) -> np.ndarray:
    """(n,) distance of each target from the nearest other, by brute force [mm]."""
    points, normals = positions(targets), targets[["i", "j", "k"]].to_numpy()
    away = np.linalg.norm(points[:, None] - points[None], axis=2)
    if same_side:
        away[normals @ normals.T <= 0] = np.inf
    np.fill_diagonal(away, np.inf)
    return away.min(axis=1)


@pytest.mark.parametrize("n", [50, 700])
def test_blue_noise_keeps_its_distance(n: int) -> None:
    for nominal in (shapes.plane_patch(), shapes.ball()):
        targets = plan.blue_noise(nominal, n, RNG(2))
        assert len(targets) == n
        plan.targets.table.check(targets)
        density = n / nominal.face_areas.sum()
        gap = gaps(targets)
        # hexagonal packing has 2 r = sqrt(2 / (sqrt(3) density)); Yuksel (2015) reports about 0.7 of it at least
        assert gap.min() > 0.6 * np.sqrt(2 / (np.sqrt(3) * density))
        # index of P. J. Clark and F. C. Evans, Ecology 35 (1954): 1 for random points, 2.149 for the hexagonal pattern
        assert 1.5 < gap.mean() / (0.5 / np.sqrt(density)) < 2.149


def test_blue_noise_has_less_discrepancy_than_random_points() -> None:
    patch = shapes.plane_patch(size=60.0)
    spread = [stats.qmc.discrepancy(positions(plan.blue_noise(patch, 200, RNG(k)))[:, :2] / 60 + 0.5) for k in range(3)]
    random = [stats.qmc.discrepancy(RNG(k).random((200, 2))) for k in range(20)]
    assert max(spread) < 0.5 * np.median(random)


def test_blue_noise_is_even_over_the_sphere_and_repeats_with_its_seed() -> None:
    ball = shapes.ball()
    targets = plan.blue_noise(ball, 400, RNG(5))
    octant = (positions(targets) > 0) @ [1, 2, 4]
    assert np.abs(np.bincount(octant, minlength=8) - 50).max() <= 5
    assert plan.blue_noise(ball, 400, RNG(5)).equals(targets)
    assert not plan.blue_noise(ball, 400, RNG(6)).equals(targets)


@pytest.mark.parametrize("spacing", [4.0, 11.0])
def test_no_two_of_poisson_disc_are_nearer_than_asked_and_no_gap_is_left(spacing: float) -> None:
    for nominal in (shapes.plane_patch(), shapes.ball(), shapes.box()):
        targets = plan.poisson_disc(nominal, spacing, RNG(3))
        assert gaps(targets).min() >= spacing
        points, normals = shapes.sample(nominal, 3000, RNG(4))
        near = np.linalg.norm(points[:, None] - positions(targets)[None], axis=2)
        near[normals @ targets[["i", "j", "k"]].to_numpy().T <= 0] = np.inf
        assert np.quantile(near.min(axis=1), 0.99) < spacing


def test_the_two_sides_of_a_thin_wall_do_not_push_each_other() -> None:
    sheet = shapes.box(size=(60.0, 40.0, 0.5))
    targets = plan.poisson_disc(sheet, 6.0, RNG(1), faces=["top", "bottom"])
    alone = plan.poisson_disc(sheet, 6.0, RNG(1), faces="top")
    assert min(targets["face"].value_counts()) > 0.85 * len(alone)
    assert gaps(targets, same_side=False).min() < 6.0 <= gaps(targets).min()


def test_farthest_points_cover_from_the_first_on() -> None:
    ball = shapes.ball()
    targets = plan.farthest(ball, 60, RNG(1))
    points = positions(targets)
    away = [np.linalg.norm(points[:k] - points[k], axis=1).min() for k in range(1, 60)]
    assert (np.diff(away) <= 1e-9).all()  # greedy: each is no further off than the one before
    assert away[0] > 39.5  # the second lies opposite the first
    samples = shapes.sample(ball, 5000, RNG(2))[0]
    cover = np.linalg.norm(samples[:, None] - points[None], axis=2).min(axis=1).max()
    assert cover < 1.2 * away[-1]  # no hole is larger than the last distance, but for the candidates' coarseness
    more = plan.farthest(ball, 5, RNG(1), start=points)
    assert np.linalg.norm(positions(more)[:, None] - points[None], axis=2).min() > 0.7 * away[-1]


def test_targets_are_denser_where_the_surface_bends(foil: Nominal) -> None:
    even = plan.blue_noise(foil, 400, RNG(1), faces="skin", margin=1.0)
    dense = plan.blue_noise(foil, 400, RNG(1), faces="skin", margin=1.0, denser=3.0)
    assert len(dense) == 400
    bend = lambda targets: np.abs(targets[["curvature_1", "curvature_2"]]).max(axis=1).to_numpy()  # noqa: E731
    limit = np.quantile(bend(even), 0.8)
    assert (bend(even) > limit).mean() == pytest.approx(0.2, abs=0.01)
    assert (bend(dense) > limit).mean() > 0.35
    # on a shape that bends alike everywhere it changes nothing
    ball = shapes.ball()
    assert (
        gaps(plan.blue_noise(ball, 200, RNG(1), denser=5.0)).min()
        > 0.9 * gaps(plan.blue_noise(ball, 200, RNG(1))).min()
    )


@pytest.mark.parametrize("make", ["blue_noise", "poisson_disc", "farthest", "scan", "grid_along", "grid_uv", "along"])
def test_all_targets_lie_on_the_exact_surface_as_the_kernel_has_it(foil: Nominal, make: str) -> None:
    import exact_shapes as es

    targets = {
        "blue_noise": lambda: plan.blue_noise(foil, 40, RNG(1)),
        "poisson_disc": lambda: plan.poisson_disc(foil, 25.0, RNG(1), faces="skin"),
        "farthest": lambda: plan.farthest(foil, 30, RNG(1), faces=["skin", "base_top"]),
        "scan": lambda: plan.scan(foil, [0, 0, 1], faces="skin", lines=4, spacing=20, margin=1),
        "grid_along": lambda: plan.grid_along(foil, [0, 1, 0], faces="skin", n=(6, 5)),
        "grid_uv": lambda: plan.grid_uv(foil, "skin", n=(6, 5), margin=1),
        "along": lambda: plan.along(foil, plan.section(foil, [0, 0, 50], [0.1, 0, 1]), n=20),
    }[make]()
    assert len(targets) >= 15
    plan.targets.table.check(targets)
    shape = es.read(FOIL / "foil.step")
    assert es.kernel_distances(positions(targets), shape)[0].max() < 1e-9
    # the outward normal: a step along it leaves the part
    step = positions(targets) + 0.05 * targets[["i", "j", "k"]].to_numpy()
    assert not es.kernel_inside(step, shape).any()
    assert es.kernel_distances(step, shape)[0] == pytest.approx(0.05, abs=1e-3)


def test_a_thousand_targets_on_facets_take_about_a_second(foil_facets: Nominal) -> None:
    took = []
    for k in range(3):
        start = time.process_time()
        targets = plan.blue_noise(foil_facets, 1000, RNG(k), faces="face_01")
        took.append(time.process_time() - start)
    assert len(targets) == 1000
    assert min(took) < 3.0  # about 0.15 s on a quiet machine


BOX = shapes.box()
BOX_FLAWED = BOX.rename_faces({"left": "top"})  # one face with a sharp crease inside


@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), margin=st.floats(0.01, 9.5), merged=st.booleans())
def test_no_target_kept_is_nearer_to_an_edge_than_the_margin(seed: int, margin: float, merged: bool) -> None:
    nominal = BOX_FLAWED if merged else BOX
    points = shapes.sample(nominal, 60, RNG(seed))[0]
    targets = plan.pick(nominal, points)
    kept = plan.keep_out(targets, nominal, ball_radius=margin)
    # closed form: on a side of the box the distance from its rim is the second smallest of the gaps to the six planes
    gap = np.sort(np.array([30.0, 20.0, 10.0]) - np.abs(positions(targets)), axis=1)[:, 1]
    clear = np.abs(gap - margin) > 1e-9
    assert set(kept["touch"]) - set(targets["touch"][~clear]) == set(targets["touch"][clear & (gap > margin)])
    dropped = len(targets) - len(kept)
    assert (f"{dropped} nearer than {margin:g} mm to an edge" in kept.attrs["notes"]) == (dropped > 0)


@settings(max_examples=10)
@given(seed=st.integers(0, 10**6), margin=st.floats(0.2, 4.0), face=st.sampled_from(["skin", "base_top", "bore"]))
def test_the_margin_holds_on_exact_faces(foil: Nominal, seed: int, margin: float, face: str) -> None:
    targets = plan.blue_noise(foil, 40, RNG(seed), faces=face)
    kept = plan.keep_out(targets, foil, ball_radius=1.0, margin=margin)
    dense = np.vstack([edge.at(np.linspace(0, edge.length, 8000))[0] for edge in plan.boundary(foil, face)])
    gap = np.linalg.norm(positions(targets)[:, None] - dense[None], axis=2).min(axis=1)
    there = targets["touch"].isin(kept["touch"]).to_numpy()
    assert (gap[there] >= margin - 0.02).all()  # the polyline is some hundredths off the edge
    assert (gap[~there] <= margin + 0.02).all()


def test_a_spread_with_a_margin_still_has_all_its_targets(foil: Nominal) -> None:
    clamp = plan.Box([-20, -45, -1], [20, 45, 30], name="clamp")
    for make in (plan.blue_noise, plan.farthest):
        targets = make(foil, 80, RNG(1), faces="base_top", margin=3.0, regions=[clamp], clearance=2.0)
        assert len(targets) == 80
        assert len(plan.keep_out(targets, foil, ball_radius=3.0, regions=[clamp], clearance=2.0)) == 80
        assert "of the area kept out" in targets.attrs["notes"]
    with pytest.raises(InputError, match="nothing is left of the faces to touch; found 'margin 30 mm'"):
        plan.blue_noise(foil, 5, RNG(1), faces="base_top", margin=30.0)


def test_targets_in_a_region_are_dropped_and_told_of() -> None:
    targets = plan.grid_along(BOX, [0, 0, -1], faces="top", spacing=2.0)
    clamp = plan.Cylinder([10, 0, 0], [10, 0, 30], 5.0, name="clamp")
    kept = plan.keep_out(targets, BOX, ball_radius=1.5, margin=0.0, regions=[clamp])
    away = np.hypot(positions(targets)[:, 0] - 10, positions(targets)[:, 1])
    assert len(kept) == (away >= 6.5).sum()
    assert kept.attrs["notes"] == f"targets dropped: {(away < 6.5).sum()} within 1.5 mm of 'clamp'"


def test_distances_of_regions_agree_with_each_other() -> None:
    points = RNG(1).uniform(-12, 12, (500, 3))
    box = plan.Box([-4, -3, -2], [4, 3, 2])
    mesh = shapes.box(size=(8.0, 6.0, 4.0))
    np.testing.assert_allclose(box.distance(points), plan.Solid.of(mesh).distance(points), atol=1e-12)
    turn = np.array([[0.6, 0.8, 0], [-0.8, 0.6, 0], [0, 0, 1]])
    np.testing.assert_allclose(plan.Box([-4, -3, -2], [4, 3, 2], turn).distance(points @ turn), box.distance(points))
    # a tall thin cylinder of facets: each point's distance within the facets' error
    import trimesh

    rod = trimesh.creation.cylinder(radius=3.0, height=10.0, sections=400)
    solid = plan.Solid(rod.vertices, rod.faces)
    exact = plan.Cylinder([0, 0, -5], [0, 0, 5], 3.0)
    np.testing.assert_allclose(exact.distance(points), solid.distance(points), atol=1e-3)
    np.testing.assert_allclose(
        plan.Ball([1, 2, 3], 4.0).distance(points), np.linalg.norm(points - [1, 2, 3], axis=1) - 4.0
    )


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: plan.blue_noise(BOX, 0, RNG(1)), "whole number of at least 1; found 0"),
        (lambda: plan.blue_noise(BOX, np.nan, RNG(1)), "whole number of at least 1; found nan"),
        (lambda: plan.blue_noise(BOX, 5, RNG(1), faces="lid"), "no face with that name"),
        (lambda: plan.blue_noise(BOX, 5, np.random), "`rng` must be a numpy Generator"),
        (lambda: plan.blue_noise(BOX, 5, RNG(1), denser=-1), "`denser` must not be negative"),
        (lambda: plan.blue_noise(BOX, 5, RNG(1), margin=np.nan), "margin must not be negative"),
        (lambda: plan.farthest(BOX, 1.5, RNG(1)), "whole number"),
        (lambda: plan.farthest(BOX, 5, RNG(1), start=[[np.nan, 0, 0]]), "start must be finite"),
        (lambda: plan.poisson_disc(BOX, 0.0, RNG(1)), "spacing must be positive"),
        (lambda: plan.poisson_disc(BOX, 1e-3, RNG(1)), "too many targets"),
        (lambda: plan.Box([0, 0, 0], [1, 0, 1]), "low < high along each axis"),
        (lambda: plan.Box([0, 0, 0], [1, 1, 1], 2 * np.eye(3)), "three orthogonal unit vectors"),
        (lambda: plan.Cylinder([0, 0, 0], [0, 0, 0], 1.0), "axis of the cylinder is not a direction"),
        (lambda: plan.Cylinder([0, 0, 0], [0, 0, 1], 0.0), "radius of a cylinder must be positive"),
        (lambda: plan.Ball([0, 0, 0], np.nan), "radius of a ball must be positive"),
        (lambda: plan.Solid(BOX.vertices, BOX.facets[1:], "clamp"), "mesh of 'clamp' is not closed"),
        (lambda: plan.keep_out(plan.pick(BOX, [0, 0, 10]), BOX, ball_radius=-1), "radius of the ball must not be"),
        (lambda: plan.keep_out(plan.pick(BOX, [0, 0, 10]), BOX, margin=-1), "margin must not be negative"),
    ],
)
def test_what_makes_no_sense_is_refused(make: object, text: str) -> None:
    with pytest.raises(InputError, match=text):
        make()


def test_targets_of_a_study_bear_the_name_of_their_face_if_no_feature_is_given() -> None:
    spread = {"how": "blue_noise", "n": 12, "faces": ["top", "right"], "margin": 2.0}
    found = targets_of([spread, spread | {"feature": "mine"}], BOX, file="study.toml", ball_radius=1.0)
    assert (found["feature"].iloc[:12] == found["face"].iloc[:12]).all()
    assert set(found["feature"].iloc[12:]) == {"mine"}
    near = targets_of([spread | {"margin": 0.0, "n": 60}], BOX, file="study.toml", ball_radius=3.0)
    counts = re.search(r"\((\d+) on (\w+), (\d+) on (\w+)\)", near.attrs["notes"])
    assert counts is not None
    assert int(counts[1]) + int(counts[3]) == 60 - len(near)


SPREADS = [{"how": "blue_noise", "n": 30}, {"how": "farthest", "n": 30}, {"how": "poisson_disc", "spacing": 3.0}]


@pytest.mark.parametrize("table", SPREADS, ids=[one["how"] for one in SPREADS])
def test_a_study_places_all_targets_clear_of_edges(table: dict) -> None:
    """Before, they were spread right up to the edges, and those nearer than the ball's radius dropped afterwards."""
    square = shapes.plane_patch(size=30.0)
    made = targets_of([table], square, file="study.toml", ball_radius=3.0)
    assert len(made) >= 30
    assert np.abs(positions(made)[:, :2]).max() <= 12.0
    assert "% of the area kept out (margin 3 mm" in made.attrs["notes"]
    edge = targets_of([table | {"margin": 0.0}], square, file="study.toml", ball_radius=3.0)
    assert "nearer than 3 mm to an edge" in edge.attrs["notes"]
    own = targets_of([table | {"margin": 6.0}], square, file="study.toml", ball_radius=3.0)
    assert np.abs(positions(own)[:, :2]).max() <= 9.0


def test_a_face_too_narrow_for_the_ball_loses_all_and_says_why() -> None:
    square = shapes.plane_patch(size=5.0)
    made = targets_of([{"how": "blue_noise", "n": 8}], square, file="study.toml", ball_radius=3.0)
    assert not len(made)
    assert "8 nearer than 3 mm to an edge of their face" in made.attrs["notes"]


def test_faces_that_get_no_target_are_named() -> None:
    """The walls of this box are 4 mm high."""
    box = shapes.box(size=(30.0, 30.0, 4.0))
    made = plan.blue_noise(box, 10, RNG(1), margin=3.0)
    bare = set(box.face_names) - set(made["face"])
    assert len(bare) == 4
    assert all(name in made.attrs["notes"] for name in bare)
