"""Touches from any text: delimited columns mapped by name or number, or log lines matched by a regular expression."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from ..columns import APPROACH, MEASURED
from ..errors import InputError, ProbekitWarning
from .cells import Cells, same_width, split_rows, text_series, typed
from .csv_file import joined
from .finish import finish
from .metadata import plain
from .planned import Planned
from .storage import load
from .table import KNOWN, NUMBERS, REQUIRED, near_names, recorded_of, unit_of

__all__ = ["read_text"]

_SEPARATORS = ("\t", ";", "|", ",", " ")
_NUMERAL = re.compile(r"[-+]?\d+(?:[.,]\d+)?")
_MORE_OF_A_NUMBER = re.compile(r"[.,]?\d|[eE][-+]?\d")
_LONGEST_FOR_A_PATTERN = 1000  # characters: the time of a search can grow with a high power of the line's length
_NO_VALUES = "no measured values in the file"


def read_text(
    path: str | Path,
    *,
    columns: Mapping[str, str | int] | None = None,
    unit: str,
    recorded: str,
    decimal: str = ".",
    separator: str | None = None,
    skip: int = 0,
    pattern: str | None = None,
    comment: str | None = None,
    encoding: str | None = None,
    metadata: Mapping[str, object] | None = None,
    plan: Planned | None = None,
) -> pd.DataFrame:
    r"""Read touches from delimited text or from log lines.

    Many parameters: foreign files differ in all of these, and a guess in any of them could move a decimal mark or a
    column unseen.

    Parameters
    ----------
    path : str or Path
    columns : mapping
        Name of the column in the touches table -> name in the file's header, or number of the field counted from 0.
        ``x``, ``y`` and ``z`` must be there. Further columns may be taken under any name. If all are numbers, the
        file is taken to have no header. With `pattern`: name in the table -> name of the group; groups that are not
        mentioned keep their names.
    unit : {"mm", "inch"}
        Unit of the lengths in the file; they are converted to mm.
    recorded : {"centre", "contact"}
        What ``x, y, z`` are: the centre of the ball or the contact point.
    decimal : {".", ","}
        Decimal mark of the numbers. No mark for thousands is understood.
    separator : str, optional
        One character between fields, ``" "`` for any run of spaces. Without it, tab, semicolon, bar, comma and spaces
        are tried; the one that finds most of the columns is taken, then one that splits the first lines evenly,
        then the first in this order.
    skip : int
        Lines passed over at the top of the file.
    pattern : str, optional
        Regular expression with named groups, searched for in each line; each match is a touch. Lines without a match
        are counted in ``attrs["skipped_lines"]``. Lines of more than 1000 characters are refused, as a search can
        take minutes on them. A repeat inside a repeat, as in ``(\d+)+``, can take for ever on any line: avoid it.
    comment : str, optional
        Lines that begin with this are passed over.
    encoding : str, optional
        As Python names it. Without it: UTF-16 if the file begins with its byte order mark, else UTF-8.
    metadata : mapping, optional
        Text and numbers for ``attrs``: ``part``, ``machine``, ``temperature``, ...
    plan : str, Path, DataFrame or callable, optional
        As in `read`: what the text does not say is joined by the number of the touch, which must be in the text.

    Returns
    -------
    DataFrame
        One row per touch, lengths in mm. Where the file has no ``touch``, touches are numbered from 1; missing
        targets and normals are NaN, missing ``feature`` is "". Columns of the file that were not asked for are named
        in ``attrs["unused_columns"]``.

    Raises
    ------
    InputError
        If the arguments do not fit each other or the file, or a row cannot be used: it says file, line, column, what
        was found and what was expected.

    Warns
    -----
    ProbekitWarning
        If lines that hold as many numbers as a touch do not match `pattern`; if measured values are missing and no
        column says why (these touches get the reason "no measured values in the file"); if an inch file has further
        columns of numbers.

    Examples
    --------
    >>> read_text(  # doctest: +SKIP
    ...     "log.txt", pattern=r"P(?P<touch>\d+) X(?P<x>\S+) Y(?P<y>\S+) Z(?P<z>\S+)", unit="mm", recorded="centre"
    ... )
    """
    file = str(path)
    if decimal not in (".", ","):
        raise InputError("the decimal mark is not one that probekit reads", found=decimal, expected="'.' or ','")
    unit, recorded = unit_of(unit, column="unit"), recorded_of(recorded, column="recorded")
    attrs = {key: plain(key, value) for key, value in (metadata or {}).items()}
    text, sha256 = load(path, encoding)
    lines = _lines(text, skip, comment, file)
    if pattern is not None:
        if separator is not None:
            raise InputError("give a separator or a pattern, not both")
        cells, found = _matched(lines, skip + 1, pattern, columns or {}, file)
    else:
        cells, found = _delimited(lines, skip + 1, columns, separator, decimal, file)
    if plan is not None and "touch" not in cells.columns:
        raise InputError(
            "the numbers of the touches are not read, so nothing can be joined with the plan",
            file=file,
            column="touch",
            found=", ".join(cells.columns),
            todo="Say with columns= where they stand, or name a group of the pattern (?P<touch>...)",
        )
    table = _completed(typed(cells, decimal=decimal), cells.lines, "reason" in cells.columns, file)
    table.attrs = {**attrs, **found, "recorded": recorded, "source": file, "sha256": sha256}
    table = finish(table, cells.lines, unit)
    return table if plan is None else joined(table, plan)


def _lines(text: str, skip: int, comment: str | None, file: str) -> list[str]:
    """Lines below the skipped ones, with their ends; comments are made blank, so that the counting stays right."""
    lines = list(io.StringIO(text, newline=""))
    if skip < 0 or skip >= len(lines):
        raise InputError("skip does not fit the file", file=file, found=skip, expected=f"0 to {len(lines) - 1} lines")
    lines = lines[skip:]
    if comment:
        lines = ["\n" if line.lstrip().startswith(comment) else line for line in lines]
    if not any(map(str.strip, lines)):
        raise InputError("nothing of the file is left below the skipped lines and comments", file=file)
    return lines


def _check_wanted(wanted: Mapping[str, object], what: str) -> None:
    missing = [name for name in MEASURED if name not in wanted]
    if missing:
        raise InputError(
            f"{what} does not say where to find {', '.join(missing)}", found=", ".join(map(str, wanted)) or "nothing"
        )
    for name in wanted:
        if not isinstance(name, str) or name != name.strip() or (name not in KNOWN and name.lower() in KNOWN):
            near = near_names(str(name), KNOWN)
            raise InputError(
                f"{what} names a column that the table does not have",
                found=name,
                expected=near[0] if near else "text without outer spaces",
            )


# --- delimited ---------------------------------------------------------------------------------------------------


def _delimited(
    lines: list[str],
    first: int,
    columns: Mapping[str, str | int] | None,
    separator: str | None,
    decimal: str,
    file: str,
) -> tuple[Cells, dict[str, object]]:
    _check_wanted(columns or {}, "columns=")
    headed = any(isinstance(place, str) for place in columns.values())
    if separator is None:
        separator = _guess_separator(lines, first, columns, decimal, file)
    elif len(separator) != 1 or separator in '"\r\n':
        raise InputError("the separator is not usable", found=separator, expected="one character")
    elif separator == decimal:
        raise InputError("decimal mark and separator are the same character", file=file, found=separator)
    rows, numbers = split_rows(_for_csv(lines, separator), separator, first=first, file=file)
    if not rows:
        raise InputError("the file holds no touches", file=file, line=first)
    header = [name.strip() for name in rows[0]] if headed else None
    top = numbers[0]
    body, numbers = (rows[1:], numbers[1:]) if headed else (rows, numbers)
    if not body:
        raise InputError("the file holds no touches", file=file, line=top, expected="rows below the header")
    width = len(rows[0])
    body = [_without_empty_tail(row, width) for row in body]
    same_width(body, numbers, width, file)
    places = {name: _place(place, header, width, file, top) for name, place in columns.items()}
    by_field = [[cell.strip() for cell in column] for column in zip(*body, strict=True)]
    unused = [header[n] if header else f"field {n}" for n in range(width) if n not in places.values()]
    found = {"unused_columns": ", ".join(filter(None, unused))} if any(unused) else {}
    return Cells({name: by_field[place] for name, place in places.items()}, numbers, file), found


def _for_csv(lines: list[str], separator: str) -> list[str]:
    return [line.strip() + "\n" for line in lines] if separator == " " else lines


def _without_empty_tail(row: list[str], width: int) -> list[str]:
    """The row without empty fields beyond `width`: many programs end each line with a separator."""
    return row if len(row) <= width or any(row[width:]) else row[:width]


def _place(place: str | int, header: list[str] | None, width: int, file: str, line: int) -> int:
    """Give the number of the field at `place`, a number or a name in the header (exactly, or letter case aside)."""
    if not isinstance(place, str):
        if isinstance(place, bool) or not isinstance(place, int) or not 0 <= place < width:
            raise InputError(
                "the file has no such field", file=file, line=line, found=place, expected=f"0 to {width - 1}"
            )
        return place
    exact = [n for n, name in enumerate(header) if name == place.strip()]
    hits = exact or [n for n, name in enumerate(header) if name.lower() == place.strip().lower()]
    if len(hits) == 1:
        return hits[0]
    near = near_names(place, header)
    raise InputError(
        "the column occurs more than once in the header" if hits else "the header has no such column",
        file=file,
        line=line,
        column=place,
        found=", ".join(header),
        todo=f"Did you mean {' or '.join(map(repr, near))}?" if near and not hits else "Give the number of the field",
    )


def _guess_separator(lines: list[str], first: int, columns: Mapping[str, str | int], decimal: str, file: str) -> str:
    """The separator that finds most of the columns, an even split of the first lines preferred."""
    sample = [line for line in lines if line.strip()][:20]

    def merit(separator: str) -> tuple[int, bool]:
        try:
            rows, _ = split_rows(_for_csv(sample, separator), separator, first=first, file=file)
        except InputError:
            return 0, False
        header = [name.strip() for name in rows[0]] if rows else []
        if len(header) < 2:
            return 0, False
        even = all(len(_without_empty_tail(row, len(header))) == len(header) for row in rows[:-1])
        return sum(_has_place(place, header) for place in columns.values()), even

    best = max((separator for separator in _SEPARATORS if separator != decimal), key=merit)
    if merit(best)[0]:
        return best
    raise InputError(
        "the separator could not be detected: none yields the columns in the first line",
        file=file,
        line=first,
        found=sample[0].rstrip("\r\n"),
        expected=", ".join(f"{name}: {place!r}" for name, place in columns.items()),
        todo="Check columns= against this line, skip lines above the header with skip=, or give separator=",
    )


def _has_place(place: str | int, header: list[str]) -> bool:
    try:
        _place(place, header, len(header), "", 0)
    except InputError:
        return False
    return True


# --- log lines -----------------------------------------------------------------------------------------------------


def _matched(
    lines: list[str], first: int, pattern: str, columns: Mapping[str, str | int], file: str
) -> tuple[Cells, dict[str, object]]:
    try:
        compiled = re.compile(pattern)
    except re.error as error:
        raise InputError(f"the pattern is not a regular expression ({error})", found=pattern) from None
    groups = _groups(compiled, columns)
    numbers, rows, other = [], [], []
    for number, line in enumerate(lines, first):
        if len(line) > _LONGEST_FOR_A_PATTERN:
            raise InputError(
                "the line is too long to search with a pattern",
                file=file,
                line=number,
                found=f"{len(line)} characters",
                expected=f"at most {_LONGEST_FOR_A_PATTERN}",
                todo="Skip it with skip= or comment=, or read delimited text with columns=",
            )
        before = len(rows)
        for match in compiled.finditer(line.rstrip("\r\n")):
            _check_cut(match, groups, number, file)
            rows.append(match.groupdict(default=""))
            numbers.append(number)
        if len(rows) == before and line.strip():
            other.append(number)
    if not rows:
        raise InputError(
            f"no line matches the pattern, of {len(other)}",
            file=file,
            line=other[0],
            found=lines[other[0] - first].rstrip("\r\n"),
            expected=pattern,
        )
    _warn_of_unmatched(lines, first, other, sum(name in NUMBERS for name in groups), file)
    cells = {name: [row[group] for row in rows] for name, group in groups.items()}
    return Cells(cells, numbers, file), {"skipped_lines": len(other)}


def _check_cut(match: re.Match, groups: Mapping[str, str], line: int, file: str) -> None:
    """Raise if a match ends inside a number: "3" of "3,5", "1.5" of "1.5e-3"."""
    rest = _MORE_OF_A_NUMBER.match(match.string, match.end())
    if not rest:
        return
    for name, group in groups.items():
        whole = re.search("[.,]", match[group] or "") and rest[0][0] in ".,"  # a separator, no second decimal mark
        if name in NUMBERS and match.end(group) == match.end() and not whole:
            raise InputError(
                "the pattern stops inside a number",
                file=file,
                line=line,
                column=name,
                found=match[group] + match.string[match.end() :][:20],
                todo="Let the group match the whole number, or let the pattern match the separator that follows it",
            )


def _groups(pattern: re.Pattern, columns: Mapping[str, str | int]) -> dict[str, str]:
    """Name in the table -> name of the group."""
    for group in columns.values():
        if group not in pattern.groupindex:
            raise InputError(
                "the pattern has no such group", found=group, expected=", ".join(pattern.groupindex) or "named groups"
            )
    kept = {group: group for group in pattern.groupindex if group not in columns.values()}
    groups = {**kept, **columns}
    _check_wanted(groups, "the pattern")
    return groups


def _warn_of_unmatched(lines: list[str], first: int, other: list[int], least: int, file: str) -> None:
    alike = [number for number in other if len(_NUMERAL.findall(lines[number - first])) >= least]
    if alike:
        warnings.warn(
            f"{file}: {len(alike)} lines do not match the pattern though they hold as many numbers as a touch; "
            f"the first is line {alike[0]}: {lines[alike[0] - first].strip()[:80]!r}",
            ProbekitWarning,
            stacklevel=4,
        )


# --- both ----------------------------------------------------------------------------------------------------------


def _completed(table: pd.DataFrame, lines: list[int], reasoned: bool, file: str) -> pd.DataFrame:
    """The table with every column it must have, in the usual order, further ones behind."""
    number = len(table)
    if "touch" not in table:
        table["touch"] = np.arange(1, number + 1)
    if "feature" not in table:
        table["feature"] = text_series([""] * number)
    for name in (*REQUIRED, *(APPROACH if set(APPROACH) & set(table.columns) else ())):
        if name not in table:
            table[name] = np.nan
    if not reasoned:
        missed = np.isnan(table[list(MEASURED)].to_numpy()).all(axis=1)
        table["reason"] = text_series(np.where(missed, _NO_VALUES, "").tolist())
        if missed.all():
            raise InputError("no touch has measured values", file=file, line=lines[0], column="x, y, z")
        if missed.any():
            warnings.warn(
                f"{file}: touches without measured values, and no column that gives a reason: {missed.sum()}, "
                f"the first on line {lines[int(np.argmax(missed))]}",
                ProbekitWarning,
                stacklevel=3,
            )
    order = [*REQUIRED, "reason"]
    return table[[*order, *(name for name in table if name not in order)]]
