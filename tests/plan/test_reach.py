"""Reach: closed forms on simple shapes, brute force beside a clamp, and what must hold whatever the shape."""

import numpy as np
import pandas as pd
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from plan import sampled
from reference import meshes

from probekit.errors import InputError, ProbekitWarning
from probekit.nominal import Nominal, from_arrays
from probekit.plan import Kinematics, Obstacles, Probe, RotaryAxis, Tip, poses, reach
from probekit.plan.access.poses import pose_frame

PROBE = Probe(6.0, 4.0, 50.0, body=((50.0, 30.0), (110.0, 30.0)))
TABLES = Kinematics((RotaryAxis("A", "table", limits=(-110, 30)), RotaryAxis("C", "table")))
SIDEWAYS = ((0.0, 0.0), (-90.0, 0.0), (-90.0, 90.0), (-90.0, 180.0), (-90.0, -90.0))


def targets(points: object, normals: object) -> pd.DataFrame:
    points, normals = np.atleast_2d(np.array(points, dtype=float)), np.atleast_2d(np.array(normals, dtype=float))
    table = pd.DataFrame({"touch": np.arange(1, len(points) + 1), "feature": "f"})
    table[["x0", "y0", "z0"]], table[["i", "j", "k"]], table["face"] = points, normals, ""
    table.attrs = {"part": "part", "unit": "mm"}
    return table


def bored_block(radius: float = 12.0, depth: float = 80.0, n: int = 96) -> Nominal:
    """A square block about z with a through bore, its top at z = 0."""
    turn = 2 * np.pi * np.arange(n) / n
    ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    square = np.column_stack([np.cos(turn), np.sin(turn)])
    square *= 50.0 / np.abs(square).max(axis=1, keepdims=True)
    loops = [(ring, 0.0), (square, 0.0), (square, -depth), (ring, -depth)]
    vertices = np.vstack([np.column_stack([xy, np.full(n, z)]) for xy, z in loops])
    here, ahead = np.arange(n), np.roll(np.arange(n), -1)
    facets = []
    for k in range(4):
        a, b, c, d = here + k * n, ahead + k * n, ahead + (k + 1) % 4 * n, here + (k + 1) % 4 * n
        facets += [np.column_stack([a, d, c]), np.column_stack([a, c, b])]
    return from_arrays(vertices, np.vstack(facets), name="block")


def bore_targets(depths: object, radius: float = 12.0) -> pd.DataFrame:
    """Targets on a flat of the bore's polygon, in its middle."""
    flat = radius * np.cos(np.pi / 96)
    angle = np.pi / 96
    inward = -np.array([np.cos(angle), np.sin(angle), 0.0])
    points = [-flat * inward + [0, 0, -depth] for depth in depths]
    return targets(points, [inward] * len(points))


def test_a_gap_that_is_wide_enough_is_not_rounded_to_one_that_is_not() -> None:
    """Nothing is near the probe over a shallow dish, whatever the chord error that is added and taken off again."""
    found = []
    for bend in range(100, 130):
        part = shapes.height_field(lambda x, y, bend=bend: (x * x + y * y) / (2 * bend), size=30.0, n=6)
        found.append(reach(targets([[0, 0, 0.0]], [[0, 0, 1.0]]), part, PROBE, enough=0.5))
    assert [(one["reason"].item(), one["clearance"].item()) for one in found] == [("", 0.5)] * 30


def test_a_target_that_faces_into_the_material_is_told_so() -> None:
    part = shapes.plane_patch()
    with pytest.warns(ProbekitWarning, match="open"):
        turned = from_arrays(part.vertices, part.facets[:, ::-1])
    at = targets([[0, 0, 0.0]], [[0, 0, 1.0]])
    assert reach(at, part, PROBE)["reachable"].item()
    found = reach(at, turned, PROBE)
    assert not found["reachable"].item()
    assert "normal points into the material" in found["reason"].item()
    assert "if the model is open, turn its facets" in found["reason"].item()


