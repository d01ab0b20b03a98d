"""Which motions a fit leaves free, and what a motion by six parameters about a pivot does to touches and deviations.

The parameters are (tx, ty, tz) [mm] and (rx, ry, rz), the components of the rotation vector: degrees outside, radians
inside. See `probekit.geometry`.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from ..columns import APPROACH, FOOT, MEASURED, PROJECTED, TURN, array, has
from ..errors import InputError
from ..geometry import apply_motion, cross_matrix, left_jacobian
from ..touches.lobing import turns_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FREEDOMS",
    "free_basis",
    "free_of",
    "jacobian",
    "move",
    "move_touches",
    "typical_arm",
]

#: The six degrees of freedom, in the order of every parameter vector and covariance.
FREEDOMS = ("tx", "ty", "tz", "rx", "ry", "rz")


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
    out[list(MEASURED)] = apply_motion(motion, array(touches, MEASURED))
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


def free_of(free: Iterable[str]) -> np.ndarray:
    """(6,) bool, true for the degrees of freedom that are named.

    Raises
    ------
    InputError
        If a name is not one of `FREEDOMS`, or there is none.
    """
    free = (free,) if isinstance(free, str) else tuple(free)
    for name in free:
        if name not in FREEDOMS:
            raise InputError("unknown degree of freedom", found=name, expected="one of " + ", ".join(FREEDOMS))
    if not free:
        raise InputError("no degree of freedom is free: there is nothing to fit", todo="Name one or more in free=.")
    return np.array([name in free for name in FREEDOMS])


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


def moved_pivot(shift: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """(6, 6) change, in mm and rad, of the parameters about a pivot `shift` [mm] further on with those about this one.

    `turn` (3,): rotation vector of the motion [rad].

    The translation about the new pivot is t + R s - s, with the shift s; its derivative over w is -[R s]x J.
    """
    step = np.eye(6)
    step[:3, 3:] = -cross_matrix(Rotation.from_rotvec(turn).apply(shift)) @ left_jacobian(turn)
    return step
