"""Repeatability and reproducibility: who or what makes readings of the same part differ.

symbol    variable         meaning
sigma_e   repeatability    same part, same operator (or clamping, or program), again
sigma_o   operator         between operators
sigma_po  interaction      parts that one operator reads otherwise than another
GRR       grr              repeatability and reproducibility together
PV        part             between parts
ndc       ndc              categories of parts that can be told apart: 1.41 PV / GRR, rounded down

Formulas as in AIAG, Measurement Systems Analysis, 4th ed., and D. C. Montgomery, Introduction to Statistical Quality
Control; both from memory, with their tables of results quoted (tests/published).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from ..errors import InputError
from .readings import coarse, confidence, no_inches, positive, readings
from .result import GaugeResult, Panel, Series, percent, span
from .spreads import range_freedom, range_mean, range_root
from .variance import SEED, Components, crossed_squares, expected_draws, f_tests, within_means

__all__ = ["r_and_r"]

Method = Literal["anova", "range", "mixed"]
_SOURCES = ("repeatability", "operator", "interaction", "reproducibility", "grr", "part", "total")
_NDC = 1.41  # as the handbooks have it, not the root of 2
_GOOD, _BAD = 0.10, 0.30  # of the total variation (AIAG, from memory)
_USUAL = {"part": 5, "operator": 3}  # fewer than these, and the interval is hardly of use (common practice, no source)


def r_and_r(
    table: pd.DataFrame,
    *,
    value: str = "value",
    part: str = "part",
    operator: str = "operator",
    trial: str | None = None,
    method: Method = "anova",
    pool_above: float = 0.25,
    tolerance: float | None = None,
    level: float = 0.95,
) -> GaugeResult:
    """Repeatability and reproducibility of readings of several parts by several operators, each several times.

    Many parameters: the names of the columns, the method, its pooling and what the result is compared with are
    independent choices.

    Parameters
    ----------
    table : DataFrame
        One row per reading.
    value, part, operator : str
        Columns: the reading [mm]; which part; who, or what changes as an operator would: clamping, machine, program.
    trial : str, optional
        Column with the number of the repetition. Part, operator and trial then name a reading, once.
    method : {"anova", "range", "mixed"}
        "anova": crossed analysis of variance, of a complete table. "range": average and range, of the same, for
        comparison with paper forms: it has no interaction. "mixed": restricted maximum likelihood, for a table with
        missing readings.
    pool_above : float
        With "anova": the interaction goes into the repeatability if its p-value is above this. 0 pools always, 1 never.
    tolerance : float, optional
        Full width of the tolerance [mm].
    level : float
        Confidence of the intervals.

    Returns
    -------
    GaugeResult
        `table`: source, variance [mm^2], sd [mm] with `low` and `high`, its part of the total variance and of the total
        sd, of the tolerance (6 sd) [%]. `values`: the sd of each source by name, `share` (GRR over total, as sd) with
        `share_low` and `share_high`, `ndc`, `ndc_exact`, `of_tolerance` if one is given, `p_interaction`.
        `tables["analysis of variance"]`: which test against which mean square.

    Raises
    ------
    InputError
        If readings are missing, doubled, constant or in two units; if there is one part, one operator or one trial; if
        the table is not complete (but for "mixed").
    FitError
        If the likelihood found no maximum.

    Notes
    -----
    Without pooling, part and operator are tested against the interaction, and the interaction against repeatability;
    with pooling, all against the pooled repeatability. A variance that comes out negative is set to zero and named.
    Intervals are of generalized pivotal quantities; for "mixed" from the expected information, for "range" from the
    degrees of freedom of each range.
    """
    confidence(level)
    tidy = readings(table, [value], [part, operator], once=[part, operator, trial] if trial else [], least=8)
    _counts(tidy, part, operator)
    y = tidy[value].to_numpy()
    no_inches(y, tidy[part].to_numpy(dtype=object), part)
    if method == "mixed":
        from .mixed import mixed_components

        found = mixed_components(tidy, value, part, operator)
    elif method in ("anova", "range"):
        cells = _cells(tidy, value, part, operator)
        found = _anova(cells, pool_above) if method == "anova" else _ranges(cells)
    else:
        raise InputError("the method is not known", found=method, expected="anova, range or mixed")
    ranges = tidy.groupby([part, operator], sort=False)[value].agg(np.ptp).to_numpy()
    found.notes.extend(coarse(y, ranges))
    found.notes.extend(
        f"{tidy[name].nunique()} {name}s: few to speak of all; {usual} or more are usual"
        for name, usual in zip((part, operator), _USUAL.values(), strict=True)
        if tidy[name].nunique() < usual
    )
    return _result(found, tidy, (value, part, operator), tolerance, level)


def _counts(tidy: pd.DataFrame, part: str, operator: str) -> None:
    for name, todo in (
        (part, "With one part nothing is known of parts: use one_way with the operators as groups."),
        (operator, "With one operator there is no reproducibility: use one_way with the parts as groups."),
    ):
        if tidy[name].nunique() < 2:
            raise InputError(
                f"all readings have the same {name}", column=name, found=tidy[name].iloc[0], expected="two", todo=todo
            )


def _cells(tidy: pd.DataFrame, value: str, part: str, operator: str) -> np.ndarray:
    """(p, o, r) readings of a complete table."""
    parts, operators = pd.factorize(tidy[part].to_numpy(dtype=object)), pd.factorize(tidy[operator].to_numpy(object))
    count = np.zeros((len(parts[1]), len(operators[1])), int)
    np.add.at(count, (parts[0], operators[0]), 1)
    usual = int(np.bincount(count.ravel()).argmax())
    if (count != count.flat[0]).any():
        a, b = np.argwhere(count != usual)[0]
        raise InputError(
            f"the table is not complete: {part} {parts[1][a]} by {operator} {operators[1][b]} has {count[a, b]} "
            f"readings, most others {usual}",
            expected="as many readings of every part by every operator",
            todo='Repeat the missing readings, or use method="mixed".',
        )
    if usual < 2:
        raise InputError(
            "each part was read once by each operator: repeatability and interaction cannot be told apart",
            found="1 trial",
            expected="two or more",
        )
    order = np.lexsort((np.arange(len(tidy)), operators[0], parts[0]))
    cells = tidy[value].to_numpy()[order].reshape(*count.shape, usual)
    if (np.ptp(cells, axis=2) == 0).all():
        raise InputError(
            "every operator read the same number each time: no scatter to speak of",
            found=f"{usual} equal trials throughout",
            expected="readings with all digits of the display, each made anew",
        )
    return cells


def _anova(cells: np.ndarray, pool_above: float) -> Components:
    if not 0 <= pool_above <= 1:
        raise InputError("a p-value lies between 0 and 1", found=pool_above, expected="0.25")
    p, o, r = cells.shape
    squares = crossed_squares(within_means(cells))
    full = f_tests(squares, {"part": "interaction", "operator": "interaction", "interaction": "repeatability"})
    p_value = float(full["p"].iloc[2])
    pooled = p_value > pool_above
    if pooled:
        merged = squares.iloc[[0, 1, 3]].reset_index(drop=True)
        merged.loc[2, ["df", "ss"]] += squares.loc[2, ["df", "ss"]]
        merged["df"], merged["ms"] = merged["df"].astype(int), merged["ss"] / merged["df"]
        tests = pd.concat([full.iloc[[2]], f_tests(merged, dict.fromkeys(("part", "operator"), "repeatability"))])
        squares, below = merged, "repeatability"
    else:
        tests, below = full, "interaction"

    def components(ms: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        return {
            "repeatability": ms["repeatability"],
            "operator": (ms["operator"] - ms[below]) / (p * r),
            "interaction": 0.0 * ms["part"] if pooled else (ms["interaction"] - ms["repeatability"]) / r,
            "part": (ms["part"] - ms[below]) / (o * r),
        }

    raw = components({row.source: np.asarray(row.ms) for row in squares.itertuples()})
    notes = [f"the variance of {name} came out negative and was set to zero" for name in raw if raw[name] < 0]
    draws = {name: np.maximum(one, 0.0) for name, one in components(expected_draws(squares)).items()}
    how = f"crossed analysis of variance, interaction {'pooled' if pooled else 'kept'} (p {p_value:.2g})"
    return Components({k: max(float(v), 0.0) for k, v in raw.items()}, draws, tests.reset_index(drop=True), how, notes)


def _ranges(cells: np.ndarray) -> Components:
    """Average and range: EV, AV, PV as sd, without interaction."""
    p, o, r = cells.shape
    spread = {
        "repeatability": (float(np.ptp(cells, axis=2).mean()), range_mean(r), range_freedom(r, p * o)),
        "operator": (float(np.ptp(cells.mean(axis=(0, 2)))), range_root(o, 1), range_freedom(o, 1)),
        "part": (float(np.ptp(cells.mean(axis=(1, 2)))), range_root(p, 1), range_freedom(p, 1)),
    }
    rng = np.random.default_rng(SEED)
    square = {name: (mean / factor) ** 2 for name, (mean, factor, _) in spread.items()}
    drawn = {name: square[name] * nu / rng.chisquare(nu, 20_000) for name, (_, _, nu) in spread.items()}

    def components(one: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        between = one["operator"] - one["repeatability"] / (p * r)
        return one | {"operator": between, "interaction": 0.0 * between}

    raw = components({name: np.asarray(one) for name, one in square.items()})
    notes = ["the average-and-range method knows no interaction: where there is one, it is in the other numbers"]
    if raw["operator"] < 0:
        notes.append("the variance of operator came out negative and was set to zero")
    draws = {name: np.maximum(one, 0.0) for name, one in components(drawn).items()}
    return Components({k: max(float(v), 0.0) for k, v in raw.items()}, draws, None, "average and range", notes)


def _together(one: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    reproducibility = one["operator"] + one["interaction"]
    grr = one["repeatability"] + reproducibility
    return one | {"reproducibility": reproducibility, "grr": grr, "total": grr + one["part"]}


def _roots(ends: np.ndarray) -> tuple[float, float]:
    return float(np.sqrt(ends[0])), float(np.sqrt(ends[1]))


def _result(
    found: Components, tidy: pd.DataFrame, names: tuple[str, str, str], tolerance: float | None, level: float
) -> GaugeResult:
    variance = {k: float(v) for k, v in _together({k: np.asarray(v) for k, v in found.variance.items()}).items()}
    ends = {name: (np.nan, np.nan) for name in (*_SOURCES, "share")}
    if found.draws is not None:
        draws = _together(found.draws)
        parts = np.array([(1 - level) / 2, (1 + level) / 2])
        ends = {name: _roots(np.quantile(draws[name], parts)) for name in _SOURCES}
        ends["share"] = _roots(np.quantile(draws["grr"] / draws["total"], parts))
    sd = {name: float(np.sqrt(variance[name])) for name in _SOURCES}
    share = sd["grr"] / sd["total"]
    out = pd.DataFrame({"source": _SOURCES, "variance": [variance[k] for k in _SOURCES], "sd": list(sd.values())})
    out["low"], out["high"] = [ends[k][0] for k in _SOURCES], [ends[k][1] for k in _SOURCES]
    out["% of variance"] = 100 * out["variance"] / variance["total"]
    out["% of total sd"] = 100 * out["sd"] / sd["total"]
    exact = _NDC * sd["part"] / sd["grr"] if sd["grr"] > 0 else np.inf
    values = sd | {"share": share, "share_low": ends["share"][0], "share_high": ends["share"][1]}
    values |= {"ndc_exact": exact, "ndc": float(max(1, int(exact))) if np.isfinite(exact) else np.inf}
    if found.tests is not None:
        values["p_interaction"] = float(found.tests.set_index("source").loc["interaction", "p"])
    said = (
        f"repeatability {sd['repeatability']:.3g} mm, reproducibility {sd['reproducibility']:.3g} mm, together "
        f"{sd['grr']:.3g} mm (standard deviations): {percent(share)} of the total variation"
    )
    known = np.isfinite(ends["share"]).all()
    said += f" ({100 * level:g} %: {span(100 * ends['share'][0], 100 * ends['share'][1])} %)" if known else ""
    if tolerance is not None:
        out["% of tolerance"] = 100 * 6 * out["sd"] / positive(tolerance, "width of the tolerance")
        values["of_tolerance"] = 6 * sd["grr"] / tolerance
        low, high = (100 * 6 * end / tolerance for end in ends["grr"])
        said += f", 6 sd are {percent(values['of_tolerance'])} of the tolerance"
        said += f" ({span(low, high)} %)" if np.isfinite([low, high]).all() else ""
    said += f"; {values['ndc']:g} categories; {_word(ends['share'] if known else None)}; {found.how}"
    tables = {"analysis of variance": found.tests} if found.tests is not None else {}
    notes = (*found.notes, "the total variation is that of these parts: it means something if they span the process")
    return GaugeResult("repeatability and reproducibility", said, out, values, _figure(tidy, names, sd), tables, notes)


def _word(share: tuple[float, float] | None) -> str:
    """What the usual limits say, if the whole interval is on one side of them."""
    usual = f"{100 * _GOOD:g} and {100 * _BAD:g} % (AIAG)"
    if share is not None and share[1] <= _GOOD:
        return f"good by the usual limits {usual}"
    if share is not None and share[0] >= _BAD:
        return f"not good enough by the usual limits {usual}"
    return f"this study does not prove it good or bad by the usual limits {usual}"


def _figure(tidy: pd.DataFrame, names: tuple[str, str, str], sd: dict[str, float]) -> tuple[Panel, ...]:
    value, part, operator = names
    places, parts = pd.factorize(tidy[part].to_numpy(dtype=object))
    who, operators = pd.factorize(tidy[operator].to_numpy(dtype=object))
    shift = (who - (len(operators) - 1) / 2) * min(0.25, 0.6 / len(operators))
    y = tidy[value].to_numpy()
    points = tuple(
        Series("points", (places + shift)[who == k], y[who == k], f"{operator} {name}")
        for k, name in enumerate(operators)
    )
    shown = ("repeatability", "reproducibility", "grr", "part")
    bars = Series("bars", np.arange(4.0), np.array([sd[name] for name in shown]))
    return (
        Panel("readings by part", part, f"{value} [mm]", points, ticks=tuple(map(str, parts))),
        Panel("standard deviations", "", "sd [mm]", (bars,), ticks=shown),
    )
