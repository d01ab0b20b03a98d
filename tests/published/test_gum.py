"""Worked examples of JCGM 100, 101, 102 and 106, by the covariance, the draws and the shares of `probekit.uncertainty`.

Basis: quoted, for H.1, H.2, H.3, H.5, 9.2 of JCGM 101, tables 6 and 7 of JCGM 102 and 9.5.4 of JCGM 106: read in the
documentation and tests of open packages that quote the documents. The documents themselves were not at hand; clause
numbers and models are from memory. Where a number is computed here by another road, the test says so.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import gamma

from probekit.uncertainty import Scatter, shares
from probekit.uncertainty.causes import CAUSES
from probekit.verdict.rules import conformity

RECTANGULAR = CAUSES["scale_um_per_m"].divisor


def correlated(u: np.ndarray, r: np.ndarray) -> Scatter:
    """Inputs with standard uncertainties u and correlations r, as common causes."""
    size, axes = np.linalg.eigh(np.outer(u, u) * r)
    root = axes * np.sqrt(np.maximum(size, 0.0))
    return Scatter(np.zeros(len(u)), root, tuple(f"cause {k}" for k in range(len(u))))


def test_end_gauge():
    """JCGM 100, H.1: l = ls + d - ls (dalpha theta + alpha_s dtheta); u = 32 nm, 31.6639 before rounding."""
    ls, theta, alpha = 5.0000623e7, -0.1, 11.5e-6
    u = [25.0, 5.8, 3.9, 6.7, 1e-6 / RECTANGULAR, 0.05 / RECTANGULAR]
    gain = np.array([1.0, 1.0, 1.0, 1.0, -ls * theta, -ls * alpha])
    names = ("standard", "readings", "comparator, random", "comparator", "expansion", "temperature")
    scatter = Scatter(np.zeros(6), np.diag(u), names)
    assert scatter.u_of(gain) == pytest.approx(31.6639, abs=5e-5)
    who = shares(scatter, gain, "end gauge")
    assert who.causes[:2] == ("standard", "temperature")
    np.testing.assert_allclose(who.parts[:2], [25.0, 16.6], atol=0.05)
    assert dict(zip(who.causes, who.parts, strict=True))["expansion"] == pytest.approx(2.9, abs=0.05)


def test_resistance_and_reactance():
    """JCGM 100, H.2: R 127.732(71), X 219.847(295), Z 254.260(236) ohm; r(R,X) -0.588, r(R,Z) -0.485, r(X,Z) 0.993."""
    raw = np.array(
        [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ]
    )
    volt, ampere, phase = raw.mean(axis=0)
    u = raw.std(axis=0, ddof=1) / np.sqrt(5)
    scatter = correlated(u, np.corrcoef(raw.T))
    z, c, s = volt / ampere, np.cos(phase), np.sin(phase)
    gain = np.array(
        [[z * c / volt, -z * c / ampere, -z * s], [z * s / volt, -z * s / ampere, z * c], [z / volt, -z / ampere, 0]]
    )
    np.testing.assert_allclose([z * c, z * s, z], [127.732, 219.847, 254.260], atol=6e-4)
    np.testing.assert_allclose(scatter.u_of(gain), [0.071, 0.295, 0.236], atol=6e-4)
    covariance = scatter.covariance(gain)
    r = covariance / np.sqrt(np.outer(np.diag(covariance), np.diag(covariance)))
    np.testing.assert_allclose([r[0, 1], r[0, 2], r[1, 2]], [-0.588, -0.485, 0.993], atol=6e-4)
    one_by_one = Scatter.independent(u).u_of(gain)  # what H.2.4 warns of: the correlations left out
    assert abs(one_by_one[0] - 0.071) > 0.1


def test_calibration_of_a_thermometer():
    """JCGM 100, H.3: intercept -0.1712(29), slope 0.00218(67), r -0.930, correction at 30 degrees -0.1494(41)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    columns = np.column_stack([np.ones(11), t - 20.0])
    gain = np.linalg.pinv(columns)
    line = gain @ b
    s = np.sqrt(((b - columns @ line) ** 2).sum() / 9)
    scatter = Scatter.independent(np.full(11, s))
    covariance = scatter.covariance(gain)
    np.testing.assert_allclose(line, [-0.1712, 0.00218], atol=6e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), [0.0029, 0.00067], rtol=0.02)
    assert covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.930, abs=5e-4)
    assert np.array([1.0, 10.0]) @ line == pytest.approx(-0.1494, abs=5e-5)
    assert scatter.u_of(np.array([1.0, 10.0]) @ gain) == pytest.approx(0.0041, abs=5e-5)


