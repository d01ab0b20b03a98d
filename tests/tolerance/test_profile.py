"""Profile of a surface: zones, actual values, what is covered, free placement.

Checked against the definitions (ASME Y14.5-2018 clause 11 and Y14.5.1-2019, from memory) worked out by brute force, and
against linear programs made here.
"""

import math
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from probekit import InputError
from probekit.deviation import project
from probekit.fit import FREEDOMS, make_motion
from probekit.geometry import apply_motion
from probekit.tolerance import profile
from probekit.tolerance.profile import limits

quick = settings(max_examples=60)
# exact in binary, so that "at the limit" means just that
parts = st.integers(-4096, 4096).map(lambda n: n / 2**14)
widths = st.integers(1, 4096).map(lambda n: n / 2**13)


def actual_by_growing(deviations: np.ndarray, width: float, outside: float) -> float:
    """Smallest width of a zone, grown evenly from the middle of the specified one, that holds all: by bisection."""
    middle = outside - width / 2

    def holds(grown: float) -> bool:
        return all(middle - grown / 2 <= d <= middle + grown / 2 for d in deviations)

    low, high = 0.0, 10.0
    while high - low > 1e-12:
        half = (low + high) / 2
        low, high = (low, half) if holds(half) else (half, high)
    return high


@pytest.mark.parametrize("width", ["0.1", None, [0.1]])
def test_a_width_that_is_no_number_is_named(width):
    with pytest.raises(InputError, match="width"):
        profile(pd.DataFrame({"touch": [1], "feature": ["a"], "deviation": [0.0]}), width)


def test_touches_that_were_moved_and_not_projected_are_named():
    with pytest.raises(InputError, match=r"needs a deviations table\. Use probekit\.deviation\.project"):
        profile(pd.DataFrame({"touch": [1], "feature": ["a"], "x": [0.0]}), 0.1)


@pytest.mark.parametrize(
    ("width", "outside", "expected"),
    [
        (0.2, None, (-0.1, 0.1)),  # equal on both sides
        (0.2, 0.1, (-0.1, 0.1)),
        (0.2, 0.2, (0.0, 0.2)),  # all outside the material
        (0.2, 0.0, (-0.2, 0.0)),  # all inside
        (0.2, 0.05, (-0.15, 0.05)),  # unequal
        (0.2, 0.3, (0.1, 0.3)),  # the whole zone stands off outwards
        (0.2, -0.1, (-0.3, -0.1)),  # the whole zone lies inside
    ],
)
def test_limits(width, outside, expected):
    assert limits(width, outside) == pytest.approx(expected, abs=1e-15)


@pytest.mark.parametrize(
    ("width", "outside", "match"),
    [
        (0.0, None, "width of a profile zone must be positive; found 0.0"),
        (-0.1, None, "must be positive"),
        (math.nan, None, "must be positive"),
        (math.inf, None, "must be positive"),
        (0.1, math.nan, "part of the zone outside the material is not a number"),
        (0.1, math.inf, "not a number"),
    ],
)
def test_limits_that_cannot_be(width, outside, match):
    with pytest.raises(InputError, match=match):
        limits(width, outside)


def test_actual_value_by_hand():
    """Equal: twice the largest. Outside only, 0.2: middle at +0.1, -0.02 is 0.12 from it, so 0.24."""
    deviations = np.array([0.05, -0.02, 0.08, 0.0])
    assert profile(deviations, 0.2).actual == pytest.approx(0.16)
    outward = profile(deviations, 0.2, outside=0.2)
    assert outward.actual == pytest.approx(0.24)
    assert outward.actual > outward.width
    assert outward.ruling == (2,)
    both = profile(deviations, 0.2)
    assert (both.high, both.low, both.touches, both.missed) == (0.08, -0.02, 4, 0)
    assert (both.lower, both.upper, both.ruling) == (-0.1, 0.1, (3,))


