"""Paired points, against an independent Kabsch by SVD, scipy's align_vectors and a general minimiser."""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from probekit import InputError
from probekit.fit import make_motion, paired
from probekit.geometry import apply_motion


def kabsch(measured: np.ndarray, reference: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """W. Kabsch, Acta Cryst. A32 (1976) 922-923, with the determinant of A34 (1978) 827-828 (both from memory)."""
    w = weights / weights.sum()
    a, b = w @ measured, w @ reference
    u, _, vt = np.linalg.svd((measured - a).T @ (w[:, None] * (reference - b)))
    d = np.sign(np.linalg.det(u @ vt))
    motion = np.eye(4)
    motion[:3, :3] = vt.T @ np.diag([1, 1, d]) @ u.T
    motion[:3, 3] = b - motion[:3, :3] @ a
    return motion


def data(n: int, seed: int, noise: float = 0.02) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    measured = rng.uniform(-80, 80, size=(n, 3)) + np.array([500.0, 0.0, -200.0])
    motion = make_motion([1.0, -2.0, 3.0], rng.normal(size=3) * 40)
    return measured, apply_motion(motion, measured) + noise * rng.normal(size=(n, 3)), motion


def test_exact_points_give_the_motion():
    measured, reference, motion = data(4, 0, noise=0.0)
    found, rms = paired(measured, reference)
    assert found == pytest.approx(motion, abs=1e-10)
    assert rms < 1e-11


@pytest.mark.parametrize("n", [3, 4, 25])
@pytest.mark.parametrize("weighted", [False, True])
def test_against_kabsch(n, weighted):
    measured, reference, _ = data(n, n)
    weights = np.random.default_rng(9).uniform(0.1, 5, n) if weighted else np.ones(n)
    found, rms = paired(measured, reference, weights=weights if weighted else None)
    assert found == pytest.approx(kabsch(measured, reference, weights), abs=1e-9)
    left = np.sum((apply_motion(found, measured) - reference) ** 2, axis=1)
    assert rms == pytest.approx(np.sqrt(weights @ left / weights.sum()), rel=1e-12)


def test_against_align_vectors_of_scipy():
    measured, reference, _ = data(12, 5)
    expected, _ = Rotation.align_vectors(reference - reference.mean(axis=0), measured - measured.mean(axis=0))
    assert paired(measured, reference)[0][:3, :3] == pytest.approx(expected.as_matrix(), abs=1e-12)


def test_against_a_general_minimiser():
    measured, reference, _ = data(10, 6, noise=0.5)
    centre = measured.mean(axis=0)
    start = kabsch(measured, reference, np.ones(10))

    def residuals(p: np.ndarray) -> np.ndarray:
        turned = Rotation.from_rotvec(p[3:]).apply(apply_motion(start, measured) - centre) + centre + p[:3]
        return (turned - reference).ravel()

    best = least_squares(residuals, np.full(6, 1e-3), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    assert paired(measured, reference)[1] == pytest.approx(np.sqrt(2 * best.cost / 10), rel=1e-10)


def test_never_a_mirror_image():
    measured, _, _ = data(6, 7)
    found, _ = paired(measured, measured * [1, 1, -1])
    assert np.linalg.det(found[:3, :3]) == pytest.approx(1.0, abs=1e-12)


def test_three_points_in_a_plane_are_enough():
    measured = np.array([[0.0, 0, 0], [50, 0, 0], [0, 30, 0]])
    motion = make_motion([5, 6, 7], [10, 20, 30])
    assert paired(measured, apply_motion(motion, measured))[0] == pytest.approx(motion, abs=1e-12)


@pytest.mark.parametrize(
    ("measured", "reference", "match"),
    [
        (np.zeros((4, 3)), np.zeros((5, 3)), r"same shape; found '\(4, 3\) and \(5, 3\)'"),
        (np.zeros((4, 2)), np.zeros((4, 2)), "same shape"),
        (np.eye(3)[:2], np.eye(3)[:2], "do not fix a rotation"),
        (np.outer(np.arange(5.0), [1, 2, 3]), np.outer(np.arange(5.0), [1, 2, 3]), "do not fix a rotation"),
        (np.outer(np.arange(3.0), [1, 2, 3]), np.eye(3), "do not fix a rotation"),
        (np.vstack([np.eye(3), [[np.nan, 0, 0]]]), np.zeros((4, 3)), "finite"),
    ],
)
def test_what_cannot_be_fitted(measured, reference, match):
    with pytest.raises(InputError, match=match):
        paired(measured, reference)


@pytest.mark.parametrize("weights", [[1, 1, 1], [1, 1, -1, 1], [0, 0, 0, 0], [1, 1, np.nan, 1]])
def test_weights_that_cannot_be_used(weights):
    measured, reference, _ = data(4, 0)
    with pytest.raises(InputError, match="weights"):
        paired(measured, reference, weights=np.array(weights))


def test_points_of_weight_zero_do_not_count():
    measured, reference, _ = data(5, 8)
    spoilt = reference.copy()
    spoilt[4] += 100
    found, _ = paired(measured, spoilt, weights=np.array([1, 1, 1, 1, 0]))
    assert found == pytest.approx(kabsch(measured[:4], reference[:4], np.ones(4)), abs=1e-9)
    with pytest.raises(InputError, match="do not fix a rotation"):
        paired(measured, reference, weights=np.array([1, 1, 0, 0, 0]))
