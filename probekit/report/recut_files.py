"""The re-cut map as files: a table of the touched places, a field of close places, and a mesh in colour.

Both tables are CSV, lengths in mm in the part frame, with lines in front that begin with "#": unit, number of rows,
what each column is, the cautions. The mesh is PLY with a colour and a property `stock` at each vertex.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..action.suggest import CAUTION
from ..csv_text import csv_text
from ..files import store
from ..scene.colour import diverging

if TYPE_CHECKING:
    import pandas as pd

    from ..action.recut import RecutMap

__all__ = ["recut_files"]

_COLUMNS = {
    "touch": "number of the touch",
    "face": "face of the model",
    "x, y, z": "place on the nominal surface, part frame [mm]",
    "nx, ny, nz": "outward unit normal of the nominal there",
    "stock": "material to remove along the normal, never negative [mm]",
    "u": "standard uncertainty of stock [mm]",
    "field": "the same in the smoothed field of recut_field.csv [mm]",
    "tool, operation": "that cut the face last, by the study",
    "why": "why the tool may not remove what is there; stock is then 0",
    "left": "material that stays for that reason [mm]",
}
_CAUTIONS = (
    "Not a program. " + CAUTION,
    "Signs: the finished surface is the nominal moved by the middle of its zone; stock is what stands above it.",
    "Holder, deflection of the tool and the way in and out were not looked at.",
)


def recut_files(recut: RecutMap | None, stamp: str, folder: str | Path) -> list[str]:
    """Write recut.csv, recut_field.csv and recut.ply.

    Parameters
    ----------
    recut : RecutMap or None
        None leaves no file.
    stamp : str
        Which study and touches it is from.
    folder : str or Path

    Returns
    -------
    list of str
        Kinds of the files written: "recut", "recut_field", "recut_mesh"; empty if there is nothing to cut.

    Raises
    ------
    InputError
        If the folder cannot be written to.
    """
    if recut is None or not len(recut.table):
        return []
    there = Path(folder)
    store(there / "recut.csv", _csv(recut.table, recut, stamp))
    store(there / "recut_field.csv", _csv(recut.field, recut, stamp))
    store(there / "recut.ply", _ply(recut))
    return ["recut", "recut_field", "recut_mesh"]


def _csv(table: pd.DataFrame, recut: RecutMap, stamp: str) -> bytes:
    there = set(table.columns)
    about = [f"{names}: {text}" for names, text in _COLUMNS.items() if set(names.split(", ")) <= there]
    lines = ["unit: mm", f"rows: {len(table)}", stamp, recut.sentence, *about, *recut.notes, *_CAUTIONS]
    numbers = table.select_dtypes(float).columns
    digits = {name: 6 if name in ("nx", "ny", "nz") else 4 for name in numbers}
    text = table.assign(**{name: table[name].round(digits[name]) + 0.0 for name in numbers})
    return csv_text(text, filter(None, lines)).encode("utf-8")


def _ply(recut: RecutMap) -> bytes:
    """Colour from neutral, no stock, to the colour of material left on, the most there is."""
    import trimesh

    most = max(float(recut.stock.max(initial=0.0)), 1e-9)
    colours = np.asarray(diverging(recut.stock / most), dtype=np.uint8)
    mesh = trimesh.Trimesh(recut.vertices, recut.facets, process=False, vertex_colors=colours)
    mesh.vertex_attributes["stock"] = recut.stock.astype(np.float32)
    return bytes(mesh.export(file_type="ply"))
