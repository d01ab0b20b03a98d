"""One program: probing put into a milling program, which gets back what it relies on.

Nothing of the milling text is changed. What is set back, and in which order, is our own choice: the spindle and the
coolant start only when the milling tool is back in the spindle and lifted.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path

from ...errors import InputError
from ...files import store
from ...plan.kinematics import Kinematics
from ...show import shown
from ..reading.expressions import Formula
from ..reading.interpreter import NO_SUCH_AXIS, Interpreter
from ..reading.modal import group_of, name_of
from ..reading.source import Source, load
from ..reading.steps import Step
from ..reading.words import Block, parse
from .anchors import Walked, find_place, walk
from .continuing import displaced
from .difference import Difference, difference
from .handback import Need, differing, hand_back, needs
from .refusals import in_machine_coordinates, refuse_jumps, refuse_low_lift, refuse_modes

__all__ = ["Merged", "merge"]

LIFT = "G0 G53 Z0"

_NO_SPEED = "S0 (no speed is set while the probe is in)"
_BEGIN, _END = "(PROBEKIT MERGED PART BEGIN)", "(PROBEKIT MERGED PART END)"


@shown
@dataclass(frozen=True)
class Merged:
    """A milling program with probing in it.

    Attributes
    ----------
    text : str
    milling : Source
        The milling program as it was, and how it was stored.
    first, last : int
        First and last inserted line of `text`, from 1.
    place : str
        Where that is, in words.
    notes : tuple of str
        What a person should look at.
    """

    text: str
    milling: Source
    first: int
    last: int
    place: str
    notes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Where the probing stands, and that nothing else is changed."""
        return f"The probing stands {self.place}, in lines {self.first} to {self.last}. {self.difference.sentence}"

    @property
    def data(self) -> bytes:
        """The program as bytes, in the encoding of the milling program."""
        return self.milling.encode(self.text)

    def write(self, to: str | Path) -> Path:
        """Store the program in the encoding of the milling program.

        Parameters
        ----------
        to : str or Path

        Raises
        ------
        InputError
            If the file cannot be written.
        """
        store(to, self.data)
        return Path(to)

    def _repr_html_(self) -> str:
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        where = f"The probing stands {escape(self.place)}, in lines {self.first} to {self.last}."
        return f"<p>{where}</p><ul>{notes}</ul>{self.difference._repr_html_()}"

    @property
    def difference(self) -> Difference:
        """What stands in the merged program and not in the milling program, line by line."""
        return difference(self.milling, self.text)


