"""The scene of a plan: what it says must be what reach and route found."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scene.planned import block, planned, planned_scene

from probekit import plan
from probekit.errors import InputError
from probekit.scene import plan_scene, solids
from probekit.scene.plan_view import style


@pytest.fixture(scope="module")
def scene():
    return planned_scene()


def test_rows_come_in_the_order_of_touching_and_none_is_lost(scene):
    route = planned()["route"]
    ids = [*route.targets["touch"], *route.left_out["touch"]]
    assert scene.touches["touch"].tolist() == ids
    assert sorted(ids) == list(range(1, 13))
    np.testing.assert_array_equal(scene.touches["order"], [*range(1, 11), np.nan, np.nan])
    assert [(entry.word, entry.count) for entry in scene.legend.verdicts] == [
        ("planned", 9),
        ("critical", 1),
        ("left out", 2),
    ]
    assert set(scene.touches["reason"][scene.words == "left out"]) - {""}
    assert not scene.measured


def test_the_probe_touches_each_target_with_its_axis_as_reach_chose_it(scene):
    given = planned()
    table, probe = given["route"].targets, given["probe"]
    for solid in scene.solids:
        if solid.motions is None:
            continue
        for row, target in table.iterrows():
            motion = solid.standing(row)
            np.testing.assert_allclose(motion[:3, :3] @ motion[:3, :3].T, np.eye(3), atol=1e-12)
            assert np.linalg.det(motion[:3, :3]) == pytest.approx(1)
            np.testing.assert_allclose(motion[:3, 2], target[["ti", "tj", "tk"]].to_numpy(float), atol=1e-9)
            place, normal = (target[names].to_numpy(float) for names in (["x0", "y0", "z0"], ["i", "j", "k"]))
            np.testing.assert_allclose(motion[:3, 3], place + probe.radius * normal, atol=1e-12)
        assert solid.standing(len(table)) is None, "no pose serves a target that is left out"


def test_the_ball_touches_the_model_and_nothing_of_the_probe_enters_it(scene):
    """The lowest vertex of the drawn ball on the top face is on it; heights of all others are above."""
    stylus = next(one for one in scene.solids if one.name == "stylus")
    motion = stylus.standing(0)
    height = (stylus.vertices @ motion[:3, :3].T + motion[:3, 3])[:, 2]
    assert height.min() == pytest.approx(10.0, abs=1e-5)


def test_a_side_tip_touches_with_its_own_ball():
    given = planned()
    probe = replace(given["probe"], tips=(plan.Tip(3.0, 1.5, 20.0, (1.0, 0.0, 0.0)),))
    scene = planned_scene(targets=given["targets"].assign(tip=1), route=None, probe=probe)
    row = 0
    assert set(scene.touches["tip_name"]) == {"tip 1"}
    motion = scene.solids[1].standing(row)
    place, normal = scene.anchor[row].astype(float), scene.direction[row].astype(float)
    np.testing.assert_allclose(motion[:3, :3] @ probe.offset(1) + motion[:3, 3], place + 1.5 * normal, atol=1e-6)


def test_lines_are_the_ways_of_the_route_without_the_lift_between_poses(scene):
    """Their length is that of the legs, added up here; each style belongs to the touches of one pose."""
    route = planned()["route"]
    first, *ways = scene.lines
    assert first.name == "probing moves"
    np.testing.assert_allclose(first.points[1::2], route.starts, atol=1e-4)
    names, direction = [], route.targets["direction"].to_numpy()
    for line in ways:
        rows = np.unique(line.rows)
        assert len(set(direction[rows])) == 1
        assert scene.touches["pose"].iloc[rows[0]] == line.name
        names.append(line.name)
    assert names == ["A0 C0", "A60 C0"]
    solid = ways[0]
    assert solid.dash == ()
    here, length = None, 0.0
    for row in np.flatnonzero(direction == direction[0]):
        legs = [*route.ways[row], *route.leaving[row]]
        for number, leg in enumerate(legs):
            lifted = route.indexed[row] and leg.kind == "rapid" and number < 2
            if here is not None and not lifted:
                length += np.linalg.norm(np.subtract(leg.to, here))
            here = leg.to
            if leg == route.ways[row][-1]:
                np.testing.assert_allclose(leg.to, route.starts[row], atol=1e-9)
    drawn = np.linalg.norm(solid.points[1::2] - solid.points[0::2], axis=1).sum()
    assert drawn == pytest.approx(length, rel=1e-5)


def test_styles_of_lines_differ_in_colour_and_dash():
    styles = [style(number) for number in range(24)]
    assert len(set(styles)) == 24
    for one, other in itertools.pairwise(styles):
        assert one[0] != other[0]
        assert one[1] != other[1]


def test_dashes_run_on_round_a_corner_and_keep_their_share():
    """An L of 10 + 10 mm, period 4, half of it drawn: 10 mm of dashes, the third of them ends in the corner."""
    points = np.array([[0.0, 0, 0], [10, 0, 0], [10, 0, 0], [10, 10, 0]])
    ends, rows = solids.dashed(points, np.array([7, 8]), (0.5, 0.5), 4.0)
    length = np.linalg.norm(ends[1::2] - ends[0::2], axis=1)
    np.testing.assert_allclose(length, 2.0, atol=1e-6)
    np.testing.assert_allclose(ends[0::2, :2], [[0, 0], [4, 0], [8, 0], [10, 2], [10, 6]], atol=1e-6)
    np.testing.assert_array_equal(rows, [7, 7, 7, 8, 8])


def test_sharp_edges_of_a_box_are_its_twelve():
    box = block("box", (0, 0, 0), (1, 2, 3))
    edges = solids.sharp_edges(box.vertices, box.facets).reshape(-1, 2, 3)
    length = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1)
    np.testing.assert_allclose(np.sort(length), np.repeat([1, 2, 3], 4))


def test_a_plan_without_reach_says_so():
    given = planned()
    columns = ["touch", "feature", "face", "x0", "y0", "z0", "i", "j", "k"]
    scene = plan_scene(given["nominal"], given["targets"][columns])
    assert set(scene.words) == {"planned"}
    assert "not been checked" in scene.legend.verdicts[0].text
    assert scene.solids == ()
    assert scene.at is None
    drawn = plan_scene(given["nominal"], given["targets"][columns], probe=given["probe"])
    np.testing.assert_allclose(drawn.solids[0].standing(0)[:3, :3], np.eye(3))


def test_no_targets_give_a_scene_of_the_part_alone():
    given = planned()
    scene = plan_scene(given["nominal"], given["targets"].iloc[:0], probe=given["probe"])
    assert len(scene.touches) == 0
    assert scene.at is None
    assert scene.glyphs.facets.shape == (0, 3)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"at": 99}, "no target has this id"),
        ({"scale": 0.0}, "scale must be a positive number"),
    ],
)
def test_refusals(changes, message):
    with pytest.raises(InputError, match=message):
        planned_scene(**changes)


def test_targets_that_the_route_does_not_know_are_refused():
    targets = planned()["targets"]
    with pytest.raises(InputError, match="lacks a column"):
        planned_scene(targets=targets.drop(columns="face"))
    with pytest.raises(InputError, match="not one of these targets"):
        planned_scene(targets=targets.iloc[1:])


def test_at_chooses_where_the_probe_stands():
    scene = planned_scene(at=9)
    assert scene.touches["touch"].iloc[scene.at] == 9