def test_how_deep_a_bore_can_be_touched_is_the_stylus_less_the_margin() -> None:
    part = bored_block()
    chord = Obstacles(part).chord
    depths = [5.0, 30.0, 50.0 - 0.5 - chord - 0.01, 50.0 - 0.5 + 0.01, 60.0]
    found = reach(bore_targets(depths), part, PROBE)
    assert found["reachable"].tolist() == [True, True, True, False, False]
    assert found["clearance"].iloc[2] == pytest.approx(0.51, abs=0.012)
    assert found["approach_angle"].iloc[0] == pytest.approx(90.0)
    assert "the body" in found["reason"].iloc[3]
    assert "within 0.4" in found["reason"].iloc[3]
    assert "longer stylus" in found["reason"].iloc[3]
    assert "into face" in found["reason"].iloc[4]
    assert (found["reason"][:3] == "").all()


def test_a_longer_stylus_reaches_what_the_reason_said_it_would() -> None:
    part = bored_block()
    longer = Probe(6.0, 4.0, 70.0, body=((70.0, 30.0), (130.0, 30.0)))
    assert reach(bore_targets([60.0]), part, longer)["reachable"].all()


def test_the_stem_must_not_touch_before_the_ball() -> None:
    # at the foot of a wall 40 mm high, the stem leaning over it by b: it touches where tan b = (3 - 2) / 40 or so
    part = shapes.box(size=(60.0, 60.0, 60.0))
    machine = Kinematics((RotaryAxis("B", "table", limits=(-30, 30)),))
    below = targets([[30.0, 0.0, -10.0]], [[1.0, 0.0, 0.0]])
    thin = Probe(6.0, 4.0, 60.0)
    # lean towards the wall (tool axis towards -x): the top edge of the wall, 40 above, is met by the stem
    angles = np.arange(-3.0, 0.5, 0.25)
    rows = []
    for angle in angles:
        b = np.radians(-angle)
        gap = 3.0 * np.cos(b) - 40.0 * np.sin(b) - 2.0  # of the edge from the stem: elementary trigonometry
        found = reach(below, part, thin, kinematics=machine, poses=[(angle,)], max_angle=100.0, margin=0.05)
        rows.append((gap, bool(found["reachable"].iloc[0]), found["reason"].iloc[0]))
    # at contact a gap of 0.05 is asked; the top of the wall is not ground's neighbour to be hit, only to be near
    for gap, ok, reason in rows:
        if abs(gap - 0.05) > 0.01:
            assert ok == (gap > 0.05), (gap, reason)
    assert {ok for _, ok, _ in rows} == {True, False}
    assert any("the stem" in reason for _, ok, reason in rows if not ok)


def test_each_side_of_a_box_is_touched_in_a_pose_that_turns_to_it() -> None:
    part = shapes.box(size=(200.0, 200.0, 200.0))
    normals = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=float)
    table = targets(100.0 * normals, normals)
    found = reach(table, part, PROBE, kinematics=TABLES, poses=SIDEWAYS)
    assert found["reachable"].tolist() == [True] * 5 + [False]
    for row in range(5):
        axis = TABLES.tool_axis(SIDEWAYS[found["direction"].iloc[row]])
        assert found[["ti", "tj", "tk"]].iloc[row].to_numpy(float) == pytest.approx(axis)
        assert found["approach_angle"].iloc[row] == pytest.approx(0.0, abs=1e-6)
        assert axis == pytest.approx(normals[row], abs=1e-9)
    assert found["direction"].iloc[5] == -1
    # poses at 90 degrees would be allowed, but the stem and body would go into a side of 200 mm
    assert "into face" in found["reason"].iloc[5]
    assert found.attrs["poses"] == SIDEWAYS
    upright = reach(table, part, PROBE)
    assert upright["reachable"].tolist() == [False] * 4 + [True, False]
    assert "more than 95 degrees" in upright["reason"].iloc[5]
    assert "180.0 degrees" in upright["reason"].iloc[5]


def test_in_the_corner_of_a_step_the_ball_must_fit() -> None:
    part = from_arrays(*meshes.slot(8.0))  # 8 wide, 12 deep, floor at z = 8
    wide, narrow = Probe(8.2, 4.0, 60.0), Probe(4.0, 2.0, 60.0)
    floor = targets([[0.0, 25.0, 8.0]], [[0.0, 0.0, 1.0]])
    refused = reach(floor, part, wide)
    assert not refused["reachable"].iloc[0]
    assert "does not fit" in refused["reason"].iloc[0]
    assert "0.10 mm" in refused["reason"].iloc[0]
    found = reach(floor, part, narrow)
    assert found["reachable"].iloc[0]
    assert found["clearance"].iloc[0] == pytest.approx(2.0, abs=0.002)  # to both walls
    corner = targets([[2.5, 25.0, 8.0]], [[0.0, 0.0, 1.0]])  # 1.5 mm from a wall: the ball of 2 mm is in it
    assert "does not fit" in reach(corner, part, narrow)["reason"].iloc[0]


