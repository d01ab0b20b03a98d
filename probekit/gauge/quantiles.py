"""Capability of readings that are not normal: quantiles of a fitted distribution, or of the readings themselves."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .result import GaugeResult, Panel, Series, percent, span
from .variance import SEED

__all__ = ["by_quantiles", "walls"]

_PARTS = stats.norm.cdf([-3.0, 0.0, 3.0])  # 0.135, 50, 99.865 %
_EMPIRICAL = 1000  # readings from which on their own quantiles tell of 0.135 %
_DRAWS = {"empirical": 2000, "fitted": 200}
_FITS = 0.01  # p-value below which a distribution does not describe the readings
_TRIALS = 199  # so many that a p-value can be below `_FITS`


def by_quantiles(
    y: np.ndarray, limits: tuple[float, float], distribution: str, level: float, notes: list[str]
) -> GaugeResult:
    """Pp and Ppk by quantiles (ISO 22514-2, from memory), with intervals by bootstrap.

    Parameters
    ----------
    y : (n,) float
    limits : (float, float)
        Infinite where there is none.
    distribution : str
        Name of a continuous distribution of `scipy.stats`, or "empirical".
    level : float
    notes : list of str

    Raises
    ------
    InputError
        If the distribution is not known, does not describe the readings, or there are too few for their own quantiles.
    """
    rng = np.random.default_rng(SEED)
    if distribution == "empirical":
        if len(y) < _EMPIRICAL:
            raise InputError(
                "too few readings for their own quantiles of 0.135 %",
                found=len(y),
                expected=f"{_EMPIRICAL} or more",
                todo="Name a distribution that fits, of scipy.stats.",
            )
        ends = np.quantile(y, _PARTS)
        draws = np.array([np.quantile(rng.choice(y, len(y)), _PARTS) for _ in range(_DRAWS["empirical"])])
        outside, curve = float(((y < limits[0]) | (y > limits[1])).mean()), None
    else:
        family = getattr(stats, distribution, None)
        if not isinstance(family, stats.rv_continuous):
            raise InputError(
                "the distribution is not known", found=distribution, expected="a name of scipy.stats, as lognorm"
            )
        fit = _fit(family, y)
        p = _fits(family, fit, y, rng)
        if p < _FITS:
            raise InputError(
                f"the distribution does not describe the readings (p {p:.2g})",
                found=distribution,
                todo="Look at the histogram, and for two processes in one table.",
            )
        notes.append(f"{distribution} fitted to {len(y)} readings (p {p:.2g}); its ends are not proved by so few")
        ends = family.ppf(_PARTS, *fit)
        refitted = [_fit(family, family.rvs(*fit, size=len(y), random_state=rng)) for _ in range(_DRAWS["fitted"])]
        draws = np.array([family.ppf(_PARTS, *one) for one in refitted])
        outside = float(family.cdf(limits[0], *fit) + family.sf(limits[1], *fit))
        curve = family, fit
    indices = _indices(ends, limits)
    drawn = [_indices(one, limits) for one in draws]
    parts = [(1 - level) / 2, (1 + level) / 2]
    rows = [(name, one, *np.quantile([each[name] for each in drawn], parts)) for name, one in indices.items()]
    out = pd.DataFrame(rows, columns=["index", "value", "low", "high"])
    values = {"mean": float(y.mean()), "overall": float(y.std(ddof=1)), "median": float(ends[1])}
    for name, one, low, high in rows:
        values |= {name: float(one), f"{name}_low": float(low), f"{name}_high": float(high)}
    values |= {"outside": outside, "outside_seen": float(((y < limits[0]) | (y > limits[1])).mean())}
    said = (
        f"{len(y)} readings, {distribution}: Ppk {values['ppk']:.3g} ({100 * level:g} %: "
        f"{span(values['ppk_low'], values['ppk_high'])}) by quantiles; {percent(outside)} expected outside, "
        f"{percent(values['outside_seen'])} seen"
    )
    return GaugeResult("capability by quantiles", said, out, values, _figure(y, limits, curve), {}, tuple(notes))


def _fit(family: stats.rv_continuous, y: np.ndarray) -> tuple[float, ...]:
    """By likelihood; where all readings are far above zero, their place is found as well."""
    positive = y.min() > 0 and family.a == 0 and np.ptp(y) > 0.05 * y.max()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = family.fit(y, floc=0.0) if positive else family.fit(y)
    if not np.isfinite(family.logpdf(y, *fit)).all():
        raise InputError("the distribution cannot give some of the readings", found=family.name)
    return tuple(map(float, fit))


def _fits(family: stats.rv_continuous, fit: tuple[float, ...], y: np.ndarray, rng: np.random.Generator) -> float:
    """P-value of the largest distance of the distribution functions, its parameters fitted anew to each draw."""
    own = stats.kstest(y, family.cdf, fit).statistic
    larger = 0
    for _ in range(_TRIALS):
        drawn = family.rvs(*fit, size=len(y), random_state=rng)
        larger += stats.kstest(drawn, family.cdf, _fit(family, drawn)).statistic >= own
    return (larger + 1) / (_TRIALS + 1)


def _indices(ends: np.ndarray, limits: tuple[float, float]) -> dict[str, float]:
    low, middle, high = (float(one) for one in ends)
    out = {}
    if np.isfinite(limits).all():
        out["pp"] = (limits[1] - limits[0]) / (high - low)
    if np.isfinite(limits[0]):
        out["ppl"] = (middle - limits[0]) / (middle - low)
    if np.isfinite(limits[1]):
        out["ppu"] = (limits[1] - middle) / (high - middle)
    return out | {"ppk": min(out.get("ppl", np.inf), out.get("ppu", np.inf))}


def walls(ends: list[float], top: float) -> Series:
    """Limits as upright lines up to `top`."""
    x = np.concatenate([[one, one, np.nan] for one in ends])
    return Series("line", x, np.tile([0.0, top, np.nan], len(ends)), "limit")


def _figure(y: np.ndarray, limits: tuple[float, float], curve: tuple | None) -> tuple[Panel, ...]:
    count, edges = np.histogram(y, bins="sqrt")
    series = [Series("bars", (edges[1:] + edges[:-1]) / 2, count.astype(float))]
    ends = [one for one in limits if np.isfinite(one)]
    if curve is not None:
        along = np.linspace(min(*y, *ends), max(*y, *ends), 201)
        density = curve[0].pdf(along, *curve[1])
        density = np.where(np.isfinite(density), density, 0.0)
        series.append(Series("line", along, len(y) * (edges[1] - edges[0]) * density, "fitted"))
    series.append(walls(ends, float(count.max())))
    return (Panel("readings and limits", "reading [mm]", "parts", tuple(series)),)
