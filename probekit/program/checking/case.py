"""A program that has been run, with all that its checks need to know."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np

from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..deciding.decisions import Entered, Recut, ShiftOffset, UseOffset, linear
from ..deciding.decisions import Step as DecidedStep
from ..deciding.paths import straight
from ..merging.cutting_again import CUT_BEGIN, CUT_END
from ..moves import Move, Touch
from ..reading.modal import name_of
from ..reading.source import Source
from ..reading.steps import MOVES, Step
from ..reading.words import Block, parse

__all__ = [
    "BEGIN",
    "END",
    "ROUNDING",
    "SAFE_STOP",
    "SOMEWHERE",
    "Case",
    "Clear",
    "inserted_parts",
    "is_dry",
    "known_place",
]

_DRY = "PROBEKIT DRY RUN"

#: Comment at which a program ends by itself.
SAFE_STOP = "PROBEKIT SAFE STOP"

#: Comments around what is inserted into a milling program.
BEGIN, END = "PROBEKIT MERGED PART BEGIN", "PROBEKIT MERGED PART END"

#: Programs give their positions rounded [mm].
ROUNDING = 1e-3

#: Where a work offset is taken to lie if nobody tells [mm]: far below the upper end of the machine, no value twice, so
#: that a text which reckons with another one, or with none, comes out elsewhere.
SOMEWHERE = (-431.7, -283.1, -517.9)

Clear = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class Case:
    """A program that has been run, and the limits that it is checked against: those of `probekit.program.check`."""

    blocks: tuple[Block, ...]
    steps: tuple[Step, ...]
    kinematics: Kinematics
    probe: Probe | None
    tool: int | None
    clear: Clear | None
    margin: float
    safe_height: float | None
    turn_height: float | None
    touch_feed: float
    positioning_feed: float
    overtravel: float
    near: float
    known: frozenset[str]
    work_offset: str | None = None
    length: int | None = None
    slots: tuple[int, ...] = ()
    moves: tuple[Move, ...] = ()
    lifts: tuple[str, ...] = ()
    first_feed: float | None = None
    source: Source | None = None
    milling: Source | None = None
    decided: tuple[DecidedStep, ...] = ()
    names: tuple[int, ...] = ()
    spelled: Mapping[str, Sequence[str]] | None = None
    options: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def offset_of(self) -> dict[int, str]:
        """The work offset in which each touch is planned, where the program itself shifts or changes it; else empty."""
        found: dict[int, str] = {}
        now = ""
        for step in straight(self.decided, keep=True) if self.decided else ():
            if isinstance(step, ShiftOffset | Entered):
                now = step.to
            elif isinstance(step, UseOffset):
                now = step.name
            elif isinstance(step, Touch):
                found[step.touch] = now or self.first_offset
        return found if self.copies else {}

    @cached_property
    def copies(self) -> frozenset[str]:
        """Work offsets that the plan lets the program write or expects a person to enter."""
        shifts = (one for one in linear(self.decided) if isinstance(one, ShiftOffset | Entered | Recut))
        return frozenset(one.to for one in shifts)

    @cached_property
    def written(self) -> frozenset[str]:
        """Those of them that the program itself writes."""
        return frozenset(one.to for one in linear(self.decided) if isinstance(one, ShiftOffset | Recut))

    @cached_property
    def first_offset(self) -> str:
        """The work offset that copies are made of; "" if there are none."""
        listed = list(linear(self.decided))
        shifts = [one.by for one in listed if isinstance(one, ShiftOffset | Entered)]
        return next(iter([*shifts, *(one.of for one in listed if isinstance(one, Recut))]), "")

    @cached_property
    def inserted(self) -> tuple[tuple[int, int], ...]:
        """First and last line of each part that is inserted into a milling program."""
        return tuple(inserted_parts(self.blocks))

    def spells(self, kind: str) -> bool:
        """Whether the dialect has lines for a kind of move, as far as that is known."""
        return self.spelled is None or kind in self.spelled

    def inside(self, line: int) -> bool:
        """Whether a line stands in such a part."""
        return any(first <= line <= last for first, last in self.inserted)

    def of_probing(self, line: int) -> bool:
        """Whether a line is the probing's own: in an inserted part, or in a planned program that stands alone."""
        return self.inside(line) if self.inserted else bool(self.moves)

    @cached_property
    def again(self) -> tuple[tuple[int, int], ...]:
        """First and last line of each operation of the milling that is run again."""
        marks = ((block.line, {one.upper() for one in block.comments}) for block in self.blocks)
        told = [(line, CUT_BEGIN in named) for line, named in marks if named & {CUT_BEGIN, CUT_END}]
        return tuple((a, b) for (a, begins), (b, other) in pairwise(told) if begins and not other)

    @cached_property
    def dry(self) -> bool:
        """Whether the text says that it is a dry run."""
        return is_dry(self.blocks)

    @cached_property
    def tools(self) -> frozenset[int]:
        """Numbers of the probes: the one given, else all that are in at a probing move."""
        if self.tool is not None:
            return frozenset([self.tool])
        return frozenset(s.state.tool for s in self.steps if s.kind == "probe" and s.state.tool is not None)

    def lifts_in(self, line: int, *also: str) -> bool:
        """Whether a line lifts to where tools are changed, or does what one of further blocks does.

        Under G91 a height that is stated would be a way, unless the block itself says G91.
        """
        words = {*self.blocks[line - 1].words}
        said = [{word for block in parse(lift) for word in block.words} for lift in (*self.lifts, *also)]
        absolute = self._distances.get(line, "G90") == "G90"
        return any(lift <= words and (absolute or ("G", 91.0) in lift) for lift in said)

    @cached_property
    def _distances(self) -> dict[int, str]:
        """The distance mode in each line that does something."""
        return {step.line: step.state.distance for step in self.steps}

    @cached_property
    def own_words(self) -> frozenset[str]:
        """G and M words that the dialect and the lifts write."""
        own = [*self.lifts, *(line for lines in (self.spelled or {}).values() for line in lines)]
        lines = " ".join(re.sub(r"\(.*?\)", "", line) for line in own)
        found = re.findall(r"(?<![A-Z#{\[])([GM])([0-9]+(?:\.[0-9])?)", lines)
        return frozenset(name_of(letter, float(number)) for letter, number in found)

    def probe_in(self, step: Step) -> bool:
        """Whether a probe is in the spindle."""
        return step.state.tool in self.tools

    @cached_property
    def probing(self) -> tuple[Step, ...]:
        """Steps with a probe in the spindle."""
        return tuple(step for step in self.steps if self.probe_in(step))

    def blocks_with_probe(self) -> Iterator[Block]:
        """Blocks after which a probe is in the spindle, also those that make no step."""
        last = {step.line: step for step in self.steps}  # of each line, the last one
        probe_in = False
        for block in self.blocks:
            if block.line not in last and any(a < block.line < b for a, b in self.again):
                continue  # run again on another way only
            probe_in = self.probe_in(last[block.line]) if block.line in last else probe_in
            if probe_in and block.line <= self.steps[-1].line:
                yield block

    def probe_moves(self, *kinds: str) -> Iterator[Step]:
        """Moves with a probe in the spindle, of some kinds or of any."""
        return (step for step in self.probing if step.kind in (kinds or MOVES))


def is_dry(blocks: Iterable[Block]) -> bool:
    """Whether a program says that it is a dry run.

    Parameters
    ----------
    blocks : iterable of Block
    """
    return any(comment.upper().startswith(_DRY) for block in blocks for comment in block.comments)


def inserted_parts(blocks: Iterable[Block]) -> list[tuple[int, int]]:
    """First and last line of each inserted part, from 1; one that is not closed goes to the end.

    Parameters
    ----------
    blocks : iterable of Block
    """
    parts: list[tuple[int, int]] = []
    start, last = None, 0
    for block in blocks:
        named, last = {comment.upper() for comment in block.comments}, block.line
        if BEGIN in named and start is None:
            start = block.line
        if END in named and start is not None:
            parts.append((start, block.line))
            start = None
    return parts if start is None else [*parts, (start, last)]


def known_place(step: Step) -> bool:
    """Whether the text tells where a move starts and ends."""
    return all(map(math.isfinite, (*step.start, *step.end)))
