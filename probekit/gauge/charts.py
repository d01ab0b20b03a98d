"""Control charts: individuals and moving range, mean and range, mean and standard deviation.

symbol   variable   meaning
d2, d3   range_mean, range_sd   of the range of n readings (probekit.gauge.spreads)
c4       c4         of the standard deviation
sigma    sigma      scatter within subgroups, or between neighbours
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from ..errors import InputError
from .readings import coarse, no_inches, readings
from .result import GaugeResult, Panel, Series, percent
from .run_rules import RULES, broken
from .spreads import c4, range_mean, range_sd
from .variance import SEED

__all__ = ["Chart", "chart_of", "sorted_by_size", "stability", "subgroups", "usual_chart", "within_sigma"]

Kind = Literal["individuals", "range", "sd"]
_LEAST = 6  # points of a chart
_USUAL = 20  # points from which limits are trusted (common practice, no source)
_TRIALS = 2000
_READINGS = 2_000_000  # of all trials together, at most


@dataclass(frozen=True)
class Chart:
    """Points of a chart and its limits.

    Attributes
    ----------
    mean, spread : (n,) float
        Upper chart, and lower chart: range, standard deviation, or moving range with NaN at its first point.
    size : int
        Readings of a subgroup, 1 for individuals.
    sigma : float
        Of a reading.
    centre, spread_centre, spread_lower, spread_upper : float
    """

    mean: np.ndarray
    spread: np.ndarray
    size: int
    sigma: float
    centre: float
    spread_centre: float
    spread_lower: float
    spread_upper: float

    @property
    def z(self) -> np.ndarray:
        """(n,) points of the upper chart in sigma of a mean from the centre."""
        return (self.mean - self.centre) / (self.sigma / np.sqrt(self.size))

    @property
    def beyond(self) -> np.ndarray:
        """(n,) whether a point of the lower chart is beyond its limits."""
        return (self.spread > self.spread_upper) | (self.spread < self.spread_lower)


def usual_chart(size: int) -> Kind:
    """Kind of chart for subgroups of that size."""
    return "individuals" if size == 1 else "range" if size <= 10 else "sd"


def within_sigma(groups: np.ndarray, kind: Kind) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Means and spreads (..., n) of subgroups (..., n, m), and sigma (...,) by the mean of the spreads."""
    mean = groups.mean(axis=-1)
    if kind == "individuals":
        moving = np.abs(np.diff(mean, axis=-1))
        spread = np.concatenate([np.full((*mean.shape[:-1], 1), np.nan), moving], axis=-1)
        return mean, spread, moving.mean(axis=-1) / range_mean(2)
    if kind == "range":
        spread = np.ptp(groups, axis=-1)
        return mean, spread, spread.mean(axis=-1) / range_mean(groups.shape[-1])
    spread = groups.std(axis=-1, ddof=1)
    return mean, spread, spread.mean(axis=-1) / c4(groups.shape[-1])


def chart_of(groups: np.ndarray, kind: Kind, first: int | None = None) -> Chart:
    """Chart of subgroups (n, m), with limits from the first of them, or from all.

    Raises
    ------
    InputError
        If there is no scatter.
    """
    mean, spread, _ = within_sigma(groups, kind)
    base = groups[:first]
    *_, sigma = within_sigma(base, kind)
    if not sigma > 0:
        raise InputError(
            "the readings do not scatter: a chart of them has no limits", found=f"{len(base)} equal readings"
        )
    size = groups.shape[1]
    n = 2 if kind == "individuals" else size
    centre, sd = (c4(n), np.sqrt(1 - c4(n) ** 2)) if kind == "sd" else (range_mean(n), range_sd(n))
    low, high = max(0.0, centre - 3 * sd), centre + 3 * sd
    ends = (float(sigma * centre), float(sigma * low), float(sigma * high))
    return Chart(mean, spread, size, float(sigma), float(base.mean()), *ends)


