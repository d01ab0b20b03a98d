"""Clearance of the probe along straight moves: closed forms, brute force, and what must hold whatever the shape."""

import math

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from plan import sampled
from scipy.spatial.transform import Rotation

from probekit.errors import InputError
from probekit.nominal import Nominal
from probekit.nominal.frames import move_nominal
from probekit.plan import Obstacles, Probe, Tip
from probekit.plan.access.clearance import clearance_along

EXACT = 1.1e-3  # the resolution that is promised, and rounding [mm]
UP = (0.0, 0.0, 1.0)
PROBE = Probe(6.0, 4.0, 50.0, body=((50.0, 20.0), (60.0, 40.0), (110.0, 40.0)))
SMALL = Probe(3.0, 2.0, 12.0, body=((12.0, 6.0), (15.0, 10.0), (25.0, 10.0)))


def one(obstacles: Obstacles, probe: Probe, start: object, end: object, axis: object = UP) -> float:
    return float(
        clearance_along(obstacles, probe, np.array([start]), np.array([end]), np.array(axis), enough=np.inf)[0]
    )


def test_ball_over_a_plane() -> None:
    plane = Obstacles(shapes.plane_patch(size=300.0))
    assert one(plane, PROBE, (0, 0, 5.0), (10, 0, 5.0)) == pytest.approx(2.0, abs=EXACT)
    assert one(plane, PROBE, (0, 0, 9.0), (10, 0, 4.0)) == pytest.approx(1.0, abs=EXACT)


def test_stem_of_a_slanted_probe_beside_a_step() -> None:
    # a box whose top edge along y is at x = 30, z = 10; the stem leans over it by 30 degrees
    part = Obstacles(shapes.box())
    lean = math.radians(30.0)
    axis = np.array([-math.sin(lean), 0.0, math.cos(lean)])
    centre = np.array([45.0, 0.0, -8.0])
    away = np.array([30.0, 0.0, 10.0]) - centre
    expected = math.hypot(*(away - (away @ axis) * axis)[[0, 2]]) - 2.0
    stem_only = Probe(4.2, 4.0, 60.0)
    assert 0 < away @ axis < 60.0
    assert one(part, stem_only, centre, centre, axis) == pytest.approx(expected, abs=EXACT)


def test_flat_underside_and_rim_of_the_body() -> None:
    part = Obstacles(shapes.box())  # its top at z = 10
    thin = Probe(0.6, 0.4, 50.0, body=PROBE.body)
    assert one(part, thin, (33.5, 0, -39.5), (33.5, 0, -39.5)) == pytest.approx(0.5, abs=EXACT)
    # the cone widens from a radius of 10 at height 50 to 20 at height 60: 45 degrees, beside the box's top edge
    x, z = 46.0, -44.0
    assert one(part, thin, (x, 0, z), (x, 0, z)) == pytest.approx((x - 40.0 + z + 40.0) / math.sqrt(2.0), abs=EXACT)
    # the rim of the underside, a circle of radius 10, over a ball
    ball = Obstacles(shapes.ball(radius=8.0, finer=5))
    rim = math.hypot(14.0 - 10.0, 9.0) - 8.0
    wide = Probe(0.6, 0.4, 5.0, body=((5.0, 20.0), (30.0, 20.0)))
    found = one(ball, wide, (14.0, 0, 4.0), (14.0, 0, 4.0))
    assert found == pytest.approx(rim, abs=2 * ball.chord + 0.02)
    assert found <= rim + 1e-9


def test_a_move_past_an_edge_is_seen_in_its_middle() -> None:
    part = Obstacles(shapes.box())
    # the ball's centre crosses the corner edge (30, y, 10) diagonally, at 5 mm from it in the middle of the move
    half = np.array([20.0, 0.0, -20.0])
    middle = np.array([30.0, 0.0, 10.0]) + 5.0 / math.sqrt(2.0) * np.array([1.0, 0.0, 1.0])
    ball = Probe(2.0, 0.5, 60.0)
    assert one(part, ball, middle - half, middle + half) == pytest.approx(4.0, abs=EXACT)


