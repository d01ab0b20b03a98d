"""Subprograms of a program, and its blocks in the order in which a control comes to them through its calls.

Two spellings. ``M98 P100 L3`` runs three times what stands between ``O100``, alone in its line, and ``M99``; so does
``M98 P30100``, with the count before the last four digits: common practice of milling controls, no source. ``O100
call`` runs what stands between ``O100 sub`` and ``O100 endsub``: words of a widespread extension of RS274/NGC, from
memory. Only calls whose text alone tells what they run, and how often, are followed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

from .expressions import Formula
from .words import Block, Value

__all__ = ["Subprogram", "calls", "subprograms", "unrolled"]

_DEEPEST = 10  # calls within calls
_MOST_BLOCKS = 1_000_000  # that are called, together
_CALL, _RETURN = ("M", 98.0), ("M", 99.0)
_O_WORD = re.compile(r"O?(<[^>]*>|[0-9]+)(SUB|ENDSUB|CALL|RETURN)(.*)")


@dataclass(frozen=True)
class Subprogram:
    """A subprogram: its name, the word that calls it (M98, CALL), the places of its first and last block.

    `wrong` says why it cannot be followed, "" if it can.
    """

    name: str
    by: str
    first: int
    last: int
    wrong: str = ""


@dataclass(frozen=True)
class _Call:
    """The block of a call without its words, what it runs and how often; or why it cannot be followed."""

    rest: Block
    to: Subprogram | None = None
    times: int = 1
    wrong: str = ""


def subprograms(blocks: Sequence[Block]) -> tuple[Subprogram, ...]:
    """The subprograms that stand in a program.

    Parameters
    ----------
    blocks : sequence of Block
    """
    heads = [at for at, block in enumerate(blocks) if _number(block)]
    returns = [at for at, block in enumerate(blocks) if _RETURN in block.words] if heads else []
    found: list[Subprogram] = []
    for at, following in pairwise([*heads, len(blocks)]):
        last = next((one for one in returns if at < one < following), None)
        if last is not None:
            jumps = any(letter in "PL" for letter, _ in blocks[last].words)
            wrong = f"its M99 in line {blocks[last].line} names where to go on" if jumps else ""
            found.append(Subprogram(_number(blocks[at]), "M98", at, last, wrong))
    said = [(at, own) for at, block in enumerate(blocks) if (own := _o_word(block)) is not None]
    for row, (at, (name, word, _)) in enumerate(said):
        rest = [(place, *one) for place, one in said[row + 1 :] if one[0] == name and one[1] != "CALL"]
        if word != "SUB" or not any(one[2] == "ENDSUB" for one in rest):
            continue
        last = next(place for place, _, ends, _ in rest if ends == "ENDSUB")
        early = rest[0][0] != last or rest[0][3]
        wrong = f"it returns in line {blocks[rest[0][0]].line} before its end, or with a value" if early else ""
        found.append(Subprogram(name, "CALL", at, last, wrong))
    return tuple(found)


def unrolled(blocks: Sequence[Block], start: int = 0, *, flow: bool = False) -> Iterator[tuple[int, Block]]:
    """The blocks in the order in which a control comes to them, each with the place of the block that it is run for.

    A block that calls comes without the words of the call. Where a call cannot be followed, it has a word that is not
    understood, and says why.

    Parameters
    ----------
    blocks : sequence of Block
    start : int
        Place of the first one.
    flow : bool
        Whether what runs the blocks knows O-words: it gets those that cannot be followed here as they are.
    """
    subs = subprograms(blocks)
    found = _calls(blocks, subs, flow)
    left = _MOST_BLOCKS

    @cache
    def size(sub: Subprogram, depth: int = 0) -> int:
        """Blocks that are run by a subprogram, with those of its calls."""
        own = [call for at, call in found.items() if sub.first < at < sub.last and call.to and depth < _DEEPEST]
        return sub.last - sub.first + sum(call.times * size(call.to, depth + 1) for call in own if call.to)

    def ran(at: int, within: tuple[Subprogram, ...]) -> Iterator[Block]:
        nonlocal left
        block = blocks[at]
        if within and within[-1].by == "M98" and at == within[-1].last:
            block = replace(block, words=tuple(word for word in block.words if word != _RETURN))
        call = found.get(at)
        if call is None:
            yield block
            return
        wrong, to = call.wrong, call.to
        if to is not None and not wrong:
            left -= 0 if within else call.times * size(to)
            deep = "calls within calls are too deep" if len(within) >= _DEEPEST else ""
            many = f"more than {_MOST_BLOCKS} blocks would be run" if left < 0 else ""
            wrong = "it calls itself" if to in within else deep or many
        if wrong or to is None:
            yield replace(call.rest, unknown=(*call.rest.unknown, f"{_spelled(block)} ({wrong})"))
            return
        yield call.rest
        for _ in range(call.times):
            for place in range(to.first + 1, to.last + (to.by == "M98")):
                yield from ran(place, (*within, to))

    skipped = {} if flow else {sub.first: sub.last for sub in subs if sub.by == "CALL"}
    at = start
    while at < len(blocks):
        if at in skipped:
            at = skipped[at] + 1
            continue
        for block in ran(at, ()):
            yield at, block
        at += 1


def calls(block: Block) -> bool:
    """Whether a block calls a subprogram, or tries to.

    Parameters
    ----------
    block : Block
    """
    return _CALL in block.words or ((own := _o_word(block)) is not None and own[1] == "CALL")


def _calls(blocks: Sequence[Block], subs: Sequence[Subprogram], flow: bool) -> dict[int, _Call]:
    """The calls of a program, by their places."""
    named: dict[tuple[str, str], list[Subprogram]] = {}
    for sub in subs:
        named.setdefault((sub.by, sub.name), []).append(sub)
    found: dict[int, _Call] = {}
    for at, block in enumerate(blocks):
        if _CALL in block.words:
            found[at] = _by_number(block, named, blocks)
        elif calls(block):
            call = _by_name(block, named)
            if not (call.wrong and flow):
                found[at] = call
    return found


def _by_number(block: Block, named: Mapping[tuple[str, str], list[Subprogram]], blocks: Sequence[Block]) -> _Call:
    """A call by M98 P L."""
    given = {letter: [value for own, value in block.words if own == letter] for letter in "PL"}
    rest = replace(block, words=tuple(word for word in block.words if word != _CALL and word[0] not in "PL"))
    number, times = _whole(given["P"]), _whole(given["L"]) if given["L"] else 1
    if number is None:
        return _Call(rest, wrong="it does not name its subprogram by one number P")
    if times is None:
        return _Call(rest, wrong="it does not say how often by one number L")
    asked = [(str(number), times)]
    if number > 9999 and not given["L"]:
        asked.append((str(number % 10_000), number // 10_000))
    known = [(sub, count) for name, count in asked for sub in named.get(("M98", name), ())]
    if len(known) == 1:
        sub, count = known[0]
        return _Call(rest, sub, count, sub.wrong)
    if known:
        lines = ", ".join(f"line {blocks[sub.first].line}" for sub, _ in known)
        return _Call(rest, wrong=f"it may mean several subprograms ({lines})")
    for name, _ in asked:
        head = next((one for one in blocks if _number(one) == name), None)
        if head is not None:
            return _Call(rest, wrong=f"O{name} in line {head.line} has no M99 at its end")
        outside = re.compile(rf"\s*[O:]0*{name}\s*(\(.*)?", re.IGNORECASE)
        head = next((one for one in blocks if outside.fullmatch(one.text)), None)
        if head is not None:
            return _Call(rest, wrong=f"O{name} in line {head.line} stands outside the program marks %")
    return _Call(rest, wrong=f"there is no O{asked[-1][0]} in this file")


def _by_name(block: Block, named: Mapping[tuple[str, str], list[Subprogram]]) -> _Call:
    """A call by an O-word."""
    name, _, given = _o_word(block) or ("", "", "")
    rest = Block(block.line, block.text, block.number, comments=block.comments)
    known = named.get(("CALL", name), [])
    if given:
        return _Call(rest, wrong="it hands over values")
    if len(known) != 1:
        return _Call(rest, wrong=f"O{name} sub stands {len(known)} times in this file")
    return _Call(rest, known[0], 1, known[0].wrong)


def _whole(values: Sequence[Value]) -> int | None:
    """One whole number that is not negative; None if it is anything else."""
    value = values[0] if len(values) == 1 else None
    return int(value) if isinstance(value, float) and value >= 0 and value == int(value) else None


def _number(block: Block) -> str:
    """The number of the program that a block begins, "" if it begins none."""
    if len(block.words) != 1 or block.words[0][0] != "O" or block.unknown or block.assignments:
        return ""
    value = block.words[0][1]
    return "" if isinstance(value, Formula) else str(int(value))


def _o_word(block: Block) -> tuple[str, str, str] | None:
    """Name, word and what stands behind it, of a block of an O-word subprogram; None if it is no such block."""
    if len(block.unknown) != 1 or len(block.words) > 1 or block.assignments or block.skip:
        return None
    label = ""
    if block.words:
        letter, value = block.words[0]
        if letter != "O" or isinstance(value, Formula):
            return None
        label = str(int(value))
    found = _O_WORD.fullmatch(label + block.unknown[0])
    return None if found is None else (found[1], found[2], found[3])


def _spelled(block: Block) -> str:
    """The words of a call."""
    if _CALL not in block.words:
        return block.text.strip()
    own = [f"{a}{v:g}" if isinstance(v, float) else f"{a}{v.text}" for a, v in block.words if a in "PL"]
    return " ".join(["M98", *own])