def stability(
    table: pd.DataFrame,
    *,
    value: str = "value",
    subgroup: str | None = None,
    chart: Kind | None = None,
    first: int | None = None,
    rules: Sequence[int] = (1, 2, 3, 5, 6),
    order: str | None = None,
    unit: str = "mm",
) -> GaugeResult:
    """Control chart of readings of one thing over time.

    Parameters
    ----------
    table : DataFrame
        One row per reading, in the order of time.
    value : str
        Column of the readings [mm], or in `unit`.
    subgroup : str, optional
        Column that names the subgroup of a reading: what was read together. All subgroups have the same size.
    chart : {"individuals", "range", "sd"}, optional
        Left out: "individuals" without subgroups, else "range", from eleven readings on "sd".
    first : int, optional
        Limits come from so many points at the beginning; left out, from all.
    rules : sequence of int
        Run rules for the upper chart, of `probekit.gauge.run_rules.RULES`.
    order : str, optional
        Column of times or numbers that must rise from row to row (from subgroup to subgroup).
    unit : str
        Of the readings, for the sentence and the figure: angles are charted as lengths are.

    Returns
    -------
    GaugeResult
        `table`: a row per point, with what it breaks. `values`: `centre, lower, upper, sigma, spread_centre,
        spread_lower, spread_upper` in `unit`, `signals` (points that break a rule), `false_alarm` (chance that so many
        points of a process in control break one).

    Raises
    ------
    InputError
        If there are fewer than six points, subgroups differ in size or come in pieces, the order does not rise, or
        readings are missing, constant or in inches.

    Notes
    -----
    Limits are three sigma from the centre, with sigma from the mean range or standard deviation (W. A. Shewhart 1931;
    D. C. Montgomery, Introduction to Statistical Quality Control; from memory). The chance of a false alarm is
    simulated, limits and all.
    """
    tidy = readings(table, [value, *([order] if order else [])], [subgroup] if subgroup else [], least=_LEAST)
    if order:
        _rising(tidy, order, subgroup)
    groups, names = subgroups(tidy, value, subgroup)
    kind = chart or usual_chart(groups.shape[1])
    if kind not in ("individuals", "range", "sd") or (kind == "individuals") != (groups.shape[1] == 1):
        raise InputError(
            "the chart does not suit the subgroups",
            found=f"{kind}, {groups.shape[1]} readings each",
            expected="individuals for single readings; range or sd for subgroups",
        )
    points = len(groups) if first is None else first
    if len(groups) < _LEAST or not _LEAST <= points <= len(groups):
        raise InputError("too few points for a chart", found=min(len(groups), points), expected=f"{_LEAST} or more")
    if not groups.shape[1] == 1:
        no_inches(tidy[value].to_numpy(), tidy[subgroup].to_numpy(dtype=object), str(subgroup))
    else:
        no_inches(tidy[value].to_numpy(), np.full(len(tidy), "reading", dtype=object), "one thing:")
    if sorted_by_size(groups[:, 0]):
        raise InputError(
            "the readings are sorted by size: their order of time is lost", column=value, todo="Sort them by time."
        )
    made = chart_of(groups, kind, first)
    return _told(made, kind, names, list(rules), points, unit)


def sorted_by_size(values: np.ndarray) -> bool:
    """Whether readings (n,) never rise or never fall: eight do that by chance once in 20 000 times."""
    step = np.diff(values)
    return len(values) >= 8 and bool((step >= 0).all() or (step <= 0).all()) and len(np.unique(values)) > 4


def _rising(tidy: pd.DataFrame, order: str, subgroup: str | None) -> None:
    when = tidy[order].to_numpy()
    if subgroup is not None:
        when = tidy.groupby(subgroup, sort=False)[order].first().to_numpy()
    bad = np.flatnonzero(np.diff(when) <= 0)
    if len(bad):
        raise InputError(
            "the readings are not in the order of time",
            column=order,
            found=f"{when[bad[0] + 1]:g} after {when[bad[0]]:g}",
            expected="a column that rises",
            todo="Sort the table, and look at what has the same time twice.",
        )


def subgroups(tidy: pd.DataFrame, value: str, subgroup: str | None) -> tuple[np.ndarray, list[str]]:
    """Readings (n, m) by subgroup, in order, and the names of the subgroups.

    Raises
    ------
    InputError
        If subgroups differ in size, or one comes in pieces.
    """
    y = tidy[value].to_numpy()
    if subgroup is None:
        return y[:, None], [str(k) for k in range(1, len(y) + 1)]
    which, names = pd.factorize(tidy[subgroup].to_numpy(dtype=object))
    if (np.diff(which) < 0).any():
        again = names[which[1:][np.diff(which) < 0][0]]
        raise InputError("a subgroup comes in pieces", column=subgroup, found=again, expected="its readings together")
    count = np.bincount(which)
    if (count != count[0]).any():
        odd = int(np.argmax(count != np.bincount(count).argmax()))
        raise InputError(
            "subgroups differ in size", column=subgroup, found=f"{names[odd]} has {count[odd]}", expected="one size"
        )
    return y.reshape(len(names), -1), [str(one) for one in names]


