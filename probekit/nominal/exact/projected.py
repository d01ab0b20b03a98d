"""Feet on given faces, before the nearest of each touch is chosen."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

__all__ = ["Projected"]


class Projected(NamedTuple):
    """Feet on given faces, as columns of `ExactFeet`; `distance` has no sign, and `lost` are those not settled.

    To each of these the exact face is at most as far off as it `came`; of others that is infinite.
    """

    face: np.ndarray
    facet: np.ndarray
    barycentric: np.ndarray
    foot: np.ndarray
    uv: np.ndarray
    how: np.ndarray
    normal: np.ndarray
    flags: np.ndarray
    distance: np.ndarray
    lost: np.ndarray
    came: np.ndarray

    def least_of_lost(self, row: np.ndarray) -> np.ndarray:
        """(n,) least that a lost start of each of n points came to: one of each point comes first, then `row` (m,)."""
        n = len(self.came) - len(row)
        least = self.came[:n].copy()
        lost = np.flatnonzero(self.lost[n:])
        np.minimum.at(least, row[lost], self.came[n:][lost])
        return least
