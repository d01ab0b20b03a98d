"""The checks of length offset and work offset: those of the probe, one of each, and nothing that moves them meanwhile.

Common practice of probing in a machining centre, no source.
"""

from __future__ import annotations

from itertools import pairwise

from ..reading.steps import MOVES
from .case import Case
from .findings import Finding, gathered

__all__ = ["length_offset", "work_offset"]


def length_offset(case: Case) -> list[Finding]:
    """Probing moves are made with the length offset of the probe."""
    touches = [s for s in case.steps if s.kind == "probe"]
    without = ((s.line, "a probing move without a tool length offset") for s in touches if not s.state.length_offset)
    stale = (
        (s.line, f"a probing move with length offset H{s.state.length_offset}, set before the probe was loaded")
        for s in touches
        if s.state.length_offset and "length" not in s.state.said
    )
    todo = "Program G43 H with the probe's length offset after the tool change."
    found = gathered(without, "stop", todo) + gathered(stale, "stop", todo)
    used = sorted({(s.state.tool or 0, s.state.length_offset) for s in touches if s.state.length_offset})
    for tool in sorted({tool for tool, _ in used}):
        numbers = [number for one, number in used if one == tool]
        if len(numbers) > 1:
            what = f"tool {tool} probes with several length offsets: {', '.join(f'H{n}' for n in numbers)}"
            found.append(Finding(touches[0].line, "stop", what, "A probe has one length offset."))
        elif numbers[0] != tool:
            what = f"tool {tool} probes with length offset H{numbers[0]}"
            found.append(Finding(touches[0].line, "look", what, "Check that it is the length offset of the probe."))
    own = {number for _, number in used}
    shared = (
        (s.line, f"tool {s.state.tool} moves with length offset H{s.state.length_offset}, that of the probe")
        for s in case.steps
        if s.kind in MOVES and not case.probe_in(s) and "length" in s.state.said and s.state.length_offset in own
    )
    early = (
        (s.line, "the probe moves along Z before its length offset is said")
        for s in case.probe_moves("rapid", "feed", "arc")
        if "length" not in s.state.said and case.moves and _counts_along_z(case, s.line)
    )
    found += gathered(early, "stop", todo)
    return found + gathered(shared, "look", "One of the two has a wrong length: check the number at the machine.")


def _counts_along_z(case: Case, line: int) -> bool:
    """Whether a line states Z in program coordinates."""
    words = case.blocks[line - 1].words
    machine = {("G", 53.0), ("G", 28.0), ("G", 30.0)} & {*words}
    return not machine and any(letter == "Z" for letter, _ in words)


def work_offset(case: Case) -> list[Finding]:
    """All touches are made in one work offset, which nothing moves meanwhile; a planned copy apart."""
    touches = [s for s in case.steps if s.kind == "probe"]
    if case.copies:  # compared with the plan, touch by touch, by `shifts_as_planned`
        return []
    switched = (
        (b.line, f"the work offset changes from {a.state.offset} to {b.state.offset} between two touches")
        for a, b in pairwise(touches)
        if a.state.offset != b.state.offset
    )
    found = gathered(switched, "stop", "Probe one part in one work offset, or probe it as two runs.")
    told = [s for s in case.steps if s.kind == "message" and str(s.detail).startswith(("G10", "G92"))]
    reset = [
        s
        for s in told
        if touches
        and touches[0].line < s.line < touches[-1].line
        and str(s.detail).startswith("G10")
        and str(s.detail).endswith(s.state.offset)
    ]
    found += gathered(
        ((s.line, f"{s.detail}, between two touches") for s in reset),
        "stop",
        "The touches before and after it are not counted from one origin.",
    )
    todo = "An origin that the program moves must be the one that the touches are to be counted from."
    for severity, own in (("stop", True), ("look", False)):
        rest = [s for s in told if s not in reset and (bool(case.moves) and case.of_probing(s.line)) == own]
        found += gathered(((s.line, str(s.detail)) for s in rest), severity, todo)
    return found
