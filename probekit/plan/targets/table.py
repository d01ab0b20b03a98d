"""The targets table: where to touch, one row per touch, in the order of touching.

================  =====  ================================================================
column            type   meaning
================  =====  ================================================================
touch             int    1, 2, ... in the order of touching, unique
feature           str    what is touched, in the words of who plans; may be ""
x0, y0, z0        float  a point on the nominal, part frame [mm]
i, j, k           float  outward unit normal of the nominal there
face              str    name of the face of the nominal
curvature_1, _2   float  principal curvatures [1/mm], larger first, positive where hollow
================  =====  ================================================================

Further columns are kept. `DataFrame.attrs` holds ``part``, ``unit`` ("mm") and ``notes``: what was dropped, and why.
Every generator of this room returns such a table; `join`, `drop`, `move` and `renumber` turn tables into tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from ...columns import NORMAL, TARGET, array
from ...errors import InputError
from ...nominal import Nominal
from .snapping import face_numbers, snap, snap_each

__all__ = ["COLUMNS", "add_note", "check", "drop", "join", "move", "place", "renumber"]

CURVATURE = ["curvature_1", "curvature_2"]

#: Columns that every targets table has.
COLUMNS = ("touch", "feature", *TARGET, *NORMAL, "face")


def place(
    nominal: Nominal,
    points: np.ndarray,
    *,
    feature: str = "",
    faces: str | Iterable[str] | None = None,
    face: np.ndarray | None = None,
    note: str = "",
) -> pd.DataFrame:
    """Targets at the points of the nominal closest to `points`, in their order.

    Parameters
    ----------
    nominal : Nominal
    points : (n, 3) float
        Part frame [mm].
    feature : str
        Written into the column of that name.
    faces : str or several, optional
        Only these faces; default all.
    face : (n,) int, optional
        Index of the face of each point, instead of `faces`.
    note : str
        Kept in ``attrs["notes"]``.

    Returns
    -------
    DataFrame
        The targets table, with the principal curvatures.

    Raises
    ------
    InputError
        For points that are not finite or not (n, 3), and for faces that do not exist.
    """
    found = snap(nominal, points, faces, curved=True) if face is None else snap_each(nominal, points, face, curved=True)
    data: dict[str, object] = {"touch": np.arange(1, len(found.points) + 1), "feature": feature}
    for names, values in ((TARGET, found.points), (NORMAL, found.normals)):
        data |= {name: values[:, c] + 0.0 for c, name in enumerate(names)}
    data["face"] = np.array(nominal.face_names, dtype=object)[found.face]
    data |= {name: found.curvature[:, c] for c, name in enumerate(CURVATURE)}
    table = pd.DataFrame(data).astype({"feature": object, "face": object})
    table.attrs = {"part": nominal.name, "unit": "mm", "notes": note}
    return table


def add_note(targets: pd.DataFrame, note: str) -> pd.DataFrame:
    """The same targets with one more note.

    Parameters
    ----------
    targets : DataFrame
    note : str
        Nothing happens if it is empty.
    """
    out = targets.copy()
    out.attrs = targets.attrs | {"notes": "; ".join(n for n in (targets.attrs.get("notes", ""), note) if n)}
    return out


def check(targets: pd.DataFrame) -> pd.DataFrame:
    """The table itself, if it keeps the contract of a targets table.

    Parameters
    ----------
    targets : DataFrame

    Raises
    ------
    InputError
        For a missing column, a number that is not finite, a normal without unit length, or a repeated touch.
    """
    missing = [name for name in COLUMNS if name not in targets.columns]
    if missing:
        raise InputError("the targets table lacks columns", found=", ".join(missing), expected=", ".join(COLUMNS))
    for name in (*TARGET, *NORMAL):
        values = pd.to_numeric(targets[name], errors="coerce").to_numpy(float)
        if not np.isfinite(values).all():
            row = int(np.flatnonzero(~np.isfinite(values))[0])
            raise InputError(
                f"target {targets['touch'].iloc[row]} has no finite number",
                column=name,
                found=str(targets[name].iloc[row]),
            )
    length = np.linalg.norm(array(targets, NORMAL), axis=1)
    if (np.abs(length - 1.0) > 1e-6).any():
        row = int(np.abs(length - 1.0).argmax())
        raise InputError(
            f"the normal of target {targets['touch'].iloc[row]} is not a unit vector", found=f"length {length[row]:.6g}"
        )
    twice = targets["touch"][targets["touch"].duplicated()]
    if len(twice):
        raise InputError("two targets have the same number", column="touch", found=twice.iloc[0], todo="Renumber them.")
    return targets


def renumber(targets: pd.DataFrame) -> pd.DataFrame:
    """The same targets, numbered 1, 2, ... in the order of the rows."""
    out = targets.reset_index(drop=True)
    out["touch"] = np.arange(1, len(out) + 1)
    out.attrs = dict(targets.attrs)
    return out


def join(*tables: pd.DataFrame) -> pd.DataFrame:
    """Several tables as one, in the order given, renumbered; all their notes are kept.

    Parameters
    ----------
    *tables : DataFrame

    Raises
    ------
    InputError
        For no table, for one that lacks columns, and for tables of different parts.
    """
    if not tables:
        raise InputError("there are no targets to join")
    for one in tables:
        check(renumber(one) if "touch" in one else one)
    parts = list(dict.fromkeys(str(one.attrs.get("part", "")) for one in tables))
    if len(parts) > 1:
        raise InputError("the targets belong to different parts", found=", ".join(parts), expected="one part")
    full = [one for one in tables if len(one)] or [tables[0]]
    bare = [one.set_axis(one.columns, axis=1) for one in full]
    for one in bare:
        one.attrs = {}
    out = renumber(pd.concat(bare, ignore_index=True))
    notes = "; ".join(dict.fromkeys(str(one.attrs["notes"]) for one in tables if one.attrs.get("notes")))
    out.attrs = tables[0].attrs | {"notes": notes}
    return out


def drop(targets: pd.DataFrame, touches: Iterable[int], *, why: str = "by hand") -> pd.DataFrame:
    """Without some targets; the others keep their numbers, and a note says what went.

    Parameters
    ----------
    targets : DataFrame
    touches : iterable of int
        Numbers of those to drop.
    why : str
        For the note.

    Raises
    ------
    InputError
        If a number is not in the table.
    """
    going = set(touches)
    known = set(targets["touch"])
    if going - known:
        raise InputError("there is no target with that number", column="touch", found=sorted(going - known)[0])
    out = targets[~targets["touch"].isin(going)].reset_index(drop=True)
    out.attrs = dict(targets.attrs)
    return add_note(out, f"{len(going)} targets dropped: {why}" if going else "")


def move(targets: pd.DataFrame, nominal: Nominal, to: Mapping[int, Iterable[float]]) -> pd.DataFrame:
    """Some targets taken elsewhere: to the nearest points of their own faces.

    Parameters
    ----------
    targets : DataFrame
    nominal : Nominal
    to : mapping of int to (3,) float
        Number of the touch -> new position [mm].

    Raises
    ------
    InputError
        If a number is not in the table, or a position is no point.
    """
    out = targets.copy()
    out.attrs = dict(targets.attrs)
    if not to:
        return out
    rows = []
    for touch in to:
        at = np.flatnonzero((targets["touch"] == touch).to_numpy())
        if not len(at):
            raise InputError("there is no target with that number", column="touch", found=touch)
        rows.append(int(at[0]))
    face = np.array([face_numbers(nominal, name)[0] for name in targets["face"].iloc[rows]])
    moved = place(nominal, np.array([list(p) for p in to.values()], dtype=float), face=face)
    for name in (*TARGET, *NORMAL, *(c for c in CURVATURE if c in out)):
        out.loc[out.index[rows], name] = moved[name].to_numpy()
    return out
