"""How results show themselves: in one line, and in a notebook as a sentence, what belongs to it, and a table."""

from __future__ import annotations

import textwrap
from collections.abc import Sized
from dataclasses import fields, is_dataclass
from html import escape
from typing import Any, TypeVar

__all__ = ["as_html", "minutes_and_seconds", "one_line", "shown", "wrapped"]

_LONGEST = 399  # characters of a line: what is longer fills a screen and is read by nobody
_LISTED = 3  # values of a field that are written out; more are counted
_ROWS = 20  # of a table in a notebook

Class = TypeVar("Class", bound=type)


def shown(cls: Class) -> Class:
    """Let a dataclass print as its `sentence`, in one line; a decorator, outside that of the dataclass.

    A class without a sentence shows its fields, with the shapes of arrays in place of their numbers. In a notebook
    `as_html` shows it, unless the class brings a `_repr_html_` of its own.

    Parameters
    ----------
    cls : type
        A dataclass, perhaps with `sentence`, `table`, `notes`, `_repr_svg_`.
    """
    for name, function in (("__repr__", one_line), ("_repr_html_", as_html)):
        if name == "__repr__" or not hasattr(cls, name):
            setattr(cls, name, function)
    return cls


def one_line(result: Any) -> str:
    """Name of its class and its sentence: one line of less than 400 characters.

    Parameters
    ----------
    result : object
        With a `sentence`, or a dataclass.
    """
    text = " ".join(f"<{type(result).__name__} {_sentence(result)}>".split())
    return text if len(text) <= _LONGEST else text[: _LONGEST - 2].rstrip() + "…>"


def as_html(result: Any) -> str:
    """Sentence, drawing, table and notes, those of them that it has; all text is escaped.

    Parameters
    ----------
    result : object
        As for `one_line`.
    """
    svg = result._repr_svg_() if hasattr(result, "_repr_svg_") else ""
    table, notes = getattr(result, "table", None), getattr(result, "notes", ())
    rows = "" if table is None else _rows(table)
    said = "".join(f"<li>{escape(note)}</li>" for note in notes)
    return f"<p>{escape(_sentence(result))}</p>{svg}{rows}" + (f"<ul>{said}</ul>" if said else "")


def wrapped(*texts: str, width: int = 100) -> str:
    """Texts as lines that end between words, each text from a new line on and further lines indented as their first.

    A notebook, live or as an exported page, breaks longer printed lines within words.

    Parameters
    ----------
    *texts : str
        Sentences, notes; lines within a text are kept.
    width : int
        Characters of a line.
    """
    return "\n".join(_wrapped(line, width) for text in texts for line in text.split("\n"))


def _wrapped(line: str, width: int) -> str:
    indent = " " * (len(line) - len(line.lstrip()) + (3 if line.lstrip()[:1].isdigit() else 0))
    if len(line) <= width:
        return line
    return "\n".join(
        textwrap.wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    )


def _rows(table: Any) -> str:
    """A table with four decimals, fewer of micrometres and percents, and a word only where something is so."""
    looks: dict[str, Any] = {}
    for name, kind in zip(map(str, table.columns), table.dtypes, strict=True):
        if kind.kind == "b":
            looks[name] = lambda is_so: "yes" if is_so else ""
        elif kind.kind == "f" and (name == "value" or "[um]" in name or "%" in name):
            looks[name] = "{:g}".format if name == "value" else "{:.1f}".format if "%" in name else "{:.2f}".format
    return table.to_html(index=False, max_rows=_ROWS, na_rep="", float_format="{:.4f}".format, formatters=looks)


def _sentence(result: Any) -> str:
    if hasattr(result, "sentence"):
        return str(result.sentence)
    told = ((field.name, _told(getattr(result, field.name))) for field in fields(result) if field.repr)
    return ", ".join(f"{name} {text}" for name, text in told if text)


def _told(value: Any) -> str:
    """A value of a field in few characters; nothing where there is nothing to say."""
    if isinstance(value, bool | str) or value is None:
        return "" if value is None else str(value)
    if is_dataclass(value):
        return type(value).__name__
    if hasattr(value, "columns"):
        return f"({len(value)} rows)"
    if hasattr(value, "shape") and value.size > _LISTED:
        return " x ".join(map(str, value.shape))
    values = value.ravel().tolist() if hasattr(value, "shape") else value
    if isinstance(values, tuple | list) and 0 < len(values) <= _LISTED:
        return f"({', '.join(map(_told, values))})"
    if isinstance(values, Sized):
        return f"({len(values)})" if len(values) else ""
    return f"{values:.6g}" if isinstance(values, float) else str(values)


def minutes_and_seconds(seconds: float) -> tuple[int, int]:
    """A time as people read it, rounded to the second: wherever a time is told in minutes.

    Parameters
    ----------
    seconds : float
        [s]
    """
    minutes, rest = divmod(round(seconds), 60)
    return int(minutes), int(rest)
