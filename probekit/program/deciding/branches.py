"""A program that decides, for a language in which nothing ends a program but its end: what follows stands in a branch.

A decision that would stop for good has nothing after it then: all that comes later is done only where it holds, and
where it does not, the program tells why and comes to its end, lifted. Such a program cannot be started again in its
midst, so it has no place for that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..moves import Lift, Message, Restart
from .decisions import Continue, Decide, ShiftOffset, Step
from .expressions import Expression, Let, Name, Operation, Value, total

__all__ = ["in_branches"]

_AXES = "XYZ"
_UNITS = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def in_branches(steps: Sequence[Step]) -> tuple[Step, ...]:
    """A program of phases, with all that follows a decision within it.

    Parameters
    ----------
    steps : sequence of Step
        From `probekit.program.deciding.phases.in_phases`: no repeats, one shift at most, and no table that turns. The
        shift is reckoned along X, Y and Z, and made once, where the decisions have let the program go on.

    Returns
    -------
    tuple of Step
    """
    kept = [one for one in steps if not isinstance(one, Restart | ShiftOffset)]
    shifts = [one for one in steps if isinstance(one, ShiftOffset)]
    return _within(kept, _by_axes(shifts[0]) if shifts else ())


def _within(steps: Sequence[Step], shift: Sequence[Step]) -> tuple[Step, ...]:
    """Steps with the shift after the last decision, and what follows each decision in its first branch."""
    at = next((number for number, one in enumerate(steps) if isinstance(one, Decide)), None)
    if at is None:
        return (*shift, *_as_it_is(steps))
    one = steps[at]
    assert isinstance(one, Decide)
    begun = [step for step in one.then if not isinstance(step, Continue)]
    return (*steps[:at], replace(one, then=(*begun, *_within(steps[at + 1 :], shift))))


def _as_it_is(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Steps without their first lift: the probe is lifted, and the same place is another one in a shifted system."""
    first = next((number for number, one in enumerate(steps) if not isinstance(one, Message)), 0)
    lifted = bool(steps) and isinstance(steps[first], Lift)
    return (*steps[:first], *steps[first + lifted :])


def _by_axes(shift: ShiftOffset) -> tuple[Step, ...]:
    """A shift by three values, along X, Y and Z."""
    lets = []
    for axis, letter in enumerate(_AXES):
        parts: list[Expression] = [
            Name(name) if way[axis] == 1 else Operation("*", (Value(float(way[axis])), Name(name)))
            for name, way in zip(shift.names, np.array(shift.directions).tolist(), strict=True)
            if way[axis]
        ]
        lets.append(Let(f"{letter} shift into {shift.to}", total(parts) if parts else Value(0.0, "mm")))
    return (*lets, replace(shift, names=tuple(let.name for let in lets), directions=_UNITS))
