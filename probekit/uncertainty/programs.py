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
_PIVOT = 1e-8  # what a pivot must be at least: on grids a smaller one is a rounding of zero
_AFRESH = 25  # steps after which inverses are computed anew
_SLACK = 1e-9  # part of the largest value by which a basis may be out; one that is further out is solved by itself


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
        If some p makes all values as small as one likes.
    """
    directions, size, _ = np.linalg.svd(slope, full_matrices=False)
    design = directions[:, size > _RANK * max(float(size.max(initial=0.0)), 1e-300)] * np.sqrt(len(slope))
    m, k = design.shape
    rows = np.hstack([np.ones((m, 1)), -design])  # t - slope p >= d: rows @ (t, p) >= d
    right = np.concatenate([[1.0], np.zeros(k)])
    start = _start(rows, right)
    moved = right + _MOVED * np.random.default_rng(1).uniform(0.5, 1.0, k + 1) @ rows[start]
    basis, weight, sound = _pivoted(values, rows, start, moved)
    exact = np.zeros_like(weight)
    if sound.any():
        exact[sound], holds = _weights(values[sound], rows, basis[sound], right)
        sound[sound] = holds
    for k in np.flatnonzero(~sound):
        basis[k], exact[k] = _by_itself(values[k], rows, right)
    exact = np.maximum(exact, 0.0)
    exact /= exact.sum(axis=1, keepdims=True)
    return Least((exact * np.take_along_axis(values, basis, axis=1)).sum(axis=1), basis, exact)


def _pivoted(
    values: np.ndarray, rows: np.ndarray, start: np.ndarray, moved: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Last basis (t, k + 1) and multipliers of each trial, and whether it came to its end (t,) bool."""
    trials = len(values)
    basis = np.tile(start, (trials, 1))
    inverse = np.tile(np.linalg.inv(rows[start]), (trials, 1, 1))
    weight = np.tile(moved @ np.linalg.inv(rows[start]), (trials, 1))
    scale = 1e-11 * max(float(np.abs(values).max(initial=0.0)), 1e-300)
    left, sound = np.arange(trials), np.ones(trials, dtype=bool)
    for count in range(_STEPS):
        if count % _AFRESH == _AFRESH - 1:
            inverse[left], regular = _inverse(rows[basis[left]])
            sound[left[~regular]] = False
            left = left[regular]
        place = np.einsum("tij,tj->ti", inverse[left], np.take_along_axis(values[left], basis[left], axis=1))
        above = values[left] - place @ rows.T
        enters = above.argmax(axis=1)
        violated = above[np.arange(len(left)), enters] > scale
        left, enters = left[violated], enters[violated]
        if not len(left):
            return basis, weight, sound
        change = np.einsum("tj,tji->ti", rows[enters], inverse[left])  # the new row in terms of the basis
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(change > _PIVOT, weight[left] / change, np.inf)
        leaves = ratio.argmin(axis=1)
        step = ratio[np.arange(len(left)), leaves]
        held = np.isfinite(step)  # always, but for rounding: the start has shown that the dual is bounded
        sound[left[~held]] = False
        left, enters, change, leaves, step = left[held], enters[held], change[held], leaves[held], step[held]
        new = weight[left] - step[:, None] * change
        new[np.arange(len(left)), leaves] = step
        weight[left] = new
        basis[left, leaves] = enters
        pivot = change[np.arange(len(left)), leaves]
        column = inverse[left, :, leaves] / pivot[:, None]
        change[np.arange(len(left)), leaves] -= 1.0
        inverse[left] -= column[:, :, None] * change[:, None, :]
    sound[left] = False
    return basis, weight, sound


def _inverse(square: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverses of matrices (t, k, k), and which have one (t,) bool; the unit matrix where there is none."""
    size = np.linalg.svd(square, compute_uv=False)
    regular = size[:, -1] > _PIVOT * size[:, 0]
    return np.linalg.inv(np.where(regular[:, None, None], square, np.eye(square.shape[1]))), regular


def _weights(
    values: np.ndarray, rows: np.ndarray, basis: np.ndarray, right: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Multipliers (t, k + 1) of bases, and whether each basis is the best one (t,) bool: no row out, none negative."""
    inverse, good = _inverse(rows[basis])
    exact = right @ inverse
    place = np.einsum("tij,tj->ti", inverse, np.take_along_axis(values, basis, axis=1))
    slack = _SLACK * max(float(np.abs(values).max(initial=0.0)), 1e-300)
    good &= (values - place @ rows.T).max(axis=1) <= slack
    return exact, good & (exact.min(axis=1) >= -100.0 * _MOVED)


def _by_itself(values: np.ndarray, rows: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows that rule one trial and their multipliers, by HiGHS: where the simplex above lost its way in rounding."""
    from scipy.optimize import linprog

    scale = max(float(np.abs(values).max(initial=0.0)), 1e-300)
    found = linprog(-values / scale, A_eq=rows.T, b_eq=right, method="highs-ds")
    if found.status != 0:
        raise FitError("the touches do not hold what is fitted: it may become as small as one likes")
    ruling = np.argsort(-found.x, kind="stable")[: len(right)]
    return ruling, found.x[ruling]


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
