"""Text in CSV files that no spreadsheet runs, and that comes back as it was.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return for a formula, which
can start programs; so an id or a name in a results file could run on whatever desk the tables are opened. In a table
that holds such text, an apostrophe stands before each such beginning, and the line ``# guarded: yes`` above the header
says so: readers here take the apostrophes out again. Numbers are never touched, and a table without such text is
written as it is. Where the language of the desk separates cells by semicolons, a cell also begins after one.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable

import pandas as pd

__all__ = ["GUARDED", "csv_text", "guarded", "head_line", "is_guarded", "read_csv_text", "unguarded"]

GUARDED = "# guarded: yes"

# What a cell begins with; before it quotation marks, blanks and apostrophes, which some spreadsheets pass over.
_BEGINS = re.compile(r"((?:^|[;\t\r\n])[ '\"\u00a0]*)(?=[=+\-@\t\r\uff1d\uff0b\uff0d\uff20])")
_GUARD = re.compile(r"((?:^|[;\t\r\n])[ '\"\u00a0]*)'(?=[=+\-@\t\r\uff1d\uff0b\uff0d\uff20])")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_IN_HEAD = re.compile(r"[,;\t][ '\"\u00a0]*[=+\-@\uff1d\uff0b\uff0d\uff20]")


def guarded(text: str) -> str:
    """The text with an apostrophe before each place where a spreadsheet would see a formula begin; a number as it is.

    `unguarded` gives the text back, whatever it is.
    """
    return text if _NUMBER.fullmatch(text) else _BEGINS.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """What `guarded` was given."""
    return text if "'" not in text else _GUARD.sub(r"\1", text)


def head_line(text: str) -> str:
    """A line above the header, after its ``#``; in quotation marks if a spreadsheet would see a formula in it."""
    line = f"# {text}"
    return '"' + line.replace('"', '""') + '"' if _IN_HEAD.search(line) else line


def csv_text(table: pd.DataFrame, head: Iterable[str] = ()) -> str:
    """A table as CSV with LF line ends, its texts guarded where one needs it.

    Parameters
    ----------
    table : DataFrame
        Its index is not written.
    head : iterable of str
        Lines above the header, without their ``#``.
    """
    safe = table.rename(columns=lambda name: guarded(name) if isinstance(name, str) else name)
    texts = [k for k, kind in enumerate(table.dtypes) if kind.kind not in "iufbmM"]
    before = {k: table.iloc[:, k].astype(object).tolist() for k in texts}
    after = {k: [guarded(cell) if isinstance(cell, str) else cell for cell in cells] for k, cells in before.items()}
    marked = list(safe.columns) != list(table.columns) or any(
        isinstance(one, str) and one != other
        for k, cells in before.items()
        for one, other in zip(cells, after[k], strict=True)
    )
    lines = [head_line(line) for line in head] + [GUARDED] * marked
    if marked:
        for k, cells in after.items():
            safe.isetitem(k, pd.Series(cells, index=safe.index, dtype=object))
    return "".join(f"{line}\n" for line in lines) + safe.to_csv(index=False, lineterminator="\n")


def read_csv_text(text: str, texts: Iterable[str] = ()) -> pd.DataFrame:
    """A table that `csv_text` wrote, or any other CSV with a comma: lines above the header that begin with # aside.

    Parameters
    ----------
    text : str
    texts : iterable of str
        Columns that are text though they look like numbers.

    Raises
    ------
    ValueError
        If it is no table.
    """
    lines = text.splitlines(keepends=True)
    count = next((k for k, line in enumerate(lines) if not line.startswith(("#", '"#'))), len(lines))
    table = pd.read_csv(io.StringIO("".join(lines[count:])), dtype=dict.fromkeys(texts, str))
    if not is_guarded(lines[:count]):
        return table
    cells = [name for name, kind in table.dtypes.items() if kind.kind not in "iufb"]
    plain = table.assign(**{name: table[name].map(unguarded, na_action="ignore") for name in cells})
    return plain.rename(columns=unguarded)


def is_guarded(head: Iterable[str]) -> bool:
    """Whether one of the lines above the header says that the texts are guarded; a spreadsheet may have quoted it."""
    return any(GUARDED in next(csv.reader([line]), [""])[:1] for line in map(str.strip, head))
