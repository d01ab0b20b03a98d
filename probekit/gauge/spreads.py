"""Factors between ranges, standard deviations and sigma, and the intervals that go with them.

symbol   function      meaning
d2, d3   range_mean    mean and standard deviation of the range of n normal readings, in units of sigma
c4       c4            mean of the standard deviation of n normal readings, in units of sigma
d2*      range_root    root mean square of a mean of g ranges (A. J. Duncan, from memory): d2*^2 = d2^2 + d3^2 / g

They are computed, not tabulated: E(R) = int 1 - F^n - (1 - F)^n dx, E(R^2) = 2 int int over x < y of
1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n (L. H. C. Tippett, Biometrika 17 (1925) 364-387, from memory).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import special, stats
from scipy.optimize import brentq

__all__ = [
    "c4",
    "moving_freedom",
    "range_freedom",
    "range_mean",
    "range_root",
    "range_sd",
    "ratio_interval",
    "sd_freedom",
    "sd_interval",
]

_END = 9.0  # of the normal distribution, in sigma
_NODES = 400


@lru_cache(maxsize=64)
def _range_moments(n: int) -> tuple[float, float]:
    x, w = np.polynomial.legendre.leggauss(_NODES)
    x, w = _END * x, _END * w
    f = special.ndtr(x)
    mean = float(w @ (1 - f**n - special.ndtr(-x) ** n))
    # on the triangle x < y: y = x + (end - x) t
    t, v = (1 + np.polynomial.legendre.leggauss(_NODES)[0]) / 2, np.polynomial.legendre.leggauss(_NODES)[1] / 2
    y = x[:, None] + (_END - x[:, None]) * t
    g = special.ndtr(y)
    inner = (1 - g**n - (1 - f[:, None]) ** n + (g - f[:, None]) ** n) @ v * (_END - x)
    return mean, float(np.sqrt(2 * (w @ inner) - mean**2))


def range_mean(n: int) -> float:
    """d2 for n readings."""
    return _range_moments(n)[0]


def range_sd(n: int) -> float:
    """d3 for n readings."""
    return _range_moments(n)[1]


def range_root(n: int, groups: int) -> float:
    """d2* for a mean of the ranges of `groups` groups of n readings."""
    mean, sd = _range_moments(n)
    return float(np.sqrt(mean**2 + sd**2 / groups))


def range_freedom(n: int, groups: int) -> float:
    """Degrees of freedom of sigma from a mean range, by its relative scatter: 1 / (2 cv^2)."""
    mean, sd = _range_moments(n)
    return groups * mean**2 / (2 * sd**2)


def moving_freedom(n: int) -> float:
    """The same from n - 1 moving ranges, neighbours of which share a reading: 0.6 each (simulated in the tests)."""
    return 0.6 * (n - 1)


def sd_freedom(n: int, groups: int) -> float:
    """The same from a mean standard deviation."""
    return groups * c4(n) ** 2 / (2 * (1 - c4(n) ** 2))


def c4(n: int) -> float:
    """Mean standard deviation of n normal readings over sigma."""
    return float(np.sqrt(2 / (n - 1)) * np.exp(special.gammaln(n / 2) - special.gammaln((n - 1) / 2)))


def sd_interval(sd: float, freedom: float, level: float) -> tuple[float, float]:
    """Interval of sigma from a standard deviation with so many degrees of freedom (chi-square)."""
    low, high = stats.chi2.ppf([(1 + level) / 2, (1 - level) / 2], freedom)
    return float(sd * np.sqrt(freedom / low)), float(sd * np.sqrt(freedom / high))


def ratio_interval(ratio: float, n: float, freedom: float, level: float) -> tuple[float, float]:
    """Interval of (limit - mean) / sigma, from the same ratio of a sample mean of n and a standard deviation.

    Exact for normal readings: ratio sqrt(n) follows the noncentral t distribution.
    """
    t = ratio * np.sqrt(n)
    spread = np.sqrt(1 + t**2 / (2 * freedom))  # of t about its noncentrality, roughly
    ends = []
    for part in ((1 + level) / 2, (1 - level) / 2):
        start, step = t, 3.0 * spread

        def off(centre: float, part: float = part) -> float:
            return float(stats.nct.cdf(t, freedom, centre)) - part

        low, high = start - step, start + step
        while off(low) < 0:
            low -= step
        while off(high) > 0:
            high += step
        ends.append(brentq(off, low, high, xtol=1e-10 * spread) / np.sqrt(n))
    return float(ends[0]), float(ends[1])
