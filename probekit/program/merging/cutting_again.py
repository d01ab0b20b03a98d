"""An operation of the milling program run again within the probing: its lines, what they need, and what forbids it.

The lines are copied as they stand, but for block numbers and for the word of the work offset: they count from a copy of
it that the program has lowered. Whether that goes where the operation went is not taken from the text but run.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

from ...errors import InputError
from ..deciding.decisions import Recut
from ..reading.expressions import Formula
from ..reading.modal import Modal, name_of
from ..reading.steps import MOVES, Step
from ..reading.words import Block
from .anchors import Walked, find_operation
from .handback import Need, hand_back, lifted, needs
from .refusals import in_machine_coordinates, refuse_low_lift

__all__ = ["CUT_BEGIN", "CUT_END", "again_lines", "operation_of", "otherwise_cut"]

#: Comments around an operation that is run again.
CUT_BEGIN, CUT_END = "PROBEKIT CUT AGAIN BEGIN", "PROBEKIT CUT AGAIN END"

_ORIGINS = frozenset({"G10", "G52", "G92", "G92.1", "G92.2", "G92.3"})
_AT_FEED = ("feed", "arc")
_STATE = (
    *("motion", "plane", "distance", "feed_mode", "units", "cutter", "length", "length_offset", "retract"),
    *("path", "path_p", "path_q", "tool", "spindle", "speed", "mist", "flood", "overrides"),
)
_SAME = 1e-5  # [mm], and of other numbers


def operation_of(
    walked: Sequence[Walked], again: Recut, place: int, known: Collection[str], file: str | None
) -> tuple[int, int]:
    """First line of an operation, and the first one after it; refused if it cannot be run again.

    Parameters
    ----------
    walked : sequence of Walked
        The milling program.
    again : Recut
    place : int
        Index of the line before which the probing stands.
    known : collection of str
        Words that are stated to be harmless.
    file : str, optional

    Raises
    ------
    InputError
    """
    start, stop = find_operation(walked, again.operation, again.occurrence)
    own = walked[start:stop]
    if stop > place:
        raise _refused("the operation to be cut again does not end before the probing", own[-1], file)
    for one, what in _forbidden(own, again, known):
        raise _refused(f"the operation '{again.operation}' cannot be cut again: {what}", one, file)
    state = own[-1].state
    if state.cutter != "G40":
        raise _refused(f"cutter compensation ({state.cutter}) is on where the operation ends", own[-1], file)
    if state.tool is None:
        raise _refused("the operation to be cut again has no tool: no T and M6 stand before it", own[0], file)
    return start, stop


def _forbidden(own: Sequence[Walked], again: Recut, known: Collection[str]) -> Iterator[tuple[Walked, str]]:
    """What of an operation is not understood well enough to be run elsewhere than it stood."""
    moved = False
    for one in own:
        block = one.block
        words = {name_of(*word) for word in block.words if isinstance(word[1], float)}
        strange = one.state.strange(known)
        if block.skip:
            yield one, "a line that the block delete switch leaves out"
        if any(comment.upper().startswith("PROBEKIT") for comment in block.comments):
            yield one, "there is probing in it"
        if block.assignments or any(isinstance(v, Formula) for pair in block.words for v in pair):
            yield one, "it works with parameters"
        if one.called:
            yield one, "it calls a subprogram, whose lines stand elsewhere"
        if strange:
            yield one, f"{strange[0]} is in force"
        if words & _ORIGINS:
            yield one, "it moves an origin"
        for step in one.steps:
            if step.kind == "unknown" and step.detail not in known:
                yield one, f"not understood: {step.detail}"
            if step.kind in ("probe", "record"):
                yield one, "it probes"
            if step.kind == "tool" and moved:
                yield one, "it changes the tool after it has moved"
            if step.kind not in MOVES:
                continue
            moved = True
            if step.state.offset != again.of:
                yield one, f"it moves in {step.state.offset}, and what is left is counted from {again.of}"
            if "G53" in words and step.kind != "rapid":
                yield one, "it cuts in machine coordinates, which no offset lowers"
            if step.kind in _AT_FEED and not all(map(math.isfinite, (*step.start, *step.end))):
                yield one, "its text does not say from where to where it cuts"


def again_lines(
    walked: Sequence[Walked],
    again: Recut,
    span: tuple[int, int],
    before: Walked,
    lift: str,
    clearance: float | None,
    file: str | None,
) -> tuple[list[str], list[str]]:
    """The lines that run an operation again, and what to look at; they begin with the probe in, lifted.

    Many parameters: what holds at both of its ends.

    Parameters
    ----------
    walked : sequence of Walked
    again : Recut
    span : (2,) int
        Of `operation_of`.
    before : Walked
        The last block of the probing before it.
    lift, clearance
        As for `probekit.program.merge`.
    file : str, optional

    Raises
    ------
    InputError
        If the operation does not begin and end lifted, or relies on what cannot be given to it.
    """
    start, stop = span
    own = walked[start:stop]
    stands = walked[start - 1] if start else Walked(Block(1, ""), (), Modal(), (math.nan,) * 3, ())
    need = needs(walked[:stop], start, clearance)
    notes = [f"Cut again, at its end: {note}" for note in lifted(walked[:stop], clearance, False)]
    refuse_low_lift(own[-1], lift, file)
    if need.tool and stands.state.length == "G49" and not in_machine_coordinates(lift):
        told = "no length offset is in force where it begins: the tool would be lifted without its length"
        raise _refused(told, own[0], file)
    lowered = replace(stands, state=replace(stands.state, offset=again.to))
    lines = [
        f"({CUT_BEGIN})",
        *hand_back(lowered, before, Need(need.tool, need.motion, across=not need.tool), lift, ()),
        *(_copied(one.block, again) for one in own if one.block.text.strip()),
        f"({CUT_END})",
    ]
    first, last, tool = own[0].block.line, own[-1].block.line, own[-1].state.tool
    notes.append(
        f"Lines {first} to {last} of the milling program, tool T{tool}, are what is cut again: check that this is the "
        "whole operation."
    )
    rest = walked[stop:]
    if rest and rest[0].only_comment and rest[0].block.comments and _same_tool(rest):
        notes.append(
            f"The milling goes on with the same tool after it, under another comment, line {rest[0].block.line}: "
            f"({rest[0].block.comments[0]}). That is not cut again; the whole "
            f"work of the tool is named by the tool: T{tool}."
        )
    return lines, notes


def _same_tool(rest: Sequence[Walked]) -> bool:
    """Whether the milling moves before it changes the tool."""
    first = next((one for one in rest if one.moves or one.does("tool") or one.does("end")), None)
    return first is not None and first.moves and not first.does("tool")


def _copied(block: Block, again: Recut) -> str:
    """A line without its block number, and with the word of the copy in place of that of its work offset."""
    digits = r"\s*".join(re.escape(c) for c in again.of[1:])
    whole = r"(?:\s*\.0*)?" if "." not in again.of else ""
    pattern = rf"(\([^)]*\)|;.*)|(?<![A-Za-z])[Gg]\s*0*\s*{digits}{whole}(?!\s*[0-9.])"
    text = re.sub(pattern, lambda found: found[1] or again.to, block.text.strip())
    return re.sub(r"^[Nn][\s0-9]+", "", text) if block.number is not None else text


def otherwise_cut(original: Sequence[Walked], steps: Sequence[Step], to: str) -> str:
    """In what an operation that is run again differs from itself, in words; "" if in nothing but its work offset.

    Parameters
    ----------
    original : sequence of Walked
        The operation in the milling program.
    steps : sequence of Step
        All steps between the comments around it.
    to : str
        The lowered copy that it must count from.
    """
    wanted = [step for one in original for step in one.steps if step.kind in MOVES]
    made = [step for step in steps if step.kind in MOVES]
    if len(made) < len(wanted):
        return f"it makes {len(made)} moves, not {len(wanted)}"
    strange = next((step for step in steps if step.kind in ("unknown", "probe", "record", "end")), None)
    if strange is not None:
        return f"{strange.text.strip()}: {strange.detail or strange.kind}"
    for step in made[: len(made) - len(wanted)]:
        level = step.start[2] == step.end[2] or math.isnan(step.start[2]) or step.end[2] > step.start[2]
        begins = wanted[0].start[2] if math.isfinite(wanted[0].start[2]) else math.inf
        if step.kind != "rapid" or not (level or step.end[2] >= begins - _SAME):
            return f"{step.text.strip()}: a move before it begins"
    for old, new in zip(wanted, made[len(made) - len(wanted) :], strict=True):
        told = f"{new.text.strip()}, of line {old.line} of the milling program"
        if new.state.offset != to:
            return f"{told}: it counts from {new.state.offset}, not from {to}"
        if new.kind != old.kind or not _same(old.feed, new.feed) or not _ends_alike(old, new):
            return f"{told}: it goes another way"
        for name in _STATE:
            if not _same(getattr(old.state, name), getattr(new.state, name)):
                return f"{told}: {name.replace('_', ' ')} is {getattr(new.state, name)}, not {getattr(old.state, name)}"
    return ""


def _ends_alike(old: Step, new: Step) -> bool:
    """Whether a move begins and ends where it did, as far as the text told that."""
    pairs = [*zip(old.start, new.start, strict=True), *zip(old.end, new.end, strict=True)]
    return old.angles_end == new.angles_end and all(math.isnan(a) or _same(a, b) for a, b in pairs)


def _same(old: object, new: object) -> bool:
    if isinstance(old, float) and isinstance(new, float):
        return math.isclose(old, new, rel_tol=_SAME, abs_tol=_SAME)
    return old == new


def _refused(what: str, one: Walked, file: str | None) -> InputError:
    return InputError(
        what,
        file=file,
        line=one.block.line,
        column="recut.operation",
        found=one.block.text.strip(),
        todo="Name another operation, change it in the milling program, or leave recut out. No program was written.",
    )
