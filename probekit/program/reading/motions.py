"""What a block with axis words makes the machine do: lines, arcs, probing moves, canned cycles."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from ...errors import InputError
from ...plan.kinematics import Kinematics
from .arcs import PLANES, arc_about, arc_of_radius
from .carriage import LINEAR, Carriage
from .cycles import RECKONED, cycle_moves
from .modal import CYCLES, OFFSETS, WATCHED
from .steps import Step

__all__ = ["ROTARY", "Motions", "Trigger"]

ROTARY = "ABC"
_MOST_REPEATS = 1000

Trigger = Callable[[Step], Sequence[float] | None]


class Motions(Carriage):
    """A carriage that knows the motions of group 1.

    Parameters
    ----------
    kinematics, start, offsets
        As for `Carriage`.
    trigger : callable, optional
        See `probekit.program.run`.
    parameters : mapping of int to float, optional
    """

    def __init__(
        self,
        kinematics: Kinematics | None,
        start: Sequence[float] | None,
        offsets: Mapping[str, Sequence[float]] | None,
        trigger: Trigger | None,
        parameters: Mapping[int, float] | None,
    ) -> None:
        super().__init__(kinematics, start, offsets)
        self.parameters: dict[int, float] = dict(parameters or {})
        self._trigger = trigger
        self._contact: tuple[float, ...] | None = None
        self._cycle: dict[str, float] = {}  # what stays in force from hole to hole

    def _tell_origins(self) -> None:
        """Parameters that hold the origins of the work offsets and the shift: NISTIR 6556, 3.2.1, from memory."""
        rows = [(5211, self.shift), *((5221 + 20 * n, self._origin(name)) for n, name in enumerate(OFFSETS))]
        for first, origin in rows:
            self.parameters |= {first + axis: value / self.state.scale for axis, value in enumerate(origin)}

    def _motion(self, codes: dict[str, str], words: dict[str, float], unused: set[str]) -> list[Step]:
        given = {axis: words[n] * self.state.scale for axis, n in enumerate(LINEAR) if n in unused}
        turns = {place: words[n] for place, n in enumerate(self.kinematics.letters) if n in unused}
        if "motion" in codes:
            if self.state.motion != codes["motion"]:
                self._cycle = {}
            self.state = self.state.with_word("motion", codes["motion"])
        word = self.state.motion
        circle = codes.get("motion") in ("G2", "G3") and bool(unused & set("IJK"))
        if not (given or turns or circle):
            return []
        unused -= {*LINEAR, *self.kinematics.letters}
        if word == "G80":
            return [self._unknown("axis words without a motion in force (G80)")]
        if word in CYCLES:
            return (
                self._canned(word, given, words, unused) if not turns else [self._unknown(f"{word} with a rotary axis")]
            )
        angles = list(self.angles)
        for place, value in turns.items():
            angles[place] = value + (angles[place] if self.state.distance == "G91" else 0.0)
        if "machine" in codes:
            if word not in ("G0", "G1"):
                return [self._unknown(f"G53 with {word}")]
            machine = {axis: value - self.origin[axis] for axis, value in given.items()}
            home = self._home()
            end = [home[a] if math.isnan(v := machine.get(a, self.position[a])) else v for a in range(3)]
            return self._go("rapid" if word == "G0" else "feed", end, angles, detail="G53: machine coordinates")
        end = [self._target(axis, given) for axis in range(3)]
        if word in ("G2", "G3"):
            return self._arc(word, end, angles, words, unused)
        if word == "G38.2":
            return self._probe(end, angles, bool(given))
        if word == WATCHED and (not given or angles != self.angles or self.state.feed_mode != "G94"):
            return [
                self._unknown(f"{WATCHED} needs a linear axis, no rotary axis, and feed per minute (G94)"),
                *self._go("feed", end, angles),
            ]
        kind = "index" if turns and not given else "rapid" if word == "G0" else "feed"
        return self._go(kind, end, angles, feed=self.state.motion != "G0")

    def _arc(
        self, word: str, end: list[float], angles: list[float], words: dict[str, float], unused: set[str]
    ) -> list[Step]:
        centre = [words.get(letter, 0.0) * self.state.scale for letter in "IJK"]
        radius = words["R"] * self.state.scale if "R" in words else None
        named = unused & set("IJK")
        unused -= set("IJKR")
        try:
            if not all(math.isfinite(value) for value in (*self.position, *end)):
                raise ValueError("an arc from or to an unknown position")
            if (radius is None) == (not named):
                raise ValueError("an arc needs either I J K or R")
            if radius is None:
                arc = arc_about(self.position, end, centre, self.state.plane, word)
            else:
                arc = arc_of_radius(self.position, end, radius, self.state.plane, word)
        except ValueError as error:
            return [self._unknown(str(error)), *self._go("feed", end, angles)]
        return self._go("arc", end, angles, detail=arc, length=arc.length)

    def _probe(self, end: list[float], angles: list[float], moves: bool) -> list[Step]:
        if not moves or angles != self.angles or self.state.feed_mode != "G94":
            self._contact = None
            why = "G38.2 needs a linear axis, no rotary axis, and feed per minute (G94)"
            return [self._unknown(why), *self._go("feed", end, angles)]
        asked = self._made("probe", end, angles)
        found = asked.end if self._trigger is None else self._trigger(asked)
        contact = None if found is None else tuple(float(value) for value in found)
        if contact is not None and (
            len(contact) != 3 or (self._trigger is not None and not all(map(math.isfinite, contact)))
        ):
            raise InputError("the trigger is not a position", line=asked.line, found=found, expected="three numbers")
        self._contact = contact
        stopped = asked.end if contact is None else contact
        for axis in range(3):
            self.parameters[5061 + axis] = stopped[axis] / self.state.scale
        for letter, angle in zip(self.kinematics.letters, self.angles, strict=True):
            self.parameters[5064 + ROTARY.index(letter)] = angle
        self.position = list(stopped)
        return [replace(asked, end=tuple(stopped), detail=contact)]

    def _canned(self, word: str, given: Mapping[int, float], words: dict[str, float], unused: set[str]) -> list[Step]:
        normal = PLANES[self.state.plane][2]
        unused -= set("RPQLIJK")
        if not self._cycle:
            self._cycle = {"back": self.position[normal]}
        for letter in "RPQ":
            if letter in words:
                self._cycle[letter] = words[letter] * (1.0 if letter == "P" else self.state.scale)
        if normal in given:
            self._cycle["bottom"] = given[normal]
        repeats = words.get("L", 1)
        missing = [name for name in ("R", "bottom") if name not in self._cycle]
        if word not in RECKONED or missing or repeats not in range(1, _MOST_REPEATS + 1):
            self._lose_position()
            return [self._unknown(f"{word} that cannot be calculated here (R, depth, L up to {_MOST_REPEATS})")]
        steps: list[Step] = []
        here = self.position[normal] if self.state.distance == "G91" else 0.0
        clear = self._cycle["R"] + here
        bottom = self._cycle["bottom"] + (clear if self.state.distance == "G91" else 0.0)
        for _ in range(int(repeats)):
            hole = [self._target(axis, given) for axis in range(3)]
            back = self._cycle["back"] if self.state.retract == "G98" else clear
            extra = {"peck": self._cycle.get("Q", 0.0), "dwell": self._cycle.get("P", 0.0)}
            try:
                moves = cycle_moves(word, self.state.plane, self.position, hole, bottom, clear, back, **extra)
            except ValueError as error:
                return [*steps, self._unknown(str(error))]
            for kind, value in moves:
                steps += [self._step("dwell", detail=value)] if kind == "dwell" else self._go(kind, list(value))
        return steps
