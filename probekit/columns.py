"""The vocabulary of the tables: names of columns that more than one room reads, said once.

What belongs to a touch is a column of its table, never metadata of the frame: a table that went through merge, concat,
CSV or JSON gives the same numbers, or an error that names the column it lacks.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .errors import InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "APPROACH",
    "BY_TOUCH",
    "CONTACT",
    "FOOT",
    "FOOT_NORMAL",
    "MEASURED",
    "NORMAL",
    "PLACED_BY",
    "PROJECTED",
    "REPEATS",
    "TARGET",
    "TURN",
    "array",
    "has",
    "words",
]

#: Where the touch was asked for, and the outward unit normal of the nominal there.
TARGET = ("x0", "y0", "z0")
NORMAL = ("i", "j", "k")

#: Where the ball's centre (or the contact) was, the probing move, and how the probe stood.
MEASURED = ("x", "y", "z")
APPROACH = ("ai", "aj", "ak")
TURN = ("turn_x", "turn_y", "turn_z")

#: What a projection finds: contact point, foot on the nominal, outward normal there.
CONTACT = ("cx", "cy", "cz")
FOOT = ("foot_x", "foot_y", "foot_z")
FOOT_NORMAL = ("nx", "ny", "nz")

#: What brought the measured positions to where they are; no such column, or "": as clamped.
PLACED_BY = "placed_by"

#: How a touch is measured from the nominal: effective radius of the ball compensated for [mm], machining allowance at
#: its foot [mm], the face it is bound to ("" for any), the direction of compensation, and along what it is measured.
BY_TOUCH = ("radius", "allowance", "bound", "compensate", "along")

#: How often a touch was made, where its measured position is the mean; no such column: once.
REPEATS = "times"

#: What a projection adds and a move makes stale. `radius` and `bound` stay: they are the touch's own.
PROJECTED = (*CONTACT, *FOOT, *FOOT_NORMAL, "face", "deviation", "foot_by", "flag", "allowance", "compensate", "along")


def array(table: pd.DataFrame, names: Sequence[str]) -> np.ndarray:
    """Columns of a table as one array.

    Parameters
    ----------
    table : (n rows) DataFrame
    names : sequence of str
        For instance `FOOT`.

    Returns
    -------
    (n, len(names)) float

    Raises
    ------
    InputError
        If the table lacks one of them.
    """
    out = np.empty((len(table), len(names)))
    for k, name in enumerate(names):
        if name not in table:
            raise InputError("the table lacks a column", column=name, expected=", ".join(names))
        if (one := table[name]).ndim > 1:
            raise InputError("the table has a column twice", column=name, todo="Drop or rename one of them.")
        out[:, k] = one.to_numpy(dtype=float)
    return out


def words(table: pd.DataFrame, name: str) -> np.ndarray:
    """Column of text (n,) object; "" where there is nothing, as CSV and merges leave it.

    Raises
    ------
    InputError
        If the table lacks it.
    """
    if name not in table:
        raise InputError("the table lacks a column", column=name)
    column = table[name].astype(object)
    return column.where(column.notna(), "").to_numpy(dtype=object)


def has(table: pd.DataFrame, names: Sequence[str]) -> bool:
    """Whether a table has all these columns."""
    return set(names) <= set(table)
