"""Trends over parts of one revision: tolerances, what cutters leave on, where the part is clamped."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from .. import gauge
from ..errors import InputError
from ..gauge.charts import sorted_by_size
from ..gauge.result import GaugeResult
from ..gauge.straight import line

__all__ = ["drifts", "setups", "tolerances"]

_SIX = ("tx", "ty", "tz", "rx", "ry", "rz")
_CHANCE = 0.05  # of a false alarm among all lines of a table together (Bonferroni)


def tolerances(actual: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, GaugeResult]]:
    """How each tolerance has fared.

    Parameters
    ----------
    actual : DataFrame
        A row per part and tolerance, in the order of parts: `name, kind, word, actual, width`.

    Returns
    -------
    DataFrame
        `name, kind, width, parts, conforms, does_not, undecided, mean, largest` [mm], `ppk, ppk_low`, `signals` (points
        of the control chart that break a rule), `said` (why there is no index or chart).
    dict
        Its studies by name.
    """
    rows: list[tuple[object, ...]] = []
    studies: dict[str, GaugeResult] = {}
    for name, of in actual.groupby("name", sort=False):
        known = of[of["actual"].notna()].reset_index(drop=True)
        words = of["word"].value_counts()
        width = float(of["width"].iloc[-1])
        said: list[str] = []
        capable = _tried(partial(gauge.capability, known, upper=width, value="actual"), said, "no capability: ")
        chart = _chart(known, "actual", said)
        counts = [int(words.get(word, 0)) for word in ("conforms", "does not conform")]
        ppk = [capable.values[key] if capable else np.nan for key in ("ppk", "ppk_low")]
        signals = chart.values["signals"] if chart else np.nan
        ends = (float(known["actual"].mean()), float(known["actual"].max()))
        fared = (len(of), *counts, len(of) - sum(counts), *ends, *ppk, signals, "; ".join(dict.fromkeys(said)))
        rows.append((name, of["kind"].iloc[-1], width, *fared))
        studies |= {f"{name}: {what}": one for what, one in (("capability", capable), ("chart", chart)) if one}
    names = ["name", "kind", "width", "parts", "conforms", "does_not", "undecided", "mean", "largest", "ppk", "ppk_low"]
    return pd.DataFrame(rows, columns=[*names, "signals", "said"]), studies


def drifts(
    touches: pd.DataFrame, cutters: Sequence[Mapping[str, Any]]
) -> tuple[pd.DataFrame, dict[str, GaugeResult], list[str]]:
    """What is left on from part to part, by cutter where the study names them, else by feature.

    Parameters
    ----------
    touches : DataFrame
        All touches: `part` (its number), `feature, face, deviation, lower, upper`.
    cutters : sequence of mapping
        Tables ``[[cutter]]`` of the study: `tool, faces`.

    Returns
    -------
    DataFrame
        `what, parts, slope, slope_low, slope_high` [um per part], `p`, `change_before` (part), `said`.
    dict
        Its studies by name.
    list of str
        Notes.
    """
    judged = touches[touches["deviation"].notna()]
    groups = []
    for cutter in cutters:
        faces = [cutter["faces"]] if isinstance(cutter["faces"], str) else list(cutter["faces"])
        of = judged[judged["feature"].isin(faces) | judged.get("face", judged["feature"]).isin(faces)]
        groups.append((f"cutter {cutter['tool']} ({', '.join(faces)})", of))
    if not cutters:
        groups = [(str(name), of) for name, of in judged.groupby("feature", sort=False)]
    rows, studies = [], {}
    for name, of in groups:
        said: list[str] = []
        mean = of.groupby("part", as_index=False)["deviation"].mean() if len(of) else pd.DataFrame()
        low, high = (
            float(of[end].median()) if end in of and of[end].notna().any() else None for end in ("lower", "upper")
        )
        found = _tried(partial(gauge.cutter_drift, mean, lower=low, upper=high), said)
        values = [np.nan] * 5
        if found is not None:
            slopes = [1e3 * found.values[key] for key in ("slope", "slope_low", "slope_high")]
            values = [*slopes, found.values["p_slope"], found.values["change_before"]]
            studies[f"drift: {name}"] = found
        parts = 0 if mean.empty else len(mean)
        rows.append((name, parts, *values, found.sentence.rsplit(" um; ", 1)[-1] if found else "; ".join(said)))
    names = ["what", "parts", "slope", "slope_low", "slope_high", "p", "change_before", "said"]
    table = pd.DataFrame(rows, columns=names)
    return table, studies, _proved(table, "drifts", " um a part")


def setups(placed: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, GaugeResult], list[str]]:
    """Where the part sits, from part to part: each number of the alignment.

    Parameters
    ----------
    placed : DataFrame
        A row per part: `part, tx, ty, tz` [mm], `rx, ry, rz` [degrees], `rms` [mm].

    Returns
    -------
    DataFrame
        `what, unit, parts, mean, sd, slope` per part, `p`, `signals`, `said`.
    dict
        Its control charts by name.
    list of str
        Notes.
    """
    rows, studies = [], {}
    for name in (*_SIX, "rms"):
        known = placed[placed[name].notna()].reset_index(drop=True)
        values = known[name].to_numpy(dtype=float)
        if not len(values) or not np.ptp(values) > 0:
            continue
        said: list[str] = []
        unit = "degrees" if name.startswith("r") and name != "rms" else "mm"
        chart = _chart(known, name, said, unit)
        slope, p = np.nan, np.nan
        if len(values) >= 6:
            fit = line(known["part"].to_numpy(dtype=float), values, "part")
            slope = fit.slope
            p = float(2 * stats.t.sf(abs(fit.slope) / fit.u_slope, len(values) - 2)) if fit.u_slope > 0 else 0.0
        sd = float(values.std(ddof=1)) if len(values) > 1 else np.nan
        signals = chart.values["signals"] if chart else np.nan
        rows.append((name, unit, len(values), float(values.mean()), sd, slope, p, signals, "; ".join(said)))
        if chart is not None:
            studies[f"set-up: {name}"] = chart
    names = ["what", "unit", "parts", "mean", "sd", "slope", "p", "signals", "said"]
    table = pd.DataFrame(rows, columns=names)
    return table, studies, _proved(table, "moves", "")


def _proved(table: pd.DataFrame, verb: str, unit: str) -> list[str]:
    """What drifts beyond chance, with all lines of the table together held to one level."""
    tried = table["p"].notna()
    real = table[tried & (table["p"] * max(int(tried.sum()), 1) < _CHANCE)]
    return [
        f"{row.what} {verb}: {row.slope:+.3g}{unit or f' {row.unit} a part'} (p {row.p:.1g})"
        for row in real.itertuples()
    ]


def _chart(known: pd.DataFrame, value: str, said: list[str], unit: str = "mm") -> GaugeResult | None:
    if sorted_by_size(known[value].to_numpy(dtype=float)):
        said.append("it moves one way all the time: no chart")
        return None
    return _tried(partial(gauge.stability, known[[value]], value=value, unit=unit), said, "no chart: ")


def _tried(call: Callable[[], GaugeResult], said: list[str], lack: str = "") -> GaugeResult | None:
    """The study, or None where its readings do not allow it: why then stands in the table."""
    try:
        return call()
    except InputError as error:
        wanted = "" if error.expected is None else f"; expected {error.expected}"
        said.append(lack + error.what + ("" if error.found is None else f" (found {error.found}{wanted})"))
        return None
