"""Readings taken out of a table, or an error that names the row: no study runs on what it would misunderstand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..errors import InputError
from ..touches.table import INCH, near_names

__all__ = ["coarse", "confidence", "no_inches", "positive", "readings", "same_scale", "whole"]

_ALIKE = 0.05  # readings of one thing agree within this part of themselves, when inches among millimetres can be told
_ZERO_RANGES = 0.25  # of the ranges, from which on the steps of the readings are too coarse


def readings(
    table: pd.DataFrame,
    numbers: Sequence[str],
    labels: Sequence[str] = (),
    *,
    once: Sequence[str] = (),
    least: int = 2,
) -> pd.DataFrame:
    """The columns of a study, checked: numbers as float, labels as they are, in the order of the table.

    Parameters
    ----------
    table : DataFrame
        One row per reading. A column ``unit``, if there is one, must say mm everywhere.
    numbers, labels : sequence of str
        Columns that hold a number, and columns that hold the name of something.
    once : sequence of str
        Columns that together name a row: no two rows may agree in all of them.
    least : int
        Fewest rows.

    Raises
    ------
    InputError
        If a column is missing, a number is text, missing or infinite, a label is missing, two labels differ in blanks
        or capitals only, a row is there twice, the unit is not mm, or there are too few rows.
    """
    if not isinstance(table, pd.DataFrame):
        raise InputError("a study takes a table", found=type(table).__name__, expected="a pandas DataFrame")
    for name in dict.fromkeys([*numbers, *labels, *once]):
        if name not in table:
            near = near_names(str(name), [str(one) for one in table])
            raise InputError(
                f"the table has no column '{name}'",
                found=", ".join(map(str, table)),
                todo=f"Did you mean {' or '.join(map(repr, near))}? " * bool(near) + "State the names of the columns.",
            )
        if isinstance(table[name], pd.DataFrame):
            raise InputError("two columns have the same name", column=str(name))
    if len(table) < least:
        raise InputError("there are too few readings", found=len(table), expected=f"at least {least}")
    _in_mm(table)
    out = {name: _floats(table[name], str(name)) for name in numbers}
    out |= {name: _labels(table[name], str(name)) for name in [*labels, *once] if name not in out}
    tidy = pd.DataFrame(out)
    again = tidy.duplicated(list(once)).to_numpy() if once else np.zeros(len(tidy), bool)
    if again.any():
        row = int(again.argmax())
        raise InputError(
            f"{', '.join(map(str, once))} name a reading twice, again in row {row + 1}",
            found=", ".join(str(tidy[name].iloc[row]) for name in once),
            todo="Take out the copy, or give each reading its own number.",
        )
    return tidy


def _in_mm(table: pd.DataFrame) -> None:
    if "unit" in table:
        units = table["unit"].astype(str).str.strip().str.lower().unique()
        if len(units) > 1 or units[0] != "mm":
            raise InputError(
                "the readings are not all in millimetres",
                column="unit",
                found=", ".join(map(str, units)),
                expected="mm in every row",
                todo=f"Multiply inches by {INCH} and write mm.",
            )


def _floats(column: pd.Series, name: str) -> np.ndarray:
    given = column.to_numpy(dtype=object)
    values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = ~np.isfinite(values)
    if pd.api.types.is_bool_dtype(column.dtype):
        raise InputError("a number was expected, not true or false", column=name)
    if bad.any():
        row = int(bad.argmax())
        missing = pd.isna(given[row]) or str(given[row]).strip() == ""
        raise InputError(
            f"row {row + 1} has no {'reading' if missing else 'finite number'} ({int(bad.sum())} such rows)",
            column=name,
            found=None if missing else given[row],
            expected="a number with a decimal point",
            todo="Repeat the reading, or leave the row out and say so: table.dropna(subset=[...]).",
        )
    return values


def _labels(column: pd.Series, name: str) -> np.ndarray:
    given = column.to_numpy(dtype=object)
    missing = pd.isna(given) | np.array([str(one).strip() == "" for one in given])
    if missing.any():
        raise InputError(f"row {int(missing.argmax()) + 1} does not say which it is", column=name, expected="a name")
    seen: dict[str, object] = {}
    for one in dict.fromkeys(given):
        before = seen.setdefault(" ".join(str(one).split()).casefold(), one)
        if before is not one and (before != one or type(before) is not type(one)):
            raise InputError(
                "two names differ in blanks, capitals or type only",
                column=name,
                found=f"{before!r} and {one!r}",
                todo="Write one name for one thing.",
            )
    return given


def no_inches(values: np.ndarray, group: np.ndarray, what: str) -> None:
    """Raise if readings of one thing fall into two heaps, one 25.4 times the other.

    Parameters
    ----------
    values : (n,) float
    group : (n,) object
        What each reading is of.
    what : str
        For the message.
    """
    for one in dict.fromkeys(group):
        size = np.abs(values[group == one])
        low = size.min()
        if low <= 0:
            continue
        ratio = size / low
        small, large = np.abs(ratio - 1) < _ALIKE, np.abs(ratio / INCH - 1) < _ALIKE
        if (small | large).all() and large.any():
            raise InputError(
                f"readings of {what} {one} look like inches among millimetres",
                found=f"{low:g} and {size.max():g}",
                expected=f"no two that differ by {INCH} times",
                todo=f"Multiply the inches by {INCH}.",
            )


def same_scale(one: np.ndarray, other: np.ndarray, what: str) -> None:
    """Raise if readings (n,) of the same things by two ways differ by the factor 25.4, all of them or some."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(one / other)
    for each in (ratio, 1 / np.maximum(ratio, 1e-300)):
        inches = np.abs(each / INCH - 1) < _ALIKE
        alike = np.abs(each - 1) < _ALIKE
        if inches.any() and (inches | alike).all():
            row = int(inches.argmax())
            raise InputError(
                f"{what} differ by {INCH} times in {int(inches.sum())} rows, first in row {row + 1}: one is in inches",
                found=f"{one[row]:g} and {other[row]:g}",
                todo=f"Multiply the inches by {INCH}.",
            )


def coarse(values: np.ndarray, ranges: np.ndarray) -> tuple[str, ...]:
    """A note if the steps of the readings are too coarse to show how they scatter.

    Parameters
    ----------
    values : (n,) float
    ranges : (g,) float
        Of readings of the same thing.

    Notes
    -----
    One in four ranges of zero (AIAG, Statistical Process Control, from memory).
    """
    none = float((ranges == 0).mean())
    if none < _ZERO_RANGES:
        return ()
    steps = np.diff(np.unique(values))
    return (
        f"{100 * none:z.0f} % of the ranges are zero: the readings come in steps of about {steps.min():.2g}, too "
        "coarse to show their scatter",
    )


def positive(value: float, what: str, *, zero: bool = False) -> float:
    """The number, if it is finite and above zero (or zero, if that is allowed); else raise."""
    if isinstance(value, bool | str) or not np.isfinite(value) or value < 0 or (value == 0 and not zero):
        raise InputError(f"the {what} is not usable", found=value, expected=f"a number {'from' if zero else 'above'} 0")
    return float(value)


def confidence(level: float) -> float:
    """A level of confidence between 0.5 and 1; else raise."""
    if not 0.5 < level < 1:
        raise InputError("a level of confidence lies between 0.5 and 1", found=level, expected="0.95")
    return float(level)


def whole(value: float, what: str, least: int) -> int:
    """A whole number that is not less than `least`; else raise."""
    if isinstance(value, bool | str) or value != value or value < least or int(value) != value:
        raise InputError(f"the {what} is not usable", found=value, expected=f"a whole number from {least}")
    return int(value)
