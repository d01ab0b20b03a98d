"""From lines to cells, and from cells to typed columns; row by row only to say where something is wrong."""

from __future__ import annotations

import csv
import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import InputError
from .table import NUMBERS, TEXTS

_INTEGER = re.compile(r"0|-?[1-9][0-9]*")
_BOOLEANS = {"True": True, "False": False}


@dataclass(frozen=True)
class Cells:
    """The text of a table, not yet understood.

    Attributes
    ----------
    columns : dict of str to sequence of str
        The cells under each name, top to bottom.
    lines : list of int
        Line of the file on which each row starts, counted from 1.
    file : str
        The file, for messages.
    """

    columns: dict[str, Sequence[str]]
    lines: list[int]
    file: str


def split_rows(text: Iterable[str], separator: str, *, first: int, file: str) -> tuple[list[list[str]], list[int]]:
    r"""Fields of each row and the line it starts on; blank lines are passed over.

    Fields may stand in double quotes and then hold separators, line ends, spaces and doubled quotes. Spaces after a
    separator are not part of a field.

    Parameters
    ----------
    text : iterable of str
        Lines with their line ends.
    separator : str
        One character.
    first : int
        Line number of the first of them.
    file : str
        The file, for messages.

    Raises
    ------
    InputError
        If a quote is not closed, text follows a closing quote, or a field is longer than 131072 characters.
    """
    reader = csv.reader(text, delimiter=separator, skipinitialspace=True, strict=True)
    rows, lines, line = [], [], first
    try:
        for row in reader:
            if len(row) > 1 or (row and row[0].strip()):
                rows.append(row)
                lines.append(line)
            line = first + reader.line_num
    except csv.Error as error:
        raise InputError(
            f"the line cannot be split into fields ({error})",
            file=file,
            line=line,
            todo="Look for a double quote that is not closed: in a quoted field, a quote is written twice",
        ) from None
    return rows, lines


def same_width(rows: list[list[str]], lines: list[int], width: int, file: str) -> None:
    """Raise `InputError` at the first row that has not `width` fields."""
    if set(map(len, rows)) <= {width}:
        return
    at = next(n for n, row in enumerate(rows) if len(row) != width)
    found, last = len(rows[at]), at == len(rows) - 1
    if found > width:
        what, todo = (
            "the row has too many fields",
            "Put text that holds the separator in double quotes; a decimal mark must not be the separator",
        )
    elif last:
        what, todo = "the last row is cut short", "The file may be truncated: copy it again from its source"
    else:
        what, todo = "the row has too few fields", "Complete it; an empty field still needs its separator"
    if rows[at][0].startswith("#"):
        todo = "Lines that begin with # belong above the header"
    raise InputError(
        what,
        file=file,
        line=lines[at],
        found=f"{found} field{'s' * (found != 1)}: {', '.join(rows[at][:4])}",
        expected=f"{width} fields",
        todo=todo,
    )


def typed(cells: Cells, *, decimal: str = ".", text: Collection[str] = ()) -> pd.DataFrame:
    """The cells as a table: known columns by their type, further ones by what all their cells have in common.

    Parameters
    ----------
    cells : Cells
    decimal : {".", ","}
        The decimal mark.
    text : collection of str
        Further columns that are text, whatever they look like.

    Raises
    ------
    InputError
        If a cell of a column of numbers is no number, or an id is a number in digits other than 0 to 9.
    """
    table = {}
    for name, column in cells.columns.items():
        if name in NUMBERS:
            table[name] = _numbers(cells, name, decimal)
        elif name in TEXTS or name in text:
            table[name] = text_series(column)
        elif name == "touch":
            _check_digits(cells, name)
            table[name] = guessed(column, decimal, integers_only=True)
        else:
            table[name] = guessed(column, decimal)
    return pd.DataFrame(table)


def text_series(column: Sequence[str]) -> pd.Series:
    """Cells kept as text."""
    try:
        return pd.Series(list(column), dtype=str)
    except UnicodeEncodeError:  # with pyarrow, pandas keeps text that UTF-8 cannot hold only as objects
        return pd.Series(list(column), dtype=object)


def guessed(column: Sequence[str], decimal: str = ".", *, integers_only: bool = False) -> pd.Series:
    """Cells as integers, truth values, numbers (empty: NaN), or else text: the first that fits all of them.

    Integers are those written plainly (no leading zero or plus sign), so that "007" stays text when all numbers are
    asked to be integers.
    """
    if all(map(_INTEGER.fullmatch, column)):
        try:
            return pd.Series(np.array([int(cell) for cell in column], dtype=np.int64))
        except (OverflowError, ValueError):
            return text_series(column)
    if integers_only:
        return text_series(column)
    if all(cell in _BOOLEANS for cell in column):
        return pd.Series([_BOOLEANS[cell] for cell in column], dtype=bool)
    try:
        return pd.Series(_floats(column, decimal))
    except ValueError:
        return text_series(column)


def _floats(column: Sequence[str], decimal: str) -> np.ndarray:
    if decimal == ",":
        column = [_with_point(cell) for cell in column]
    whole = "".join(column)
    if "_" in whole or not whole.isascii():  # Python reads 1_000 and digits of every script as numbers; a file does not
        raise ValueError("not a plain number")
    try:
        return np.fromiter(map(float, column), dtype=float, count=len(column))
    except ValueError:
        return np.array([float(cell) if cell.strip() else np.nan for cell in column], dtype=float)


def _with_point(cell: str) -> str:
    if "." in cell:
        raise ValueError("a point where the decimal mark is a comma")
    return cell.replace(",", ".")


def _numbers(cells: Cells, name: str, decimal: str) -> np.ndarray:
    column = cells.columns[name]
    try:
        return _floats(column, decimal)
    except ValueError:
        row = next(n for n, cell in enumerate(column) if not _is_number(cell, decimal))
        raise InputError(
            "the cell does not hold a number",
            file=cells.file,
            line=cells.lines[row],
            column=name,
            found=column[row],
            expected=f"a number with a decimal {'point' if decimal == '.' else 'comma'}",
            todo=_number_hint(column[row], decimal, last=row == len(column) - 1),
        ) from None


def _is_number(cell: str, decimal: str) -> bool:
    try:
        _floats([cell], decimal)
    except ValueError:
        return False
    return True


def _check_digits(cells: Cells, name: str) -> None:
    """Raise at a whole number in digits that are not 0 to 9: as an id it would be another than it looks."""
    for row, cell in enumerate(cells.columns[name]):
        if cell.isdecimal() and not cell.isascii():
            raise InputError(
                "a number in digits of another script",
                file=cells.file,
                line=cells.lines[row],
                column=name,
                found=cell,
                expected="digits 0 to 9",
            )


def _number_hint(cell: str, decimal: str, *, last: bool) -> str | None:
    other = "," if decimal == "." else "."
    if _is_number(cell, other):
        return f"If the decimal mark is '{other}', use read_text(decimal='{other}')"
    if last:
        return "This is the last row: the file may be truncated, or hold text after the table"
    return "Correct it; if the line is not a touch, delete it, or skip it with read_text(skip=..., comment=...)"
