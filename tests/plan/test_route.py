"""Routes over balls: nothing enters the model, nothing is lost, few turns."""

import functools
import itertools

import numpy as np
import pandas as pd
import pytest
from balls import BALLS, CASES, PROBE, Standing, clear_everywhere, clear_of_balls, surface_of_balls, targets_on_balls
from hypothesis import given, settings
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.plan.access.few import few_poses
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.plan.probe import Probe, Tip
from probekit.plan.route.pace import Pace
from probekit.plan.route.route import order as order_with
from probekit.plan.route.route import safe_height

order = functools.partial(order_with, margin=1.0)


def points_of(route, kinematics):
    """Every straight move between touches: start, end, tool axis, kind."""
    moves, at = [], None
    for k, way in enumerate(route.ways):
        axis = kinematics.tool_axis(route.poses[route.targets["direction"][k]])
        at = None if route.indexed[k] else route.starts[k - 1]
        for leg in (*way, *route.leaving[k]):
            if at is not None:
                moves.append((at, leg.to, axis, leg.kind))
            at = leg.to
    return moves


@settings(max_examples=12)
@given(st.sampled_from(CASES), st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_no_way_enters_the_model_and_nothing_is_lost(case, n, seed):
    kinematics, poses = case
    rng = np.random.default_rng(seed)
    targets = targets_on_balls(n, rng, kinematics, poses)
    route = order(targets, PROBE, kinematics, poses, obstacles=Standing(clear_of_balls))
    assert sorted([*route.targets["touch"], *route.left_out["touch"]]) == list(range(1, n + 1))
    assert (route.left_out["reason"] != "").all()
    for start, end, axis, kind in points_of(route, kinematics):
        # random points inside the probe, anywhere along the way: an independent look at the same move
        along = rng.random((300, 1))
        piece = [PROBE.outline()[c] for c in rng.integers(0, len(PROBE.outline()), 300)]
        v = rng.random(300)
        heights = np.array([p.start[2] + w * (p.end[2] - p.start[2]) for p, w in zip(piece, v, strict=True)])
        widths = np.array([max(p.grown, min(p.start_radius, p.end_radius)) for p in piece])
        side = np.cross(axis, rng.normal(size=(300, 3)))
        side *= (widths * rng.random(300) / np.linalg.norm(side, axis=1))[:, None]
        inside = np.asarray(start) + along * np.subtract(end, start) + heights[:, None] * axis + side
        for x, y, z, radius in BALLS:
            assert np.linalg.norm(inside - [x, y, z], axis=1).min() > radius + 0.9
        if kind == "rapid":
            ends = np.array([start, end]) @ axis
            assert ends.min() >= (surface_of_balls() @ axis).max() + 2.0 + 5.0 - 1e-9


@pytest.mark.parametrize(("kinematics", "poses"), CASES)
def test_the_way_from_the_lift_comes_down_the_spindle(kinematics, poses):
    targets = targets_on_balls(30, np.random.default_rng(2), kinematics, poses)
    route = order(targets, PROBE, kinematics, poses, obstacles=Standing(clear_of_balls))
    assert route.indexed.sum() == route.targets["direction"].nunique()
    for k in np.flatnonzero(route.indexed):
        pose = poses[route.targets["direction"][k]]
        high, over = (
            kinematics.to_program(leg.to, pose, length=PROBE.tool_length)
            for leg in [*route.ways[k], *route.ways[k]][:2]
        )
        assert high[2] >= route.height - 1e-9
        np.testing.assert_allclose(high[:2], over[:2], atol=1e-9)
    for k in np.flatnonzero(np.append(route.indexed[1:], True)):
        axis = kinematics.tool_axis(poses[route.targets["direction"][k]])
        assert np.array(route.leaving[k][-1].to) @ axis >= (surface_of_balls() @ axis).max() + 7.0 - 1e-9
    assert sum(bool(legs) for legs in route.leaving) == route.indexed.sum()


def test_a_straight_way_is_taken_only_where_it_clears():
    unit = np.array([[0.8, 0, 0.6], [0.78, 0.15, 0.6], [-0.8, 0, 0.6]])
    unit /= np.linalg.norm(unit, axis=1)[:, None]
    targets = pd.DataFrame({"touch": [1, 2, 3], "feature": "", "face": "ball", "standoff": 4.0, "overtravel": 2.0})
    targets[["x0", "y0", "z0"]], targets[["i", "j", "k"]] = 20 * unit, unit

    def clear(start, end, axis):
        return clear_of_balls(start, end, axis, balls=BALLS[:1])

    around = surface_of_balls()[:400]
    route = order(targets, Probe(4.0, 2.0, 60.0), Kinematics(), [()], obstacles=Standing(clear, around))
    touches = route.targets["touch"].tolist()
    kinds = {frozenset(touches[k - 1 : k + 1]): [leg.kind for leg in route.ways[k]] for k in (1, 2)}
    assert kinds[frozenset({1, 2})] == ["approach"]
    assert all(way == ["rise", "rapid", "approach"] for pair, way in kinds.items() if pair != frozenset({1, 2}))


def test_poses_are_taken_in_the_order_of_least_rotation():
    kinematics = Kinematics((RotaryAxis("C", "table"),))
    poses = [(0.0,), (90.0,), (30.0,), (60.0,)]
    targets = targets_on_balls(12, np.random.default_rng(0), Kinematics(), [()])
    targets = targets.assign(reachable=True, direction=np.arange(12) % 4).drop(columns=["ti", "tj", "tk"])
    route = order(targets, PROBE, kinematics, poses, obstacles=Standing(clear_everywhere))
    taken = [poses[d][0] for d in route.targets["direction"][route.indexed]]
    turned = np.abs(np.diff([0.0, *taken, 0.0])).sum()
    assert turned == 180.0  # to the farthest and back: no order turns less


def test_the_time_is_the_sum_of_known_lengths():
    targets = pd.DataFrame({"touch": [1, 2], "feature": "", "face": "top", "standoff": 5.0, "overtravel": 2.0})
    targets[["x0", "y0", "z0"]] = [[0, 0, 0], [60.0, 0, 0]]
    targets[["i", "j", "k"]] = [[0, 0, 1.0]] * 2
    pace = Pace(rapid=6000, positioning=600, touch=60, per_touch=0.5, per_index=2, rotary=10)
    kinematics, flat = Kinematics((RotaryAxis("C", "table"),)), np.array([[0, 0, 0], [60.0, 0, 0]] * 2)
    free = {"obstacles": Standing(clear_everywhere, flat), "pace": pace}
    time = order(targets, PROBE, kinematics, [(40.0,)], **free).time
    assert time.touching == pytest.approx(2 * (5 + 0.5 + 0.5))  # 5 mm at 1 mm/s, back at 10 mm/s, 0.5 s to record
    # starts are above the clearance plane: 5 mm up or down at 10 mm/s four times, 60 mm across at 100 mm/s
    assert time.positioning == pytest.approx(4 * 0.5)
    way_down = safe_height(kinematics, flat, below=2.0, margin=5.0) - 12.0
    assert time.rapid == pytest.approx(0.6 + way_down / 100)
    assert time.indexing == pytest.approx(2 * (2 + 4))  # 40 degree at 10 degree/s, there and back
    assert time.total == pytest.approx(time.touching + 2 + 12 + time.rapid)
    assert "excluding acceleration" in time.sentence


def test_a_target_under_a_roof_is_left_out_with_a_reason():
    targets = targets_on_balls(6, np.random.default_rng(1), Kinematics(), [()]).assign(reachable=True)
    roofed = {3, 5}
    starts = targets[["x0", "y0", "z0"]].to_numpy() + 6.0 * targets[["i", "j", "k"]].to_numpy()

    def clear(start, _end, _axis):
        near = [np.linalg.norm(starts[touch - 1] - start, axis=1) < 50.0 for touch in roofed]
        own = [np.linalg.norm(starts[touch - 1] - start, axis=1) < 1e-9 for touch in roofed]
        return np.where(np.any(own, axis=0) & np.any(near, axis=0), -1.0, 9.0)

    route = order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear))
    assert set(route.left_out["touch"]) == roofed
    assert route.left_out["reason"].str.contains("clearance plane").all()


