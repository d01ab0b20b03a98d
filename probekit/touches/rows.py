"""What each row of a touches table must satisfy, whatever the part: ids, triples, infinities, reasons, unit vectors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..columns import APPROACH, MEASURED, NORMAL, TARGET, array
from ..errors import InputError
from .table import NUMBERS, require_columns

UNIT_LIMIT = 1e-3  # a normal further than this from unit length is wrong, not rounded
_U_MOST = 1.0  # standard uncertainty of a touch beyond which um must have been meant [mm]
_UNIT_EXACT = 1e-12  # nearer than this it is left alone


def shown_id(touch: object) -> str:
    """How a message calls a touch: text in quotes with control characters escaped, at most 40 characters."""
    return f"touch {repr(touch) if isinstance(touch, str) else str(touch):.40}"


class Rows:
    """A table and, if known, the lines of the file that its rows came from.

    Parameters
    ----------
    table : DataFrame
        Touches.
    lines : sequence of int, optional
        Line of the file of each row; None if the table was not just read.
    """

    def __init__(self, table: pd.DataFrame, lines: Sequence[int] | None = None) -> None:
        require_columns(table.columns, file=table.attrs.get("source"))
        self.table, self.lines = table, lines

    def name(self, row: int) -> str:
        """How a message calls a row: by line if there are lines, else by its place in the table (from 0)."""
        return f"row {row}" if self.lines is None else f"line {self.lines[row]}"

    def error(self, row: int, what: str, **more: object) -> InputError:
        """An `InputError` that says where `row` stands."""
        place = f" ({shown_id(self.table['touch'].iloc[row])}{f', row {row}' if self.lines is None else ''})"
        line = None if self.lines is None else self.lines[row]
        return InputError(what + place, file=self.table.attrs.get("source"), line=line, **more)

    def triples(self) -> list[tuple[str, ...]]:
        """The groups of three columns that stand or fall together."""
        given = [name for name in APPROACH if name in self.table]
        if given and len(given) < 3:
            raise InputError(
                "the approach direction is not complete",
                file=self.table.attrs.get("source"),
                found=", ".join(given),
                expected=", ".join(APPROACH),
            )
        return [TARGET, NORMAL, MEASURED, *([APPROACH] if given else [])]


def check_rows(table: pd.DataFrame, lines: Sequence[int] | None = None) -> list[str]:
    """Check each row by itself and the ids among them.

    Parameters
    ----------
    table : DataFrame
        Touches; not changed.
    lines : sequence of int, optional
        Line of the file of each row, for messages.

    Returns
    -------
    list of str
        What a person should know though it is no error.

    Raises
    ------
    InputError
        If an id is empty or stands twice, a number is infinite, a position or direction is only partly given, a touch
        has neither a measured position nor a reason or has both, an uncertainty is negative or cannot be in mm, or a
        direction is not of unit length.
    """
    rows = Rows(table, lines)
    triples = rows.triples()
    _check_ids(rows)
    _check_finite(rows)
    for names in triples:
        _check_whole(rows, names)
    _check_reasons(rows)
    _check_u(rows)
    notes = [_check_unit(rows, names) for names in triples if names in (NORMAL, APPROACH)]
    return [note for note in notes if note]


def renormalised(table: pd.DataFrame) -> pd.DataFrame:
    """The table with its directions of unit length (in place); those that are so within 1e-12 are left as they are."""
    for names in (NORMAL, APPROACH):
        if set(names) <= set(table.columns):
            vectors = array(table, names)
            length = np.linalg.norm(vectors, axis=1, keepdims=True)
            table[list(names)] = np.where(np.abs(length - 1) > _UNIT_EXACT, vectors / length, vectors)
    return table


def _blank(column: pd.Series) -> np.ndarray:
    """Where a column holds nothing, or only spaces; (n,) bool."""
    return column.isna().to_numpy(dtype=bool) | np.array([not str(cell).strip() for cell in column], dtype=bool)


def _check_ids(rows: Rows) -> None:
    ids = rows.table["touch"]
    empty = np.flatnonzero(_blank(ids))
    if empty.size:
        raise rows.error(empty[0], "the touch has no id", column="touch", expected="an id that no other touch has")
    again = np.flatnonzero(ids.duplicated())
    if again.size:
        second = int(again[0])
        first = int(np.flatnonzero(ids == ids.iloc[second])[0])
        raise rows.error(
            second,
            f"an id occurs twice: {rows.name(first)} and {rows.name(second)}"
            + (f", and {again.size - 1} more ids that occur twice" if again.size > 1 else ""),
            column="touch",
            found=str(ids.iloc[second]),
            expected="each id once",
            todo="Number the touches consecutively, or put repeated runs in separate files",
        )


def _check_finite(rows: Rows) -> None:
    for name in NUMBERS:
        if name in rows.table:
            values = rows.table[name].to_numpy(dtype=float)
            infinite = np.flatnonzero(np.isinf(values))
            if infinite.size:
                raise rows.error(
                    infinite[0], "infinite number", column=name, found=values[infinite[0]], expected="a finite number"
                )


def _check_whole(rows: Rows, names: Sequence[str]) -> None:
    missing = np.isnan(array(rows.table, names))
    part = np.flatnonzero(missing.any(axis=1) & ~missing.all(axis=1))
    if part.size:
        row = part[0]
        raise rows.error(
            row,
            f"{', '.join(names)} are given only in part",
            column=names[int(np.flatnonzero(missing[row])[0])],
            found="empty or NaN",
            expected="all three numbers, or none",
        )


def _check_reasons(rows: Rows) -> None:
    missed = np.isnan(array(rows.table, MEASURED)).all(axis=1)
    if "reason" in rows.table:
        reason = ~_blank(rows.table["reason"])
    else:
        reason = np.zeros(len(missed), dtype=bool)
    silent = np.flatnonzero(missed & ~reason)
    if silent.size:
        raise rows.error(
            silent[0],
            "no measured position and no reason",
            column="x",
            found="empty or NaN",
            expected="x, y, z, or a text in 'reason'",
            todo="Write in the column 'reason' why the touch was missed, for example 'no trigger'",
        )
    both = np.flatnonzero(~missed & reason)
    if both.size:
        raise rows.error(
            both[0],
            "a measured position and a reason for missing it",
            column="reason",
            found=str(rows.table["reason"].iloc[both[0]]),
            expected="one of the two",
            todo="Clear x, y, z if the touch was missed; put remarks in a column of another name",
        )


def _check_u(rows: Rows) -> None:
    """Raise on an uncertainty that no touch has."""
    if "u" not in rows.table:
        return
    u = rows.table["u"].to_numpy(dtype=float)
    wrong = np.flatnonzero((u < 0) | (u > _U_MOST))
    if wrong.size:
        raise rows.error(
            wrong[0],
            "this cannot be the standard uncertainty of a touch",
            column="u",
            found=u[wrong[0]],
            expected=f"a number, 0 to {_U_MOST:g}",
            todo="It is in the unit of the positions: 3 um are 0.003 mm",
        )


def _check_unit(rows: Rows, names: Sequence[str]) -> str:
    """Raise on a vector that is not of unit length; else say how far the worst one is from it, "" if exact."""
    length = np.linalg.norm(array(rows.table, names), axis=1)
    off = np.where(np.isnan(length), 0.0, np.abs(length - 1))
    worst = int(np.argmax(off)) if off.size else 0
    if off.size and off[worst] > UNIT_LIMIT:
        row = int(np.flatnonzero(off > UNIT_LIMIT)[0])
        raise rows.error(
            row,
            f"{', '.join(names)} are not a unit vector{_exchanged(rows.table, names)}",
            column=names[0],
            found=f"length {length[row]:.6g}",
            expected=f"1 within {UNIT_LIMIT:g}",
            todo="Scale it to length 1; leave all three empty if the touch has no such direction",
        )
    if off.size and off[worst] > _UNIT_EXACT:
        return f"{', '.join(names)}: off unit length by up to {off[worst]:.2g}, accepted as rounding"
    return ""


def _exchanged(table: pd.DataFrame, names: Sequence[str]) -> str:
    """A clause saying which positions look like the directions that `names` should hold, or ""."""
    if names != NORMAL:
        return ""
    for other in (TARGET, MEASURED):
        length = np.linalg.norm(array(table, other), axis=1)
        length = length[np.isfinite(length)]
        if length.size >= 3 and np.all(np.abs(length - 1) <= UNIT_LIMIT):
            return f", but {', '.join(other)} are: the two groups of columns look swapped"
    return ""
