"""What a DMIS program reckons: expressions over its own variables (ISO 22093, from memory).

Numbers and truths are kept apart: a condition is a truth, an assignment a number, and what mixes them is an error.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ...errors import InputError

__all__ = ["Tree", "names_of", "parsed", "value_of"]

_TOKEN = re.compile(
    r"\s*(?:(?P<number>(?:[0-9]{1,15}\.(?![A-Z])[0-9]{0,15}|[0-9]{1,15}|\.[0-9]{1,15}))|(?P<dotted>\.[A-Z]+\.)"
    r"|(?P<name>[A-Z][A-Z0-9_]{0,31})|(?P<sign>[-+*/(),]))",
    re.IGNORECASE,
)
_DEEPEST = 60  # brackets within brackets
_MOST = 300  # numbers, names and signs of an expression

#: Weakest first: what stands between two parts, whether it takes truths, whether it gives one.
_LEVELS: tuple[tuple[tuple[str, ...], bool, bool], ...] = (
    ((".OR.",), True, True),
    ((".AND.",), True, True),
    ((".LT.", ".LE.", ".GT.", ".GE."), False, True),
    (("+", "-"), False, False),
    (("*", "/"), False, False),
)
_BETWEEN: Mapping[str, Callable[[float, float], float]] = {
    ".OR.": lambda a, b: bool(a) or bool(b),
    ".AND.": lambda a, b: bool(a) and bool(b),
    ".LT.": lambda a, b: a < b,
    ".LE.": lambda a, b: a <= b,
    ".GT.": lambda a, b: a > b,
    ".GE.": lambda a, b: a >= b,
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
}
#: Functions -> how many numbers they take. ATAN2 gives radians, RTOD makes degrees of them.
_FUNCTIONS: Mapping[str, tuple[int, Callable[..., float]]] = {
    "ABS": (1, abs),
    "SQRT": (1, math.sqrt),
    "RTOD": (1, math.degrees),
    "MN": (2, min),
    "MX": (2, max),
    "ATAN2": (2, math.atan2),
}


@dataclass(frozen=True)
class Tree:
    """A number, the name of a variable, or a word and what it works on; `truth` tells whether it gives a truth."""

    word: str
    of: tuple[Tree, ...] = ()
    number: float | None = None
    truth: bool = False


def parsed(text: str, line: int) -> Tree:
    """The tree of an expression.

    Parameters
    ----------
    text : str
    line : int
        For errors.

    Raises
    ------
    InputError
        If it is none, mixes numbers with truths, or calls what is not known.
    """
    parser = _Parser(text, line)
    tree = parser.level(0, 0)
    if parser.here:
        raise parser.error("the end of the expression")
    return tree


def names_of(tree: Tree) -> set[str]:
    """The variables in an expression."""
    own = {tree.word} if not tree.of and tree.number is None else set()
    return own.union(*(names_of(one) for one in tree.of))


def value_of(tree: Tree, names: Mapping[str, float], line: int) -> float:
    """What an expression gives; a truth is 1 or 0.

    Parameters
    ----------
    tree : Tree
    names : mapping of str to float
        Of all its variables.
    line : int
        For errors.

    Raises
    ------
    InputError
        If a variable has no value, or what is reckoned is no finite number.
    """
    if tree.number is not None:
        return tree.number
    if not tree.of:
        if tree.word not in names:
            raise InputError("a variable has no value yet", line=line, found=tree.word)
        return names[tree.word]
    values = [value_of(one, names, line) for one in tree.of]
    try:
        found = float(_BETWEEN[tree.word](*values) if tree.word in _BETWEEN else _FUNCTIONS[tree.word][1](*values))
    except (ZeroDivisionError, ValueError, OverflowError):
        found = math.nan
    if not math.isfinite(found):
        raise InputError("what is reckoned here is no number", line=line, found=f"{tree.word} of {values}")
    return found


class _Parser:
    """Reads an expression from the left, one token ahead."""

    def __init__(self, text: str, line: int) -> None:
        self.text, self.line, self.at, self.count = text, line, 0, 0
        self.kind = self.here = ""
        self.step()

    def step(self) -> str:
        """The token here; goes on to the next one."""
        passed, rest = self.here, self.text[self.at :]
        found = _TOKEN.match(rest)
        if found is None and rest.strip():
            raise self.error("an expression")
        self.kind, self.here = (str(found.lastgroup), found[0].strip().upper()) if found else ("", "")
        self.at += found.end() if found else 0
        self.count += 1
        if self.count > _MOST:
            raise self.error(f"at most {_MOST} numbers, names and signs")
        return passed

    def error(self, expected: str) -> InputError:
        """That something else was expected."""
        todo = "Write the program again."
        return InputError(
            "this is not reckoned here", line=self.line, found=self.text[:200], expected=expected, todo=todo
        )

    def level(self, number: int, depth: int) -> Tree:
        """An expression of words that bind no weaker than those of a level."""
        if number == len(_LEVELS):
            return self.alone(depth)
        words, takes, gives = _LEVELS[number]
        left = self.level(number + 1, depth)
        while self.here in words:
            word = self.step()
            right = self.level(number + 1, depth)
            if {left.truth, right.truth} != {takes}:
                raise self.error(f"{'truths' if takes else 'numbers'} beside {word}")
            left = Tree(word, (left, right), truth=gives)
        return left

    def alone(self, depth: int) -> Tree:
        """A number, a name, a call, or what stands in brackets; perhaps with a sign before it."""
        if depth > _DEEPEST:
            raise self.error(f"at most {_DEEPEST} brackets within each other")
        kind, word = self.kind, self.step()
        if kind == "number":
            return Tree("number", number=float(word))
        if word == "-":
            return Tree("-", (Tree("number", number=0.0), self.number(self.alone(depth + 1))))
        if word == "(":
            return self.closed(self.level(0, depth + 1))
        if kind != "name":
            raise self.error("a number, a name or a bracket")
        if self.here != "(":
            return Tree(word)
        if word not in _FUNCTIONS:
            raise self.error(f"one of {', '.join(_FUNCTIONS)}")
        parts = []
        while not parts or self.here == ",":
            self.step()
            parts.append(self.number(self.level(0, depth + 1)))
        if len(parts) != _FUNCTIONS[word][0]:
            raise self.error(f"{_FUNCTIONS[word][0]} values for {word}")
        return self.closed(Tree(word, tuple(parts)))

    def number(self, tree: Tree) -> Tree:
        """The tree, if it gives a number."""
        if tree.truth:
            raise self.error("a number")
        return tree

    def closed(self, tree: Tree) -> Tree:
        """The tree, if its bracket is closed here."""
        if self.step() != ")":
            raise self.error("a closing bracket")
        return tree
