"""The way between part frame and program, against closed forms and the sign rules of ISO 841 (from memory)."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.plan import Kinematics, RotaryAxis, poses
from probekit.plan.access.poses import pose_frame

TABLES = Kinematics(
    (RotaryAxis("A", "table", (0.0, 20.0, -35.0), (-110, 30)), RotaryAxis("C", "table", (5.0, -3.0, 0.0)))
)
HEADS = Kinematics((RotaryAxis("C", "head"), RotaryAxis("B", "head", limits=(-100, 100))), gauge=150.0)
MIXED = Kinematics((RotaryAxis("B", "head", limits=(-95, 95)), RotaryAxis("C", "table", (1.0, 2.0, 3.0))), gauge=120.0)
TILTED = Kinematics(
    (RotaryAxis("B", "table", (0.0, 0.0, -50.0), (0, 180), direction=(0.0, 1.0, -1.0)), RotaryAxis("C", "table"))
)
MACHINES = [Kinematics(), TABLES, HEADS, MIXED, TILTED]
KINDS = ["3-axis", "table/table", "head/head", "head/table", "table/table"]


def angles_within(kinematics: Kinematics, rng: np.random.Generator) -> tuple[float, ...]:
    return tuple(float(rng.uniform(*axis.limits)) for axis in kinematics.axes)


def test_kinds() -> None:
    assert [machine.kind for machine in MACHINES] == KINDS


@pytest.mark.parametrize("machine", MACHINES, ids=[*KINDS[:-1], "tilted"])
def test_there_and_back(machine: Kinematics) -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(-200, 200, size=(20, 3))
    for _ in range(20):
        angles = angles_within(machine, rng)
        program = machine.to_program(points, angles, length=77.0)
        assert np.abs(machine.to_part(program, angles, length=77.0) - points).max() < 1e-9
        distances = np.linalg.norm(np.diff(program, axis=0), axis=1)  # a rigid motion
        assert np.abs(distances - np.linalg.norm(np.diff(points, axis=0), axis=1)).max() < 1e-9


@pytest.mark.parametrize("machine", MACHINES[1:], ids=[*KINDS[1:-1], "tilted"])
def test_angles_for_returns_every_direction_that_the_machine_can_take(machine: Kinematics) -> None:
    rng = np.random.default_rng(2)
    for _ in range(200):
        wanted = machine.tool_axis(angles_within(machine, rng))
        found = machine.angles_for(wanted)
        assert found
        for angles in found:
            assert np.abs(machine.tool_axis(angles) - wanted).max() < 1e-8
            for angle, axis in zip(angles, machine.axes, strict=True):
                assert axis.limits[0] - 1e-6 <= angle <= axis.limits[1] + 1e-6


def test_a_direction_out_of_reach_has_no_angles() -> None:
    assert TABLES.angles_for((0.0, 0.0, -1.0)) == ()
    assert Kinematics().angles_for((0.0, 0.0, 1.0)) == ((),)
    assert Kinematics().angles_for((1.0, 0.0, 0.0)) == ()


@pytest.mark.parametrize(
    ("letter", "angle", "axis"),
    [
        # a positive turn of the tool is right-handed about the axis as seen from the part: ISO 841 (from memory)
        ("A", 90.0, (0.0, -1.0, 0.0)),
        ("A", -90.0, (0.0, 1.0, 0.0)),
        ("B", 90.0, (1.0, 0.0, 0.0)),
        ("B", -90.0, (-1.0, 0.0, 0.0)),
        ("C", 90.0, (0.0, 0.0, 1.0)),
    ],
)
@pytest.mark.parametrize("moves", ["head", "table"])
def test_signs_are_those_of_the_tool_seen_from_the_part(
    letter: str, angle: float, axis: tuple[float, ...], moves: str
) -> None:
    machine = Kinematics((RotaryAxis(letter, moves),))
    assert np.abs(machine.tool_axis((angle,)) - axis).max() < 1e-12
    turned = Kinematics((RotaryAxis(letter, moves, sense=-1),))
    assert np.abs(turned.tool_axis((-angle,)) - axis).max() < 1e-12


def test_a_table_that_turns_by_plus_c_carries_the_part_clockwise() -> None:
    machine = Kinematics((RotaryAxis("C", "table", (10.0, 0.0, 0.0)),))
    # the tool turns by +90 about the part, so the part turns by -90 under it: from +x of the axis to -y
    assert np.allclose(machine.to_program([[15.0, 0.0, 2.0]], (90.0,)), [[10.0, -5.0, 2.0]])


def test_a_head_that_swings_by_b_carries_the_ball_along_a_circle() -> None:
    machine = Kinematics((RotaryAxis("B", "head"),), gauge=100.0)
    for angle in (-60.0, -15.0, 30.0, 90.0):
        b = np.radians(angle)
        # the ball hangs at L below the pivot; turned by b it is at L (-sin b, 0, -cos b): to be at the same place the
        # pivot must go by L (sin b, 0, cos b - 1), elementary trigonometry
        swing = 180.0 * np.array([np.sin(b), 0.0, np.cos(b) - 1.0])
        place = machine.to_program(np.array([1.0, 2.0, 3.0]), (angle,), length=80.0)
        assert np.abs(place - swing - np.array([1.0, 2.0, 3.0])).max() < 1e-9


@pytest.mark.parametrize("machine", MACHINES, ids=[*KINDS[:-1], "tilted"])
def test_the_frame_of_a_pose_is_a_rotation_whose_z_is_the_tool_axis(machine: Kinematics) -> None:
    rng = np.random.default_rng(3)
    for _ in range(10):
        angles = angles_within(machine, rng)
        frame = pose_frame(machine, angles)
        assert np.abs(frame.T @ frame - np.eye(3)).max() < 1e-12
        assert np.linalg.det(frame) == pytest.approx(1.0)
        assert np.abs(frame[:, 2] - machine.tool_axis(angles)).max() < 1e-12


def test_listed_poses_keep_the_limits_and_differ_in_direction() -> None:
    found = poses(TABLES, step=(45.0, 45.0))
    assert found[0] == (0.0, 0.0)
    axes = np.array([TABLES.tool_axis(pose) for pose in found])
    assert (axes[:, 2] > -1e-9).all()
    gaps = np.linalg.norm(axes[:, None] - axes[None], axis=2) + 9 * np.eye(len(axes))
    assert gaps.min() > 1e-3
    assert all(-110 <= a <= 30 and -180 <= c <= 180 for a, c in found)
    # tilts of 0, 45, 90 degrees, the last two in eight directions
    assert len(found) == 1 + 8 + 8
    assert poses(Kinematics()) == ((),)
    assert len(poses(TABLES, step=(45.0, 45.0), tilt=50.0)) == 9


def test_a_probe_that_is_not_turned_needs_every_turn() -> None:
    machine = Kinematics((RotaryAxis("C", "table"),))
    assert len(poses(machine, step=90.0)) == 1
    assert len(poses(machine, step=90.0, turned=False)) == 4


@given(st.floats(-110, 30), st.floats(-180, 180))
def test_a_point_on_both_axes_of_a_table_does_not_move(a: float, c: float) -> None:
    machine = Kinematics((RotaryAxis("A", "table", (0, 1, 2), (-110, 30)), RotaryAxis("C", "table", (7, 1, 2))))
    assert np.abs(machine.to_program([7.0, 1.0, 2.0], (a, c)) - [7.0, 1.0, 2.0]).max() < 1e-9


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: RotaryAxis("U", "table"), "letter"),
        (lambda: RotaryAxis("A", "spindle"), "turn"),
        (lambda: RotaryAxis("A", "table", sense=2), "sense"),
        (lambda: RotaryAxis("A", "table", limits=(10, -10)), "limits"),
        (lambda: RotaryAxis("A", "table", limits=(np.nan, 10)), "limits"),
        (lambda: RotaryAxis("A", "table", direction=(0, 0, 0)), "direction"),
        (lambda: RotaryAxis("A", "table", point=(0, np.nan, 0)), "point"),
        (lambda: Kinematics(tuple(RotaryAxis(x, "table") for x in "ABC")), "too many"),
        (lambda: Kinematics((RotaryAxis("A", "table"), RotaryAxis("A", "head"))), "the same letter"),
        (lambda: Kinematics(travel=((0, 1), (0, 1))), "travel"),
        (lambda: Kinematics(travel=((0, 1), (0, 1), (1, 0))), "travel"),
        (lambda: TABLES.tool_axis((1.0,)), "2 angles"),
        (lambda: TABLES.tool_axis((1.0, np.inf)), "2 angles"),
        (lambda: Kinematics().to_program([[0, 0, 0]], (5.0,)), "0 angles"),
        (lambda: poses(TABLES, step=0.0), "step"),
        (lambda: poses(TABLES, step=(1.0,)), "step"),
    ],
)
def test_what_makes_no_sense_is_refused(make: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        make()


def test_four_corners_of_a_part_stay_a_rectangle() -> None:
    corners = np.array([[x, y, 0.0] for x, y in itertools.product((0.0, 40.0), (0.0, 30.0))])
    moved = TABLES.to_program(corners, (-30.0, 77.0))
    assert np.linalg.norm(moved[3] - moved[0]) == pytest.approx(50.0)
    assert np.linalg.norm(moved[1] - moved[2]) == pytest.approx(50.0)
