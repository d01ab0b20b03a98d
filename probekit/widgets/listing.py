"""The list of touches of a view: columns to search in and to sort by, the chosen line linked both ways."""

from __future__ import annotations

from typing import TYPE_CHECKING

import traitlets
from ipywidgets import HTML, Dropdown, HBox, Layout, Select, Text, VBox

from .text import value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..scene.model import Scene

__all__ = ["TouchList", "lines", "orders", "wanted"]

_NONE = -1  # a Select shows the value None as no line
_GAP = "\N{NO-BREAK SPACE}"  # blanks in a row are one in a list
_MOST = 1000  # lines shown


def _cells(scene: Scene) -> list[list[str]]:
    """The head of the columns, and one row per touch."""
    if scene.measured:
        head = ["Touch", "verdict", "deviation", "zone", "feature"]
    else:
        head = ["Touch", "state", "order", "pose", "feature"]
    rows = [head]
    for _, row in scene.touches.iterrows():
        ends = [str(row["touch"]), str(row[scene.sign])], str(value(row, "feature") or "")
        if scene.measured:
            known, share = value(row, "deviation"), value(row, "share")
            middle = ["" if known is None else f"{known:+z.4f} mm", "" if share is None else f"{100 * share:z.0f} %"]
        else:
            order = value(row, "order")
            middle = ["" if order is None else f"{order:g}", str(value(row, "pose") or "")]
        rows.append([*ends[0], *middle, ends[1]])
    return rows


def lines(scene: Scene) -> list[str]:
    """The head of the columns and one line per touch, in columns for letters of one width."""
    rows = _cells(scene)
    wide = [max(len(row[k]) for row in rows) for k in range(5)]
    right = {0, 2, 3} if scene.measured else {0, 2}
    return [
        (2 * _GAP)
        .join(
            (cell.rjust if k in right else cell.ljust)(wide[k], _GAP) if k < 4 else cell for k, cell in enumerate(row)
        )
        .replace(" ", _GAP)
        for row in rows
    ]


def orders(scene: Scene) -> dict[str, list[int]]:
    """Rows of the touches in each order that they can be sorted in; what has no number comes last."""
    table = scene.touches.reset_index(drop=True)
    columns: dict[str, str | None] = {"as measured" if scene.measured else "as planned": None}
    columns |= {"share of the zone, largest first": "share", "deviation": "deviation", "order of touching": "order"}
    columns |= {"feature": "feature", ("verdict" if scene.measured else "state"): scene.sign}
    found = {}
    for name, column in columns.items():
        if column is None:
            found[name] = list(range(len(table)))
        elif column in table:
            by = table[column] if column in ("share", "deviation", "order") else table[column].astype(str)
            ordered = by.sort_values(kind="stable", ascending=column != "share", na_position="last")
            found[name] = ordered.index.tolist()
    return found


def wanted(shown: Sequence[str], rows: Sequence[int], search: str) -> list[int]:
    """Those of the rows whose line holds every word of a search, in any case of letters."""
    words = search.casefold().split()
    return [row for row in rows if all(word in shown[row].casefold() for word in words)]


class TouchList(VBox):
    """Search, order and lines. `row` is the chosen touch as a row of `Scene.touches`, or None; it can be observed."""

    row = traitlets.Int(None, allow_none=True, help="row of the chosen touch, or None")

    def __init__(self, scene: Scene) -> None:
        head, *self._lines = lines(scene)
        self._orders, self._listing = orders(scene), False
        wide = {"description_width": "initial"}
        self._find = Text(
            description="Find",
            placeholder="number, feature, verdict",
            style=wide,
            layout=Layout(width="250px"),
        )
        self._sort = Dropdown(options=list(self._orders), description="Sort", style=wide, layout=Layout(width="280px"))
        self._head = HTML(f"<pre>{head}</pre>")
        self._list = Select(description="Touch", rows=6, layout=Layout(width="auto"), style={"description_width": "0"})
        self._found = HTML()
        self._fill()
        self._find.observe(lambda _: self._fill(), "value")
        self._sort.observe(lambda _: self._fill(), "value")
        self._list.observe(self._picked, "value")
        row = Layout(flex_flow="row wrap", align_items="center")
        super().__init__([HBox([self._find, self._sort, self._found], layout=row), self._head, self._list])
        self.add_class("probekit-touches")

    def _fill(self) -> None:
        """The lines that are asked for; that of the chosen touch stays."""
        rows = wanted(self._lines, self._orders[self._sort.value], self._find.value)
        kept = rows[:_MOST]
        if self.row is not None and self.row not in kept:
            kept = [self.row, *kept]
        self._listing = True
        self._list.options = [("none chosen", _NONE), *((self._lines[k], k) for k in kept)]
        self._list.value = _NONE if self.row is None else self.row
        self._listing = False
        of = f"{len(rows)} of {len(self._lines)}"
        self._found.value = of + (f", the first {_MOST} are shown" if len(rows) > _MOST else "")

    def _picked(self, change: dict) -> None:
        if not self._listing:
            self.row = None if change["new"] == _NONE else change["new"]

    @traitlets.observe("row")
    def _chosen(self, change: dict) -> None:
        if self._list.value == (_NONE if change["new"] is None else change["new"]):
            return
        if change["new"] is not None and change["new"] not in {known for _, known in self._list.options}:
            self._fill()
        else:
            self._listing = True
            self._list.value = _NONE if change["new"] is None else change["new"]
            self._listing = False
