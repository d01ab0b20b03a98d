"""Each error of the machine alone, found back in closed form from what the machine reports."""

import numpy as np
import pytest
import shapes
from machine.probing_text import probing_text, targets_at

from probekit.errors import InputError
from probekit.machine import AsMade, ReferenceRing, ReferenceSphere, run
from probekit.machine.errors import (
    Backlash,
    BallOffset,
    ErrorGrid,
    Latency,
    Lobing,
    MissedTriggers,
    Repeatability,
    RotaryError,
    Scale,
    Squareness,
    Warming,
)
from probekit.plan.kinematics import Kinematics, RotaryAxis

R = 3.0
X = [[30.0, 0, 0], [-30.0, 0, 0]]  # both ends of the box, and their normals
X_OUT = [[1.0, 0, 0], [-1.0, 0, 0]]


@pytest.fixture(scope="module")
def box():
    return AsMade(shapes.box())


def measured(text, made, *errors, **more):
    result = run(text, made, probe=2 * R, errors=errors, decimals=9, **more)
    assert result.stopped == ""
    return result.table[["x", "y", "z"]].to_numpy()


def test_nothing_wrong(box):
    found = measured(probing_text(targets_at(X, X_OUT)), box)
    np.testing.assert_allclose(found, [[33.0, 0, 0], [-33.0, 0, 0]], atol=2e-7)


def test_scale_on_a_known_length(box):
    """The axis moves 200 um/m too far, so the scales show a length of 66 mm as 66 / 1.0002."""
    found = measured(probing_text(targets_at(X, X_OUT)), box, Scale(x=200.0, z=-50.0))
    assert found[0, 0] - found[1, 0] == pytest.approx(66.0 / 1.0002, abs=4e-7)
    assert found[0, 0] - found[1, 0] < 66.0 - 0.013


def test_squareness_on_the_diagonals():
    """X = x + e y puts a square's corners so that its diagonals are 2 L sqrt(1 + (1 +- e)^2)."""
    e, corner, found = 300e-6, 60.0, []
    for x, y in ((1, 1), (-1, -1), (1, -1), (-1, 1)):
        at = (corner * x, corner * y, 0.0)
        table = ReferenceSphere(20.0).targets(((0.0, 1, 0.0), (90.0, 4, 0.0)), centre=at)
        touches = measured(probing_text(table), ReferenceSphere(20.0, at), Squareness(xy=e * 1e6))
        # by symmetry the means of opposite touches show the centre
        found.append([touches[[1, 3], 0].mean(), touches[[2, 4], 1].mean()])
    found = np.array(found)
    for pair, sign in (((0, 1), 1.0), ((2, 3), -1.0)):
        diagonal = np.linalg.norm(found[pair[0]] - found[pair[1]])
        assert diagonal == pytest.approx(2 * corner * np.sqrt(1 + (1 + sign * e) ** 2), abs=2e-5)


@pytest.mark.parametrize(("error", "moved"), [(Squareness(xz=100.0), (0, 2)), (Squareness(yz=100.0), (1, 2))])
def test_squareness_of_z(box, error, moved):
    """The scales show X (or Y) of a wall 100 um/m of the height too far."""
    axis = moved[0]
    points = np.zeros((2, 3))
    points[:, axis], points[:, 2] = (30.0, 20.0)[axis], (-8.0, 8.0)
    normals = np.zeros((2, 3))
    normals[:, axis] = 1.0
    found = measured(probing_text(targets_at(points, normals)), box, error)
    assert found[1, axis] - found[0, axis] == pytest.approx(16.0 * 100e-6, abs=4e-7)


def test_backlash_makes_bosses_small_and_bores_large(box):
    """Lost motion of 8 um on reversal: outside sizes come out 8 um small, inside sizes 8 um large."""
    found = measured(probing_text(targets_at(X, X_OUT)), box, Backlash(x=0.008))
    assert found[0, 0] - found[1, 0] == pytest.approx(66.0 - 0.008, abs=4e-7)
    ring = ReferenceRing(50.0)
    found = measured(probing_text(ring.targets(4), height=30.0), ring, Backlash(x=0.008, y=0.002))
    assert found[0, 0] - found[2, 0] == pytest.approx(44.0 + 0.008, abs=4e-7)
    # the x axis stands 4 um aside, 0.004^2 / 22 = 0.7 nm off the bore's diameter
    assert found[1, 1] - found[3, 1] == pytest.approx(44.0 + 0.002, abs=1e-6)


