"""The statements of a DMIS program (ISO 22093, from memory): each is one of those listed here, or the reading ends.

A statement that is nearly right is the dangerous one. So nothing is guessed and nothing is passed over: a major word, a
minor word, a unit or a number of parameters that does not stand here is an error with its line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from ...errors import InputError
from .expressions import Tree, parsed

__all__ = ["Statement", "statements"]

_HEAD = re.compile(
    r"(?:(?:(?P<kind>[A-Z]{1,2})\((?P<label>[A-Z0-9_]{1,64})\)|(?P<name>[A-Z][A-Z0-9_]{0,31}))\s*=\s*)?"
    r"(?P<word>[A-Z]+)(?:/(?P<rest>.*))?",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,15}\.?[0-9]{0,15}|\.[0-9]{1,15})")
_LABEL = re.compile(r"([A-Z]{1,2})\(([A-Z0-9_]{1,64})\)", re.IGNORECASE)
_NAME = re.compile(r"[A-Z][A-Z0-9_]{0,31}", re.IGNORECASE)
_TEXT = re.compile(r"'([^']*)'")
_BROKEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\x85\u2028\u2029]")  # some systems begin a new line there
_LONGEST = 10_000  # characters of a statement with all that continues it

# what a parameter may be, beside a minor word
_REAL, _WORDS, _CALLED = "<number>", "<'text'>", "<name>"
_FORMULA, _CONDITION = "<expression>", "<condition>"
_SENSOR, _DATUM, _FEATURE, _ACTUAL = "SA(<label>)", "D(<label>)", "F(<label>)", "FA(<label>)"
_POINT = ("CART", *[_REAL] * 3)
_VECTOR = ("CART", *[_REAL] * 6)

#: Major word -> what its label must be, and the parameters that it may have.
_FORMS: dict[str, tuple[str, tuple[tuple[str, ...], ...]]] = {
    "DMISMN": ("", ((_WORDS, _REAL),)),
    "UNITS": ("", (("MM", "ANGDEC"),)),
    "RECALL": ("", ((_DATUM,),)),
    "TRANS": ("D", tuple((origin, _FORMULA) for origin in ("XORIG", "YORIG", "ZORIG"))),
    "ROTATE": ("D", tuple((axis, _REAL) for axis in ("XAXIS", "YAXIS", "ZAXIS"))),
    "MODE": ("", (("PROG", "MAN"), ("AUTO", "PROG", "MAN"), ("MAN",))),
    "DECL": ("", (("LOCAL", "REAL", _CALLED),)),
    "SNSLCT": ("", ((_SENSOR,),)),
    "FEDRAT": ("", tuple((of, unit, _REAL) for of in ("POSVEL", "MESVEL") for unit in ("MPM", "MMPS"))),
    "SNSET": ("", (("CLRSRF", "OFF"), *((of, _REAL) for of in ("APPRCH", "SEARCH", "RETRCT", "CLRSRF")))),
    "GOTO": ("", (_POINT,)),
    "FEAT": ("F", (("POINT", *_VECTOR),)),
    "MEAS": ("", (("POINT", _FEATURE, _REAL),)),
    "PTMEAS": ("", (_VECTOR,)),
    "ENDMES": ("", ((),)),
    "OUTPUT": ("", ((_ACTUAL,),)),
    "OBTAIN": ("=", ((_ACTUAL, _REAL),)),
    "ASSIGN": ("=", ((_FORMULA,),)),
    "IF": ("", ((_CONDITION,),)),
    "ELSE": ("", ((),)),
    "ENDIF": ("", ((),)),
    "TEXT": ("", (("MAN", _WORDS), ("OPER", _WORDS))),
    "ENDFIL": ("", ((),)),
}
_TODO = (
    "What it would do is not known here: take it out, or let a qualified person judge the program without this check."
)


@dataclass(frozen=True)
class Statement:
    """One statement, or a comment, whose word is ``$$``.

    Attributes
    ----------
    line : int
        Where it begins, from 1.
    text : str
        As it stands, with all that continues it.
    word : str
        Major word, in capitals.
    own : str
        Label or name before the equals sign, in capitals; else empty.
    minor : tuple of str
        Minor words, in capitals.
    numbers : tuple of float
    named : str
        Label, name or text among the parameters; the words of a comment.
    tree : Tree, optional
        Of an expression.
    """

    line: int
    text: str
    word: str
    own: str = ""
    minor: tuple[str, ...] = ()
    numbers: tuple[float, ...] = ()
    named: str = ""
    tree: Tree | None = None


def statements(text: str) -> tuple[Statement, ...]:
    """The statements of a program, comments among them.

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple of Statement

    Raises
    ------
    InputError
        At the first one that is not known: its line, what was found, what was expected.
    """
    return tuple(_statement(line, whole) for line, whole in _whole(text))


def _whole(text: str) -> Iterator[tuple[int, str]]:
    """Line and text of each statement, what continues it (a line that ends in $) put behind it."""
    begun, parts = 0, list[str]()
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for number, line in enumerate(lines, 1):
        said = line.strip()
        if not parts and (not said or said.startswith("$$")):
            if said:
                yield number, said
            continue
        begun = begun if parts else number
        going_on = said.endswith("$")
        parts.append(said[:-1] if going_on else said)
        if sum(map(len, parts)) > _LONGEST:
            raise InputError("a statement is too long", line=begun, expected=f"at most {_LONGEST} characters")
        if not going_on:
            yield begun, "".join(parts)
            parts = []
    if parts:
        raise InputError("the last line is to be continued, and nothing follows", line=begun, found="".join(parts))


def _statement(line: int, text: str) -> Statement:
    if broken := _BROKEN.search(text):
        expected = "a text without control characters: a system may begin a new line there"
        raise InputError("a control character stands here", line=line, found=repr(broken[0]), expected=expected)
    if text.startswith("$$"):
        return Statement(line, text, "$$", named=text[2:].strip())
    if not _TEXT.sub("", text).isascii():
        raise _unknown(line, text, "letters of ASCII, but for comments and texts")
    found = _HEAD.fullmatch(text)
    word = found["word"].upper() if found else ""
    if found is None or word not in _FORMS:
        raise _unknown(line, text, "one of " + ", ".join(_FORMS))
    label, forms = _FORMS[word]
    kind, own = (found["kind"] or "").upper(), (found["label"] or found["name"] or "").upper()
    if kind != label.replace("=", "") or bool(own) != bool(label):
        raise _unknown(line, text, _spelled(word))
    given = [] if found["rest"] is None else _parted(found["rest"])
    for form in forms:
        taken = _taken(form, given, line)
        if taken is not None:
            return Statement(line, text, word, own, *taken)
    raise _unknown(line, text, _spelled(word))


def _parted(rest: str) -> list[str]:
    """Parameters: what stands between commas that are in no brackets and no text."""
    parts, depth, quoted = [""], 0, False
    for sign in rest:
        quoted ^= sign == "'"
        depth += 0 if quoted else {"(": 1, ")": -1}.get(sign, 0)
        if sign == "," and not quoted and depth == 0:
            parts.append("")
        else:
            parts[-1] += sign
    return [part.strip() for part in parts]


def _taken(
    form: tuple[str, ...], given: list[str], line: int
) -> tuple[tuple[str, ...], tuple[float, ...], str, Tree | None] | None:
    """Minor words, numbers, label and expression of parameters that have a form; None if they have not."""
    if len(form) != len(given):
        return None
    minor, numbers, named, tree = list[str](), list[float](), "", None
    for wanted, one in zip(form, given, strict=True):
        if wanted == _REAL:
            if not _NUMBER.fullmatch(one) or not math.isfinite(float(one)):
                return None
            numbers.append(float(one))
        elif wanted == _WORDS:
            if not (found := _TEXT.fullmatch(one)):
                return None
            named = found[1]
        elif wanted == _CALLED:
            if not _NAME.fullmatch(one):
                return None
            named = one.upper()
        elif wanted in (_FORMULA, _CONDITION):
            tree = parsed(one, line)
            if tree.truth != (wanted == _CONDITION):
                return None
        elif "(" in wanted:
            if not (found := _LABEL.fullmatch(one)) or found[1].upper() != wanted.partition("(")[0]:
                return None
            named = found[2].upper()
        elif one.upper() != wanted:
            return None
        else:
            minor.append(wanted)
    return tuple(minor), tuple(numbers), named, tree


def _spelled(word: str) -> str:
    """The forms of a statement, for a person."""
    label, forms = _FORMS[word]
    before = {"": "", "=": "<name>="}.get(label, f"{label}(<label>)=")
    return " or ".join(f"{before}{word}{'/' if form else ''}{','.join(form)}" for form in forms)


def _unknown(line: int, text: str, expected: str) -> InputError:
    return InputError("this statement is not known here", line=line, found=text[:200], expected=expected, todo=_TODO)
