r"""The touches file of probekit: a CSV that people, spreadsheets and programs can read and write.

A file looks like this::

    # unit: mm
    # recorded: centre
    # part: foil 7
    # temperature: 20.4
    touch,feature,x0,y0,z0,i,j,k,x,y,z,reason
    1,upper,10.0,5.0,12.5,0.0,0.0,1.0,10.001,5.0,15.512,
    2,upper,20.0,5.0,12.1,0.0,0.0,1.0,20.002,5.001,15.098,
    3,bore,40.0,0.0,6.0,1.0,0.0,0.0,,,,no trigger

**Metadata** stand above the header, one ``# key: value`` a line. ``unit`` (mm or inch) and ``recorded`` (centre of the
ball, or contact point) must be there: a file that does not say them is refused. Text stands as it is, or as a JSON
string in double quotes where it would be mistaken otherwise (line ends, outer spaces, text that looks like a number).
The keys that `probekit.touches.table` lists as text are text whatever they look like; under any other key, what is
written as a JSON number is a number. Three keys are about the file itself, are optional, and are left out of the
table's attrs: ``rows`` (how many rows follow; with it, a file cut short anywhere is found out), ``text_columns`` (a
JSON list of further columns that are text though all their cells look like numbers) and ``guarded: yes`` (texts that a
spreadsheet would take for a formula have an apostrophe before them, which is taken out: `probekit.csv_text`).

**The header** names the columns that `probekit.touches.table` describes, in any order and letter case; all are required
but ``reason``, and any further column is kept.

**Rows** have as many fields as the header, separated by commas, decimal point. A spreadsheet may have saved the file
with semicolons or tabs: they are taken if the header has no comma, and then the decimal mark may be a comma in all
numbers. Rows without any text at the end are left out. A field may stand in double quotes, and must where it holds a
comma, a line end, a double quote (written twice) or leading spaces. Targets and normals may be empty: none. Measured
positions are empty if and only if ``reason`` says why the touch was missed. Ids that are all plain integers are
integers, else text. Further columns are integers, True/False, numbers (empty: NaN), or text.

**The file** is UTF-8 (with or without byte order mark) or UTF-16 with one; lines end with LF, CR LF or CR. `write`
makes UTF-8 with LF and no byte order mark, always in mm, numbers as the shortest text that reads back to the same bits.
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from ..columns import MEASURED, NORMAL, TARGET
from ..csv_text import unguarded
from ..errors import InputError
from .cells import Cells, same_width, split_rows, text_series, typed
from .finish import add_note, finish
from .metadata import FILE_KEYS, is_metadata, parse_line
from .planned import PLANNED, Planned, with_plan
from .rows import Rows
from .storage import load
from .table import KNOWN, NUMBERS, REQUIRED, TEXTS, in_millimetres, recorded_of, require_columns, unit_of

__all__ = ["joined", "read", "read_plan"]

NOT_YET = "not touched yet"  # the reason of a planned touch


def read(
    path: str | Path, *, plan: Planned | None = None, unit: str | None = None, recorded: str | None = None
) -> pd.DataFrame:
    """Read a touches file; or a plan, as one of which nothing is touched yet.

    Parameters
    ----------
    path : str or Path
    plan : str, Path, DataFrame or callable, optional
        Where the touches were planned (`read_plan`). With it, ``touch, x, y, z`` are enough: the rest is joined by the
        number of the touch. A function is called for the table only if the file has no targets.
    unit, recorded : str, optional
        In place of these lines in a file that lacks them; a file that says otherwise is refused.

    Returns
    -------
    DataFrame
        One row per touch, as `probekit.touches.table` describes it; lengths in mm; metadata in ``attrs``.

    Raises
    ------
    InputError
        If the file is not as `probekit.touches.csv_file` describes it: it says file, line, column, what was found and
        what was expected; or it does not fit the plan.

    Warns
    -----
    ProbekitWarning
        If an inch file has further columns of numbers: they are left as read; and for touches that the plan does not
        have, or that are not there.
    """
    table, lines, unit = _parsed(path, REQUIRED if plan is None else ("touch", *MEASURED), unit=unit, recorded=recorded)
    if "reason" not in table:
        table.insert(table.columns.get_loc("z") + 1, "reason", text_series([""] * len(table)))
    table = finish(table, lines, unit)
    return table if plan is None else joined(table, plan)


def read_plan(path: str | Path) -> pd.DataFrame:
    """Read the targets of a plan, as `probekit plan` writes it, or any touches file.

    Parameters
    ----------
    path : str or Path
        Columns touch, feature, x0, y0, z0, i, j, k at least; in mm unless it says otherwise.

    Returns
    -------
    DataFrame
        One row per target; further columns are kept.

    Raises
    ------
    InputError
        If the file cannot be read, lacks one of these columns, a target is not whole, or a number stands twice.
    """
    table, lines, unit = _parsed(path, PLANNED)
    rows = Rows(table, lines)
    for name in (*TARGET, *NORMAL):
        empty = np.flatnonzero(~np.isfinite(table[name].to_numpy(dtype=float)))
        if empty.size:
            raise rows.error(empty[0], "the plan holds what is no number", column=name, found="empty or NaN")
    again = np.flatnonzero(table["touch"].duplicated())
    if again.size:
        raise rows.error(again[0], "a number stands twice in the plan", column="touch", expected="each once")
    return in_millimetres(table, unit, stacklevel=3)


def joined(table: pd.DataFrame, plan: Planned) -> pd.DataFrame:
    """The results with what the plan says of them, if they have no targets."""
    if np.isfinite(table[list(TARGET)].to_numpy(dtype=float)).any():
        return table
    if callable(plan):
        return with_plan(table, plan())
    return with_plan(table, plan if isinstance(plan, pd.DataFrame) else read_plan(plan))


def _parsed(path: str | Path, required: tuple[str, ...], **told: str | None) -> tuple[pd.DataFrame, list[int], str]:
    """The table of a file with every column that it must have, the lines of its rows, and its unit."""
    text, sha256 = load(path)
    file = str(path)
    stream = io.StringIO(text, newline="")
    head = _read_head(stream, file)
    for key, value in told.items():
        if value is not None and str(head.attrs.setdefault(key, value)).lower() != value.lower():
            raise InputError(
                "the file says otherwise than it was read with",
                found=head.attrs[key],
                expected=value,
                **head.where(key, file),
            )
    separator = _separator(head.header)
    planned = required == PLANNED or _is_plan(head.header, separator)
    if planned:
        head.attrs.setdefault("unit", "mm")
        head.attrs.setdefault("recorded", "centre")
        required = PLANNED
    unit = _settle(head, file)
    rows, lines = split_rows([head.header, *stream], separator, first=head.line, file=file)
    while not any(cell.strip() for cell in rows[-1]):  # below the table, as a spreadsheet leaves them
        rows.pop(), lines.pop()
    if head.about.get("guarded") == "yes":
        rows = [[unguarded(cell) for cell in row] for row in rows]
    names, rows, lines = _names(rows[0], lines[0], file, required), rows[1:], lines[1:]
    if not rows:
        raise InputError("the file holds no touches", file=file, line=head.line, expected="rows below the header")
    same_width(rows, lines, len(names), file)
    cells = Cells(dict(zip(names, zip(*rows, strict=True), strict=True)), lines, file)
    table = typed(cells, decimal=_decimal(cells, separator), text=_text_columns(head, file))
    if planned and not set(MEASURED) & set(names):
        reason = table["reason"] if "reason" in table else text_series([""] * len(table))
        table["reason"] = reason.where(reason != "", NOT_YET)
    if set(REQUIRED) - set(table):
        for name in REQUIRED:
            if name not in table:
                table[name] = text_series([""] * len(table)) if name in TEXTS else np.nan
        first = [*REQUIRED, *(["reason"] if "reason" in table else [])]
        table = table[[*first, *(name for name in table if name not in first)]]
    _check_end(text, head, len(table), file)
    table.attrs = {**head.attrs, "source": file, "sha256": sha256}
    return table, lines, unit


def _separator(header: str) -> str:
    """The mark between fields: a comma, or what a spreadsheet writes where the comma is the decimal mark."""
    return next((mark for mark in (",", ";", "\t") if mark in header), ",")


def _decimal(cells: Cells, separator: str) -> str:
    """The decimal mark of the numbers: a comma only where it does not separate fields and a number has one."""
    numbers = [cells.columns[name] for name in NUMBERS if name in cells.columns]
    return "," if separator != "," and any("," in cell for column in numbers for cell in column) else "."


def _is_plan(header: str, separator: str) -> bool:
    names = {name.strip().lower() for name in header.split(separator)}
    return set(PLANNED) <= names and not set(MEASURED) & names


@dataclass(frozen=True)
class _Head:
    """What stands above the rows: metadata for the table and about the file, their lines, and the header's first."""

    attrs: dict[str, object]
    about: dict[str, object]
    lines: dict[str, int]
    header: str
    line: int

    def where(self, key: str, file: str) -> dict[str, object]:
        """Where a metadata key stands, for a message."""
        return {"file": file, "line": self.lines.get(key), "column": key}