def merge(
    milling: str | bytes | Path | Source,
    probing: str | bytes | Path | Source,
    *,
    after: str | int,
    occurrence: int | None = None,
    kinematics: Kinematics | None = None,
    lift: str = LIFT,
    clearance: float | None = None,
    aliases: Mapping[str, str] | None = None,
    known: Iterable[str] = (),
) -> Merged:
    r"""Put probing into a milling program.

    Many parameters: a place in a program needs its mark, its occurrence, the retract and the clearance there, and the
    words that the dialect adds.

    Parameters
    ----------
    milling : str, bytes, Path or Source
        The milling program; a str is the text itself. Bytes and files keep their encoding.
    probing : str, bytes, Path or Source
        The probing, as `write` gives it. Its program marks, program number and program end are left out.
    after : str or int
        A block number (``120`` or ``"N120"``): directly after it. A tool (``"T4"``): after all its work, before the
        next tool change. ``"end"``: before the program end. Any other text is looked for in the comments: after the
        operation that such a comment heads, that is before the next line with only a comment, the next tool change or
        the program end. ``"(T4)"`` in brackets is a comment.
    occurrence : int, optional
        Which one, from 1, where there are several.
    kinematics : Kinematics, optional
        Rotary axes of the machine; needed if the program turns them.
    lift : str
        Block [mm] that brings the spindle to where tools may be changed and rotary axes may turn. The usual value goes
        to Z0 of the machine, the upper end of most machines (common practice, no source): look it up for yours.
    clearance : float, optional
        Height [mm, program coordinates] from which the milling tool counts as lifted out of the work. If not given it
        does where its last move along Z was a rapid upwards, or its height is not known from the text.
    aliases : mapping of str to str, optional
        Words of this control that mean a word of RS274/NGC: ``{"G901": "G38.2"}``. They are a statement of yours.
    known : iterable of str
        Words that are not understood here and change nothing for the probing: ("M88",). They are a statement of yours.

    Returns
    -------
    Merged

    Raises
    ------
    InputError
        If the place is missing or ambiguous; the milling tool would have to go back to where this cannot be done
        safely (cutter compensation on, a canned cycle or an arc continued by the next block, not lifted, no tool
        called before); the lift would count without the length of the tool (G49 in force); a shift, rotation, scaling
        or word that is not understood is in force there; flow control stands before it, or a jump anywhere; the state
        there depends on the block delete switch; or the probing cannot be understood enough.

    Examples
    --------
    >>> milling = "G21 G90\n(FINISH)\nT1 M6\nG43 H1\nS9000 M3\nG0 X0 Y0 Z50\nG1 Z-1 F300\nG0 Z50\nM5\nM30\n"
    >>> merged = merge(milling, "(PROBEKIT BEGIN)\nT9 M6\nG43 H9\nG0 Z60\n(PROBEKIT END)\n", after="FINISH")
    >>> merged.difference.unchanged, merged.place
    (True, "after the operation 'FINISH'")
    """

    def fresh() -> Interpreter:
        return Interpreter(kinematics=kinematics, aliases=aliases)

    source = load(milling)
    blocks = parse(source)
    if len(parse(lift)) != 1 or any(step.kind != "rapid" for step in walk(Interpreter(), parse(lift))[0].steps):
        raise InputError("the lift is not one block of rapid moves", column="lift", found=lift, expected=LIFT)
    walked = walk(fresh(), blocks)
    place = find_place(walked, after, occurrence)
    index, file, known = place.index, source.name or None, frozenset(known)
    refuse_modes(walked[:index], known, file)
    ended = next((at for at, one in enumerate(walked) if one.does("end")), len(walked))
    refuse_jumps(blocks, index, ended, file)
    _same_without_skipped(blocks[:index], fresh, blocks[index - 1].line if index else 1)
    before = walked[index - 1] if index else walk(fresh(), [Block(1, "")])[0]
    need = needs(walked, index, clearance)

    body, notes = _body(parse(probing), blocks)
    letters = kinematics.letters if kinematics else ()
    refuse_low_lift(before, lift, file)
    head = [
        _BEGIN,
        "M5",
        "M9",
        _NO_SPEED,
        "G40",
        "G80",
        f"G21 G90 {lift}",
        "G17 G94",
        *body,
        "M5",
        "M9",
        _NO_SPEED,
        "G80",
        f"G21 G90 {lift}",
    ]
    through = walk(_standing(before, fresh()), parse("\n".join(head)))
    _refuse_unknown_axes(through)

    def whole(need: Need) -> list[str]:
        return [*head, *hand_back(before, through[-1], need, lift, letters), _END]

    def off(need: Need) -> tuple[Step, str] | None:
        merged, alone = _standing(before, fresh()), _standing(before, fresh())
        walk(merged, parse("\n".join(whole(need))))
        alone.parameters = dict(merged.parameters)  # those that both use are told in the notes
        return displaced(blocks[index:], alone, merged)

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
    inserted = whole(need)
    wrong = differing(before, parse("\n".join(inserted)), need, _standing(before, fresh()))
    if wrong:
        raise InputError(
            "after the probing the state of the control would not be restored",
            line=before.block.line,
            found=", ".join(wrong),
            todo="Choose another place, or check what the probing changes.",
        )
    notes += [*_remarks(walked[:index], through, need, known, lift), *_shared_parameters(blocks, parse(probing))]

    lines = source.lines
    end = next((line[len(line.rstrip("\r\n")) :] for line in lines if line.endswith(("\r", "\n"))), "\n")
    kept = list(lines[:index])
    if kept and not kept[-1].endswith(("\r", "\n")):
        kept[-1] += end
        notes.append("The last line of the milling program had no end of line: one was added before the probing.")
    text = "".join([*kept, *(line + end for line in inserted), *lines[index:]])
    source.encode(text)
    if lift == LIFT:
        notes.append(f"The spindle is lifted by {LIFT}: check that Z0 of the machine is its upper end of travel.")
    if not any(one.does("end") for one in walked):
        notes.append("The milling program has no end (M2, M30 or a second %): check that it is complete.")
    notes = [*source.notes, *notes]
    return Merged(text, source, index + 1, index + len(inserted), place.words, tuple(notes))


def _refuse_unknown_axes(through: Sequence[Walked]) -> None:
    for step in (step for one in through for step in one.steps):
        if step.kind == "unknown" and NO_SUCH_AXIS in str(step.detail):
            raise InputError(
                "the probing turns a rotary axis that the kinematics does not have, so it could not be turned back",
                found=step.text,
                todo="Give the kinematics of the machine.",
            )


def _standing(before: Walked, interpreter: Interpreter) -> Interpreter:
    """A fresh interpreter brought into the state after a block."""
    interpreter.state = before.state
    interpreter.angles, interpreter.position = list(before.angles), list(before.position)
    return interpreter


def _same_without_skipped(blocks: Sequence[Block], fresh: Callable[[], Interpreter], line: int) -> None:
    """Refuse if what holds at the place depends on the block delete switch."""
    if not any(block.skip for block in blocks):
        return
    ends = []
    for kept in (blocks, [block for block in blocks if not block.skip]):
        interpreter = fresh()
        walk(interpreter, kept)
        ends.append((interpreter.state, interpreter.angles, [f"{value:.6f}" for value in interpreter.position]))
    if ends[0] != ends[1]:
        raise InputError(
            "the state of the control at that place depends on the block delete switch",
            line=line,
            todo="Choose another place, or take the lines that start with / out of the milling program.",
        )


def _body(probing: Sequence[Block], milling: Sequence[Block]) -> tuple[list[str], list[str]]:
    """Lines of the probing without what only a whole program needs; block numbers that would collide are taken out."""
    kept = []
    for block in probing:
        plain = {name_of(letter, value) for letter, value in block.words if isinstance(value, float)}
        whole = block.mark or (plain and plain <= {"M2", "M30"}) or ([w[0] for w in block.words] == ["O"])
        if plain & {"M2", "M30"} and not whole:
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
    jumps = [block for block in kept if block.unknown]
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
    for where, run in (("milling program before that place", before), ("probing", through)):
        unknown = [(one.block.line, step.detail) for one in run for step in one.steps if step.kind == "unknown"]
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
