"""Form: closed forms, brute force, invariance, and what too few touches say.

Definitions: minimum zones of ASME Y14.5.1-2019 clause 6 and ISO 1101 (from memory).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog, minimize
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.errors import TouchesError
from probekit.fit import make_motion
from probekit.tolerance import circularity, cylindricity, flatness, straightness, straightness_of_axis

UP = (0.0, 0.0, 1.0)
quick = settings(max_examples=20)
MOTION = make_motion((30, -70, 12), (20, -35, 50))


def sheet(z, xy=((-20, -15), (20, -15), (20, 15), (-20, 15), (0, 0), (-9, 4), (8, -5), (3, 11), (-4, -10))):
    return table(np.column_stack([np.array(xy, dtype=float)[: len(z)], z]), UP)


def test_flatness_of_a_twisted_sheet():
    """Corners up, down, up, down by h: by symmetry no plane does better than the level one, so 2 h."""
    found = flatness(sheet([0.01, -0.01, 0.01, -0.01, 0, 0.002, -0.001, 0.003, 0]), 0.03)
    assert found.actual == pytest.approx(0.02, abs=1e-6)
    assert set(found.ruling) == {1, 2, 3, 4}
    assert (found.high, found.low) == pytest.approx((0.01, -0.01), abs=1e-6)
    assert found.actual <= found.width
    assert found.kind == "flatness"


def test_flatness_of_a_tilted_plane_is_nothing():
    xy = np.random.default_rng(0).uniform(-20, 20, (12, 2))
    assert flatness(table(np.column_stack([xy, xy @ [0.3, -0.2] + 5]), UP), 0.01).actual == pytest.approx(0, abs=1e-9)


@quick
@given(st.integers(0, 10**6))
def test_flatness_by_a_linear_program_and_a_search(seed):
    """The zone's width along z by a linear program, times the cosine of its tilt; no plane tried does better."""
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.uniform(-20, 20, (15, 2)), rng.normal(scale=0.01, size=15)])
    design, bound = np.column_stack([np.ones(15), points[:, :2]]), -np.ones((15, 1))
    best = linprog(
        [0, 0, 0, 1],
        A_ub=np.vstack([np.hstack([design, bound]), np.hstack([-design, bound])]),
        b_ub=np.concatenate([points[:, 2], -points[:, 2]]),
        bounds=[(None, None)] * 3 + [(0, None)],
    )
    found = flatness(table(points, UP), 0.1)
    assert found.actual == pytest.approx(2 * best.fun / np.hypot(1, np.hypot(*best.x[1:3])), abs=1e-6)

    def width(slope):
        return np.ptp(points @ [*-slope, 1.0]) / np.sqrt(1 + slope @ slope)

    searched = minimize(width, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9})
    assert found.actual <= searched.fun + 1e-8
    assert flatness(table(points, UP), 0.1, method="least_squares").actual >= found.actual - 1e-9
    assert flatness(moved(table(points, UP), MOTION), 0.1).actual == pytest.approx(found.actual, abs=1e-8)


def test_three_touches_say_nothing_about_flatness():
    with pytest.raises(TouchesError, match="flatness is zero by construction and has no meaning; found '3 touches'"):
        flatness(sheet([0.01, -0.01, 0.03]), 0.01)
    assert "few for flatness: 9 spread" in flatness(sheet([0.01, -0.01, 0.03, 0.0]), 0.01).notes[0]
    assert not flatness(sheet(np.arange(9) * 1e-3), 0.01).notes


def test_lobes():
    """r = R + a cos(3 t): between the circles R - a and R + a, and by symmetry in no narrower ring: 2 a."""
    angle = np.arange(12) * 2 * np.pi / 12
    found = around(10 + 0.004 * np.cos(3 * angle))
    for one in (circularity(found, 0.01), cylindricity(found, 0.01)):
        assert one.actual == pytest.approx(0.008, abs=2e-6)
        assert one.touches == 36
    assert list(circularity(found, 0.01).details.values()) == pytest.approx([0.008] * 3, abs=2e-6)