def _read_head(stream: io.StringIO, file: str) -> _Head:
    """Metadata and the first line of the header; `stream` is left behind that line."""
    attrs, lines = {}, {}
    for number, line in enumerate(iter(stream.readline, ""), 1):
        if is_metadata(line):
            pair = parse_line(line, file=file, line=number)
            if pair is None:
                continue
            key, value = pair
            if key in lines:
                raise InputError(
                    f"the key occurs twice: lines {lines[key]} and {number}", file=file, line=number, column=key
                )
            attrs[key], lines[key] = value, number
        elif line.strip(' "\t\r\n'):
            about = {key: attrs.pop(key) for key in FILE_KEYS if key in attrs}
            return _Head(attrs, about, lines, line, number)
    raise InputError(
        "the file ends before the header",
        file=file,
        line=number,
        expected=f"a row with the names of the columns ({', '.join(KNOWN[:4])}, ...) and the touches below it",
        todo="The file may be truncated: copy it again from its source",
    )


def _settle(head: _Head, file: str) -> str:
    """Return the file's unit; settle the spelling of `recorded` and what the file itself was made from."""
    for key, values in (("unit", "mm' or '# unit: inch"), ("recorded", "centre' or '# recorded: contact")):
        if not head.attrs.get(key):
            raise InputError(
                f"the file does not say '{key}'",
                file=file,
                line=head.lines.get(key, head.line),
                todo=f"Add the line '# {key}: {values}' above the header",
            )
    head.attrs["recorded"] = recorded_of(head.attrs["recorded"], **head.where("recorded", file))
    for key, older in (("source", "origin"), ("sha256", "origin_sha256")):
        if key in head.attrs:
            head.attrs.setdefault(older, head.attrs.pop(key))
    return unit_of(head.attrs["unit"], **head.where("unit", file))


