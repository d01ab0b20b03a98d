"""One factor: readings in groups, the scatter within them and between them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .readings import coarse, confidence, no_inches, readings
from .result import GaugeResult, Panel, Series, span
from .spreads import sd_interval
from .variance import f_tests, one_factor_squares, within_means

__all__ = ["one_way"]


def one_way(table: pd.DataFrame, *, value: str = "value", group: str = "group", level: float = 0.95) -> GaugeResult:
    """Scatter within and between groups of readings: days, set-ups, parts of one operator.

    Parameters
    ----------
    table : DataFrame
        One row per reading; groups may differ in size.
    value, group : str
        Columns: the reading [mm], and what it belongs to.
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: the analysis of variance. `values`: `ms_between, ms_within, f, p, r_squared, within` (sd within groups
        [mm]) with `within_low, within_high`, `between` (sd between groups, its own part), `single` (sd of a single
        reading in a group to come), `mean` and `u_mean` (from the group means).

    Raises
    ------
    InputError
        If there is one group, no group with two readings, or readings are missing, constant or in two units.

    Notes
    -----
    The variance between groups is (MS between - MS within) / n0, n0 the effective size of a group, and zero if that is
    negative (JCGM 100:2008, H.5, for equal sizes; from memory). Groups are tested against the scatter within them.
    """
    confidence(level)
    tidy = readings(table, [value], [group], least=3)
    labels = tidy[group].to_numpy(dtype=object)
    which, names = pd.factorize(labels)
    given = tidy[value].to_numpy()
    no_inches(given, labels, group)
    if len(names) < 2 or len(names) == len(given):
        raise InputError(
            "scatter within and between groups needs two groups, and a group of two",
            column=group,
            found=f"{len(names)} groups in {len(given)} readings",
        )
    squares, count, mean = one_factor_squares(within_means(given), which)
    if squares["ss"].iloc[1] == 0:
        raise InputError("the readings of each group are all equal: no scatter to speak of", column=value)
    tests = f_tests(squares, {"between": "within"})
    between, within = squares["ms"]
    effective = (len(given) - float((count**2).sum()) / len(given)) / (len(names) - 1)
    own = (between - within) / effective
    sd, f, p = float(np.sqrt(within)), float(tests["f"].iloc[0]), float(tests["p"].iloc[0])
    low, high = sd_interval(sd, int(squares["df"].iloc[1]), level)
    values = {
        "ms_between": float(between),
        "ms_within": float(within),
        "f": f,
        "p": p,
        "r_squared": float(squares["ss"].iloc[0] / squares["ss"].sum()),
        "within": sd,
        "within_low": low,
        "within_high": high,
        "between": float(np.sqrt(max(own, 0.0))),
        "single": float(np.sqrt(within + max(own, 0.0))),
        "mean": float(given.mean() + mean.mean()),
        "u_mean": float(mean.std(ddof=1) / np.sqrt(len(names))),
    }
    alike = "differ by more than their scatter" if p < 1 - level else "do not differ by more than their scatter shows"
    said = (
        f"{len(given)} readings in {len(names)} groups: sd {sd:.3g} mm within ({100 * level:g} %: {span(low, high)}), "
        f"{values['between']:.3g} mm between; the groups {alike} (F {f:.3g}, p {p:.2g})"
    )
    notes = list(coarse(given, tidy.groupby(group, sort=False)[value].agg(np.ptp).to_numpy()))
    if own < 0:
        notes.append("the variance between groups came out negative and was set to zero")
    spreads = [given[which == k] for k in range(len(names)) if count[k] > 2 and np.ptp(given[which == k]) > 0]
    if len(spreads) > 1 and (apart := float(stats.levene(*spreads, center="median").pvalue)) < 0.01:
        notes.append(f"the groups do not scatter alike (p {apart:.1g}): one sd for all says too little")
    points = Series("points", which.astype(float), given)
    means = Series("line", np.arange(len(names), dtype=float), given.mean() + mean, "mean of the group")
    figure = (Panel("readings by group", group, f"{value} [mm]", (points, means), ticks=tuple(map(str, names))),)
    return GaugeResult("scatter within and between groups", said, tests, values, figure, {}, tuple(notes))
