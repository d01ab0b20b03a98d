"""What statements leave in a measuring machine: its setting, its variables, its branches, its steps."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ...errors import InputError
from ...geometry import apply_motion
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..reading.modal import Modal
from ..reading.steps import Step
from .expressions import names_of, value_of
from .state import Measured, Setting, sensor_of
from .statements import Statement

__all__ = ["ENDED", "PROBE_IN", "Memory", "misplaced"]

#: The number under which the steps say that the probe is in; a measuring machine changes no tools here.
PROBE_IN = 1

#: How a program begins to tell that it ends for good.
ENDED = "ENDED. "

_PER_MINUTE = {"MPM": 1000.0, "MMPS": 60.0}
_SET = {"POSVEL": "positioning", "MESVEL": "measuring", "APPRCH": "approach", "SEARCH": "search", "RETRCT": "retract"}
_OF = {3.0: 0, 4.0: 1, 5.0: 2}  # what OBTAIN numbers of a point: its X, Y, Z
_WORD = Modal(motion="G1", tool=PROBE_IN)


class Memory:
    """The state, and what has come of the statements so far.

    Parameters
    ----------
    kinematics : Kinematics
    probe : Probe
    start : (3,) float, optional
        Where the probe stands before [mm].
    declared : collection of str
        Variables that are declared before.
    """

    def __init__(
        self, kinematics: Kinematics, probe: Probe, start: Sequence[float] | None, declared: Collection[str]
    ) -> None:
        self.kinematics, self.probe = kinematics, probe
        self.now = Setting()
        self.at = np.full(3, np.nan) if start is None else np.array(start, dtype=float)
        self.angles: tuple[float, ...] | None = None if kinematics.axes else ()
        self.steps: list[Step] = []
        self.settings: list[Setting] = []
        self.touches: list[Measured] = []
        self.output: list[tuple[int, str]] = []
        self.systems: dict[str, np.ndarray] = {}  # label -> from it to the one that was recalled
        self.made: set[str] = set()  # those that the program itself has made
        self.ended: tuple[int, str] | None = None  # where the program tells that it ends for good, and why
        self.taken: list[tuple[int, bool]] = []
        self.values: dict[str, float] = {}
        self.declared = set(declared)
        self.features: dict[str, tuple[float, ...]] = {}
        self.found: dict[str, np.ndarray] = {}  # place on the surface of what is measured
        self.inside: str | None = None  # the feature that is being measured
        self.point = False  # whether its point has been taken
        self.missed = False  # whether a point was not found, which ends the program
        self.branches: list[tuple[Statement, bool, bool]] = []  # IF, whether it held, whether ELSE has come
        self.feature = ""

    @property
    def runs(self) -> bool:
        """Whether statements here are carried out, not passed over by a branch."""
        return all(held != turned for _, held, turned in self.branches)

    def do(self, one: Statement, *, last: bool) -> None:
        """Carry a statement out; nothing is, after a point that was not found."""
        if self.missed:
            return
        if one.word in ("IF", "ELSE", "ENDIF"):
            self.branch(one)
            return
        if self.inside is not None and one.word not in ("PTMEAS", "ENDMES", "$$"):
            raise misplaced(one, "PTMEAS, then ENDMES")
        if not self.runs:
            return
        if one.word == "ENDFIL" and not last:
            raise misplaced(one, "the end of the file: what follows it is never run")
        handle = getattr(self, f"on_{one.word.lower()}", None) if one.word != "$$" else self.comment
        assert handle is not None, one.word
        handle(one)

    def closed(self, last: Statement | None) -> None:
        """Refuse what is still open at the end."""
        if last is not None and not self.missed and (self.inside is not None or self.branches):
            raise misplaced(last, "ENDMES" if self.inside is not None else "ENDIF")

    def branch(self, one: Statement) -> None:
        """IF, ELSE, ENDIF."""
        if self.inside is not None:
            raise misplaced(one, "PTMEAS, then ENDMES")
        if one.word == "IF":
            held = False
            if self.runs:
                assert one.tree is not None
                held = bool(value_of(one.tree, self.values, one.line))
                self.taken.append((one.line, held))
            self.branches.append((one, held, False))
            return
        if not self.branches or (one.word == "ELSE" and self.branches[-1][2]):
            raise misplaced(one, "an IF before it")
        begun, held, _ = self.branches.pop()
        if one.word == "ELSE":
            self.branches.append((begun, held, True))

    # what sets the state

    def change(self, **changes: object) -> None:
        """Change the setting."""
        self.now = replace(self.now, **changes)  # type: ignore[arg-type]

    def on_dmismn(self, one: Statement) -> None:
        """The beginning, once."""
        if self.now.units or any(step.kind != "message" for step in self.steps):
            raise misplaced(one, "it stands once, first of all")

    def on_endfil(self, one: Statement) -> None:
        """The end."""
        self.step(one, "end")

    def on_units(self, _one: Statement) -> None:
        """The only units that are known."""
        self.change(units=True)

    def on_recall(self, one: Statement) -> None:
        """A coordinate system that stands from before."""
        if one.named in self.made:
            raise misplaced(one, "a coordinate system that stands from before: this one is made by the program")
        self.systems[one.named] = np.eye(4)
        self.change(frame=one.named, motion=np.eye(4))

    def on_trans(self, one: Statement) -> None:
        """A coordinate system moved along one of its axes."""
        assert one.tree is not None
        if one.own in self.systems:
            raise misplaced(one, "a label of its own: this one is taken")
        self.needs(one, names_of(one.tree))
        motion = np.eye(4)
        motion["XYZ".index(one.minor[0][0]), 3] = value_of(one.tree, self.values, one.line)
        self.made.add(one.own)
        self.systems[one.own] = self.now.motion @ motion
        self.change(frame=one.own, motion=self.systems[one.own])

    def on_rotate(self, one: Statement) -> None:
        """A coordinate system turned about one of its axes."""
        axis, motion = "XYZ".index(one.minor[0][0]), np.eye(4)
        a, b = (axis + 1) % 3, (axis + 2) % 3
        c, s = np.cos(np.radians(one.numbers[0])), np.sin(np.radians(one.numbers[0]))
        motion[a, a], motion[b, b], motion[a, b], motion[b, a] = c, c, -s, s
        self.change(frame=one.own, motion=self.now.motion @ motion)

    def on_mode(self, one: Statement) -> None:
        """Who moves the machine."""
        self.change(mode=",".join(one.minor))

    def on_fedrat(self, one: Statement) -> None:
        """A rate."""
        self.positive(one)
        self.change(**{_SET[one.minor[0]]: one.numbers[0] * _PER_MINUTE[one.minor[1]]})

    def on_snset(self, one: Statement) -> None:
        """A distance of measured points."""
        if one.minor[0] == "CLRSRF":
            self.change(clearance=None if one.minor[1:] else one.numbers[0])
            return
        self.positive(one)
        self.change(**{_SET[one.minor[0]]: one.numbers[0]})

    def positive(self, one: Statement) -> None:
        """Refuse what is not more than nothing."""
        if not one.numbers[0] > 0:
            raise InputError("this must be more than 0", line=one.line, found=one.text[:200], expected="> 0")

    def on_snslct(self, one: Statement) -> None:
        """Another sensor: the head turns where the machine stands."""
        sensor = sensor_of(one.named, self.kinematics, self.probe, one.line)
        self.change(sensor=sensor)
        if sensor.angles is not None and sensor.angles != self.angles:
            before = sensor.angles if self.angles is None else self.angles
            self.angles = sensor.angles
            self.step(one, "index", self.at, before)

    # what is measured

    def on_feat(self, one: Statement) -> None:
        """The nominal of a point."""
        if one.own in self.features:
            raise misplaced(one, "a label of its own: this one is taken")
        self.features[one.own] = one.numbers

    def on_meas(self, one: Statement) -> None:
        """Begins to measure a point."""
        if one.named not in self.features or one.named in self.found:
            expected = "the FEAT before it" if one.named not in self.features else "a feature that is not yet measured"
            raise misplaced(one, expected)
        if one.numbers != (1.0,):
            raise misplaced(one, "1 point")
        self.inside, self.point = one.named, False

    def on_endmes(self, one: Statement) -> None:
        """Ends it."""
        if self.inside is None or not self.point:
            raise misplaced(one, "MEAS and one PTMEAS before it")
        self.inside = None

    # what is told, reckoned and said

    def on_output(self, one: Statement) -> None:
        """A result goes out."""
        if one.named not in self.found:
            raise misplaced(one, "its measurement before it")
        self.output.append((one.line, one.named))

    def on_decl(self, one: Statement) -> None:
        """A variable."""
        self.declared.add(one.named)

    def on_obtain(self, one: Statement) -> None:
        """A coordinate of what was measured."""
        if one.named not in self.found or one.numbers[0] not in _OF:
            raise misplaced(one, "the measurement before it, and 3, 4 or 5 for X, Y or Z")
        self.needs(one, {one.own})
        own = apply_motion(np.linalg.inv(self.now.motion), self.found[one.named])  # in the system in force
        self.values[one.own] = float(own[_OF[one.numbers[0]]])

    def on_assign(self, one: Statement) -> None:
        """A variable takes what is reckoned."""
        assert one.tree is not None
        self.needs(one, {one.own, *names_of(one.tree)})
        self.values[one.own] = value_of(one.tree, self.values, one.line)

    def needs(self, one: Statement, names: set[str]) -> None:
        """Refuse variables that are not declared."""
        if lost := sorted(names - self.declared):
            raise InputError("a variable is not declared", line=one.line, found=lost[0], expected="DECL before it")

    def on_text(self, one: Statement) -> None:
        """Words for a person, who confirms them or not."""
        if one.minor[0] == "OPER" and one.named.startswith(ENDED):
            self.ended = (one.line, one.named.removeprefix(ENDED))
        self.step(one, "stop" if one.minor[0] == "MAN" else "message", detail=one.named)

    def comment(self, one: Statement) -> None:
        """Words for a person who reads the text; some tell what follows."""
        words = one.named.split()
        if words[:1] == ["TOUCH"] and len(words) == 3:
            self.feature = words[2]
        self.step(one, "message", detail=one.named)

    def step(
        self,
        one: Statement,
        kind: str,
        start: np.ndarray | None = None,
        before: tuple[float, ...] | None = None,
        *,
        feed: float | None = None,
        detail: Any = None,
    ) -> None:
        """One more step, which ends where the machine now is."""
        end = tuple(float(c) for c in self.at)
        begun = end if start is None else tuple(float(c) for c in start)
        angles = self.angles if self.angles is not None else (0.0,) * len(self.kinematics.axes)
        turned = angles if before is None else before
        zero = (0.0, 0.0, 0.0)
        self.steps.append(Step(one.line, kind, begun, end, turned, angles, feed, _WORD, one.text, detail, zero))
        self.settings.append(self.now)


def misplaced(one: Statement, expected: str) -> InputError:
    """That a statement stands where it cannot."""
    return InputError("this statement does not fit here", line=one.line, found=one.text[:200], expected=expected)