def test_inside_is_negative_however_deep() -> None:
    part = Obstacles(shapes.box())
    assert one(part, Probe(2.0, 1.0, 3.0), (0, 0, 0), (0, 0, 0)) < -5.0
    assert one(part, Probe(6.0, 4.0, 50.0), (0, 0, 11.0), (0, 0, 11.0)) == pytest.approx(-2.0, abs=EXACT)
    assert one(part, Probe(6.0, 4.0, 50.0), (0, 0, 30.0), (0, 0, -30.0)) < 0
    # a clamp that is all inside the body of the probe
    hidden = Obstacles(shapes.box(centre=(0, 0, -200.0)), fixtures=(shapes.box(size=(2, 2, 2), centre=(8, 0, 80.0)),))
    assert one(hidden, PROBE, (0, 0, 0), (0, 0, 0)) < -5.0


@pytest.mark.parametrize("seed", range(4))
def test_brute_force_agrees(seed: int) -> None:
    rng = np.random.default_rng(seed)
    part = shapes.bumpy_ball(radius=20.0, finer=1) if seed % 2 else shapes.box(size=(30.0, 20.0, 25.0))
    obstacles = Obstacles(part)
    frame = Rotation.random(random_state=seed).as_matrix()
    away = rng.normal(size=3)
    start = away / np.linalg.norm(away) * rng.uniform(24.0, 32.0)
    end = start + rng.uniform(-4.0, 4.0, size=3)
    step = 0.8
    found = one(obstacles, SMALL, start, end, frame[:, 2]) + obstacles.chord
    expected = sampled.along(SMALL, part.vertices[part.facets], start, end, frame, step=step, stops=9)
    between = np.linalg.norm(end - start) / 8 / 2 + step / math.sqrt(2.0)
    if found > 0:
        assert expected - between - EXACT <= found <= expected + 1e-9
    else:
        assert expected < between


@settings(max_examples=8)
@given(st.integers(0, 10_000))
def test_a_longer_move_and_a_further_obstacle_never_clear_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    part, clamp = shapes.box(), shapes.box(size=(8.0, 8.0, 30.0), centre=(28.0, 0.0, 10.0))
    start = rng.uniform(-60, 60, size=3)
    move = rng.uniform(-30, 30, size=3)
    axis = rng.normal(size=3)
    short = one(Obstacles(part), SMALL, start, start + 0.5 * move, axis)
    long = one(Obstacles(part), SMALL, start, start + move, axis)
    assert long <= short + EXACT if short >= 0 else long < 0  # depths are estimates, their sign is not
    with_clamp = one(Obstacles(part, fixtures=(clamp,)), SMALL, start, start + move, axis)
    assert with_clamp <= long + EXACT if long >= 0 else with_clamp < 0
    assert one(Obstacles(part, stock=clamp), SMALL, start, start + move, axis) == pytest.approx(with_clamp, abs=EXACT)
    # Lipschitz: to go half a millimetre further changes it by no more
    push = np.array([0.3, 0.0, 0.4])
    pushed = one(Obstacles(part), SMALL, start + push, start + move + push, axis)
    assert abs(max(pushed, 0.0) - max(long, 0.0)) <= 0.5 + EXACT


@settings(max_examples=8)
@given(st.integers(0, 10_000))
def test_part_and_probe_moved_together_keep_their_distance(seed: int) -> None:
    rng = np.random.default_rng(seed)
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = Rotation.random(random_state=seed).as_matrix(), rng.uniform(-50, 50, 3)
    part = shapes.box()
    start, end, axis = rng.uniform(-50, 50, 3), rng.uniform(-50, 50, 3), rng.normal(size=3)
    here = one(Obstacles(part), SMALL, start, end, axis)
    turn, shift = motion[:3, :3], motion[:3, 3]
    there = one(Obstacles(move_nominal(part, motion)), SMALL, turn @ start + shift, turn @ end + shift, turn @ axis)
    assert max(there, 0.0) == pytest.approx(max(here, 0.0), abs=2 * EXACT)


