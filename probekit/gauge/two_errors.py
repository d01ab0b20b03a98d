"""Lines between two ways of measuring that both err: by their uncertainties (Deming), against outliers (Theil-Sen).

symbol   variable    meaning
a, b     intercept, slope   y = a + b x for the true values
u_x, u_y            standard uncertainties of x and y, one for all or one for each
S        squares     sum of (y - a - b x)^2 / (u_y^2 + b^2 u_x^2), least at the maximum of likelihood
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats
from scipy.optimize import least_squares

from ..errors import FitError, InputError
from .readings import confidence, readings, same_scale
from .result import GaugeResult, Panel, Series

__all__ = ["deming", "theil_sen"]

_LEAST = 5


def deming(
    table: pd.DataFrame,
    *,
    value: str = "value",
    reference: str = "reference",
    u: str | float = "u",
    u_reference: str | float = "u_reference",
    level: float = 0.95,
) -> GaugeResult:
    """Line of one way of measuring on another, both with known uncertainties.

    Parameters
    ----------
    table : DataFrame
        One row per thing measured by both.
    value, reference : str
        Columns, y and x [mm].
    u, u_reference : str or float
        Standard uncertainty of each: a column, or one number for all [mm]. One of them may be zero.
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: intercept and slope with their intervals. `values`: `intercept, slope, u_intercept, u_slope` with
        `_low` and `_high`, `covariance`, `scaled` (mean scaled squared residual, 1 if the uncertainties are true),
        `p_scaled`, `p_same` (that y = x).

    Raises
    ------
    InputError
        If there are fewer than five rows, the reference is all one value, an uncertainty is negative or both are zero,
        or values are missing or in inches.
    FitError
        If the fit did not converge.

    Notes
    -----
    Maximum likelihood for uncertainties that may differ from point to point (B. D. Ripley, M. Thompson, Analyst 112
    (1987) 377-383; D. York, Earth and Planetary Science Letters 5 (1969) 320-324; from memory). If the residuals are
    larger than the uncertainties let expect (5 %), the intervals are widened by them, with Student's t.
    """
    confidence(level)
    own = [one for one in (u, u_reference) if isinstance(one, str)]
    tidy = readings(table, [value, reference, *own], least=_LEAST)
    x, y = tidy[reference].to_numpy(), tidy[value].to_numpy()
    u_x, u_y = _uncertainty(tidy, u_reference, "u_reference"), _uncertainty(tidy, u, "u")
    if (u_x + u_y == 0).any():
        raise InputError(
            f"row {int(np.argmax(u_x + u_y == 0)) + 1} has no uncertainty in x nor y", expected="one above 0"
        )
    same_scale(y, x, f"{value} and {reference}")
    if np.ptp(x) == 0:
        raise InputError("all reference values are equal: no line", column=reference, found=x[0])
    found, jacobian, centre = _likeliest(x, y, u_x, u_y)
    turned, (a0, b) = np.linalg.inv(jacobian.T @ jacobian), found
    to_zero = np.array([[1.0, -centre], [0.0, 1.0]])  # from the value at the centre to the intercept
    covariance = to_zero @ turned @ to_zero.T
    a, freedom = float(a0 - b * centre), len(x) - 2
    squares = float((((y - a - b * x) ** 2) / (u_y**2 + (b * u_x) ** 2)).sum())
    scaled, p = squares / freedom, float(stats.chi2.sf(squares, freedom))
    wide = p < 0.05
    covariance *= scaled if wide else 1.0
    z = float(stats.t.ppf((1 + level) / 2, freedom) if wide else stats.norm.ppf((1 + level) / 2))
    spread = np.sqrt(np.diag(covariance))
    off = np.array([a, b - 1.0])
    distance = float(off @ np.linalg.solve(covariance, off))
    p_same = float(stats.f.sf(distance / 2, 2, freedom) if wide else stats.chi2.sf(distance, 2))
    values = {"intercept": a, "slope": float(b), "u_intercept": float(spread[0]), "u_slope": float(spread[1])}
    for key, one, su in (("intercept", a, spread[0]), ("slope", b, spread[1])):
        values |= {f"{key}_low": float(one - z * su), f"{key}_high": float(one + z * su)}
    values |= {"covariance": float(covariance[0, 1]), "scaled": scaled, "p_scaled": p, "p_same": p_same}
    notes = []
    if wide:
        notes.append(
            f"residuals are {np.sqrt(scaled):.2g} times as large as the uncertainties (p {p:.2g}): intervals widened"
        )
    elif p > 0.99:
        notes.append(f"residuals are smaller than the uncertainties let expect (p {1 - p:.1g}): u may be too large")
    said = f"{value} on {reference}, {len(x)} points: {_line_said(values, level)}; {_same(p_same, 1 - level)}"
    return _told("line with errors in both (Deming)", said, values, (x, y, value, reference), notes)


def _uncertainty(tidy: pd.DataFrame, u: str | float, name: str) -> np.ndarray:
    given = tidy[u].to_numpy() if isinstance(u, str) else np.full(len(tidy), float(u))
    if not (given >= 0).all() or not np.isfinite(given).all():
        row = int(np.argmax(~(given >= 0)))
        raise InputError("a standard uncertainty is not usable", column=name, found=given[row], expected="0 or above")
    return given


def _likeliest(x: np.ndarray, y: np.ndarray, u_x: np.ndarray, u_y: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Value at the centre and slope, the Jacobian of the scaled residuals there, the centre."""
    centre, size = float(x.mean()), float(np.std(x))
    start = np.sign(np.corrcoef(x, y)[0, 1] or 1.0) * y.std() / size

    def scaled(p: np.ndarray) -> np.ndarray:
        return (y - p[0] - p[1] * (x - centre)) / np.sqrt(u_y**2 + (p[1] * u_x) ** 2)

    fit = least_squares(
        scaled, [y.mean(), start], jac="3-point", x_scale=[max(y.std(), 1e-300), max(abs(start), 1e-300)],
        xtol=1e-14, ftol=1e-14, gtol=1e-14,
    )  # fmt: skip
    if not fit.success or not np.isfinite(fit.x).all() or np.linalg.matrix_rank(fit.jac) < 2:
        raise FitError("the line through points that err both ways did not converge: their uncertainties hide it")
    weights = 1 / np.sqrt(u_y**2 + (fit.x[1] * u_x) ** 2)  # at the true values: no change of the weights with the slope
    true = x + (u_x * weights) ** 2 * fit.x[1] * (y - fit.x[0] - fit.x[1] * (x - centre))
    return fit.x, np.column_stack([weights, weights * (true - centre)]), centre


