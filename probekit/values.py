"""Rules for the value of one key: each says what is wrong with a value, and what was expected."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import reduce
from itertools import pairwise
from operator import or_
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

__all__ = [
    "Among",
    "Day",
    "Each",
    "Either",
    "Number",
    "Numbers",
    "Place",
    "Rule",
    "Stated",
    "Table",
    "Text",
    "Wrong",
    "choices_of",
    "days_of",
    "rule_of",
    "types_of",
    "unseen",
    "words_of",
]

#: Overrides, embeddings and isolates of the direction of text (Unicode Standard Annex 9, from memory).
_REVERSING = (0x202A, 0x202B, 0x202C, 0x202D, 0x202E, 0x2066, 0x2067, 0x2068, 0x2069)

Wrong = tuple[str, str]  # what is wrong, what was expected


@dataclass(frozen=True)
class Number:
    """A finite number, above or from a lowest one, up to a highest one; 0 as well if `or_zero`."""

    above: float | None = None
    least: float = -1e6
    most: float = 1e6
    whole: bool = False
    or_zero: bool = False

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return "this must be a number", self.words
        if self.whole and value != int(value):
            return "this must be a whole number", self.words
        if self.above is not None and value <= self.above:
            return "this must be positive" if self.above == 0 else f"this must be above {self.above:g}", self.words
        if not self.least <= value <= self.most and not (self.or_zero and value == 0):
            return ("this is too small" if value < self.least else "this is too large"), self.words
        return None

    @property
    def words(self) -> str:
        """What may stand there."""
        low = f"above {self.above:g}" if self.above is not None and self.least < self.above else f"{self.least:g}"
        return f"{'0, or ' * self.or_zero}a {'whole ' * self.whole}number, {low} to {self.most:g}"


@dataclass(frozen=True)
class Numbers:
    """A list of so many numbers; `rising` if each must be above the one before; `nonzero` if not all may be 0."""

    count: int | None = 3
    each: Number = Number()
    rising: bool = False
    nonzero: bool = False

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        many = {None: "numbers", 2: "two numbers", 3: "three numbers"}[self.count]
        shape = {None: "[number, ..]", 2: "[low, high]" if self.rising else "[.., ..]", 3: "[x, y, z]"}[self.count]
        if not isinstance(value, list) or not value or (self.count is not None and len(value) != self.count):
            return f"this needs {many}", shape
        for one in value:
            if found := self.each.wrong(one):
                return f"this needs {many}: {found[0]}", f"{shape}, each {self.each.words}"
        if self.rising and any(high <= low for low, high in pairwise(value)):
            return f"this needs {many}, each above the one before", shape
        if self.nonzero and not any(value):
            return "a direction cannot have three zero components", shape
        return None


@dataclass(frozen=True)
class Stated:
    """A number, by itself or in a list with a text that says where it is from."""

    number: Number

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if not isinstance(value, list):
            return self.number.wrong(value)
        if len(value) == 2 and Text().wrong(value[1]) is None:
            return self.number.wrong(value[0])
        return "this needs a number and where it is from", '3.0 or [3.0, "where from"]'


@dataclass(frozen=True)
class Text:
    """A text that is not empty, none of whose characters is in `without`."""

    without: str = ""

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if not isinstance(value, str) or not value.strip():
            return "this must be a non-empty text", "a text"
        bad = [mark for mark in self.without if mark in value]
        return (f"this must not contain {bad[0]!r}", "a text without it") if bad else None


@dataclass(frozen=True)
class Day:
    """A text that says when; if it has a date in numbers, a day that there is."""

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if found := Text().wrong(value):
            return found
        return ("there is no such day", "a date, such as 2026-11-28") if days_of(str(value)) == [] else None


_YEAR_FIRST = re.compile(r"(?<!\d)(\d{4})([-/.])(\d{1,2})\2(\d{1,2})(?!\d)")
_YEAR_LAST = re.compile(r"(?<!\d)(\d{1,2})([-/.])(\d{1,2})\2(\d{4})(?!\d)")


def days_of(text: str) -> list[date] | None:
    """The days that the first date in numbers of a text may mean; None if it has none, empty if there is no such day.

    The year has four digits. With it last, a full stop is read as day.month, anything else as either order.
    """
    if one := _YEAR_FIRST.search(text):
        ways = [(one[1], one[3], one[4])]
    elif one := _YEAR_LAST.search(text):
        ways = [(one[4], one[3], one[1])] + ([(one[4], one[1], one[3])] if one[2] != "." else [])
    else:
        return None
    found = []
    for year, month, day in ways:
        try:
            found.append(date(int(year), int(month), int(day)))
        except ValueError:
            continue
    return found


@dataclass(frozen=True)
class Among:
    """One of a few words."""

    words: tuple[str, ...]

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        return (
            None
            if value in self.words
            else ("this is not known here", " or ".join(map(repr, filter(None, self.words))))
        )


@dataclass(frozen=True)
class Each:
    """A list of at least one; none stands in it twice if `once`."""

    one: Rule
    once: bool = False
    least: int = 1

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if not isinstance(value, list):
            return "this must be a list", "[.., ..]"
        if len(value) < self.least:
            return "the list is empty", "one or more; omit the key for its default"
        for n, item in enumerate(value, 1):
            if found := self.one.wrong(item):
                return f"number {n} of the list: {found[0]}", found[1]
            if self.once and item in value[: n - 1]:
                return f"{item!r} occurs twice in the list", "each once"
        return None


@dataclass(frozen=True)
class Table:
    """A table with any keys, whose values follow a rule, if there is one."""

    one: Rule | None = None

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if not isinstance(value, dict):
            return "this must be a table", "{key = value, ..}"
        if not value:
            return "the table is empty", "one key or more; omit it for the default"
        for key, item in value.items() if self.one is not None else ():
            if found := self.one.wrong(item):
                return f"{key!r}: {found[0]}", found[1]
        return None


@dataclass(frozen=True)
class Either:
    """What follows one of several rules, chosen by the type of the value; the last one tells what is wrong."""

    rules: tuple[tuple[type | UnionType, Rule], ...]

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        fitting = [rule for kind, rule in self.rules if isinstance(value, kind)]
        return (fitting[0] if fitting else self.rules[-1][1]).wrong(value)


@dataclass(frozen=True)
class Place:
    """A face: its name, a point on it, or a list of these."""

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        expected = '"name", [x, y, z] or a list of these'
        if isinstance(value, list) and value and all(isinstance(one, str | list) for one in value):
            return next((found for one in value if (found := self.wrong(one))), None)
        rule = Text() if isinstance(value, str) else Numbers(3)
        return (found[0], expected) if (found := rule.wrong(value)) else None


Rule = Number | Numbers | Stated | Text | Day | Among | Each | Table | Either | Place


def choices_of(hint: Any) -> tuple[Any, ...]:
    """Words that a field of this type may have; empty if any will do."""
    return tuple(word for part in _parts(hint) if get_origin(part) is Literal for word in get_args(part))


def types_of(hint: Any) -> tuple[type, ...]:
    """Types of the values that a study may write for a field of this type."""
    found: list[type] = []
    for part in _parts(hint):
        if get_origin(part) is Annotated:
            rule = part.__metadata__[0]
            found += [one for kind, _ in rule.rules for one in _parts(kind)] if isinstance(rule, Either) else []
            part = part.__origin__ if not isinstance(rule, Either) else None
        base = get_origin(part) or part
        if base is tuple and get_args(part)[:1] == (str,):
            found += [str, list]
        elif base is float:
            found += [int, float]
        elif base in (int, str, bool):
            found.append(base)
        elif base is Literal:
            found += map(type, get_args(part))
        elif base is tuple:
            found.append(list)
        elif isinstance(base, type) and issubclass(base, Mapping):
            found.append(dict)
    return tuple(dict.fromkeys(found))


def words_of(types: tuple[type, ...]) -> str:
    """Types of values as a person calls them."""
    names = {int: "a number", float: "a number", str: "text", bool: "true or false", list: "a list", dict: "a table"}
    return " or ".join(dict.fromkeys(names[kind] for kind in types))


def rule_of(hint: Any) -> Rule | None:
    """Rule for what a study may write for a field of this type; None if the type alone says it."""
    rules = [(types_of(part), _rule(part)) for part in _parts(hint)]
    if len(rules) == 1:
        return rules[0][1]
    types = [one for kinds, _ in rules for one in kinds]
    if len(set(types)) < len(types) or any(rule is None for _, rule in rules):
        return None
    return Either(tuple((reduce(or_, kinds), rule) for kinds, rule in rules if rule is not None))


def _rule(part: Any) -> Rule | None:
    if get_origin(part) is Annotated:
        return part.__metadata__[0]
    if get_origin(part) is Literal:
        return Among(get_args(part))
    if get_origin(part) is tuple and get_args(part)[0] is str:
        return Either(((str, Text()), (list, Each(Text()))))
    if get_origin(part) is tuple and get_args(part)[0] is float:
        return Numbers(None if Ellipsis in get_args(part) else len(get_args(part)))
    return {float: Number(), str: Text()}.get(part)


def _parts(hint: Any) -> tuple[Any, ...]:
    """Members of a union, None left out."""
    if get_origin(hint) in (Union, UnionType):
        return tuple(one for part in get_args(hint) for one in _parts(part))
    return () if hint is NoneType else (hint,)


def unseen(text: str, allowed: str = "") -> str:
    """The first character of a text that cannot be seen, or that reverses the order of what is read; else nothing."""
    odd = (m for m in text if (unicodedata.category(m) == "Cc" and m not in allowed) or ord(m) in _REVERSING)
    return "" if text.isascii() and text.isprintable() else next(odd, "")
