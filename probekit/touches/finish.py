"""The last steps of every reading: check the rows, mend what may be mended, convert to mm."""

from __future__ import annotations

import pandas as pd

from ..columns import MEASURED
from ..errors import InputError
from .rows import check_rows, renormalised
from .table import in_millimetres

_OF_A_DRY_RUN = 99999.0  # what a dry run leaves where a trigger would be kept: a place that no machine has


def finish(table: pd.DataFrame, lines: list[int], unit: str) -> pd.DataFrame:
    """Check the rows, scale directions to unit length, convert to mm: the last steps of every reading."""
    refuse_dry_run(table, lines)
    for note in check_rows(table, lines):
        add_note(table.attrs, note)
    return in_millimetres(renormalised(table), unit, stacklevel=4)


def add_note(attrs: dict[str, object], note: str) -> None:
    """Add a sentence to ``attrs["notes"]``."""
    attrs["notes"] = f"{attrs['notes']}; {note}" if attrs.get("notes") else note


def refuse_dry_run(table: pd.DataFrame, lines: list[int]) -> None:
    """Refuse results that a dry run left: it touches nothing."""
    left = (table[[name for name in MEASURED if name in table]] == _OF_A_DRY_RUN).any(axis=1).to_numpy()
    if left.any():
        row = int(left.argmax())
        raise InputError(
            "these are no results: they were left by a dry run",
            file=str(table.attrs.get("source", "")) or None,
            line=lines[row] if row < len(lines) else None,
            column="x, y, z",
            found=f"{_OF_A_DRY_RUN:g} in {int(left.sum())} of {len(left)} touches",
            expected="where the ball was",
            todo="Run the program itself, and read its results.",
        )
