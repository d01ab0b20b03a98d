"""Rigid motions and their derivatives, against scipy's rotations, its matrix exponential and central differences."""

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.spatial.transform import Rotation

from probekit import InputError
from probekit.fit import FREEDOMS, make_motion
from probekit.fit.motion import free_basis, free_of, jacobian, move, moved_pivot
from probekit.geometry import apply_motion, invert_motion, left_jacobian, motion_parameters

SHIFT, TURN, PIVOT = [0.3, -2.0, 15.0], [4.0, -70.0, 12.0], [100.0, -40.0, 7.0]


def test_motion_is_the_exponential_of_its_rotation_vector_about_the_pivot():
    x, y, z = np.radians(TURN)
    rotation = expm(np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]))
    motion = make_motion(SHIFT, TURN, pivot=PIVOT)
    point = np.array([3.0, 8.0, -20.0])
    expected = rotation @ (point - PIVOT) + PIVOT + SHIFT
    assert apply_motion(motion, point[None])[0] == pytest.approx(expected, abs=1e-12)
    assert motion[3].tolist() == [0, 0, 0, 1]


def test_default_motion_does_nothing():
    assert make_motion() == pytest.approx(np.eye(4), abs=0)


def test_parameters_undo_make_motion():
    shift, turn = motion_parameters(make_motion(SHIFT, TURN, pivot=PIVOT), pivot=PIVOT)
    assert shift == pytest.approx(SHIFT, abs=1e-11)
    assert turn == pytest.approx(TURN, abs=1e-11)


def test_inverse_undoes():
    motion = make_motion(SHIFT, TURN, pivot=PIVOT)
    assert invert_motion(motion) == pytest.approx(np.linalg.inv(motion), abs=1e-12)


def test_move_is_make_motion():
    points = np.random.default_rng(0).normal(size=(5, 3)) * 50
    parameters = np.array([*SHIFT, *np.radians(TURN)])
    expected = apply_motion(make_motion(SHIFT, TURN, pivot=PIVOT), points)
    assert move(parameters, points, np.array(PIVOT)) == pytest.approx(expected, abs=1e-11)


@pytest.mark.parametrize("size", [0.0, 1e-9, 0.9e-4, 1.1e-4, 0.3, 2.5])
def test_left_jacobian_by_central_differences(size):
    w = size * np.array([0.6, -0.64, 0.48])
    step = 1e-6
    for k in range(3):
        plus, minus = (Rotation.from_rotvec(w + sign * step * np.eye(3)[k]) for sign in (1, -1))
        expected = (plus * minus.inv()).as_rotvec() / (2 * step)
        assert left_jacobian(w)[:, k] == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("turn", [[0, 0, 0], [0.02, -0.01, 0.03], [0.5, -1.0, 0.8]])
def test_jacobian_by_central_differences(turn):
    """Of the function whose gradient over the point is known: f(x) = x . A x / 2 + b . x."""
    rng = np.random.default_rng(1)
    a, b, points, pivot = rng.normal(size=(3, 3)), rng.normal(size=3), rng.normal(size=(7, 3)), rng.normal(size=3)
    a = a + a.T

    def value(p: np.ndarray) -> np.ndarray:
        x = move(p, points, pivot)
        return 0.5 * np.einsum("ni,ij,nj->n", x, a, x) + x @ b

    parameters = np.array([0.1, 0.2, -0.3, *turn])
    moved = move(parameters, points, pivot)
    found = jacobian(parameters, moved, moved @ a + b, pivot)
    steps = 1e-6 * np.eye(6)
    expected = np.column_stack([(value(parameters + s) - value(parameters - s)) / 2e-6 for s in steps])
    assert found == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize("turn", [[0.0, 0.0, 0.0], [0.4, -0.9, 0.2]])
def test_moved_pivot_by_propagating_samples(turn):
    """Covariance of the parameters about another pivot: of motions drawn at random and read off anew about it."""
    rng = np.random.default_rng(2)
    root = rng.normal(size=(6, 6)) * np.array([1e-3] * 3 + [1e-5] * 3)[:, None]
    pivot, shift = np.array([10.0, 0.0, 0.0]), np.array([200.0, -100.0, 50.0])
    read = []
    for p in rng.normal(size=(4000, 6)) @ root.T + [1.0, 2.0, 3.0, *turn]:
        motion = make_motion(p[:3], np.degrees(p[3:]), pivot=pivot)
        t, r = motion_parameters(motion, pivot=pivot + shift)
        read.append([*t, *np.radians(r)])
    expected = np.cov(np.transpose(read))
    step = moved_pivot(shift, np.array(turn))
    found = step @ root @ root.T @ step.T
    scale = np.sqrt(np.outer(np.diag(found), np.diag(found)))
    assert found / scale == pytest.approx(expected / scale, abs=0.08)  # five times 1/sqrt(4000)


def test_free_of_and_basis():
    assert free_of(FREEDOMS).all()
    assert free_of("rz").tolist() == free_of(["rz"]).tolist() == [False] * 5 + [True]
    basis = free_basis(free_of(("tx", "tz", "ry", "rz")), 50.0)
    assert basis.shape == (6, 4)
    assert basis[4, 2] == 1 / 50
    assert not basis[[1, 3]].any()


def test_free_of_refuses():
    with pytest.raises(InputError, match="unknown degree of freedom; found 'rw'; expected one of tx, ty"):
        free_of(("tx", "rw"))
    with pytest.raises(InputError, match="no degree of freedom is free"):
        free_of(())
