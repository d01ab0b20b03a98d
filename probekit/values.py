"""Rules for the value of one key: each says what is wrong with a value, and what was expected."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from types import UnionType

__all__ = ["Among", "Each", "Either", "Number", "Numbers", "Place", "Rule", "Table", "Text", "Wrong"]

Wrong = tuple[str, str]  # what is wrong, what was expected


@dataclass(frozen=True)
class Number:
    """A finite number, above or from a lowest one, up to a highest one."""

    above: float | None = None
    least: float = -1e6
    most: float = 1e6
    whole: bool = False

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            return "this must be a number", self.words
        if self.whole and value != int(value):
            return "this must be a whole number", self.words
        if self.above is not None and value <= self.above:
            return "this must be positive" if self.above == 0 else f"this must be above {self.above:g}", self.words
        if not self.least <= value <= self.most:
            return ("this is too small" if value < self.least else "this is too large"), self.words
        return None

    @property
    def words(self) -> str:
        """What may stand there."""
        low = f"above {self.above:g}" if self.above is not None and self.least < self.above else f"{self.least:g}"
        return f"a {'whole ' * self.whole}number, {low} to {self.most:g}"


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
        shape = {None: "[number, ..]", 2: "[low, high]", 3: "[x, y, z]"}[self.count]
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
class Among:
    """One of a few words."""

    words: tuple[str, ...]

    def wrong(self, value: object) -> Wrong | None:
        """What is wrong with a value; None if nothing is."""
        return None if value in self.words else ("this is not known here", " or ".join(map(repr, self.words)))


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


Rule = Among | Number | Numbers | Text | Each | Table | Either | Place
