"""Two parts side by side: one page with two views whose cameras are linked, and the touches of both in one table."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import numpy as np
import pandas as pd

from ..columns import FOOT, TARGET
from ..errors import InputError
from ..scene.pictures import choose_directions
from ..show import shown
from . import sections
from .language import mark
from .page import write
from .payload import payload
from .places import find, labels
from .words import NUMERIC_HEAD, captioned, length, symbol

if TYPE_CHECKING:
    from ..scene.model import Scene
    from ..verdict.results import Verdict

__all__ = ["Side", "compare_page"]

_LISTED = 500  # touches in the table; those that differ most
_NAMED = 20  # touches named that are not compared
_SAME_TARGET, _SAME_FOOT = 0.01, 1.0  # two touches at one place: targets, and feet where there are none, this near [mm]


@shown
@dataclass(frozen=True, eq=False)
class Side:
    """One of the two parts.

    Attributes
    ----------
    scene : Scene
    verdict : Verdict
        That the scene was built from.
    model : str
        SHA-256 of the model's file.
    stamp : str
        Which part, which touches.
    """

    scene: Scene
    verdict: Verdict
    model: str
    stamp: str = ""

    @property
    def sentence(self) -> str:
        """Which part, and the verdict on it."""
        return f"{self.stamp or self.scene.title}: {self.verdict.sentence}"


def compare_page(first: Side, second: Side, *, to: str | Path) -> Path:
    """Write a page that shows two inspected parts of the same model beside each other.

    Parameters
    ----------
    first, second : Side
    to : str or Path
        The file to write; replaced if it exists, never left half written.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the models differ, one has no checksum, or the file cannot be written.
    """
    if not first.model or first.model != second.model:
        raise InputError(
            "parts of different models are not compared",
            found=f"SHA-256 {first.model[:8] or 'unknown'} and {second.model[:8] or 'unknown'}",
            expected="two inspections of the same model file",
        )
    apart = _apart(first, second)
    span = max(first.scene.legend.span, second.scene.legend.span)
    one, other = (
        replace(side.scene, legend=replace(side.scene.legend, span=span), states=()) for side in (first, second)
    )
    seen_from = choose_directions(one)
    named = [labels(side.verdict, find(side.verdict, None)) for side in (first, second)]
    return write(
        to,
        one,
        "compare.html",
        ("overlay.js", "saying.js", "compare.js"),
        labels=named[0],
        second=payload(other, named[1]),
        title=escape(one.title),
        apart=escape(json.dumps(apart)),
        symbols=sections.symbols(_both(one, other)),
        heads="".join(_head(side, k) for k, side in enumerate((first, second))),
        notes="".join(f"<li>{note}</li>" for note in _notes(first, second, apart)),
        table=_table(first, second, apart),
        stills="".join(
            f'<div class="stills">{sections.stills(scene, seen_from, name)}</div>'
            for scene, name in ((one, "left"), (other, "right"))
        ),
    )


def _both(one: Scene, other: Scene) -> Scene:
    """A scene whose legend has the signs of both."""
    known = {entry.word for entry in one.legend.verdicts}
    more = tuple(entry for entry in other.legend.verdicts if entry.word not in known)
    return replace(one, legend=replace(one.legend, verdicts=(*one.legend.verdicts, *more)))


def _head(side: Side, k: int) -> str:
    name, said = ("two.left", "two.right")[k], side.verdict.sentence
    return (
        f'<div class="side"><h2>{mark(name)}: {mark(f"word.{side.verdict.part}")}</h2>'
        f'<p class="small">{escape(side.stamp)}</p><p class="small">{escape(said[:1].upper() + said[1:])}.</p></div>'
    )


def _notes(first: Side, second: Side, apart: Collection[str]) -> list[str]:
    """What has to be known to believe the page, as HTML."""
    notes = [mark("two.frames")]
    limits = [{(one.name, one.lower, one.upper) for one in side.scene.legend.limits} for side in (first, second)]
    if limits[0] != limits[1]:
        notes.append(mark("two.limits"))
    known = [set(side.verdict.table["touch"].astype(str)) for side in (first, second)]
    if alone := known[0] ^ known[1]:
        notes.append(f"{mark('two.alone')} {len(alone)}")
    if apart:
        named = ", ".join([*apart][:_NAMED]) + (", ..." if len(apart) > _NAMED else "")
        notes.append(f"{mark('two.apart')} {len(apart)}: {escape(named)}")
    return notes


def _table(first: Side, second: Side, apart: Collection[str]) -> str:
    tables = [_plain(side) for side in (first, second)]
    both = tables[0].merge(tables[1], on="touch", suffixes=("", "_2"), validate="one_to_one")
    both = both[~both["touch"].isin(list(apart))].reset_index(drop=True)
    difference = both["deviation_2"] - both["deviation"]
    doubt = np.hypot(both["u"], both["u_2"])
    order = np.argsort(-difference.abs().fillna(-1).to_numpy(), kind="stable")[:_LISTED]
    rows = []
    for k in order:
        row, name = both.iloc[k], str(both["touch"].iloc[k])
        numbers = (row["deviation"], row["deviation_2"], difference.iloc[k])
        rows.append(
            f'<tr><th scope="row"><a href="#touch={escape(quote(name, safe=""))}">{escape(name)}</a></th>'
            f"<td>{escape(str(row['feature']))}</td>"
            f"{''.join(f'<td class=n>{length(v)}</td>' for v in numbers)}"
            f'<td class="n">{length(2 * doubt.iloc[k], "a")}</td>'
            f'<td class="v">{symbol(row["word"])} {mark("word." + row["word"])}</td>'
            f'<td class="v">{symbol(row["word_2"])} {mark("word." + row["word_2"])}</td></tr>'
        )
    if not rows:
        rows.append(f'<tr><td colspan="8">{mark("two.empty")}</td></tr>')
    heads = ("col.touch", "col.feature", "two.left", "two.right", "two.difference", "two.doubt", "two.verdict.left")
    heads = (*heads, "two.verdict.right")
    head = "".join(f'<th scope="col"{NUMERIC_HEAD if 1 < k < 6 else ""}>{mark(h)}</th>' for k, h in enumerate(heads))
    more = f" {mark('two.most')} {_LISTED} / {len(both)}" if len(both) > _LISTED else ""
    return captioned(
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>",
        f'{mark("two.caption")} <span class="unit">mm</span>.{more}',
        'class="scroll tall" id="touches"',
    )


def _apart(first: Side, second: Side) -> list[str]:
    """Touches that have the same number and were made at different places: their deviations are not of one point."""
    one, other = (side.verdict.table.set_index(side.verdict.table["touch"].astype(str)) for side in (first, second))
    shared = [touch for touch in one.index if touch in other.index]
    if not shared:
        return []
    gaps = []
    for columns in (TARGET, FOOT):
        known = all(set(columns) <= set(table.columns) for table in (one, other))
        ends = [table.loc[shared, list(columns)].to_numpy(float) for table in (one, other)] if known else None
        gaps.append(np.full(len(shared), np.nan) if ends is None else np.linalg.norm(ends[0] - ends[1], axis=1))
    far = np.where(np.isfinite(gaps[0]), gaps[0] > _SAME_TARGET, gaps[1] > _SAME_FOOT)
    return [touch for touch, away in zip(shared, far, strict=True) if away]


def _plain(side: Side) -> pd.DataFrame:
    table = side.verdict.table
    u = table["u_judged"] if "u_judged" in table else pd.Series(np.nan, index=table.index)
    return pd.DataFrame(
        {
            "touch": table["touch"].astype(str),
            "feature": table["feature"],
            "deviation": table["deviation"].astype(float),
            "u": u.astype(float),
            "word": table["verdict"].astype(str),
        }
    )
