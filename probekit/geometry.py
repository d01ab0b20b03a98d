"""Rigid motions as (4, 4) matrices acting on column vectors, and directions across another.

A motion takes x to R (x - p) + p + t, with R the rotation by the vector w (its direction is the axis, its length the
angle), p the pivot and t the translation. The parameters are (tx, ty, tz) [mm] and (rx, ry, rz), the components of
w [deg]. Inside, angles are radians.

Rotations are those of `scipy.spatial.transform.Rotation`. Its RigidTransform would do for motions too, but comes with
SciPy 1.16 only.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from scipy.spatial.transform import Rotation

__all__ = [
    "across",
    "apply_motion",
    "cross_matrix",
    "frame_motion",
    "invert_motion",
    "is_rigid",
    "left_jacobian",
    "make_motion",
    "motion_parameters",
    "rigid_motion",
]


def rigid_motion(rotation: np.ndarray, shift: Iterable[float] = (0.0, 0.0, 0.0)) -> np.ndarray:
    """The motion (4, 4) that turns by a matrix (3, 3) about the origin and then shifts by (3,) [mm]."""
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = rotation, np.asarray(shift, dtype=float)
    return motion


def is_rigid(motion: np.ndarray) -> bool:
    """Whether a finite matrix is a (4, 4) motion: its turn a right-handed rotation to 1e-9."""
    if motion.shape != (4, 4) or not np.isfinite(motion).all() or not np.array_equal(motion[3], [0, 0, 0, 1]):
        return False
    turn = motion[:3, :3]
    return bool(np.abs(turn @ turn.T - np.eye(3)).max() <= 1e-9 and np.linalg.det(turn) > 0)


def frame_motion(x: np.ndarray, z: np.ndarray, origin: np.ndarray) -> np.ndarray:
    """The motion (4, 4) into the frame with unit axes x and z (3,) at an origin (3,) [mm]."""
    axes = np.array([x, np.cross(z, x), z])
    return rigid_motion(axes, -axes @ origin)


def across(direction: np.ndarray) -> np.ndarray:
    """Two unit vectors square to a direction and to each other: first, second and direction are right-handed.

    Parameters
    ----------
    direction : (..., 3) float
        Of any length but 0. The first of the two is square to the coordinate axis that is most nearly across it.

    Returns
    -------
    (..., 2, 3) float
    """
    direction = np.asarray(direction, dtype=float)
    direction = direction / np.linalg.norm(direction, axis=-1, keepdims=True)
    first = np.cross(np.eye(3)[np.abs(direction).argmin(axis=-1)], direction)
    first /= np.linalg.norm(first, axis=-1, keepdims=True)
    return np.stack([first, np.cross(direction, first)], axis=-2)


def make_motion(
    translation: Iterable[float] = (0.0, 0.0, 0.0),
    rotation: Iterable[float] = (0.0, 0.0, 0.0),
    *,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
) -> np.ndarray:
    """Motion from six parameters.

    Parameters
    ----------
    translation : (3,) float [mm]
    rotation : (3,) float
        Rotation vector [deg].
    pivot : (3,) float
        Point about which it turns [mm].

    Returns
    -------
    (4, 4) float
    """
    pivot = np.asarray(pivot, dtype=float)
    turn = Rotation.from_rotvec(np.asarray(rotation, dtype=float), degrees=True).as_matrix()
    return rigid_motion(turn, pivot + np.asarray(translation, dtype=float) - turn @ pivot)


def motion_parameters(motion: np.ndarray, *, pivot: Iterable[float] = (0.0, 0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    """Translation (3,) [mm] and rotation vector (3,) [deg] of a motion about a pivot: `make_motion` undone."""
    motion, pivot = np.asarray(motion, dtype=float), np.asarray(pivot, dtype=float)
    rotation = Rotation.from_matrix(motion[:3, :3]).as_rotvec(degrees=True)
    return motion[:3, 3] - pivot + motion[:3, :3] @ pivot, rotation


def apply_motion(motion: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Move points (n, 3) [mm] by a (4, 4) motion."""
    motion = np.asarray(motion, dtype=float)
    return np.asarray(points, dtype=float) @ motion[:3, :3].T + motion[:3, 3]


def invert_motion(motion: np.ndarray) -> np.ndarray:
    """The motion that undoes a (4, 4) motion."""
    return rigid_motion(motion[:3, :3].T, -motion[:3, :3].T @ motion[:3, 3])


def cross_matrix(w: np.ndarray) -> np.ndarray:
    """(3, 3) matrix that multiplies a vector by w (3,) from the left: cross_matrix(w) @ v is w x v."""
    return np.array([[0.0, -w[2], w[1]], [w[2], 0.0, -w[0]], [-w[1], w[0], 0.0]])


def left_jacobian(w: np.ndarray) -> np.ndarray:
    """(3, 3) matrix J with R(w + dw) = R(J dw) R(w) to first order, w in radians.

    References
    ----------
    T. D. Barfoot, State Estimation for Robotics, Cambridge 2017, eq. (7.77) (from memory).
    """
    angle = float(np.linalg.norm(w))
    cross = cross_matrix(w)
    if angle < 1e-4:
        return np.eye(3) + 0.5 * cross + cross @ cross / 6.0
    return np.eye(3) + (1.0 - np.cos(angle)) / angle**2 * cross + (angle - np.sin(angle)) / angle**3 * (cross @ cross)
