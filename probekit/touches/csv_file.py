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
written as a JSON number is a number. Two keys are about the file itself, are optional, and are left out of the table's
attrs: ``rows`` (how many rows follow; with it, a file cut short anywhere is found out) and ``text_columns`` (a JSON
list of further columns that are text though all their cells look like numbers).

**The header** names the columns that `probekit.touches.table` describes, in any order and letter case; all are required
but ``reason``, and any further column is kept.

**Rows** have as many fields as the header, separated by commas, decimal point. A field may stand in double quotes, and
must where it holds a comma, a line end, a double quote (written twice) or leading spaces. Targets and normals may be
empty: none. Measured positions are empty if and only if ``reason`` says why the touch was missed. Ids that are all
plain integers are integers, else text. Further columns are integers, True/False, numbers (empty: NaN), or text.

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

from ..errors import InputError
from ..files import store
from .cells import Cells, guessed, same_width, split_rows, text_series, typed
from .finish import add_note, finish
from .metadata import FILE_KEYS, format_lines, is_metadata, parse_line
from .rows import check_rows
from .storage import load
from .table import KNOWN, NUMBERS, TEXTS, recorded_of, require_columns, unit_of

__all__ = ["read", "write"]

_FIELD_LIMIT = 131072  # characters; a longer field is taken for a quote that is not closed


def read(path: str | Path) -> pd.DataFrame:
    """Read a touches file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    DataFrame
        One row per touch, as `probekit.touches.table` describes it; lengths in mm; metadata in ``attrs``.

    Raises
    ------
    InputError
        If the file is not as `probekit.touches.csv_file` describes it: it says file, line, column, what was found and
        what was expected.

    Warns
    -----
    ProbekitWarning
        If an inch file has further columns of numbers: they are left as read.
    """
    text, sha256 = load(path)
    file = str(path)
    stream = io.StringIO(text, newline="")
    head = _read_head(stream, file)
    unit = _settle(head, file)
    rows, lines = split_rows([head.header, *stream], ",", first=head.line, file=file)
    names, rows, lines = _names(rows[0], lines[0], file), rows[1:], lines[1:]
    if not rows:
        raise InputError("the file holds no touches", file=file, line=head.line, expected="rows below the header")
    same_width(rows, lines, len(names), file)
    cells = Cells(dict(zip(names, zip(*rows, strict=True), strict=True)), lines, file)
    table = typed(cells, text=_text_columns(head, file))
    if "reason" not in table:
        table.insert(table.columns.get_loc("z") + 1, "reason", text_series([""] * len(table)))
    _check_end(text, head, len(table), file)
    table.attrs = {**head.attrs, "source": file, "sha256": sha256}
    return finish(table, lines, unit)


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
                    f"the key stands twice: lines {lines[key]} and {number}", file=file, line=number, column=key
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


def _names(header: list[str], line: int, file: str) -> list[str]:
    """Column names: outer spaces removed, known names in the letter case that probekit uses."""
    stripped = [name.strip() for name in header]
    names = [name.lower() if name.lower() in KNOWN and name.lower() not in stripped else name for name in stripped]
    if len(names) == 1:
        separator = next((mark for mark in ";\t|" if mark in names[0]), None)
        if separator:
            raise InputError(
                "the header is not separated by commas",
                file=file,
                line=line,
                found=names[0],
                todo=f"Read it with read_text(separator={separator!r}, columns=...), decimal=',' if need be",
            )
    require_columns(names, file=file, line=line)
    if "" in names:
        raise InputError("a column has no name", file=file, line=line, found=f"field {names.index('') + 1} is empty")
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise InputError("a column stands twice in the header", file=file, line=line, column=twice[0])
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
            "the file does not hold what it says",
            found=f"{rows} rows{'' if ends else ' and no line end after the last'}",
            expected=f"{stated} rows, each with a line end",
            todo="The file may be truncated: copy it again. After changes by hand, remove the line '# rows: ...'",
            **head.where("rows", file),
        )
    if not ends:
        add_note(head.attrs, "the last line of the file does not end: its last value may be cut")


