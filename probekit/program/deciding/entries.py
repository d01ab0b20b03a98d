"""What a person reads, judges and enters between two programs, where the control cannot decide."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ...show import shown
from .asked import left_name, size_name
from .decisions import Step, Switch, linear
from .expressions import Let
from .phases import Part

__all__ = ["Entry", "entries_of", "numbers_of"]


@shown
@dataclass(frozen=True)
class Entry:
    """One value.

    Attributes
    ----------
    parameter : str
        Where the control shows it: "#123".
    what : str
    limit : float or None
        Largest size with which the next program may be run.
    unit : str
    into : str
        What to enter, and with which sign; "" if the value is only judged.
    """

    parameter: str
    what: str
    limit: float | None
    unit: str = "mm"
    into: str = ""

    @property
    def sentence(self) -> str:
        """What is to be done with it, in one line."""
        judged = "" if self.limit is None else f", at most {self.limit:g} {self.unit} either way"
        return f"{self.parameter}: {self.what}{judged}" + (f"; {self.into}" if self.into else "")


def numbers_of(steps: Sequence[Step], first: int) -> dict[str, int]:
    """The parameter that each named value takes, in the order in which they are named.

    Parameters
    ----------
    steps : sequence of Step
    first : int
        The first parameter that may be used.
    """
    found: dict[str, int] = {}
    at = first
    for one in linear(steps):
        if isinstance(one, Let):
            found[one.name] = at
            at += 1
        elif isinstance(one, Switch) and one.where == "repeat":
            at += 2
    return found


def entries_of(part: Part, by: str, shows: Mapping[str, str]) -> tuple[Entry, ...]:
    """What a person does after a program, before the next one.

    Parameters
    ----------
    part : Part
    by : str
        Work offset that was set up: the copy is counted from it.
    shows : mapping of str to str
        Name of a value -> where the control shows it.
    """
    phase, found = part.phase, []
    for asked in phase.estimate:
        found.append(Entry(shows[f"{asked.name} spread"], f"spread of the touches of {asked.name}", asked.spread))
        if asked.limit is not None:
            unit = "degree" if asked.kind == "angle" else "mm"
            found.append(Entry(shows[asked.name], asked.name, asked.limit, unit))
    if phase.recut is not None:
        cut, of = phase.recut, part.work_offset
        into = (
            f"if it is more and at most {cut.limit:g} mm: enter Z of {cut.to} = Z of {of} MINUS this value, X and Y of "
            f"{cut.to} as those of {of}; run the program that cuts '{cut.operation}' again, ONCE, then this program; "
            "beyond that, or still more after it: do not go on"
        )
        found.append(Entry(shows[left_name(phase)], f"left to cut of '{cut.operation}'", cut.allowed, into=into))
    if phase.to:
        found.append(Entry(shows[size_name(phase)], "size of the whole shift", phase.limit))
    for letter, name in zip("XYZ", part.enter, strict=False):
        into = f"enter {letter} of {phase.to} = {letter} of {by} PLUS this value, with its sign; leave {by} as it is"
        found.append(Entry(shows[name], f"shift along {letter}", phase.limit, into=into))
    return tuple(found)
