"""Checks against what was planned around the touches: work offset, length offset, where triggers are kept, hand-over.

Common practice of probing in a machining centre, no source. Parameters 5061 to 5063: NISTIR 6556, 3.2.1, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import takewhile

from ..merging.handback import relies_on_motion
from ..reading.calls import unrolled
from ..reading.modal import OFFSETS, group_of, name_of
from ..reading.steps import MOVES, Step, first_touches
from ..reading.words import Block
from .case import BEGIN, END, SAFE_STOP, Case
from .findings import Finding, NotMade, gathered
from .stored import stored_axis

__all__ = [
    "as_written",
    "from_above",
    "handed_back",
    "kept",
    "lifted_for_changes",
    "machine_coordinates",
    "offsets_as_planned",
]

_LIFT = "G0 G53 Z0"  # to the upper end of most machines: common practice, no source

_ALWAYS = (
    "offset",
    "units",
    "plane",
    "distance",
    "feed_mode",
    "retract",
    "path",
    "path_p",
    "path_q",
    "cutter",
    "overrides",
    "feed",
)
_OF_THE_TOOL = ("length", "length_offset", "spindle", "speed", "mist", "flood")
#: Groups of which the hand-over may write any word, and what is no word; further words that end, stop or cancel.
_WRITTEN = {*_ALWAYS, "motion", "length", "spindle", "coolant", "change", None} - {"cutter"}
_OF_ALL = {"G40", "M0", "M1", "M2", "M30"}
_ENDS = {("M", 2.0), ("M", 30.0)}
_TRIGGER = (5061.0, 5062.0, 5063.0)


def offsets_as_planned(case: Case) -> list[Finding] | NotMade:
    """The probe moves in the work offset and with the length offset of the plan."""
    if case.work_offset is None and case.length is None:
        return NotMade("neither was given", "note")
    wrong = []
    for step in case.probe_moves("rapid", "feed", "arc", "probe"):
        if _counts_from_the_machine(step):
            continue
        own = {case.work_offset, *case.copies}  # which of them for which touch: `shifts_as_planned`
        if case.work_offset in OFFSETS and step.state.offset not in own:
            wrong.append((step.line, f"the probe moves in {step.state.offset}, but the plan has {case.work_offset}"))
        if case.length is not None and step.state.length_offset != case.length:
            wrong.append((step.line, f"the probe moves with H{step.state.length_offset}, planned is H{case.length}"))
    return gathered(wrong, "stop", "The whole path would be shifted: use the offsets of the plan.")


def kept(case: Case) -> list[Finding] | NotMade:
    """Every trigger is kept in three parameters of its own, X, Y, Z in that order, before the next touch."""
    if not case.slots:
        return NotMade("the dialect does not store triggers in parameters", "note")
    fast = first_touches(case.steps)
    touches = {step.line for row, step in enumerate(case.steps) if step.kind == "probe" and row not in fast}
    last = case.steps[-1].line if case.steps else 0
    found: dict[float, float] = {}
    used: set[float] = set()
    at, wrong = 0, []
    if case.dry:
        return []

    def close() -> None:
        if at and sorted(found) != list(_TRIGGER):
            wrong.append((at, "the trigger of a touch is not stored"))
        elif at and [found[n] - found[_TRIGGER[0]] for n in _TRIGGER] != [0, 1, 2]:
            wrong.append((at, "X, Y, Z of a trigger are not stored in this order"))

    for block in case.blocks:
        if block.line > last:
            break
        if block.line in touches:
            close()
            at, found = block.line, {}
        for place, value in block.assignments:
            if not isinstance(place, float):
                continue
            if place in used:
                wrong.append((block.line, f"parameter #{place:g}, which stores a trigger, is overwritten"))
            axis = stored_axis(value)
            if axis is not None:
                found[_TRIGGER[axis]] = place
                used.add(place)
    close()
    return gathered(wrong, "stop", "The position of a touch would be lost, or read as that of another touch.")


def handed_back(case: Case) -> list[Finding]:
    """After the inserted part the milling finds the control as it was before it."""
    seams = [step for step in case.steps if step.kind == "message" and str(step.detail).upper() in (BEGIN, END)]
    wrong: list[tuple[int, str]] = []
    for begin, end in zip(seams[::2], seams[1::2], strict=False):
        same_tool = begin.state.tool is not None and begin.state.tool == end.state.tool
        for name in (*_ALWAYS, *(_OF_THE_TOOL if same_tool else ())):
            old, new = getattr(begin.state, name), getattr(end.state, name)
            if old is not None and not _same(old, new):
                wrong.append((end.line, f"{name.replace('_', ' ')} is {new} after the probing, {old} before it"))
        old, new = begin.state.tool, end.state.tool
        if old is not None and not same_tool and not case.probe_in(end):
            wrong.append((end.line, f"tool {new} is in the spindle after the probing, tool {old} before it"))
        waiting = [one.state.selected if one.state.selected != one.state.tool else None for one in (begin, end)]
        if waiting[0] != waiting[1]:
            told = ["none" if tool is None else f"T{tool}" for tool in waiting]
            wrong.append((end.line, f"for the next change {told[1]} is called after the probing, {told[0]} before it"))
        if begin.state.feed is None and (line := _feeds_on(case, end.line)):
            wrong.append((line, "the milling has stated no feed: it would move at that of the probing"))
        old, new = begin.state.motion, end.state.motion
        if old not in ("G80", new) and _moves_on(case, end.line):
            wrong.append(
                (end.line, f"the next move of the milling states no motion word: {new} is in force, not {old}")
            )
        if begin.angles_end != end.angles_end:
            wrong.append((end.line, "the rotary axes are not where they were before the probing"))
        if same_tool or _goes_down(case, end.line):
            pairs = zip("XYZ" if same_tool else "XY", begin.end, end.end, strict=False)
            wrong += [
                (end.line, f"{letter} is {new:g} after the probing, {old:g} before it")
                for letter, old, new in pairs
                if math.isfinite(old) and not _same(old, new)
            ]
        wrong += _milling_in(case, begin, end)
    if len(seams) % 2 and not _stops_itself(case, seams[-1]):
        wrong.append((seams[-1].line, "the inserted part has only a beginning or only an end"))
    return gathered(wrong, "stop", "Merge again: the milling that follows relies on it.")


def _moves_on(case: Case, line: int) -> bool:
    """Whether the first move after a line relies on the motion word in force."""
    return relies_on_motion(_following(case, line))


def _following(case: Case, line: int) -> Iterator[Block]:
    """The blocks that are run after a line, up to the end of the program."""
    return takewhile(lambda block: not {*block.words} & _ENDS, (block for _, block in unrolled(case.blocks, line)))


def _goes_down(case: Case, line: int) -> bool:
    """Whether the milling after a line moves along Z before it has stated X and Y."""
    stated: set[str] = set()
    for block in _following(case, line):
        letters = {letter for letter, _ in block.words if letter in "XYZ"}
        stated |= letters
        if "Z" in letters and not {("G", 53.0), ("G", 28.0), ("G", 30.0)} & {*block.words}:
            return not {"X", "Y"} <= stated
    return False


def _feeds_on(case: Case, line: int) -> int:
    """The first move at feed after a line, if no feed is said before it; else 0."""
    moves = {s.line for s in case.steps if s.kind in ("feed", "arc") and not case.probe_in(s)}
    first = next((block for block in _following(case, line) if _has(block, "F") or block.line in moves), None)
    return 0 if first is None or _has(first, "F") else first.line


def _stops_itself(case: Case, begin: Step) -> bool:
    """Whether the program ends within an inserted part by a safe stop of its own."""
    after = case.steps[case.steps.index(begin) :]
    return after[-1].kind == "end" and any(str(step.detail).upper() == SAFE_STOP for step in after)


def _milling_in(case: Case, begin: Step, end: Step) -> list[tuple[int, str]]:
    """Moves of a milling tool within an inserted part that do more than bring it back to where it was."""
    wrong, held = [], begin
    for step in case.steps:
        held = begin if step.kind == "tool" else held
        if not begin.line < step.line < end.line or step.kind not in MOVES or case.probe_in(step):
            continue
        if any(first < step.line < last for first, last in case.again):
            held = step  # it is lifted from there by the offset that it was cut with
            continue  # what is cut again: `cut_again_as_planned`
        same = step.state.tool == begin.state.tool
        told, cut, counts = (_counting(one, same) for one in (begin, held, step))
        if step.kind != "index" and not _counts_from_the_machine(step) and counts not in (told, cut):
            wrong.append((step.line, f"a milling tool moves in {counts}, and not in {told} as before the probing"))
        if step.kind == "index" or case.lifts_in(step.line, _LIFT):
            continue
        moved = [axis for axis in range(3) if not _at(step.start[axis], step.end[axis])]
        low = begin.end[2] if math.isnan(step.start[2]) else step.start[2]  # not known after a tool change
        up = moved == [2] and step.end[2] > low
        back = all(_at(step.end[axis], begin.end[axis]) for axis in moved)
        if step.kind in ("arc", "probe") or (moved and not up and (step.kind != "rapid" or not back)):
            wrong.append((step.line, "a milling tool moves within the inserted part, and not back to where it was"))
    return wrong


def _counts_from_the_machine(step: Step) -> bool:
    """Whether a move goes to a place of the machine, whatever offsets are in force."""
    return isinstance(step.detail, str) and step.detail.startswith(("G53", "G28", "G30"))


def _counting(step: Step, same_tool: bool) -> str:
    """What a milling tool counts its moves from."""
    length = f" with H{step.state.length_offset}" if same_tool else ""
    return f"{step.state.offset}{length}"


def _at(a: float, b: float) -> bool:
    return (math.isnan(a) and math.isnan(b)) or math.isclose(a, b, rel_tol=1e-5, abs_tol=1e-4)


def lifted_for_changes(case: Case) -> list[Finding] | NotMade:
    """The probe comes in and goes out where tools are changed, and what comes in after it is lifted first."""
    if not case.lifts:
        return NotMade("the tool-change position was not given", "note")
    wrong = []
    before: Step | None = None
    for step in case.steps:
        if step.kind == "tool":
            came, went = case.probe_in(step), before is not None and case.probe_in(before)
            level = next((b for b in reversed(case.blocks[: step.line - 1]) if _has(b, "Z")), None)
            if (came or went) and not _lifts(case, level):
                wrong.append((step.line, "the probe is changed without a lift to the tool-change position"))
            first = next((b for b in case.blocks[step.line :] if _has(b, "XYZ")), None)
            own = any(a < step.line < b for a, b in case.again)  # what is cut again begins as it does in the milling
            if went and not came and case.inside(step.line) and not own and not _lifts(case, first):
                wrong.append((step.line, "the milling tool moves before it is lifted to the tool-change position"))
        if step.kind in (*MOVES, "tool", "end"):
            before = step
    return gathered(wrong, "stop", f"Program {' or '.join(case.lifts)} directly before and after the change.")


def from_above(case: Case) -> list[Finding] | NotMade:
    """After a tool change the probe stays up, turns, goes across, and only then comes down."""
    if not case.moves:
        return NotMade("the planned moves were not given", "note")
    wrong = []
    high, across = False, False
    for step in case.steps:
        if step.kind == "tool":
            high, across = case.probe_in(step), False
        elif step.kind in MOVES and case.probe_in(step) and _counts_from_the_machine(step):
            high, across = True, across or not high  # it may come back down where it was
            continue
        if not high or step.kind not in MOVES:
            continue
        aside = step.start[:2] != step.end[:2] and all(map(math.isfinite, step.end[:2]))
        if not math.isfinite(step.end[2]) or step.end[2] == step.start[2]:
            across |= aside
            continue
        high = False
        if aside:
            wrong.append((step.line, "the probe goes across and down at once, from where tools are changed"))
        elif not across:
            wrong.append((step.line, "the probe comes down from the tool change before it has gone across"))
        turn = next((s for s in case.steps if s.line > step.line and _is_turn_or_touch(s)), None)
        if turn is not None and turn.kind == "index":
            wrong.append((turn.line, "the rotary axes turn after the probe has come down from the tool change"))
    todo = "Turn the rotary axes first, then move X and Y in a block of their own, then Z (in a dialect: first_link)."
    return gathered(wrong, "stop", todo)


def _is_turn_or_touch(step: Step) -> bool:
    dry = step.kind == "message" and str(step.detail).upper().startswith("PROBEKIT DRY TOUCH")
    return dry or step.kind in ("probe", "index", "tool")


def machine_coordinates(case: Case) -> list[Finding]:
    """The probe moves in machine coordinates only to lift, unless it is known where these lie."""
    down, aside, raised = [], [], False
    for step in case.probe_moves("rapid", "feed"):
        block, was_raised, raised = case.blocks[step.line - 1], raised, False
        if {("G", 28.0), ("G", 30.0)} & {*block.words} and not case.lifts_in(step.line):
            named = {a for a, _ in block.words if a in "XYZ"}
            raised = named == {"Z"} or (was_raised and "Z" not in named and bool(named))
            if _counts_from_the_machine(step) and not raised:
                down.append((step.line, "the probe goes to the reference point, and nothing tells what is on the way"))
            continue
        axes = {letter for letter, _ in block.words if letter in "XYZ"}
        if ("G", 53.0) not in block.words or all(map(math.isfinite, step.origin)):
            continue
        if axes != {"Z"} or not case.lifts_in(step.line, _LIFT):
            (down if "Z" in axes else aside).append(
                (step.line, "the probe moves in machine coordinates, and nothing tells how near to the part that is")
            )
    todo = f"Say {' or '.join(case.lifts) or _LIFT} to lift, and no other G53 while the probe is in."
    return gathered(down, "stop", todo) + gathered(aside, "look", todo)


def as_written(case: Case) -> list[Finding] | NotMade:
    """The probing has no G or M word that nothing here writes, and no line that a switch leaves out."""
    if case.spelled is None:
        return NotMade("the lines of the dialect were not given", "note")
    wrong = []
    for block in case.blocks:
        if not case.of_probing(block.line) or any(first < block.line < last for first, last in case.again):
            continue
        words = {name_of(letter, value) for letter, value in block.words if letter in "GM" and isinstance(value, float)}
        for word in sorted(word for word in words - case.own_words - _OF_ALL if group_of(word) not in _WRITTEN):
            wrong.append((block.line, f"{word} in the probing, which neither its dialect nor the hand-over writes"))
        if block.skip:
            wrong.append((block.line, "a line of the probing that the block delete switch leaves out"))
    return gathered(wrong, "look", "Take it out, or say why it is there.")


def _has(block: Block, letters: str) -> bool:
    return any(letter in letters for letter, _ in block.words)


def _lifts(case: Case, block: Block | None) -> bool:
    return block is not None and case.lifts_in(block.line)


def _same(old: object, new: object) -> bool:
    if isinstance(old, float) and isinstance(new, float):
        return math.isclose(old, new, rel_tol=1e-5, abs_tol=1e-4)
    return old == new
