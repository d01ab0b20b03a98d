"""Decision rules: simple acceptance, and guard bands.

With a tolerance zone T and a guard band w, a value is accepted inside T shrunk by w on both sides, rejected outside T
grown by w, and undecided between: proof of conformity, proof of non-conformity, and the uncertainty zone of
ISO 14253-1:2017. w = r U, with the expanded uncertainty U and a multiplier r (JCGM 106:2012, 8.3); r = 1 is the
default of ISO 14253-1, r = 0 is simple acceptance (JCGM 106:2012, 8.2). Clause numbers from memory.

The probability that a touch conforms is that of a normal distribution about the measured deviation with the standard
uncertainty u: Phi((upper - d)/u) - Phi((lower - d)/u) (JCGM 106:2012, 7.3, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import InputError

__all__ = ["Rule", "conformity", "guarded", "simple"]


@dataclass(frozen=True)
class Rule:
    """A decision rule.

    Attributes
    ----------
    guard : float
        Guard band w [mm] taken off inside the limits, and added outside before a touch is rejected.
    sentence : str
        The rule in words.
    """

    guard: float
    sentence: str

    def decide(self, deviation: np.ndarray, lower: np.ndarray | float, upper: np.ndarray | float) -> np.ndarray:
        """Verdict of each deviation.

        Parameters
        ----------
        deviation : (n,) float
            Deviations [mm]; NaN is a missed touch.
        lower, upper : (n,) float or float
            Limits [mm].

        Returns
        -------
        (n,) str
            "within", "high", "low", "undecided" or "missed". A zone narrower than twice the guard band accepts
            nothing.
        """
        d = np.asarray(deviation, dtype=float)
        words = np.full(d.shape, "undecided", dtype="<U9")
        words[(d >= lower + self.guard) & (d <= upper - self.guard)] = "within"
        words[d > upper + self.guard] = "high"
        words[d < lower - self.guard] = "low"
        words[~np.isfinite(d)] = "missed"
        return words


def simple() -> Rule:
    """Simple acceptance: the limits decide, the uncertainty does not enter."""
    return Rule(0.0, "simple acceptance: inside the limits is within, outside is not")


def guarded(U: float, r: float = 1.0) -> Rule:
    """Guard band w = r U on both sides of each limit.

    Parameters
    ----------
    U : float
        Expanded uncertainty of a deviation [mm].
    r : float
        Multiplier; 1 in ISO 14253-1 unless agreed otherwise.

    Raises
    ------
    InputError
        If U or r is negative or not finite.
    """
    for what, value in (("U", U), ("r", r)):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(f"the guard band needs {what} of zero or more", found=value)
    return Rule(r * U, f"guard band w = r U = {r:g} x {U:.4f} = {r * U:.4f} mm at each limit")


def conformity(
    deviation: np.ndarray, lower: np.ndarray | float, upper: np.ndarray | float, u: np.ndarray | float
) -> np.ndarray:
    """Probability that the true deviation lies within the limits.

    Parameters
    ----------
    deviation : (n,) float
        Measured deviations [mm].
    lower, upper : (n,) float or float
        Limits [mm]; may be infinite.
    u : (n,) float or float
        Standard uncertainty [mm]; where it is zero the answer is 0 or 1.

    Returns
    -------
    (n,) float
        NaN where the deviation or a limit is NaN.

    Raises
    ------
    InputError
        If an uncertainty is negative.
    """
    from scipy.special import ndtr

    d, u = np.asarray(deviation, dtype=float), np.asarray(u, dtype=float)
    if (u < 0).any():
        raise InputError("a standard uncertainty cannot be negative", found=float(u.min()))
    safe = np.where(u > 0, u, 1.0)
    blurred = ndtr((upper - d) / safe) - ndtr((lower - d) / safe)
    sharp = ((d >= lower) & (d <= upper)).astype(float)
    return np.where(np.isnan(d) | np.isnan(lower) | np.isnan(upper), np.nan, np.where(u > 0, blurred, sharp))
