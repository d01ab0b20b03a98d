"""Whether a check finds what it should: detection rate and false alarms on the virtual machine."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy import stats

from ..errors import FitError, InputError
from .readings import confidence, whole
from .result import GaugeResult, Panel, Series, percent, span
from .scenarios import Scenarios

__all__ = ["compare", "prove"]

Check = Callable[[pd.DataFrame], object]

_WANTED = 0.9  # part of the faulty parts that a check must be proved to find
_LIMITS = "proved on a model with the faults and errors it was given, and no others: it says nothing of faults left out"


def prove(check: Check, scenarios: Scenarios, *, runs: int = 60, seed: int = 0, level: float = 0.95) -> GaugeResult:
    """Detection rate and false alarms of a check.

    Parameters
    ----------
    check : callable
        From a deviations table to True (a fault), False, or an `Evaluation`, which finds a fault if its actual value is
        larger than its width: a check as a study names it, ``lambda table: waviness(table, 0.05, ["top"])``.
    scenarios : Scenarios
    runs : int
        Parts of each fault and size, and good ones, 10 at least.
    seed : int
        Same seed, same parts, same result.
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: fault (first the good part), size, parts, alarms, rate with `low` and `high`, `failed`: parts on which
        the check gave no answer. `values`: `false_alarm, false_alarm_low, false_alarm_high`; by fault ``smallest
        <fault>``, the smallest size from which on at least 90 % are proved to be found (NaN if none).

    Raises
    ------
    InputError
        If the check gives something else, a number is not usable, or the machine stopped.

    Notes
    -----
    Exact binomial intervals (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413). A check that raises an
    `InputError` or a `FitError` has given no answer: such a part counts as not found, and a good one as no alarm.
    """
    confidence(level)
    out = _rates(_found({"check": check}, scenarios, whole(runs, "number of parts", 10), whole(seed, "seed", 0)), level)
    good = out.iloc[0]
    values = {"false_alarm": good["rate"], "false_alarm_low": good["low"], "false_alarm_high": good["high"]}
    told = []
    for name in scenarios.faults:
        of = out[out["fault"] == name].sort_values("size")
        proved = (of["low"] >= _WANTED).to_numpy()
        from_here = np.flatnonzero(np.logical_and.accumulate(proved[::-1])[::-1])
        values[f"smallest {name}"] = float(of["size"].iloc[from_here[0]]) if len(from_here) else float("nan")
        told.append(
            f"{name}: {percent(_WANTED)} proved to be found from {values[f'smallest {name}']:g} on"
            if len(from_here)
            else f"{name}: not proved to be found at any size tried"
        )
    said = (
        f"{int(good['parts'])} good parts, {int(good['alarms'])} false alarms ({100 * level:g} %: "
        f"{span(100 * good['low'], 100 * good['high'])} %); {'; '.join(told)}"
    )
    notes = [_LIMITS]
    if failed := int(out["failed"].sum()):
        notes.append(f"on {failed} of {int(out['parts'].sum())} parts the check gave no answer, see the table")
    levels = ((float(good["rate"]), "false alarms"),)
    panels = tuple(_panel(out, name, levels) for name in scenarios.faults)
    return GaugeResult("a check on simulated parts", said, out, values, panels, {}, tuple(notes))


def compare(
    one: Check, other: Check, scenarios: Scenarios, *, runs: int = 60, seed: int = 0, level: float = 0.95
) -> GaugeResult:
    """Two checks on the same simulated parts, pair by pair.

    Parameters
    ----------
    one, other : callable
        Checks as for `prove`.
    scenarios : Scenarios
    runs, seed, level
        As for `prove`.

    Returns
    -------
    GaugeResult
        `table`: fault, size, parts, alarms of each, how many parts one alone and the other alone marked, difference of
        the rates with `low` and `high`, `p` that both are alike. `values`: ``p good``, ``difference good``, and for
        each fault ``p <fault>``, ``difference <fault>`` over all its sizes.

    Raises
    ------
    InputError
        As for `prove`.

    Notes
    -----
    Exact test of the parts that only one of them marks (Q. McNemar, Psychometrika 12 (1947) 153-157); interval of the
    difference by adding a half to each cell (A. Agresti, Y. Min, Statistics in Medicine 24 (2005) 729-740, from
    memory).
    """
    confidence(level)
    checks = {"one": one, "other": other}
    found = _found(checks, scenarios, whole(runs, "number of parts", 10), whole(seed, "seed", 0))
    rows: list[tuple[object, ...]] = []
    values: dict[str, float] = {}
    for (fault, size), of in found.items():
        a, b = (of[name] == 1 for name in checks)
        rows.append((fault or "good", size, len(a), int(a.sum()), int(b.sum()), *_paired(a, b, level)))
    names = ["one alone", "other alone", "difference", "low", "high", "p"]
    out = pd.DataFrame(rows, columns=["fault", "size", "parts", "one", "other", *names])
    told = []
    for name in ("", *scenarios.faults):
        a, b = (np.concatenate([of[k] == 1 for (fault, _), of in found.items() if fault == name]) for k in checks)
        *_, difference, low, high, p = _paired(a, b, level)
        said = name or "good"
        values |= {f"difference {said}": difference, f"p {said}": p}
        more = "no difference proved" if p >= 1 - level else f"{'one' if difference > 0 else 'other'} marks more"
        told.append(f"{name or 'good parts'}: {more} ({100 * low:+.3g} to {100 * high:+.3g} %, p {p:.2g})")
    panels = []
    for name in scenarios.faults:
        of = out[out["fault"] == name]
        lines = (
            Series("line", of["size"].to_numpy(), (of[key] / of["parts"]).to_numpy(float), f"check {key}")
            for key in checks
        )
        panels.append(Panel(f"found: {name}", "size", "rate", tuple(lines)))
    sentence = f"two checks on the same {int(out['parts'].sum())} parts; {'; '.join(told)}"
    return GaugeResult("two checks on the same parts", sentence, out, values, tuple(panels), {}, (_LIMITS,))


def _found(
    checks: dict[str, Check], scenarios: Scenarios, runs: int, seed: int
) -> dict[tuple[str, float], dict[str, np.ndarray]]:
    """What each check says of each part: 1 a fault, 0 none, -1 no answer; by fault and size."""
    out = {}
    for fault, size in scenarios.cases():
        said: dict[str, list[int]] = {name: [] for name in checks}
        for table in scenarios.tables(fault, size, runs, seed):
            for name, check in checks.items():
                said[name].append(_answer(check, table.copy()))
        out[fault, size] = {name: np.array(one) for name, one in said.items()}
    return out


def _answer(check: Check, table: pd.DataFrame) -> int:
    try:
        found = check(table)
    except (FitError, InputError):
        return -1
    if isinstance(found, bool | np.bool_):
        return int(found)
    actual, width = getattr(found, "actual", None), getattr(found, "width", None)
    if actual is None or width is None:
        raise InputError("a check gives True, False or an Evaluation", found=type(found).__name__)
    return int(actual > width) if np.isfinite(actual) else -1


def _rates(found: dict[tuple[str, float], dict[str, np.ndarray]], level: float) -> pd.DataFrame:
    rows = []
    for (fault, size), of in found.items():
        answers = of["check"]
        alarms = int((answers == 1).sum())
        ends = stats.binomtest(alarms, len(answers)).proportion_ci(level, method="exact")
        row = (fault or "good", size, len(answers), alarms, alarms / len(answers), float(ends.low), float(ends.high))
        rows.append((*row, int((answers == -1).sum())))
    return pd.DataFrame(rows, columns=["fault", "size", "parts", "alarms", "rate", "low", "high", "failed"])


def _paired(a: np.ndarray, b: np.ndarray, level: float) -> tuple[int, int, float, float, float, float]:
    """Parts that only a marks, only b, the difference of the rates with its interval, and the exact p-value."""
    only_a, only_b, n = int((a & ~b).sum()), int((b & ~a).sum()), len(a)
    p = float(stats.binomtest(only_a, only_a + only_b).pvalue) if only_a + only_b else 1.0
    up, down, total = only_a + 0.5, only_b + 0.5, n + 2.0
    middle = (up - down) / total
    reach = float(stats.norm.ppf((1 + level) / 2) * np.sqrt((up + down) / total - middle**2) / np.sqrt(total))
    return only_a, only_b, (only_a - only_b) / n, max(-1.0, middle - reach), min(1.0, middle + reach), p


def _panel(out: pd.DataFrame, name: str, levels: tuple[tuple[float, str], ...]) -> Panel:
    of = out[out["fault"] == name].sort_values("size")
    size = of["size"].to_numpy(float)
    series = (
        Series("line", size, of["rate"].to_numpy(float), "found"),
        Series("band", size, of["low"].to_numpy(float), "its interval", upper=of["high"].to_numpy(float)),
        Series("points", size, of["rate"].to_numpy(float)),
    )
    return Panel(f"found: {name}", "size", "rate", series, levels)
