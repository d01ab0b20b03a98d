"""Words and signs of what was picked, as plain data and escaped HTML: pure functions, no widgets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..columns import TARGET
from ..scene import glyphs
from ..scene.model import GlyphMesh
from .text import BOX

if TYPE_CHECKING:
    import pandas as pd

    from ..plan import Probe
    from .picking import Made

__all__ = ["Row", "caution_html", "head_html", "rows_of", "said_html", "signs", "table_html"]

_LISTED = 40  # targets in the table; more are counted
_KEPT_OUT = "too near to an edge of its face or to a region to keep out of"


@dataclass(frozen=True)
class Row:
    """One target as it is listed.

    Attributes
    ----------
    touch : int
        Its number.
    face : str
    place : tuple of 3 float
        [mm]
    state : str
        "planned" or "left out": which sign it has.
    word : str
        "can be touched", "cannot", "?" where that is not known yet, "kept out", or "" without a probe.
    reason : str
        Why not; or how freely it is touched.
    """

    touch: int
    face: str
    place: tuple[float, float, float]
    state: str
    word: str
    reason: str


def rows_of(made: Made, judged: Mapping[bytes, pd.Series] | None, keys: Sequence[bytes]) -> list[Row]:
    """What is to be said of each target.

    Parameters
    ----------
    made : Made
    judged : mapping or None
        What reach says of a target, by its key; None without a probe.
    keys : sequence of bytes
        Key of each row of `made.all`.
    """
    rows = []
    for key, kept, (_, one) in zip(keys, made.kept, made.all.iterrows(), strict=True):
        known = None if judged is None else judged.get(key)
        if not kept:
            word, reason = "kept out", _KEPT_OUT
        elif judged is None:
            word, reason = "", ""
        elif known is None:
            word, reason = "?", "reach is being looked for"
        elif known["reachable"]:
            word, reason = "can be touched", f"clearance at least {known['clearance']:.2f} mm"
        else:
            word, reason = "cannot", str(known["reason"])
        x, y, z = (float(one[name]) for name in TARGET)
        left_out = word in ("kept out", "cannot")
        rows.append(
            Row(int(one["touch"]), str(one["face"]), (x, y, z), "left out" if left_out else "planned", word, reason)
        )
    return rows


def signs(anchor: np.ndarray, direction: np.ndarray, words: Sequence[str], size: float, large: np.ndarray) -> GlyphMesh:
    """The signs of targets (n, 3) as one mesh, `large` (n,) bool ones half as large again as `size` [mm]."""
    return glyphs.joined(
        *(
            glyphs.merge(np.where(which[:, None], anchor, np.nan), direction, words, factor * size)
            for which, factor in ((~large, 1.0), (large, 1.6))
        )
    )


def head_html(name: str, rows: Sequence[Row]) -> str:
    """Name of the part and how many targets there are."""
    counts = [f"{len(rows)} {'target' if len(rows) == 1 else 'targets'}"]
    for word in ("can be touched", "cannot", "kept out", "?"):
        number = sum(row.word == word for row in rows)
        if number:
            counts.append(f"{number} {'not known yet' if word == '?' else word if word != 'cannot' else 'cannot be'}")
    return f'<div style="line-height:1.4"><b style="font-size:15px">{escape(name)}</b> {", ".join(counts)}.</div>'


def said_html(words: str) -> str:
    """What went wrong, or how to begin."""
    text = escape(words) if words else "Click on the part to make targets; click a sign to choose what made it."
    mark = "<b>Not done:</b> " if words else ""
    return f'<div role="status" style="{BOX}">{mark}{text}</div>'


def table_html(rows: Sequence[Row], *, chosen: bool) -> str:
    """The targets as a table, those of the chosen entry or all."""
    if not rows:
        return ""
    cell = 'style="text-align:left;padding:0 8px 0 0;vertical-align:top;white-space:nowrap"'
    wide = 'style="text-align:left;padding:0;vertical-align:top"'
    body = "".join(
        f"<tr><td {cell}>{row.touch}</td><td {cell}>{escape(row.face)}</td>"
        f"<td {cell}>{', '.join(f'{value:.2f}' for value in row.place)}</td>"
        f"<td {wide}><b>{escape(row.word)}</b> {escape(row.reason)}</td></tr>"
        for row in rows[:_LISTED]
    )
    head = "".join(
        f'<th scope="col" {cell if name != "reach" else wide}>{name}</th>'
        for name in ("no.", "face", "x, y, z [mm]", "reach")
    )
    more = f"<div>and {len(rows) - _LISTED} more</div>" if len(rows) > _LISTED else ""
    which = "Targets of the chosen entry" if chosen else "All targets"
    return (
        f'<div style="{BOX};max-height:260px;overflow:auto;overflow-wrap:normal"><b>{which}</b>'
        f'<table style="border-collapse:collapse;line-height:1.35">{head}{body}</table>{more}</div>'
    )


def caution_html(probe: Probe | None) -> str:
    """What must be said beside targets that a spindle may go to."""
    reach = (
        "Reach was not looked at: no probe was given. "
        if probe is None
        else "Reach holds for part, probe and fixtures as described; what is not described was not checked. "
    )
    return (
        f'<div style="line-height:1.4;font-size:12px"><b>Caution.</b> {reach}Targets are a suggestion and no program. '
        "Before the first real touch: dry run, single block, reduced feed, by a person qualified for the machine; "
        "local codes and the practice of your shop come first.</div>"
    )
