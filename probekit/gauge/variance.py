"""Analysis of variance of balanced tables and of one factor: sums of squares, tests, and draws of what they leave open.

symbol  variable   meaning
SS, MS  ss, ms     sum of squares, mean square
nu      df         degrees of freedom
W       draws      chi-square draws: SS / W stands for the expected mean square, given the data

The mean is taken off before anything is squared, so that readings far from zero lose no digits (NIST StRD, SmLs07).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

__all__ = ["SEED", "Components", "crossed_squares", "expected_draws", "f_tests", "one_factor_squares", "within_means"]

SEED = 20_17  # of draws: the same bits in every run
_DRAWS = 20_000


class Components(NamedTuple):
    """Variances, draws of them (or none), tests, and what was done."""

    variance: dict[str, float]
    draws: dict[str, np.ndarray] | None
    tests: pd.DataFrame | None
    how: str
    notes: list[str]


def within_means(y: np.ndarray) -> np.ndarray:
    """Readings with their mean taken off, twice, for what the first difference rounded."""
    y = y - y.mean()
    return y - y.mean()


def one_factor_squares(y: np.ndarray, group: np.ndarray) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Between and within groups of any size.

    Parameters
    ----------
    y : (n,) float
        With the mean taken off.
    group : (n,) int

    Returns
    -------
    table : DataFrame
        `source, df, ss, ms`.
    count, mean : (g,) float
        Of each group.
    """
    count = np.bincount(group).astype(float)
    mean = np.bincount(group, y) / count
    off = y - mean[group]
    off -= (np.bincount(group, off) / count)[group]
    grand = float(count @ mean / len(y))
    ss = [float(count @ (mean - grand) ** 2), float(off @ off)]
    df = [len(count) - 1, len(y) - len(count)]
    return _squares(["between", "within"], df, ss), count, mean


def crossed_squares(y: np.ndarray) -> pd.DataFrame:
    """Two crossed factors and their interaction.

    Parameters
    ----------
    y : (p, o, r) float
        With the mean taken off: part, operator, trial.

    Returns
    -------
    DataFrame
        `source, df, ss, ms` of part, operator, interaction, repeatability.
    """
    p, o, r = y.shape
    cell, part, operator = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 2))
    both = cell - part[:, None] - operator[None] + y.mean()
    ss = [
        o * r * float(((part - y.mean()) ** 2).sum()),
        p * r * float(((operator - y.mean()) ** 2).sum()),
        r * float((both**2).sum()),
        float(((y - cell[:, :, None]) ** 2).sum()),
    ]
    df = [p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)]
    return _squares(["part", "operator", "interaction", "repeatability"], df, ss)


def _squares(source: list[str], df: list[int], ss: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"source": source, "df": df, "ss": ss, "ms": np.array(ss) / np.array(df)})


def f_tests(squares: pd.DataFrame, against: Mapping[str, str]) -> pd.DataFrame:
    """The table with `f, p` and `against`: the source whose mean square each is divided by, "" where there is none."""
    ms = dict(zip(squares["source"], squares["ms"], strict=True))
    df = dict(zip(squares["source"], squares["df"], strict=True))
    rows = [
        (np.nan, np.nan, "")
        if one not in against
        else (
            ratio := ms[one] / ms[against[one]] if ms[against[one]] > 0 else np.inf,
            float(stats.f.sf(ratio, df[one], df[against[one]])),
            against[one],
        )
        for one in squares["source"]
    ]
    return squares.assign(**{name: [row[k] for row in rows] for k, name in enumerate(("f", "p", "against"))})


def expected_draws(squares: pd.DataFrame) -> dict[str, np.ndarray]:
    """What each expected mean square may be, given the data: draws (m,) by source.

    A generalized pivotal quantity, SS / W with W of chi-square (M. Hamada, S. Weerahandi, Journal of Quality Technology
    32 (2000) 241-253, from memory).
    """
    rng = np.random.default_rng(SEED)
    return {row.source: row.ss / rng.chisquare(row.df, _DRAWS) for row in squares.itertuples()}