def test_each_section_by_itself():
    """A taper is no fault of circularity; of cylindricity it is: r from 10 to 10.02 over the height, so about 0.02."""
    found = around(10.0)
    z = found["cz"].to_numpy()
    for axis in "xy":
        found[axis] = found[f"c{axis}"] = found[f"c{axis}"] * (1 + 1e-4 * z)
    assert circularity(found, 0.01).actual == pytest.approx(0, abs=1e-8)
    assert cylindricity(found, 0.01).actual == pytest.approx(0.02, abs=2e-5)


def test_circularity_of_a_bore_elsewhere():
    found = moved(around(5 + 0.003 * np.array([1, -1] * 6), bore=True), MOTION)
    one = circularity(found, 0.01, section=MOTION[:3, 2])
    assert one.actual == pytest.approx(0.006, abs=2e-6)
    named = found.assign(ring=np.repeat(["p", "q", "r"], 12))
    assert circularity(named, 0.01, section="ring", axis=MOTION[:3, 2]).details.keys() == {"ring p", "ring q", "ring r"}
    with pytest.raises(InputError, match="need the direction of the axis"):
        circularity(named, 0.01, section="ring")


def test_straightness_by_hand():
    """Heights 0, h, 0 at equal distances: the narrowest strip has the width h (in the limit of small slopes)."""
    x = np.linspace(-30, 30, 7)
    bent = table(np.column_stack([x, np.zeros(7), 0.01 - 0.01 * (x / 30) ** 2]), UP)
    assert straightness(bent, 0.02).actual == pytest.approx(0.01, abs=1e-7)
    assert straightness(moved(bent, MOTION), 0.02).actual == pytest.approx(0.01, abs=1e-7)
    two = table(np.vstack([bent[["cx", "cy", "cz"]], bent[["cx", "cy", "cz"]] * [1, 1, 2] + [0, 9, 0]]), UP)
    assert straightness(two, 0.05, section="y").actual == pytest.approx(0.02, abs=1e-7)


def test_a_sideways_bend_is_no_fault_of_a_line_element():
    x = np.linspace(-30, 30, 7)
    assert straightness(table(np.column_stack([x, (x / 30) ** 2, 0 * x]), UP), 0.02).actual == pytest.approx(
        0, abs=1e-9
    )


def test_straightness_of_an_axis_by_hand():
    """Centres off by 0, h, 0: the round cylinder about them has the diameter h."""
    parts = [around(8.0, heights=(z,), centre=(off, 0)) for z, off in ((0, 0.0), (10, 0.012), (20, 0.0))]
    import pandas as pd

    found = pd.concat(parts, ignore_index=True)
    one = straightness_of_axis(found, 0.02)
    assert one.actual == pytest.approx(0.012, abs=1e-6)
    assert not one.judges_touches
    assert "3 touches are few for straightness of an axis" in one.notes[0]


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: flatness(table(np.outer(np.arange(5.0), [1, 2, 0]), UP), 0.1), "line"),
        (lambda: flatness(sheet([0.0, 0.0]), 0.1), "too few touches"),
        (lambda: circularity(around(5.0, n=2), 0.1), "too few touches"),
        (lambda: cylindricity(around(5.0, heights=(0.0,)), 0.1), "plane"),
        (lambda: flatness(sheet([0.0] * 5), 0.0), "must be positive"),
        (lambda: flatness(sheet([0.0] * 5), 0.1, method="best"), "'method'.* unknown value"),
        (lambda: flatness(sheet([0.0] * 5), 0.1, features=["b"]), "no touch is on that feature"),
        (lambda: flatness(np.zeros(5), 0.1), "needs a deviations table"),
        (lambda: straightness_of_axis(around(5.0, heights=(0.0,)), 0.1), "two sections or more"),
        (lambda: circularity(around(5.0), 0.1, section="ring"), "no column|direction of the axis"),
    ],
)
def test_what_cannot_be(call, match):
    with pytest.raises(InputError, match=match):
        call()


def test_by_least_squares_the_value_is_still_a_width():
    """One touch up by h among many: its residual is not opposed by another as large, yet the zone is centred on it."""
    radius = np.full(12, 10.0)
    radius[0] += 0.012
    one = circularity(around(radius, heights=(0.0,)), 0.05, method="least_squares")
    assert one.actual == pytest.approx(one.high - one.low)
    assert one.high == pytest.approx(-one.low)
    assert one.actual >= circularity(around(radius, heights=(0.0,)), 0.05).actual
    assert "never smaller than the minimum zone" in one.notes[0]
