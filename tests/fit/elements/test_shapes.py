"""The distance of every kind: its Jacobian against differences, and that it is a distance."""

from __future__ import annotations

import numpy as np
import pytest
from fit.elements.made import turned
from scipy.optimize import minimize_scalar

from probekit.fit.elements.ellipse import ellipse_distance
from probekit.fit.elements.shapes import KINDS, State, derivatives, distances, recentre, retract, unit_frame

SIZES = {"cone": [0.4, 2.0], "torus": [5.0, 2.0], "ellipse2": [4.0, 2.5], "slot2": [6.0, 2.0], "width": [3.0]}


def some_state(kind, rng: np.random.Generator) -> State:
    sizes = np.array(SIZES.get(kind.name, [2.0] * len(kind.sizes)))
    if kind.dims == 3:
        return State(rng.normal(size=3), turned(rng), sizes)
    angle = rng.uniform(0, 6)
    frame = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    return State(rng.normal(size=3) * [1, 1, 0], frame, sizes)


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.name)
def test_jacobian_agrees_with_differences(kind):
    rng = np.random.default_rng(3)
    state = some_state(kind, rng)
    points = rng.normal(scale=6, size=(20, 3)) * ([1, 1, 0] if kind.dims == 2 else 1)
    _, slope = derivatives(kind, state, points, 0.3)
    assert slope.shape == (20 * kind.components, kind.free)
    for j, step in enumerate(1e-6 * np.eye(kind.free)):
        ahead, behind = (distances(kind, retract(kind, state, s * step), points, 0.3).ravel() for s in (1, -1))
        assert slope[:, j] == pytest.approx((ahead - behind) / 2e-6, abs=1e-7)


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.name)
def test_sliding_the_origin_along_an_element_leaves_it(kind):
    rng = np.random.default_rng(4)
    state = some_state(kind, rng)
    points = rng.normal(scale=6, size=(20, 3)) * ([1, 1, 0] if kind.dims == 2 else 1)
    assert distances(kind, recentre(kind, state), points) == pytest.approx(distances(kind, state, points), abs=1e-12)


@pytest.mark.parametrize(("a", "b"), [(4.0, 2.5), (2.5, 4.0), (10.0, 0.1), (3.0, 3.0)])
def test_ellipse_distance_is_that_of_a_search_over_its_points(a, b):
    """scipy's bounded search, from the best of many points of the curve; far and near, outside, inside, on the axes."""
    rng = np.random.default_rng(5)
    points = np.vstack(
        [rng.normal(scale=s, size=(10, 2)) for s in (0.3, 3.0, 30.0)] + [[[3, 0], [0, 3], [0.01, 0], [0, 0]]]
    )
    found, normal, _ = ellipse_distance(points, a, b)
    for point, distance in zip(points, found, strict=True):

        def away(t: float, at: np.ndarray = point) -> float:
            return float(np.hypot(a * np.cos(t) - at[0], b * np.sin(t) - at[1]))

        turns = np.linspace(0, 2 * np.pi, 2001)
        near = turns[np.argmin([away(t) for t in turns])]
        best = minimize_scalar(away, bounds=(near - 0.01, near + 0.01), method="bounded", options={"xatol": 1e-12})
        assert abs(distance) == pytest.approx(min(best.fun, away(near)), abs=1e-6)
        assert (distance > 0) == ((point[0] / a) ** 2 + (point[1] / b) ** 2 > 1)
    feet = points - found[:, None] * normal
    assert (feet[:, 0] / a) ** 2 + (feet[:, 1] / b) ** 2 == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_unit_frame_is_a_rotation_with_the_direction_in_its_column(axis):
    for direction in np.vstack([np.eye(3), -np.eye(3), np.random.default_rng(6).normal(size=(20, 3))]):
        frame = unit_frame(direction, axis)
        assert frame.T @ frame == pytest.approx(np.eye(3), abs=1e-14)
        assert np.linalg.det(frame) == pytest.approx(1.0)
        assert frame[:, axis] == pytest.approx(direction / np.linalg.norm(direction), abs=1e-14)
