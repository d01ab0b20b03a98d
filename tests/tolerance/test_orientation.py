"""Orientation of planes and axes: closed forms, a scan over the free turn, invariance.

Definitions from memory of ASME Y14.5.1-2019 clause 6: a zone of given direction, location free.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.fit import make_motion
from probekit.tolerance import flatness, orientation, orientation_of_axis

UP = (0.0, 0.0, 1.0)
quick = settings(max_examples=20, deadline=None, derandomize=True)
GRID = np.array([[x, y] for x in (-20.0, 0, 20) for y in (-15.0, 0, 15)])


def test_tilted_plane():
    """A plane of length 40 that rises by 0.001 per mm lies between two level planes 0.04 apart."""
    found = table(np.column_stack([GRID, 0.001 * GRID[:, 0] + 7]), UP)
    one = orientation(found, 0.05, kind="parallelism", normal=UP)
    assert one.actual == pytest.approx(0.04, abs=1e-12)
    assert set(one.ruling) == {1, 2, 3, 7, 8, 9}
    assert one.kind == "parallelism"
    assert not one.notes
    assert orientation(found, 0.05, kind="parallelism", normal=(0, 0, -1)).actual == pytest.approx(0.04, abs=1e-12)


def wall(turn: float, lean: float) -> np.ndarray:
    """Points of a wall square to x, turned about z and leaning over [rad]."""
    flat = np.column_stack([np.zeros(9), GRID])
    return Rotation.from_euler("yz", [lean, turn]).apply(flat)


def test_only_the_datum_holds_a_turn():
    """Square to one datum plane, a wall may stand turned about its normal; how it leans counts: 30 mm x sin."""
    found = table(wall(0.002, 0.0005), (1.0, 0, 0))
    held = orientation(found, 0.05, kind="perpendicularity", normal=(1, 0, 0))
    free = orientation(found, 0.05, kind="perpendicularity", normal=(1, 0, 0), turn=UP)
    assert free.actual == pytest.approx(30 * np.sin(0.0005), abs=2e-6)
    assert held.actual == pytest.approx(np.ptp(found["cx"]), abs=1e-12)
    assert held.actual > 4 * free.actual


@quick
@given(st.integers(0, 10**6))
def test_free_turn_by_a_scan(seed):
    rng = np.random.default_rng(seed)
    points = wall(rng.normal(scale=1e-3), rng.normal(scale=1e-3)) + rng.normal(scale=0.003, size=(9, 3)) * [1, 0, 0]
    found = table(points, (1.0, 0, 0))
    angles = np.linspace(-0.02, 0.02, 40001)
    scanned = np.ptp(np.outer(np.cos(angles), points[:, 0]) + np.outer(np.sin(angles), points[:, 1]), axis=1).min()
    held = orientation(found, 1.0, kind="perpendicularity", normal=(1, 0, 0)).actual
    free = orientation(found, 1.0, kind="perpendicularity", normal=(1, 0, 0), turn=UP).actual
    assert free == pytest.approx(scanned, abs=3e-5)
    assert free <= scanned + 3e-6
    form = flatness(found, 1.0).actual
    assert form - 2e-6 <= free <= held + 2e-6, "more freedom never makes it larger"


def test_it_does_not_matter_where_part_and_frame_stand_together():
    motion = make_motion((5, 6, 7), (30, 40, 50))
    found = table(np.column_stack([GRID, 0.001 * GRID[:, 1]]), UP)
    one = orientation(moved(found, motion), 0.1, kind="parallelism", normal=motion[:3, 2])
    assert one.actual == pytest.approx(0.03, abs=1e-12)


def test_slanting_axis():
    """Over 20 mm an axis that leans by 0.0006 and 0.0008 per mm moves by 0.001 x 20: the diameter of its zone."""
    found = around(6.0, slant=(0.0006, 0.0008), bore=True, n=16)
    options = {"kind": "perpendicularity", "direction": UP, "method": "least_squares"}
    assert orientation_of_axis(found, 0.05, **options).actual == pytest.approx(0.02, abs=1e-6)
    assert orientation_of_axis(found, 0.05, **options, across=(1, 0, 0)).actual == pytest.approx(0.012, abs=1e-6)
    assert orientation_of_axis(found, 0.05, **options, length=(0, 50)).actual == pytest.approx(0.05, abs=1e-6)
    # free to turn about x, the zone follows what leans along y
    assert orientation_of_axis(found, 0.05, **options, turn=(1, 0, 0)).actual == pytest.approx(0.012, abs=1e-6)
    envelope = orientation_of_axis(found, 0.05, kind="perpendicularity", direction=UP)
    assert envelope.actual == pytest.approx(0.02, abs=1e-4)
    assert not envelope.by_touch


def test_nominal_direction_is_the_default():
    found = around(6.0, slant=(0.001, 0), bore=True, n=16)
    assert orientation_of_axis(found, 0.1, kind="parallelism", method="least_squares").actual == pytest.approx(
        0.02, abs=1e-6
    )


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"kind": "squareness"}, "unknown kind of orientation"),
        ({"kind": "parallelism", "normal": (0, 0, 0)}, "square to the zone must be three numbers"),
        ({"kind": "parallelism", "turn": (1, 0)}, "of the free turn must be three numbers"),
    ],
)
def test_what_cannot_be(options, match):
    with pytest.raises(InputError, match=match):
        orientation(table(np.column_stack([GRID, np.zeros(9)]), UP), 0.1, **options)