def test_the_standoff_must_fit_between_the_walls() -> None:
    part = from_arrays(*meshes.slot(8.0))
    wall = targets([[4.0, 25.0, 14.0]], [[-1.0, 0.0, 0.0]])
    probe = Probe(4.0, 2.0, 60.0)
    # ball 4 + standoff s leaves 8 - 4 - s to the other wall
    assert reach(wall, part, probe, standoff=3.4)["reachable"].iloc[0]
    refused = reach(wall, part, probe, standoff=3.6)
    assert not refused["reachable"].iloc[0]
    assert "shorter standoff" in refused["reason"].iloc[0]


def test_the_sides_of_a_bore_count_though_they_are_of_the_face_touched() -> None:
    # ball 3, bore 3.2: 60 degrees from the target the wall is hypot(3.2 sin 60, 3 - 3.2 (1 - cos 60)) - 3 = 0.105 away
    part = bored_block(radius=3.2)
    table = bore_targets([10.0], radius=3.2)
    near, far = (reach(table, part, PROBE, margin=margin, standoff=0.15).iloc[0] for margin in (0.13, 0.06))
    assert not near["reachable"]
    assert "the ball would come within 0.1" in near["reason"]
    assert far["reachable"]


def test_a_clamp_may_be_hit_in_the_overtravel_only() -> None:
    # 1 mm from the edge of the part, the corner of a clamp lies 1 mm outside and 0.5 mm below its top. At contact the
    # ball's centre is (2, 3.5) from it, at the end of 2 mm overtravel (2, 1.5): 2.5 - 3 = -0.5
    clamp = shapes.box(size=(10.0, 10.0, 10.0), centre=(36.0, 0.0, 4.5))
    table = targets([29.0, 0.0, 10.0], [0.0, 0.0, 1.0])
    refused = reach(table, shapes.box(), PROBE, fixtures=[clamp], overtravel=2.0).iloc[0]
    assert not refused["reachable"]
    assert "end of the overtravel" in refused["reason"]
    found = reach(table, shapes.box(), PROBE, fixtures=[clamp], overtravel=0.2).iloc[0]
    assert found["clearance"] == pytest.approx(np.hypot(2.0, 3.3) - 3.0, abs=0.002)


def test_beside_a_clamp_brute_force_agrees() -> None:
    part = shapes.plane_patch(size=120.0, n=4)
    clamp = shapes.box(size=(12.0, 10.0, 30.0), centre=(0.0, 0.0, 15.0))
    probe = Probe(3.0, 2.0, 12.0, body=((12.0, 6.0), (15.0, 10.0), (25.0, 10.0)))
    rng = np.random.default_rng(11)
    points = np.column_stack([rng.uniform(-16, 16, size=(8, 2)), np.zeros(8)])
    machine = Kinematics((RotaryAxis("B", "head", limits=(-90, 90)), RotaryAxis("C", "table")))
    allowed = [(0.0, 0.0), (30.0, 0.0), (-40.0, 70.0)]
    normal = np.array([0.0, 0.0, 1.0])
    step, seen = 0.8, set()
    for number, pose in enumerate(allowed):
        found = reach(targets(points, [normal] * 8), part, probe, kinematics=machine, poses=[pose], fixtures=[clamp])
        frame = pose_frame(machine, pose)
        for row in range(8):
            start, end = (points[row] + (1.5 + more) * normal for more in (3.0, -2.0))
            corner = clamp.vertices[clamp.facets]
            touching = sampled.along(probe, corner, start, end, frame, step=step, stops=9)
            leaving = sampled.along(probe, corner, start, start + 36.0 * frame[:, 2], frame, step=step, stops=25)
            inside = Obstacles(clamp).distance(start[None])[0] < 0
            brute, slack = min(touching, leaving), 0.75 + step / np.sqrt(2.0)
            ok = bool(found["reachable"].iloc[row])
            if brute > 0.5 + slack and not inside:
                assert ok, (number, row, brute, found["reason"].iloc[row])
            if brute < 0.5 or inside:
                assert not ok, (number, row, brute)
                assert "fixture" in found["reason"].iloc[row] or "does not fit" in found["reason"].iloc[row]
            if ok:
                assert found["clearance"].iloc[row] <= min(brute, 2.0) + 1e-6
                assert found["clearance"].iloc[row] >= min(brute - slack, 2.0) - 0.002
            seen.add(ok)
    assert seen == {True, False}


