"""Small patches of a torus, and short bends of a tube: the fit must not stay in a local optimum.

The reference is the torus the touches were made on: a least-squares fit is never worse than it.
"""

import warnings

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from probekit.fit import element


def patch(seed: int, turn: float, tube: float) -> tuple[np.ndarray, float]:
    """Touches (60, 3) with 1 um of scatter on a torus 30/8 over so many degrees of its turn and tube, and their rms."""
    rng = np.random.default_rng(seed)
    first = np.radians(rng.uniform(-turn / 2, turn / 2, 60))
    second = rng.uniform(0, 2 * np.pi) + np.radians(rng.uniform(-tube / 2, tube / 2, 60))
    error = rng.normal(scale=1e-3, size=60)
    out = 30 + (8 + error) * np.cos(second)
    points = np.column_stack([out * np.cos(first), out * np.sin(first), (8 + error) * np.sin(second)])
    lying = Rotation.random(random_state=seed).as_matrix()
    return points @ lying.T + rng.uniform(-50, 50, 3), float(np.sqrt(np.mean(error**2)))


@pytest.mark.parametrize(("turn", "tube"), [(40, 360), (40, 120), (30, 90), (40, 40), (20, 60)])
@pytest.mark.parametrize("seed", [0, 12, 15, 18])
def test_patches_under_45_degrees(seed, turn, tube):
    points, scatter = patch(seed, turn, tube)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the touches cover little of it, and that is said
        fitted = element(points, "torus")
    assert np.sqrt(np.mean(fitted.residuals**2)) <= scatter
    if tube == 360:
        assert fitted.parameters["major"] == pytest.approx(30.0, abs=0.05)
        assert fitted.parameters["minor"] == pytest.approx(8.0, abs=0.005)
