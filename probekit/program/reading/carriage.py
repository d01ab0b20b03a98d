"""Where the machine stands, the origin it counts from, and the steps it takes: the lowest layer of the interpreter."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ...plan.kinematics import Kinematics
from .modal import OFFSETS, Modal
from .steps import Step
from .words import Block

__all__ = ["LINEAR", "Carriage"]

LINEAR = "XYZ"


class Carriage:
    """Position of the machine in program coordinates, and what moves the origin of these.

    Parameters
    ----------
    kinematics : Kinematics, optional
    start : (3,) float, optional
        Where the machine stands whenever the text does not tell [mm]; unknown (NaN) if not given.
    offsets : mapping of str to (3,) float, optional
        Origins of work offsets in machine coordinates [mm].
    """

    def __init__(
        self,
        kinematics: Kinematics | None,
        start: Sequence[float] | None,
        offsets: Mapping[str, Sequence[float]] | None,
    ) -> None:
        self.kinematics = kinematics or Kinematics()
        self.state = Modal()
        self._start = (math.nan,) * 3 if start is None else tuple(float(value) for value in start)
        self.offsets = {name: [float(v) for v in origin] for name, origin in (offsets or {}).items()}
        self.shift = [0.0] * 3  # of G92
        self._kept_shift = [math.nan] * 3  # for G92.3: a control keeps it from one program to the next
        self.local = [0.0] * 3  # of G52
        self.position = list(self._start)
        self._zero: list[float] | None = None  # the first origin that is known: `start` is counted from it
        self._home()
        self.angles = [0.0] * len(self.kinematics.axes)
        self._block = Block(0, "")

    def _lose_position(self) -> None:
        """From here on the text does not tell where the machine stands."""
        self.position = self._home()

    @property
    def origin(self) -> list[float]:
        """Where program coordinates are counted from, in machine coordinates [mm]; NaN where that is not known."""
        parts = zip(self._origin(self.state.offset), self.shift, self.local, strict=True)
        return [offset + shift + local for offset, shift, local in parts]

    def _home(self) -> list[float]:
        """Where the machine stands if the text does not tell: one place of the machine, whatever the origin is."""
        now = self.origin
        if not all(map(math.isfinite, now)):
            return list(self._start)
        self._zero = self._zero or now
        return [place + zero - here for place, zero, here in zip(self._start, self._zero, now, strict=True)]

    def _origin(self, name: str) -> list[float]:
        return self.offsets.get(name, [math.nan] * 3)

    def _move_origin(self, offset: str, shift: Sequence[float], moved: Sequence[float] | None = None) -> None:
        """Another work offset or another shift: the machine stands still, its program coordinates change."""
        old, new = self._origin(self.state.offset), self._origin(offset) if moved is None else moved
        for axis in range(3):
            step = 0.0 if offset == self.state.offset and moved is None else old[axis] - new[axis]
            self.position[axis] += step + self.shift[axis] - shift[axis]
        self.shift = list(shift)
        if moved is not None:
            self.offsets[offset] = list(moved)
        else:
            self.state = self.state.with_word("offset", offset)
        pairs = zip(self.position, self._home(), strict=True)
        self.position = [home if math.isnan(place) else place for place, home in pairs]

    def _now(self, word: str, take: Callable[[str], float | None]) -> list[Step]:
        """G10, G28, G30 and G92: what happens once."""
        given = {axis: value * self.state.scale for axis, n in enumerate(LINEAR) if (value := take(n)) is not None}
        turned = [n for n in self.kinematics.letters if take(n) is not None]
        if turned:
            return [self._not_understood(f"{word} of a rotary axis")]
        if word in ("G28", "G30"):
            take("P")  # which reference point
            return self._return(word, given)
        if word == "G10":
            kind, number = take("L"), take("P")
            if kind != 2 or number not in range(1, 10) or self.state.distance == "G91":
                return [self._not_understood("G10 other than L2 P1 to P9 under G90")]
            name = OFFSETS[int(number) - 1]
            moved = [given.get(axis, self._origin(name)[axis]) for axis in range(3)]
            if name == self.state.offset:
                self._move_origin(name, self.shift, moved)
            else:
                self.offsets[name] = moved
            return [self._step("message", detail=f"G10 sets the values of work offset {name}")]
        if word == "G92":
            shift = [
                self.shift[axis] + self.position[axis] - given[axis] if axis in given else self.shift[axis]
                for axis in range(3)
            ]
            self.shift = shift
            self.position = [given.get(axis, self.position[axis]) for axis in range(3)]
        elif word == "G52":
            self.position = [self.position[a] + self.local[a] - given.get(a, self.local[a]) for a in range(3)]
            self.local = [given.get(axis, self.local[axis]) for axis in range(3)]
        elif word == "G92.3":
            self._move_origin(self.state.offset, self._kept_shift)
        else:
            self._kept_shift = list(self.shift) if word == "G92.2" else [0.0] * 3
            self._move_origin(self.state.offset, [0.0] * 3)
        for mode, shift in (("G92", self.shift), ("G52", self.local)):
            self.state = self.state.with_mode(mode, any(value != 0.0 for value in shift))
        return [self._step("message", detail=f"{word} shifts the origin of the program")]

    def _return(self, word: str, given: Mapping[int, float]) -> list[Step]:
        """By way of a place to the reference point of the machine: the axes that are named, or all of them.

        Common practice, no source: an axis that is not named stays. By NISTIR 6556, 3.5.8, from memory, all axes go.
        """
        steps = self._go("rapid", [self._target(axis, given) for axis in range(3)]) if given else []
        home, here = self._home(), self.position
        end = [home[axis] if axis in given or not given else here[axis] for axis in range(3)]
        kept = " ".join(letter for axis, letter in enumerate(LINEAR) if given and axis not in given)
        told = f"{word}: a return to the reference point of the machine" + (f"; {kept} taken to stay" if kept else "")
        return [*steps, *self._go("rapid", end, detail=told)]

    def _target(self, axis: int, given: Mapping[int, float]) -> float:
        if axis not in given:
            return self.position[axis]
        return given[axis] + (self.position[axis] if self.state.distance == "G91" else 0.0)

    def _go(
        self,
        kind: str,
        end: list[float],
        angles: list[float] | None = None,
        detail: Any = None,
        length: float | None = None,
        feed: bool = True,
    ) -> list[Step]:
        step = self._made(
            kind, end, self.angles if angles is None else angles, detail, length, feed and kind != "rapid"
        )
        self.position, self.angles = list(end), list(step.angles_end)
        return [step]

    def _made(
        self,
        kind: str,
        end: Sequence[float],
        angles: Sequence[float],
        detail: Any = None,
        length: float | None = None,
        at_feed: bool = True,
    ) -> Step:
        feed = self.state.feed if at_feed else None
        if feed is not None and self.state.feed_mode == "G93":
            feed *= math.dist(self.position, end) if length is None else length
        elif feed is not None and self.state.feed_mode == "G95":
            feed *= self.state.speed
        block, here, now = self._block, tuple(self.position), tuple(self.angles)
        return Step(
            block.line,
            kind,
            here,
            tuple(end),
            now,
            tuple(angles),
            feed,
            self.state,
            block.text,
            detail,
            origin=tuple(self.origin),
        )

    def _step(self, kind: str, start: tuple[float, ...] | None = None, detail: Any = None) -> Step:
        here, angles = tuple(self.position), tuple(self.angles)
        at = start or here
        origin = tuple(self.origin)
        return Step(
            self._block.line, kind, at, here, angles, angles, None, self.state, self._block.text, detail, origin
        )

    def _unknown(self, what: str) -> Step:
        return self._step("unknown", detail=what)

    def _not_understood(self, what: str) -> Step:
        """An unknown that may stay in force: nobody can tell what moves after it do."""
        self.state = self.state.with_mode(what)
        return self._unknown(what)
