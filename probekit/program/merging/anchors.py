"""Where in a milling program the probing goes: after an operation, a block, the work of a tool, or at the end."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter

from ...errors import InputError
from ..reading.calls import subprograms, unrolled
from ..reading.interpreter import Interpreter
from ..reading.modal import Modal
from ..reading.steps import MOVES, Step
from ..reading.words import Block

__all__ = ["Place", "Walked", "find_operation", "find_place", "in_order", "walk"]

_MOST_LISTED = 12
_KEY = "recut.operation"
_NUMBER = re.compile(r"[Nn]?\s*([0-9]+)")
_TOOL = re.compile(r"(?:M0?6\s*)?T\s*([0-9]+)(?:\s*M0?6)?", re.IGNORECASE)


@dataclass(frozen=True)
class Walked:
    """A block, what it did, and what held after it.

    Of a block that calls a subprogram: with all that this did, block by block in `called`. `run` is False for what
    stands in a subprogram, and after the end.
    """

    block: Block
    steps: tuple[Step, ...]
    state: Modal
    position: tuple[float, ...]
    angles: tuple[float, ...]
    called: tuple[Walked, ...] = ()
    run: bool = True

    @property
    def moves(self) -> bool:
        """Whether an axis moved, or may have."""
        return any(step.kind in (*MOVES, "unknown") for step in self.steps)

    @property
    def only_comment(self) -> bool:
        """Whether nothing but a comment, or nothing at all, stands on the line."""
        return not (self.block.words or self.block.assignments or self.block.unknown or self.block.mark)

    def does(self, kind: str) -> bool:
        """Whether a step of this kind is among its steps."""
        return any(step.kind == kind for step in self.steps)


@dataclass(frozen=True)
class Place:
    """The probing goes before the line of this index (from 0); `words` say why there."""

    index: int
    words: str


def walk(interpreter: Interpreter, blocks: Sequence[Block]) -> list[Walked]:
    """Run all blocks, follow their calls, and keep what held after each; what is not run by itself does nothing.

    Parameters
    ----------
    interpreter : Interpreter
    blocks : sequence of Block
    """

    def now(block: Block, steps: tuple[Step, ...] = (), run: bool = True) -> Walked:
        position, angles = tuple(interpreter.position), tuple(interpreter.angles)
        return Walked(block, steps, interpreter.state, position, angles, run=run)

    walked: list[Walked] = []
    for at, course in groupby(unrolled(blocks), key=itemgetter(0)):
        if interpreter.ended:
            break
        walked += [now(block, run=False) for block in blocks[len(walked) : at]]
        own: list[Walked] = []
        for _, block in course:
            if not interpreter.ended:
                own.append(now(block, tuple(interpreter.block(block))))
        whole = own[0]
        if len(own) > 1:
            whole = replace(own[-1], steps=tuple(step for one in own for step in one.steps), called=tuple(own))
        walked.append(replace(whole, block=blocks[at]))
    return walked + [now(block, run=False) for block in blocks[len(walked) :]]


def in_order(walked: Sequence[Walked]) -> Iterator[Walked]:
    """Each block that is run, those of called subprograms where they are called.

    Parameters
    ----------
    walked : sequence of Walked
    """
    for one in walked:
        yield from one.called or ((one,) if one.run else ())


def find_place(walked: Sequence[Walked], after: str | int, occurrence: int | None) -> Place:
    """Find the line before which the probing goes.

    Parameters
    ----------
    walked : sequence of Walked
    after : str or int
        See `probekit.program.merge`.
    occurrence : int, optional
        Which of several, from 1.

    Raises
    ------
    InputError
        If there is no such place, or several.
    """
    end = _end(walked)
    text = str(after).strip()
    number, tool = _NUMBER.fullmatch(text), _TOOL.fullmatch(text)
    if text.lower() == "start":
        return Place(_before_comments(walked, _first_work(walked, end), 0), "at the start")
    if text.lower() == "end":
        return Place(_before_comments(walked, end, 0), "at the end")
    if number:
        found = [i for i, one in enumerate(walked) if one.block.number == int(number[1])]
        index = _one_of(walked, found, f"block N{number[1]}", occurrence)
        stop, words = index + 1, f"after block N{number[1]}"
    elif tool:
        index = _one_of(walked, _changes(walked, int(tool[1])), f"tool change to T{tool[1]}", occurrence)
        stop = next((i for i in range(index + 1, end) if walked[i].does("tool")), end)
        stop, words = _before_comments(walked, stop, index + 1), f"after the work of tool {tool[1]}"
    else:
        wanted = _plain(text.strip("()"))
        if not wanted:
            raise InputError("the place for the probing is not stated", column="after", found=after, expected="a place")
        held = list(_comments(walked))
        part = re.compile(rf"(?<!\w){re.escape(wanted)}(?!\w|[.,]\d)")  # OPERATION 1 is not in OPERATION 10
        found = [i for i, comment in held if comment == wanted] or [i for i, comment in held if part.search(comment)]
        index = _one_of(walked, sorted(set(found)), f"comment '{text}'", occurrence)
        stop, words = _end_of_operation(walked, index, end), f"after the operation '{text.strip('()')}'"
    _refuse_within(walked, index, after)
    if index >= end:
        raise InputError(
            "the program has ended before that place",
            line=walked[index].block.line,
            column="after",
            found=after,
            todo='Use a place before the program end, or after="end".',
        )
    return Place(min(stop, end), words)


def find_operation(walked: Sequence[Walked], operation: str, occurrence: int | None) -> tuple[int, int]:
    """Find a whole operation: the index of its first line, and that of the first line after it.

    Parameters
    ----------
    walked : sequence of Walked
    operation : str
        A tool ("T4"), or the whole comment that stands alone on its line before it; not a part of one.
    occurrence : int, optional
        Which of several, from 1.

    Raises
    ------
    InputError
        If there is no such operation, or several.
    """
    text, end = operation.strip(), _end(walked)
    tool, wanted = _TOOL.fullmatch(text), _plain(text.strip("()"))
    if tool:
        start = _one_of(walked, _changes(walked, int(tool[1])), f"tool change to T{tool[1]}", occurrence, _KEY)
        stop = next((i for i in range(start + 1, end) if walked[i].does("tool")), end)
        stop = _before_comments(walked, stop, start + 1)
    else:
        if _NUMBER.fullmatch(text) or text.lower() in ("start", "end", ""):
            raise InputError("this names no operation", column=_KEY, found=operation, expected="a tool or a comment")
        alone = [i for i, held in _comments(walked) if held == wanted and walked[i].only_comment]
        what = f"operation headed by the comment '({text.strip('()')})' alone on its line"
        start = _one_of(walked, alone, what, occurrence, _KEY)
        stop = _end_of_operation(walked, start, end)
    if start >= end or not any(one.moves for one in walked[start:stop]):
        raise InputError("the operation does not move", line=walked[start].block.line, found=operation)
    return start, stop


def _refuse_within(walked: Sequence[Walked], index: int, after: str | int) -> None:
    """Refuse a place inside a subprogram: what holds there depends on the call."""
    for sub in subprograms([one.block for one in walked]):
        if sub.first <= index <= sub.last and not walked[index].run:
            raise InputError(
                f"that place stands in the subprogram O{sub.name}, which begins in line {walked[sub.first].block.line}",
                line=walked[index].block.line,
                column="after",
                found=after,
                expected="a place in the main program",
                todo="Name the block that calls it, or what follows that: the probing then stands after the call.",
            )


def _end(walked: Sequence[Walked]) -> int:
    return next((index for index, one in enumerate(walked) if one.does("end")), len(walked))


def _changes(walked: Sequence[Walked], tool: int) -> list[int]:
    """The lines that change to a tool."""
    return [i for i, one in enumerate(walked) if any(s.kind == "tool" and s.detail == tool for s in one.steps)]


def _comments(walked: Sequence[Walked]) -> Iterator[tuple[int, str]]:
    """Each comment with the index of its line."""
    return ((i, _plain(comment)) for i, one in enumerate(walked) for comment in one.block.comments)


def _first_work(walked: Sequence[Walked], end: int) -> int:
    """The first line that calls or changes a tool, starts the spindle or the coolant, moves, or is not understood."""
    for index, one in enumerate(walked[:end]):
        if not one.run:
            continue
        called = any(letter in "ST" for letter, _ in one.block.words)
        on = one.state.turning or one.state.coolant
        if called or on or one.moves or one.does("tool") or one.block.unknown:
            return index
    return end


def _end_of_operation(walked: Sequence[Walked], index: int, end: int) -> int:
    """An operation that has moved ends at the next line with only a comment, tool change, or program end."""
    moved = walked[index].moves
    for i in range(index + 1, end):
        here = walked[i]
        if not here.run:
            continue
        if moved and (here.does("tool") or (here.only_comment and here.block.comments)):
            return _before_comments(walked, i, index + 1)
        moved |= here.moves
    return _before_comments(walked, end, index + 1)


def _before_comments(walked: Sequence[Walked], index: int, least: int) -> int:
    """Step back over lines that hold only comments: they head what follows."""
    while index > least and walked[index - 1].only_comment:
        index -= 1
    return index


def _one_of(
    walked: Sequence[Walked], found: Sequence[int], what: str, occurrence: int | None, key: str = "after"
) -> int:
    if occurrence is not None and not 1 <= occurrence <= max(len(found), 1):
        raise InputError(
            f"there are only {len(found)} of {what}", column="occurrence", found=occurrence, expected="a count from 1"
        )
    if len(found) == 1 or (found and occurrence is not None):
        return found[(occurrence or 1) - 1]
    if found:
        lines = "; ".join(
            f"line {walked[i].block.line}: {walked[i].block.text.strip()[:40]}" for i in found[:_MOST_LISTED]
        )
        raise InputError(
            f"{what} stands {len(found)} times in the milling program: {lines}",
            column=key,
            todo="State which one with occurrence=1, 2, ..., or name another place.",
        )
    outside = any(one.block.text.strip() and one.block == Block(one.block.line, one.block.text) for one in walked)
    unread = " What stands outside the program marks % is not read." if outside else ""
    raise InputError(
        f"there is no {what} in the milling program",
        column=key,
        todo=f"The program has these places: {_candidates(walked)}.{unread}",
    )


def _candidates(walked: Sequence[Walked]) -> str:
    named = []
    for one in walked:
        if one.block.comments:
            named.append(f"line {one.block.line}: ({one.block.comments[0][:40]})")
        elif one.does("tool"):
            named.append(f"line {one.block.line}: T{one.state.tool}")
    numbers = [one.block.number for one in walked if one.block.number is not None]
    more = [f"and {len(named) - _MOST_LISTED} more"] if len(named) > _MOST_LISTED else []
    blocks = [f"blocks N{min(numbers)} to N{max(numbers)}"] if numbers else []
    return "; ".join([*named[:_MOST_LISTED], *more, *blocks, '"start"', '"end"'])


def _plain(text: str) -> str:
    return " ".join(text.split()).lower()