@given(
    st.lists(st.floats(-50, 50), min_size=3, max_size=3), st.floats(-180, 180), st.floats(-180, 180), st.floats(0, 60)
)
def test_no_angle_of_the_tables_brings_the_part_to_the_safe_height(point, a, c, away):
    kinematics = Kinematics((RotaryAxis("A", "table", (3, -away, -20)), RotaryAxis("C", "table", (away, 2, 5))))
    height = safe_height(kinematics, np.array([point]), below=2.0, margin=1.0)
    assert kinematics.to_program(np.array(point), (a, c))[2] <= height - 3.0 + 1e-9


def test_five_hundred_targets_are_ordered_the_same_again():
    targets = targets_on_balls(500, np.random.default_rng(3), Kinematics(), [()])

    def clear(start, end, axis):
        return clear_of_balls(start, end, axis, steps=12)

    route = order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear))
    again = order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear))
    assert route.targets["touch"].tolist() == again.targets["touch"].tolist()
    assert len(route.targets) > 300


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop(columns="standoff"), "lack columns"),
        (lambda t: t.assign(standoff=1.0), "margin"),
        (lambda t: t.assign(overtravel=0.0), "overtravel"),
        (lambda t: t.assign(direction=1), "not a pose"),
        (lambda t: t.assign(tk=-1.0), "tool axis"),
        (lambda t: t.assign(x0=np.nan), "no finite number"),
        (lambda t: t.assign(standoff=np.nan), "standoff"),
    ],
)
def test_targets_that_cannot_be_ordered_are_refused(change, message):
    targets = targets_on_balls(4, np.random.default_rng(1), Kinematics(), [()]).assign(reachable=True)
    with pytest.raises(InputError, match=message):
        order(change(targets), PROBE, Kinematics(), [()], obstacles=Standing(clear_of_balls))


