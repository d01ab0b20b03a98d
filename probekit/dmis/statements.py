"""The statements of a DMIS file: lines, continued lines, labels, parameters (ISO 22093, from memory)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import InputError

__all__ = ["Statement", "statements"]

_FORM = re.compile(
    r"(?:(?P<kind>[A-Za-z]{1,3})\((?P<label>[^()]{1,64})\)\s*=\s*)?(?P<word>[A-Za-z]+)\s*(?:/(?P<rest>.*))?"
)
_PIECE = re.compile(r"'(?:[^']|'')*'|\([^()]*\)|[^,'()]+|,")
_LONGEST = 65_536  # characters of a statement with its continuations


@dataclass(frozen=True)
class Statement:
    """One statement: where it begins, the kind and text of its label (empty without), major word, parameters.

    Words are in capitals; text in quotation marks is a parameter as it stands, with its marks.
    """

    line: int
    kind: str
    label: str
    word: str
    given: tuple[str, ...]


def statements(text: str, file: str | Path) -> Iterator[Statement]:
    """The statements of a file, one after the other; comments and empty lines are passed over.

    Raises
    ------
    InputError
        At a line that is no statement, a text that is not closed, or a continuation that does not come.
    """
    for number, whole in _whole_lines(text, file):
        found = _FORM.fullmatch(whole.strip())
        if found is None:
            raise InputError(
                "the line is no statement of DMIS",
                file=file,
                line=number,
                found=whole.strip(),
                expected="WORD/parameters, or label=WORD/parameters",
                todo="The file may be truncated or damaged: copy it again from its source.",
            )
        given = tuple(_parameters(found["rest"] or "", file, number))
        kind, label = (found["kind"] or "").upper(), (found["label"] or "").strip().upper()
        yield Statement(number, kind, label, found["word"].upper(), given)


def _whole_lines(text: str, file: str | Path) -> Iterator[tuple[int, str]]:
    """Number and text of each line that says anything, what continues it put behind it."""
    parts: list[str] = []
    begun = number = 0
    for number, line in enumerate(text.splitlines(), 1):
        said = _without_comment(line).rstrip()
        if not said.strip() and not parts:
            continue
        begun = begun if parts else number
        if said.endswith("$"):
            parts.append(said[:-1])
            if sum(map(len, parts)) > _LONGEST:
                raise InputError("a statement is too long", file=file, line=begun, expected=f"{_LONGEST} characters")
            continue
        yield begun, "".join([*parts, said])
        parts = []
    if parts:
        raise InputError(
            "the statement goes on in a line that is not there",
            file=file,
            line=begun,
            todo="The file may be truncated: copy it again from its source.",
        )


def _without_comment(line: str) -> str:
    """The line up to ``$$`` outside a text."""
    inside = False
    for k, mark in enumerate(line):
        inside ^= mark == "'"
        if not inside and line.startswith("$$", k):
            return line[:k]
    return line


def _parameters(rest: str, file: str | Path, line: int) -> list[str]:
    found, at, now = [], 0, ""
    while at < len(rest):
        piece = _PIECE.match(rest, at)
        if piece is None or (piece[0][0] != "'" and "=" in piece[0]):  # the second: two statements in one
            raise InputError(
                "the parameters cannot be understood",
                file=file,
                line=line,
                found=rest[at:],
                expected="values between commas, texts and brackets that are closed",
            )
        if piece[0] == ",":
            found.append(now)
            now = ""
        else:
            now += piece[0] if piece[0].startswith("'") else piece[0].strip().upper()
        at = piece.end()
    return [*found, now] if found or now else []
