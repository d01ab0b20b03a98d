"""Small motions as vectors of six: which of them are open, which a datum takes, what they are called.

symbol   variable   meaning
xi       twist      (t, L w): shift of the point c [mm], and turn w [rad] times the arm L [mm], so that all is in mm
c        centre     point about which twists are written [mm]
L        arm        typical distance of the touches from c [mm]
S        open       (6, k) orthonormal columns: the motions that are still open

A plane leaves open three motions, an axis two, a point three: in each case a group, and what several datums leave
open together is again one, the intersection. So a motion made of open ones never disturbs a datum settled before.

References
----------
ISO 5459:2024 (invariance classes, situation features; clause 3 and annex B in the edition of 2011); V. Srinivasan,
"A geometrical product specification language based on a classification of symmetry groups", Computer-Aided
Design 31 (1999) 659-668 (both from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from ...geometry import cross_matrix, left_jacobian, motion_parameters, rigid_motion

__all__ = [
    "adjoint",
    "amounts",
    "intersect",
    "motion_of",
    "parameter_slope",
    "rows_of_turning",
    "set_to_zero",
    "slides_and_turns",
    "turned",
    "velocity_rows",
]

_SAME = 1e-3  # a datum grips a motion if a millimetre of it shows by more than this [mm]


def velocity_rows(points: np.ndarray, directions: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(n, 6) rows that give how fast points (n, 3) move along directions (n, 3) under a twist."""
    return np.hstack([directions, np.cross(points - centre, directions) / arm])


def rows_of_turning(directions: np.ndarray) -> np.ndarray:
    """(n, 6) rows that give the turning (times the arm) about directions (n, 3)."""
    return np.hstack([np.zeros_like(directions), directions])


def motion_of(twist: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """The motion (4, 4) that a steady twist makes in unit time (the exponential map).

    Notes
    -----
    R = exp([w]x), and the shift of the centre is J(w) t with the left Jacobian J (Barfoot, eq. 7.85, from memory).
    """
    w = twist[3:] / arm
    turn = Rotation.from_rotvec(w).as_matrix()
    return rigid_motion(turn, centre + left_jacobian(w) @ twist[:3] - turn @ centre)


def intersect(open_: np.ndarray, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Split the open motions by what a datum grips.

    Parameters
    ----------
    open_ : (6, k) float
    rows : (m, 6) float
        Twists that the datum grips, one row each.

    Returns
    -------
    taken : (6, a) float
        Open motions that it grips: the shortest ones.
    left : (6, k - a) float
        Open motions that it does not see.
    """
    k = open_.shape[1]
    seen = np.vstack([rows @ open_, np.zeros((k, k))])
    _, singular, vt = np.linalg.svd(seen, full_matrices=False)
    grips = singular > _SAME
    return open_ @ vt[grips].T, open_ @ vt[~grips].T


def slides_and_turns(motions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Directions (3, a) of pure slides among motions (6, k), and directions (3, b) about which the others turn."""
    if not motions.shape[1]:
        return np.zeros((3, 0)), np.zeros((3, 0))
    left, turning, vt = np.linalg.svd(motions[3:], full_matrices=True)
    turning = np.concatenate([turning, np.zeros(motions.shape[1] - len(turning))]) if motions.shape[1] > 3 else turning
    turns = turning > _SAME
    slides = np.linalg.qr((motions @ vt.T)[:3, ~turns])[0] if (~turns).any() else np.zeros((3, 0))
    return slides, left[:, : turns.sum()]


def adjoint(motion: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(6, 6) takes a twist made before a motion to the one made after it that does the same."""
    rotation = motion[:3, :3]
    back = rotation.T @ (centre - motion[:3, 3]) - centre  # where the centre came from, seen from it
    out = np.zeros((6, 6))
    out[:3, :3] = out[3:, 3:] = rotation
    out[:3, 3:] = rotation @ -cross_matrix(back) / arm  # w x back = -back x w
    return out


def turned(motions: np.ndarray, frame: np.ndarray | None) -> np.ndarray:
    """Twists (6, k) with their vectors along the axes of a frame, given by the motion (4, 4) into it."""
    if frame is None:
        return motions
    rotation = np.asarray(frame, dtype=float)[:3, :3]
    return np.vstack([rotation @ motions[:3], rotation @ motions[3:]])


def amounts(motions: np.ndarray) -> np.ndarray:
    """(6,) how much of each of tx, ty, tz, rx, ry, rz is open, 0 to 1."""
    slides, turns = slides_and_turns(motions)
    return np.concatenate([(slides**2).sum(axis=1), (turns**2).sum(axis=1)])


def parameter_slope(motion: np.ndarray, pivot: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(6, 6) change of the parameters (mm, deg) of a motion about `pivot` with a twist made after it."""
    translation, turn = motion_parameters(motion, pivot=pivot)
    slope = np.zeros((6, 6))
    slope[:3] = velocity_rows(np.tile(pivot + translation, (3, 1)), np.eye(3), centre, arm)
    slope[3:, 3:] = np.degrees(np.linalg.inv(left_jacobian(np.radians(turn)))) / arm
    return slope


def set_to_zero(
    motion: np.ndarray, left: np.ndarray, pivot: np.ndarray, centre: np.ndarray, arm: float
) -> tuple[np.ndarray, np.ndarray]:
    """The motion with what the datums leave open at zero, by open motions only.

    Parameters
    ----------
    motion : (4, 4) float
    left : (6, k) float
        Motions left open.
    pivot : (3,) float
        Point about which the parameters of the motion are read [mm].
    centre, arm
        As the twists are written.

    Returns
    -------
    motion : (4, 4) float
        Its shift has no part along a slide left open, its rotation vector none along a turn left open.
    keep : (6, 6) float
        How a small change of its parameters (mm, deg) before shows after: what is at zero stays there.
    """
    if not left.shape[1]:
        return motion, np.eye(6)
    slides, turns = slides_and_turns(left)
    held = np.zeros((left.shape[1], 6))
    held[: slides.shape[1], :3] = slides.T
    held[slides.shape[1] :, 3:] = turns.T
    for _ in range(100):
        moves = parameter_slope(motion, pivot, centre, arm) @ left
        step = -np.linalg.solve(held @ moves, held @ np.concatenate(motion_parameters(motion, pivot=pivot)))
        motion = motion_of(left @ step, centre, arm) @ motion
        if np.abs(step).max() < 1e-11 * max(arm, 1.0):
            break
    moves = parameter_slope(motion, pivot, centre, arm) @ left
    return motion, np.eye(6) - moves @ np.linalg.solve(held @ moves, held)
