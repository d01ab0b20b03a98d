"""What the milling after an inserted part relies on, and the blocks that give it back."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields

from ...errors import InputError
from ..reading.interpreter import Interpreter
from ..reading.modal import CYCLES, MODES, Modal, group_of, name_of
from ..reading.steps import MOVES
from ..reading.words import Block
from ..writing.lifting import lift_lines
from .anchors import Walked, in_order

__all__ = ["Need", "differing", "hand_back", "lifted", "needs", "relies_on_motion"]

_STRAIGHT = ("G0", "G1")

_STARTS = frozenset({"M3", "M4", "M7", "M8"})

#: What is left as it is when the milling calls its next tool itself.
_OF_THE_TOOL = ("tool", "length", "length_offset", "spindle", "speed", "mist", "flood")


@dataclass(frozen=True)
class Need:
    """What the milling after the place needs.

    Attributes
    ----------
    tool : bool
        Whether the milling continues with the tool that was in.
    motion : bool
        Whether its first move relies on the motion word in force.
    notes : tuple of str
    across : bool
        Whether it goes down, or cuts, where the tool before it stood, without saying where that is.
    """

    tool: bool
    motion: bool
    notes: tuple[str, ...] = ()
    across: bool = False


def needs(walked: Sequence[Walked], index: int, clearance: float | None) -> Need:
    """Find out what the milling from a place on relies on, and refuse what cannot be given back.

    Parameters
    ----------
    walked : sequence of Walked
    index : int
        Of the first line after the place.
    clearance : float, optional
        Height from which the tool counts as lifted [mm].

    Raises
    ------
    InputError
    """
    before = walked[index - 1] if index else None
    state = before.state if before else Modal()
    line = before.block.line if before else 1
    if state.cutter != "G40":
        raise InputError(
            f"cutter compensation ({state.cutter}) is on at that place", line=line, todo="Choose a place after G40."
        )
    following = [*in_order(walked[index:])]
    motion = relies_on_motion([one.block for one in following])
    tool = _relies_on_tool(following, state)
    if motion and state.motion not in (_STRAIGHT if tool else (*_STRAIGHT, "G80")):
        what = "a canned cycle" if state.motion in CYCLES else "a motion other than a straight line"
        raise InputError(
            f"the milling continues with {what} ({state.motion}) that it does not state again",
            line=line,
            todo="Choose another place.",
        )
    if not tool:
        return Need(False, motion and state.motion in _STRAIGHT, _notes_of_next_tool(following))
    if before is None or state.tool is None:
        raise InputError(
            "the milling continues with a tool that it has not called by then: the tool cannot be restored",
            line=line,
            expected="T and M6 before that place, or directly after it with G43",
        )
    return Need(True, motion, lifted(walked[:index], clearance, motion))


def _relies_on_tool(following: Sequence[Walked], state: Modal) -> bool:
    """Whether the milling continues with what was in.

    It does not if it calls a tool before any axis moves and before it speaks of spindle or coolant (the probe would
    hear that), sets its length offset before Z moves, both that and the coolant (if it was on) before it cuts, and a
    speed before or where its spindle starts.
    """
    called, length, coolant, speed = False, False, not state.coolant, not state.speed
    returned = False  # what only goes to the reference point needs no tool of its own if one is called after it
    for one in following:
        if not called and _returns(one):
            returned = True
            continue
        words = {name_of(letter, value) for letter, value in one.block.words if isinstance(value, float)}
        called |= one.does("tool")
        if not called and (words & _STARTS or any(letter == "S" and value != 0 for letter, value in one.block.words)):
            return True
        length |= called and bool(words & {"G43", "G49"})
        coolant |= called and bool(words & {"M7", "M8", "M9"})
        speed |= any(letter == "S" for letter, _ in one.block.words)
        if not speed and words & {"M3", "M4"}:
            return True
        for step in one.steps:
            if step.kind not in (*MOVES, "unknown"):
                continue
            cuts = step.kind not in ("rapid", "index")
            level = step.start[2] == step.end[2] or (math.isnan(step.start[2]) and math.isnan(step.end[2]))
            if not called or (cuts and not coolant) or ((cuts or not level) and not length):
                return True
            if cuts:
                return False
    return returned and not called


def _returns(one: Walked) -> bool:
    """Whether a block only goes straight to the reference point: G91 G28 Z0, whatever tool is in."""
    words = {name_of(letter, value) for letter, value in one.block.words if isinstance(value, float)}
    moved = [value for letter, value in one.block.words if letter not in "GN"]
    return bool(words & {"G28", "G30"}) and one.state.distance == "G91" and not any(moved)


def _notes_of_next_tool(following: Sequence[Walked]) -> tuple[str, ...]:
    line = next((one.block.line for one in following if one.does("tool")), 0)
    if not line:
        return ("No milling follows: no milling tool is loaded again.",)
    return (f"The milling calls its next tool itself in its line {line}: the probe stays in the spindle until then.",)


def relies_on_motion(following: Iterable[Block]) -> bool:
    """Whether an axis is named before a motion word is; G28, G92 and the like have axis words of their own.

    Parameters
    ----------
    following : iterable of Block
        In the order in which they are run.
    """
    for block in following:
        groups = {group_of(name_of(a, value)) for a, value in block.words if a == "G" and isinstance(value, float)}
        if "motion" in groups:
            return False
        if "now" not in groups and any(letter in "XYZABC" for letter, _ in block.words):
            return True
    return False


def lifted(before: Sequence[Walked], clearance: float | None, motion: bool) -> tuple[str, ...]:
    """Refuse a place where the milling tool is not lifted; say what is not known.

    Parameters
    ----------
    before : sequence of Walked
        All blocks before the place.
    clearance : float, optional
        Height from which the tool counts as lifted [mm].
    motion : bool
        Whether the first move after the place relies on the motion word in force.

    Raises
    ------
    InputError
    """
    here = before[-1]
    height = here.position[2]
    if math.isnan(height):
        if motion and here.state.motion == "G1":
            raise InputError(
                "the milling continues at feed from a height that its text does not state", line=here.block.line
            )
        return (
            "The height of the milling tool at that place is not known from the text: the milling continues from the "
            "lifted position.",
        )
    steps = [step for one in before for step in one.steps if step.kind in MOVES and not step.start[2] == step.end[2]]
    upwards = bool(steps) and steps[-1].kind == "rapid" and not steps[-1].end[2] < steps[-1].start[2]
    if (clearance is None and not upwards) or (clearance is not None and height < clearance):
        raise InputError(
            "the milling tool is not lifted at that place, and would have to re-enter the cut",
            line=here.block.line,
            column="Z",
            found=round(height, 4),
            expected="a rapid upwards before it" if clearance is None else f"at least {clearance:g}",
            todo="Choose a place after the tool has been lifted, or state with clearance= the height above which "
            "all is clear.",
        )
    return ()


def hand_back(before: Walked, after: Walked, need: Need, lift: str, letters: Sequence[str]) -> list[str]:
    """Blocks that give back what held before; they start lifted, with the spindle and the coolant off.

    Parameters
    ----------
    before, after : Walked
        The last block before the place, and the last of the probing.
    need : Need
    lift : str
        Block that lifts the spindle.
    letters : sequence of str
        Of the rotary axes.
    """
    state, lines = before.state, []
    if before.angles != after.angles:
        turned = zip(letters, before.angles, strict=True)
        lines.append("G0 " + " ".join(f"{letter}{_number(angle)}" for letter, angle in turned) + " (rotary axes back)")
    if need.tool:
        # length and work offset before any move: with those of the probe the tool would end at another height
        lines.append(f"T{state.tool} M6 (the milling tool comes back)")
        lines.append(f"G43 H{state.length_offset}" if state.length == "G43" else "G49")
    lines.append(f"G21 G17 {state.offset}")
    if need.tool:
        lines += lift_lines(lift, "G90")
    place = [math.nan] * 3
    if need.tool or need.across:
        place = [*before.position[:2], before.position[2] if need.tool else math.nan]
    across = [f"{letter}{_number(value)}" for letter, value in zip("XY", place, strict=False) if math.isfinite(value)]
    above = ["G0 " + " ".join(across) + " (above the place where milling stopped)"] if across else []
    lines += [] if need.tool else above  # the probe is in: before the path mode of the milling
    path = "" if _path(state) == _path(after.state) else _said(state, "path", _path(state))
    lines.append(f"{state.retract} {path}".strip())
    lines += above if need.tool else []
    speed = _said(state, "speed", f"S{_number(state.speed)}")
    if need.tool and state.turning:
        lines.append(f"{speed} {state.spindle} (the milling tool turns again)".strip())
    elif need.tool and speed:  # never with the probe in
        lines.append(speed)
    if need.tool:
        lines += [f"{word} (coolant on again)" for word, on in (("M7", state.mist), ("M8", state.flood)) if on]
    if math.isfinite(place[2]):
        lines.append(f"G0 Z{_number(place[2])}")
    lines.append(f"{state.units} {state.plane} {state.feed_mode}")
    per_minute = 1.0 if state.feed_mode == "G93" else state.scale
    feed = "" if state.feed is None else f"F{_number(state.feed / per_minute)}"
    if need.tool and state.motion == "G1" and math.isfinite(place[2]) and feed:
        lines.append(f"G1 Z{_number(place[2] / state.scale)} {feed} (no way to go: feed in force again)")
    elif feed:
        lines.append(feed)
    lines.append(state.distance)
    if need.tool and state.motion == "G80":
        lines.append("G80")
    elif need.motion and not need.tool:
        lines.append(f"{state.motion} (motion in force again)")
    if not state.overrides:
        lines.append("M49")
    if _called_before(state):
        lines.append(f"T{state.selected} (called before, for the next change)")
    return [line for line in lines if line]


def _called_before(state: Modal) -> bool:
    """Whether a T word has called a tool that a later M6 is to change to."""
    return state.selected is not None and state.selected != state.tool


def _path(state: Modal) -> str:
    """The path mode with its tolerances [mm]: said without them, it rounds corners by any amount on many controls."""
    given = (("P", state.path_p), ("Q", state.path_q))
    return " ".join([state.path, *(f"{letter}{_number(value)}" for letter, value in given if value is not None)])


def _said(state: Modal, group: str, word: str) -> str:
    return word if group in state.said else ""


def differing(before: Walked, need: Need, interpreter: Interpreter, copies: Collection[str] = ()) -> tuple[str, ...]:
    """Names of what is not the same after the inserted blocks as before them, as far as the interpreter can tell.

    Parameters
    ----------
    before : Walked
    need : Need
    interpreter : Interpreter
        That has run them from the state of `before`, with no shift; all work offsets at zero if there are `copies`,
        else with no values.
    copies : collection of str
        Work offsets whose values they may write.
    """
    left = {"said", "modes"} if need.tool or _called_before(before.state) else {"said", "modes", "selected"}
    left |= set() if need.tool else {*_OF_THE_TOOL}
    left |= set() if need.tool or need.motion else {"motion"}
    left |= {"motion"} if not need.motion and before.state.motion not in _STRAIGHT else set()
    left |= {"feed"} if before.state.feed is None else set()
    wrong = []
    for field in fields(Modal):
        old, new = getattr(before.state, field.name), getattr(interpreter.state, field.name)
        same = math.isclose(old, new, rel_tol=1e-5) if isinstance(old, float) and isinstance(new, float) else old == new
        if field.name not in left and not same:
            wrong.append(f"{field.name} ({old} before, {new} after)")
    # what a dialect says and is not understood here is in the notes; what is understood must be cancelled
    wrong += [f"{mode} in force" for mode in interpreter.state.modes if mode in (*MODES, "G92", "G52")]
    known = (0.0, 0.0, 0.0) if copies else None
    wrong += [
        f"the values of {name}"
        for name, values in interpreter.offsets.items()
        if name not in copies and tuple(values) != known
    ]
    if tuple(interpreter.angles) != before.angles:
        wrong.append("rotary axes")
    if need.tool or need.across:
        pairs = zip("XYZ" if need.tool else "XY", before.position, interpreter.position, strict=False)
        wrong += [
            letter for letter, old, new in pairs if math.isfinite(old) and not math.isclose(old, new, abs_tol=1e-5)
        ]
    return tuple(wrong)


def _number(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
