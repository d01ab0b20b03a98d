"""Position: shifted and leaning features, bonus and virtual condition worked by hand, projected zones.

Bonus and virtual condition by the formulas of ASME Y14.5-2018 (clauses 5.9 and 10, from memory).
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tolerance.touched import around, moved, table

from probekit import InputError
from probekit.fit import FREEDOMS, Datum, datum_frame, make_motion
from probekit.tolerance import position
from probekit.tolerance.position import bonus_of, virtual_condition

quick = settings(max_examples=20)
TRUE = {"at": (0, 0, 0), "direction": (0, 0, 1)}


def hole(diameter=10.0, **options):
    return around(diameter / 2, n=16, bore=True, **options)


def test_shifted_hole():
    """Shifted by (0.03, 0.04): 0.05 off, a position of 0.1; between planes across x 0.06."""
    found = hole(centre=(0.03, 0.04))
    one = position(found, 0.12, **TRUE)
    assert one.actual == pytest.approx(0.1, abs=1e-6)
    assert one.actual <= one.width
    assert (one.width, one.high, one.low) == pytest.approx((0.12, 0.05, 0.05), abs=1e-6)
    assert position(found, 0.12, **TRUE, across=(1, 0, 0)).actual == pytest.approx(0.06, abs=1e-6)
    assert position(found, 0.12, **TRUE, across=(0, -3, 0)).actual == pytest.approx(0.08, abs=1e-6)


def test_true_position_from_the_nominal():
    assert position(hole(centre=(0.03, 0.04)), 0.12).actual == pytest.approx(0.1, abs=1e-6)


#: Hole 10.0 to 10.2, position 0.1: diameter -> tolerance with bonus. At MMC t + size - 10.0, at LMC t + 10.2 - size.
HOLE = {"M": {10.0: 0.10, 10.05: 0.15, 10.1: 0.20, 10.2: 0.30}, "L": {10.0: 0.30, 10.05: 0.25, 10.1: 0.20, 10.2: 0.10}}
#: Pin 9.8 to 10.0: at MMC t + (10.0 - size), at LMC t + (size - 9.8).
PIN = {"M": {10.0: 0.10, 9.95: 0.15, 9.8: 0.30}, "L": {10.0: 0.30, 9.95: 0.25, 9.8: 0.10}}


@pytest.mark.parametrize("modifier", ["M", "L"])
@pytest.mark.parametrize("bore", [True, False])
def test_bonus_table(modifier, bore):
    rows, limits = (HOLE, (10.0, 10.2)) if bore else (PIN, (9.8, 10.0))
    for diameter, tolerance in rows[modifier].items():
        found = around(diameter / 2, n=16, bore=bore, centre=(0.06, 0.08))
        one = position(found, 0.1, modifier=modifier, limits=limits, **TRUE)
        assert one.width == pytest.approx(tolerance, abs=2e-6)
        assert one.actual == pytest.approx(0.2, abs=2e-6)
        assert one.details["bonus"] == pytest.approx(tolerance - 0.1, abs=2e-6)
        assert one.details["size"] == pytest.approx(diameter, abs=2e-6)


def test_virtual_conditions_by_hand():
    """Bore 10.0 to 10.2 with 0.1: 9.9 at M, 10.3 at L; pin 9.8 to 10.0 with 0.1: 10.1 at M, 9.7 at L."""
    values = [virtual_condition(0.1, (10.0, 10.2), m, bore=True) for m in "ML"]
    values += [virtual_condition(0.1, (9.8, 10.0), m, bore=False) for m in "ML"]
    assert values == pytest.approx([9.9, 10.3, 10.1, 9.7])


@quick
@given(st.floats(9.5, 10.7), st.sampled_from("ML"), st.booleans())
def test_bonus_is_never_negative_nor_more_than_the_size_tolerance(size, modifier, bore):
    assert 0 <= bonus_of(size, (10.0, 10.2), modifier, bore=bore) <= 0.2 + 1e-12
    assert bonus_of(size, (10.0, 10.2), "", bore=bore) == 0.0


@pytest.mark.parametrize(("off", "met"), [(0.099, True), (0.101, False)])
@pytest.mark.parametrize("bore", [True, False])
def test_surface_and_axis_agree_on_perfect_form(off, met, bore):
    """Perfect hole 10.1: clear of a pin of 9.9 up to (10.1 - 9.9)/2 = 0.1 off; the axis says so, too: 0.2 of 0.2."""
    found = around(10.1 / 2 if bore else 9.9 / 2, n=720, bore=bore, centre=(off, 0), heights=(0.0, 20.0))
    limits = (10.0, 10.2) if bore else (9.8, 10.0)
    one = position(found, 0.1, modifier="M", limits=limits, **TRUE, method="least_squares")
    assert (one.actual <= one.width) == met
    assert (one.details["room to the boundary of the virtual condition"] > 0) == met
    assert one.details["room to the boundary of the virtual condition"] == pytest.approx(0.2 - 2 * off, abs=1e-4)


def test_projected_zone():
    """Leaning by 0.001 per mm from the face up: 0.02 off at 20 mm, a position of 0.04; inside the hole 0 to 0.04."""
    found = hole(heights=(-20.0, -10.0, 0.0), slant=(0.001, 0))
    exact = {**TRUE, "method": "least_squares"}
    assert position(found, 0.1, **exact).actual == pytest.approx(0.04, abs=1e-6)
    up = position(found, 0.1, **exact, length=(0, 35))
    assert up.actual == pytest.approx(0.07, abs=1e-6)
    assert (up.low, up.high) == pytest.approx((0, 0.035), abs=1e-6)
    assert up.details["to height"] == 35.0


def test_centre_of_a_ball():
    rng = np.random.default_rng(0)
    unit = rng.normal(size=(20, 3))
    unit /= np.linalg.norm(unit, axis=1)[:, None]
    found = table(8 * unit + [0.01, 0.02, 0.02], unit, foot=8 * unit)
    assert position(found, 0.1, of="centre").actual == pytest.approx(0.06, abs=1e-6)
    assert position(found, 0.1, of="centre", at=(0, 0, 0), across=(1, 0, 0)).actual == pytest.approx(0.02, abs=1e-6)


def slot(shift: float, width: float = 8.0):
    grid = np.array([[y, z] for y in (-20.0, 0, 20) for z in (0.0, 5)])
    sides = [np.column_stack([np.full(6, s * width / 2), grid]) for s in (-1, 1)]
    normals = np.repeat([[1.0, 0, 0], [-1.0, 0, 0]], 6, axis=0)
    return table(np.vstack(sides) + np.array([shift, 0, 0]), normals, foot=np.vstack(sides))


def test_middle_plane_of_a_slot():
    one = position(slot(0.03), 0.1, of="middle plane")
    assert one.actual == pytest.approx(0.06, abs=1e-6)
    wide = position(slot(0.03, 8.05), 0.1, of="middle plane", modifier="M", limits=(8.0, 8.1))
    assert wide.width == pytest.approx(0.15, abs=1e-6)
    assert wide.details["room to the boundary of the virtual condition"] == pytest.approx(8.05 - 0.06 - 7.9, abs=1e-6)


def test_elsewhere():
    motion = make_motion((11, -4, 60), (25, 35, -15))
    found = moved(hole(centre=(0.03, 0.04)), motion)
    one = position(found, 0.12, at=motion[:3, 3], direction=motion[:3, 2])
    assert one.actual == pytest.approx(0.1, abs=1e-6)


def test_a_size_out_of_limits_is_told():
    one = position(hole(10.3), 0.1, modifier="M", limits=(10.0, 10.2), **TRUE)
    assert one.details["bonus"] == pytest.approx(0.2)
    assert any("outside 10 to 10.2 mm" in note for note in one.notes)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"modifier": "M"}, "needs the limits of size"),
        ({"modifier": "X"}, r"'modifier': .* unknown value"),
        ({"modifier": "M", "limits": (2.0, 1.0)}, "two rising lengths"),
        ({"of": "corner"}, r"'of': .* unknown value"),
        ({"at": (0, 0)}, "a true position is three numbers"),
        ({"direction": (0, 0, 0)}, "of the true position must be three numbers"),
    ],
)
def test_what_cannot_be(options, match):
    with pytest.raises(InputError, match=match):
        position(hole(), 0.1, **options)


@pytest.mark.parametrize("size", [{}, {"modifier": "M", "limits": (10.0, 10.2)}])
def test_a_slide_along_the_datum_axis_does_not_make_coaxial(size):
    """Axis 0.05 off and leaning by 0.1 um per mm: 0.104 at its upper end, though 0.5 m below it crosses the datum.

    A lone datum axis leaves the slide along it, and the turn about it, free: neither brings a feature nearer.
    """
    found = hole(centre=(0.03, 0.04), slant=(0.00006, 0.00008))
    one = position(found, 0.12, **TRUE, free=("tz", "rz"), **size)
    assert 2 * one.shifts[0].off[:, :2] == pytest.approx(np.array([[0.06, 0.08], [0.0624, 0.0832]]), abs=1e-4)
    assert one.motion[:3, 3] == pytest.approx(np.zeros(3), abs=1e-3)
    if not size:
        assert one.actual == pytest.approx(0.104, abs=1e-5)


@pytest.mark.parametrize("phase", [0.1, 0.5])
@pytest.mark.parametrize("size", [{}, {"modifier": "M", "limits": (29.9, 30.05)}])
def test_a_turn_about_a_loose_datum_axis_opens_no_room_beyond_its_clearance(phase, size):
    """A shaft of 20 mm in a boundary of 20.01, touched at 3 and 27 mm: above them it leans 7.5 um aside at 33 mm."""
    parts = [
        around(radius, n=3, heights=(z,), centre=off, phase=phase + k * np.pi / 3, feature=name)
        for name, radius, off, heights in (("A", 10.0, (0, 0), (3.0, 27.0)), ("big", 15.0, (0.08, 0.03), (33.0, 47.0)))
        for k, z in enumerate(heights)
    ]
    found = pd.concat(parts, ignore_index=True).assign(touch=range(1, 13))
    loose = Datum("A", "cylinder", "A", boundary=("MMB", 20.01))
    one = position(found, 0.1, features="big", **TRUE, free=datum_frame(found, [loose], free=FREEDOMS), **size)
    assert one.actual == pytest.approx(2 * (np.hypot(0.08, 0.03) - 0.0075), abs=1e-4)
