"""Many deviations at once, against adaptive integration and plain draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm
from thorough import some

from probekit.uncertainty import Scatter
from probekit.uncertainty.joint import Joint, solved


def equal(n: int, rho: float) -> Scatter:
    """n touches of u = 1 that share the part rho of their variance."""
    return Scatter(np.full(n, np.sqrt(1 - rho)), np.full((n, 1), np.sqrt(rho)), ("common",))


@pytest.mark.parametrize("rho", some([0.0, 0.25, 0.5, 0.75, 0.9]))
@pytest.mark.parametrize("n", [1, 5, 50, 300])
def test_largest_of_many_that_share(n, rho):
    """c with P(max e_i <= c) = 0.95, by adaptive integration over the common cause (Curnow and Dunnett 1962).

    61 points of Gauss and Hermite are too few for rho = 0.9: 2.281 for n = 50 where 2.291 is right.
    """

    def missing(c):
        chance = quad(
            lambda w: norm.pdf(w) * np.exp(n * norm.logcdf((c - np.sqrt(rho) * w) / np.sqrt(1 - rho))), -8, 8, limit=500
        )
        return chance[0] - 0.95

    expected = brentq(missing, 0.5, 6.0, xtol=1e-6)
    assert Joint(equal(n, rho)).quantile(0.95, one_sided=True) == pytest.approx(expected, abs=1e-3)


def test_a_box_by_the_distribution_of_the_normal():
    """Genz's integration (scipy) of four touches with two causes."""
    rng = np.random.default_rng(0)
    scatter = Scatter(rng.uniform(0.5, 1, 4), rng.normal(size=(4, 2)), ("a", "b"))
    low, high = np.array([-1.0, -np.inf, -2.0, -0.5]), np.array([1.5, 1.0, np.inf, 2.0])
    expected = multivariate_normal(cov=scatter.covariance(), seed=1).cdf(
        np.where(np.isinf(high), 50, high), lower_limit=np.where(np.isinf(low), -50, low)
    )
    assert Joint(scatter).within(low, high) == pytest.approx(expected, abs=1e-3)


def test_many_causes_by_draws():
    rng = np.random.default_rng(3)
    scatter = Scatter(rng.uniform(0.3, 0.6, 60), 0.3 * rng.normal(size=(60, 20)), ("c",) * 20)
    largest = (np.abs(scatter.draw(100_000, rng)) / scatter.u).max(axis=1)
    assert Joint(scatter).quantile(0.95) == pytest.approx(np.quantile(largest, 0.95), abs=0.015)


def test_the_same_bits_again():
    scatter, wide = equal(20, 0.4), np.full(20, 2.0)
    assert Joint(scatter).within(-wide, wide) == Joint(scatter).within(-wide, wide)


def test_touches_far_from_their_limits_do_not_count():
    few, many = equal(5, 0.5), equal(50, 0.5)
    high = np.full(50, 30.0)
    high[:5] = 1.5
    assert Joint(many).within(-high, high) == pytest.approx(Joint(few).within(-high[:5], high[:5]), abs=1e-4)


def test_without_any_uncertainty_it_is_yes_or_no():
    none = Joint(Scatter.independent(np.zeros(3)))
    assert none.within(np.full(3, -1e-6), np.full(3, 1e-6)) == 1.0
    assert none.within(np.full(3, 1e-6), np.full(3, 2e-6)) == 0.0


def test_a_zero_outside_of_the_interval_is_its_end():
    assert solved(lambda x: x + 1.0, 0.0, 2.0) == 0.0
    assert solved(lambda x: x - 5.0, 0.0, 2.0) == 2.0
    assert solved(lambda x: x - 0.7, 0.0, 2.0) == pytest.approx(0.7, abs=1e-5)


def test_roots_are_those_of_scipy_bit_for_bit() -> None:
    """Brent's method on smooth, flat, steep and broken functions."""
    rng = np.random.default_rng(1)
    shapes = [
        lambda x: np.tanh(3.0 * x) + 0.01 * x**3,
        lambda x: np.exp(2.0 * x) - 1.0,
        lambda x: x**3,
        lambda x: x if abs(x) > 1e-3 else 0.0,
        lambda x: np.sign(x) * abs(x) ** 0.2,
    ]
    for shape in shapes:
        for root, below, above in zip(*rng.normal(size=(3, 40)), strict=True):
            ends, rising = (root - abs(below) - 0.01, root + abs(above) + 0.01), lambda x: shape(x - root)  # noqa: B023
            for within in (1e-5, 1e-8):
                assert solved(rising, *ends, within) == brentq(rising, *ends, xtol=within)
