"""Worked rules of ASME Y14.5-2018 and Y14.5.1-2019, and what ISO 5459 calls invariance classes. All from memory.

The documents were not at hand: what is checked is what any text on them states, in numbers worked by hand.
"""

import numpy as np
import pandas as pd
import pytest
from tolerance.touched import around

from probekit.fit import Datum, datum_frame
from probekit.tolerance import circularity, position, profile, size
from probekit.tolerance.position import bonus_of, virtual_condition
from probekit.tolerance.profile import limits

X, Y, Z = np.eye(3)
TURN = np.arange(12) * np.pi / 6
RING = np.column_stack([np.cos(TURN), np.sin(TURN), np.zeros(12)])
BALL = np.vstack([np.eye(3), -np.eye(3), np.array([[1, 1, 1], [-1, 1, -1], [1, -1, -1]]) / np.sqrt(3)])

#: Datum feature -> points on it, its nominal parameters, and the degrees of freedom that a primary datum of it leaves.
#: ASME Y14.5-2018 figure 7-3 and ISO 5459:2024 (invariance classes; table 1 in the edition of 2011): planar: two
#: shifts and a turn; cylindrical: a shift and a turn; revolute: a turn; spherical: three turns; two
#: parallel planes as a plane.
CLASSES = {
    "plane": (np.array([[0, 0, 0], [30, 0, 0], [0, 20, 0], [30, 20, 0.0]]), {"point": (0, 0, 0), "direction": Z},
              ("tx", "ty", "rz")),
    "cylinder": (np.vstack([10 * RING, 10 * RING + 20 * Z]), {"point": (0, 0, 0), "direction": Z, "radius": 10.0},
                 ("tz", "rz")),
    "cone": (np.vstack([10 * RING + 10 * Z, 20 * RING + 20 * Z]),
             {"point": (0, 0, 0), "direction": Z, "half_angle": 45.0}, ("rz",)),
    "sphere": (10 * BALL, {"point": (0, 0, 0), "radius": 10.0}, ("rx", "ry", "rz")),
    "width": (np.array([[x, y, z] for z in (-5, 5) for x in (0, 30) for y in (0, 20)], dtype=float),
              {"point": (0, 0, 0), "direction": Z, "width": 10.0}, ("tx", "ty", "rz")),
}  # fmt: skip


@pytest.mark.parametrize("kind", CLASSES)
def test_degrees_of_freedom_that_a_primary_datum_leaves(kind):
    points, nominal, left = CLASSES[kind]
    datum = Datum("A", kind, "a", material=None if kind == "plane" else "inside", nominal=nominal)
    frame = datum_frame({"a": points}, [datum])
    assert frame.free == left
    row = frame.table.iloc[0]
    assert [name for name in ("tx", "ty", "tz", "rx", "ry", "rz") if row[name] == ""] == list(left)


def test_position_is_twice_the_distance():
    """2 sqrt(dx^2 + dy^2): 0.03 and 0.04 off make 0.1."""
    hole = around(5.0, n=16, bore=True, centre=(0.03, 0.04))
    assert position(hole, 0.12, at=(0, 0, 0), direction=Z).actual == pytest.approx(0.1, abs=1e-6)


def test_bonus_and_virtual_condition():
    """A hole 12.0 to 12.2, position 0.25 at M: at 12.1 the tolerance is 0.35; a gauge pin is 11.75.

    A pin 11.6 to 11.7, position 0.25 at M: its boundary is 11.95.
    """
    assert 0.25 + bonus_of(12.1, (12.0, 12.2), "M", bore=True) == pytest.approx(0.35)
    assert 0.25 + bonus_of(12.1, (12.0, 12.2), "L", bore=True) == pytest.approx(0.35)
    assert 0.25 + bonus_of(12.0, (12.0, 12.2), "L", bore=True) == pytest.approx(0.45)
    assert virtual_condition(0.25, (12.0, 12.2), "M", bore=True) == pytest.approx(11.75)
    assert virtual_condition(0.25, (11.6, 11.7), "M", bore=False) == pytest.approx(11.95)
    hole = around(6.05, n=16, bore=True, centre=(0.1, 0.1))
    one = position(hole, 0.25, modifier="M", limits=(12.0, 12.2), at=(0, 0, 0), direction=Z)
    assert (one.width, one.actual <= one.width) == (pytest.approx(0.35, abs=1e-6), True)


@pytest.mark.parametrize(
    ("outside", "zone", "actual"),
    [(None, (-0.4, 0.4), 0.6), (0.8, (0.0, 0.8), 1.4), (0.0, (-0.8, 0.0), 1.4), (0.3, (-0.5, 0.3), 0.8)],
)
def test_unequally_disposed_profile_and_its_actual_value(outside, zone, actual):
    """The value behind (U) is the part of the width outside the material. Deviations -0.3 to 0.3 in a zone of 0.8.

    The zone grows evenly about its middle m: 2 max |d - m|.
    """
    assert limits(0.8, outside) == pytest.approx(zone)
    assert profile(np.array([-0.3, 0.1, 0.3]), 0.8, outside=outside).actual == pytest.approx(actual)


def test_an_odd_lobed_shape_of_one_diameter_is_not_round():
    """r = R + a cos 3t: every two-point size is 2 R, and circularity (of radius) is 2 a."""
    hole = around(10 + 0.02 * np.cos(3 * TURN), n=12, heights=(0.0,), bore=True)
    told = size(hole, (19.9, 20.1))
    assert (told.details["smallest size"], told.details["largest size"]) == pytest.approx((20.0, 20.0), abs=1e-9)
    assert circularity(hole, 0.1).actual == pytest.approx(0.04, abs=1e-6)


def test_a_datum_plane_is_outside_the_material():
    """External constrained: it rests on the highest points. Touches at 0 and, between them, hollows of -0.01."""
    top = np.array([[0, 0, 0], [40, 0, 0], [40, 30, 0], [0, 30, 0], [20, 15, -0.01], [10, 15, -0.01]], dtype=float)
    found = pd.DataFrame(top, columns=["x", "y", "z"])
    nominal = {"point": (0, 0, 0), "direction": Z}
    frame = datum_frame({"a": found.to_numpy()}, [Datum("A", "plane", "a", nominal=nominal)])
    assert frame.motion == pytest.approx(np.eye(4), abs=1e-12)
    mean = datum_frame({"a": found.to_numpy()}, [Datum("A", "plane", "a", simulator="least_squares", nominal=nominal)])
    assert mean.translation[2] > 0.002