def test_enough_only_cuts_off_what_is_far() -> None:
    part = Obstacles(shapes.box())
    rng = np.random.default_rng(5)
    start = rng.uniform(-60, 60, size=(60, 3))
    end = start + rng.uniform(-10, 10, size=(60, 3))
    axis = rng.normal(size=(60, 3))
    full = clearance_along(part, SMALL, start, end, axis, enough=np.inf)
    cut = clearance_along(part, SMALL, start, end, axis, enough=3.0)
    assert (full > 3.0).any()
    assert (full < 3.0).any()
    assert np.abs(np.minimum(full, 3.0) - cut)[full > 0].max() < EXACT
    assert (cut[full < 0] < 0).all()


def test_distance_of_points_is_signed_and_open_models_have_no_inside_beyond_their_border() -> None:
    obstacles = Obstacles(shapes.box(), fixtures=(shapes.ball(radius=5.0, centre=(50.0, 0.0, 0.0)),))
    found = obstacles.distance(np.array([[0, 0, 13.0], [0, 0, 8.0], [50.0, 0, 0], [np.nan, 0, 0]]))
    assert found[:2] == pytest.approx([3.0, -2.0])
    assert found[2] == pytest.approx(-5.0, abs=0.05)
    assert math.isnan(found[3])
    assert obstacles.safe_box == pytest.approx(np.array([[-30, -20, -10], [55.0, 20, 10]]), abs=0.05)
    patch = Obstacles(shapes.plane_patch(size=20.0))
    assert patch.distance(np.array([[0, 0, -2.0], [13.0, 0, -4.0]])) == pytest.approx([-2.0, 5.0])


def test_a_star_needs_its_orientation_and_each_tip_counts() -> None:
    star = Probe(3.0, 2.0, 40.0, tips=(Tip(3.0, 2.0, 15.0, (1, 0, 0)),), hub=20.0)
    part = Obstacles(shapes.box())  # its side x = 30
    start = np.array([[50.0, 0.0, -10.0]])  # the side tip ends at x = 65, at z = 10: away from the box
    assert clearance_along(part, star, start, start, np.array(UP), enough=99.0) == pytest.approx(18.5, abs=EXACT)
    half_turn = Rotation.from_euler("z", 180, degrees=True).as_matrix()[None]
    ball = 50.0 - 15.0 - 30.0 - 1.5  # now towards it
    assert clearance_along(part, star, start, start, half_turn) == pytest.approx(ball, abs=EXACT)
    with pytest.raises(InputError, match="orientation"):
        clearance_along(part, star, start, start, np.array([0.0, 1.0, 0.0]))


def test_moves_that_are_none_give_nan_and_shapes_must_agree() -> None:
    part = Obstacles(shapes.box())
    start = np.array([[0, 0, 50.0], [np.nan, 0, 50.0], [0, 0, 50.0]])
    axis = np.array([UP, UP, (0.0, 0.0, np.inf)])
    found = clearance_along(part, PROBE, start, start, axis)
    assert found[0] == 10.0  # of 37: enough by default
    assert np.isnan(found[1:]).all()
    with pytest.raises(InputError, match="differ in shape"):
        clearance_along(part, PROBE, start, start[:2], np.array(UP))
    with pytest.raises(InputError, match="shape"):
        clearance_along(part, PROBE, start, start, np.zeros((2, 3)))
    assert clearance_along(part, PROBE, np.empty((0, 3)), np.empty((0, 3)), np.array(UP)).shape == (0,)


def test_what_is_no_model_is_no_obstacle() -> None:
    with pytest.raises(InputError, match="a Nominal"):
        Obstacles(shapes.box(), fixtures=(np.zeros((3, 3)),))


def test_an_obstacle_says_what_it_is() -> None:
    clamp = Nominal(
        *(getattr(shapes.box(), k) for k in ("vertices", "facets", "facet_face", "face_names")), name="clamp"
    )
    obstacles = Obstacles(shapes.box(), fixtures=(clamp,), stock=shapes.box())
    part = obstacles.nominal
    assert obstacles.what(0) == f"face '{part.face_names[part.facet_face[0]]}' of the part"
    assert obstacles.what(12) == "the fixture 'clamp'"
    assert obstacles.what(24) == "the stock"