@quick
@given(st.lists(parts, min_size=1, max_size=8), widths, st.none() | parts)
def test_actual_value_by_growing_the_zone(deviations, width, outside):
    found = profile(np.array(deviations), width, outside=outside)
    expected = actual_by_growing(np.array(deviations), width, width / 2 if outside is None else outside)
    assert found.actual == pytest.approx(expected, abs=1e-10)


@quick
@given(st.lists(parts, min_size=1, max_size=8), widths, st.none() | parts)
def test_conforms_exactly_when_all_lie_within_the_limits(deviations, width, outside):
    found = profile(np.array(deviations), width, outside=outside)
    lower, upper = limits(width, outside)
    assert (found.actual <= found.width) == all(lower <= d <= upper for d in deviations)


@quick
@given(st.lists(parts, min_size=1, max_size=8), widths, parts, st.floats(0.01, 100))
def test_scale(deviations, width, outside, scale):
    one = profile(np.array(deviations), width, outside=outside)
    other = profile(scale * np.array(deviations), scale * width, outside=scale * outside)
    assert other.actual == pytest.approx(scale * one.actual, rel=1e-9, abs=1e-12)


@quick
@given(st.lists(parts, min_size=2, max_size=8), widths)
def test_more_touches_never_make_it_smaller(deviations, width):
    assert profile(np.array(deviations), width).actual >= profile(np.array(deviations[:-1]), width).actual


def test_missed_touches_are_counted():
    found = profile(np.array([0.01, np.nan, -0.03, np.nan]), 0.1)
    assert found.rows.tolist() == [0, 2]
    assert found.missed_rows.tolist() == [1, 3]
    assert (found.touches, found.missed) == (2, 2)
    assert "from 2 touches; 2 missed" in found.sentence


@pytest.fixture
def table() -> pd.DataFrame:
    """Twelve touches on three faces of a box, features that name them otherwise, one missed."""
    part = shapes.box()
    points, normals = shapes.sample_box(part, 12, np.random.default_rng(0))
    deviation = np.linspace(-0.05, 0.06, 12)
    measured = points + deviation[:, None] * normals
    measured[7] = np.nan
    touches = pd.DataFrame({"touch": [f"t{k}" for k in range(12)], "feature": ["a", "b", "c"] * 4})
    touches[["x", "y", "z"]] = measured
    touches[["x0", "y0", "z0"]] = points
    return project(touches, part, stylus=0.0)


def test_per_feature_several_and_all(table):
    deviation = table["deviation"].to_numpy()
    for names in (["a"], ["b"], ["a", "c"], ["a", "b", "c"], None):
        found = profile(table, 0.1, features=names)
        rows = [k for k in range(12) if k != 7 and (names is None or "abc"[k % 3] in names)]
        assert found.rows.tolist() == rows
        assert found.deviations == pytest.approx(deviation[rows])
        assert found.actual == pytest.approx(2 * np.abs(deviation[rows]).max())
        assert found.missed_rows.tolist() == ([7] if names is None or "b" in names else [])
        assert found.features == tuple(names or ())
    assert profile(table, 0.1, features="b").rows.tolist() == profile(table, 0.1, features=["b"]).rows.tolist()


def test_by_face(table):
    found = profile(table, 0.1, features=["top", "left"])
    assert [table["face"].iloc[r] for r in found.rows] == ["left", "top", "left", "top"]
    assert found.ruling == ("t11",)


def test_between_limits(table):
    x = table["x0"].to_numpy()
    found = profile(table, 0.1, between={"x": (-20, 10), "z": (-9, 9)})
    expected = (x >= -20) & (x <= 10) & (np.abs(table["z0"].to_numpy()) <= 9)
    assert sorted([*found.rows, *found.missed_rows]) == np.flatnonzero(expected).tolist()
    assert 0 < len(found.rows) < 11


