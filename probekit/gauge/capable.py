"""Capability: how much of the tolerance a process takes up, with what so few parts leave open.

symbol     variable   meaning
L, U       lower, upper   limits
T          target
sigma      within     scatter within subgroups, or between neighbours: Cp, Cpk, Cpm
s          overall    scatter of all readings: Pp, Ppk

Cp = (U - L) / 6 sigma; Cpk = min((U - m), (m - L)) / 3 sigma; Cpm = (U - L) / 6 sqrt(sigma^2 + (m - T)^2). Intervals:
Cp by chi-square; Cpk as A. F. Bissell, Applied Statistics 39 (1990) 331-340; Cpm as R. A. Boyles, Journal of Quality
Technology 23 (1991) 17-26. Not normal: quantiles of 0.135, 50 and 99.865 % in place of m -/+ 3 s (ISO 22514-2). All
from memory.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .charts import Kind, chart_of, sorted_by_size, subgroups, usual_chart, within_sigma
from .quantiles import by_quantiles, walls
from .readings import coarse, confidence, no_inches, readings
from .result import GaugeResult, Panel, Series, percent, span
from .run_rules import broken
from .spreads import moving_freedom, range_freedom, sd_freedom

__all__ = ["capability"]

_LEAST, _USUAL = 10, 50  # readings; common practice, no source
_NORMAL = 0.01  # p-value below which readings are not called normal
_SHAPIRO = 5000  # readings up to which the p-value of that test is good
_APART = 1.15  # overall over within, from which on the process moves between subgroups


def capability(
    table: pd.DataFrame,
    *,
    lower: float | None = None,
    upper: float | None = None,
    target: float | None = None,
    value: str = "value",
    subgroup: str | None = None,
    distribution: str = "normal",
    freedom: Literal["effective", "all"] = "effective",
    level: float = 0.95,
) -> GaugeResult:
    """Cp, Cpk, Cpm within and Pp, Ppk overall, with intervals; for readings that are not normal by quantiles.

    Many parameters: limits, columns, the distribution and how intervals count are independent choices.

    Parameters
    ----------
    table : DataFrame
        One row per part, in the order of making.
    lower, upper : float, optional
        Limits [mm]; one of them may be left out.
    target : float, optional
        For Cpm [mm]; left out, the middle between two limits.
    value : str
        Column of the readings [mm].
    subgroup : str, optional
        Column that names what was made together; left out, neighbours tell the scatter within.
    distribution : str
        "normal"; or the name of a continuous distribution of `scipy.stats`, fitted by likelihood; or "empirical", from
        1000 readings on. Not normal gives Pp and Ppk only.
    freedom : {"effective", "all"}
        Degrees of freedom of the intervals of Cp, Cpk, Cpm: those that a mean range has, or n - 1 as handbooks take,
        which makes them too narrow.
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: index, value, low, high. `values`: `mean, within, overall` [mm], each index in small letters (`cp, cpl,
        cpu, cpk, cpm, pp, ppl, ppu, ppk`) with `_low` and `_high`, `outside` (expected part beyond the limits) and
        `outside_seen`.

    Raises
    ------
    InputError
        If there is no limit, limits are exchanged, there are fewer than ten readings, or they are missing, constant or
        in two units; if a distribution is not known or does not describe the readings.

    Notes
    -----
    One-sided indices (cpl, cpu, ppl, ppu) have an interval whose ends each hold with that confidence by themselves.
    """
    confidence(level)
    if freedom not in ("effective", "all"):
        raise InputError("the degrees of freedom are not known", found=freedom, expected="effective or all")
    tidy = readings(table, [value], [subgroup] if subgroup else [], least=_LEAST)
    y = tidy[value].to_numpy()
    lower, upper, target = _limits(lower, upper, target)
    if np.ptp(y) == 0:
        raise InputError("all readings are equal: there is no scatter to compare with the limits", column=value)
    _in_scale(y, lower, upper, value)
    groups, _ = subgroups(tidy, value, subgroup)
    notes = _unstable(groups, distribution == "normal")
    if not sorted_by_size(groups[:, 0]):  # sorted neighbours are alike, whatever the steps
        notes += coarse(y, np.ptp(groups, axis=1) if groups.shape[1] > 1 else np.abs(np.diff(y)))
    if len(y) < _USUAL:
        notes.append(f"{len(y)} parts are few: {_USUAL} or more are usual (common practice, no source)")
    if distribution != "normal":
        return by_quantiles(y, (lower, upper), distribution, level, notes)
    return _normal(y, groups, (lower, upper, target), freedom, level, notes)


def _limits(lower: float | None, upper: float | None, target: float | None) -> tuple[float, float, float]:
    low = -np.inf if lower is None else float(lower)
    high = np.inf if upper is None else float(upper)
    if not low < high or (np.isinf(low) and np.isinf(high)) or np.isnan([low, high]).any():
        raise InputError(
            "the limits are not usable", found=f"{lower} to {upper}", expected="lower below upper, or one of them"
        )
    middle = (low + high) / 2 if np.isfinite([low, high]).all() else np.nan
    aim = middle if target is None else float(target)
    if target is not None and not low <= aim <= high:
        raise InputError("the target is not within the limits", found=target, expected=f"{low:g} to {high:g}")
    return low, high, aim


def _in_scale(y: np.ndarray, lower: float, upper: float, value: str) -> None:
    """Readings in inches against limits in millimetres, and inches among millimetres."""
    no_inches(y, np.full(len(y), value, dtype=object), "column")
    if np.isfinite([lower, upper]).all() and lower * upper > 0:
        middle, centre = (lower + upper) / 2, float(np.median(y))
        for factor in (25.4, 1 / 25.4):
            if lower <= centre * factor <= upper and abs(middle / centre / factor - 1) < 0.05:
                raise InputError(
                    "readings and limits are not in the same unit", found=f"{centre:g}", expected=f"{middle:g}"
                )


def _unstable(groups: np.ndarray, normal: bool) -> list[str]:
    """A note if the chart of the readings shows that the process was not in control."""
    if sorted_by_size(groups[:, 0]):
        return [
            "the readings are sorted by size, the order of making is lost: no Cpk, and nothing is known of stability"
        ]
    if groups.shape[1] == 1 and not normal:  # the limits of the chart are those of normal readings
        groups = stats.norm.ppf((stats.rankdata(groups) - 0.5) / groups.size).reshape(groups.shape)
    made = chart_of(groups, usual_chart(groups.shape[1]))
    bad = made.beyond | broken(made.z, [1])[1] | broken(made.z, [2])[2]
    if not bad.any():
        return []
    return [
        f"{int(bad.sum())} of {len(bad)} points of the control chart break a rule: the process was not shown to be "
        "stable, and its capability foretells little"
    ]


def _normal(
    y: np.ndarray, groups: np.ndarray, limits: tuple[float, float, float], freedom: str, level: float, notes: list[str]
) -> GaugeResult:
    lower, upper, _ = limits
    n, mean, overall = len(y), float(y.mean()), float(y.std(ddof=1))
    kind = usual_chart(groups.shape[1])
    within = np.nan if sorted_by_size(groups[:, 0]) else float(within_sigma(groups, kind)[2])
    if within == 0:
        raise InputError("the readings do not scatter within subgroups", expected="readings with all digits")
    df = float(n - 1) if freedom == "all" else _freedom(kind, groups.shape)
    indices = _indices(mean, within, limits, n, df, level, "cp") if np.isfinite(within) else {}
    indices |= _indices(mean, overall, (lower, upper, np.nan), n, n - 1.0, level, "pp")
    out = pd.DataFrame([(name, *three) for name, three in indices.items()], columns=["index", "value", "low", "high"])
    values = {"mean": mean, "within": within, "overall": overall}
    for name, three in indices.items():
        values |= dict(zip((name, f"{name}_low", f"{name}_high"), three, strict=True))
    values["outside"] = float(stats.norm.sf((upper - mean) / overall) + stats.norm.cdf((lower - mean) / overall))
    values["outside_seen"] = float(((y < lower) | (y > upper)).mean())
    p = _not_normal(y)
    if p < _NORMAL:
        notes.insert(
            0, f"the readings are not normal (p {p:.1g}): use distribution=, these numbers say little of the ends"
        )
    if overall > _APART * within:
        notes.append(f"all readings scatter {overall / within:.2g} times as much as neighbours: Ppk counts, not Cpk")
    of = {name: f"{values[name]:.3g} ({span(values[name + '_low'], values[name + '_high'])})" for name in indices}
    said = (
        f"{n} readings: {'Cpk ' + of['cpk'] + ' within, ' if 'cpk' in of else ''}Ppk {of['ppk']} overall, "
        f"{100 * level:g} % each; "
        f"{percent(values['outside'])} expected outside, {percent(values['outside_seen'])} seen"
        + (
            "; not normal or not stable, see the notes"
            if p < _NORMAL or any("foretells" in one for one in notes)
            else ""
        )
    )
    return GaugeResult("capability", said, out, values, _figure(y, limits, mean, overall), {}, tuple(notes))


def _freedom(kind: Kind, shape: tuple[int, ...]) -> float:
    if kind == "individuals":
        return moving_freedom(shape[0])
    return (range_freedom if kind == "range" else sd_freedom)(shape[1], shape[0])


def _not_normal(y: np.ndarray) -> float:
    """P-value that readings are normal: Shapiro and Wilk, or by skewness and kurtosis for very many."""
    return float((stats.shapiro(y) if len(y) <= _SHAPIRO else stats.normaltest(y)).pvalue)


def _indices(
    mean: float, sigma: float, limits: tuple[float, float, float], n: int, df: float, level: float, name: str
) -> dict[str, tuple[float, float, float]]:
    """Each index with its interval: cp, cpl, cpu, cpk, cpm, or the same of pp."""
    lower, upper, target = limits
    two = np.isfinite([lower, upper]).all()
    sides = np.array([mean - lower, upper - mean]) / (3 * sigma)
    out = {}
    if two:
        both = (upper - lower) / (6 * sigma)
        out[name] = (both, *_by_chi_square(both, df, level))
    for suffix, one in zip("lu", sides, strict=True):
        if np.isfinite(one):
            out[name + suffix] = (float(one), *_by_bissell(float(one), n, df, 2 * level - 1))
    worst = float(sides.min())
    out[f"{name}k"] = (worst, *_by_bissell(worst, n, df, level))
    if two and np.isfinite(target):
        off = ((mean - target) / sigma) ** 2
        middle = (upper - lower) / (6 * sigma * np.sqrt(1 + off))
        out[f"{name}m"] = (float(middle), *_by_chi_square(middle, (df + 1) * (1 + off) ** 2 / (1 + 2 * off), level))
    return out


def _by_chi_square(index: float, df: float, level: float) -> tuple[float, float]:
    low, high = np.sqrt(stats.chi2.ppf([(1 - level) / 2, (1 + level) / 2], df) / df)
    return float(index * low), float(index * high)


def _by_bissell(index: float, n: int, df: float, level: float) -> tuple[float, float]:
    reach = float(stats.norm.ppf((1 + level) / 2)) * np.sqrt(1 / (9 * n) + index**2 / (2 * df))
    return index - reach, index + reach


def _figure(y: np.ndarray, limits: tuple[float, float, float], mean: float, sd: float) -> tuple[Panel, ...]:
    count, edges = np.histogram(y, bins="sqrt")
    middle = (edges[1:] + edges[:-1]) / 2
    ends = [one for one in limits[:2] if np.isfinite(one)]
    along = np.linspace(min(*y, *ends), max(*y, *ends), 201)
    curve = len(y) * (edges[1] - edges[0]) * stats.norm.pdf(along, mean, sd)
    top = float(max(count.max(), curve.max()))
    bars = (Series("bars", middle, count.astype(float)), Series("line", along, curve, "normal"), walls(ends, top))
    return (Panel("readings and limits", "reading [mm]", "parts", bars),)