def test_a_day_is_a_common_cause():
    """JCGM 100, H.5: 10 days of 5 readings, daily means 57 uV, within a day 85 uV; the mean has 57/sqrt 10 = 18 uV."""
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41])
    within = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86])
    s_a, s_b = means.std(ddof=1), np.sqrt((within**2).mean())
    assert means.mean() == pytest.approx(97, abs=0.5)
    np.testing.assert_allclose([s_a, s_b], [57, 85], atol=0.5)
    assert 5 * s_a**2 / s_b**2 == pytest.approx(2.25, abs=0.02)  # equation H.27
    between = np.sqrt(s_a**2 - s_b**2 / 5)
    scatter = Scatter(np.full(50, s_b), between * np.repeat(np.eye(10), 5, axis=0), ("day",) * 10)
    mean = np.full(50, 1 / 50)
    assert scatter.u_of(mean) == pytest.approx(18, abs=0.2)
    who = shares(scatter, mean)
    np.testing.assert_allclose(dict(zip(who.causes, who.parts, strict=True))["day"], between / np.sqrt(10))
    one_by_one = Scatter.independent(scatter.u).u_of(mean)
    assert one_by_one < 0.8 * scatter.u_of(mean)  # 50 readings that share days are not 50 readings


def test_sum_of_four():
    """JCGM 101, 9.2.2: four N(0, 1): u 2.00, 95 % +-3.92. 9.2.3: four rectangular ones, +-3.88."""
    scatter = Scatter.independent(np.ones(4))
    drawn = scatter.draw(1_000_000, np.random.default_rng(1)).sum(axis=1)
    assert scatter.u_of(np.ones(4)) == pytest.approx(2.0)
    assert drawn.std() == pytest.approx(2.0, abs=0.005)
    np.testing.assert_allclose(np.percentile(drawn, [2.5, 97.5]), [-3.92, 3.92], atol=0.02)
    flat = np.random.default_rng(2).uniform(-RECTANGULAR, RECTANGULAR, (1_000_000, 4)).sum(axis=1)
    np.testing.assert_allclose(np.percentile(flat, [2.5, 97.5]), [-3.88, 3.88], atol=0.02)


@pytest.mark.parametrize(
    ("re", "r", "mean", "u", "phase", "u_phase"),
    [
        (0.001, 0.0, 0.013, 0.007, None, 1.744),
        (0.001, 0.9, 0.012, 0.008, -0.556, 1.599),
        (0.010, 0.9, 0.015, 0.008, -0.343, 0.903),
    ],
)
def test_the_magnitude_of_a_small_complex_value(re, r, mean, u, phase, u_phase):
    """JCGM 102, tables 6 and 7: true 0.001, yet the mean of the draws is 0.013: noise adds to an extreme."""
    scatter = correlated(np.array([0.01, 0.01]), np.array([[1.0, r], [r, 1.0]]))
    drawn = scatter.draw(1_000_000, np.random.default_rng(3)) + np.array([re, 0.0])
    size, angle = np.hypot(*drawn.T), np.arctan2(drawn[:, 1], drawn[:, 0])
    assert size.mean() == pytest.approx(mean, abs=5.1e-4)
    assert size.std() == pytest.approx(u, abs=5.1e-4)
    assert angle.std() == pytest.approx(u_phase, abs=0.004)
    assert phase is None or angle.mean() == pytest.approx(phase, abs=0.004)


def test_ball_bearings():
    """JCGM 106, 9.5.4: radial error motion, limit 2 um, u 0.25 um, prior gamma (4, 4 per um).

    Consumer's risk 0.0080191 without a guard band; 0.1 % at an acceptance limit of 1.671829 um.
    """
    prior = gamma(4, scale=0.25)

    def risk(limit: float) -> float:
        accepted = lambda true: float(conformity(np.array([true]), -np.inf, limit, 0.25)[0])  # noqa: E731
        return quad(lambda true: prior.pdf(true) * accepted(true), 2.0, 6.0, epsabs=1e-12)[0]

    assert prior.sf(2.0) == pytest.approx(0.042380112)
    assert risk(2.0) == pytest.approx(0.008019112, abs=1e-8)
    assert risk(1.671829) == pytest.approx(0.001, abs=1e-7)
