"""The words of the page itself, in English and German, from one table (`assets/words.json`).

Whole sentences about this part come from other rooms and stay in English; the page says so when it shows German.
"""

from __future__ import annotations

import json
from functools import cache
from html import escape
from importlib.resources import files
from types import MappingProxyType
from typing import TYPE_CHECKING

from ..errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["LANGUAGES", "mark", "say", "table"]

#: What a page can be written in.
LANGUAGES = ("en", "de")


@cache
def table() -> Mapping[str, Mapping[str, str]]:
    """Language -> key -> words; every language has the same keys."""
    text = files(__package__).joinpath("assets", "words.json").read_text(encoding="utf-8")
    return MappingProxyType(json.loads(text))


def say(key: str, language: str = "en") -> str:
    """Words for a key.

    Raises
    ------
    InputError
        If the language is not known.
    """
    if language not in LANGUAGES:
        raise InputError(
            "a page is not written in this language", found=language, expected="one of " + ", ".join(LANGUAGES)
        )
    return table()[language][key]


def mark(key: str, tag: str = "span") -> str:
    """Words for a key in an element that the page can put into another language."""
    return f'<{tag} data-w="{escape(key)}">{escape(say(key))}</{tag}>'
