"""How many touches: from the risk of missing a defect, from coverage and confidence, from curvature, by feature.

symbol  variable    meaning
p       part        part of the area that a defect covers, or that the touches shall speak for
n       touches     number of touches
e       error       sagitta: how far the surface bows out between two touches [mm]
R       radius      radius of curvature [mm]
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ..errors import InputError

__all__ = [
    *("chance_missed", "risk_table", "spacing_for_sagitta", "spacing_for_spot"),
    *("touches_by_feature", "touches_for_coverage", "touches_for_defect"),
]

#: Least number that fixes the feature, number that BS 7172:1989 recommends, and what it says of their places.
_FEATURES = {
    "line": (2, 5, ""),
    "plane": (3, 9, "three lines of three"),
    "circle": (3, 7, "to detect up to six lobes"),
    "sphere": (4, 9, "three circles of three in parallel planes"),
    "cylinder": (5, 12, "circles of three in four parallel planes; 15, as five in three planes, to detect lobing"),
    "cone": (6, 12, "circles of three in four parallel planes; 15, as five in three planes, to detect lobing"),
}


def chance_missed(part: float, touches: int) -> float:
    """Chance that touches placed at random all miss a defect.

    Parameters
    ----------
    part : float
        Part of the area that the defect covers, 0 to 1.
    touches : int
        Number of touches, each anywhere with equal chance.

    Returns
    -------
    float
        (1 - p)^n; touches spread evenly do better than this.

    Raises
    ------
    InputError
        If `part` is not within 0..1, or `touches` is negative.
    """
    _within(part, "the share of the area", closed=True)
    if touches != touches or touches < 0:
        raise InputError("the number of touches must not be negative", found=touches)
    return float((1.0 - part) ** touches)


def touches_for_defect(part: float, risk: float) -> int:
    """Least number of random touches that miss a defect with at most the given chance.

    Parameters
    ----------
    part : float
        Part of the area that the defect covers, between 0 and 1.
    risk : float
        Greatest chance to miss it, between 0 and 1.

    Returns
    -------
    int
        Least n with (1 - p)^n <= risk.

    Raises
    ------
    InputError
        If a number is not between 0 and 1.
    """
    _within(part, "the share of the area")
    _within(risk, "the risk")
    return _least(np.log(risk) / np.log1p(-part))


def touches_for_coverage(coverage: float, confidence: float, *, sides: int = 2) -> int:
    """Least number of touches whose extremes bound a part of the surface with some confidence, whatever the form error.

    Parameters
    ----------
    coverage : float
        Part of the surface that shall lie within the extremes found, between 0 and 1.
    confidence : float
        Between 0 and 1.
    sides : 1 or 2
        1: only the largest (or smallest) deviation bounds; 2: both.

    Returns
    -------
    int
        Number of independent random touches.

    Raises
    ------
    InputError
        If a number is not between 0 and 1, or `sides` neither 1 nor 2.

    Notes
    -----
    The part covered follows the beta distribution, whatever the distribution of the deviations [1]_: with n touches the
    confidence is 1 - p^n on one side, and 1 - n p^(n-1) + (n - 1) p^n between both extremes.

    References
    ----------
    .. [1] S. S. Wilks, "Determination of sample sizes for setting tolerance limits", Annals of Mathematical Statistics
       12(1), 1941, 91-96.
    """
    _within(coverage, "the coverage")
    _within(confidence, "the confidence")
    if sides not in (1, 2):
        raise InputError("the number of bounded sides is not usable", found=sides, expected="1 or 2")
    one = _least(np.log1p(-confidence) / np.log(coverage))
    if sides == 1:
        return one

    def short(n: int) -> bool:
        return n * coverage ** (n - 1) - (n - 1) * coverage**n > 1.0 - confidence

    low, high = 1, max(2, one)
    while short(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if short(middle) else (low, middle)
    return high


def risk_table(
    parts: Iterable[float] = (0.01, 0.02, 0.05, 0.1, 0.2), risks: Iterable[float] = (0.2, 0.1, 0.05, 0.01)
) -> pd.DataFrame:
    """Numbers of random touches by the part of the area that a defect covers and the risk of missing it.

    Parameters
    ----------
    parts : iterable of float
        Rows: part of the area.
    risks : iterable of float
        Columns: greatest chance to miss the defect.

    Returns
    -------
    DataFrame
        `touches_for_defect` of each pair.

    Raises
    ------
    InputError
        If a number is not between 0 and 1.
    """
    risks = list(risks)
    rows = {part: [touches_for_defect(part, risk) for risk in risks] for part in parts}
    table = pd.DataFrame.from_dict(rows, orient="index", columns=risks)
    table.index.name, table.columns.name = "share of the area", "risk of missing it"
    return table


def spacing_for_sagitta(radius: float, error: float) -> float:
    """Spacing of touches between which a curve of given radius bows out by no more than an error.

    Parameters
    ----------
    radius : float
        Radius of curvature [mm]; infinite for a plane.
    error : float
        Sagitta allowed [mm], say a tenth of the tolerance (common practice, no source).

    Returns
    -------
    float
        s = 2 sqrt(2 R e - e^2) [mm], which is sqrt(8 R e) for e much smaller than R; at most 2 R.

    Raises
    ------
    InputError
        If a number is not positive.
    """
    for name, value in (("radius", radius), ("error", error)):
        if not value > 0:
            raise InputError(f"the {name} must be positive", found=value, expected="a length [mm]")
    if np.isinf(radius):
        return float("inf")
    error = min(error, radius)
    return float(2.0 * np.sqrt(2.0 * radius * error - error**2))


def spacing_for_spot(diameter: float) -> float:
    """Largest spacing of a square grid that no round spot slips through.

    Parameters
    ----------
    diameter : float
        Of the spot [mm].

    Returns
    -------
    float
        d / sqrt(2) [mm]: the middle of a square of side s is s / sqrt(2) from its corners.

    Raises
    ------
    InputError
        If the diameter is not positive.
    """
    if not (np.isfinite(diameter) and diameter > 0):
        raise InputError("the diameter must be positive", found=diameter, expected="a length [mm]")
    return float(diameter / np.sqrt(2.0))


def touches_by_feature() -> pd.DataFrame:
    """Least and recommended numbers of touches for geometric features.

    Returns
    -------
    DataFrame
        Index: kind of feature. Columns: `least` (as many as it has parameters), `recommended`, `places`.

    Notes
    -----
    Recommended numbers and places as in BS 7172:1989, "Assessment of position, size and departure from nominal form of
    geometric features": given from memory, to be checked against the standard before anything hangs on them.
    """
    table = pd.DataFrame.from_dict(_FEATURES, orient="index", columns=["least", "recommended", "places"])
    table.index.name = "feature"
    return table


def _least(value: float) -> int:
    """Least whole number from 1 up that is not below `value`, but for rounding."""
    return max(1, int(np.ceil(value - 1e-9)))


def _within(value: float, what: str, *, closed: bool = False) -> None:
    if not (0.0 <= value <= 1.0 if closed else 0.0 < value < 1.0):
        raise InputError(f"{what} must lie between 0 and 1", found=value)