def test_between_uses_the_foot_without_a_target(table):
    bare = table.drop(columns=["x0", "y0", "z0"])
    found = profile(bare, 0.1, between={"x": (-20, 10)})
    foot = table["foot_x"].to_numpy()
    assert found.rows.tolist() == np.flatnonzero((foot >= -20) & (foot <= 10)).tolist()
    half = table.assign(x0=np.where(np.arange(12) < 6, table["x0"] + 1000, np.nan))
    assert profile(half, 0.1, between={"x": (-20, 10)}).rows.min() >= 6


def test_between_and_features(table):
    found = profile(table, 0.1, features=["a", "c"], between={"x": (-20, 10)})
    both = set(profile(table, 0.1, features=["a", "c"]).rows) & set(profile(table, 0.1, between={"x": (-20, 10)}).rows)
    assert set(found.rows) == both


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"width": 0.0}, "width of a profile zone must be positive"),
        ({"features": ["d"]}, "no touch is on that feature; found 'd'; expected one of a, b, back"),
        ({"between": {"w": (0, 1)}}, "axis with two rising values; found 'w"),
        ({"between": {"x": (1, 1)}}, "axis with two rising values"),
        ({"between": {"x": (0, 1, 2)}}, "axis with two rising values"),
        ({"between": {"x": (500, 600)}, "name": "far end"}, "tolerance 'far end' covers no touch that triggered"),
        ({"free": ("tz",)}, "has free degrees of freedom, so it needs nominal="),
        ({"free": ("up",), "nominal": shapes.box()}, "unknown degree of freedom; found 'up'"),
    ],
)
def test_input_that_cannot_be_used(table, options, match):
    with pytest.raises(InputError, match=match):
        profile(table, **{"width": 0.1, **options})


@pytest.mark.parametrize("options", [{"free": ("tz",)}, {"features": ["a"]}, {"between": {"x": (0, 1)}}])
def test_bare_deviations_know_no_place(options):
    with pytest.raises(InputError, match="need a deviations table, not bare deviations"):
        profile(np.zeros(3), 0.1, **options)


def test_all_missed():
    with pytest.raises(InputError, match="covers no touch that triggered; found '2 missed touches'"):
        profile(np.full(2, np.nan), 0.1)


def test_words():
    found = profile(np.array([0.01, -0.04]), 0.1, outside=0.08, name="skin <b>")
    assert found.sentence == (
        "skin <b>: profile of a surface 0.100 mm on all touches (zone -0.020 to +0.080 mm); "
        "actual value 0.1400 mm from 2 touches"
    )
    assert repr(found) == f"<Evaluation {found.sentence}>"
    assert "skin &lt;b&gt;" in found._repr_html_()
    assert "deviations -0.0400 to +0.0100 mm; fixed by touch 2" in found._repr_html_()


