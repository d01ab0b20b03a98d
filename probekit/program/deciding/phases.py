"""Probe the datums, shift, probe the rest, stop if far off: phases of a plan as moves and decisions.

Every phase is planned for a set-up error of its own: the first for the largest there may be, each one after a shift for
the limit of that shift and the spread of its estimates together, since that is what a wrong one can do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ...show import shown
from ..moves import Index, Lift, Message, Move, Orient, Restart, SafeStop, Touch, WarmUp
from .asked import Phase, left_name, size_name
from .decisions import Continue, Decide, Entered, Milling, Recut, Reprobe, ShiftOffset, Step, UseOffset, linear
from .estimates import Estimate, Probed
from .expressions import Expression, Let, Name, Operation, Shifted, Value, total

__all__ = ["Part", "cut_again", "in_parts", "in_phases", "places_of"]

_AXES = "XYZ"


@shown
@dataclass(frozen=True)
class Part:
    """One of several programs in place of one that decides.

    Attributes
    ----------
    phase : Phase
    steps : tuple of Step
    work_offset : str
        Its own: of the first one that which is set up, of each later one the copy that a person enters.
    enter : tuple of str
        Names of the values to enter after it, along X, Y, Z; empty if there are none.
    touches : int
        How many the parts before it record.
    """

    phase: Phase
    steps: tuple[Step, ...]
    work_offset: str
    enter: tuple[str, ...] = ()
    touches: int = 0

    @property
    def sentence(self) -> str:
        """Phase and work offset in one line."""
        return f"{self.phase.sentence}; in {self.work_offset}"


def in_phases(
    moves: Sequence[Move],
    phases: Sequence[Phase],
    which: Sequence[int],
    by: str,
    kinematics: Kinematics,
    *,
    milling: bool = False,
) -> tuple[Step, ...]:
    """A program that decides, of the moves of a whole plan.

    Parameters
    ----------
    moves : sequence of Move
        From `moves_of`: the touches of a phase follow one another, and each but the first begins with a Restart.
    phases : sequence of Phase
    which : sequence of int
        Phase of each touch, in their order.
    by : str
        Work offset that is set up.
    kinematics : Kinematics
    milling : bool
        Whether milling goes on after it. The copy is then written before that, for the angles at which the probing
        leaves the rotary axes.
    """
    head, bodies, tail = _split(moves, which)
    height = next(move for move in reversed(moves) if isinstance(move, Lift))
    steps: list[Step] = list(head)
    shift: ShiftOffset | None = None
    for number, (phase, body) in enumerate(zip(phases, bodies, strict=True)):
        last = number == len(phases) - 1
        estimates = _estimates(phase, body)
        told = Message(f"PHASE {number + 1} OF {len(phases)}")
        if number and phase.after != "":
            steps += [*tail, *_for_milling(shift, tail, steps), Milling(phase.after, phase.occurrence), *head]
            again = shift if kinematics.axes else None  # else the copy is in force as it was written
            own: list[Step] = [told, *_shifted(_from_above(body), again, kinematics)]
        else:
            own = [told, *_shifted(body, shift, kinematics)]
        own += [] if last and not estimates else [height]
        own += estimates
        good = _good(phase, estimates)
        if phase.recut is not None:
            own = _cut_again(phase, own, estimates, by, shift, tail, head)
        elif phase.again and good is not None:
            kept = [one for one in own if not isinstance(one, Restart)]
            own = [Reprobe(tuple(kept), good, phase.again)]
        steps += own
        steps += [] if phase.recut is not None else _stops(_needed(phase, estimates, good))
        if phase.to:
            values = [one for one in estimates if one.kind != "angle"]
            shift = ShiftOffset(phase.to, by, tuple(one.name for one in values), tuple(one.direction for one in values))
    steps += [*tail, *(_for_milling(shift, tail, steps) if milling else [])]
    return (*steps, *([UseOffset(by)] if shift is not None else []))


def in_parts(
    moves: Sequence[Move], phases: Sequence[Phase], which: Sequence[int], by: str, kinematics: Kinematics
) -> tuple[Part, ...]:
    """Programs with a stop between them, for a control that cannot decide: a person reads, judges and enters values.

    Parameters
    ----------
    moves, phases, which, by, kinematics
        As for `in_phases`.

    Raises
    ------
    InputError
        If a table turns the part: the shift is then another one in each pose, and nobody could enter them all.
    """
    head, bodies, tail = _split(moves, which)
    height = next(move for move in reversed(moves) if isinstance(move, Lift))
    parts: list[Part] = []
    offset, before = by, 0
    limit: float | None = None
    for phase, body in zip(phases, bodies, strict=True):
        estimates = _estimates(phase, body)
        entered = [] if offset == by or limit is None else [Entered(offset, by, limit)]
        if entered:
            _refuse_turned(body, kinematics)
        own = _from_above(body)
        lets, last = _values_to_enter(phase, estimates), phase is phases[-1] and phase.recut is None
        if phase.recut is not None:
            left: Expression = Name(phase.recut.by)
            lets = [Let(left_name(phase), Operation("-", (left, Shifted(offset, by, 2))) if entered else left)]
        end = [*tail] if last else [height, *(one for one in tail if isinstance(one, Index))]
        back = [UseOffset(by)] if entered else []
        done = [] if last else [SafeStop(_message(phase))]
        enter = tuple(let.name for let in lets[:3]) if phase.to else ()
        parts.append(Part(phase, (*head, *entered, *own, *end, *estimates, *lets, *back, *done), offset, enter, before))
        before += sum(isinstance(one, Touch) for one in body)
        if phase.to:
            offset, limit = phase.to, phase.limit
    return tuple(parts)


def places_of(steps: Sequence[Step]) -> list[tuple[str | int, int | None]]:
    """The places of the milling program to which it goes on within the probing, and which of several each is.

    Parameters
    ----------
    steps : sequence of Step
    """
    return [(one.after, one.occurrence) for one in steps if isinstance(one, Milling)]


def cut_again(steps: Sequence[Step]) -> list[Recut]:
    """What of the milling program may be run again, in the order of the text.

    Parameters
    ----------
    steps : sequence of Step
    """
    return [one for one in linear(steps) if isinstance(one, Recut)]


def _for_milling(shift: ShiftOffset | None, tail: Sequence[Move], before: Sequence[Step]) -> list[Step]:
    """The copy, written for the angles at which the rotary axes are left, if it is not there yet."""
    left = next((move.angles for move in reversed(tail) if isinstance(move, Index)), ())
    if shift is None or (not left and shift in before):
        return []
    return [replace(shift, angles=left)]


def _from_above(body: Sequence[Move]) -> list[Move]:
    """The moves of a phase from where tools are changed: no lift, and no place to start again before them."""
    own = list(body[isinstance(body[0], Restart) :])
    while own and isinstance(own[0], Lift | Orient):
        del own[0]
    return own


def _split(moves: Sequence[Move], which: Sequence[int]) -> tuple[list[Move], list[list[Move]], list[Move]]:
    """What comes before the first phase, the moves of each, and the end."""
    begin = next(at for at, move in enumerate(moves) if isinstance(move, WarmUp)) + 1
    touched = [at for at, move in enumerate(moves) if isinstance(move, Touch)]
    firsts = [at for row, at in enumerate(touched) if row and which[row] != which[row - 1]]
    places = [max(k for k in range(at) if isinstance(moves[k], Restart)) for at in firsts]
    end = len(moves) - (2 if isinstance(moves[-1], Index) else 1)
    cuts = [begin, *places, end]
    bodies = [list(moves[a:b]) for a, b in pairwise(cuts)]
    return list(moves[:begin]), bodies, list(moves[end:])


def _estimates(phase: Phase, body: Sequence[Move]) -> list[Estimate]:
    """The estimates of a phase, of the touches that are planned in it."""
    found = []
    for asked in phase.estimate:
        own = tuple(
            Probed(one.touch, one.target, one.normal)
            for one in body
            if isinstance(one, Touch) and one.feature in asked.features
        )
        if not own:
            raise InputError(
                f"phase '{phase.name}': nothing is touched for estimate '{asked.name}'",
                column="estimate.features",
                found=", ".join(asked.features),
                expected=", ".join(dict.fromkeys(m.feature for m in body if isinstance(m, Touch))),
            )
        estimate = Estimate(asked.name, asked.kind, own, asked.direction, asked.along)
        if not estimate.redundant:
            raise InputError(
                f"phase '{phase.name}': no touch checks another in estimate '{asked.name}'",
                column="estimate.spread",
                found=f"touches {', '.join(map(str, estimate.used))}",
                todo="Touch the feature at more places: one chip would go unnoticed.",
            )
        found.append(estimate)
    return found


def _good(phase: Phase, estimates: Sequence[Estimate]) -> Expression | None:
    """Whether the touches of a phase agree with one another."""
    holds = [
        Operation("<=", (estimate.spread, Value(asked.spread, "mm")))
        for asked, estimate in zip(phase.estimate, estimates, strict=True)
    ]
    return _all(holds)


def _needed(phase: Phase, estimates: Sequence[Estimate], good: Expression | None) -> list[tuple[Expression, str]]:
    """What must hold after a phase, and what the operator reads if it does not."""
    needed = [] if good is None else [(good, f"PHASE {phase.name}: TOUCHES DISAGREE"[:60])]
    for asked, estimate in zip(phase.estimate, estimates, strict=True):
        if asked.limit is not None:
            size = Operation("abs", (Name(asked.name, estimate.unit),))
            holds = Operation("<=", (size, Value(asked.limit, "degree" if estimate.unit == "degree" else "mm")))
            needed.append((holds, f"PHASE {phase.name}: {asked.name} BEYOND ITS LIMIT"[:60]))
    values = [Name(one.name) for one in estimates if one.kind != "angle"]
    if phase.to and phase.limit is not None:
        length = Operation("sqrt", (total([Operation("*", (one, one)) for one in values]),))
        holds = Operation("<=", (length, Value(phase.limit, "mm")))
        needed.append((holds, f"PHASE {phase.name}: SET-UP OFF BY MORE THAN {phase.limit:g}"[:60]))
    return needed


def _stops(needed: Sequence[tuple[Expression, str]]) -> list[Step]:
    """What must hold, or else the program stops for good."""
    return [Decide(holds, (Continue(),), (SafeStop(message),)) for holds, message in needed]


def _cut_again(
    phase: Phase,
    own: Sequence[Step],
    estimates: Sequence[Estimate],
    by: str,
    shift: ShiftOffset | None,
    out: Sequence[Move],
    back: Sequence[Move],
) -> list[Step]:
    """The touches of a phase, the operation again if they find material left, and the touches again.

    Parameters
    ----------
    phase : Phase
    own : sequence of Step
        Its touches and estimates.
    estimates : sequence of Estimate
    by : str
        Work offset that is set up.
    shift : ShiftOffset, optional
        In force: what is left is counted from the shifted copy, in which the operation was milled.
    out, back : sequence of Move
        That take the probe out, and put it in again.

    Many parameters: all that holds at that place.
    """
    asked = phase.recut
    assert asked is not None
    given = () if shift is None else zip(shift.names, shift.directions, strict=True)
    moved: list[Expression] = [
        Name(name) if way[2] == 1 else Operation("*", (Value(way[2]), Name(name))) for name, way in given if way[2]
    ]
    height: Expression = Name(asked.by)
    left = Let(left_name(phase), Operation("-", (height, total(moved))) if moved else height)
    size = Operation("abs", (Name(left.name),))
    most = Operation("<=", (size, Value(asked.limit, "mm")))
    needed = _needed(phase, estimates, _good(phase, estimates))
    beyond = f"PHASE {phase.name}: OFF BY MORE THAN {asked.limit:g}"[:60]
    kept = [one for one in own if not isinstance(one, Restart)]
    of = by if shift is None else shift.to
    recut = Recut(asked.operation, left.name, asked.limit, asked.to, of, asked.occurrence)
    again = Reprobe(
        (*kept, left, *_stops([*needed, (most, beyond)])),
        Operation("<=", (Name(left.name), Value(asked.allowed, "mm"))),
        1,
        (*out, recut, *back),
    )
    still = f"PHASE {phase.name}: STILL OFF BY MORE THAN {asked.allowed:g}"[:60]
    return [again, *_stops([(Operation("<=", (size, Value(asked.allowed, "mm"))), still)])]


def _all(holds: Sequence[Expression]) -> Expression | None:
    if not holds:
        return None
    found = holds[0]
    for one in holds[1:]:
        found = Operation("and", (found, one))
    return found


def _shifted(body: Sequence[Move], shift: ShiftOffset | None, kinematics: Kinematics) -> list[Step]:
    """The moves of a phase, with the copy written anew wherever a table has turned the part."""
    if shift is None:
        return list(body)
    found: list[Step] = []
    written = False
    for move in body:
        found.append(move)
        if isinstance(move, Index):
            found.append(replace(shift, angles=move.angles))
            written = True
        elif isinstance(move, Lift) and not kinematics.axes and not written:
            found.append(shift)
            written = True
    return found


def _refuse_turned(body: Sequence[Move], kinematics: Kinematics) -> None:
    for move in body:
        if isinstance(move, Index) and not np.allclose(kinematics.part_motion(move.angles)[:3, :3], np.eye(3)):
            told = " ".join(f"{a}{v:g}" for a, v in zip(kinematics.letters, move.angles, strict=True))
            raise InputError(
                "the table turns the part, so the shift is not one work offset for all poses",
                found=f"touches at {told}",
                expected="poses at which the part is not turned, or a dialect that can decide",
                todo="Use a dialect such as rs274_flow if the control reads it: it writes the copy anew in each pose.",
            )


def _values_to_enter(phase: Phase, estimates: Sequence[Estimate]) -> list[Let]:
    """The shift along X, Y and Z of the program, as a person enters it."""
    if not phase.to:
        return []
    values = [one for one in estimates if one.kind != "angle"]
    lets = []
    for axis, letter in enumerate(_AXES):
        parts: list[Expression] = [
            Name(one.name) if one.direction[axis] == 1 else Operation("*", (Value(one.direction[axis]), Name(one.name)))
            for one in values
            if one.direction[axis]
        ]
        lets.append(Let(f"{letter} shift into {phase.to}", total(parts) if parts else Value(0.0, "mm")))
    squares: list[Expression] = [Operation("*", (Name(let.name), Name(let.name))) for let in lets]
    return [*lets, Let(size_name(phase), Operation("sqrt", (total(squares),)))]


def _message(phase: Phase) -> str:
    if phase.recut is not None:
        return "READ THE VALUES, CUT AGAIN OR GO ON: SEE SHEET"
    return f"READ THE VALUES, ENTER {phase.to}: SEE SHEET" if phase.to else f"PHASE {phase.name} DONE: SEE SHEET"[:60]
