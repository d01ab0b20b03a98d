"""The covariance of touches as own parts and common causes, against the full matrix and against draws."""

from __future__ import annotations

import numpy as np
import pytest

from probekit import InputError
from probekit.uncertainty import Scatter


@pytest.fixture
def scatter():
    rng = np.random.default_rng(3)
    return Scatter(rng.uniform(0.001, 0.003, 12), rng.normal(0, 0.002, (12, 3)), ("radius", "scale", "scale"))


def test_sums_and_single_touches_are_those_of_the_full_matrix(scatter):
    full = np.diag(scatter.own**2) + scatter.factors @ scatter.factors.T
    gain = np.random.default_rng(4).normal(size=(5, 12))
    np.testing.assert_allclose(scatter.covariance(), full, rtol=1e-12)
    np.testing.assert_allclose(scatter.covariance(gain), gain @ full @ gain.T, rtol=1e-12)
    np.testing.assert_allclose(scatter.u_of(gain), np.sqrt(np.diag(gain @ full @ gain.T)), rtol=1e-12)
    np.testing.assert_allclose(scatter.u, np.sqrt(np.diag(full)), rtol=1e-12)
    some = np.array([7, 2])
    np.testing.assert_allclose(scatter.of(some).covariance(), full[np.ix_(some, some)], rtol=1e-12)


def test_draws_have_that_covariance(scatter):
    drawn = scatter.draw(200_000, np.random.default_rng(5))
    full = scatter.covariance()
    np.testing.assert_allclose(np.cov(drawn.T), full, atol=0.02 * full.max())


def test_a_common_radius_does_not_average_out_and_cancels_in_a_difference():
    radius = Scatter(np.zeros(100), np.full((100, 1), 0.002), ("radius",))
    assert radius.u_of(np.full(100, 1 / 100)) == pytest.approx(0.002)
    assert radius.u_of(np.r_[1.0, -1.0, np.zeros(98)]) == pytest.approx(0.0)
    own = Scatter.independent(np.full(100, 0.002))
    assert own.u_of(np.full(100, 1 / 100)) == pytest.approx(0.0002)


@pytest.mark.parametrize(
    ("own", "factors", "causes"),
    [(np.ones(3), np.ones((2, 1)), ("a",)), (np.ones(3), np.ones((3, 2)), ("a",)), (-np.ones(3), np.ones((3, 0)), ())],
)
def test_shapes_and_signs_are_checked(own, factors, causes):
    with pytest.raises(InputError):
        Scatter(own, factors, causes)
