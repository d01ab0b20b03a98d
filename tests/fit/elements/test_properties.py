"""What must not matter: where the touches lie, how large they are, in which order; and how well elements are known."""

from __future__ import annotations

import numpy as np
import pytest
from fit.elements.made import EVERY, KINDS, surface, touches, turned
from thorough import some

from probekit.fit import element

FACING = ("plane", "line2")


def fitted(points: np.ndarray, kind: str, method: str, outward: np.ndarray | None):
    return element(points, kind, method=method, outward=outward if kind in FACING else None)


@pytest.mark.parametrize(("kind", "method"), some(EVERY, every=3))
def test_moving_scaling_and_shuffling_the_touches(kind, method):
    points = touches(kind, 24, seed=6)
    rng = np.random.default_rng(9)
    d = points.shape[1]
    outward = np.eye(d)[-1]
    here = fitted(points, kind, method, outward)
    tolerance = 1e-8
    frame = turned(rng) if d == 3 else np.array([[0.6, -0.8], [0.8, 0.6]])
    shift = rng.uniform(-1000, 1000, d)
    there = fitted(points @ frame.T + shift, kind, method, frame @ outward)
    assert there.residuals == pytest.approx(here.residuals, abs=tolerance)
    larger = fitted(1000 * points, kind, method, outward)
    assert larger.residuals / 1000 == pytest.approx(here.residuals, abs=tolerance)
    order = rng.permutation(len(points))
    shuffled = fitted(points[order], kind, method, outward)
    assert shuffled.residuals == pytest.approx(here.residuals[order], abs=tolerance)
    assert set(order[list(shuffled.active)]) == set(here.active)
    for name, value in here.parameters.items():
        if np.ndim(value) == 0 and "angle" not in name:
            assert there.parameters[name] == pytest.approx(value, abs=tolerance)
            assert larger.parameters[name] / 1000 == pytest.approx(value, abs=tolerance)
        if name in ("centre", "point", "apex"):
            assert there.parameters[name] == pytest.approx(frame @ value + shift, abs=1e-6)
        if name == "direction":
            assert abs(there.parameters[name] @ frame @ value) == pytest.approx(1.0, abs=1e-12)
        if name == "half_angle":
            assert there.parameters[name] == pytest.approx(value, abs=1e-7)


@pytest.mark.parametrize("kind", KINDS)
def test_weights_repeat_a_touch(kind):
    """A touch of weight two counts like the same touch twice; one of weight zero does not count."""
    points = touches(kind, 24, seed=6)
    weights = np.ones(24)
    weights[3], weights[5] = 2.0, 0.0
    once = element(points, kind, weights=weights)
    rows = np.append(np.delete(np.arange(24), 5), 3)
    twice = element(points[rows], kind)
    assert once.residuals[rows] == pytest.approx(twice.residuals, abs=1e-9)


def test_covariance_closed_forms():
    """Touches all around: u^2 / n for radius, 2 u^2 / n for a centre in the plane; u^2 / n for a plane's height."""
    n, u = 12, 0.003
    turn = np.arange(n) * 2 * np.pi / n
    flat = np.column_stack([np.cos(turn), np.sin(turn)])
    circle = element(10 * flat, "circle2", u=u)
    assert circle.names == ("centre_x", "centre_y", "radius")
    assert circle.covariance == pytest.approx(np.diag([2, 2, 1]) * u * u / n, abs=1e-14)
    plane = element(np.column_stack([10 * flat, np.zeros(n)]), "plane", u=u, outward=[0, 0, 1])
    named = plane.uncertainties
    assert named["point_z"] == pytest.approx(u / np.sqrt(n))
    assert named["point_x"] == pytest.approx(0.0, abs=1e-12)
    assert named["direction_x"] == pytest.approx(u * np.sqrt(2 / n) / 10)
    width = element(
        np.vstack([np.column_stack([10 * flat, np.full(n, z)]) for z in (5.0, -5.0)]), "width", u=u, outward=[0, 0, 1]
    )
    assert width.uncertainties["width"] == pytest.approx(u * np.sqrt(2 / n))


def test_point_is_the_mean():
    points = np.random.default_rng(3).normal(size=(9, 3)) + 1000
    found = element(points, "point")
    assert found.parameters["point"] == pytest.approx(points.mean(axis=0), abs=1e-12)
    assert found.form == pytest.approx(np.ptp(np.linalg.norm(points - points.mean(axis=0), axis=1)))


def test_uncertainty_of_one_bad_touch_counts_for_that_touch_only():
    """A mean of n points, one of them uncertain by u: u / n."""
    u = np.zeros(8)
    u[2] = 0.4
    found = element(touches("point", 8), "point", u=u)
    assert found.uncertainties["point_x"] == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("kind", "runs"), some([("circle2", 500), ("cylinder", 100), ("cone", 100), ("ellipse2", 100)])
)
def test_covariance_agrees_with_monte_carlo(kind, runs):
    """Scatter of fits to touches with normal noise; a standard deviation of N runs is known to 1 / sqrt(2 N)."""
    rng = np.random.default_rng(0)
    points, normals = surface(kind, 30, rng)
    points += [20.0, -30.0, 40.0]
    d, noise = (2 if kind.endswith("2") else 3), 0.01
    told = element(points[:, :d], kind, u=noise)
    values, own = [], []
    for _ in range(runs):
        found = element((points + normals * rng.normal(scale=noise, size=(30, 1)))[:, :d], kind)
        values.append(np.concatenate([np.atleast_1d(v) for v in found.parameters.values()]))
        own.append(np.diag(found.covariance))
    scatter = np.std(values, axis=0, ddof=1)
    expected = np.sqrt(np.maximum(np.diag(told.covariance), 0))
    known = expected > 1e-9  # what cannot move to first order: a point along its own axis
    assert known.sum() >= len(known) - 2
    assert scatter[known] == pytest.approx(expected[known], rel=4 / np.sqrt(2 * runs))
    assert np.sqrt(np.mean(own, axis=0))[known] == pytest.approx(expected[known], rel=0.1)
    correlation = np.corrcoef(np.array(values)[:, known].T)
    told_correlation = (told.covariance / np.outer(expected, expected).clip(1e-30))[np.ix_(known, known)]
    assert correlation == pytest.approx(told_correlation, abs=4.5 / np.sqrt(runs))
