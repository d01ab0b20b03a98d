"""The 25-point test of ISO 10360-5 (and, on machine tools, ISO 230-10), from memory: pattern and evaluation.

Pattern recommended there: one touch at the pole, 4 at 22.5, 8 at 45, 4 at 67.5 and 8 at 90 degrees from it, each group
turned by 22.5 degrees against the one before. Result: range of the distances of the 25 touches from the centre of the
least-squares sphere.
"""

import numpy as np
import pytest
from scipy.optimize import least_squares

from probekit import fit
from probekit.machine import ReferenceSphere


def test_pattern():
    table = ReferenceSphere(20.0).targets(centre=(1.0, 2.0, 3.0))
    normals = table[["i", "j", "k"]].to_numpy()
    np.testing.assert_allclose(table[["x0", "y0", "z0"]] - [1.0, 2.0, 3.0], 10.0 * normals, atol=1e-12)
    polar = np.degrees(np.arccos(np.clip(normals[:, 2], -1, 1)))
    groups = {angle: np.isclose(polar, angle) for angle in (0.0, 22.5, 45.0, 67.5, 90.0)}
    assert [int(rows.sum()) for rows in groups.values()] == [1, 4, 8, 4, 8]
    azimuth = np.degrees(np.arctan2(normals[:, 1], normals[:, 0])) % 360
    first = [azimuth[rows][0] for rows in list(groups.values())[1:]]
    np.testing.assert_allclose(np.diff(first), 22.5)
    for rows in list(groups.values())[1:]:
        np.testing.assert_allclose(np.diff(np.sort(azimuth[rows])), 360 / rows.sum())


@pytest.mark.parametrize("seed", range(5))
def test_range_of_the_least_squares_sphere(seed):
    """Against scipy's general least squares, from another start, on touches with 3 um of scatter."""
    table = ReferenceSphere(20.0).targets()
    radial = 12.0 + np.random.default_rng(seed).normal(0, 0.003, 25)
    centres = radial[:, None] * table[["i", "j", "k"]].to_numpy() + [5.0, -3.0, 2.0]
    table[["x", "y", "z"]] = centres
    best = least_squares(lambda p: np.linalg.norm(centres - p[:3], axis=1) - p[3], [4, -2, 1, 10.0], xtol=1e-15)
    found = fit.qualify(table, diameter=20.0)
    assert found.form_test
    assert found.form == pytest.approx(np.ptp(best.fun), abs=1e-9)
    assert found.effective_radius == pytest.approx(best.x[3] - 10.0, abs=1e-9)
