"""The least-squares line, with what it leaves open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from ..errors import InputError

__all__ = ["Line", "lack_of_fit", "line"]


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x.

    Attributes
    ----------
    intercept, slope : float
    u_intercept, u_slope : float
        Standard deviations.
    sd : float
        Of a residual.
    n : int
    centre, squares : float
        Mean of x, and sum of squares of x about it.
    """

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    sd: float
    n: int
    centre: float
    squares: float

    def at(self, x: np.ndarray) -> np.ndarray:
        """(n,) values of the line."""
        return self.intercept + self.slope * np.asarray(x, float)

    def u_at(self, x: np.ndarray, *, single: bool = False) -> np.ndarray:
        """(n,) standard deviations of the line, or of one more reading."""
        away = (np.asarray(x, float) - self.centre) ** 2 / self.squares
        return self.sd * np.sqrt(float(single) + 1 / self.n + away)


def line(x: np.ndarray, y: np.ndarray, what: str = "x") -> Line:
    """Least-squares line through points (n,).

    Raises
    ------
    InputError
        If there are fewer than three points, or all `what` are equal.
    """
    if len(x) < 3 or np.ptp(x) == 0:
        raise InputError(f"a line needs three points and two values of {what}", found=f"{len(x)}, {len(np.unique(x))}")
    centre = float(x.mean())
    fit = stats.linregress(x - centre, y - y.mean())
    off = (y - y.mean()) - fit.slope * (x - centre)
    squares = float((x - centre) @ (x - centre))
    sd = float(np.sqrt(off @ off / (len(x) - 2)))
    u_slope = sd / np.sqrt(squares)
    intercept = float(y.mean() - fit.slope * centre)
    u_intercept = sd * np.sqrt(1 / len(x) + centre**2 / squares)
    return Line(intercept, float(fit.slope), float(u_intercept), float(u_slope), sd, len(x), centre, squares)


def lack_of_fit(x: np.ndarray, y: np.ndarray, fit: Line) -> float:
    """P-value that a line describes readings repeated at some x; NaN if none was repeated."""
    where, which = np.unique(x, return_inverse=True)
    count = np.bincount(which)
    pure = y - (np.bincount(which, y) / count)[which]
    df_pure, df_lack = len(x) - len(where), len(where) - 2
    if df_pure < 1 or df_lack < 1 or not pure.any():
        return float("nan")
    error = float(pure @ pure)
    off = y - fit.at(x)
    lack = max(float(off @ off) - error, 0.0)
    return float(stats.f.sf(lack / df_lack / (error / df_pure), df_lack, df_pure))
