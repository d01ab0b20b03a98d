"""Where a milling program cannot take a probing: a state in force, a lift that is none, jumps over the place."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

from ...errors import InputError
from ..reading.expressions import Formula
from ..reading.flow import flow_of
from ..reading.modal import CALLS, MODES, group_of, name_of
from ..reading.words import Block, parse
from .anchors import Walked

__all__ = [
    "in_machine_coordinates",
    "in_words",
    "read_before_set",
    "refuse_clamped",
    "refuse_jumps",
    "refuse_labels",
    "refuse_low_lift",
    "refuse_modes",
    "refuse_read",
]

_CLAMP, _UNCLAMP = ("M", 10.0), ("M", 11.0)

_SHIFTS = {"G92": "G92.1 or G92.2", "G52": "G52 X0 Y0 Z0"}

#: Flow control with an end of its own: what stands after the place altogether does not lead back before it.
_CLOSED = re.compile(
    r"(?:O(?:<[^>]*>|[0-9]+))?(?:(?:END)?(?:WHILE|IF|SUB|REPEAT)|DO|END|ELSE(?:IF)?|BREAK|CONTINUE|RETURN|CALL)"
    r"(?![A-Z]*GOTO)(?!.*GOTO).*"
)

_CALLED = re.compile(r"(?:M98|.*\bCALL)\b.* \(", re.IGNORECASE)  # as `unrolled` tells them

_FLOW = re.compile(r"O<|[A-Z<>0-9\[\]#]*?(?:GOTO|WHILE|ENDIF|IF\[|REPEAT|SUB|CALL|RETURN|ELSE|END[0-9]|DO(?:[0-9]|$))")


def in_words(mode: str) -> str:
    """Why a program is not followed while a mode of `Modal.modes` is in force.

    Parameters
    ----------
    mode : str
    """
    if mode in _SHIFTS:
        return "it shifts the origin"
    if mode in MODES:
        return f"it means {MODES[mode][0]}"
    if mode.endswith(" axis"):
        return "it is a rotary axis that the kinematics does not have, away from zero"
    if _CALLED.match(mode):
        return "it is a call that cannot be followed"
    if mode == "M99":
        return "it ends a subprogram, and nothing has called one"
    if mode in CALLS:
        return "it is a call, and what it changes is defined elsewhere"
    if _FLOW.match(mode):
        return "it is flow control: which blocks run, and how often, is not known in advance"
    return "it is not understood, and may change what later moves mean"


def _refused(what: str, block: Block, file: str | None, *, todo: str, expected: str | None = None) -> InputError:
    """Why a milling program cannot take the probing, by the block that forbids it."""
    return InputError(
        what,
        file=file,
        line=block.line,
        found=block.text.strip(),
        expected=expected,
        todo=f"{todo} No program was written.",
    )


def refuse_modes(before: Sequence[Walked], known: Collection[str], file: str | None) -> None:
    """Refuse a place where something is in force that makes moves go elsewhere than their text tells.

    Parameters
    ----------
    before : sequence of Walked
        All blocks before the place.
    known : collection of str
        Words that are stated to be harmless on this machine.
    file : str, optional
        Name of the milling program.

    Raises
    ------
    InputError
        With the line that brought it into force.
    """
    mode = next(iter(before[-1].state.strange(known) if before else ()), None)
    if mode is None:
        return
    since = len(before)
    while since and mode in before[since - 1].state.modes:
        since -= 1
    block = before[since].block
    expected = "before that place, nothing that shifts, rotates or scales, that jumps, or that is not understood"
    if _CALLED.match(mode):
        expected = "a subprogram in the same file, called by a number that stands in the text"
        todo = "Put the subprogram into the file, as the control takes it, or choose a place before the call."
    elif mode in MODES or mode in _SHIFTS:
        off = _SHIFTS.get(mode) or " or ".join(MODES[mode][1])
        todo = f"Cancel it ({off}) before that place, or choose a place where it is not in force."
    elif mode == "M99":
        todo = "Put the main program first in the file and its subprograms after its end, or choose a place before it."
    elif mode.endswith(" axis"):
        todo = "Give the kinematics of the machine, or turn the axis back to zero before that place."
    elif group_of(mode) is None and re.fullmatch(r"[GM][0-9.]+", mode) and mode not in CALLS:
        todo = (
            "Choose a place before it. If the manual of the control says that it does not affect the moves of a "
            "probe, list it under 'harmless' in the dialect."
        )
    else:
        todo = "Choose a place before it, or take it out of the milling program."
    raise _refused(
        f"{mode} is in force where the probing is to go: {in_words(mode)}",
        block,
        file,
        expected=expected,
        todo=todo,
    )


def refuse_jumps(blocks: Sequence[Block], index: int, ended: int, file: str | None) -> None:
    """Refuse jumps that could lead from after the place to before it, or over it.

    Parameters
    ----------
    blocks : sequence of Block
        The milling program. What stands before the place is the business of `refuse_modes`.
    index : int
        Of the first block after the place.
    ended : int
        Index of the block that ends the program; behind it stand subprograms.
    file : str, optional

    Raises
    ------
    InputError
    """
    for at, block in enumerate(blocks[index:], start=index):
        word = _jump(block, within=at <= ended)
        if word:
            raise _refused(
                f"{word} may jump past the place of the probing, or back before it",
                block,
                file,
                expected="no jump in the milling program",
                todo="Take the jump out of the milling program, or probe with a program of its own.",
            )


def refuse_labels(milling: Sequence[Block], probing: Sequence[Block], file: str | None) -> None:
    """Refuse labels of flow control that stand in both: a control might go from one to the other.

    Parameters
    ----------
    milling, probing : sequence of Block
    file : str, optional

    Raises
    ------
    InputError
    """
    own = {found.label for block in probing if (found := flow_of(block)) is not None}
    for block in milling if own else ():
        label = block.words[0][1] if len(block.words) == 1 and block.words[0][0] == "O" else None
        if label in own:
            raise _refused(
                f"the label O{label:g} of the milling program is also one of the probing",
                block,
                file,
                todo="Give it another number in the milling program.",
            )


def refuse_clamped(before: Sequence[Walked], through: Sequence[Walked], file: str | None) -> None:
    """Refuse to turn rotary axes that the milling has left clamped: M10, common practice, no source.

    Parameters
    ----------
    before, through : sequence of Walked
        The blocks before the place, and those of the probing.
    file : str, optional

    Raises
    ------
    InputError
    """
    words = [(one.block, word) for one in before for word in one.block.words if word in (_CLAMP, _UNCLAMP)]
    first = before[-1].angles if before else ()
    turns = any(one.angles != first for one in through) if before else False
    opened = any(_UNCLAMP in one.block.words for one in through)
    if words and words[-1][1] == _CLAMP and turns and not opened:
        block = words[-1][0]
        raise _refused(
            "M10 is in force where the probing is to go: it clamps a rotary axis on many controls, and the probing "
            "turns one",
            block,
            file,
            expected="M11 before that place",
            todo="Unclamp it in the milling program, or choose another place.",
        )


def read_before_set(blocks: Sequence[Block], numbers: Collection[float]) -> tuple[Block, float] | None:
    """The first block that reads one of some parameters before any block has set it anew, and which.

    Parameters
    ----------
    blocks : sequence of Block
    numbers : collection of float
    """
    left = set(numbers)
    for block in blocks:
        asked = flow_of(block)
        values = [value for pair in (*block.words, *block.assignments) for value in pair]
        values += [] if asked is None or asked.asks is None else [asked.asks]
        read = {number for value in values if isinstance(value, Formula) for number in value.reads} & left
        if read:
            return block, min(read)
        left -= {place for place, _ in block.assignments if isinstance(place, float)}
    return None


def refuse_read(following: Sequence[Block], probing: Sequence[Block], file: str | None) -> None:
    """Refuse milling after the place that reads a parameter which the probing sets.

    Parameters
    ----------
    following, probing : sequence of Block
    file : str, optional

    Raises
    ------
    InputError
    """
    found = read_before_set(
        following, {place for block in probing for place, _ in block.assignments if isinstance(place, float)}
    )
    if found is not None:
        block, number = found
        raise _refused(
            f"the milling reads #{number:g}, which the probing sets",
            block,
            file,
            expected="parameters that the probing leaves alone",
            todo="Let the milling use another parameter, or give the dialect others: slots, [reckoning] names.",
        )


def in_machine_coordinates(lift: str) -> bool:
    """Whether a lift counts from the machine's own zero, not from a work offset.

    Parameters
    ----------
    lift : str
    """
    return any(name_of(*word) in ("G53", "G28", "G30") for block in parse(lift) for word in block.words)


def refuse_low_lift(before: Walked, lift: str, file: str | None) -> None:
    """Refuse a lift in program coordinates where the length of the tool has been cancelled: it may lead down.

    Parameters
    ----------
    before : Walked
        The last block before the place.
    lift : str
    file : str, optional

    Raises
    ------
    InputError
    """
    state = before.state
    if state.length == "G49" and "length" in state.said and not in_machine_coordinates(lift):
        raise InputError(
            "the lift counts with the length of the tool, and no length offset is in force where the probing is to go: "
            "the tool would end lower by its length",
            file=file,
            line=before.block.line,
            column="lift",
            found=lift,
            expected="a length offset (G43 H) in force at that place, or a lift in machine coordinates, as G0 G53 Z0",
            todo="Choose a place before the G49, or such a lift. No program was written.",
        )


def _jump(block: Block, *, within: bool) -> str:
    """The word of a block that may jump, "" if there is none."""
    for text in block.unknown:
        if not _CLOSED.fullmatch(text):
            return text[:40]
    names = set()
    for letter, value in block.words:
        if letter in "GM":
            try:
                known = not isinstance(value, Formula) or not value.reads
                names.add(name_of(letter, value.value({}) if isinstance(value, Formula) else value) if known else "")
            except ValueError:
                names.add("")
            if "" in names:
                return f"{letter}{value.text if isinstance(value, Formula) else value}"
    if "M97" in names:
        return "M97"
    back = any(letter == "P" for letter, _ in block.words)
    return "M99" if "M99" in names and (within or back) else ""
