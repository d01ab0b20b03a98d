"""Run rules of control charts, as functions of readings in units of sigma from the centre.

L. S. Nelson, "The Shewhart control chart: tests for special causes", Journal of Quality Technology 16 (1984) 237-239,
from memory. Each function takes (..., n) and marks (..., n) the points that complete a pattern.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..errors import InputError

__all__ = ["RULES", "broken"]

#: What each rule says.
RULES = {
    1: "beyond 3 sigma",
    2: "nine in a row on one side",
    3: "six in a row rising or falling",
    4: "fourteen in a row alternating",
    5: "two of three beyond 2 sigma on one side",
    6: "four of five beyond 1 sigma on one side",
    7: "fifteen in a row within 1 sigma",
    8: "eight in a row beyond 1 sigma, on both sides",
}


def broken(z: np.ndarray, rules: Sequence[int]) -> dict[int, np.ndarray]:
    """Points that complete a pattern, by rule.

    Parameters
    ----------
    z : (..., n) float
        Distance from the centre in sigma.
    rules : sequence of int
        Keys of `RULES`.

    Raises
    ------
    InputError
        If there is no such rule.
    """
    unknown = [rule for rule in rules if rule not in RULES]
    if unknown:
        raise InputError("there is no such run rule", found=unknown[0], expected=f"{min(RULES)} to {max(RULES)}")
    return {rule: _one(z, rule) for rule in rules}


def _one(z: np.ndarray, rule: int) -> np.ndarray:
    if rule == 1:
        return np.abs(z) > 3
    if rule == 2:
        return _of_last(z > 0, 9, 9) | _of_last(z < 0, 9, 9)
    if rule in (3, 4):
        step = np.sign(np.diff(z, axis=-1))
        if rule == 3:
            found = _of_last(step > 0, 5, 5) | _of_last(step < 0, 5, 5)
        else:
            found = _of_last(step[..., 1:] * step[..., :-1] < 0, 12, 12)
        lead = z.shape[-1] - found.shape[-1]
        return np.concatenate([np.zeros((*z.shape[:-1], lead), bool), found], axis=-1)
    if rule == 5:
        return (_of_last(z > 2, 3, 2) & (z > 2)) | (_of_last(z < -2, 3, 2) & (z < -2))
    if rule == 6:
        return (_of_last(z > 1, 5, 4) & (z > 1)) | (_of_last(z < -1, 5, 4) & (z < -1))
    if rule == 7:
        return _of_last(np.abs(z) < 1, 15, 15)
    sides = _of_last(z > 1, 8, 1) & _of_last(z < -1, 8, 1)
    return _of_last(np.abs(z) > 1, 8, 8) & sides


def _of_last(true: np.ndarray, window: int, least: int) -> np.ndarray:
    """Where at least so many of the last `window` points are true; only fewer than all may lie before the first."""
    short = window - 1 if least < window else 0
    padded = np.concatenate([np.zeros((*true.shape[:-1], short), bool), true], axis=-1)
    if padded.shape[-1] < window:
        return np.zeros(true.shape, bool)
    many = sliding_window_view(padded, window, axis=-1).sum(axis=-1) >= least
    lead = true.shape[-1] - many.shape[-1]
    return np.concatenate([np.zeros((*true.shape[:-1], lead), bool), many], axis=-1)
