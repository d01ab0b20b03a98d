"""Decision rules and probabilities of conformity.

Zones of acceptance, rejection and doubt as in ISO 14253-1:2017 and JCGM 106:2012 (from memory). Probabilities against
scipy's normal distribution and numeric integration in 40 digits.
"""

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from probekit import InputError
from probekit.verdict import guarded, simple
from probekit.verdict.rules import Rule, conformity

# limits of 1/8 and a guard band of 1/64 are exact in binary: "at the limit" means just that
LOWER, UPPER, GUARD = -0.125, 0.125, 2.0**-6
EPS = 2.0**-40


@pytest.mark.parametrize(
    ("deviation", "word"),
    [
        (0.0, "within"),
        (UPPER, "within"),
        (UPPER + EPS, "high"),
        (LOWER, "within"),
        (LOWER - EPS, "low"),
        (5.0, "high"),
        (-5.0, "low"),
        (math.nan, "missed"),
        (math.inf, "missed"),
    ],
)
def test_simple_acceptance(deviation, word):
    assert simple().guard(0.5) == 0
    assert simple().decide(np.array([deviation]), LOWER, UPPER).tolist() == [word]


@pytest.mark.parametrize(
    ("deviation", "word"),
    [
        (0.0, "within"),
        (UPPER - GUARD, "within"),  # proof of conformity up to the limit less w
        (UPPER - GUARD + EPS, "undecided"),
        (UPPER, "undecided"),
        (UPPER + GUARD, "undecided"),
        (UPPER + GUARD + EPS, "high"),  # proof of non-conformity from the limit plus w
        (LOWER + GUARD, "within"),
        (LOWER + GUARD - EPS, "undecided"),
        (LOWER - GUARD, "undecided"),
        (LOWER - GUARD - EPS, "low"),
        (math.nan, "missed"),
    ],
)
def test_guard_band(deviation, word):
    rule = guarded(U=GUARD)
    assert rule.guard(0.0) == GUARD
    assert rule.decide(np.array([deviation]), LOWER, UPPER).tolist() == [word]


def test_multiplier():
    assert guarded(U=0.01, r=0.83).guard(0.0) == pytest.approx(0.0083)
    assert guarded(U=0.01, r=0.0).decide(np.array([0.1]), -0.1, 0.1).tolist() == ["within"]
    assert guarded(U=0.0).guard(0.0) == 0.0


def test_zone_narrower_than_two_guard_bands_accepts_nothing():
    words = guarded(U=0.2).decide(np.linspace(-1, 1, 401), -0.125, 0.125)
    assert set(words) == {"low", "undecided", "high"}
    assert (words == "undecided").sum() == 2 * 65 + 1  # |d| <= 0.325 in steps of 0.005


def test_one_limit_per_touch():
    words = simple().decide(np.array([0.3, 0.3, 0.3]), np.array([0.0, 0.4, -1]), np.array([1.0, 0.5, 0.2]))
    assert words.tolist() == ["within", "low", "high"]


def test_one_sided_zone():
    assert guarded(U=0.1).decide(np.array([-1e9, 0.85, 1.05, 1.2]), -np.inf, 1.0).tolist() == [
        "within",
        "within",
        "undecided",
        "high",
    ]


@settings(max_examples=100)
@given(st.floats(-1, 1), st.floats(0, 0.3), st.floats(0, 0.3))
def test_wider_guard_decides_less_and_never_otherwise(deviation, narrow, more):
    one, other = (Rule(2.0, 1.0, g, "").decide(np.array([deviation]), -0.5, 0.25)[0] for g in (narrow, narrow + more))
    assert other in (one, "undecided")


def test_sentences():
    assert simple().sentence == "simple acceptance: inside the limits is within, outside is not"
    said = "guard band w = r k u = 1 x 2 x u at each limit, u being that of each touch with its datum frame"
    assert guarded().sentence == said
    assert guarded(U=0.006).sentence == said + "; at least 0.0060 mm"


def test_each_touch_has_its_own_guard_band():
    """w = r k u, and never less than r U; the same for a number and an array."""
    u = np.array([0.0, 0.01, 0.05])
    assert guarded(k=1.645, r=0.5).guard(u).tolist() == pytest.approx([0, 0.008225, 0.041125])
    assert guarded(U=0.03).guard(u).tolist() == pytest.approx([0.03, 0.03, 0.1])
    words = guarded().decide(np.array([0.09, 0.09, 0.09, 0.111]), -0.1, 0.1, np.array([0.004, 0.006, 0.05, 0.005]))
    assert words.tolist() == ["within", "undecided", "undecided", "high"]