def theil_sen(
    table: pd.DataFrame, *, value: str = "value", reference: str = "reference", level: float = 0.95
) -> GaugeResult:
    """Line of one way of measuring on another by the median of all slopes: a few wild readings do not move it.

    Parameters
    ----------
    table : DataFrame
        One row per thing measured by both.
    value, reference : str
        Columns, y and x [mm].
    level : float
        Confidence of the interval of the slope.

    Returns
    -------
    GaugeResult
        `values`: `intercept, slope, slope_low, slope_high`, `scatter` (1.48 times the median residual [mm]), `wild`
        (rows more than five of them away).

    Raises
    ------
    InputError
        If there are fewer than five rows, the reference is all one value, or values are missing or in inches.

    Notes
    -----
    P. K. Sen, Journal of the American Statistical Association 63 (1968) 1379-1389, through `scipy.stats.theilslopes`.
    The reference is taken as free of error: where it is not, the slope comes out too flat.
    """
    confidence(level)
    tidy = readings(table, [value, reference], least=_LEAST)
    x, y = tidy[reference].to_numpy(), tidy[value].to_numpy()
    same_scale(y, x, f"{value} and {reference}")
    if np.ptp(x) == 0:
        raise InputError("all reference values are equal: no line", column=reference, found=x[0])
    fit = stats.theilslopes(y, x, level, method="joint")
    off = y - fit.intercept - fit.slope * x
    scatter = 1.4826 * float(np.median(np.abs(off)))
    wild = np.flatnonzero(np.abs(off) > max(5 * scatter, 1e-9 * float(np.ptp(y))))
    values = {"intercept": float(fit.intercept), "slope": float(fit.slope), "slope_low": float(fit.low_slope)}
    values |= {"slope_high": float(fit.high_slope), "scatter": scatter, "wild": float(len(wild))}
    said = f"{value} on {reference}, {len(x)} points: {_line_said(values, level)}; scatter {1e3 * scatter:.3g} um"
    notes = ["the reference is taken as free of error"]
    if not np.isfinite([fit.low_slope, fit.high_slope]).all():
        notes.append("too few points for an interval of that confidence")
    if len(wild):
        notes.append(f"far from the line: rows {', '.join(str(k + 1) for k in wild[:10])}")
    return _told("robust line (Theil and Sen)", said, values, (x, y, value, reference), notes)


def _line_said(values: dict[str, float], level: float) -> str:
    zero = f" ({values['intercept_low']:.3g} to {values['intercept_high']:.3g})" if "intercept_low" in values else ""
    return (
        f"intercept {values['intercept']:.4g} mm{zero}, slope {values['slope']:.6g} ({100 * level:g} %: "
        f"{values['slope_low']:.6g} to {values['slope_high']:.6g})"
    )


def _same(p: float, risk: float) -> str:
    return f"{'not the same' if p < risk else 'no difference proved'} (p {p:.2g} for y = x)"


def _told(
    study: str, said: str, values: dict[str, float], drawn: tuple[np.ndarray, np.ndarray, str, str], notes: list[str]
) -> GaugeResult:
    x, y, value, reference = drawn
    rows = [
        (one, values[one], values.get(f"{one}_low", np.nan), values.get(f"{one}_high", np.nan))
        for one in ("intercept", "slope")
    ]
    along = np.array([x.min(), x.max()])
    off = y - values["intercept"] - values["slope"] * x
    line = Series("line", along, values["intercept"] + values["slope"] * along, "line")
    figure = (
        Panel(
            "both ways",
            f"{reference} [mm]",
            f"{value} [mm]",
            (Series("points", x, y), line, Series("line", along, along, "y = x")),
        ),
        Panel("residuals", f"{reference} [mm]", "from the line [mm]", (Series("points", x, off),), ((0.0, ""),)),
    )
    out = pd.DataFrame(rows, columns=["what", "value", "low", "high"])
    return GaugeResult(study, said, out, values, figure, {}, tuple(notes))
