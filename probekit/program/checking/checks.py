"""Checks of a program before a qualified person releases it. No check can say that a program is safe."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..deciding.decisions import Decision, Entered, Recut, ShiftOffset, Step, decides, linear
from ..deciding.paths import straight
from ..moves import FirstTouch, dry_of
from ..reading.source import Source, load
from ..reading.words import Block, parse
from ..writing.lifting import lifts_among
from .again import cut_again_as_planned
from .asked_for import confirmed, dry_run, rotary_proved, warmed_up
from .case import SOMEWHERE, Case, Clear, is_dry
from .collision import collision
from .contacts import steps_to_contact
from .decided import branches, decides_as_planned, shifts_as_planned
from .entered import entered_within
from .findings import Finding, Findings, in_order, made
from .in_milling import copies_in_milling, reckoned_alone
from .milling import milling_as_before
from .planned import rapids_as_planned, touches_as_planned
from .restarting import restarts
from .rules import RULES
from .seams import (
    as_written,
    from_above,
    handed_back,
    kept,
    lifted_for_changes,
    machine_coordinates,
    offsets_as_planned,
)
from .stopping import confirms_as_planned, stops_as_planned
from .ways import ways_as_planned

__all__ = ["check"]

_ALL = (
    *RULES,
    offsets_as_planned,
    touches_as_planned,
    rapids_as_planned,
    ways_as_planned,
    kept,
    handed_back,
    lifted_for_changes,
    from_above,
    machine_coordinates,
    as_written,
    milling_as_before,
    confirmed,
    rotary_proved,
    restarts,
    warmed_up,
    dry_run,
    shifts_as_planned,
    copies_in_milling,
    reckoned_alone,
    entered_within,
    decides_as_planned,
    cut_again_as_planned,
    stops_as_planned,
    confirms_as_planned,
    branches,
    collision,
)


def check(
    text: str | bytes | Path | Source,
    *,
    kinematics: Kinematics | None = None,
    probe: Probe | None = None,
    tool: int | None = None,
    clear: Clear | None = None,
    margin: float = 1.0,
    safe_height: float | None = None,
    turn_height: float | None = None,
    touch_feed: float = 200.0,
    positioning_feed: float = 3000.0,
    overtravel: float = 5.0,
    near: float = 0.2,
    offsets: Mapping[str, Sequence[float]] | None = None,
    start: Sequence[float] | None = None,
    known: Iterable[str] = (),
    aliases: Mapping[str, str] | None = None,
    work_offset: str | None = None,
    length: int | None = None,
    slots: Sequence[int] = (),
    moves: Sequence[Step] = (),
    lifts: Iterable[str] = (),
    milling: str | bytes | Path | Source | None = None,
    flow: bool = False,
    names: Sequence[int] = (),
    spelled: Mapping[str, Sequence[str]] | None = None,
) -> Findings:
    """Run through a program and look for what must not happen with a probe in the spindle.

    Many parameters: each check compares the program with something stated about machine, probe, part or plan; what is
    not stated is not checked, and the findings say so. The plan of a study fills them in: its method `check`.

    Parameters
    ----------
    text : str, bytes, Path or Source
        The whole program, merged or not; a str is the text itself.
    kinematics : Kinematics, optional
        Rotary axes and travel of the machine; without it travel is not checked.
    probe : Probe, optional
        For the radius of its ball and its length. Without it probing moves are followed to their ends.
    tool : int, optional
        Number of the probe in the magazine; if not given, the tools that are in at probing moves.
    clear : callable, optional
        ``clear(starts, ends, tool_axes)``, three (n, 3) float in the part frame [mm] -> (n,) float: least distance of
        the whole probe to all obstacles along straight moves of the reference ball's centre, negative inside. For a
        `probe` with further tips the third is its attitude (n, 3, 3). Without it collisions are not checked. For
        instance ``lambda a, b, axis: plan.clearance_along(obstacles, probe, a, b, axis)``.
    margin : float
        Least distance in all moves but probing moves and the one that leaves from contact [mm].
    safe_height : float, optional
        Program Z [mm] below which rapid moves of the probe are not wanted, except straight up. Where a plan has a
        clear height of its own for each pose, leave it out and give `clear`.
    turn_height : float, optional
        Program Z [mm] from which rotary axes may turn with the probe in; `safe_height` if not given.
    touch_feed, positioning_feed : float
        Largest feed of probing moves and of other moves of the probe at feed [mm/min]. The defaults are common
        practice, no source.
    overtravel : float
        How far [mm] a probing move may go beyond its target, or enter the model where that is not known.
    near : float
        A touch whose target is known is followed to this distance [mm] before the ball should touch: more than the
        chord error of the obstacles.
    offsets : mapping of str to (3,) float, optional
        Origins of work offsets in machine coordinates [mm].
    start : (3,) float, optional
        Where the machine stands whenever the text does not tell [mm].
    known : iterable of str
        Words that are known to be harmless on this machine, as they are listed: ("M88",).
    aliases : mapping of str to str, optional
        Words of this control that mean a word of RS274/NGC: ``{"G901": "G38.2"}``. They are a statement of yours.
    work_offset : str, optional
        The planned one: "G54".
    length : int, optional
        Number of the length offset of the probe that is planned.
    slots : (2,) int, optional
        First and last parameter in which the program keeps triggers, three for each touch.
    moves : sequence of Move, optional
        The planned ones: each touch of the text is compared with its own, and so are the rapid moves. With decisions
        among them (`probekit.program.deciding`) the text is run beside them, just within and beyond each limit.
    lifts : iterable of str
        Blocks that bring the spindle to where tools are changed; one of them stands before and after each change of
        the probe.
    milling : str, bytes, Path or Source, optional
        The milling program that the probing was put into: every line outside the inserted part must be its own.
    flow : bool
        Whether the control knows flow control (O-words), which RS274/NGC does not have.
    names : (2,) int, optional
        First and last parameter in which the program keeps values that it reckons.
    spelled : mapping of str to sequence of str, optional
        The lines of the dialect for each kind of move: what it leaves out is not asked for.

    Returns
    -------
    Findings

    Raises
    ------
    InputError
        If the text cannot be read, or a limit is not a positive number.

    Notes
    -----
    A program with block delete lines (``/``) is run with and without them. One that says that it is a dry run is
    checked as such: without a milling program, against where its planned touches would begin. A program that reckons
    with its triggers is run with those of a nominal part. Rotary moves are followed in steps of 3
    degrees; the moves of milling tools are checked against travel only.
    """
    limits = (("margin", margin), ("touch_feed", touch_feed), ("positioning_feed", positioning_feed))
    for name, value in (*limits, ("overtravel", overtravel), ("near", near)):
        if not 0 < value < float("inf"):
            raise InputError("a limit is not usable", column=name, found=value, expected="a positive number")
    source, lifts = load(text), lifts_among(tuple(lifts))
    blocks = parse(source)
    dry = is_dry(blocks)
    decided = tuple(moves) if decides(moves) and not dry else ()
    moves = tuple(one for one in straight(moves) if not isinstance(one, Decision)) if decides(moves) else tuple(moves)
    moves = dry_of(moves) if dry else moves
    if offsets is None:  # where they are does not matter, only how far apart, and that no two values are the same
        offsets = _copied(decided) or None
    kinematics = kinematics or Kinematics()
    numbers: dict[str, float] = {"margin": margin, "touch_feed": touch_feed, "positioning_feed": positioning_feed}

    def case(block_delete: bool) -> Case:
        options = {"start": start, "offsets": offsets, "aliases": aliases, "block_delete": block_delete, "flow": flow}
        # a block that is left out stands there empty, so that each line keeps its place
        left = tuple(Block(one.line, one.text) if block_delete and one.skip else one for one in blocks)
        steps = steps_to_contact(left, probe, kinematics, options)
        return Case(
            left,
            steps,
            kinematics=kinematics,
            probe=probe,
            tool=tool,
            clear=clear,
            safe_height=safe_height,
            turn_height=safe_height if turn_height is None else turn_height,
            overtravel=overtravel,
            near=near,
            known=frozenset(known),
            work_offset=work_offset,
            length=length,
            slots=tuple(slots),
            moves=moves,
            first_feed=max((move.feed for move in moves if isinstance(move, FirstTouch)), default=None),
            lifts=lifts,
            source=source,
            milling=None if milling is None or dry else load(milling),
            decided=decided,
            names=tuple(names),
            spelled=spelled,
            options=options | {"offsets": offsets or {}},
            **numbers,
        )

    found, results = made(_ALL, case(False))
    if any(block.skip for block in blocks):
        lines = {(f.check, f.line, f.severity) for f in found}
        more, _ = made(_ALL, case(True))
        found += [
            replace(f, what=f"{f.what} (block delete on)") for f in more if (f.check, f.line, f.severity) not in lines
        ]
    found += [Finding(0, "note", note, "Check that the comments are legible.", "text") for note in source.notes]
    return Findings(in_order(found), results)


def _copied(steps: Sequence[Step]) -> dict[str, tuple[float, float, float]]:
    """Work offsets that copies are made of, and those that a person has entered."""
    found = list(linear(steps))
    entered = [name for one in found if isinstance(one, Entered) for name in (one.by, one.to)]
    shifted = [one.by for one in found if isinstance(one, ShiftOffset)]
    # what is cut again may count from a copy that is written by then
    cut = [] if shifted or entered else [one.of for one in found if isinstance(one, Recut)]
    return dict.fromkeys([*shifted, *entered, *cut], SOMEWHERE)