def test_a_height_below_the_safe_one_is_refused():
    targets = targets_on_balls(4, np.random.default_rng(1), Kinematics(), [()])
    with pytest.raises(InputError, match="height for turning"):
        order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear_of_balls), height=10.0)


@pytest.mark.parametrize("wrong", [{"touch": 0.0}, {"rapid": float("nan")}, {"touch": 3000.0}, {"per_index": -1.0}])
def test_a_pace_that_is_none_is_refused(wrong):
    with pytest.raises(InputError):
        Pace(**wrong)


def test_targets_that_reach_refused_may_lack_a_place_and_keep_their_reasons():
    targets = targets_on_balls(6, np.random.default_rng(1), Kinematics(), [()]).assign(reachable=True, tip=0)
    targets.loc[2, ["x0", "standoff", "reachable", "reason", "direction"]] = [np.nan, np.nan, False, "no place", -1]
    route = order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear_everywhere))
    assert sorted(route.targets["touch"]) == [1, 2, 4, 5, 6]
    assert route.left_out["touch"].tolist() == [3]
    assert route.left_out["reason"].iloc[0] == "no place"


@pytest.mark.parametrize("case", CASES)
def test_the_ball_of_the_tip_that_touches_stands_at_the_standoff(case):
    kinematics, poses = case
    side = Tip(3.0, 2.0, 20.0, (0.8, 0.0, 0.6))
    star = Probe(4.0, 2.0, 30.0, hub=12.0, tips=(side,))
    targets = targets_on_balls(9, np.random.default_rng(1), *case).assign(reachable=True, tip=[0, 1, 0] * 3)
    route = order(targets, star, kinematics, poses, obstacles=Standing(clear_everywhere))
    assert sorted(route.targets["tip"]) == [0] * 6 + [1] * 3
    for row, start in zip(route.targets.to_dict("records"), route.starts, strict=True):
        # the corner of a small tool in program coordinates: how the whole probe is turned, without pose_frame
        pose = poses[row["direction"]]
        heads = [axis.turned(a) for axis, a in zip(kinematics.axes, pose, strict=True) if axis.moves == "head"]
        place = (heads[0] if heads else np.eye(3)) @ [16.0, 0.0, 12.0 + 12.0]
        at = kinematics.to_program(start, pose, length=star.tool_length) + (place if row["tip"] else 0.0)
        ball = kinematics.to_part(at, pose, length=star.tool_length)
        wanted = np.array([row[c] for c in ("x0", "y0", "z0")]) + ((1.5 if row["tip"] else 2.0) + 4.0) * np.array(
            [row[c] for c in ("i", "j", "k")]
        )
        np.testing.assert_allclose(ball, wanted, atol=1e-9)


def test_a_tip_that_the_probe_has_not_is_refused():
    targets = targets_on_balls(4, np.random.default_rng(1), Kinematics(), [()]).assign(reachable=True, tip=1)
    with pytest.raises(InputError, match="no such tip to touch with"):
        order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear_everywhere))
    only_side = Probe(4.0, 2.0, 30.0, tips=(Tip(3.0, 2.0, 20.0, (1, 0, 0)),), straight=False)
    with pytest.raises(InputError, match=r"no such tip to touch with; found 0; expected of 1"):
        order(targets.assign(tip=0), only_side, Kinematics(), [()], obstacles=Standing(clear_everywhere))


