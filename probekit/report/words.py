"""Small pieces of HTML: escaped text, numbers that the page can turn into inches, symbols, tables."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..scene.glyphs import name_of
from . import language

if TYPE_CHECKING:
    from collections.abc import Mapping


__all__ = ["DIGITS", "MINUS", "NUMERIC_HEAD", "captioned", "cell", "frame", "known", "length", "number", "symbol"]

MINUS = "\N{MINUS SIGN}"

#: Decimals in mm by kind: d signed deviation, a size or actual value, p position.
DIGITS = {"d": 4, "a": 4, "p": 3}

NUMERIC_HEAD = ' class="n"'
_WIDE = ' class="prose"'
_SENTENCE = 24  # characters of a cell that is not to be squeezed into a column of single words


def number(value: float, digits: int, signed: bool = False) -> str:
    """Return a number as text, with a true minus sign and without a signed zero."""
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        return text.lstrip("-")
    return text.replace("-", MINUS) if value < 0 else ("+" if signed else "") + text


def length(value: float | None, kind: str = "d", digits: int | None = None) -> str:
    """Return a length [mm] as a `<span>` that the unit switch of the page can rewrite; a dash if there is none."""
    if value is None or not np.isfinite(value):
        return '<span class="none">\N{EN DASH}</span>'
    digits = DIGITS[kind] if digits is None else digits
    return f'<span class="q" data-mm="{value:.7g}" data-n="{digits}">{number(value, digits, signed=kind == "d")}</span>'


def known(value: Any) -> str:
    """Return a value as text, nothing for a missing one."""
    return "" if np.ndim(value) == 0 and pd.isna(value) else str(value)


def symbol(word: str, size: float = 14.0) -> str:
    """Flat symbol of a word; the word stands beside it, so screen readers skip it."""
    use = f'<use href="#s-{name_of(word)}"/>'
    return f'<svg class="symbol" width="{size:g}" height="{size:g}" aria-hidden="true">{use}</svg>'


def cell(value: Any, kind: str = "a") -> str:
    """One value of a table of unknown content; floats are lengths [mm] of a kind of `DIGITS`, shares (`%`) or bare
    numbers (`i`).
    """
    if not known(value):
        return '<td><span class="none">\N{EN DASH}</span></td>'
    if isinstance(value, bool | np.bool_):
        return f"<td>{'yes' if value else 'no'}</td>"
    if isinstance(value, int | np.integer):
        return f'<td class="n">{value}</td>'
    if kind == "i" and isinstance(value, float | np.floating):
        return f'<td class="n">{number(float(value), 3)}</td>'
    if isinstance(value, float | np.floating):
        return f'<td class="n">{f"{number(100 * value, 1)} %" if kind == "%" else length(float(value), kind)}</td>'
    if isinstance(value, tuple | list | np.ndarray):
        return f"<td>{escape(', '.join(str(v) for v in value))}</td>"
    said = str(value)
    return f"<td{_WIDE if len(said) > _SENTENCE else ''}>{escape(said)}</td>"


def frame(table: pd.DataFrame, caption: str, kinds: Mapping[str, str] | None = None) -> str:
    """Return a table of unknown columns as HTML.

    Parameters
    ----------
    table : DataFrame
        The rows.
    caption : str
        What the table shows; trusted HTML.
    kinds : mapping, optional
        Kind of the floats of a column, as `cell` takes it; lengths [mm] if not named.
    """
    kinds = kinds or {}
    head = "".join(
        f'<th scope="col"{NUMERIC_HEAD if kind.kind in "iuf" else ""}>{_head(str(name))}</th>'
        for name, kind in zip(table.columns, table.dtypes, strict=True)
    )
    body = "".join(
        f"<tr>{''.join(cell(v, kinds.get(str(c), 'a')) for c, v in zip(table.columns, row, strict=True))}</tr>"
        for row in table.itertuples(index=False, name=None)
    )
    attributes = 'class="scroll tall"' if len(table) > 15 else 'class="scroll"'
    return captioned(f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody>", caption, attributes)


def _head(name: str) -> str:
    """The head of a column: in the language of the page if it is one of ours; long names wrap."""
    if f"col.{name}" in language.table()["en"]:
        return language.mark(f"col.{name}")
    text = escape(name.replace("_", " "))
    return f'<span class="long">{text}</span>' if len(name) > 20 else text


def captioned(rows: str, caption: str, attributes: str = 'class="scroll"') -> str:
    """Return table rows as a table that scrolls by itself, its caption above it where it is never cut."""
    label = escape(re.sub("<[^>]*>", "", caption))
    return (
        f'<p class="caption">{caption}</p><div {attributes} tabindex="0" role="region" aria-label="{label}">'
        f'<table aria-label="{label}">{rows}</table></div>'
    )