def test_warming_follows_its_time_constant(box):
    table = targets_at([[0.0, 0, 10.0]] * 6, [[0, 0, 1.0]] * 6)
    result = run(
        probing_text(table, dwell=120.0), box, probe=2 * R, errors=(Warming((0.0, 0.0, 0.02), 5.0),), decimals=9
    )
    assert (np.diff(result.table["seconds"]) > 120).all()
    expected = 13.0 - 0.02 * (1 - np.exp(-result.table["seconds"] / 300.0))
    np.testing.assert_allclose(result.table["z"], expected, atol=4e-7)


def test_error_grid_that_is_a_scale_error_does_what_one_does(box):
    axis = np.array([-100.0, 0.0, 100.0, 200.0])
    values = np.zeros((4, 4, 4, 3))
    values[..., 0] = axis[:, None, None] * 150e-6
    text = probing_text(targets_at(X, X_OUT))
    by_grid, by_scale = measured(text, box, ErrorGrid(axis, axis, axis, values)), measured(text, box, Scale(x=150.0))
    np.testing.assert_allclose(by_grid, by_scale, atol=3e-7)
    assert abs(by_grid[0, 0] - 33.0) > 0.004


def test_error_grid_between_nodes_and_beyond(box):
    """One node is off by 10 um in z: half way to the next it is 5 um; beyond the grid the border's value holds."""
    values = np.zeros((3, 2, 2, 3))
    values[1, ..., 2] = 0.010
    grid = ErrorGrid((-20.0, 0.0, 20.0), (-50.0, 50.0), (-10.0, 100.0), values)
    table = targets_at([[0.0, 0, 10], [10.0, 0, 10], [25.0, 0, 10]], [[0, 0, 1.0]] * 3)
    found = measured(probing_text(table), box, grid)
    np.testing.assert_allclose(found[:, 2], [12.990, 12.995, 13.0], atol=3e-7)


def test_rotary_axis_that_is_not_where_it_is_believed(box):
    """Half a turn about an axis that lies d further along X shows the part's wall 2 d nearer."""
    kinematics = Kinematics((RotaryAxis("C", "table"),))
    table = targets_at([[30.0, 0, 0]] * 2, [[1.0, 0, 0]] * 2)
    text = probing_text(table, kinematics=kinematics, poses=[(0.0,), (180.0,)])
    result = run(text, box, probe=2 * R, kinematics=kinematics, errors=(RotaryError("C", (0.012, 0, 0)),), decimals=9)
    np.testing.assert_allclose(result.table["x"], [33.0, 33.0 - 0.024], atol=3e-7)
    np.testing.assert_allclose(result.table["angle_c"], [0.0, 180.0])
    np.testing.assert_allclose(
        np.abs(result.table[["turn_x", "turn_y", "turn_z"]]), [[0, 0, 0], [0, 0, 180]], atol=1e-9
    )
    np.testing.assert_allclose(result.table["ai"], [-1.0, -1.0], atol=1e-9)  # in the part frame


def test_ball_beside_the_spindle_axis(box):
    text = probing_text(targets_at(X, X_OUT))
    there = measured(text, box, BallOffset(0.015, 0.004))
    back = measured(text, box, BallOffset(0.015, 0.004), spindle_angle=180.0)
    np.testing.assert_allclose(there[:, 0], [33.0 - 0.015, -33.0 - 0.015], atol=2e-7)
    np.testing.assert_allclose(back[:, 0], [33.0 + 0.015, -33.0 + 0.015], atol=2e-7)


def test_lobing_by_direction():
    """Sideways the centre is found at r - p, with p = mean + amplitude cos 3 phi; straight down at r - axial."""
    lobing = Lobing(0.010, 0.004, 3, 0.0, axial=0.002)
    sphere = ReferenceSphere(30.0)
    table = sphere.targets(((0.0, 1, 0.0), (90.0, 6, 0.0)))
    found = measured(probing_text(table), sphere, lobing)
    np.testing.assert_allclose(
        18.0 - np.linalg.norm(found, axis=1), [0.002, 0.014, 0.006, 0.014, 0.006, 0.014, 0.006], atol=3e-7
    )


