"""Least squares with unknowns that are not negative: the conditions of its optimum, on touches at equal angles.

Karush-Kuhn-Tucker conditions: x >= 0, A'(b - A x) <= 0, and x A'(b - A x) = 0. scipy's `nnls` misses them in about one
of twenty of these problems, whatever the processor.
"""

import numpy as np
import pytest

from probekit.errors import FitError
from probekit.fit.nonnegative import least_distance, nonnegative


def rings(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Touches of a bore at equal angles in one to three depths: what it takes, and how far they lie out."""
    n, depths = int(rng.integers(3, 13)), int(rng.integers(1, 4))
    angle = 2 * np.pi * np.arange(n) / n + rng.choice([0.0, rng.random()])
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    heights = np.linspace(-1.0, 1.0, depths) if depths > 1 else [0.0]
    rows = np.vstack([np.column_stack([unit, z * unit, -np.ones(n)]) for z in heights])
    rows = np.linalg.qr(rows if depths > 1 else rows[:, [0, 1, 4]])[0]
    return rows, 0.3 + rng.choice([0.0, 1e-16, 1e-9, 1e-3]) * rng.standard_normal(len(rows))


def test_the_optimum_is_reached_on_touches_at_equal_angles():
    rng = np.random.default_rng(0)
    for _ in range(300):
        rows, over = rings(rng)
        matrix = np.vstack([-rows.T, over[None] / np.abs(over).max()])
        target = np.zeros(len(matrix))
        target[-1] = 1.0
        x = nonnegative(matrix, target)
        gain = matrix.T @ (target - matrix @ x)
        assert x.min() >= 0.0
        assert gain.max() <= 1e-9
        assert np.abs(x * gain).max() <= 1e-9


def test_the_shortest_step_lies_inside_and_no_shorter_one_does():
    rng = np.random.default_rng(1)
    for _ in range(300):
        rows, over = rings(rng)
        z = least_distance(rows, over)
        assert (rows @ z + over).max() <= 1e-9
        # by duality: the length is at least that of the step to any mean of the rows, here to all of them alike
        mean = rows.mean(axis=0)
        assert np.linalg.norm(z) >= over.mean() / np.linalg.norm(mean) - 1e-9


def test_where_no_step_helps_it_says_so():
    with pytest.raises(FitError, match="no step keeps"):
        least_distance(np.array([[1.0], [-1.0]]), np.array([0.1, 0.1]))
