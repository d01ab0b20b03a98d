"""What a program that decides comes to, if its touches deviate so: the meaning of the data, without any control."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from ...show import shown
from ..moves import Record, SafeStop
from .decisions import Decide, Entered, Recut, Reprobe, ShiftOffset, Step, UseOffset
from .estimates import Estimate
from .expressions import Let, value_of

__all__ = ["Outcome", "outcome"]

Point = tuple[float, float, float]


@shown
@dataclass
class Outcome:
    """Where a program ends, and what it has reckoned.

    Attributes
    ----------
    stopped : str
        Message of the safe stop that ended it; empty if it came to its end.
    values : dict of str to float
        What was named.
    shifts : list of (str, (n_axes,) float, (3,) float)
        Copy, angles, and shift in the part frame [mm], in their order.
    recuts : list of (str, float)
        Operation and change of its tool offset [mm].
    touches : list of int
        In the order made, those made again too.
    steps : list of Step
        That were done.
    """

    stopped: str = ""
    values: dict[str, float] = field(default_factory=dict)
    shifts: list[tuple[str, tuple[float, ...], Point]] = field(default_factory=list)
    recuts: list[tuple[str, float]] = field(default_factory=list)
    touches: list[int] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)

    @property
    def sentence(self) -> str:
        """The end in one line."""
        end = f"stops itself: {self.stopped}" if self.stopped else "comes to its end"
        return f"{len(self.touches)} touches; {end}"


def outcome(steps: Sequence[Step], deviation: Callable[[int, int], float]) -> Outcome:
    """Follow a program.

    Parameters
    ----------
    steps : sequence of Step
        That `check_paths` let pass.
    deviation : callable
        ``deviation(touch, time)`` gives the deviation [mm] of a touch that is made for the nth time, from 0, counted
        from the first work offset.

    Raises
    ------
    InputError
        If a value cannot be reckoned.
    """
    found, last = Outcome(), dict[int, float]()
    _follow(steps, found, last, deviation)
    return found


def _follow(
    steps: Sequence[Step], found: Outcome, last: dict[int, float], deviation: Callable[[int, int], float]
) -> bool:
    """Whether the program goes on after steps."""
    for one in steps:
        if isinstance(one, Decide):
            branch = one.then if value_of(one.condition, found.values, last) else one.otherwise
            if not _follow(branch, found, last, deviation):
                return False
            continue
        if isinstance(one, Reprobe):
            for time in range(one.at_most + 1):
                if time and not _follow(one.between, found, last, deviation):
                    return False
                if not _follow(one.steps, found, last, deviation):
                    return False
                if value_of(one.until, found.values, last):
                    break
            continue
        found.steps.append(one)
        for let in one.lets if isinstance(one, Estimate) else (one,) if isinstance(one, Let) else ():
            found.values[let.name] = value_of(let.to, found.values, last)
        if isinstance(one, Record):
            last[one.touch] = deviation(one.touch, found.touches.count(one.touch))
            found.touches.append(one.touch)
        elif isinstance(one, ShiftOffset):
            by = [found.values[name] for name in one.names]
            shift = tuple(sum(v * u[k] for v, u in zip(by, one.directions, strict=True)) for k in range(3))
            found.shifts.append((one.to, one.angles, shift))
        elif isinstance(one, Recut):
            found.recuts.append((one.operation, found.values[one.by]))
        elif isinstance(one, UseOffset | Entered):
            name = one.name if isinstance(one, UseOffset) else one.to
            found.shifts.append((name, (), (0.0, 0.0, 0.0)))
        elif isinstance(one, SafeStop):
            found.stopped = one.message
            return False
    return True
