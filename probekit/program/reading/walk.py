"""The way of one move as straight pieces, each with the attitude of the probe: one walker for checks and trials."""

from __future__ import annotations

import math

import numpy as np

from .steps import Step, path_of

__all__ = ["waypoints"]

#: Rotary axes are followed in steps of this size [degree].
_TURN = 1.0


def waypoints(step: Step, start: np.ndarray | None = None, end: np.ndarray | None = None) -> tuple[np.ndarray, ...]:
    """Points on the way of a move, and the angles of the rotary axes there and between.

    Parameters
    ----------
    step : Step
        A move whose ends are known.
    start, end : (3,) float, optional
        Where it begins and ends in place of what the step says, program coordinates [mm].

    Returns
    -------
    points : (n + 1, 3) float
        Program coordinates [mm]; between two of them the way is straight.
    angles : (n + 1, n_axes) float
        At the points [degree].
    between : (n, n_axes) float
        Half way of each piece [degree]: there the probe leans at most half a step otherwise than at its ends.
    """
    turn = max((abs(a - b) for a, b in zip(step.angles_start, step.angles_end, strict=True)), default=0.0)
    points = path_of(step)
    if turn > 0:
        points = points[[0, -1]]
    if start is not None:
        points[0] = start
    if end is not None:
        points[-1] = end
    first, last = (np.array(angles, dtype=float) for angles in (step.angles_start, step.angles_end))
    if turn > 0:
        part = np.linspace(0.0, 1.0, math.ceil(turn / _TURN) + 1)[:, None]
        points, angles = points[0] + part * (points[1] - points[0]), first + part * (last - first)
    else:
        angles = np.tile(first, (len(points), 1))
    return points, angles, (angles[:-1] + angles[1:]) / 2
