"""The touches table: names of its columns and of its metadata, said once.

One row per touch in a pandas `DataFrame`:

======================  =======  ====================================================================================
column                  type     meaning
======================  =======  ====================================================================================
touch                   int/str  identification, unique in the table, kept as read
feature                 str      what was touched, in the words of the program; may be ""
x0, y0, z0              float    target: where the touch was asked for, part frame [mm]; NaN if none
i, j, k                 float    outward unit normal of the nominal at the target; NaN if none
x, y, z                 float    measured: ball centre or contact point, part frame [mm]; NaN if missed
reason                  str      why the touch was missed; "" for every touch that has a measured position
ai, aj, ak              float    optional: unit vector of the probing move, pointing INTO the material
turn_x, turn_y, turn_z  float    optional: how the probe stood: rotation vector [degree] that takes directions of the
                                 part frame to the probe's own; NaN where the two are parallel
u                       float    optional: standard uncertainty of the touch [mm]
radius                  float    optional: effective radius of the ball that touched [mm], 0 for contact points
bound                   str      optional: name of the face that the touch is projected on, as a projection writes it
face                    str      optional: name of the face of the nominal that was meant
======================  =======  ====================================================================================

Any further column is kept. The metadata in `DataFrame.attrs` are plain text or plain numbers:

``part``, ``program``, ``machine``, ``stylus``, ``time`` (text); ``temperature`` [degree Celsius] (number);
``unit`` (always "mm" in a table) and ``unit_source`` ("inch" if the file was in inches); ``recorded`` ("centre" of the
ball or "contact" point); ``source`` and ``sha256`` of the file that was read; ``origin`` and ``origin_sha256`` of the
file that one was made from; ``notes`` (what reading noticed or mended); ``skipped_lines``, ``unused_columns`` (what a
column-mapped reading left out). Any further key is kept.
"""

from __future__ import annotations

import difflib
import warnings
from collections.abc import Collection, Iterable, Sequence

import pandas as pd

from ..columns import APPROACH, MEASURED, NORMAL, TARGET, TURN
from ..errors import InputError, ProbekitWarning

REQUIRED = ("touch", "feature", *TARGET, *NORMAL, *MEASURED)
NUMBERS = (*TARGET, *NORMAL, *MEASURED, *APPROACH, *TURN, "u", "radius")
TEXTS = ("feature", "reason", "face", "bound")
LENGTHS = (*TARGET, *MEASURED, "u", "radius")
KNOWN = ("touch", *TEXTS, *NUMBERS)

INCH = 25.4  # millimetres, exact since the international inch of 1959

_UNITS = {
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("inch", "inches", "in"), "inch"),
}
_RECORDED = {"centre": "centre", "center": "centre", "contact": "contact"}


def unit_of(given: str, **where: object) -> str:
    """The unit as probekit writes it, "mm" or "inch"; raise `InputError` for any other."""
    unit = _UNITS.get(str(given).strip().lower())
    if unit is None:
        raise InputError("the unit is not one that probekit reads", found=given, expected="mm or inch", **where)
    return unit


def recorded_of(given: str, **where: object) -> str:
    """What the positions are, "centre" or "contact"; raise `InputError` for anything else."""
    recorded = _RECORDED.get(str(given).strip().lower())
    if recorded is None:
        raise InputError("the file does not say what x, y, z are", found=given, expected="centre or contact", **where)
    return recorded


def in_millimetres(table: pd.DataFrame, unit: str, *, stacklevel: int) -> pd.DataFrame:
    """The table with its lengths in mm and ``unit`` (and ``unit_source``) set.

    Parameters
    ----------
    table : DataFrame
        Touches, lengths in `unit`.
    unit : {"mm", "inch"}
        Unit of the columns ``x0, y0, z0, x, y, z, u``.
    stacklevel : int
        For the warning: 3 points at the caller of the function that calls this one.

    Warns
    -----
    ProbekitWarning
        If an inch table has further columns of numbers: they are left as read, since nothing says they are lengths.
    """
    table.attrs["unit"] = "mm"
    if unit == "mm":
        return table
    table.attrs["unit_source"] = unit
    for name in LENGTHS:
        if name in table:
            table[name] = table[name] * INCH
    further = [str(n) for n in table.select_dtypes("number") if n not in KNOWN]
    if further:
        warnings.warn(
            f"{table.attrs.get('source', 'the table')} is in inches: {', '.join(LENGTHS)} were converted to mm, "
            f"other columns of numbers were left as read: {', '.join(further)}",
            ProbekitWarning,
            stacklevel=stacklevel,
        )
    return table


def near_names(wanted: str, present: Iterable[str], alike: float = 0.5) -> list[str]:
    """Names in `present` that look like a misspelt `wanted`, letter case aside; `alike` 1 is the same."""
    by_lower = {name.lower(): name for name in present}
    return [by_lower[hit] for hit in difflib.get_close_matches(wanted.lower(), by_lower, n=2, cutoff=alike)]


def require_columns(present: Collection[str], required: Sequence[str] = REQUIRED, **where: object) -> None:
    """Raise `InputError` if a required column is not in `present`: all that lack, with names that look alike."""
    others = [str(name) for name in present if name not in KNOWN]
    absent = [name for name in REQUIRED if name not in present]
    misspelt = {name for name in absent if len(name) > 2 and near_names(name, others, alike=0.75)}  # not left out
    missing = [name for name in absent if name in required or name in misspelt]
    if not missing:
        return
    alike = {name: near_names(name, others) for name in missing}
    hints = [f"{' or '.join(repr(n) for n in near)} for {name}?" for name, near in alike.items() if near]
    raise InputError(
        f"required columns are missing: {', '.join(missing)}",
        found=", ".join(map(str, present)),
        expected=", ".join(required),
        todo=("Did you mean " + " ".join(hints) + " " if hints else "")
        + "Rename the columns, or map them with read_text(columns=...)",
        **where,
    )
