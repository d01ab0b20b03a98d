"""Probability that many deviations stay within their limits at once, whatever they share.

symbol   meaning
s_i      own part of touch i [mm]
L        what the causes do to each touch, V = diag(s^2) + L L'
w        the causes, normal with variance one

Given the causes the touches are independent, so that

    P(a <= e <= b) = mean over w of prod_i [Phi((b_i - L_i w)/s_i) - Phi((a_i - L_i w)/s_i)],

taken over the points of a Korobov lattice (P. L'Ecuyer, C. Lemieux, Management Science 46 (2000) 1214-1235; its size
and multiplier from memory, its errors measured by the tests: scipy's Sobol points are no better here and take half a
second to import). With one cause this is the integral of Curnow and Dunnett, Ann. Math. Statist. 33 (1962) 571-579
(from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from .scatter import Scatter

__all__ = ["SEED", "Joint", "solved"]

#: Where every draw and every set of points begins: the same input gives the same bits.
SEED = 20_140_901

#: Size and multiplier of the lattice: the probability is right to about 5e-4.
_LATTICE = (4093, 1516)
_SHARP = 1e-12  # an own part of nothing [mm]
_FAR = 7.0  # standard deviations that are never reached


class Joint:
    """The errors of some touches together: `within(low, high)`, `quantile(level)`.

    Parameters
    ----------
    scatter : Scatter
    """

    def __init__(self, scatter: Scatter):
        self.own, self.u = np.maximum(scatter.own, _SHARP), np.maximum(scatter.u, _SHARP)
        _, size, causes = np.linalg.svd(scatter.factors, full_matrices=False)
        kept = size > 1e-4 * max(float(size.max(initial=0.0)), _SHARP)  # 1e-8 of the variance
        factors = scatter.factors @ causes[kept].T
        self.moved = _causes(factors.shape[1]) @ factors.T
        self.reach = np.abs(self.moved).max(axis=0) + _FAR * self.own

    def within(self, low: np.ndarray, high: np.ndarray) -> float:
        """Probability that low <= e <= high for all touches: `low`, `high` (n,) [mm], may be infinite."""
        from scipy.special import ndtr

        if (high < low).any():
            return 0.0
        chance, above, below = np.ones(len(self.moved)), high < self.reach, -low < self.reach
        for rows in (above & ~below, ~above & below, above & below):
            for part in np.array_split(np.flatnonzero(rows), 1 + int(rows.sum()) // 256):
                moved, own = self.moved[:, part], self.own[part]
                inside = ndtr((high[part] - moved) / own) if above[part].all() else 1.0
                if len(part) and below[part].all():
                    inside = inside - ndtr((low[part] - moved) / own)
                chance *= np.prod(np.broadcast_to(inside, moved.shape), axis=1)
        return float(chance.mean())

    def quantile(self, level: float, *, one_sided: bool = False) -> float:
        """The c with P(|e_i| <= c u_i for all i) = level; of e_i <= c u_i if one-sided."""

        def missing(c: float) -> float:
            return self.within(np.full(len(self.u), -np.inf) if one_sided else -c * self.u, c * self.u) - level

        return solved(missing, 0.0, 12.0)


@lru_cache(maxsize=8)
def _causes(count: int) -> np.ndarray:
    """(m, count) values of causes with variance one; of a single one the middles of 512 parts that are as likely."""
    from scipy.special import ndtri

    if count < 2:
        return ndtri((np.arange(512) + 0.5) / 512)[:, None] if count else np.zeros((1, 0))
    size, multiplier = _LATTICE
    steps = np.array([pow(multiplier, k, size) for k in range(count)], dtype=np.int64)
    shift = np.random.default_rng(SEED).random(count)
    return ndtri(np.clip((np.outer(np.arange(size), steps) % size / size + shift) % 1.0, 1e-12, 1 - 1e-12))


def solved(rising: Callable[[float], float], low: float, high: float, within: float = 1e-5) -> float:
    """Where a function that rises passes zero, to `within`; an end of the interval if it does not."""
    from scipy.optimize import brentq

    ends = {low: rising(low)}
    if ends[low] >= 0:
        return low
    ends[high] = rising(high)
    if ends[high] <= 0:
        return high
    return float(brentq(lambda at: ends[at] if at in ends else rising(at), low, high, xtol=within))
