"""Whether two ways of measuring agree: against their uncertainties, and by how far they differ."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .readings import confidence, positive, readings, same_scale
from .result import GaugeResult, Panel, Series, percent

__all__ = ["e_n", "limits_of_agreement"]

_FEW = 20  # pairs (common practice, no source)
_SUSPECT = 0.01


def e_n(
    table: pd.DataFrame,
    *,
    value: str = "value",
    U: str = "U",
    reference: str = "reference",
    U_reference: str = "U_reference",
    name: str | None = None,
) -> GaugeResult:
    """E_n: difference of machine and reference over their expanded uncertainties together.

    Parameters
    ----------
    table : DataFrame
        One row per thing measured by both.
    value, U, reference, U_reference : str
        Columns: value and expanded uncertainty (k = 2) of the machine and of the reference [mm].
    name : str, optional
        Column that names each row, once.

    Returns
    -------
    GaugeResult
        `table`: by row, difference, its U, E_n. `values`: `worst` (largest |E_n|), `outside` (rows beyond 1),
        `expected` (rows beyond 1 if the uncertainties are true), `p_many` (of so many or more), `p_small` (that all lie
        so near).

    Raises
    ------
    InputError
        If an uncertainty is not above zero, or values are missing, doubled or in inches.

    Notes
    -----
    E_n = (x - X) / sqrt(U^2 + U_X^2), for results that do not depend on each other (ISO/IEC 17043, ISO 13528, from
    memory). (2 E_n)^2 is then chi-square with one degree of freedom: 4.6 % lie beyond 1. Where errors are shared, by
    one stylus or one temperature, rows are not so many.
    """
    columns = [value, U, reference, U_reference]
    tidy = readings(table, columns, [name] if name else [], once=[name] if name else [], least=1)
    x, u, ref, u_ref = (tidy[column].to_numpy() for column in columns)
    for column, values in ((U, u), (U_reference, u_ref)):
        if (values < 0).any() or (u + u_ref == 0).any():
            row = int(np.argmax((values < 0) | (u + u_ref == 0)))
            raise InputError(
                f"row {row + 1} has no uncertainty", column=column, found=values[row], expected="U with k = 2, above 0"
            )
    same_scale(x, ref, "machine and reference")
    both = np.hypot(u, u_ref)
    ratio = (x - ref) / both
    n, outside = len(x), int((np.abs(ratio) > 1).sum())
    chance = float(2 * stats.norm.sf(2))
    squares = float((4 * ratio**2).sum())
    values = {
        "worst": float(np.abs(ratio).max()),
        "outside": float(outside),
        "expected": n * chance,
        "p_many": float(stats.binom.sf(outside - 1, n, chance)),
        "p_large": float(stats.chi2.sf(squares, n)),
        "p_small": float(stats.chi2.cdf(squares, n)),
    }
    suspect = values["p_many"] < _SUSPECT or values["p_large"] < _SUSPECT
    names = [str(one) for one in (tidy[name] if name else range(1, n + 1))]
    out = pd.DataFrame({"name": names, "difference": x - ref, "U": both, "E_n": ratio})
    verdict = "an uncertainty is too small, or there is a bias" if suspect else "no sign against the uncertainties"
    said = (
        f"{outside} of {n} results lie beyond |E_n| = 1 ({n * chance:.2g} expected), worst "
        f"{ratio[np.abs(ratio).argmax()]:+z.2f}; {verdict} (p {min(values['p_many'], values['p_large']):.2g})"
    )
    notes = ["the expected number holds for results that do not share their errors"]
    if values["p_small"] < _SUSPECT:
        notes.append(
            f"they agree better than their uncertainties let expect (p {values['p_small']:.1g}): U may be too large"
        )
    points = Series("points", np.arange(n, dtype=float), ratio)
    figure = (Panel("E_n", name or "row", "E_n", (points,), ((-1.0, "-1"), (1.0, "+1")), tuple(names)),)
    return GaugeResult("agreement by E_n", said, out, values, figure, {}, tuple(notes))


def limits_of_agreement(
    table: pd.DataFrame,
    *,
    value: str = "value",
    reference: str = "reference",
    name: str | None = None,
    limit: float | None = None,
    part: float = 0.95,
    level: float = 0.95,
) -> GaugeResult:
    """Mean difference of two ways of measuring, and the limits that most differences lie within (Bland and Altman).

    Parameters
    ----------
    table : DataFrame
        One row per thing measured once by both.
    value, reference : str
        Columns of the two ways [mm].
    name : str, optional
        Column that names each row, once.
    limit : float, optional
        Largest difference that does not matter [mm].
    part : float
        Of the differences that the limits shall hold.
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: mean and both limits with their intervals. `values`: `mean, sd, lower, upper` with `_low` and `_high`
        [mm], `p_trend` (that differences do not change with size), `p_scatter` (that their scatter does not).

    Raises
    ------
    InputError
        If there are fewer than five pairs, differences are all equal, or values are missing, doubled or in inches.

    Notes
    -----
    mean -/+ z s of value minus reference (J. M. Bland, D. G. Altman, Lancet 327 (1986) 307-310; there z is 2), with
    exact intervals by the noncentral t distribution (A. Carkeet, Optometry and Vision Science 92 (2015), from memory).
    """
    confidence(level)
    if not 0.5 < part < 1:
        raise InputError("the part of the differences lies between 0.5 and 1", found=part, expected="0.95")
    labels = [name] if name else []
    tidy = readings(table, [value, reference], labels, once=labels, least=5)
    x, ref = tidy[value].to_numpy(), tidy[reference].to_numpy()
    same_scale(x, ref, f"{value} and {reference}")
    off, size = x - ref, (x + ref) / 2
    n, mean, sd = len(off), float(off.mean()), float(off.std(ddof=1))
    if sd <= 1e-12 * float(np.abs(size).max()):
        raise InputError("all differences are equal: one column looks computed from the other", found=f"{mean:g}")
    z = float(stats.norm.ppf((1 + part) / 2))
    reach = float(stats.t.ppf((1 + level) / 2, n - 1)) * sd / np.sqrt(n)
    near, far = (end * sd for end in _beyond(z, n, level))
    three = {
        "mean": (mean, mean - reach, mean + reach),
        "lower": (mean - z * sd, mean - far, mean - near),
        "upper": (mean + z * sd, mean + near, mean + far),
    }
    values = {"sd": sd}
    for key, (one, low, high) in three.items():
        values |= {key: one, f"{key}_low": low, f"{key}_high": high}
    notes = _trends(off, size, values, 1 - level)
    if n < _FEW:
        notes.append(f"{n} pairs are few: the limits are known to {far - near:.2g} mm only")
    bottom, top = three["lower"][0], three["upper"][0]
    said = (
        f"{value} less {reference} of {n} pairs: mean {1e3 * mean:+.3g} um ({100 * level:g} %: "
        f"{1e3 * (mean - reach):+.3g} to {1e3 * (mean + reach):+.3g}); {percent(part)} lie within "
        f"{1e3 * bottom:+.3g} and {1e3 * top:+.3g} um (at most {1e3 * (mean - far):+.3g} and {1e3 * (mean + far):+.3g})"
    )
    if limit is not None:
        widest = max(abs(mean - far), abs(mean + far))
        word = "proved" if widest <= positive(limit, "largest difference") and not notes[:1] else "not proved"
        said += f"; agreement within {1e3 * limit:g} um: {word}"
    out = pd.DataFrame([(key, *one) for key, one in three.items()], columns=["what", "value", "low", "high"])
    levels = tuple((one[0], key) for key, one in three.items())
    figure = (
        Panel("differences by size", "mean of both [mm]", "difference [mm]", (Series("points", size, off),), levels),
    )
    return GaugeResult("limits of agreement", said, out, values, figure, {}, tuple(notes))


def _beyond(z: float, n: int, level: float) -> tuple[float, float]:
    """Factors of s between which mean + z sigma lies above the sample mean: noncentral t."""
    low, high = stats.nct.ppf([(1 - level) / 2, (1 + level) / 2], n - 1, z * np.sqrt(n)) / np.sqrt(n)
    return float(low), float(high)


def _trends(off: np.ndarray, size: np.ndarray, values: dict[str, float], risk: float) -> list[str]:
    """Notes if differences, or their scatter, change with size; or are not normal."""
    notes = []
    if np.ptp(size) == 0:
        return ["all things have the same size: nothing is known of others"]
    values["p_trend"] = float(stats.linregress(size, off).pvalue)
    values["p_scatter"] = float(stats.spearmanr(size, np.abs(off - off.mean())).pvalue)
    if values["p_trend"] < risk:
        notes.append(
            f"the differences change with size (p {values['p_trend']:.1g}): one mean does not describe them, use deming"
        )
    if values["p_scatter"] < risk:
        notes.append(
            f"the scatter changes with size (p {values['p_scatter']:.1g}): limits of agreement hold for no size"
        )
    if (p := float(stats.shapiro(off).pvalue)) < _SUSPECT:
        notes.append(f"the differences are not normal (p {p:.1g}): look at the outermost")
    return notes