class TestFreePlacement:
    """The zone may be placed anew over some degrees of freedom."""

    @staticmethod
    def touched(nominal, n=40, seed=0, take=shapes.sample_box):
        rng = np.random.default_rng(seed)
        points, normals = take(nominal, n, rng)
        points = points + normals * rng.uniform(-0.02, 0.02, size=(n, 1))
        return project(apply_motion(make_motion([0.05, -0.1, 0.08], [0.05, 0.06, -0.08]), points), nominal)

    @pytest.mark.parametrize("outside", [None, 0.1, 0.0, 0.07])
    def test_plane_is_a_chebyshev_fit(self, outside):
        """Flatness of z = a + b x + c y: twice the least largest distance, however the zone is disposed."""
        rng = np.random.default_rng(1)
        xy, z = rng.uniform(-25, 25, (30, 2)), 0.03 + rng.normal(scale=0.01, size=30)
        nominal = shapes.plane_patch()
        table = project(np.column_stack([xy, z]), nominal)
        design, bound = np.column_stack([np.ones(30), xy]), -np.ones((30, 1))
        best = linprog(
            [0, 0, 0, 1],
            A_ub=np.vstack([np.hstack([design, bound]), np.hstack([-design, bound])]),
            b_ub=np.concatenate([z, -z]),
            bounds=[(None, None)] * 3 + [(0, None)],
        )
        found = profile(table, 0.1, outside=outside, free=("tz", "rx", "ry"), nominal=nominal)
        assert found.actual == pytest.approx(2 * best.fun, abs=2e-6)
        assert len(found.ruling) >= 4
        assert (found.high + found.low) / 2 == pytest.approx((found.upper + found.lower) / 2, abs=2e-6)
        every = profile(table, 0.1, outside=outside, free=FREEDOMS, nominal=nominal)
        assert every.actual == pytest.approx(found.actual, abs=4e-6)
        assert np.abs(every.motion - found.motion).max() < 1e-3  # what a plane cannot tell is not moved

    def test_only_tz_on_a_plane_is_half_the_range(self):
        z = np.array([0.01, 0.05, -0.03, 0.02])
        xy = np.array([[0.0, 0], [10, 0], [0, 10], [-10, -5]])
        nominal = shapes.plane_patch()
        found = profile(project(np.column_stack([xy, z]), nominal), 0.1, free="tz", nominal=nominal)
        assert found.actual == pytest.approx(0.08, abs=1e-9)
        assert found.motion == pytest.approx(make_motion([0, 0, -0.01]), abs=1e-9)
        assert found.ruling == (2, 3)
        assert found.free == ("tz",)
        assert "best placement over tz" in found.sentence

    @pytest.mark.parametrize("shape", ["box", "bumpy_ball"])
    def test_more_freedom_never_makes_it_larger(self, shape):
        nominal = getattr(shapes, shape)()
        table = self.touched(nominal, take=shapes.sample_box if shape == "box" else shapes.sample)
        actual = [profile(table, 0.1, free=FREEDOMS[:k], nominal=nominal, pivot=(3, 4, 5)).actual for k in range(7)]
        assert all(more <= less + 4e-6 for less, more in pairwise(actual))
        assert actual[6] < 0.3 * actual[0]
        assert actual[6] <= 0.04 + 1e-6  # the motion put in, undone, leaves 0.02 either way

    @pytest.mark.parametrize("outside", [None, 0.1, 0.0])
    def test_deviations_are_those_after_the_motion(self, outside):
        nominal = shapes.box()
        table = self.touched(nominal)
        found = profile(table, 0.1, outside=outside, free=FREEDOMS, nominal=nominal)
        moved = project(apply_motion(found.motion, table[["x", "y", "z"]].to_numpy()), nominal)
        assert found.deviations == pytest.approx(moved["deviation"].to_numpy(), abs=1e-9)
        middle = (found.lower + found.upper) / 2
        assert found.actual == pytest.approx(2 * (moved["deviation"] - middle).abs().max(), abs=1e-9)
        assert profile(moved, 0.1, outside=outside).actual == pytest.approx(found.actual, abs=1e-9)

    def test_only_the_features_covered_place_it(self):
        nominal = shapes.box()
        table = self.touched(nominal)
        own = profile(table, 0.1, features=["top"], free=("tz", "rx", "ry"), nominal=nominal)
        alone = profile(table.iloc[own.rows], 0.1, free=("tz", "rx", "ry"), nominal=nominal)
        assert own.actual == pytest.approx(alone.actual, abs=2e-6)

    def test_pivot(self):
        """One turn about a point of the plane: the deviation there stays."""
        nominal = shapes.plane_patch()
        xy = np.array([[-20.0, 0], [0, 0], [20, 0]])
        table = project(np.column_stack([xy, [0.0, 0.01, 0.04]]), nominal)
        found = profile(table, 0.1, free=("ry",), nominal=nominal, pivot=(-20, 0, 0))
        # z = 0.01 at 20 mm and 0.04 at 40 mm: |0.01 - 20 s| = |0.04 - 40 s| at s = 0.05/60, so 1/150
        assert found.deviations == pytest.approx([0, -1 / 150, 1 / 150], abs=2e-6)
        assert found.actual == pytest.approx(2 / 150, abs=3e-6)