def test_a_side_tip_reaches_into_a_groove_and_comes_out_backwards() -> None:
    vertices, facets = meshes.slot(20.0)
    turned = np.column_stack([vertices[:, 2], vertices[:, 1], -vertices[:, 0]])
    part = from_arrays(turned, facets)  # a groove from x = 8 to its mouth at x = 20, between z = -10 and 10
    inside = targets([[14.0, 25.0, 10.0], [14.0, 25.0, -10.0], [8.0, 25.0, 0.0]], [[0, 0, -1], [0, 0, 1], [1, 0, 0]])
    straight, side = Probe(4.0, 3.0, 70.0), Tip(3.0, 1.5, 16.0, (-1, 0, 0), name="west")
    assert not reach(inside, part, straight)["reachable"].any()
    found = reach(inside, part, Probe(4.0, 3.0, 70.0, tips=(side,), hub=5.0))
    assert found["reachable"].all()
    assert found["tip"].tolist() == [1, 1, 1]
    assert found["approach_angle"].tolist() == pytest.approx([180.0, 0.0, 90.0])  # the limit holds for the tip's stem
    short = Tip(3.0, 1.5, 6.0, (-1, 0, 0), name="west")
    refused = reach(inside, part, Probe(4.0, 3.0, 70.0, tips=(short,), hub=5.0))
    assert not refused["reachable"].any()
    assert refused["reason"].str.contains("with west|with straight tip").all()


def test_the_straight_tip_is_taken_where_it_has_room_enough() -> None:
    # the side tip points straight at the side of a box; the straight one touches it sideways
    star = Probe(6.0, 2.0, 50.0, tips=(Tip(6.0, 2.0, 40.0, (-1, 0, 0), name="west"),), hub=30.0)
    above, beside = (shapes.box(size=(10.0, 10.0, 10.0), centre=(36.0, 9.0, z)) for z in (30.0, 0.0))
    cases = [
        ([], 2.0, 0, 2.0),
        ([above], 2.0, 1, 2.0),  # 4 - 3 mm beside the straight way out: less than enough, so the largest counts
        ([above], 0.9, 0, 0.9),
        ([beside], 2.0, 1, 1.0),  # beside both balls: none has enough, so the stem nearest to the normal counts
    ]
    for clamps, enough, tip, clearance in cases:
        found = reach(targets([30.0, 0.0, 0.0], [1.0, 0.0, 0.0]), shapes.box(), star, fixtures=clamps, enough=enough)
        assert (found["tip"].iloc[0], found["clearance"].iloc[0]) == (tip, pytest.approx(clearance, abs=2e-3))


def test_a_ball_that_just_touches_is_not_said_to_go_in_by_nothing() -> None:
    # a clamp beside the way down of a ball of 3 mm, above where it touches
    table = targets([0.0, 0.0, 10.0], [0.0, 0.0, 1.0])
    for gap, words in ((-0.03, "would touch the fixture"), (-0.08, "about 0.1 mm into"), (0.03, "within 0.03 mm of")):
        clamp = shapes.box(size=(10.0, 10.0, 10.0), centre=(3.0 + gap + 5.0, 0.0, 25.0))
        reason = reach(table, shapes.box(), PROBE, fixtures=[clamp])["reason"].iloc[0]
        assert words in reason, reason
        assert " 0.0 mm" not in reason


def test_travel_is_kept() -> None:
    part = shapes.box()
    top = targets([[20.0, 0.0, 10.0]], [[0.0, 0.0, 1.0]])
    tight = Kinematics(travel=((-50.0, 15.0), (-50.0, 50.0), (0.0, 100.0)))
    found = reach(top, part, PROBE, kinematics=tight)
    assert not found["reachable"].iloc[0]
    assert "5.0 mm more travel" in found["reason"].iloc[0]
    assert reach(top, part, PROBE, kinematics=Kinematics(travel=((-50.0, 25.0), (-50.0, 50.0), (0.0, 100.0))))[
        "reachable"
    ].all()


