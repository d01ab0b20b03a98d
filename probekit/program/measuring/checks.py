"""Checks of a DMIS program before a qualified person releases it. No check can say that a program is safe."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..checking.asked_for import dry_run
from ..checking.case import Case, Clear, is_dry
from ..checking.collision import collision
from ..checking.findings import CheckResult, Finding, Findings, in_order, made
from ..checking.rules import rotary_lifted, travel
from ..deciding.decisions import Step
from ..deciding.paths import straight
from ..moves import Move, dry_of
from ..reading.source import Source, load
from ..reading.words import Block
from .case import MeasuringCase
from .deciding import branches_end, decides_as_planned, systems_as_planned
from .memory import PROBE_IN
from .reader import Reading, read
from .rules import (
    frame_as_planned,
    handed_back,
    moved_by_itself,
    rates,
    restarts,
    results_put_out,
    same_ways,
    start_known,
)
from .stopping import stops_as_planned
from .touching import nothing_left_out, touches_as_planned, ways_as_planned

__all__ = ["check_measuring"]

_OWN = (
    frame_as_planned,
    moved_by_itself,
    same_ways,
    touches_as_planned,
    results_put_out,
    ways_as_planned,
    nothing_left_out,
    rates,
    stops_as_planned,
    systems_as_planned,
    decides_as_planned,
    branches_end,
    restarts,
    handed_back,
    start_known,
)
_COMMON = (rotary_lifted, travel, collision, dry_run)
_NEAR = 0.2  # a touch is followed to this distance before contact: more than the chord error of the obstacles [mm]


def check_measuring(
    text: str | bytes | Path | Source,
    *,
    kinematics: Kinematics,
    probe: Probe,
    steps: Sequence[Step],
    frame: str,
    clear: Clear | None = None,
    margin: float = 1.0,
    turn_height: float | None = None,
    positioning_feed: float = 3000.0,
    overtravel: float = 5.0,
    start: Sequence[float] | None = None,
) -> Findings:
    """Read a DMIS program and compare it with its plan; look for what must not happen.

    Many parameters: each check compares the program with something stated about machine, probe, part or plan. The plan
    of a study fills them in: its method `check`.

    Parameters
    ----------
    text : str, bytes, Path or Source
        The whole program; a str is the text itself.
    kinematics : Kinematics
        Rotary axes of the head, and travel.
    probe : Probe
    steps : sequence of Step
        The planned moves, and what is decided among them.
    frame : str
        The statement that recalls the planned coordinate system: ``RECALL/D(PART)``.
    clear, margin, turn_height, positioning_feed, overtravel, start
        As for `probekit.program.check`.

    Returns
    -------
    Findings

    Raises
    ------
    InputError
        If the file cannot be read. What a program says that is not known is a finding.
    """
    source = load(text)
    try:
        reading = read(source.text, kinematics=kinematics, probe=probe, start=start)
    except InputError as error:
        return _unread(error)
    blocks = tuple(Block(one.line, one.text, comments=(one.named,)) for one in reading.statements if one.word == "$$")
    moves = straight(steps)
    planned = dry_of(moves) if is_dry(blocks) else moves
    case = _case(
        reading, blocks, planned, kinematics, probe, (clear, margin, turn_height, positioning_feed, overtravel)
    )
    own, results = made(_OWN, MeasuringCase(reading, case, planned, frame, positioning_feed, tuple(steps)))
    common, more = made(_COMMON, case)
    understood = CheckResult("understood", "Every statement is known, and the program can be followed to its end")
    notes = [Finding(0, "note", note, "Check that the comments are legible.", "text") for note in source.notes]
    return Findings(in_order([*own, *common, *notes]), (understood, *results, *more))


def _case(
    reading: Reading,
    blocks: tuple[Block, ...],
    moves: tuple[Move, ...],
    kinematics: Kinematics,
    probe: Probe,
    limits: tuple[Clear | None, float, float | None, float, float],
) -> Case:
    """The program as the checks of milling programs know one."""
    clear, margin, turn_height, positioning, overtravel = limits
    return Case(
        blocks,
        reading.steps,
        kinematics,
        probe,
        PROBE_IN,
        clear,
        margin,
        None,
        turn_height,
        positioning,
        positioning,
        overtravel,
        _NEAR,
        frozenset(),
        moves=moves,
    )


def _unread(error: InputError) -> Findings:
    """That a program could not be read to its end, and what was not checked for that."""
    told = str(error).rstrip(".")
    line = error.line or 0
    found = Finding(line, "stop", told.removeprefix(f"line {line}: "), "Nothing after it was checked.", "understood")
    why = "the program could not be read to its end"
    rules = [(rule.__name__, (rule.__doc__ or "").split("\n")[0].rstrip(".")) for rule in (*_OWN, *_COMMON)]
    understood = CheckResult("understood", "Every statement is known, and the program can be followed to its end")
    return Findings((found,), (understood, *(CheckResult(name, about, why) for name, about in rules)))
