"""The `# key: value` lines above the header: text and numbers, read back exactly as they were written."""

from __future__ import annotations

import csv
import json
import math
import re
from collections.abc import Mapping
from numbers import Integral, Real

from ..csv_text import head_line
from ..errors import InputError

TEXT_KEYS = (
    "unit",
    "recorded",
    "part",
    "program",
    "machine",
    "stylus",
    "time",
    "unit_source",
    "origin",
    "origin_sha256",
    "notes",
    "source",
    "sha256",
)
NUMBER_KEYS = ("temperature",)
FILE_KEYS = ("rows", "text_columns", "guarded")  # about the file itself: they never enter the table's attrs

_NUMBER = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?")
_NAMES = re.compile(r"\b(part|serial|order|operator|date|batch|lot)", re.I)  # of things: 12E4 is no number there
_FOLDED = {*TEXT_KEYS, *NUMBER_KEYS, *FILE_KEYS}


def is_metadata(line: str) -> bool:
    """Whether a line above the header is metadata (a spreadsheet may have put it in quotes)."""
    return line.startswith(("#", '"#'))


def parse_line(line: str, /, **where: object) -> tuple[str, object] | None:
    """Key and value of one metadata line, or None if it says nothing.

    Raises
    ------
    InputError
        If the line is not ``# key: value``.
    """
    if line.startswith('"'):
        line = next(csv.reader([line]))[0]
    body = line.rstrip(",;\t\r\n ").lstrip("# \t")  # spreadsheets append separators
    if not body:
        return None
    key, colon, text = body.partition(":")
    key = key.strip()
    if not colon or not key:
        raise InputError(
            "the metadata line has no key", found=body, expected="# key: value", todo="Write # note: ...", **where
        )
    if key.lower() in _FOLDED:
        key = key.lower()
    return key, _value(key, text.strip(), **where)


def _value(key: str, text: str, **where: object) -> object:
    if text.startswith('"'):
        try:
            return str(json.loads(text))
        except ValueError:
            return text
    if key in TEXT_KEYS or key == "text_columns":
        return text
    number = _number(text)
    if number is None and (key in NUMBER_KEYS or key == "rows"):
        raise InputError("the value is not a number", column=key, found=text, expected="a plain number", **where)
    if number is None or (_NAMES.search(key) and repr(number) != text):
        return text
    return number


def _number(text: str) -> int | float | None:
    match = _NUMBER.fullmatch(text)
    if not match:
        return None
    try:
        value = float(text) if match[2] or match[3] else int(text)
    except ValueError:  # Python's limit on the digits of an integer
        return None
    return value if _finite(value) else None


def _finite(value: Real) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer beyond the largest float
        return False


def plain(key: object, value: object) -> str | int | float:
    """A metadata value as plain text or a plain finite number.

    Raises
    ------
    InputError
        If key or value is of a kind the file could not give back.
    """
    key_text = key if isinstance(key, str) else ""
    bad_key = not key_text or key_text != key_text.strip() or re.search(r"[:\r\n\0]|^#", key_text)
    if bad_key or (key_text.lower() in _FOLDED and key_text != key_text.lower()) or key_text in FILE_KEYS:
        raise InputError(
            "the metadata key cannot be written",
            found=str(key),
            expected=f"text without colon, line end, leading # or outer spaces; not {' or '.join(FILE_KEYS)}; "
            "a key that probekit knows in lower case",
        )
    if isinstance(value, str):
        wrong = "a number" if key in NUMBER_KEYS else ""
    elif isinstance(value, bool) or not isinstance(value, Real) or not _finite(value):
        wrong = "text or a finite number"
    else:
        wrong = "text" if key in TEXT_KEYS else ""
    if wrong:
        raise InputError(
            "the metadata value cannot be written", column=key_text, found=value, expected=wrong, todo="Convert it"
        )
    if isinstance(value, str):
        return str(value)
    return int(value) if isinstance(value, Integral) else float(value)


def format_lines(attrs: Mapping[str, object]) -> list[str]:
    """Metadata lines for `attrs`: known keys first in a fixed order, then the others by name."""
    order = {key: n for n, key in enumerate((*TEXT_KEYS, *NUMBER_KEYS))}
    keys = sorted(attrs, key=lambda key: (order.get(key, len(order)), key))
    return [_format_line(key, plain(key, attrs[key])) for key in keys]


def _format_line(key: str, value: str | float) -> str:
    if not isinstance(value, str):
        return head_line(f"{key}: {value!r}")
    line = head_line(f"{key}: {value}".rstrip(" "))
    if not re.search(r"[\r\n\0]", value) and parse_line(line) == (key, value):
        return line
    return head_line(f"{key}: {json.dumps(value, ensure_ascii=False)}")
