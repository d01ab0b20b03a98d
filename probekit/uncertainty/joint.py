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
_RELATIVE = 4.0 * float(np.finfo(float).eps)  # the least part of a root that can be asked for
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
    """Where a function that rises passes zero, to `within`; an end of the interval if it does not.

    Brent's method (R. P. Brent, Algorithms for Minimization without Derivatives, 1973, ch. 4) as
    `scipy.optimize.brentq` does it, bit for bit: to import that takes a twentieth of the time of an inspection.
    """
    before, at = low, high
    if (f_before := rising(low)) >= 0:
        return low
    if (f := rising(high)) <= 0:
        return high
    opposite, f_opposite, step_before, step = before, f_before, high - low, high - low
    for _ in range(100):
        if (f_before < 0) != (f < 0) and f_before != 0:
            opposite, f_opposite, step_before, step = before, f_before, at - before, at - before
        if abs(f_opposite) < abs(f):
            before, at, opposite = at, opposite, at
            f_before, f, f_opposite = f, f_opposite, f
        least, half = (within + _RELATIVE * abs(at)) / 2, (opposite - at) / 2
        if f == 0 or abs(half) < least:
            break
        way = None
        if abs(step_before) > least and abs(f) < abs(f_before):
            if before == opposite:
                way = -f * (at - before) / (f - f_before)
            else:
                one, other = (f_before - f) / (before - at), (f_opposite - f) / (opposite - at)
                way = -f * (f_opposite * other - f_before * one) / (other * one * (f_opposite - f_before))
        if way is not None and 2 * abs(way) < min(abs(step_before), 3 * abs(half) - least):
            step_before, step = step, way
        else:
            step_before = step = half
        before, f_before = at, f
        at += step if abs(step) > least else (least if half > 0 else -least)
        f = rising(at)
    return float(at)
