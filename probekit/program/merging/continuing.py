"""Whether the milling after an inserted part goes where it went without it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from ..reading.calls import unrolled
from ..reading.interpreter import Interpreter
from ..reading.steps import MOVES, Step
from ..reading.words import Block

__all__ = ["displaced"]

_SAME = 1e-5  # [mm, deg]


def displaced(blocks: Sequence[Block], index: int, alone: Interpreter, merged: Interpreter) -> tuple[Step, str] | None:
    """The first milling move after the place that ends elsewhere than it did, and the axes; None if there is none.

    A rapid that leaves the lifted spindle at its height is not looked at: what counts is where the tool goes down or
    cuts. A block that states only some axes goes, in the others, to where the spindle happens to stand.

    Parameters
    ----------
    blocks : sequence of Block
        The milling program.
    index : int
        Of the first block after the place.
    alone, merged : Interpreter
        Brought to the place without the inserted part, and through it.
    """
    for _, block in unrolled(blocks, index):
        if alone.ended or merged.ended:
            return None
        pairs = zip(_kept(alone, block), _kept(merged, block), strict=False)
        down = any(letter == "Z" for letter, _ in block.words)
        for was, now in pairs:
            to_reference = str(now.detail).startswith(("G28:", "G30:"))  # the same place, from wherever it stands
            if was.kind not in MOVES or to_reference or (_stays(was) and _stays(now)):
                continue
            level = now.start[2] == now.end[2] or (math.isnan(now.end[2]) and not down)
            if now.kind in ("rapid", "index") and level:
                continue
            off = [axis for axis, a, b in zip("XYZ", was.end, now.end, strict=True) if not _same(a, b)]
            off += ["a rotary axis"] if tuple(was.angles_end) != tuple(now.angles_end) else []
            if off:
                return was, ", ".join(off)
        if _alike(alone, merged):
            return None
    return None


def _alike(one: Interpreter, other: Interpreter) -> bool:
    """Whether all that comes goes the same way in both."""
    if one.position != other.position or not all(map(math.isfinite, one.position)) or one.angles != other.angles:
        return False
    same = replace(one.state, said=frozenset()) == replace(other.state, said=frozenset())  # who said it moves nothing
    return same and one.offsets == other.offsets and one.parameters == other.parameters


def _kept(interpreter: Interpreter, block: Block) -> list[Step]:
    """The steps of a block; a tool change and its length leave the spindle where it is, as they do on some machines."""
    before = list(interpreter.position)
    steps = interpreter.block(block)
    if not any(step.kind in MOVES for step in steps):
        pairs = zip(before, interpreter.position, strict=True)
        interpreter.position = [old if math.isnan(new) else new for old, new in pairs]
    return steps


def _stays(step: Step) -> bool:
    """Whether a move leads nowhere."""
    same = all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(step.start, step.end, strict=True))
    return same and step.angles_start == step.angles_end


def _same(one: float, other: float) -> bool:
    return (math.isnan(one) and math.isnan(other)) or abs(one - other) <= _SAME
