"""Drift of a cutter: what it leaves on from part to part, and when a limit will be reached."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import InputError
from .readings import confidence, no_inches, readings
from .result import GaugeResult, Panel, Series
from .straight import Line, line

__all__ = ["cutter_drift"]

_LEAST = 6  # parts of one cutter
_CURVED = 0.01  # p-value of a second-degree term from which on a line foretells nothing


def cutter_drift(
    table: pd.DataFrame,
    *,
    value: str = "deviation",
    part: str = "part",
    tool: str | None = None,
    lower: float | None = None,
    upper: float | None = None,
    level: float = 0.95,
) -> GaugeResult:
    """Change of a deviation from part to part, and the part before which the cutter must be changed.

    Parameters
    ----------
    table : DataFrame
        One row per touch or per part, in the order of making; touches of a part are averaged.
    value : str
        Column of deviations that the cutter made [mm], for instance of one face.
    part : str
        Column of the number of the part. Numbers must rise; other names count in the order of the table.
    tool : str, optional
        Column that names the cutter: the last one is judged, from its first part on.
    lower, upper : float, optional
        Limits of the deviation [mm].
    level : float
        Confidence of the interval of the drift; a part stays within the limits with that chance, on each side.

    Returns
    -------
    GaugeResult
        `table`: by part the mean, the line, and where a part would lie. `values`: `slope` [mm per part] with
        `slope_low, slope_high`, `p_slope`, `sd` of a part about the line [mm], `p_curved`, `parts`, `last` (number of
        the last part), `change_before` (number of the part that may leave the limits; NaN if none may among as many as
        were seen).

    Raises
    ------
    InputError
        If the cutter made fewer than six parts, a part comes back after another, a number falls, deviations are all
        equal, or readings are missing or in inches; or if both limits are exchanged.

    Notes
    -----
    Least squares on the means of parts, with the prediction interval of one more part. Nothing is foretold further than
    as many parts as were seen, nor if the drift is curved.
    """
    confidence(level)
    low, high = -np.inf if lower is None else float(lower), np.inf if upper is None else float(upper)
    if not low < high:
        raise InputError("the limits are exchanged", found=f"{lower} to {upper}", expected="lower below upper")
    labels = [part, *([tool] if tool else [])]
    tidy = readings(table, [value], labels, least=_LEAST)
    no_inches(tidy[value].to_numpy(), tidy[part].to_numpy(dtype=object), part)
    last = None
    if tool:
        _in_one_piece(tidy, tool)
        last = tidy[tool].iloc[-1]
        tidy = tidy[tidy[tool] == last]
    _in_one_piece(tidy, part)
    mean = tidy.groupby(part, sort=False)[value].mean()
    x, y = _numbers(mean.index, part), mean.to_numpy()
    if len(x) < _LEAST:
        raise InputError("too few parts of this cutter to tell a drift", found=len(x), expected=f"{_LEAST} or more")
    if np.ptp(y) == 0:
        raise InputError("all parts have the same deviation: they look copied", column=value, found=y[0])
    fit = line(x, y, part)
    off = y - fit.at(x)
    p_curved, alike = _curved(x, y), float(off[1:] @ off[:-1] / (off @ off)) if off.any() else 0.0
    # neighbours that are alike tell less than their number says
    widen = float(np.sqrt((1 + alike) / (1 - alike))) if alike > 2 / np.sqrt(len(x)) else 1.0
    reach = float(stats.t.ppf((1 + level) / 2, len(x) - 2)) * fit.u_slope * widen
    p_slope = float(2 * stats.t.sf(abs(fit.slope) / (fit.u_slope * widen), len(x) - 2)) if fit.u_slope > 0 else 0.0
    values = {"slope": fit.slope, "slope_low": fit.slope - reach, "slope_high": fit.slope + reach, "p_slope": p_slope}
    values |= {"sd": fit.sd, "p_curved": p_curved, "parts": float(len(x)), "last": float(x[-1])}
    ahead = _ahead(x)
    band = float(stats.t.ppf(level, len(x) - 2)) * widen
    values["change_before"], told = _forecast(fit, ahead, band, (low, high), p_curved, y[-1])
    said = (
        f"{len(x)} parts{f' of cutter {last}' if tool else ''}: {1e3 * fit.slope:+.3g} um a part ({100 * level:g} %: "
        f"{1e3 * (fit.slope - reach):+.3g} to {1e3 * (fit.slope + reach):+.3g}), "
        f"{'a drift' if p_slope < 1 - level else 'no drift proved'} (p {p_slope:.2g}), "
        f"sd about it {1e3 * fit.sd:.3g} um; {told}"
    )
    notes = [f"parts follow their predecessors (correlation {alike:.2f}): intervals widened"] * (widen > 1)
    notes += [f"the drift is curved (p {p_curved:.1g}): the line is its mean only"] * (p_curved < _CURVED)
    out = pd.DataFrame({"part": mean.index.astype(str), "mean": y, "line": fit.at(x)})
    out["low"], out["high"] = fit.at(x) - band * fit.u_at(x, single=True), fit.at(x) + band * fit.u_at(x, single=True)
    along = np.concatenate([x, ahead])
    middle, width = fit.at(along), band * fit.u_at(along, single=True)
    series = (
        Series("points", x, y, "parts"),
        Series("line", along, middle, "line"),
        Series("band", along, middle - width, "a part to come", upper=middle + width),
    )
    levels = tuple((one, "limit") for one in (low, high) if np.isfinite(one))
    figure = (Panel("deviation by part", part, f"{value} [mm]", series, levels),)
    return GaugeResult("drift of a cutter", said, out, values, figure, {}, tuple(notes))


def _in_one_piece(tidy: pd.DataFrame, name: str) -> None:
    which = pd.factorize(tidy[name].to_numpy(dtype=object))[0]
    if (np.diff(which) < 0).any():
        row = int(np.argmax(np.diff(which) < 0)) + 1
        raise InputError(
            f"a {name} comes back after another",
            column=name,
            found=tidy[name].iloc[row],
            expected="the order of making",
        )


def _numbers(parts: pd.Index, name: str) -> np.ndarray:
    numbers = pd.to_numeric(pd.Series(list(parts)), errors="coerce").to_numpy(dtype=float)
    if np.isnan(numbers).any():
        return np.arange(1.0, len(parts) + 1)
    if (np.diff(numbers) <= 0).any():
        k = int(np.argmax(np.diff(numbers) <= 0))
        raise InputError("numbers of parts must rise", column=name, found=f"{numbers[k + 1]:g} after {numbers[k]:g}")
    return numbers


def _curved(x: np.ndarray, y: np.ndarray) -> float:
    """P-value of a second-degree term."""
    z = (x - x.mean()) / np.ptp(x)
    columns = np.column_stack([np.ones(len(z)), z, z**2])
    rest = [float(((y - c @ np.linalg.lstsq(c, y, rcond=None)[0]) ** 2).sum()) for c in (columns[:, :2], columns)]
    if rest[1] <= 0:
        return 1.0
    return float(stats.f.sf((rest[0] - rest[1]) / (rest[1] / (len(x) - 3)), 1, len(x) - 3))


def _ahead(x: np.ndarray) -> np.ndarray:
    """Numbers of as many parts to come as were seen."""
    return x[-1] + float(np.median(np.diff(x))) * np.arange(1, len(x) + 1)


def _forecast(
    fit: Line, ahead: np.ndarray, band: float, limits: tuple[float, float], p_curved: float, now: float
) -> tuple[float, str]:
    """Number of the part that may leave the limits, and that in words."""
    low, high = limits
    if np.isinf(low) and np.isinf(high):
        return float("nan"), "no limits are given"
    if not low <= now <= high:
        return float(ahead[0]), "the last part is beyond its limits: change the cutter now"
    if p_curved < _CURVED:
        return float("nan"), "no forecast, for the drift is curved"
    reach = band * fit.u_at(ahead, single=True)
    beyond = (fit.at(ahead) + reach > high) | (fit.at(ahead) - reach < low)
    if not beyond.any():
        return float(
            "nan"
        ), f"none of the next {len(ahead)} parts is likely to leave its limits; no forecast beyond them"
    return float(
        ahead[beyond.argmax()]
    ), f"change it before part {ahead[beyond.argmax()]:g}, which may leave its limits"
