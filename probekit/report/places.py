"""Where something is to be done: one line a place, the worst first, each with a touch to look at."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np

from ..action.regions import find_regions
from .language import mark
from .words import length, symbol

if TYPE_CHECKING:
    import pandas as pd

    from ..action.suggest import Action
    from ..verdict.results import Verdict

__all__ = ["Place", "find", "labels", "section"]

_LISTED = 4  # touches that a line names
_LABELS = 12  # touches that the picture may name


@dataclass(frozen=True)
class Place:
    """One line.

    Attributes
    ----------
    row : int or None
        Of the worst touch there, in the verdict's table.
    word : str
        What it is.
    said : str
        What was found, as HTML.
    todo : str
        What to do, in few words.
    """

    row: int | None
    word: str
    said: str
    todo: str


def find(verdict: Verdict, action: Action | None) -> tuple[Place, ...]:
    """Places of a verdict.

    Parameters
    ----------
    verdict : Verdict
    action : Action, optional
        What could be done; without it the regions stand without advice.

    Returns
    -------
    tuple of Place
        Regions beyond their limits by the share of the zone of their worst touch, tolerances that fail as a whole,
        then what is undecided, in doubt and missed.
    """
    table = verdict.table
    regions = find_regions(table) if action is None else action.regions
    todo = ("",) * len(regions) if action is None or not action.todo else action.todo
    share, at = _shares(table), {touch: row for row, touch in enumerate(table["touch"].tolist())}
    places = []
    for region, text in zip(regions.itertuples(), todo, strict=True):
        rows = np.array([at[touch] for touch in region.ids])
        places.append(_region(table, region, rows[np.argsort(-share[rows], kind="stable")], text))
    places.sort(key=lambda place: -share[place.row])
    for one, row in verdict.pairs:
        if row.word == "does not conform" and not one.judges_touches:
            said = f"<b>{escape(row.name)}</b>: {length(one.actual, 'a')} {mark('of')} {length(one.width, 'a')} "
            said += '<span class="unit">mm</span>'
            ruling = [k for k in map(str, one.ruling) if k in set(table["touch"].astype(str))]
            at = table["touch"].astype(str).tolist().index(ruling[0]) if ruling else None
            places.append(Place(at, "high", said, "does not conform as a whole"))
    doubt = table["doubt"].to_numpy(dtype=object) != ""
    words = table["verdict"].to_numpy(dtype=object)
    for word, which, advice in (
        ("undecided", (words == "undecided") & ~doubt, "touch again before you decide"),
        ("undecided", (words == "undecided") & doubt, "in doubt: resolve that first"),
        ("missed", words == "missed", "find out why before anything moves there"),
    ):
        if which.any():
            rows = np.flatnonzero(which)
            rows = rows[np.argsort(-share[rows], kind="stable")]
            ids = table["touch"].iloc[rows].tolist()
            places.append(Place(int(rows[0]), word, f"<b>{_listed(ids)}</b>: {mark(f'word.{word}')}", advice))
    return tuple(places)


def labels(verdict: Verdict, places: tuple[Place, ...]) -> list[int]:
    """Rows of touches that the picture names: the worst of each place; where there is none, those with least room."""
    named = [place.row for place in places if place.row is not None][:_LABELS]
    if named:
        return list(dict.fromkeys(named))
    share = _shares(verdict.table)
    return [int(row) for row in np.argsort(-share, kind="stable")[:3] if share[row] > 0]


def section(verdict: Verdict, places: tuple[Place, ...], action: Action | None) -> str:
    """The list as HTML, with the caution."""
    ids = verdict.table["touch"].to_numpy()
    items = "".join(f"<li>{_line(place, ids)}</li>" for place in places)
    if items:
        body = f'<ol class="todo">{items}</ol>'
    else:
        body = f"<p>{mark('nothing' if verdict.part == 'conforms' else 'look.below')}</p>"
    more = caution = ""
    if action is not None:
        more = (
            '<p class="small"><a href="#next" data-w="more.below">All suggestions, with what each would bring</a></p>'
        )
        caution = f'<p class="small">{escape(action.caution)}</p>'
    title = mark("where" if action is None else "next", "h2")
    return f'<section id="places">{title}{body}{more}{caution}</section>'


def _line(place: Place, ids: np.ndarray) -> str:
    text = f"{symbol(place.word, 18)}<span>{place.said}<small>{escape(place.todo)}</small></span>"
    if place.row is None:
        return f'<span class="line">{text}</span>'
    link = escape(quote(str(ids[place.row]), safe=""))
    go = '<span class="go" aria-hidden="true">\N{SINGLE RIGHT-POINTING ANGLE QUOTATION MARK}</span>'
    return f'<a class="line" href="#touch={link}">{text}{go}</a>'


def _shares(table: pd.DataFrame) -> np.ndarray:
    return np.nan_to_num(table["share"].to_numpy(dtype=float, na_value=np.nan), posinf=1e9)


def _region(table: pd.DataFrame, region: Any, rows: np.ndarray, todo: str) -> Place:
    """The line of a region, by the rows of its touches, the worst first."""
    word = str(table["verdict"].iloc[rows[0]])
    what = mark("missing.short" if word == "low" else "left.short")
    beyond = length(float(region.beyond), "a", 3)
    said = f"<b>{_listed(table['touch'].iloc[rows].tolist())}</b>: {what}, {beyond} "
    said += f'<span class="unit">mm</span> {mark("beyond.short")}'
    return Place(int(rows[0]), word, said, todo)


def _listed(ids: list) -> str:
    shown = ", ".join(escape(str(one)) for one in ids[:_LISTED])
    return shown + (f" +{len(ids) - _LISTED}" if len(ids) > _LISTED else "")
