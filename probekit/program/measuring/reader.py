"""Follows a DMIS program: the state of the machine, its moves, the points that it measures, what it decides.

A machine's moves are given as steps of `probekit.program.reading`, in the coordinates of a spindle that would carry the
probe, so that the walker, the clearance and the trial of milling machines serve here, too. What a measured point makes
the machine do is stated here once: it goes straight to the approach distance, searches along the normal, and goes
straight back by the retract distance (ISO 22093, from memory; distances count between surface and ball).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ...errors import InputError
from ...geometry import apply_motion
from ...plan.access.poses import tip_offset, tip_place
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..reading.steps import Recorded, Step
from .memory import Memory, misplaced
from .state import Measured, Sensor, Setting
from .statements import Statement, statements

__all__ = ["Reading", "Trigger", "follow", "read"]

Trigger = Callable[[Step], Sequence[float] | None]

_LEAST = 1e-3  # ways shorter than what numbers are rounded by are none [mm]
_NEEDED = {
    "units": "UNITS",
    "frame": "RECALL",
    "mode": "MODE",
    "sensor": "SNSLCT",
    "positioning": "FEDRAT/POSVEL",
    "measuring": "FEDRAT/MESVEL",
    "approach": "SNSET/APPRCH",
    "search": "SNSET/SEARCH",
    "retract": "SNSET/RETRCT",
}
_TO_MOVE = ("units", "frame", "mode", "sensor", "positioning")


@dataclass(frozen=True, eq=False)
class Reading:
    """A program that has been followed to its end.

    Attributes
    ----------
    statements : tuple of Statement
    steps : tuple of Step
        What the machine does; a probing move ends where it triggers, without a trigger at the end of its search.
    settings : tuple of Setting
        In force after each step.
    touches : tuple of Measured
        In their order.
    output : tuple of (int, str)
        Line and label of each result that is put out.
    taken : tuple of (int, bool)
        Line of each IF, and whether it held.
    systems : mapping of str to (3,) float
        Label -> origin of each coordinate system, in the one that was recalled [mm].
    ended : (int, str), optional
        Line and reason, where the program tells that it ends for good.
    """

    statements: tuple[Statement, ...]
    steps: tuple[Step, ...]
    settings: tuple[Setting, ...]
    touches: tuple[Measured, ...]
    output: tuple[tuple[int, str], ...]
    taken: tuple[tuple[int, bool], ...]
    systems: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    ended: tuple[int, str] | None = None


def read(text: str, *, kinematics: Kinematics, probe: Probe, start: Sequence[float] | None = None) -> Reading:
    """Read a whole program, on a part as planned.

    Parameters
    ----------
    text : str
    kinematics : Kinematics
    probe : Probe
    start : (3,) float, optional
        Where the probe stands before it [mm].

    Returns
    -------
    Reading

    Raises
    ------
    InputError
        At the first statement that is not known, does not fit its place, or moves the probe before all is said that
        the move depends on.
    """
    found = statements(text)
    said = [one for one in found if one.word != "$$"]
    if not said or said[0].word != "DMISMN":
        line, what = (said[0].line, said[0].text) if said else (1, "an empty file")
        raise InputError("a program does not begin here", line=line, found=what[:200], expected="DMISMN/'name',05.2")
    if said[-1].word != "ENDFIL":
        raise InputError("the program has no end", line=said[-1].line, found=said[-1].text[:200], expected="ENDFIL")
    return follow(found, kinematics=kinematics, probe=probe, start=start)


def follow(
    program: Sequence[Statement],
    *,
    kinematics: Kinematics,
    probe: Probe,
    start: Sequence[float] | None = None,
    trigger: Trigger | None = None,
    off: Mapping[str, float] | None = None,
    declared: Collection[str] = (),
) -> Reading:
    """Follow statements.

    Parameters
    ----------
    program : sequence of Statement
    kinematics : Kinematics
    probe : Probe
    start : (3,) float, optional
        Where the probe stands before, in the coordinates of a spindle that carries it [mm].
    trigger : callable, optional
        Gives for a probing move the place where it triggers, None without one; else all trigger at their nominal place.
    off : mapping of str to float, optional
        Label -> deviation of its nominal trigger along the normal [mm].
    declared : collection of str
        Variables that are declared before.

    Returns
    -------
    Reading

    Raises
    ------
    InputError
        As `read`.
    """
    machine = _Machine(kinematics, probe, start, declared, trigger=trigger, off=off or {})
    for number, one in enumerate(program):
        machine.do(one, last=number == len(program) - 1)
    machine.closed(program[-1] if program else None)
    return Reading(
        tuple(program),
        tuple(machine.steps),
        tuple(machine.settings),
        tuple(machine.touches),
        tuple(machine.output),
        tuple(machine.taken),
        {label: tuple(motion[:3, 3].tolist()) for label, motion in machine.systems.items()},
        machine.ended,
    )


class _Machine(Memory):
    """A memory that moves."""

    def __init__(self, *given: Any, trigger: Trigger | None, off: Mapping[str, float]) -> None:
        super().__init__(*given)
        self.trigger, self.off = trigger, off

    def on_goto(self, one: Statement) -> None:
        """Straight to a place, at the positioning rate."""
        self.ready(one, _TO_MOVE)
        self.move(one, apply_motion(self.now.motion, np.array(one.numbers)))

    def ready(self, one: Statement, needed: Collection[str]) -> None:
        """Refuse a move before all is said that it depends on."""
        for name in needed:
            if getattr(self.now, name) in (None, False):
                raise InputError(
                    "the probe moves before the program has said all that this depends on", line=one.line,
                    found=one.text[:200], expected=f"{_NEEDED[name]} before it",
                )  # fmt: skip
        if self.now.sensor is None or self.now.sensor.angles is None:
            expected = "SNSLCT of a sensor that is named by its angles before it"
            raise InputError(
                "the pose of the head is not known", line=one.line, found=one.text[:200], expected=expected
            )

    def spindle(self, place: np.ndarray) -> np.ndarray:
        """Where the reference ball's centre is told to be when the selected tip's own is at a place of the part."""
        sensor, angles = self.posed()
        beside = tip_offset(self.probe, sensor.tip, self.kinematics, angles)
        return np.asarray(self.kinematics.to_program(place - beside, angles, length=self.probe.tool_length))

    def posed(self) -> tuple[Sensor, tuple[float, ...]]:
        """The sensor that is selected, and the angles of its head."""
        if self.now.sensor is None or self.angles is None:
            raise InputError("no sensor is selected whose angles are known", expected="SNSLCT")
        return self.now.sensor, self.angles

    def move(self, one: Statement, place: np.ndarray) -> None:
        """Go straight to a place of the part frame."""
        start, self.at = self.at, self.spindle(place)
        self.step(one, "feed", start, feed=self.now.positioning)

    def on_ptmeas(self, one: Statement) -> None:
        """There, along the normal until the probe triggers, and back."""
        if self.inside is None or self.point:
            raise misplaced(one, "MEAS before it, and one PTMEAS to each")
        self.ready(one, _NEEDED)
        now, label = self.now, self.inside
        place, normal = np.array(one.numbers[:3]), np.array(one.numbers[3:])
        if abs(np.linalg.norm(normal) - 1.0) > 1e-3:
            raise InputError("the direction has not the length 1", line=one.line, found=one.text[:200])
        sensor, angles = self.posed()
        approach, retract = (float(one or 0.0) for one in (now.approach, now.retract))
        radius = self.probe.tip_radius(sensor.tip)
        begin = self.beside(place, normal, radius + approach)
        moved = float(np.linalg.norm(self.spindle(begin) - self.at))
        if not moved <= _LEAST:
            self.move(one, begin)
        asked = Measured(one.line, label, self.features[label], one.numbers, now, len(self.steps), moved)
        at = self.touch(one, asked, (place, normal, radius))
        self.touches.append(asked)
        self.point = True
        self.missed = at is None
        way = now.motion[:3, :3] @ normal
        target, out = (tuple(float(c) for c in values) for values in (place, way))  # the nominal stays the model's
        trigger = None if at is None else tuple(float(c) for c in at)
        number = int(label[1:]) if label[:1] == "P" and label[1:].isdecimal() else -one.line
        record = Recorded(number, self.feature, target, out, trigger, angles, sensor.tip)
        self.step(one, "record", detail=record)
        if at is not None:  # the ball's centre less its radius along the normal is what the machine tells
            centre = tip_place(at, self.probe, sensor.tip, self.kinematics, angles)
            self.found[label] = centre - radius * way
            self.move(one, centre + retract * way)

    def beside(self, place: np.ndarray, normal: np.ndarray, distance: float) -> np.ndarray:
        """A place off another one along a direction, in the part frame."""
        return apply_motion(self.now.motion, place + distance * normal)

    def touch(self, one: Statement, asked: Measured, way: tuple[np.ndarray, np.ndarray, float]) -> np.ndarray | None:
        """The probing move; where it triggers."""
        place, normal, radius = way
        start, self.at = self.at, self.spindle(self.beside(place, normal, radius - float(asked.setting.search or 0.0)))
        self.step(one, "probe", start, feed=self.now.measuring)
        if self.trigger is None:
            self.at = self.spindle(self.beside(place, normal, radius + self.off.get(asked.label, 0.0)))
            return self.at
        found = self.trigger(self.steps[-1])
        at = None if found is None else np.array(found, dtype=float)
        self.at = self.at if at is None else at
        told = None if at is None else tuple(at.tolist())
        self.steps[-1] = replace(self.steps[-1], end=tuple(self.at.tolist()), detail=told)
        return at