def test_a_clamp_over_a_target_is_named() -> None:
    clamp = shapes.box(size=(10.0, 10.0, 10.0), centre=(0.0, 0.0, 16.0))
    clamp = Nominal(clamp.vertices, clamp.facets, clamp.facet_face, clamp.face_names, name="left clamp")
    found = reach(targets([[0, 0, 10.0], [20, 0, 10.0]], [[0, 0, 1.0]] * 2), shapes.box(), PROBE, fixtures=[clamp])
    assert found["reachable"].tolist() == [False, True]
    assert "the fixture 'left clamp'" in found["reason"].iloc[0]


def test_a_probe_larger_than_the_part() -> None:
    part = shapes.box(size=(1.0, 1.0, 1.0))
    found = reach(targets([[0, 0, 0.5], [0.5, 0, 0.0]], [[0, 0, 1.0], [1.0, 0, 0]]), part, PROBE)
    assert found["reachable"].iloc[0]


def test_targets_without_a_place_stay_in_the_table() -> None:
    table = targets([[0, 0, 10.0], [np.nan, 0, 10.0], [0, 0, 10.0]], [[0, 0, 1.0], [0, 0, 1.0], [np.nan, 0, 1.0]])
    table["note"] = ["a", "b", "c"]
    found = reach(table, shapes.box(), PROBE)
    assert found["reachable"].tolist() == [True, False, False]
    assert found["reason"].iloc[1:].str.contains("no finite position").all()
    assert found["note"].tolist() == ["a", "b", "c"]
    assert found["direction"].tolist() == [0, -1, -1]
    assert found.attrs["part"] == "part"
    assert list(table.columns)[-1] == "note"  # the table given is left as it was
    assert len(reach(table.iloc[:0], shapes.box(), PROBE)) == 0
    assert not reach(table.iloc[1:], shapes.box(), PROBE)["reachable"].any()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"poses": [(0.0, 0.0, 0.0)]}, "2 finite angles"),
        ({"poses": [(50.0, 0.0)]}, "axis A cannot reach"),
        ({"poses": [(np.nan, 0.0)]}, "2 finite angles"),
        ({"poses": []}, "no pose"),
        ({"standoff": 0.3}, "standoff"),
        ({"margin": -1.0}, "margin"),
        ({"overtravel": np.nan}, "overtravel"),
        ({"max_angle": "steep"}, "max_angle"),
        ({"enough": 0.1}, "enough"),
        ({"fixtures": ["clamp.stl"]}, "a Nominal"),
    ],
)
def test_what_makes_no_sense_is_refused(change: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        reach(targets([0, 0, 10.0], [0, 0, 1.0]), shapes.box(), PROBE, **({"kinematics": TABLES} | change))


def test_a_table_that_is_none_is_refused() -> None:
    table = targets([0, 0, 10.0], [0, 0, 1.0])
    with pytest.raises(InputError, match="lacks columns"):
        reach(table.drop(columns="k"), shapes.box(), PROBE)
    with pytest.raises(InputError, match="DataFrame"):
        reach([[0, 0, 1]], shapes.box(), PROBE)
    with pytest.raises(InputError, match="unit vector"):
        reach(targets([0, 0, 10.0], [0, 0, 2.0]), shapes.box(), PROBE)


@settings(max_examples=6)
@given(st.integers(0, 1000))
def test_less_is_reached_with_more_margin_more_clamps_and_fewer_poses(seed: int) -> None:
    rng = np.random.default_rng(seed)
    part = shapes.bumpy_ball(radius=30.0, finer=3)
    points, normals = shapes.sample(part, 12, rng, inner=0.5)
    table = targets(points, normals)
    allowed = poses(TABLES, step=(45.0, 90.0))
    clamp = shapes.box(size=(20.0, 20.0, 20.0), centre=tuple(rng.uniform(-35, 35, size=3)))
    found = reach(table, part, PROBE, kinematics=TABLES, poses=allowed)
    for change in ({"margin": 1.5}, {"fixtures": [clamp]}, {"poses": allowed[:3]}, {"max_angle": 50.0}):
        less = reach(table, part, PROBE, **({"kinematics": TABLES, "poses": allowed} | change))
        assert not (less["reachable"] & ~found["reachable"]).any()
    reached = found[found["reachable"]]
    assert (reached["clearance"] >= 0.5).all()
    assert (reached["approach_angle"] <= 95.0).all()
    assert (found["reason"] != "").tolist() == (~found["reachable"]).tolist()
    assert all(d in ways for d, ways in zip(reached["direction"], reached["directions"], strict=True))
