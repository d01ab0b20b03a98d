"""Least squares with unknowns that are not negative, and the shortest vector under inequalities, which is one of them.

References
----------
C. L. Lawson, R. J. Hanson, Solving Least Squares Problems, SIAM 1995, ch. 23; P. B. Stark, R. L. Parker,
Bounded-variable least squares, Computational Statistics 10, 1995. From memory.
"""

from __future__ import annotations

import numpy as np

from ..errors import FitError

__all__ = ["least_distance", "nonnegative"]

_SETTLED = 1e-9  # of the length of the target times that of a column


def nonnegative(matrix: np.ndarray, target: np.ndarray) -> np.ndarray:
    """The x (n,) >= 0 that brings matrix (m, n) x nearest to target (m,).

    Notes
    -----
    scipy's routine stops early in about one of twenty problems whose columns are alike by symmetry, as those of touches
    at equal angles are; in which ones depends on the processor. What it returns is checked by the conditions of the
    optimum; where these do not hold, the slower routine for bounded unknowns decides.
    """
    from scipy.optimize import lsq_linear, nnls

    limit = _SETTLED * float(np.linalg.norm(target)) * np.linalg.norm(matrix, axis=0)
    try:
        x = nnls(matrix, target, maxiter=50 * matrix.shape[1] + 100)[0]
        if (matrix.T @ (target - matrix @ x) <= limit).all():
            return x
    except RuntimeError:  # it went round in circles
        pass
    return lsq_linear(matrix, target, (0.0, np.inf), method="bvls", tol=1e-14, max_iter=50 * matrix.shape[1] + 100).x


def least_distance(rows: np.ndarray, over: np.ndarray) -> np.ndarray:
    """The shortest z (k,) with rows (m, k) z + over (m,) <= 0: least distance programming.

    Raises
    ------
    FitError
        If there is none.
    """
    scale = max(float(np.abs(over).max()), 1e-300)
    stacked = np.vstack([-rows.T, over[None] / scale])
    wanted = np.zeros(len(stacked))
    wanted[-1] = 1.0
    rest = stacked @ nonnegative(stacked, wanted) - wanted
    if -rest[-1] < 1e-14:
        raise FitError("no step keeps all of them inside; check for touches on the wrong face")
    return -scale * rest[:-1] / rest[-1]