def _told(made: Chart, kind: Kind, names: list[str], rules: list[int], first: int, unit: str) -> GaugeResult:
    found = broken(made.z, rules)
    what = {"individuals": "moving range", "range": "range", "sd": "standard deviation"}[kind]
    said = [
        "; ".join(
            [RULES[rule] for rule in rules if found[rule][k]] + [f"{what} beyond its limits"] * bool(made.beyond[k])
        )
        for k in range(len(made.mean))
    ]
    reach = 3 * made.sigma / np.sqrt(made.size)
    limits = (made.centre - reach, made.centre + reach)
    out = pd.DataFrame({"point": names, "value": made.mean, "spread": made.spread, "breaks": said})
    values = {"centre": made.centre, "lower": limits[0], "upper": limits[1], "sigma": made.sigma}
    values |= {
        "spread_centre": made.spread_centre,
        "spread_lower": made.spread_lower,
        "spread_upper": made.spread_upper,
        "signals": float(sum(bool(one) for one in said)),
        "false_alarm": _false_alarm(kind, len(names), made.size, rules, first),
    }
    many = int(values["signals"])
    which = ", ".join(name for name, one in zip(names, said, strict=True) if one)
    shown = which if many <= 5 else f"{which[:40]} ..."
    told = (
        f"{many} of {len(names)} points break a rule ({shown}): not shown to be stable, look for causes"
        if many
        else f"none of {len(names)} points breaks a rule: nothing speaks against stability"
    )
    places = max(0, 1 + int(np.ceil(-np.log10(made.sigma))))  # two digits of sigma
    sentence = (
        f"{told}; centre {made.centre:z.{places}f} {unit}, limits {limits[0]:z.{places}f} and {limits[1]:z.{places}f} "
        f"{unit}, sigma {made.sigma:.2g} {unit}; a stable process breaks a rule in {percent(values['false_alarm'])} of "
        "such charts"
    )
    notes = list(coarse(made.mean if made.size == 1 else made.spread, made.spread[np.isfinite(made.spread)]))
    if first < _USUAL:
        notes.append(f"limits from {first} points are loose: {_USUAL} or more are usual (common practice, no source)")
    at = np.arange(1.0, len(names) + 1)
    bad = np.array([bool(one) for one in said])
    ends = ((made.centre, "centre"), (limits[0], "3 sigma"), (limits[1], "3 sigma"))
    spread_ends = ((made.spread_centre, "centre"), (made.spread_lower, ""), (made.spread_upper, "limit"))
    series = (
        Series("line", at, made.mean),
        Series("points", at[bad], made.mean[bad], "breaks a rule" if bad.any() else ""),
    )
    seen = np.isfinite(made.spread)
    lower = (Series("line", at[seen], made.spread[seen]),)
    above = "readings" if kind == "individuals" else "means"
    figure = (
        Panel(above, "point", f"value [{unit}]", series, ends),
        Panel(what, "point", f"{what} [{unit}]", lower, spread_ends),
    )
    return GaugeResult(f"stability, {above} and {what}", sentence, out, values, figure, {}, tuple(notes))


def _false_alarm(kind: Kind, n: int, size: int, rules: list[int], first: int) -> float:
    """Chance that a chart of normal readings in control breaks a rule anywhere; the same in every run."""
    trials = int(min(_TRIALS, max(200, _READINGS // (n * size))))
    groups = np.random.default_rng(SEED).standard_normal((trials, n, size))
    mean, spread, _ = within_sigma(groups, kind)
    *_, sigma = within_sigma(groups[:, :first], kind)
    z = (mean - mean[:, :first].mean(axis=1, keepdims=True)) / (sigma[:, None] / np.sqrt(size))
    bad = np.zeros(trials, bool)
    for found in broken(z, rules).values():
        bad |= found.any(axis=1)
    one = chart_of(np.arange(12.0 * size).reshape(12, size), kind)
    with np.errstate(invalid="ignore"):
        beyond = (spread > (one.spread_upper / one.sigma) * sigma[:, None]) | (
            spread < (one.spread_lower / one.sigma) * sigma[:, None]
        )
    return float((bad | beyond.any(axis=1)).mean())
