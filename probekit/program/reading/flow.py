"""Runs the blocks of a program in the order that its flow control gives them: if, while, repeat, subprograms.

RS274/NGC as NISTIR 6556 has it knows no flow control. The words here are those of a widespread extension of it
(O-words: ``O10 if [#110 GT 0.5]``, else, elseif, endif, while, endwhile, repeat, endrepeat, sub, endsub, call, return),
stated from memory: someone qualified for the control confirms that it reads them so. Loops and calls are bounded here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

from .calls import unrolled
from .expressions import Formula, read_value
from .steps import Step
from .words import Block

if TYPE_CHECKING:
    from .interpreter import Interpreter

__all__ = ["Choice", "Flow", "counting", "executed", "flow_of", "leads_on", "within"]

MOST_TURNS = 100  # of one loop, together; common practice, no source: what touches this often is not meant
_DEEPEST = 10  # calls within calls

_OPENS = {"IF": "ENDIF", "WHILE": "ENDWHILE", "REPEAT": "ENDREPEAT", "SUB": "ENDSUB"}
_ASKS = ("IF", "ELSEIF", "WHILE", "REPEAT")
_WORDS = (*_OPENS, *_OPENS.values(), "ELSEIF", "ELSE", "CALL", "RETURN")

#: Told of each decision: the block and what its condition gives; what it returns is taken.
Choice = Callable[[Block, bool], bool]


@dataclass(frozen=True)
class Flow:
    """A block of flow control: its word, its label, and the condition or count that it asks for."""

    word: str
    label: int
    asks: float | Formula | None = None


@dataclass(frozen=True)
class _Frame:
    """What opens and ends together with a block, by their places in the program."""

    first: int
    middle: tuple[int, ...]
    last: int


def flow_of(block: Block) -> Flow | None:
    """The flow control of a block, None if it is none or cannot be read.

    Parameters
    ----------
    block : Block
    """
    if len(block.words) != 1 or block.words[0][0] != "O" or len(block.unknown) != 1 or block.assignments or block.skip:
        return None
    label, text = block.words[0][1], block.unknown[0]
    return None if isinstance(label, Formula) or label != int(label) else _read(int(label), text)


@lru_cache(4096)
def _read(label: int, text: str) -> Flow | None:
    """Flow control of a label and the text behind it: each is asked for again and again."""
    word = next((one for one in sorted(_WORDS, key=len, reverse=True) if text.startswith(one)), None)
    rest = "" if word is None else text[len(word) :]
    if word in _ASKS:
        found = read_value(rest, 0, compares=True)
        return None if found is None or found[1] != len(rest) else Flow(word, label, found[0])
    return None if word is None or rest else Flow(word, label)


def executed(
    blocks: Sequence[Block],
    control: Interpreter,
    *,
    flow: bool = False,
    choose: Choice | None = None,
    before: Callable[[Block, Interpreter], None] | None = None,
) -> Iterator[tuple[Block, list[Step]]]:
    """Blocks in the order in which a control comes to them, with their steps, to the end of the program.

    Calls that the text alone tells are followed, whatever `flow` is: see `probekit.program.reading.calls`.

    Parameters
    ----------
    blocks : sequence of Block
    control : Interpreter
    flow : bool
        Whether the control knows flow control; else its words are not understood.
    choose : callable, optional
        See `Choice`.
    before : callable, optional
        Told of each block, before it is run.
    """
    if not flow:
        for _, block in unrolled(blocks):
            if control.ended:
                return
            if before is not None:
                before(block, control)
            yield block, control.block(block)
        return
    blocks = [block for _, block in unrolled(blocks, flow=True)]
    frames = _frames(blocks)
    subs = {one.label: at for at, block in enumerate(blocks) if (one := flow_of(block)) and one.word == "SUB"}
    turns: dict[int, int] = {}
    left: dict[int, int] = {}
    calls: list[int] = []
    at = 0
    while at < len(blocks) and not control.ended:
        block = blocks[at]
        if before is not None:
            before(block, control)
        found = flow_of(block)
        if found is None or (found.word not in ("CALL", "RETURN") and at not in frames):
            yield block, control.block(block)
            at += 1
            continue
        wrong = ""
        if found.word == "CALL":
            wrong = "" if found.label in subs and len(calls) < _DEEPEST else "a call of what is not there, or too deep"
            calls.append(at + 1)
            to = subs.get(found.label, at) + 1
        elif found.word in ("RETURN", "ENDSUB"):
            to = calls.pop() if calls else at + 1
        elif found.word == "SUB":
            to = frames[at].last + 1
        else:
            try:
                to = _next(at, found, frames[at], blocks, control, turns, left, choose)
            except ValueError as error:
                wrong, to = str(error), at + 1
        said = control.flow(block)
        if wrong:
            yield block, [*said, control.broken(wrong)]
            return
        yield block, said
        at = to


def within(blocks: Sequence[Block]) -> frozenset[int]:
    """Lines of the blocks that stand within flow control.

    Parameters
    ----------
    blocks : sequence of Block
    """
    spans = {(frame.first, frame.last) for frame in _frames(blocks).values()}
    return frozenset(blocks[at].line for first, last in spans for at in range(first, last + 1))


def leads_on(blocks: Sequence[Block], held: bool | None = None) -> Choice:
    """A choice at each branch of which one way ends the program: the other one; else what its condition gives.

    Parameters
    ----------
    blocks : sequence of Block
    held : bool, optional
        Taken in place of what the condition of any other branch gives; loops turn as they do by themselves.
    """
    ways: dict[int, bool] = {}
    counted = counting(blocks)
    for at, frame in _frames(blocks).items():
        places = [frame.first, *frame.middle, frame.last]
        if at not in places[:-1] or (asked := flow_of(blocks[at])) is None or asked.word not in ("IF", "ELSEIF"):
            continue
        rest = [_ends(blocks[a:b]) for a, b in pairwise(places[places.index(at) :])]
        if any(rest):
            ways[blocks[at].line] = not rest[0]
        elif held is not None and blocks[at].line not in counted:
            ways[blocks[at].line] = held
    return lambda block, holds: ways.get(block.line, holds)


def counting(blocks: Sequence[Block]) -> frozenset[int]:
    """Lines of the branches that ask for nothing but what a loop asks for: they go with its turns, not by themselves.

    Parameters
    ----------
    blocks : sequence of Block
    """
    found = [(block.line, asked) for block in blocks if (asked := flow_of(block)) is not None]
    turns = {n for _, asked in found if asked.word == "WHILE" for n in _read_by(asked)}
    return frozenset(
        line for line, asked in found if asked.word in ("IF", "ELSEIF") and _read_by(asked) and _read_by(asked) <= turns
    )


def _read_by(asked: Flow) -> frozenset[float]:
    return frozenset(asked.asks.reads) if isinstance(asked.asks, Formula) else frozenset()


def _ends(blocks: Sequence[Block]) -> bool:
    """Whether the end of the program is among blocks."""
    return any(word in (("M", 2.0), ("M", 30.0)) for block in blocks for word in block.words)


def _next(
    at: int,
    found: Flow,
    frame: _Frame,
    blocks: Sequence[Block],
    control: Interpreter,
    turns: dict[int, int],
    left: dict[int, int],
    choose: Choice | None,
) -> int:
    """Place of the block after one of if, while and repeat."""

    def holds(place: int) -> bool:
        asked = flow_of(blocks[place])
        value = control.value(asked.asks) != 0 if asked is not None and asked.asks is not None else True
        return value if choose is None else choose(blocks[place], value)

    if found.word == "IF":
        for place in (frame.first, *frame.middle):
            one = flow_of(blocks[place])
            if (one is not None and one.word == "ELSE") or holds(place):
                return place + 1
        return frame.last + 1
    if found.word in ("ELSEIF", "ELSE", "ENDIF"):  # the end of the branch before it
        return frame.last + 1
    if found.word in ("ENDWHILE", "ENDREPEAT"):
        return frame.first
    turns[at] = turns.get(at, 0) + 1
    if turns[at] > MOST_TURNS:
        raise ValueError(f"a loop that turns more than {MOST_TURNS} times")
    if found.word == "WHILE":
        return at + 1 if holds(at) else frame.last + 1
    count = left.pop(at, None)
    if count is None:
        count = round(control.value(found.asks)) if found.asks is not None else 0
    if count <= 0:
        return frame.last + 1
    left[at] = count - 1
    return at + 1


def _frames(blocks: Sequence[Block]) -> dict[int, _Frame]:
    """What belongs together, by the place of each of its blocks; what is not closed or crosses is left out."""
    frames: dict[int, _Frame] = {}
    waiting: list[tuple[int, Flow, list[int]]] = []
    for at, block in enumerate(blocks):
        found = flow_of(block)
        if found is None:
            continue
        if found.word in _OPENS:
            waiting.append((at, found, []))
        elif waiting and waiting[-1][1].label == found.label:
            first, opened, middle = waiting[-1]
            if found.word in ("ELSE", "ELSEIF") and opened.word == "IF":
                middle.append(at)
            elif found.word == _OPENS[opened.word]:
                waiting.pop()
                frame = _Frame(first, tuple(middle), at)
                frames |= dict.fromkeys((first, *middle, at), frame)
    return frames
