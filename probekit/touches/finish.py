"""The last steps of every reading: check the rows, mend what may be mended, convert to mm."""

from __future__ import annotations

import pandas as pd

from .rows import check_rows, renormalised
from .table import in_millimetres


def finish(table: pd.DataFrame, lines: list[int], unit: str) -> pd.DataFrame:
    """Check the rows, scale directions to unit length, convert to mm: the last steps of every reading."""
    for note in check_rows(table, lines):
        add_note(table.attrs, note)
    return in_millimetres(renormalised(table), unit, stacklevel=4)


def add_note(attrs: dict[str, object], note: str) -> None:
    """Add a sentence to ``attrs["notes"]``."""
    attrs["notes"] = f"{attrs['notes']}; {note}" if attrs.get("notes") else note
