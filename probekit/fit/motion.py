"""Rigid motions as (4, 4) matrices acting on column vectors, and as six parameters about a pivot.

A motion takes x to R (x - p) + p + t, with R the rotation by the vector w (its direction is the axis, its length the
angle), p the pivot and t the translation. The parameters are (tx, ty, tz) [mm] and (rx, ry, rz), the components of
w [deg]. Inside, angles are radians.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from ..columns import APPROACH, FOOT, PROJECTED, TURN, array, has
from ..errors import InputError
from ..touches.lobing import turns_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FREEDOMS",
    "apply_motion",
    "cross_matrix",
    "free_basis",
    "free_of",
    "invert_motion",
    "jacobian",
    "left_jacobian",
    "make_motion",
    "motion_parameters",
    "move",
    "move_touches",
    "typical_arm",
]

#: The six degrees of freedom, in the order of every parameter vector and covariance.
FREEDOMS = ("tx", "ty", "tz", "rx", "ry", "rz")


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
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec(np.asarray(rotation, dtype=float), degrees=True).as_matrix()
    motion[:3, 3] = pivot + np.asarray(translation, dtype=float) - motion[:3, :3] @ pivot
    return motion


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
    back = np.eye(4)
    back[:3, :3] = motion[:3, :3].T
    back[:3, 3] = -motion[:3, :3].T @ motion[:3, 3]
    return back


def move_touches(touches: pd.DataFrame, motion: np.ndarray) -> pd.DataFrame:
    """Touches with their measured positions in other coordinates; targets stay.

    Parameters
    ----------
    touches : (n rows) DataFrame
        Touches or deviations table. Positions x, y, z are moved, approach directions ai, aj, ak turned, and so is how
        the probe stood (turn_x, turn_y, turn_z, added if the motion turns); what a projection found is dropped, for
        it holds no more.
    motion : (4, 4) float
        From the present coordinates to the new ones.

    Returns
    -------
    (n rows) DataFrame
    """
    out = touches.copy()
    out[["x", "y", "z"]] = apply_motion(motion, touches[["x", "y", "z"]].to_numpy(dtype=float))
    turn = np.asarray(motion, dtype=float)[:3, :3]
    if has(out, APPROACH):
        out[list(APPROACH)] = array(touches, APPROACH) @ turn.T
    stood = turns_of(touches)
    if stood is not None or not np.allclose(turn, np.eye(3), rtol=0.0, atol=1e-12):
        stood = (np.eye(3) if stood is None else stood) @ turn.T  # from the new coordinates to the probe's frame
        out[list(TURN)] = np.broadcast_to(Rotation.from_matrix(stood).as_rotvec(degrees=True), (len(out), 3))
    if has(out, FOOT):
        out = out.drop(columns=[name for name in PROJECTED if name in out])
    out.attrs = dict(touches.attrs)
    return out


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


def free_of(lock: Iterable[str]) -> np.ndarray:
    """(6,) bool, true for the degrees of freedom that are not locked.

    Raises
    ------
    InputError
        If a name is not one of `FREEDOMS`, or nothing stays free.
    """
    lock = (lock,) if isinstance(lock, str) else tuple(lock)
    for name in lock:
        if name not in FREEDOMS:
            raise InputError("unknown degree of freedom", found=name, expected="one of " + ", ".join(FREEDOMS))
    free = np.array([name not in lock for name in FREEDOMS])
    if not free.any():
        raise InputError("all six degrees of freedom are locked: there is nothing to fit")
    return free


def move(parameters: np.ndarray, points: np.ndarray, pivot: np.ndarray) -> np.ndarray:
    """Points (n, 3) moved by parameters (tx, ty, tz [mm], rx, ry, rz [rad]) about a pivot."""
    return Rotation.from_rotvec(parameters[3:]).apply(points - pivot) + pivot + parameters[:3]


def jacobian(parameters: np.ndarray, moved: np.ndarray, gradient: np.ndarray, pivot: np.ndarray) -> np.ndarray:
    """(n, 6) change of each deviation with the parameters, turns in radians.

    Parameters
    ----------
    parameters : (6,) float
    moved : (n, 3) float
        Points after `move` [mm].
    gradient : (n, 3) float
        Gradient of the deviation over the moved point.
    pivot : (3,) float
    """
    arm = moved - pivot - parameters[:3]
    return np.hstack([gradient, np.cross(arm, gradient) @ left_jacobian(parameters[3:])])


def typical_arm(points: np.ndarray, centre: np.ndarray) -> float:
    """Root mean square distance of points (n, 3) from a centre [mm], never 0: it makes turns comparable to slides."""
    return max(float(np.sqrt(np.mean(np.sum((points - centre) ** 2, axis=1)))), 1e-6)


def free_basis(free: np.ndarray, length: float) -> np.ndarray:
    """(6, k) free directions as columns, turns divided by the arm `length` [mm]: all are per millimetre moved."""
    return np.diag([1.0] * 3 + [1.0 / length] * 3)[:, free]


def moved_pivot(covariance: np.ndarray, shift: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Covariance (6, 6) in mm and rad about a pivot `shift` [mm] further on, of a motion that turns by `turn` [rad].

    The translation about the new pivot is t + R s - s, with the shift s; its derivative over w is -[R s]x J.
    """
    step = np.eye(6)
    step[:3, 3:] = -cross_matrix(Rotation.from_rotvec(turn).apply(shift)) @ left_jacobian(turn)
    return step @ covariance @ step.T
