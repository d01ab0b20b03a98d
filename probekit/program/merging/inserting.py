"""One part of the probing at one place of the milling program: its lines, and those that give back what held."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from ...errors import InputError
from ..deciding.decisions import Recut
from ..reading.calls import unrolled
from ..reading.expressions import Formula
from ..reading.flow import executed, flow_of, leads_on, within
from ..reading.interpreter import NO_SUCH_AXIS, Interpreter
from ..reading.modal import OFFSETS, group_of, name_of
from ..reading.source import Source
from ..reading.steps import Step
from ..reading.words import Block, parse
from ..writing.lifting import lift_lines
from ..writing.write import RECUT
from .anchors import Walked, find_place, in_order, walk
from .continuing import displaced
from .cutting_again import CUT_BEGIN, CUT_END, again_lines, operation_of, otherwise_cut
from .handback import Need, differing, hand_back, needs
from .refusals import (
    in_machine_coordinates,
    refuse_clamped,
    refuse_jumps,
    refuse_labels,
    refuse_low_lift,
    refuse_modes,
    refuse_read,
)

__all__ = ["Inserted", "Onto", "inserted"]

_NO_SPEED = "S0 (no speed is set while the probe is in)"
_BEGIN, _END = "(PROBEKIT MERGED PART BEGIN)", "(PROBEKIT MERGED PART END)"


@dataclass(frozen=True)
class Onto:
    """A milling program that takes probing, what each of its blocks does, and what is stated of its control.

    The attributes are those of `probekit.program.merge`; `fresh` makes an interpreter, `letters` are those of the
    rotary axes.
    """

    source: Source
    blocks: Sequence[Block]
    walked: Sequence[Walked]
    fresh: Callable[[], Interpreter]
    letters: Sequence[str]
    lift: str
    clearance: float | None
    known: frozenset[str]
    flow: bool
    copies: frozenset[str]


@dataclass(frozen=True)
class Inserted:
    """Lines that go before the line of this index (from 0); `words` say why there, `notes` what to look at."""

    index: int
    lines: tuple[str, ...]
    words: str
    notes: tuple[str, ...]


def inserted(
    onto: Onto, probing: Sequence[Block], after: str | int, occurrence: int | None, again: Sequence[Recut] = ()
) -> Inserted:
    """The lines of one part of the probing, with what comes before and after them.

    Parameters
    ----------
    onto : Onto
    probing : sequence of Block
    after, occurrence
        As for `probekit.program.merge`.
    again : sequence of Recut
        What is run again within it, in its order.

    Raises
    ------
    InputError
        As `probekit.program.merge`.
    """
    blocks, walked, fresh = onto.blocks, onto.walked, onto.fresh
    place = find_place(walked, after, occurrence)
    index, file = place.index, onto.source.name or None
    refuse_modes([*in_order(walked[:index])], onto.known, file)
    ended = next((at for at, one in enumerate(walked) if one.does("end")), len(walked))
    refuse_jumps(blocks, index, ended, file)
    refuse_labels(blocks, probing, file)
    _same_without_skipped(blocks, index, fresh)
    before = walked[index - 1] if index else walk(fresh(), [Block(1, "")])[0]
    need = needs(walked, index, onto.clearance)

    body, notes = _body(probing, blocks)
    refuse_low_lift(before, onto.lift, file)
    up = lift_lines(onto.lift, "G21 G90")
    head = [_BEGIN, *_quiet(*_freed(before), "G40", "G80", *up, "G17 G94"), *body]
    head += _quiet("G80", *up)
    if again:
        head, more = _with_operations(onto, head, before, index, again)
        notes += more
    through = _through(_standing(before, fresh(), onto.copies), parse("\n".join(head)), onto.flow)
    _refuse_unknown_axes(through)
    refuse_clamped([*in_order(walked[:index])], through, file)
    refuse_read([one.block for one in in_order(walked[index:])], probing, file)

    def whole(need: Need) -> list[str]:
        return [*head, *hand_back(before, through[-1], need, onto.lift, onto.letters), _END]

    need = _followed(onto, before, index, need, whole)
    lines, wrong = whole(need), ()
    for held in (True, False) if again else (None,):  # with what is run again, and without it
        control = _standing(before, fresh(), onto.copies)
        _through(control, parse("\n".join(lines)), onto.flow, held)
        wrong = wrong or differing(before, need, control, onto.copies)
    if wrong:
        raise InputError(
            "after the probing the state of the control would not be restored",
            line=before.block.line,
            found=", ".join(wrong),
            todo="Choose another place, or check what the probing changes.",
        )
    notes += [*_remarks(walked[:index], through, need, onto.known, onto.lift), *_shared_parameters(blocks, probing)]
    return Inserted(index, tuple(lines), place.words, tuple(notes))


def _quiet(*further: str) -> list[str]:
    """Spindle and coolant off, no speed, and further blocks."""
    return ["M5", "M9", _NO_SPEED, *further]


def _freed(before: Walked) -> list[str]:
    """A block that lets the overrides work, where they do not."""
    return [] if before.state.overrides else ["M48 (the overrides work while the probe is in)"]


def _with_operations(
    onto: Onto, head: Sequence[str], before: Walked, index: int, again: Sequence[Recut]
) -> tuple[list[str], list[str]]:
    """The lines of a part with those of what is run again in it, and what to look at."""
    file = onto.source.name or None
    spans = [operation_of(onto.walked, one, index, onto.known, file) for one in again]
    run = _through(_standing(before, onto.fresh(), onto.copies), parse("\n".join(head)), onto.flow, False)
    places = [walked for walked in run if walked.block.text.strip() == RECUT]
    if len(places) != len(again):
        raise InputError("not every operation is cut again on a way through the probing", found=len(places))
    probes = {walked.state.tool for walked in run if walked.does("probe")}
    found, notes, given = list[str](), list[str](), iter(zip(again, spans, places, strict=True))
    for line in head:
        if line.strip() != RECUT:
            found.append(line)
            continue
        one, span, at = next(given)
        if onto.walked[span[1] - 1].state.tool in probes:
            raise InputError("the operation to be cut again has the tool of the probe", found=one.operation)
        own, more = again_lines(onto.walked, one, span, at, onto.lift, onto.clearance, file)
        up = lift_lines(onto.lift, "G21 G90")
        freed = _freed(onto.walked[span[1] - 1])
        found += [*_quiet("G80", *up), *own, *_quiet(*freed, "G40", "G80", *up, "G17 G94")]
        notes += more
    through = _through(_standing(before, onto.fresh(), onto.copies), parse("\n".join(found)), onto.flow, False)
    named = {"(" + CUT_BEGIN + ")": True, "(" + CUT_END + ")": False}
    inside, number, steps = False, 0, list[Step]()
    for walked in through:
        inside = named.get(walked.block.text, inside)
        steps += walked.steps if inside else ()
        if walked.block.text != f"({CUT_END})":
            continue
        first, last = spans[number]
        wrong = otherwise_cut(onto.walked[first:last], steps, again[number].to)
        if wrong:
            raise InputError(
                f"the operation '{again[number].operation}' would not go where it went",
                file=file,
                line=onto.walked[first].block.line,
                found=wrong,
                todo="State at its head what it relies on, or leave recut out. No program was written.",
            )
        number, steps = number + 1, []
    return found, notes


def _through(control: Interpreter, blocks: Sequence[Block], flow: bool, held: bool | None = None) -> list[Walked]:
    """Run inserted blocks on a way that leads through them, and keep what held after each."""
    walked = []
    for block, steps in executed(blocks, control, flow=flow, choose=leads_on(blocks, held) if flow else None):
        state, position, angles = control.state, tuple(control.position), tuple(control.angles)
        walked.append(Walked(block, tuple(steps), state, position, angles))
    return walked


def _followed(onto: Onto, before: Walked, index: int, need: Need, whole: Callable[[Need], list[str]]) -> Need:
    """What the milling after the place needs so that it goes where it went; refused if nothing helps."""

    def off(need: Need) -> tuple[Step, str] | None:
        merged, alone = (_standing(before, onto.fresh(), onto.copies) for _ in range(2))
        _through(merged, parse("\n".join(whole(need))), onto.flow)
        alone.parameters = dict(merged.parameters)  # those that both use are told in the notes
        alone.offsets |= {name: list(merged.offsets[name]) for name in onto.copies if name in merged.offsets}
        return displaced(onto.blocks, index, alone, merged)

    found = off(need)
    if found and not need.tool:
        need = replace(need, across=True)
        found = off(need)
    if found:
        raise InputError(
            "after the probing the milling would go elsewhere: the block moves from where the tool before it stood",
            line=found[0].line,
            found=f"{found[0].text.strip()}, other in {found[1]}",
            expected="X, Y and Z stated in G90 before the tool goes down again",
            todo="State them in the milling program, or choose another place.",
        )
    return need


def _refuse_unknown_axes(through: Sequence[Walked]) -> None:
    for step in (step for one in through for step in one.steps):
        if step.kind == "unknown" and NO_SUCH_AXIS in str(step.detail):
            raise InputError(
                "the probing turns a rotary axis that the kinematics does not have, so it could not be turned back",
                found=step.text,
                todo="Give the kinematics of the machine.",
            )


def _standing(before: Walked, interpreter: Interpreter, copies: Collection[str]) -> Interpreter:
    """A fresh interpreter brought into the state after a block; where offsets are copied, each has values."""
    if copies:
        interpreter.know({name: (0.0, 0.0, 0.0) for name in OFFSETS})
    interpreter.state = before.state
    interpreter.angles, interpreter.position = list(before.angles), list(before.position)
    return interpreter


def _same_without_skipped(blocks: Sequence[Block], index: int, fresh: Callable[[], Interpreter]) -> None:
    """Refuse if what holds at the place depends on the block delete switch."""
    if not any(block.skip for block in blocks):
        return
    ends = []
    for kept in (blocks, [Block(block.line, "") if block.skip else block for block in blocks]):
        interpreter = fresh()
        for at, block in unrolled(kept):
            if at >= index or interpreter.ended:
                break
            interpreter.block(block)
        ends.append((interpreter.state, interpreter.angles, [f"{value:.6f}" for value in interpreter.position]))
    if ends[0] != ends[1]:
        raise InputError(
            "the state of the control at that place depends on the block delete switch",
            line=blocks[index - 1].line if index else 1,
            todo="Choose another place, or take the lines that start with / out of the milling program.",
        )


def _body(probing: Sequence[Block], milling: Sequence[Block]) -> tuple[list[str], list[str]]:
    """Lines of the probing without what only a whole program needs; block numbers that would collide are taken out."""
    kept = []
    inside = within(probing)  # a branch may end the program
    for block in probing:
        plain = {name_of(letter, value) for letter, value in block.words if isinstance(value, float)}
        ends = bool(plain & {"M2", "M30"}) and block.line not in inside
        number = [w[0] for w in block.words] == ["O"] and not block.unknown
        whole = block.mark or (ends and plain <= {"M2", "M30"}) or number
        if ends and not whole:
            raise InputError(
                "the probing ends in a block that also does something else",
                line=block.line,
                found=block.text,
                expected="M2 or M30 alone in its block",
            )
        if whole:
            kept += [Block(block.line, f"({comment})") for comment in block.comments]
        elif block.text.strip():
            kept.append(block)
    if not any(block.words for block in kept):
        raise InputError("the probing does nothing", expected="the text that program.write gives")
    taken = {block.number: block.line for block in milling if block.number is not None}
    clash = [block for block in kept if block.number in taken]
    if not clash:
        return [block.text.strip() for block in kept], []
    jumps = [block for block in kept if block.unknown and flow_of(block) is None]
    if jumps:
        raise InputError(
            f"block number N{clash[0].number} of the probing also stands in line {taken[clash[0].number]} of the "
            "milling program, and the probing contains words that may jump to a block number",
            line=jumps[0].line,
            found=jumps[0].text,
            todo="Let the dialect number its blocks where the milling program does not.",
        )
    return [_unnumbered(block) for block in kept], [
        "The block numbers of the probing were omitted: some also occur in the milling program."
    ]


def _unnumbered(block: Block) -> str:
    return (
        re.sub(r"^(/?)\s*[Nn][\s0-9]+", r"\1", block.text.strip()) if block.number is not None else block.text.strip()
    )


def _shared_parameters(milling: Sequence[Block], probing: Sequence[Block]) -> list[str]:
    set_here = {place for block in probing for place, _ in block.assignments}
    values = [value for block in milling for pair in (*block.words, *block.assignments) for value in pair]
    read = {number for v in values if isinstance(v, Formula) for number in v.reads}
    read |= {place for block in milling for place, _ in block.assignments}
    both = sorted(place for place in set_here & read if isinstance(place, float))
    listed = ", ".join(f"#{place:g}" for place in both)
    return [f"The probing sets parameters that the milling program uses: {listed}."] if both else []


def _remarks(
    before: Sequence[Walked], through: Sequence[Walked], need: Need, known: frozenset[str], lift: str
) -> list[str]:
    notes = list(need.notes)
    last = before[-1].state if before else Interpreter().state
    unsaid = [group for group in ("units", "distance", "plane", "feed_mode", "offset") if group not in last.said]
    if unsaid:
        words = ", ".join(f"{group.replace('_', ' ')} ({getattr(last, group)} is taken)" for group in unsaid)
        notes.append(f"The milling program has not yet set: {words}. Check what your control assumes at switch-on.")
    if "path" not in last.said and through and "path" in through[-1].state.said:
        notes.append(
            f"The milling program names no path mode, and the probing needs {through[-1].state.path}, which stays in "
            "force after it: state in the milling program the mode that it is to run in (G61 or G64)."
        )
    home = [
        (step.line, str(step.detail)) for one in before for step in one.steps if "taken to stay" in str(step.detail)
    ]
    if home and (need.tool or need.across):
        notes.append(
            f"Line {home[-1][0]}, {home[-1][1]}: so most controls have it; by NISTIR 6556 all axes go. The milling "
            "gets them back where the text had them."
        )
    for where, run in (("milling program before that place", before), ("probing", through)):
        unknown = [(step.line, step.detail) for one in run for step in one.steps if step.kind == "unknown"]
        unknown = [(line, what) for line, what in unknown if what not in known]
        if unknown:
            listed = "; ".join(f"{what}" if run is through else f"line {line}: {what}" for line, what in unknown[:8])
            more = f" and {len(unknown) - 8} more" if len(unknown) > 8 else ""
            notes.append(
                f"Not understood in the {where}, so the state restored after the probing may be wrong: {listed}{more}."
            )
    if not any(group_of(name_of(*word)) == "offset" for one in through for word in one.block.words if word[0] == "G"):
        notes.append(f"The probing states no work offset: it runs in {last.offset}, as the milling before it.")
    used = {step.state.offset for one in through for step in one.steps if step.kind == "probe"}
    if used - {last.offset}:
        listed = ", ".join(sorted(used))
        notes.append(
            f"The probing runs in {listed}, the milling before it in {last.offset}: decide in which of them a "
            "set-up correction is to be entered."
        )
        if not in_machine_coordinates(lift):
            notes.append(f"The first lift, {lift}, counts from {last.offset}: check that it is high enough there.")
    return notes
