"""Where a DMIS program waits for a person: outside the planned limits of a touch, and nowhere within them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ...errors import InputError
from ..checking.findings import Finding, gathered
from .case import MeasuringCase
from .memory import Memory, misplaced
from .plan_of import Limit, limits_of, waits_of
from .statements import Statement

__all__ = ["Reckoning", "stops_as_planned"]

_BESIDE = 2e-3  # beyond and within a limit the program is run so far off it [mm]; numbers of a program are rounded
_FAR = (0.02, 0.2, 2.0, 20.0)  # further beyond the outer ones: a limit has no other side [mm]
_ASIDE = np.array([0.7, 0.4])  # by so much points are found beside their nominal, across the normal [mm]


class Reckoning(Memory):
    """A memory that does not move: each point is found off its nominal by what is said."""

    def __init__(self, case: MeasuringCase, off: Mapping[str, float]) -> None:
        assert case.case.probe is not None
        super().__init__(case.case.kinematics, case.case.probe, (0.0, 0.0, 0.0), ())
        self.off, self.label = off, ""
        self.waits: dict[str, list[int]] = {}

    def on_goto(self, one: Statement) -> None:
        """Nothing moves."""

    def on_ptmeas(self, one: Statement) -> None:
        """A point off its nominal."""
        if self.inside is None:
            raise misplaced(one, "MEAS before it")
        self.label, self.point = self.inside, True
        normal = np.array(one.numbers[3:])
        across = np.linalg.svd(normal[None])[2][1:]
        beside = _ASIDE @ across  # changes no deviation, unless a coefficient of it is wrong
        self.found[self.label] = np.array(one.numbers[:3]) + self.off.get(self.label, 0.0) * normal + beside

    def on_text(self, one: Statement) -> None:
        """Where it waits."""
        super().on_text(one)
        if one.minor[0] == "MAN":
            self.waits.setdefault(self.label, []).append(one.line)


def stops_as_planned(case: MeasuringCase) -> list[Finding]:
    """It waits for a person where a touch lies outside its planned limits, and nowhere else."""
    limits, always = limits_of(case.moves), waits_of(case.moves)
    made = {one.label: one.line for one in case.reading.touches}
    wrong: list[tuple[int, str]] = []
    for off in _ways(limits):
        try:
            waits = _waits(case, off)
        except InputError as error:
            wrong.append((0, f"with other results the program does not run: {error}"))
            continue
        wrong += _against(limits, always, off, waits, made)
    return gathered(wrong, "stop", "Write the program again: its limits are not those of the plan.")


def _against(
    limits: Sequence[Limit],
    always: Mapping[str, int],
    off: Mapping[str, float],
    waits: Mapping[str, Sequence[int]],
    made: Mapping[str, int],
) -> list[tuple[int, str]]:
    """Where it waits otherwise than it should, with results so far off."""
    wrong = []
    for label in dict.fromkeys(("", *made, *waits)):
        own = [one for one in limits if one.label == label]
        deviation = off.get(label, 0.0)
        beyond = sum(not one.lower <= deviation <= one.upper for one in own)
        meant, found = always.get(label, 0) + beyond, waits.get(label, ())
        if len(found) != meant:
            where = f"touch {label.removeprefix('P')}, {deviation:+.4g} mm off" if label else "before the first touch"
            told = f"{where}: the program waits for a person {_times(len(found))}, planned is {_times(meant)}"
            wrong.append((found[0] if found else made.get(label, 0), told))
    return wrong


def _times(count: int) -> str:
    return {0: "nowhere", 1: "once", 2: "twice"}.get(count, f"{count} times")


def _ways(limits: Sequence[Limit]) -> list[dict[str, float]]:
    """Deviations by label: none; all within, beyond and far beyond limits; some beyond, so that labels differ."""
    labels = list(dict.fromkeys(one.label for one in limits))
    bounds = {
        label: sorted({b for one in limits if one.label == label for b in (one.lower, one.upper)}) for label in labels
    }
    ways: list[dict[str, float]] = [{}]
    for number in range(max(map(len, bounds.values()), default=0)):
        at = {label: own[min(number, len(own) - 1)] for label, own in bounds.items()}
        ways += [{label: bound + side * _BESIDE for label, bound in at.items()} for side in (-1.0, 1.0)]
    for far in _FAR if labels else ():
        ways += [{label: own[0] - far for label, own in bounds.items()}]
        ways += [{label: own[-1] + far for label, own in bounds.items()}]
    for bit in range(len(labels).bit_length()):
        chosen = [label for place, label in enumerate(labels, 1) if place >> bit & 1]
        ways.append({label: bounds[label][-1] + _BESIDE for label in chosen})
    return ways


def _waits(case: MeasuringCase, off: Mapping[str, float]) -> dict[str, list[int]]:
    """Label of the touch before -> lines at which the program waits."""
    memory = Reckoning(case, off)
    program = case.reading.statements
    for number, one in enumerate(program):
        memory.do(one, last=number == len(program) - 1)
    return memory.waits
