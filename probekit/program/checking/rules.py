"""The checks of a program that need nothing but its steps. Each gives findings, or a reason why it was not made.

What they ask for is common practice of probing in a machining centre (no source), except where a word of RS274/NGC
(NISTIR 6556, from memory) asks for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import pairwise

from ..reading.calls import calls, subprograms, unrolled
from ..reading.modal import CYCLES, WATCHED
from ..reading.steps import IN_WORDS, MOVES, Recorded, Step, first_touches, path_of
from ..reading.words import Block
from .case import ROUNDING, Case
from .findings import Finding, NotMade, gathered
from .offsets import length_offset, work_offset
from .watching import watched_alike

__all__ = ["RULES", "exact_path"]

Rule = Callable[[Case], "list[Finding] | NotMade"]


def spindle(case: Case) -> list[Finding]:
    """The spindle stands whenever the probe is in."""
    turning = (
        (s.line, f"the spindle turns ({s.state.spindle}) with the probe in the spindle")
        for s in case.probing
        if s.state.turning
    )
    found = gathered(turning, "stop", "Stop the spindle (M5) before the probe is loaded; a turning probe is destroyed.")
    changes = (
        (step.line, "the probe is loaded before M5 has stopped the spindle")
        for before, step in pairwise(case.steps)
        if step.kind == "tool" and case.probe_in(step) and before.state.turning
    )
    ready = (
        (block.line, "a spindle speed is set with the probe in the spindle")
        for block in case.blocks_with_probe()
        if any(letter == "S" and value != 0 for letter, value in block.words)
    )
    kept = (
        (s.line, f"the speed S{s.state.speed:g} of the milling is kept while the probe is in")
        for s in case.probe_moves()
        if s.state.speed and case.moves
    )
    return (
        found
        + gathered(kept, "stop", "Write S0 before the probe is loaded: a single word would then spin it.")
        + gathered(changes, "look", "Program M5 before the tool change.")
        + gathered(ready, "stop", "Set it when the milling tool is back: a single word would then spin the probe.")
    )


def coolant(case: Case) -> list[Finding]:
    """The coolant is off whenever the probe is in."""
    on = {s.line for s in case.probing if s.state.coolant}
    on |= {block.line for block in case.blocks_with_probe() if {("M", 7.0), ("M", 8.0)} & {*block.words}}
    on = ((line, "coolant is on with the probe in the spindle") for line in sorted(on))
    return gathered(on, "stop", "Switch the coolant off (M9) before the probe is loaded.")


def probe_is_in(case: Case) -> list[Finding]:
    """Probing moves are made with the probe, with nothing else, and the probe does nothing but probe."""
    wrong = (
        (s.line, f"a probing move with {'no tool' if s.state.tool is None else f'tool {s.state.tool}'} in the spindle")
        for s in case.steps
        if s.kind == "probe" and not case.probe_in(s)
    )
    other = (
        (s.line, f"{what} with the probe in the spindle")
        for s in case.probe_moves()
        for what in (
            f"a canned cycle ({s.state.motion})" if s.state.motion in CYCLES else "",
            f"cutter compensation ({s.state.cutter})" if s.state.cutter != "G40" else "",
        )
        if what
    )
    none = (
        []
        if case.dry or any(s.kind == "probe" for s in case.steps)
        else [(0, "there is no probing move in the program")]
    )
    found = gathered(none, "look", "Check that it is the right file.") + gathered(
        wrong, "stop", "Call the probe by T and M6 first."
    )
    return found + gathered(
        other, "stop", "Cancel it (G80, G40) before the probe is loaded, or call the milling tool first."
    )


def touch_feed(case: Case) -> list[Finding]:
    """Every probing move is slow enough, and so are the other moves of the probe at feed."""
    first = first_touches(case.steps) if case.first_feed is not None else frozenset()
    fast = (
        (s.line, f"a probing move at {s.feed:g} mm/min")
        for row, s in enumerate(case.steps)
        if s.kind == "probe" and s.feed is not None
        and s.feed > (case.first_feed if row in first else case.touch_feed)
    )  # fmt: skip
    hasty = (
        (s.line, f"the probe is moved at {s.feed:g} mm/min")
        for s in case.probe_moves("feed", "arc")
        if s.feed is not None and s.feed > case.positioning_feed
    )
    return gathered(
        fast, "stop", f"At most {case.touch_feed:g} mm/min; touch with the feed that the probe was qualified with."
    ) + gathered(
        hasty, "stop", f"At most {case.positioning_feed:g} mm/min, or use a rapid move above the clear height."
    )


def feed_said(case: Case) -> list[Finding]:
    """Every move at feed has a feed."""
    without = (
        (s.line, f"a {'probing move' if s.kind == 'probe' else 'move at feed'} without a feed")
        for s in case.steps
        if s.kind in ("feed", "arc", "probe") and not s.feed
    )
    return gathered(without, "stop", "Program F in or before that block, after the units and the feed mode.")


def exact_path(case: Case) -> list[Finding]:
    """Corners are not rounded while the probe is in: clearances hold on straight moves only."""
    moves = [(s.line, s.state.path, "path" in s.state.said) for s in case.probe_moves()]
    rounded = ((line, "the probe moves in G64") for line, path, said in moves if said and path == "G64")
    unsaid = (
        (line, "the probe moves in a path mode that the program text does not state")
        for line, _, said in moves
        if not said
    )
    todo = "Program exact path (G61) before the probe moves, and G64 after it."
    return gathered(rounded, "stop" if case.moves else "look", todo) + gathered(unsaid, "look", todo)


def rapid_height(case: Case) -> list[Finding] | NotMade:
    """The probe never moves in rapid below the clear height, but straight up."""
    if case.safe_height is None:
        if case.clear is None:
            return NotMade("no clear height was given", "look")
        return NotMade("no one clear height was given: the clearance along each move is checked instead", "note")
    height = case.safe_height - ROUNDING
    low = (
        (s.line, f"a rapid move of the probe at Z{_lowest(s):g}, below the clear height {case.safe_height:g}")
        for s in case.probe_moves("rapid")
        if _lowest(s) < height
    )
    return gathered(low, "stop", "Lift to the clear height first, or move at feed.")


def rotary_lifted(case: Case) -> list[Finding] | NotMade:
    """Rotary axes turn only when the probe is lifted, and alone."""
    turns = [s for s in case.probe_moves() if s.angles_start != s.angles_end]
    both = gathered(
        (
            (s.line, "rotary and linear axes move together with the probe in the spindle")
            for s in turns
            if s.kind != "index"
        ),
        "stop",
        "Turn the rotary axes alone, lifted.",
    )
    if case.turn_height is None:
        return both or (NotMade("no height for turning the rotary axes was given") if turns else [])
    low = (
        (s.line, f"rotary axes turn with the probe at Z{s.start[2]:g}, below Z{case.turn_height:g}")
        for s in turns
        if s.start[2] < case.turn_height - ROUNDING
    )
    return both + gathered(low, "stop", "Lift to the height at which the axes may turn.")


def place_known(case: Case) -> list[Finding]:
    """The text tells where the probe is when it moves near the part."""
    lost = (
        (s.line, f"the program text does not say where the probe is in {IN_WORDS[s.kind]}")
        for s in case.probe_moves("feed", "arc", "probe")
        if not all(map(math.isfinite, (*s.start, *s.end)))
    )
    blind = [s.line for s in case.probe_moves("rapid", "index") if not all(map(math.isfinite, (*s.start, *s.end)))]
    what = f"{len(blind)} rapid moves of the probe start or end where the program text does not say"
    first = (
        [Finding(blind[0], "note", what, "This is usual for the first moves after a tool change: watch them.")]
        if blind
        else []
    )
    return first + gathered(
        lost, "look", "Program X, Y and Z once after the tool change; such moves could not be checked."
    )


def travel(case: Case) -> list[Finding] | NotMade:
    """All axes stay within their travel."""
    found: list[tuple[int, str]] = []
    for step in case.steps:
        if step.kind not in MOVES:
            continue
        for axis, turned in zip(case.kinematics.axes, step.angles_end, strict=True):
            if not axis.limits[0] - 1e-6 <= turned <= axis.limits[1] + 1e-6:
                found.append(
                    (step.line, f"{axis.letter}{turned:g} is outside {axis.limits[0]:g} to {axis.limits[1]:g} degree")
                )
        if case.kinematics.travel is not None:
            points = path_of(step)
            for number, (low, high) in enumerate(case.kinematics.travel):
                for value in (points[:, number].min(), points[:, number].max()):
                    if value < low - 1e-6 or value > high + 1e-6:  # not so for NaN
                        found.append(
                            (step.line, f"{'XYZ'[number]}{value:g} is outside the travel {low:g} to {high:g} mm")
                        )
    if case.kinematics.travel is None and not found:
        return NotMade("no travel of the linear axes was given")
    return gathered(found, "stop", "Move the work offset, or choose other poses or targets.")


def units(case: Case) -> list[Finding]:
    """The program says its units before it moves, keeps them, and probes in millimetres and absolutely."""
    moves = [s for s in case.steps if s.kind in MOVES]
    found = []
    if moves and "units" not in moves[0].state.said:
        what = f"the first move comes before the units are set; {moves[0].state.units} is assumed"
        found.append(Finding(moves[0].line, "look", what, "Program G21 or G20 at the head of the program."))
    changed = (
        (b.line, f"the units change to {b.state.units}") for a, b in pairwise(moves) if a.state.units != b.state.units
    )
    found += gathered(changed, "look", "A program should use one unit; check that both parts are meant as written.")
    inch = (
        (s.line, "a probing move under G20: positions would be recorded in inches") for s in moves if _inch_probe(s)
    )
    found += gathered(inch, "stop", "Probe under G21.")
    relative = ((s.line, "a probing move under G91") for s in moves if s.kind == "probe" and s.state.distance == "G91")
    return found + gathered(
        relative, "look", "Probe under G90: an increment from a wrong position leads to a wrong position."
    )


def unknown_words(case: Case) -> list[Finding]:
    """Every word is understood: with the probe in, and in all that the probing adds to the milling."""
    hits = [
        (s, f"not understood: {s.detail}") for s in case.steps if s.kind == "unknown" and s.detail not in case.known
    ]
    if not case.options.get("flow"):
        watched = [s for s in case.steps if s.kind in MOVES and s.state.motion == WATCHED]
        hits += [(s, f"not understood: {WATCHED}, a word of an extension") for s in watched]
    own = [b.line for b in case.blocks if case.of_probing(b.line) and calls(b)]
    found = gathered(
        [(line, "the probing calls a subprogram") for line in own], "stop", "Take it out: no plan has what it does."
    )
    for severity, probing in (("stop", True), ("look", False)):
        own = [(s.line, what) for s, what in hits if (case.probe_in(s) or case.of_probing(s.line)) == probing]
        todo = "Look it up in the manual of the machine: what the program does from here on is uncertain."
        found += gathered(own, severity, todo)
    return found


def records(case: Case) -> list[Finding]:
    """Every touch is recorded, once, with a tip that the probe has, and nothing is recorded without a touch."""
    waiting: Step | None = None
    lost, empty, seen, twice, strange = [], [], set(), [], []
    fast = first_touches(case.steps)
    for row, step in enumerate(case.steps):
        if row in fast:
            continue
        if step.kind == "probe":
            if waiting is not None:
                lost.append((waiting.line, "a probing move that nothing records"))
            waiting = step
        elif step.kind == "record" and isinstance(step.detail, Recorded):
            if waiting is None:
                empty.append((step.line, "a touch is recorded without a probing move before it"))
            if step.detail.touch in seen:
                twice.append((step.line, f"touch {step.detail.touch} is recorded again"))
            if case.probe is not None and step.detail.tip not in case.probe.choices:
                strange.append(
                    (step.line, f"touch {step.detail.touch} names tip {step.detail.tip}, which the probe does not have")
                )
            seen.add(step.detail.touch)
            waiting = None
    if waiting is not None:
        lost.append((waiting.line, "a probing move that nothing records"))
    return (
        gathered(lost, "look", "Add the record line if it is missing.")
        + gathered(empty, "stop", "The position of another touch would be recorded under its number.")
        + gathered(twice, "stop", "Give every touch its own number.")
        + gathered(strange, "stop", "Check that the probe is the one of the plan.")
    )


def modes(case: Case) -> list[Finding]:
    """No shift, rotation, scaling or word that is not understood is in force when the probe moves."""
    since: dict[str, int] = {}
    hits = []
    for step in case.steps:
        since = {mode: since.get(mode, step.line) for mode in step.state.modes}
        if step.kind in MOVES and (step.kind == "probe" or case.probe_in(step)):
            hits += [
                (since[mode], f"{mode}, in force since line {since[mode]}, when the probe moves")
                for mode in step.state.strange(case.known)
            ]
    todo = "Cancel it before the probe is loaded: every move of the probe would go elsewhere than its text says."
    return gathered(hits, "stop", todo)


def orientation(case: Case) -> list[Finding]:
    """The spindle has been oriented since the tool change wherever a probe with side tips touches."""
    star = case.probe is not None and not case.probe.turned  # even where its straight tip touches, the others come near
    oriented = asked = False
    touched: Step | None = None
    wrong = []
    for step in case.steps:
        if step.kind == "tool" or (step.kind == "spindle" and step.detail != "M19"):
            oriented = asked = False
        elif step.kind == "spindle" or (step.kind == "stop" and asked):
            oriented = True
        elif step.kind == "message":
            asked |= str(step.detail).upper().startswith("PROBEKIT ORIENT BY HAND")
            if star and not oriented and str(step.detail).upper().startswith("PROBEKIT DRY TOUCH"):
                wrong.append((step.line, "a probe with side tips at its touch, and nothing has oriented the spindle"))
        elif step.kind == "probe":
            touched = None if oriented or star else step
            if star and not oriented:
                wrong.append((step.line, "a touch by a probe with side tips, and nothing has oriented the spindle"))
        elif step.kind == "record" and isinstance(step.detail, Recorded) and step.detail.tip and touched is not None:
            wrong.append((touched.line, f"a touch with tip {step.detail.tip}, and nothing has oriented the spindle"))
    todo = (
        "Orient it after the tool change (M19, or a stop at which a person does): until then its tips may point "
        "anywhere."
    )
    return gathered(wrong, "stop", todo)


def program_end(case: Case) -> list[Finding]:
    """The program has an end, and nothing after it."""
    if not case.steps:
        return [Finding(0, "stop", "the program does nothing", "Check that it is the right file.")]
    last, final = case.steps[-1], case.blocks[-1].line
    marks = sum(block.mark for block in case.blocks)
    found = []
    if last.kind != "end":
        found.append(Finding(final, "stop", "the program has no end (M2, M30)", "Check that the file is complete."))
    if marks == 1:
        found.append(Finding(final, "look", "there is only one program mark %", "A file has two of them or none."))
    ran = {block.line for at, block in unrolled(case.blocks) if case.blocks[at].line < last.line}
    subs = [{*range(case.blocks[s.first].line, case.blocks[s.last].line + 1)} for s in subprograms(case.blocks)]
    called = set().union(*(lines for lines in subs if lines & ran))
    after = [b for b in case.blocks if last.kind == "end" and b.line > last.line and b.line not in called]
    unread = [b for b in case.blocks if b.text.strip("/ \t") and b == Block(b.line, b.text)]
    if case.options.get("block_delete"):
        unread = [b for b in unread if not b.text.lstrip().startswith("/")]
    rest = [b for b in after if b.words or b.unknown]
    for what, lines, around in (
        ("lines follow the program end and are never run", rest, after),
        ("lines stand before the first % or after the last, where most controls do not read", unread, unread),
    ):
        if lines:
            severity = "stop" if any("PROBEKIT" in b.text.upper() for b in around) else "look"
            what = f"{len(lines)} {what}"
            found.append(Finding(lines[0].line, severity, what, "Check that they are not meant to run."))
    return found


def _lowest(step: Step) -> float:
    rises = step.start[:2] == step.end[:2] and step.end[2] >= step.start[2]
    heights = [value for value in (step.end[2], *(() if rises else step.start[2:])) if math.isfinite(value)]
    return min(heights, default=math.inf)


def _inch_probe(step: Step) -> bool:
    return step.kind == "probe" and step.state.units == "G20"


def _all() -> Iterator[Rule]:
    yield from (spindle, coolant, probe_is_in, length_offset, touch_feed, feed_said, exact_path)
    yield from (
        rapid_height,
        rotary_lifted,
        travel,
        work_offset,
        units,
        records,
        place_known,
        unknown_words,
        watched_alike,
        modes,
        orientation,
        program_end,
    )


RULES: tuple[Rule, ...] = tuple(_all())
