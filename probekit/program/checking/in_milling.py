"""A program that decides within a milling program: what the milling may not touch, and where it counts from.

Common practice of probing in a machining centre, no source.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

import numpy as np

from ..merging.refusals import read_before_set
from ..reading.interpreter import Interpreter
from ..reading.steps import MOVES, Step
from ..reading.words import Block
from .case import BEGIN, Case
from .findings import Finding, NotMade, gathered

__all__ = ["copies_in_milling", "course", "reckoned_alone"]

_ORIGIN = re.compile(r"G\s*10(?![0-9])|#\s*5[23][0-9]{2}\s*=")  # however it is spelled

_TURN = 1e-6  # of a table, as a change of a unit vector


def course(case: Case) -> tuple[list[Block], Callable[[Block, Interpreter], None]]:
    """Blocks to run for what a program decides, and what is to be told of each before it is run.

    Where the milling program is given, every line of it is compared with its own by another check, and it moves none of
    the values that are decided with (`copies_in_milling`, `reckoned_alone`). The inserted parts then follow one
    another, each from the state in which the milling leaves the control.
    """
    blocks = [block for block in case.blocks if not (case.options.get("block_delete") and block.skip)]
    if not case.inserted or case.milling is None:
        return blocks, lambda _block, _control: None
    end = next((step.line for step in reversed(case.steps) if step.kind == "end"), 0)
    found = {step.line: step for step in case.steps if step.kind == "message" and str(step.detail).upper() == BEGIN}

    def before(block: Block, control: Interpreter) -> None:
        step = found.get(block.line)
        if step is not None:
            control.state = step.state
            control.position, control.angles = list(step.end), list(step.angles_end)

    return [block for block in blocks if case.inside(block.line) or block.line == end], before


def copies_in_milling(case: Case) -> list[Finding] | NotMade:
    """Milling moves in a shifted copy only after it is written, for the angles it holds for, and leaves it as it is."""
    if not case.copies or not case.inserted or case.dry:
        return []
    written: dict[str, Step] = {}
    wrong: list[tuple[int, str]] = []
    cut: list[tuple[int, str]] = []
    for step in case.steps:
        name = _written_by(step)
        if name and case.inside(step.line):
            written |= {name: step} if name in case.copies else {}
        elif name in case.copies or (name == case.first_offset and written):
            wrong.append((step.line, f"the milling writes {name}, which the program shifts or copies"))
        if step.kind == "unknown" and not case.inside(step.line) and _ORIGIN.search(step.text.upper()):
            wrong.append((step.line, f"the milling may write an origin: {step.text.strip()}"))
        if step.kind not in MOVES or case.inside(step.line) or case.probe_in(step):
            continue
        offset = step.state.offset
        if written:
            cut.append((step.line, offset))
        if offset not in case.copies:
            continue
        if offset not in written:
            wrong.append((step.line, f"the milling moves in {offset} before the program has written it"))
        elif not _same_turn(case, step, written[offset]):
            wrong.append((step.line, f"the milling moves in {offset}, which was written for other angles of the table"))
    todo = "It would cut where an earlier part lay: probe before it, or leave the copy to the program alone."
    return gathered(wrong, "stop", todo) + _beside(case, cut)


def reckoned_alone(case: Case) -> list[Finding] | NotMade:
    """Milling and probing use no parameter of one another."""
    if not case.inserted or case.dry:
        return []
    wrong = list(_read_later(case))
    if not case.decided:
        return gathered(
            wrong, "stop", "Let the milling use other parameters: it would move by what the probe measured."
        )
    ranges = [pair for pair in (case.names, case.slots) if pair]
    for block in case.blocks:
        if case.inside(block.line):
            continue
        for place, _ in block.assignments:
            known = isinstance(place, float)
            if not known or any(first <= place <= last for first, last in ranges):
                told = f"#{place:g}" if known else "a parameter whose number it reckons"
                wrong.append((block.line, f"the milling sets {told}, which the probing may keep a value in"))
    todo = "Let it use other parameters, or give the dialect others: [reckoning] names, slots."
    return gathered(wrong, "stop", todo)


def _read_later(case: Case) -> Iterator[tuple[int, str]]:
    """Milling that reads what an inserted part has set."""
    for first, last in case.inserted:
        own = [block for block in case.blocks if first <= block.line <= last]
        numbers = {place for block in own for place, _ in block.assignments if isinstance(place, float)}
        rest = [block for block in case.blocks if block.line > last and not case.inside(block.line)]
        found = read_before_set(rest, numbers)
        if found is not None:
            yield found[0].line, f"the milling reads #{found[1]:g}, which the probing sets"


def _beside(case: Case, cut: list[tuple[int, str]]) -> list[Finding]:
    """What to look at where milling after the shift does not count from the copy."""
    aside = [line for line, offset in cut if offset not in case.copies]
    if not aside:
        return []
    copies = " or ".join(sorted(case.copies))
    some = "" if len(aside) == len(cut) else "partly "
    what = f"after the shift the milling runs {some}in another work offset than {copies}, where the part was set up"
    todo = f"If it is to cut where the part lies, program it in {copies}."
    return [Finding(aside[0], "look", what, todo)]


def _written_by(step: Step) -> str:
    """The work offset whose values a step writes, "" if it writes none."""
    told = str(step.detail) if step.kind == "message" else ""
    return told.rsplit(" ", 1)[-1] if told.startswith("G10") else ""


def _same_turn(case: Case, one: Step, other: Step) -> bool:
    """Whether the tables turn the part alike, before and after a move as where the copy was written."""
    turns = [case.kinematics.part_motion(angles)[:3, :3] for angles in (one.angles_start, one.angles_end)]
    wanted = case.kinematics.part_motion(other.angles_end)[:3, :3]
    return all(bool(np.allclose(turn, wanted, atol=_TURN)) for turn in turns)