def test_lobes_turn_with_the_spindle():
    sphere = ReferenceSphere(30.0)
    text = probing_text(sphere.targets(((90.0, 6, 0.0),)))
    one = measured(text, sphere, Lobing(0.01, 0.004))
    other = measured(text, sphere, Lobing(0.01, 0.004, phase=60.0), spindle_angle=-60.0)
    np.testing.assert_allclose(one, other, atol=3e-7)


def test_latency_grows_with_the_feed(box):
    table = targets_at([[0.0, 0, 10.0]], [[0, 0, 1.0]])
    for feed in (60.0, 300.0):
        found = measured(probing_text(table, feed=feed), box, Latency(0.002))
        assert found[0, 2] == pytest.approx(13.0 - feed / 60 * 0.002, abs=2e-7)


def test_repeatability(box):
    """300 touches: mean and standard deviation within four of their own standard errors (0.0577, 0.0408 sigma)."""
    table = targets_at([[0.0, 0, 10.0]] * 300, [[0, 0, 1.0]] * 300)
    z = measured(probing_text(table), box, Repeatability(0.002), rng=5)[:, 2] - 13.0
    assert abs(z.mean()) < 4 * 0.002 / np.sqrt(300)
    assert abs(z.std(ddof=1) / 0.002 - 1) < 4 / np.sqrt(600)


def test_missed_triggers(box):
    table = targets_at([[0.0, 0, 10.0]] * 200, [[0, 0, 1.0]] * 200)
    result = run(probing_text(table), box, probe=2 * R, errors=(MissedTriggers(0.1),), rng=3, goes_on=True)
    missed = result.table["reason"] == "no trigger"
    assert 4 <= missed.sum() <= 40  # binomial: mean 20, standard deviation 4.2
    assert result.table.loc[missed, ["x", "y", "z"]].isna().all(axis=None)
    assert result.table.loc[~missed, ["x", "y", "z"]].notna().all(axis=None)
    assert len(result.findings) == missed.sum()
    assert "the ball was driven 2.000 mm past the contact" in result.findings[0]
    assert not (run(probing_text(table), box, probe=2 * R).table["reason"] != "").any()


def test_errors_add_up(box):
    text = probing_text(targets_at(X, X_OUT))
    alone = [measured(text, box, error) - measured(text, box) for error in (Scale(x=100.0), Backlash(x=0.004))]
    both = measured(text, box, Scale(x=100.0), Backlash(x=0.004)) - measured(text, box)
    np.testing.assert_allclose(both, sum(alone), atol=1.5e-6)  # to first order


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Scale(x=np.nan), "Scale"),
        (lambda: Scale(x="1"), "finite number"),
        (lambda: Squareness(xy=True), "finite number"),
        (lambda: Backlash(y=np.inf), "Backlash"),
        (lambda: Warming((1.0, 2.0), 3.0), "three finite numbers"),
        (lambda: Warming((0.0, 0.0, 0.1), 0.0), "time constant"),
        (lambda: Lobing(0.001, 0.002), "negative somewhere"),
        (lambda: Lobing(0.01, 0.002, 0), "number of lobes"),
        (lambda: Latency(-1.0), "zero or more"),
        (lambda: Repeatability(-0.1), "zero or more"),
        (lambda: MissedTriggers(1.1), "probability"),
        (lambda: ErrorGrid((0, 1), (0, 1), (1, 0), np.zeros((2, 2, 2, 3))), "increasing"),
        (lambda: ErrorGrid((0, 1), (0, 1), (0, 1), np.zeros((2, 2, 3))), "shape"),
        (lambda: Lobing(0.01, 0.002, axial="0"), "finite number"),
        (
            lambda: RotaryError("B", (0.1, 0, 0)).kinematics(Kinematics((RotaryAxis("B", "head"),))),
            "none of them can be offset",
        ),
        (lambda: RotaryError("C").kinematics(Kinematics()), "no such rotary axis"),
    ],
)
def test_errors_that_make_no_sense(make, words):
    with pytest.raises(InputError, match=words):
        make()