def write(table: pd.DataFrame, path: str | Path) -> None:
    """Write a touches file, all or not at all; the same table gives the same bytes.

    ``read(path)`` gives the table back: every bit of every number, the text, the order of columns and rows, and
    ``attrs``. Beyond that: the index is not written; missing text is written as ""; integers come back as int64;
    directions off unit length by 1e-12 to 1e-3 come back scaled, with a note; and ``source`` and ``sha256`` come back
    as those of the new file, the old ones (name of the file only) as ``origin`` and ``origin_sha256``.

    Parameters
    ----------
    table : DataFrame
        Touches, lengths in mm, with ``attrs["unit"] == "mm"`` and ``attrs["recorded"]``.
    path : str or Path

    Raises
    ------
    InputError
        If the table breaks a rule that `read` checks, or holds what the file could not give back (columns of mixed
        types or dates, names with outer spaces, NUL characters, metadata that are neither text nor finite numbers).
    """
    table = _writable(table)
    columns = {name: _cells(table[name], name) for name in table.columns}
    doubtful = [
        name
        for name, (cells, kind) in columns.items()
        if kind == "text" and name not in TEXTS and not _is_text(cells, name)
    ]
    attrs = {key: value for key, value in table.attrs.items() if key not in ("source", "sha256")}
    if table.attrs.get("source") and "origin" not in attrs:
        attrs["origin"] = Path(table.attrs["source"]).name
        attrs["origin_sha256"] = table.attrs.get("sha256", "")
    lines = [*format_lines(attrs), f"# rows: {len(table)}"]
    if doubtful:
        lines.append(f"# text_columns: {json.dumps(doubtful, ensure_ascii=False)}")
    lines.append(",".join(_quoted(name) for name in columns))
    written = [list(map(_quoted, cells)) if kind == "text" else cells for cells, kind in columns.values()]
    lines.extend(map(",".join, zip(*written, strict=True)))
    try:
        data = ("\n".join(lines) + "\n").encode("utf-8")
    except UnicodeEncodeError as error:
        raise InputError(
            "the table holds half a character (a lone surrogate)", found=ascii(error.object[error.start])
        ) from None
    store(path, data)


def _writable(table: pd.DataFrame) -> pd.DataFrame:
    """The table with a `reason` column; raise if it breaks a rule of the file."""
    if not len(table):
        raise InputError("the table holds no touches", expected="one row or more")
    for name in table.columns:
        known = isinstance(name, str) and name.lower() in KNOWN and name.lower() not in table.columns
        if known or not isinstance(name, str) or not name or name != name.strip() or name[0] == "#" or "\0" in name:
            raise InputError(
                "the column name cannot be written",
                column=str(name),
                expected="text without outer spaces or a leading #; a name that probekit knows in lower case",
            )
    if table.columns.has_duplicates:
        raise InputError("a column stands twice", column=str(table.columns[table.columns.duplicated()][0]))
    if table.attrs.get("unit") != "mm":
        raise InputError(
            "the table does not say that its lengths are in mm",
            column="unit",
            found=table.attrs.get("unit", "nothing"),
            todo="Convert the lengths if need be, then set table.attrs['unit'] = 'mm'",
        )
    if table.attrs.get("recorded") not in ("centre", "contact"):
        raise InputError(
            "the table does not say what x, y, z are",
            column="recorded",
            found=table.attrs.get("recorded", "nothing"),
            todo="Set table.attrs['recorded'] to 'centre' or 'contact'",
        )
    check_rows(table)
    if "reason" not in table:
        table = table.copy()
        table.insert(table.columns.get_loc("z") + 1, "reason", "")
    return table


def _cells(column: pd.Series, name: str) -> tuple[list[str], str]:
    """The cells of a column as they stand in the file (unquoted), and whether they are "text" or not ("plain")."""
    if name in NUMBERS:
        return _float_cells(column.to_numpy(dtype=float)), "plain"
    kind = pd.api.types.infer_dtype(column, skipna=True)
    if kind in ("string", "empty") and (column.dtype.kind == "O" or name in TEXTS):
        return _text_cells(column, name), "text"
    if name not in TEXTS and kind == "integer" and not column.isna().any():
        return [str(int(value)) for value in column], "plain"
    if name not in TEXTS and kind == "boolean" and not column.isna().any():
        return [str(bool(value)) for value in column], "plain"
    if name not in (*TEXTS, "touch") and (kind in ("floating", "integer", "mixed-integer-float", "empty")):
        return _float_cells(column.to_numpy(dtype=float, na_value=np.nan)), "plain"
    raise InputError(
        "the column cannot be written",
        column=name,
        found=f"values of kind {kind}",
        expected="text" if name in TEXTS else "all integers or all text" if name == "touch" else "numbers or text",
        todo="Convert it, for example with astype(str)",
    )


def _float_cells(values: np.ndarray) -> list[str]:
    return ["" if value != value else repr(value) for value in values.tolist()]


def _text_cells(column: pd.Series, name: str) -> list[str]:
    cells = [str(cell) for cell in column.fillna("")]
    for row, cell in enumerate(cells):
        if "\0" in cell or len(cell) > _FIELD_LIMIT:
            raise InputError(
                f"the text of row {row} cannot be written",
                column=name,
                found=cell,
                expected=f"no NUL characters, at most {_FIELD_LIMIT} characters",
            )
    return cells


def _is_text(cells: list[str], name: str) -> bool:
    """Whether reading would take the cells for text without being told."""
    return pd.api.types.infer_dtype(guessed(cells, integers_only=name == "touch")) == "string"


def _quoted(text: str) -> str:
    if text[:1] == " " or any(mark in text for mark in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