@given(st.floats(-180, 180), st.sampled_from([(1.0, 0.0, 0.0), (0.8, 0.0, 0.6), (0.6, 0.0, -0.8)]))
def test_no_tip_hangs_lower_than_the_height_for_turning_allows(angle, direction):
    """A long side tip on a short arm swings below the reference ball."""
    head = Kinematics((RotaryAxis("B", "head", limits=(-180, 180)),), gauge=5.0)
    star = Probe(4.0, 2.0, 30.0, hub=20.0, tips=(Tip(4.0, 2.0, 60.0, direction),))
    targets = targets_on_balls(1, np.random.default_rng(1), Kinematics(), [()]).assign(reachable=True, tip=0)
    route = order(targets, star, head, [(0.0,)], obstacles=Standing(clear_everywhere))
    pivot = route.height + 5.0 + star.tool_length
    lowest = pivot + (head.axes[0].turned(angle) @ (star.offset(1) - [0, 0, 5.0 + star.tool_length]))[2] - 2.0
    assert lowest >= surface_of_balls()[:, 2].max() + 5.0 - 1e-9


def test_the_clearance_of_a_star_is_asked_with_its_whole_attitude():
    star = Probe(4.0, 2.0, 30.0, tips=(Tip(3.0, 2.0, 20.0, (1.0, 0.0, 0.0)),))
    shapes = []

    def clear(start, end, attitude):
        shapes.append(attitude.shape[1:])
        np.testing.assert_allclose(attitude[:, :, 2], np.broadcast_to(attitude[0, :, 2], start.shape))
        return clear_everywhere(start, end, attitude)

    targets = targets_on_balls(6, np.random.default_rng(1), *CASES[1]).assign(reachable=True, direction=0)
    targets = targets.drop(columns=["ti", "tj", "tk"])
    order(targets, star, *CASES[1], obstacles=Standing(clear))
    assert set(shapes) == {(3, 3)}


def test_clearance_planes_below_the_margin_are_refused():
    targets = targets_on_balls(4, np.random.default_rng(1), Kinematics(), [()])
    with pytest.raises(InputError, match="too low"):
        order(targets, PROBE, Kinematics(), [()], obstacles=Standing(clear_everywhere), above=0.5)


def test_two_corners_of_a_box_do_not_hold_the_part():
    targets = targets_on_balls(4, np.random.default_rng(1), Kinematics(), [()])
    with pytest.raises(InputError, match="the obstacles have too few points"):
        order(
            targets, PROBE, Kinematics(), [()], obstacles=Standing(clear_everywhere, np.array([[0, 0, 0], [9, 9, 9.0]]))
        )


@pytest.mark.parametrize(("kinematics", "poses"), CASES)
def test_no_rapid_move_goes_below_the_clear_height(kinematics, poses):
    targets = targets_on_balls(30, np.random.default_rng(2), kinematics, poses)
    route = order(targets, PROBE, kinematics, poses, obstacles=Standing(clear_of_balls))
    heights = []
    for k, way in enumerate(route.ways):
        pose = poses[route.targets["direction"][k]]
        rapid = [leg.to for leg in way if leg.kind == "rapid"]
        heights += [kinematics.to_program(to, pose, length=PROBE.tool_length)[2] for to in rapid]
    assert min(heights) >= route.clear_height - 1e-9
    assert max(heights) <= route.height + 1e-9


@given(st.lists(st.sets(st.integers(0, 5)), max_size=12))
def test_few_poses_reach_all_and_are_few(ways):
    poses = [(10.0 * pose,) for pose in range(6)]
    targets = pd.DataFrame({"directions": pd.Series([tuple(sorted(one)) for one in ways], dtype=object)})
    chosen = {poses.index(pose) for pose in few_poses(targets, poses)}
    wanted = [one for one in ways if one]
    assert all(chosen & one for one in wanted)
    sizes = (k for k in range(7) for some in itertools.combinations(range(6), k) if all(set(some) & o for o in wanted))
    least = next(sizes)
    assert len(chosen) <= least * (1 + np.log(max(len(wanted), 1)))


def test_few_poses_need_what_reach_found():
    with pytest.raises(InputError, match="the targets have no poses"):
        few_poses(pd.DataFrame({"touch": [1]}), [()])
