"""Decision rules: proof by the bounds of the actual value, guard bands, simple acceptance.

By `proved` a tolerance conforms if the upper bound of its actual value is within the tolerance, does not conform if the
lower bound is beyond it, and is undecided between. The bounds (`probekit.tolerance.bounds`) hold for any number of
touches, so that the risk of a wrong word is at most 1 - level either way. ISO 14253-1:2017 asks for a
probability of conformity, 95 % by default, where nothing else is agreed.

By `guarded`, with a tolerance zone T and a guard band w, a value is accepted inside T shrunk by w on both sides,
rejected outside T grown by w, and undecided between. w = r k u, with the standard uncertainty u of that value, a
coverage factor k and a multiplier r (JCGM 106:2012, 8.3); r = 0 is simple acceptance (8.2). A guard band makes
conformity likely, never sure. With k = 2, r = 1 a value at the edge of acceptance conforms with 97.7 % if one limit is
near and u is right; w = U with k = 2 was the default of ISO 14253-1:1998 and :2013. Every touch is then judged by
itself: of many touches at a limit some are beyond it by noise. Clause numbers and statements about standards are from
memory.

The probability that a touch conforms is that of a normal distribution about the measured deviation with the standard
uncertainty u: Phi((upper - d)/u) - Phi((lower - d)/u) (JCGM 106:2012, 7.3, from memory). It is of that touch alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..show import shown

if TYPE_CHECKING:
    from ..tolerance.bounds import Bounds

__all__ = ["MEANINGS", "NARROW", "Rule", "conformity", "guarded", "narrow", "proved", "share_of_zone", "simple"]

#: A zone of less than so many u: proof from both sides leaves hardly any room, even where the part is perfect.
NARROW = 4.0

#: What each rule means, for a reader of the verdict.
MEANINGS = {
    "proved": "conforms, or does not, only where the measurement proves it: either word is wrong in at most 5 of 100 "
    "parts (at a level of 95 %), however many touches there are; ISO 14253-1:2017 asks for 95 % where nothing else is "
    "agreed (from memory)",
    "guarded": "each touch keeps a guard band from its limits, by default U = 2 u as in ISO 14253-1:1998 and 2013 "
    "(from memory); with many touches near a limit, good parts are rejected by noise",
    "simple": "the limits alone decide; near a limit every second word is wrong",
}


@shown
@dataclass(frozen=True)
class Rule:
    """A decision rule: proof at a level, or a guard band w = r max(k u, U) at each limit, u being that of the value.

    Attributes
    ----------
    k : float
        Coverage factor: the expanded uncertainty of a value is k u.
    r : float
        Multiplier; 0 is simple acceptance.
    U : float
        Least expanded uncertainty of a deviation that the guard band counts with [mm].
    sentence : str
        The rule in words.
    level : float, optional
        Decide by the bounds of the actual value that hold with this probability; k is then the coverage factor of one
        side. None: by the guard band.
    looks : int
        How often a part may be looked at: with 2, what is undecided may be touched again, once, and judged by both.
    """

    k: float
    r: float
    U: float
    sentence: str
    level: float | None = None
    looks: int = 1

    @property
    def name(self) -> str:
        """What the rule is called: "proved", "guarded" or "simple"."""
        return "proved" if self.level is not None else "guarded" if self.r > 0 else "simple"

    @property
    def needs_u(self) -> bool:
        """Whether the uncertainty of a value has a say in its verdict."""
        return self.r * self.k > 0

    def guard(self, u: np.ndarray | float) -> np.ndarray:
        """Guard band [mm] of deviations with the standard uncertainty `u` [mm]."""
        return self.r * np.maximum(self.k * np.asarray(u, dtype=float), self.U)

    def decide(
        self,
        deviation: np.ndarray,
        lower: np.ndarray | float,
        upper: np.ndarray | float,
        u: np.ndarray | float = 0.0,
        bounds: Bounds | None = None,
    ) -> np.ndarray:
        """Verdict of each deviation.

        Parameters
        ----------
        deviation : (n,) float
            Deviations [mm]; NaN is a missed touch.
        lower, upper : (n,) float or float
            Limits [mm].
        u : (n,) float or float
            Standard uncertainty of each deviation [mm].
        bounds : Bounds, optional
            Decide by these (`probekit.tolerance.bounds`): how far inside its limits each touch must lie, and which are
            proved to be beyond them. By default the guard band does.

        Returns
        -------
        (n,) str
            "within", "high", "low", "undecided" or "missed". A zone narrower than twice the guard band accepts
            nothing.
        """
        d, guard = np.asarray(deviation, dtype=float), self.guard(u) if bounds is None else bounds.guard
        words = np.full(d.shape, "undecided", dtype="<U9")
        words[(d >= lower + guard) & (d <= upper - guard)] = "within"
        beyond = (d > upper + guard) | (d < lower - guard) if bounds is None else bounds.outside
        words[beyond & (d > upper)] = "high"
        words[beyond & (d < lower)] = "low"
        words[~np.isfinite(d)] = "missed"
        return words


def simple() -> Rule:
    """Simple acceptance: the limits decide, the uncertainty does not enter."""
    return Rule(2.0, 0.0, 0.0, "simple acceptance: inside the limits is within, outside is not")


def proved(level: float = 0.95, looks: int = 1) -> Rule:
    """Proof: the bounds of the actual value decide, each of which holds with the probability `level`.

    Parameters
    ----------
    level : float
        0.95 is the default of ISO 14253-1:2017, from memory.
    looks : int
        2: what is undecided may be touched again, four times more, and is judged once more by the means
        (`classify(earlier=)`). The risk 1 - level is then shared by both looks: each is judged at 0.975, k = 1.96
        (Bonferroni). A second look by a rule for one would nearly double the risk of a wrong word.

    Raises
    ------
    InputError
        If it is not between 0.5 and 1, or the looks are neither 1 nor 2.
    """
    from scipy.special import ndtri

    if not 0.5 < level < 1.0:
        raise InputError("a level of proof lies between 0.5 and 1", found=level, expected="0.95")
    if looks not in (1, 2):
        raise InputError("a part is looked at once or twice", found=looks, expected="looks = 1 or 2")
    words = (
        f"proved to {100 * level:g} %: conforms if the upper bound of the actual value is within the tolerance, does "
        "not conform if the lower bound is beyond it"
    )
    each = 1.0 - (1.0 - level) / looks
    if looks == 2:
        words += f"; of two looks at most, each at {100 * each:g} %"
    return Rule(float(ndtri(each)), 1.0, 0.0, words, each, looks)


def guarded(U: float = 0.0, r: float = 1.0, *, k: float = 2.0) -> Rule:
    """Guard band w = r k u on both sides of each limit, with the standard uncertainty u of each touch.

    Parameters
    ----------
    U : float
        Least expanded uncertainty of a deviation [mm]: the guard band is never narrower than r U.
    r : float
        Multiplier.
    k : float
        Coverage factor. 2 with r = 1 is w = U, the default of ISO 14253-1 up to 2013; 1.645 answers to the 95 % of
        ISO 14253-1:2017 where one limit is near. From memory.

    Raises
    ------
    InputError
        If U, r or k is negative or not finite.
    """
    for what, value in (("U", U), ("r", r), ("k", k)):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(f"the guard band needs {what} of zero or more", found=value)
    words = f"guard band w = r k u = {r:g} x {k:g} x u at each limit, u being that of each touch with its datum frame"
    return Rule(k, r, U, words + (f"; at least {r * U:.4f} mm" if U else ""))


def narrow(width: float, u: float) -> str:
    """What is to be said of a zone that is narrower than `NARROW` u [mm], in words; empty if it is not."""
    if not (np.isfinite(u) and width < NARROW * u):
        return ""
    return (
        f"its width of {width:g} mm is less than {NARROW:g} u = {NARROW * u:.3g} mm: hardly any part can be proved to "
        "conform, however good it is; measure it by something surer"
    )


def share_of_zone(deviation: np.ndarray, lower: np.ndarray | float, upper: np.ndarray | float) -> np.ndarray:
    """How much of its zone a deviation takes up: 0 in the middle, 1 at a limit, more beyond it.

    Parameters
    ----------
    deviation : (n,) float
        [mm]
    lower, upper : (n,) float or float
        Limits [mm].

    Returns
    -------
    (n,) float
        Distance from the middle of the zone over half its width; NaN where one of them is NaN. A zone that is open on
        one side has no middle: 0 inside, infinite outside.
    """
    d, low, up = np.broadcast_arrays(np.asarray(deviation, dtype=float), lower, upper)
    margin, half = np.minimum(up - d, d - low), (up - low) / 2
    open_ = np.where(np.isnan(margin), np.nan, np.where(margin >= 0, 0.0, np.inf))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(half > 0, 1.0 - margin / half, open_)
    return np.where(np.isinf(half), open_, share)


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
        NaN where the deviation, a limit or the uncertainty is NaN.

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
    unknown = np.isnan(d) | np.isnan(lower) | np.isnan(upper) | np.isnan(u)
    return np.where(unknown, np.nan, np.where(u > 0, blurred, sharp))