@pytest.mark.parametrize(
    ("U", "r", "k"), [(-0.1, 1, 2), (0.1, -1, 2), (math.nan, 1, 2), (0.1, math.inf, 2), (0.1, 1, -2), (0, 1, math.nan)]
)
def test_guard_band_that_cannot_be(U, r, k):
    with pytest.raises(InputError, match=r"the guard band needs . of zero or more"):
        guarded(U, r, k=k)


@settings(max_examples=100)
@given(st.floats(-1, 1), st.floats(-1, 0), st.floats(0, 1), st.floats(1e-3, 1))
def test_probability_by_scipy(deviation, lower, upper, u):
    normal = stats.norm(deviation, u)
    expected = normal.cdf(upper) - normal.cdf(lower)
    assert conformity(np.array([deviation]), lower, upper, u)[0] == pytest.approx(expected, abs=1e-14)


@pytest.mark.parametrize(
    ("deviation", "lower", "upper", "u"), [(0.03, -0.1, 0.1, 0.05), (0.13, -0.1, 0.1, 0.003), (0.097, -0.1, 0.1, 0.003)]
)
def test_probability_by_numeric_integration(deviation, lower, upper, u):
    with mpmath.workdps(40):
        centre, sigma = mpmath.mpf(deviation), mpmath.mpf(u)
        points = sorted({mpmath.mpf(lower), min(max(centre, lower), upper), mpmath.mpf(upper)})
        expected = mpmath.quad(lambda x: mpmath.npdf(x, centre, sigma), points)
    assert conformity(np.array([deviation]), lower, upper, u)[0] == pytest.approx(float(expected), abs=1e-14)


def test_probability_at_a_far_limit_is_half():
    assert conformity(np.array([0.5]), -1e9, 0.5, 0.01)[0] == pytest.approx(0.5, abs=1e-15)


def test_infinite_limits():
    d = np.array([-3.0, 0.2, 7.0])
    assert conformity(d, -np.inf, np.inf, 0.1).tolist() == [1, 1, 1]
    assert conformity(d, -np.inf, np.inf, 0.0).tolist() == [1, 1, 1]
    assert conformity(d, -np.inf, 0.2, 0.1) == pytest.approx([1, 0.5, 0])
    assert conformity(d, 0.2, np.inf, 0.1) == pytest.approx([0, 0.5, 1])


def test_without_uncertainty_it_is_yes_or_no():
    d = np.array([-0.2, -0.125, 0.0, 0.125, 0.2])
    assert conformity(d, LOWER, UPPER, 0.0).tolist() == [0, 1, 1, 1, 0]
    tiny = conformity(d, LOWER, UPPER, 1e-12)
    assert tiny == pytest.approx([0, 0.5, 1, 0.5, 0])


@pytest.mark.parametrize("u", [0.0, 0.01])
def test_probability_of_what_is_not_judged_is_unknown(u):
    """No deviation, or no limits: not a number."""
    found = conformity(
        np.array([np.nan, 0.0, 0.0, 0.0]), np.array([-1, np.nan, -1, -1.0]), np.array([1, 1, np.nan, 1.0]), u
    )
    assert np.isnan(found).tolist() == [True, True, True, False]


def test_u_per_touch():
    found = conformity(np.zeros(3), -0.1, 0.1, np.array([0.0, 0.1, 0.05]))
    assert found == pytest.approx([1.0, 2 * stats.norm.cdf(1) - 1, 2 * stats.norm.cdf(2) - 1])


def test_negative_uncertainty():
    with pytest.raises(InputError, match=r"cannot be negative; found -0\.1"):
        conformity(np.zeros(2), -1, 1, np.array([0.1, -0.1]))


def test_guard_band_keeps_the_risk():
    """With w = U = 2u a touch accepted conforms with 97.7 %, the one-sided 2u level (a fact of the normal law)."""
    u = 0.01
    rule = guarded(U=2 * u)
    d = np.linspace(-0.2, 0.2, 4001)
    words, p = rule.decide(d, -0.1, 0.1), conformity(d, -0.1, 0.1, u)
    assert p[words == "within"].min() == pytest.approx(stats.norm.cdf(2), abs=2e-4)
    assert p[(words == "high") | (words == "low")].max() < 1 - stats.norm.cdf(2)
    assert p[words == "undecided"].min() == pytest.approx(1 - stats.norm.cdf(2), abs=2e-4)
