"""Text of a study file: values, keys and comments, none of which can be ended by what they hold."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

__all__ = ["comment", "key", "quoted", "value"]

_WIDE = 116


def key(name: str, content: Any, note: str = "") -> list[str]:
    """Lines of ``name = content  # note``; a long list is broken, a long note goes before it."""
    text = f"{name} = {value(content)}"
    if len(text) > _WIDE and isinstance(content, list | tuple):
        lines = _filled([f"{value(one)}," for one in content], _WIDE - 4)
        return [*comment(note), f"{name} = [", *(f"    {line}" for line in lines), "]"]
    if note and len(text) + len(note) + 4 > _WIDE:
        return [*comment(note), text]
    return [text + (f"  # {note}" if note else "")]


def _filled(items: list[str], width: int) -> list[str]:
    """Items in lines, none of them broken: TOML 1.0 has no line end in a string or an inline table."""
    lines: list[str] = []
    for item in items:
        if lines and len(lines[-1]) + 1 + len(item) <= width:
            lines[-1] += f" {item}"
        else:
            lines.append(item)
    return lines


def value(content: Any) -> str:
    """A TOML value. Floats in the shortest form within 1e-9, without the digits that a unit's factor leaves behind."""
    if isinstance(content, str):
        return _text(content)
    if isinstance(content, bool):
        return "true" if content else "false"
    if isinstance(content, float):
        return repr(round(content, 9) + 0.0)
    if isinstance(content, int):
        return repr(content)
    if isinstance(content, Mapping):
        return "{ " + ", ".join(f"{quoted(k)} = {value(v)}" for k, v in content.items()) + " }"
    return "[" + ", ".join(value(one) for one in content) + "]"


def comment(text: str, mark: str = "") -> list[str]:
    """Lines of a comment; whatever is not plainly seen is escaped, so that no text can end the comment."""
    seen = "".join(letter if letter.isprintable() else _escaped(letter) for letter in text)
    return textwrap.wrap(
        seen, _WIDE, initial_indent=f"# {mark}", subsequent_indent="# " + " " * len(mark), break_on_hyphens=False
    )


def quoted(name: str) -> str:
    """A key, in quotation marks where it needs them."""
    plain = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if plain else _text(name)


def _text(text: str) -> str:
    """A TOML string; whatever is not plainly seen is escaped (TOML 1.0, section String)."""
    out = []
    for letter in text:
        if letter in '"\\':
            out.append("\\" + letter)
        elif letter.isprintable():
            out.append(letter)
        else:
            out.append(_escaped(letter))
    return '"' + "".join(out) + '"'


def _escaped(letter: str) -> str:
    code = ord(letter)
    if 0xD800 <= code < 0xE000:  # half of a pair, which no TOML file may hold
        return "\\uFFFD"
    return f"\\u{code:04X}" if code < 0x10000 else f"\\U{code:08X}"
