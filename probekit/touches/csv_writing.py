"""Writes the touches file that `probekit.touches.csv_file` describes and reads."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from ..csv_text import GUARDED, guarded, head_line
from ..errors import InputError
from ..files import store
from .cells import guessed
from .metadata import format_lines
from .rows import check_rows
from .table import KNOWN, NUMBERS, TEXTS

__all__ = ["write"]

_FIELD_LIMIT = 131072  # characters; a longer field is taken for a quote that is not closed


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
    cells_of = {name: cells for name, (cells, kind) in columns.items() if kind == "text"}
    marked = any(guarded(text) != text for text in (*columns, *(cell for cells in cells_of.values() for cell in cells)))
    guard = guarded if marked else str
    attrs = {key: value for key, value in table.attrs.items() if key not in ("source", "sha256")}
    if table.attrs.get("source") and "origin" not in attrs:
        attrs["origin"] = Path(table.attrs["source"]).name
        attrs["origin_sha256"] = table.attrs.get("sha256", "")
    lines = [*format_lines(attrs), f"# rows: {len(table)}"]
    if doubtful:
        lines.append(head_line(f"text_columns: {json.dumps(doubtful, ensure_ascii=False)}"))
    if marked:
        lines.append(GUARDED)
    lines.append(",".join(_quoted(guard(name)) for name in columns))
    written = [[_quoted(guard(c)) for c in cells] if kind == "text" else cells for cells, kind in columns.values()]
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
        raise InputError("a column occurs twice", column=str(table.columns[table.columns.duplicated()][0]))
    if table.attrs.get("unit") != "mm":
        raise InputError(
            "the table does not say that its lengths are in mm",
            column="unit",
            found=table.attrs.get("unit", "nothing"),
            todo="Convert the lengths if needed, then set table.attrs['unit'] = 'mm'",
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
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = column.astype(object)
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
