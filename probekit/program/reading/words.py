"""NC text to blocks of words. Nothing is executed here, and nothing that is not understood is lost.

Source: NISTIR 6556, section 3.3 (format of a line), from memory. A semicolon starts a comment to the end of the
line, O or : is the number of the program, and what stands outside the program marks is not read, as on many controls
(common practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from ...errors import InputError
from ...show import shown
from .expressions import Formula, read_value
from .source import Source, load

__all__ = ["Block", "parse"]

MAX_LINE = 2000

Value = float | Formula

_WORD = re.compile(r"([A-Z])([+-]?(?:[0-9]{1,15}\.?[0-9]{0,15}|\.[0-9]{1,15}))(?![0-9.])")
_MARK = re.compile(r"[ \t]*%")
_NUMBERED = re.compile(r":[0-9]{1,15}")
_UPPER = str.maketrans("abcdefghijklmnopqrstuvwxyz", "ABCDEFGHIJKLMNOPQRSTUVWXYZ", " \t")


@shown
@dataclass(frozen=True)
class Block:
    """One line of a program.

    Attributes
    ----------
    line : int
        Counted from 1.
    text : str
        The line as it stands, without its end.
    number : int or None
        Block number (N word).
    words : tuple of (letter, value)
        In the order of the line, without N; a value is a float or a `Formula`.
    assignments : tuple of (number, value)
        Parameter settings ``#number=value``.
    comments : tuple of str
        Without their brackets.
    unknown : tuple of str
        What could not be read as a word.
    skip : bool
        The line starts with the block delete character.
    mark : bool
        The line is a program mark ``%``; a name may follow it.
    """

    line: int
    text: str
    number: int | None = None
    words: tuple[tuple[str, Value], ...] = ()
    assignments: tuple[tuple[Value, Value], ...] = ()
    comments: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    skip: bool = False
    mark: bool = False

    @property
    def sentence(self) -> str:
        """Line and text."""
        return f"line {self.line}: {self.text.strip()}"


def parse(text: str | bytes | Path | Source) -> tuple[Block, ...]:
    """Read a program into blocks, one per line. Text before and after a pair of program marks makes empty blocks.

    Parameters
    ----------
    text : str, bytes, Path or Source
        The program; a str is the text itself.

    Returns
    -------
    tuple of Block

    Raises
    ------
    InputError
        If a comment is not closed or holds another, a line is longer than 2000 characters, or the program cannot be
        decoded.

    Examples
    --------
    >>> parse("N10 G1 X1.5 (cut) F200")[0].words
    (('G', 1.0), ('X', 1.5), ('F', 200.0))
    """
    source = load(text)
    lines = [written.rstrip("\r\n") for written in source.lines]
    marks = [line for line, written in enumerate(lines, 1) if _MARK.match(written)][:2]
    first, last = marks if len(marks) == 2 else (1, len(lines))
    return tuple(
        _block(line, written, source.name or None) if first <= line <= last else Block(line, written)
        for line, written in enumerate(lines, 1)
    )


def _block(line: int, text: str, file: str | None) -> Block:
    if len(text) > MAX_LINE:
        raise InputError("the line is too long", file=file, line=line, found=len(text), expected=f"at most {MAX_LINE}")
    code, comments = _without_comments(text, line, file) if "(" in text or ";" in text else (text, ())
    code = code.translate(_UPPER)
    code = "O" + code[1:] if _NUMBERED.fullmatch(code) else code
    if not code:
        return Block(line, text, comments=comments)
    if _MARK.match(code):
        return Block(line, text, comments=comments, mark=True)
    skip = code[0] == "/"
    at = 1 if skip else 0
    number: int | None = None
    words: list[tuple[str, Value]] = []
    assignments: list[tuple[Value, Value]] = []
    unknown: list[str] = []
    while at < len(code):
        simple = _WORD.match(code, at)
        if simple:
            letter, digits = simple.groups()
            if letter == "N" and number is None and digits.isdigit() and not words and not assignments:
                number = int(digits)
            else:
                words.append((letter, float(digits)))
            at = simple.end()
            continue
        if code[at] == "#":
            setting = _assignment(code, at)
            if setting is None:
                unknown.append(code[at:])
                break
            assignments.append(setting[0])
            at = setting[1]
            continue
        found = read_value(code, at + 1) if "A" <= code[at] <= "Z" else None
        if found is None:
            unknown.append(code[at:])
            break
        words.append((code[at], found[0]))
        at = found[1]
    return Block(line, text, number, tuple(words), tuple(assignments), comments, tuple(unknown), skip)


def _assignment(code: str, at: int) -> tuple[tuple[Value, Value], int] | None:
    place = read_value(code, at + 1)
    if place is None or code[place[1] : place[1] + 1] != "=":
        return None
    value = read_value(code, place[1] + 1)
    return None if value is None else ((place[0], value[0]), value[1])


def _without_comments(text: str, line: int, file: str | None) -> tuple[str, tuple[str, ...]]:
    code, comments, at = [], [], 0
    while at < len(text):
        starts = [place for mark in "(;" if (place := text.find(mark, at)) >= 0]
        if not starts:
            code.append(text[at:])
            break
        start = min(starts)
        code.append(text[at:start])
        if text[start] == ";":
            comments.append(text[start + 1 :].strip())
            break
        end = text.find(")", start)
        if end < 0:
            raise InputError(
                "a comment is not closed",
                file=file,
                line=line,
                found=text[start:],
                expected="a closing bracket on the same line",
                todo="A control may treat the rest of the program as a comment, or stop.",
            )
        inside = text[start + 1 : end]
        if "(" in inside:
            raise InputError(
                "a comment holds another comment",
                file=file,
                line=line,
                found=text[start : end + 1],
                expected="no opening bracket in a comment",
                todo="Controls differ in where such a comment ends: use other brackets inside.",
            )
        comments.append(inside.strip())
        at = end + 1
    return "".join(code), tuple(comments)
