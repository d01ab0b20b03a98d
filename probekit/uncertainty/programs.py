"""The least that the largest of some values can be, for thousands of trials at once.

    f(d) = min over p of max_i (d_i + a_i p)        a fit that makes the largest deviation least, linearised

Only d changes from trial to trial. A basis (k + 1 rows) whose multipliers are not negative stays so for every d, so all
trials start from one and run the dual simplex together: the row that is violated most enters, the ratio test says which
leaves, the inverses are updated by rank one. The right side of the dual is moved a little, so that no multiplier is
zero and the method can not cycle; the value is taken from the last basis without that.

References
----------
C. E. Lemke, The dual method of solving the linear programming problem, Naval Research Logistics Quarterly 1 (1954)
36-47; A. Charnes, Optimality and degeneracy in linear programming, Econometrica 20 (1952) 160-170 (both from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..errors import FitError

__all__ = ["Least", "least_of_largest"]

_MOVED = 1e-7  # what the right side of the dual is moved by
_RANK = 1e-9  # a direction of the slope that is less than this part of the largest is none
_STEPS = 500


class Least(NamedTuple):
    """Values (t,), and the rows (t, k + 1) that rule in each trial with their weights, which add up to one."""

    value: np.ndarray
    rows: np.ndarray
    weight: np.ndarray


def least_of_largest(values: np.ndarray, slope: np.ndarray) -> Least:
    """Solve min over p of max_i (values_i + slope_i p) for many trials.

    Parameters
    ----------
    values : (t, m) float
    slope : (m, k) float
        Of any rank.

    Returns
    -------
    Least

    Raises
    ------
    FitError
        If some p makes all values as small as one likes, or the simplex does not end.
    """
    directions, size, _ = np.linalg.svd(slope, full_matrices=False)
    design = directions[:, size > _RANK * max(float(size.max(initial=0.0)), 1e-300)] * np.sqrt(len(slope))
    m, k = design.shape
    rows = np.hstack([np.ones((m, 1)), -design])  # t - slope p >= d: rows @ (t, p) >= d
    right = np.concatenate([[1.0], np.zeros(k)])
    start = _start(rows, right)
    moved = right + _MOVED * np.random.default_rng(1).uniform(0.5, 1.0, k + 1) @ rows[start]
    trials = len(values)
    basis = np.tile(start, (trials, 1))
    inverse = np.tile(np.linalg.inv(rows[start]), (trials, 1, 1))
    weight = np.tile(moved @ np.linalg.inv(rows[start]), (trials, 1))
    scale = 1e-11 * max(float(np.abs(values).max(initial=0.0)), 1e-300)
    left = np.arange(trials)
    for _ in range(_STEPS):
        place = np.einsum("tij,tj->ti", inverse[left], np.take_along_axis(values[left], basis[left], axis=1))
        above = values[left] - place @ rows.T
        enters = above.argmax(axis=1)
        violated = above[np.arange(len(left)), enters] > scale
        left, enters = left[violated], enters[violated]
        if not len(left):
            break
        change = np.einsum("tj,tji->ti", rows[enters], inverse[left])  # the new row in terms of the basis
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(change > 1e-12, weight[left] / change, np.inf)
        leaves = ratio.argmin(axis=1)
        step = ratio[np.arange(len(left)), leaves]
        if not np.isfinite(step).all():
            raise FitError("the touches do not hold what is fitted: it may become as small as one likes")
        new = weight[left] - step[:, None] * change
        new[np.arange(len(left)), leaves] = step
        weight[left] = new
        basis[left, leaves] = enters
        pivot = change[np.arange(len(left)), leaves]
        column = inverse[left, :, leaves] / pivot[:, None]
        change[np.arange(len(left)), leaves] -= 1.0
        inverse[left] -= column[:, :, None] * change[:, None, :]
    else:
        raise FitError(f"a linear program did not end in {_STEPS} steps")
    exact = np.linalg.solve(rows[basis].transpose(0, 2, 1), np.tile(right, (trials, 1))[:, :, None])[:, :, 0]
    exact = np.maximum(exact, 0.0)
    exact /= exact.sum(axis=1, keepdims=True)
    return Least((exact * np.take_along_axis(values, basis, axis=1)).sum(axis=1), basis, exact)


def _start(rows: np.ndarray, right: np.ndarray) -> np.ndarray:
    """(k + 1,) independent rows whose multipliers are not negative: a vertex that HiGHS finds, filled up."""
    from scipy.linalg import qr
    from scipy.optimize import linprog

    cost = np.random.default_rng(2).uniform(0.5, 1.5, len(rows))  # any will do: the vertex is then one only
    found = linprog(cost, A_eq=rows.T, b_eq=right, method="highs-ds")
    if found.status != 0:
        raise FitError("the touches do not hold what is fitted: it may become as small as one likes")
    first = np.where(found.x > 1e-9, 1e6, 1.0)
    return qr((rows * first[:, None]).T, mode="r", pivoting=True)[1][: rows.shape[1]]
