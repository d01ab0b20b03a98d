"""Scenarios of a trial that make a program decide: the set-up within and beyond its limit, touches that disagree."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..machine.chips import Chip
from ..program.deciding.decisions import Recut, Reprobe, ShiftOffset, Step
from ..program.deciding.estimates import Estimate
from ..program.deciding.paths import straight
from ..program.moves import FirstTouch, Touch
from ..program.reading.flow import flow_of
from ..program.reading.words import parse

if TYPE_CHECKING:
    from .. import machine
    from .prepared import Plan

__all__ = ["copies_wrong", "deciding_scenarios", "largest_shift", "not_lowered", "untaken", "untaken_measuring"]

_WITHIN, _BEYOND = 0.9, 1.1  # of the limit of a shift
_CHIP = 2.0  # thickness of a chip, in largest spreads


def largest_shift(planned: Plan) -> float:
    """How far the part may sit off, whichever way, without a stop; infinite if nothing is decided [mm]."""
    limits, level = [float(phase.limit) for phase in planned.phases if phase.limit is not None], False
    for phase in planned.phases:
        limits += [phase.recut.allowed] if phase.recut is not None and not level else []
        level |= bool(phase.to) and any(one.direction[2] for one in phase.estimate)
    return min(limits, default=np.inf) * _WITHIN / np.sqrt(3.0)


def deciding_scenarios(planned: Plan, *, by_hand: bool) -> Iterator[tuple[str, str, str, dict[str, Any]]]:
    """Name, what is wrong, the end that it should have, and either `shift` (3,) of the part [mm] or `errors`,
    perhaps with `errors_of` single programs.

    With `lowered`: a work offset, what it is a copy of, by how much it must then be lower, and within what [mm].

    Parameters
    ----------
    planned : Plan
        With phases.
    by_hand : bool
        Whether a person decides and enters the shift.
    """
    yield from _left(planned, by_hand=by_hand)
    phase = next((one for one in planned.phases if one.to), None)
    if phase is None or phase.limit is None:
        return
    ways = [one for one in phase.estimate if one.kind != "angle"]
    for one in ways:
        unit = np.array(one.direction, dtype=float)
        unit /= np.linalg.norm(unit)
        for sign, word in ((1.0, "along"), (-1.0, "against")):
            shift = sign * _WITHIN * phase.limit * unit
            what = f"the part sits {_WITHIN * phase.limit:.2f} mm {word} {_told(unit)}"
            yield f"{one.name} within its limit, {word}", what, "completes", {"shift": shift}
            shift = sign * _BEYOND * phase.limit * unit
            what = f"the part sits {_BEYOND * phase.limit:.2f} mm {word} {_told(unit)}"
            yield f"{one.name} beyond its limit, {word}", what, "stops", {"shift": shift}
    if by_hand:
        shift = _WITHIN * phase.limit * np.array(ways[0].direction) / np.linalg.norm(ways[0].direction)
        what = f"the part sits {_WITHIN * phase.limit:.2f} mm off, and the shift is entered with the other sign"
        yield "wrong sign entered", what, "completes or stops", {"errors": (), "sign": -1.0, "shift_entered": shift}
    once, each, again = _first_pass(planned, [estimate.name for estimate in phase.estimate])
    thick = _CHIP * max(one.spread for one in phase.estimate)
    chip = f"a chip of {thick:g} mm at the first touch that is reckoned with"
    again = 0 if by_hand else again
    repeated = "completes" if again else "stops"
    yield "chip, once", f"{chip}, once", repeated, {"errors": (Chip(thick, once, once),)}
    chips = tuple(Chip(thick, once + k * each, once + k * each) for k in range(again + 1))
    yield "chip, always", f"{chip}, however often it is made", "stops", {"errors": chips}


def _left(planned: Plan, *, by_hand: bool) -> Iterator[tuple[str, str, str, dict[str, Any]]]:
    """Material left where an operation may be cut again: taken off by that or not, too much of it, and a chip."""
    before, recuts = 0, {one.recut.operation: one for one in planned.phases if one.recut is not None}
    for step in planned.steps:
        if not isinstance(step, Reprobe):
            before += isinstance(step, Touch | FirstTouch)
            continue
        made = [one for one in step.steps if isinstance(one, Touch | FirstTouch)]
        count = len(made)
        first, last, before = before + 1, before + count, before + count
        cut = next((one for one in step.between if isinstance(one, Recut)), None)
        if cut is None:
            continue
        phase = recuts[cut.operation]
        if by_hand:  # the program of each phase counts its own touches
            first, last = 1, count
        used = {touch for one in step.steps if isinstance(one, Estimate) for touch in one.used}
        reckoned = first + next(place for place, one in enumerate(made) if isinstance(one, Touch) and one.touch in used)
        number = planned.phases.index(phase)
        asked = phase.recut
        assert asked is not None
        within, beyond = (asked.allowed + asked.limit) / 2, _BEYOND * asked.limit
        told, name = f"'{cut.operation}' has left {within:.3f} mm", phase.name
        spread = max(one.spread for one in phase.estimate)
        lowered = {**_errors(number, by_hand, Chip(within, first, last)), "lowered": (cut.to, cut.of, within, spread)}
        if by_hand:
            del lowered["lowered"]
            yield f"{name}, to be cut again", told, "stops", lowered
        else:
            yield f"{name}, cut again", f"{told}, which is taken off when it is cut again", "completes", lowered
        always = _errors(number, by_hand, Chip(within, first, last + count))
        yield f"{name}, not cut off", f"{told}, which stays", "stops", always
        told = f"'{cut.operation}' has left {beyond:.3f} mm"
        yield f"{name}, too much left", told, "stops", _errors(number, by_hand, Chip(beyond, first, last))
        thick = _CHIP * spread
        told = f"a chip of {thick:g} mm at the first touch that is reckoned with"
        yield f"{name}, chip", told, "stops", _errors(number, by_hand, Chip(thick, reckoned, reckoned))


def _errors(number: int, by_hand: bool, chip: Chip) -> dict[str, Any]:
    """A chip as errors of a run: where each phase has a program of its own, of that one only."""
    return {"errors": (), "errors_of": {number: (chip,)}} if by_hand else {"errors": (chip,)}


def not_lowered(ran: machine.results.Run, to: str, of: str, by: float, near: float) -> str:
    """What is wrong with the copy for what was cut again; "" if it is lower by what was left.

    Parameters
    ----------
    ran : Run
    to, of : str
        The copy and what it is a copy of.
    by, near : float
        By how much it must be lower, and within what [mm].
    """
    if to not in ran.origins or of not in ran.origins:
        return f"{to} has not been written: nothing was cut again"
    off = np.subtract(ran.origins[to], ran.origins[of]) + np.array([0.0, 0.0, by])
    return "" if float(np.abs(off).max()) <= near else f"{to} is {np.abs(off).max():.3f} mm off where it must be"


def _first_pass(planned: Plan, names: Sequence[str]) -> tuple[int, int, int]:
    """Which probing move makes the first touch that is reckoned with, how many a pass has, how often it is repeated."""
    steps = planned.steps
    repeat = next((one for one in steps if isinstance(one, Reprobe) and not one.between), None)
    own = steps if repeat is None else repeat.steps
    used = {touch for one in own if isinstance(one, Estimate) and one.name in names for touch in one.used}
    before = sum(isinstance(one, Touch | FirstTouch) for one in _before(steps, repeat))
    moves = [one for one in straight(own) if isinstance(one, Touch | FirstTouch)]
    first = next(place for place, one in enumerate(moves, 1) if isinstance(one, Touch) and one.touch in used)
    return before + first, len(moves), 0 if repeat is None else repeat.at_most


def _before(steps: Sequence[Step], repeat: Reprobe | None) -> Sequence[Step]:
    return () if repeat is None else steps[: steps.index(repeat)]


def copies_wrong(planned: Plan, ran: machine.results.Run, shift: Sequence[float], by: str) -> str:
    """What is wrong with the copies of the work offset at the end of a run; "" if they are shifted as the part is.

    Parameters
    ----------
    planned : Plan
    ran : Run
    shift : (3,) float
        By which the part sits off [mm].
    by : str
        Work offset that was set up.
    """
    phase = next((one for one in planned.phases if one.to), None)
    if phase is None or phase.to not in ran.origins or by not in ran.origins:
        return "" if phase is None else f"{phase.to} has not been written"
    ways = [np.array(one.direction, dtype=float) for one in phase.estimate if one.kind != "angle"]
    part = np.sum([(u @ np.array(shift)) * u / (u @ u) for u in ways], axis=0)
    angles = [one.angles for one in straight(planned.steps, keep=True) if isinstance(one, ShiftOffset)]
    wanted = planned.kinematics.part_motion(angles[-1] if angles else ())[:3, :3] @ part
    off = np.subtract(ran.origins[phase.to], ran.origins[by]) - wanted
    near = max(one.spread for one in phase.estimate)
    if float(np.abs(off).max()) <= near:
        return ""
    return f"{phase.to} is {np.abs(off).max():.3f} mm off where the part is"


def untaken(text: str, taken: set[tuple[int, bool]]) -> list[str]:
    """Ways of a program that no scenario has gone, in words.

    Parameters
    ----------
    text : str
    taken : set of (int, bool)
        Line of each decision that was made in any of them, and whether its condition held.
    """
    found = []
    for block in parse(text):
        flow = flow_of(block)
        if flow is not None and flow.word in ("IF", "ELSEIF", "WHILE"):
            ways = [(True, "yes"), (False, "no")]
            found += [f"line {block.line} {word}" for way, word in ways if (block.line, way) not in taken]
    return found


def untaken_measuring(text: str, taken: set[tuple[int, bool]]) -> list[str]:
    """The same of the decisions of a DMIS program within which all that follows stands; where it only waits is checked.

    Parameters
    ----------
    text : str
    taken : set of (int, bool)
        As for `untaken`.
    """
    from ..program.measuring.case import decisions_of
    from ..program.measuring.statements import statements

    opened, _ = decisions_of(statements(text))
    ways = [(line, way) for line in opened for way in (True, False)]
    return [f"line {line} {'yes' if way else 'no'}" for line, way in ways if (line, way) not in taken]


def _told(unit: np.ndarray) -> str:
    return "({:g}, {:g}, {:g})".format(*np.round(unit, 4).tolist())
