"""One calibrated part, read many times: is the method good enough for a tolerance, and how uncertain is it?"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .readings import coarse, confidence, positive, readings, same_scale
from .result import GaugeResult, Panel, Series, percent, span
from .spreads import ratio_interval, sd_interval
from .variance import one_factor_squares, within_means

__all__ = ["substitution", "type_1"]

_ENOUGH = 1.33  # Cg and Cgk that is usually asked for
_USUAL = 25  # readings of a type-1 study, at least (50 are usual)
_CYCLES, _READINGS = 10, 20  # ISO 15530-3, from memory
_PRECISE = 1e8  # readings that differ by less than this part of the tolerance are one number


def type_1(
    table: pd.DataFrame,
    reference: float,
    tolerance: float,
    *,
    value: str = "value",
    u_reference: float = 0.0,
    share: float = 0.2,
    spread: float = 6.0,
    level: float = 0.95,
) -> GaugeResult:
    """Type-1 study: one calibrated part read again and again, its scatter and bias against a share of the tolerance.

    Parameters
    ----------
    table : DataFrame
        One row per reading, in the order in which they were made.
    reference : float
        Calibrated value [mm].
    tolerance : float
        Full width of the tolerance that the method shall serve [mm].
    value : str
        Column of the readings [mm].
    u_reference : float
        Standard uncertainty of the calibrated value [mm].
    share : float
        Of the tolerance, that the method may use.
    spread : float
        Standard deviations that count as its scatter: 6, or 4 as some handbooks have it.
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: Cg and Cgk with their intervals. `values`: `mean, sd, bias, bias_low, bias_high` [mm], `p_bias`,
        `cg, cg_low, cg_high, cgk, cgk_low, cgk_high`, `least_tolerance` for which both are 1.33 [mm].

    Raises
    ------
    InputError
        If there are fewer than five readings, they are all equal, missing or in inches, or a number is not usable.

    Notes
    -----
    Cg = share T / (spread s), Cgk = (share T / 2 - |bias|) / (spread s / 2) (ISO 22514-7, from memory). Cg has the
    interval of s; Cgk that of (limit - mean) / s, by the noncentral t distribution. `u_reference` widens the interval
    of the bias, not that of Cgk.
    """
    tolerance, share, spread = (
        positive(number, name)
        for number, name in ((tolerance, "width of the tolerance"), (share, "share"), (spread, "spread"))
    )
    positive(u_reference, "uncertainty of the reference", zero=True)
    confidence(level)
    y = _of_one(table, value, reference, least=5)
    n, off = len(y), y - reference
    sd, bias = float(off.std(ddof=1)), float(off.mean())
    if np.ptp(y) <= tolerance / _PRECISE:
        raise InputError(
            "all readings are equal: the display is too coarse, or the part was not touched anew",
            column=value,
            found=y[0],
        )
    u_bias = float(np.hypot(sd / np.sqrt(n), u_reference))
    freedom = (n - 1) * (u_bias / (sd / np.sqrt(n))) ** 4  # the reference's own is taken as certain
    reach = float(stats.t.ppf((1 + level) / 2, freedom)) * u_bias
    low, high = sd_interval(sd, n - 1, level)
    room = share * tolerance / 2 - abs(bias)
    ends = tuple(2 * end / spread for end in ratio_interval(room / sd, n, n - 1, level))
    values = {
        "mean": float(y.mean()),
        "sd": sd,
        "bias": bias,
        "bias_low": bias - reach,
        "bias_high": bias + reach,
        "p_bias": float(2 * stats.t.sf(abs(bias) / u_bias, freedom)),
        "cg": share * tolerance / (spread * sd),
        "cg_low": share * tolerance / (spread * high),
        "cg_high": share * tolerance / (spread * low),
        "cgk": 2 * room / (spread * sd),
        "cgk_low": ends[0],
        "cgk_high": ends[1],
        "least_tolerance": (_ENOUGH * spread * sd + 2 * abs(bias)) / share,
    }
    out = pd.DataFrame(
        {
            "index": ["Cg", "Cgk"],
            "value": [values["cg"], values["cgk"]],
            "low": [values["cg_low"], values["cgk_low"]],
            "high": [values["cg_high"], values["cgk_high"]],
        }
    )
    least = min(values["cg_low"], values["cgk_low"])
    proved = (
        "both are proved" if least >= _ENOUGH else "one is proved not to be" if _fails(values) else "not proved to be"
    )
    said = (
        f"{n} readings of {reference:g} mm: bias {1e3 * bias:+.3g} um ({100 * level:g} %: "
        f"{1e3 * (bias - reach):+.3g} to {1e3 * (bias + reach):+.3g}), sd {1e3 * sd:.3g} um; Cg {values['cg']:.2f} "
        f"({span(values['cg_low'], values['cg_high'])}), Cgk {values['cgk']:.2f} ({span(ends[0], ends[1])}) for "
        f"{percent(share)} of {tolerance:g} mm: {proved} at least {_ENOUGH}"
    )
    notes = [*_steps(y, tolerance), *_order(y)]
    if n < _USUAL:
        notes.append(f"{n} readings are few: {_USUAL} at least, 50 are usual (common practice, no source)")
    if u_reference > 0.1 * share * tolerance / 2:
        notes.append("the reference takes more than a tenth of what the method may use: a better one is needed")
    levels = ((0.0, "reference"), *(((s * share / 2 * tolerance), f"{s * share / 2:+.2g} T") for s in (-1, 1)))
    points = Series("points", np.arange(1.0, n + 1), off)
    figure = (Panel("readings less the reference", "reading", "difference [mm]", (points,), levels),)
    return GaugeResult("type-1 study", said, out, values, figure, {}, tuple(notes))


def _fails(values: dict[str, float]) -> bool:
    return min(values["cg_high"], values["cgk_high"]) < _ENOUGH


def _of_one(table: pd.DataFrame, value: str, reference: float, least: int) -> np.ndarray:
    """Readings of one part whose value is known."""
    if isinstance(reference, bool | str) or not np.isfinite(reference):
        raise InputError("the reference value is not usable", found=reference, expected="a number of mm")
    y = readings(table, [value], least=least)[value].to_numpy()
    same_scale(y, np.full(len(y), float(reference)), "reading and reference")
    return y


def _steps(y: np.ndarray, tolerance: float) -> tuple[str, ...]:
    """A note if the readings come in steps of more than a twentieth of the tolerance, or in few of them."""
    step = float(np.diff(np.unique(y)).min())
    if step > 0.05 * tolerance:
        return (f"the readings come in steps of {step:.2g} mm, more than a twentieth of the tolerance",)
    return coarse(y, np.abs(np.diff(y)))


def _order(y: np.ndarray) -> tuple[str, ...]:
    """A note if neighbours in time are alike: the sd then says too little of other days, and n readings are fewer."""
    off = y - y.mean()
    lag = float(off[1:] @ off[:-1] / (off @ off))
    if lag > 2 / np.sqrt(len(y)):
        return (
            f"readings follow their predecessors (correlation {lag:.2f}): they drift, and the intervals are too narrow",
        )
    return ()


def substitution(
    table: pd.DataFrame,
    reference: float,
    U_reference: float,
    *,
    value: str = "value",
    cycle: str | None = None,
    k_reference: float = 2.0,
    u_part: float = 0.0,
    u_bias: float = 0.0,
    level: float = 0.95,
) -> GaugeResult:
    """Uncertainty of a method from repeated readings of a calibrated part like those to be judged (ISO 15530-3).

    Many parameters: what is read, what the calibration says and what the part and the correction add are independent.

    Parameters
    ----------
    table : DataFrame
        One row per reading: the whole method each time, with loading and clamping.
    reference, U_reference : float
        Calibrated value and its expanded uncertainty [mm].
    value : str
        Column of the readings [mm].
    cycle : str, optional
        Column that says which clamping (or day) a reading belongs to. Readings of one cycle share its errors.
    k_reference : float
        Coverage factor of `U_reference`.
    u_part : float
        Standard uncertainty from how the parts to be judged differ from the calibrated one: form, roughness, expansion
        [mm].
    u_bias : float
        Standard uncertainty of the correction besides that of its mean, for instance from temperature [mm].
    level : float
        Coverage probability.

    Returns
    -------
    GaugeResult
        `table`: the budget. `values`: `bias`, `correction`, `u_calibration`, `u_procedure` (sd of a single reading),
        `u_mean`, `u` [mm], `freedom`, `k`, `U` after correction and `U_uncorrected` with the bias added [mm].

    Raises
    ------
    InputError
        If there are fewer than five readings or three cycles, readings are equal, missing or in inches, or a number is
        not usable.

    Notes
    -----
    U = k sqrt(u_cal^2 + u_p^2 + u_w^2 + u_b^2) for readings that are corrected by the bias; not corrected, |bias| is
    added to it (ISO 15530-3:2011 and its predecessor, from memory). u_b holds the uncertainty of the mean, too. k is of
    the t distribution, with the degrees of freedom of u_p (Welch and Satterthwaite, JCGM 100:2008, G.4, from memory).
    """
    positive(U_reference, "uncertainty of the reference", zero=True)
    positive(k_reference, "coverage factor")
    for number, name in ((u_part, "uncertainty of the part"), (u_bias, "uncertainty of the correction")):
        positive(number, name, zero=True)
    confidence(level)
    y = _of_one(table, value, reference, least=5)
    if np.ptp(y) == 0:
        raise InputError("all readings are equal: the display is too coarse, or no part was loaded anew", column=value)
    notes = list(coarse(y, np.abs(np.diff(y))))
    off = y - reference
    if cycle is None:
        u_p, u_mean, freedom, cycles = float(off.std(ddof=1)), float(off.std(ddof=1) / np.sqrt(len(y))), len(y) - 1.0, 0
        notes.append("without cycle= each reading is taken as a clamping of its own")
        bias = float(off.mean())
    else:
        which, names = pd.factorize(readings(table, [value], [cycle])[cycle].to_numpy(dtype=object))
        cycles = len(names)
        if cycles < 3:
            raise InputError(
                "too few cycles to know how they differ", column=cycle, found=cycles, expected="3 at least"
            )
        bias, u_p, u_mean, freedom = _of_cycles(off, which)
    if len(y) < _READINGS or (cycle is not None and cycles < _CYCLES):
        cycles_said = f" in {cycles} cycles" if cycle is not None else ""
        notes.append(
            f"{len(y)} readings{cycles_said}: the standard asks for {_READINGS} in {_CYCLES} cycles (from memory)"
        )
    u_cal = U_reference / k_reference
    parts = {
        "calibration": u_cal,
        "procedure, one reading": u_p,
        "parts unlike the calibrated one": u_part,
        "mean of the readings": u_mean,
        "correction": u_bias,
    }
    u = float(np.sqrt(sum(one**2 for one in parts.values())))
    whole = freedom * u**4 / (u_p**4 + u_mean**4)
    k = float(stats.t.ppf((1 + level) / 2, whole))
    values = {"bias": bias, "correction": -bias, "u_calibration": u_cal, "u_procedure": u_p, "u_mean": u_mean, "u": u}
    values |= {"freedom": whole, "k": k, "U": k * u, "U_uncorrected": k * u + abs(bias)}
    if u_part == 0:
        notes.append("nothing is stated for parts that differ from the calibrated one (u_part)")
    said = (
        f"{len(y)} readings of a calibrated part: correction {-1e3 * bias:+.3g} um, then U {1e3 * k * u:.3g} um "
        f"(k {k:.2f}, {100 * level:g} %); without correction U {1e3 * values['U_uncorrected']:.3g} um"
    )
    out = pd.DataFrame(
        {"cause": list(parts), "u [um]": [1e3 * one for one in parts.values()]}
        | {"% of u²": [100 * one**2 / u**2 for one in parts.values()]}
    )
    points = Series("points", np.arange(1.0, len(y) + 1), off)
    levels = ((0.0, "calibrated"), (bias, "mean"))
    figure = (Panel("readings less the reference", "reading", "difference [mm]", (points,), levels),)
    return GaugeResult("uncertainty by a calibrated part", said, out, values, figure, {}, tuple(notes))


def _of_cycles(off: np.ndarray, which: np.ndarray) -> tuple[float, float, float, float]:
    """Mean of the cycles, sd of a single reading in a new cycle, sd of that mean, degrees of freedom."""
    squares, count, mean = one_factor_squares(within_means(off), which)
    cycles = len(count)
    bias = float(np.mean(mean) + off.mean())
    among = float(mean.var(ddof=1))
    within = float(squares["ms"].iloc[1]) if squares["df"].iloc[1] else 0.0
    rest = within * (1 - float((1 / count).mean()))  # a single reading scatters more than the mean of a cycle
    variance = among + rest
    freedom = variance**2 / (among**2 / (cycles - 1) + (rest**2 / squares["df"].iloc[1] if rest > 0 else 0.0))
    return bias, float(np.sqrt(variance)), float(np.sqrt(among / cycles)), float(freedom)
