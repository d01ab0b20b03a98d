"""Places at which a program may be started again: those of the plan, where the plan has them, and safe to start from.

Common practice of probing in a machining centre, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

from ..moves import DryTouch, Restart, Touch
from ..reading.interpreter import Interpreter
from ..reading.modal import Modal
from ..reading.steps import MOVES, Recorded, Step
from ..reading.words import Block
from .case import Case
from .findings import Finding, NotMade, gathered

__all__ = ["restarts"]

#: What a place to start again must say anew, whatever held before.
_SAID = ("units", "distance", "feed_mode", "plane", "cutter", "path", "offset", "length", "length_offset")

#: A state as unlike as can be to what probing needs.
_STRANGE = Modal(
    motion="G2",
    plane="G19",
    distance="G91",
    feed_mode="G93",
    units="G20",
    cutter="G40",
    length="G43",
    length_offset=9999,
    offset="G59.3",
    path="G64",
)


def restarts(case: Case) -> list[Finding] | NotMade:
    """Places to start again are the planned ones, say modes and offsets anew, and let the probe go up first."""
    if not case.moves:
        return NotMade("the planned moves were not given", "note")
    made = list(_restart_rows(case))
    if not case.spells("restart") or (case.spelled is None and not made):  # the dialect has none
        return []
    wrong = [(case.steps[row].line, what) for row, number in made for what in _unsafe(case, row, number)]
    wrong += _unplanned(case, made)
    wrong += _misnumbered(case, made)
    return gathered(wrong, "stop", "Write the program again, or start it from its beginning only.")


def _unsafe(case: Case, row: int, number: int) -> Iterator[str]:
    """What is wrong with starting at a place."""
    first = next((step for step in case.steps[row:] if step.kind in MOVES), None)
    if first is None:
        return
    from_there = _state_at(case.blocks[case.steps[row].line - 1 : first.line])
    for name in (name for name in _SAID if getattr(from_there, name) != getattr(first.state, name)):
        yield f"place {number} to start again does not say the {name.replace('_', ' ')} anew"
    if not (first.kind == "rapid" and _only_up(case.blocks[first.line - 1])):
        yield f"after place {number} to start again the probe does not go up first"


def _unplanned(case: Case, made: list[tuple[int, int]]) -> Iterator[tuple[int, str]]:
    """Places that are missing, twice, not planned, or that stand or say otherwise than planned."""
    planned = {move.number: (_next_touch(case, at), move.message) for at, move in enumerate(case.moves)
               if isinstance(move, Restart)}  # fmt: skip
    count = Counter(number for _, number in made)
    yield from ((0, f"place {number} to start again is missing") for number in planned if not count[number])
    for row, number in made:
        line = case.steps[row].line
        if number not in planned:
            yield line, f"place {number} to start again is not planned"
            continue
        touch, message = planned[number]
        if count[number] > 1:
            yield line, f"place {number} to start again stands {count[number]} times"
        found = _touch_after(case.steps[row:])
        if found != touch:
            told = "no touch" if found is None else f"touch {found}"
            yield line, f"started again at {number} {told} is the next one, planned is touch {touch}"
        said = str(case.steps[row].detail).split(str(number), 1)[1]
        if re.findall("[0-9]+", said) != re.findall("[0-9]+", message):
            yield line, f"place {number} to start again says {said.strip()!r}, planned is {message!r}"


def _misnumbered(case: Case, made: list[tuple[int, int]]) -> Iterator[tuple[int, str]]:
    """Places whose block a control would not find by its number, or would find elsewhere."""
    lines: dict[int | None, list[int]] = {}
    for block in case.blocks:
        lines.setdefault(block.number, []).append(block.line)
    milling = {block.number for block in case.blocks if case.inserted and not case.inside(block.line)}
    named = any("N{restart}" in line for line in (case.spelled or {}).get("restart", ()))
    named = named and not milling & {number for _, number in made}  # merged, the probing has then no numbers
    for row, number in made:
        line = case.steps[row].line
        block = next((one for one in case.blocks[line:] if one.words), None)
        found = None if block is None else block.number
        if named and found != number:
            told = "has no number" if found is None else f"has the number N{found}"
            yield line, f"the block at which place {number} starts again {told}"
        if found is not None and len(lines[found]) > 1:
            yield (
                line,
                f"N{found} stands in several lines ({', '.join(map(str, lines[found]))}): it may start elsewhere",
            )


def _next_touch(case: Case, at: int) -> int | None:
    """The first touch that is planned after a move."""
    return next((move.touch for move in case.moves[at:] if isinstance(move, Touch | DryTouch)), None)


def _touch_after(steps: Sequence[Step]) -> int | None:
    """The first touch that is recorded in some steps, or stood at by a dry run."""
    for step in steps:
        if step.kind == "record" and isinstance(step.detail, Recorded):
            return step.detail.touch
        words = str(step.detail).upper().split() if step.kind == "message" else []
        if words[:3] == ["PROBEKIT", "DRY", "TOUCH"] and len(words) > 3 and words[3].isdigit():
            return int(words[3])
    return None


def _restart_rows(case: Case) -> Iterator[tuple[int, int]]:
    for row, step in enumerate(case.steps):
        words = str(step.detail).upper().split() if step.kind == "message" else []
        if words[:2] == ["PROBEKIT", "RESTART"] and len(words) > 2 and words[2].isdigit():
            yield row, int(words[2])


def _state_at(blocks: tuple[Block, ...]) -> Modal:
    """What holds after some blocks, started from a state unlike that of the program."""
    control = Interpreter()
    control.state = replace(_STRANGE)
    for block in blocks:
        control.block(block)
    return control.state


def _only_up(block: Block) -> bool:
    return {letter for letter, _ in block.words if letter in "XYZABC"} == {"Z"}
