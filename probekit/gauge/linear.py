"""Bias over the range of sizes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .readings import coarse, confidence, positive, readings, same_scale
from .result import GaugeResult, Panel, Series
from .straight import Line, lack_of_fit, line

__all__ = ["linearity"]


def linearity(
    table: pd.DataFrame,
    *,
    value: str = "value",
    reference: str = "reference",
    limit: float | None = None,
    level: float = 0.95,
) -> GaugeResult:
    """Bias of readings of several calibrated parts, and how it changes with their size.

    Parameters
    ----------
    table : DataFrame
        One row per reading, of three calibrated sizes or more.
    value, reference : str
        Columns: reading and calibrated value [mm].
    limit : float, optional
        Largest bias allowed [mm].
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: by size, readings, bias with its interval. `values`: `intercept, slope` of the bias (per mm),
        `u_intercept, u_slope`, `slope_low, slope_high`, `sd` of a reading about the line [mm], `p_slope`, `p_zero`
        (that there is no bias at all), `p_line` (that a line describes it), `largest` bias of the line within the
        range, `bound` (what it is at most with that confidence) [mm].

    Raises
    ------
    InputError
        If there are fewer than three sizes or five readings, or readings are missing, constant or in inches.

    Notes
    -----
    Least squares of reading minus reference on reference. The band about the line holds for the whole range at once (H.
    Working, H. Hotelling, Journal of the American Statistical Association 24 (1929) 73-85, from memory). Readings of
    one size share the error of its calibration, which is not in the band.
    """
    confidence(level)
    tidy = readings(table, [value, reference], least=5)
    x, y = tidy[reference].to_numpy(), tidy[value].to_numpy()
    same_scale(y, x, "reading and reference")
    sizes = np.unique(x)
    if len(sizes) < 3:
        raise InputError("linearity needs three calibrated sizes or more", column=reference, found=len(sizes))
    bias = y - x
    fit = line(x, bias, reference)
    if fit.sd == 0:
        raise InputError("all readings have the same bias: no scatter to judge it by", column=value)
    freedom = fit.n - 2
    both = fit.intercept + fit.slope * x
    p_zero = float(stats.f.sf(float(both @ both) / 2 / fit.sd**2, 2, freedom))
    p_slope = float(2 * stats.t.sf(abs(fit.slope) / fit.u_slope, freedom))
    reach = float(stats.t.ppf((1 + level) / 2, freedom))
    ends, band = sizes[[0, -1]], float(np.sqrt(2 * stats.f.ppf(level, 2, freedom)))
    largest = float(np.abs(fit.at(ends)).max())
    bound = float((np.abs(fit.at(ends)) + band * fit.u_at(ends)).max())
    p_line = lack_of_fit(x, y - x, fit)
    values = {"intercept": fit.intercept, "slope": fit.slope, "u_intercept": fit.u_intercept, "u_slope": fit.u_slope}
    values |= {
        "slope_low": fit.slope - reach * fit.u_slope,
        "slope_high": fit.slope + reach * fit.u_slope,
        "sd": fit.sd,
    }
    values |= {"p_slope": p_slope, "p_zero": p_zero, "p_line": p_line, "largest": largest, "bound": bound}
    notes = list(coarse(y, np.array([np.ptp(y[x == one]) for one in sizes if (x == one).sum() > 1] or [1.0])))
    bent = p_line < 1 - level
    if bent:
        notes.append(
            f"a straight line does not describe the bias (p {p_line:.1g}): read it from the table, size by size"
        )
    said = (
        f"bias of {fit.n} readings of {len(sizes)} sizes, {ends[0]:g} to {ends[1]:g} mm: "
        f"{1e3 * fit.at(ends)[0]:+.3g} to {1e3 * fit.at(ends)[1]:+.3g} um by the line, "
        f"{'grows' if p_slope < 1 - level else 'not proved to change'} with size (p {p_slope:.2g}), "
        f"{'not zero' if p_zero < 1 - level else 'not proved to differ from zero'} (p {p_zero:.2g})"
    )
    if limit is not None:
        positive(limit, "largest bias allowed")
        verdict = "not judged by a line that does not fit" if bent else "proved" if bound <= limit else "not proved"
        said += f"; within {1e3 * limit:g} um: {verdict} (at most {1e3 * bound:.3g} um, {100 * level:g} %)"
    figure = _figure(x, bias, fit, band)
    return GaugeResult("bias and linearity", said, _by_size(x, bias, level), values, figure, {}, tuple(notes))


def _by_size(x: np.ndarray, bias: np.ndarray, level: float) -> pd.DataFrame:
    rows = []
    for one in np.unique(x):
        here = bias[x == one]
        reach = np.nan
        if len(here) > 1:
            reach = float(stats.t.ppf((1 + level) / 2, len(here) - 1) * here.std(ddof=1) / np.sqrt(len(here)))
        rows.append((one, len(here), here.mean(), here.mean() - reach, here.mean() + reach))
    return pd.DataFrame(rows, columns=["reference", "readings", "bias", "low", "high"])


def _figure(x: np.ndarray, bias: np.ndarray, fit: Line, band: float) -> tuple[Panel, ...]:
    along = np.linspace(x.min(), x.max(), 41)
    middle, reach = fit.at(along), band * fit.u_at(along)
    series = (
        Series("points", x, bias, "readings"),
        Series("line", along, middle, "line"),
        Series("band", along, middle - reach, "its band", upper=middle + reach),
    )
    return (Panel("bias by size", "calibrated size [mm]", "bias [mm]", series, ((0.0, ""),)),)