def _names(header: list[str], line: int, file: str, required: tuple[str, ...]) -> list[str]:
    """Column names: outer spaces removed, known names in the letter case that probekit uses."""
    stripped = [name.strip() for name in header]
    names = [name.lower() if name.lower() in KNOWN and name.lower() not in stripped else name for name in stripped]
    if len(names) == 1:
        if "|" in names[0]:
            raise InputError(
                "the header is not separated by commas",
                file=file,
                line=line,
                found=names[0],
                todo="Read it with read_text(separator='|', columns=...), decimal=',' if needed",
            )
    require_columns(names, required, file=file, line=line)
    if "" in names:
        raise InputError("a column has no name", file=file, line=line, found=f"field {names.index('') + 1} is empty")
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise InputError("a column occurs twice in the header", file=file, line=line, column=twice[0])
    return names


def _text_columns(head: _Head, file: str) -> list[str]:
    stated = head.about.get("text_columns", "[]")
    try:
        names = json.loads(stated)
    except ValueError:
        names = None
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise InputError(
            "the list cannot be understood",
            found=stated,
            expected='a JSON list of names, like ["lot"]',
            **head.where("text_columns", file),
        )
    return names


def _check_end(text: str, head: _Head, rows: int, file: str) -> None:
    """Whether the file goes on to its end, as far as can be told: raise if not, note in `head` if in doubt."""
    ends = text.endswith(("\n", "\r"))
    stated = head.about.get("rows")
    if stated is not None and (stated != rows or not ends):
        raise InputError(
            "the file does not hold as many rows as it states",
            found=f"{rows} rows{'' if ends else ' and no line end after the last'}",
            expected=f"{stated} rows, each with a line end",
            todo="The file may be truncated: copy it again. After changes by hand, remove the line '# rows: ...'",
            **head.where("rows", file),
        )
    if not ends:
        add_note(head.attrs, "the last line of the file has no line end: its last value may be cut")
