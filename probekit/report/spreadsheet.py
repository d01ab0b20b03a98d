"""Results as a workbook for spreadsheet programs: one sheet a topic, numbers as numbers, never a formula."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from ..errors import InputError, how_to_install

if TYPE_CHECKING:
    import xlsxwriter

__all__ = ["workbook"]

_ROWS = 1_048_576  # what one sheet of the format holds (ECMA-376, from memory)
_TEXT = 32_767  # and one cell, in characters
_MADE = datetime(2000, 1, 1)  # a fixed date: the same results give the same bytes
_WIDEST = 60  # of a column [characters]
_PLAIN = ("p_conform", "p_value", "p", "moran", "share", "assumed_share", "level", "k", "r", "outside", "touches")
_NOTICE = "Lengths in mm, angles in degrees, unless the name of a column says otherwise. Empty: unknown."


def workbook(content: Mapping[str, Any]) -> bytes:
    """Results as a workbook (Office Open XML, ``.xlsx``).

    Parameters
    ----------
    content : mapping
        What `probekit.report.tables` returns and ``results.json`` holds.

    Returns
    -------
    bytes
        Sheets Verdict, Tolerances, Features, Touches, Sections, Alignment, Actions, Doubt, Findings and Origin; those
        with nothing to show are left out. Numbers are numbers (of 16 digits, as the library writes them), shown with
        four decimals; all else is text, whatever it begins with. A table longer than a sheet goes on in a further one;
        a text longer than a cell ends in a remark that says so. The same content gives the same bytes.

    Raises
    ------
    InputError
        If the library xlsxwriter is not installed.
    """
    try:
        import xlsxwriter
    except ImportError:
        raise InputError("workbooks need the library xlsxwriter", todo=how_to_install("tables")) from None
    to = io.BytesIO()
    book = xlsxwriter.Workbook(to, {"in_memory": True})
    book.set_properties({"title": f"Results: {content['part']}", "created": _MADE})
    sheets = _Sheets(book)
    for name, blocks in _topics(content):
        sheets.add(name, [block for block in blocks if block[1]])
    book.close()
    return to.getvalue()


_Block = tuple[str, Sequence[Mapping[str, Any]]]


def _topics(content: Mapping[str, Any]) -> Iterator[tuple[str, list[_Block]]]:
    """Name of each sheet, and its tables with their headings."""
    action, alignment = content.get("action") or {}, content.get("alignment") or {}
    limits = {one["name"]: one for one in content["evaluations"]}
    names = ("features", "lower", "upper", "touches", "missed")
    tolerances = [
        row | {n: limits[row["name"]][n] for n in names if row["name"] in limits} for row in content["tolerances"]
    ]
    yield "Verdict", [("Verdict", _pairs(_said(content)))]
    yield "Tolerances", [("Tolerances", tolerances), ("Not judged", content["not_judged"])]
    yield "Features", [("Features", content["features"])]
    yield "Touches", [("", content["touches"])]
    yield "Sections", list(_sections(content.get("sections") or []))
    yield "Alignment", [("Alignment", _pairs(_aligned(alignment))), ("Residuals", _residuals(content))]
    tables = ("corrections", "candidates", "shares", "regions", "left")
    yield "Actions", [(name.capitalize(), action.get(name) or []) for name in tables]
    causes = [{"result": s["result"], "u": s["u"], **s["causes"]} for s in content.get("shares") or []]
    yield "Doubt", [("Budget", content.get("budget") or []), ("Share of each cause", causes)]
    yield "Findings", [("Findings", content.get("findings") or [])]
    yield "Origin", [("Origin", _pairs((*(content.get("about") or {}).items(), *content["provenance"])))]


def _pairs(items: Iterable[Sequence[Any]]) -> list[dict[str, Any]]:
    return [{"what": name, "value": value} for name, value in items]


def _said(content: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """What the sheet of the verdict says, line by line."""
    action = content.get("action") or {}
    yield "the part", content["part"]
    yield from (("because", one) for one in content["reasons"])
    yield "decision rule", content["rule"]["sentence"]
    yield from (("tolerance", one["sentence"]) for one in content["evaluations"])
    yield from (("not judged", one["sentence"]) for one in content["not_judged"])
    yield from (("finding", one["sentence"]) for one in content.get("findings") or [])
    yield from (("suggestion", one) for one in action.get("suggestions", ()))
    if action:
        yield "caution", action["caution"]
    yield from (("noticed", one) for one in content.get("notes") or [])
    if content.get("stamp"):
        yield "made of", content["stamp"]
    yield "units", _NOTICE


def _aligned(alignment: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    if not alignment:
        return
    yield "how", alignment["sentence"]
    for name in ("translation", "rotation_deg", "pivot"):
        yield from ((f"{name} {axis}", value) for axis, value in zip("xyz", alignment[name], strict=True))
    for n, row in enumerate(alignment["motion"], 1):
        yield from ((f"motion {n},{k}", value) for k, value in enumerate(row, 1))


def _residuals(content: Mapping[str, Any]) -> list[dict[str, Any]]:
    found = content.get("residuals") or {}
    rows = zip(*(found.get(name, ()) for name in ("touches", "values", "ratios")), strict=True)
    return [{"touch": touch, "residual": value, "residual / u": ratio} for touch, value, ratio in rows]


def _sections(sections: Sequence[Mapping[str, Any]]) -> Iterator[_Block]:
    """The planned sections, the limits along them, and their touches by arc length."""
    inner = ("touches", "zones")
    yield "Sections", [{key: value for key, value in one.items() if key not in inner} for one in sections]
    for name in reversed(inner):
        yield (
            f"{name.capitalize()} along them",
            [{"section": one["name"], **row} for one in sections for row in one[name]],
        )


class _Sheets:
    """The sheets of a workbook while it is written."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        self.book = book
        self.head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self.title = book.add_format({"bold": True, "font_size": 13})
        self.long = book.add_format({"text_wrap": True, "valign": "top"})
        self.length = book.add_format({"num_format": "0.0000", "valign": "top"})
        self.plain = book.add_format({"num_format": "General", "valign": "top"})

    def add(self, name: str, blocks: Sequence[_Block]) -> None:
        """Append a sheet with tables one below the other; none if there is nothing to show."""
        if not blocks:
            return
        sheet, at, part, widths = self.book.add_worksheet(name), 0, 1, dict[int, int]()
        if not blocks[0][0]:
            sheet.freeze_panes(1, 2)
        for heading, rows in blocks:
            columns = list(dict.fromkeys(key for row in rows for key in row))
            if heading:
                sheet.write_string(at, 0, heading, self.title)
                at += 1
            at = self._head(sheet, at, columns, widths)
            for row in rows:
                if at == _ROWS:
                    part += 1
                    sheet = self.book.add_worksheet(f"{name} {part}")
                    at = self._head(sheet, 0, columns, widths)
                for k, column in enumerate(columns):
                    self._cell(sheet, at, k, column, row.get(column), widths)
                at += 1
            at += 1
        for k, width in widths.items():
            sheet.set_column(k, k, min(_WIDEST, width + 2))

    def _head(self, sheet: Any, at: int, columns: Sequence[str], widths: dict[int, int]) -> int:
        for k, column in enumerate(columns):
            sheet.write_string(at, k, column.replace("_", " "), self.head)
            widths[k] = max(widths.get(k, 0), min(len(column), 14))
        return at + 1

    def _cell(self, sheet: Any, at: int, k: int, column: str, value: Any, widths: dict[int, int]) -> None:
        """Write one value: numbers as numbers, all else as text; what is unknown stays empty."""
        if value is None or (isinstance(value, float) and not math.isfinite(value)):
            return
        if isinstance(value, int | float) and not isinstance(value, bool):
            whole = isinstance(value, int) or column in _PLAIN
            sheet.write_number(at, k, value, self.plain if whole else self.length)
            widths[k] = max(widths.get(k, 0), 9)
            return
        text = _text(value)
        if text:
            sheet.write_string(at, k, text, self.long)
            widths[k] = max(widths.get(k, 0), len(text))


def _text(value: Any) -> str:
    """A value as the text of a cell."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        value = [f"{key}: {_text(one)}" for key, one in value.items()]
    text = ", ".join(map(_text, value)) if isinstance(value, list | tuple) else str(value)
    cut = f" ... (cut: {len(text)} characters, all of them in results.json)"
    return text if len(text) <= _TEXT else text[: _TEXT - len(cut)] + cut
