"""Runs the text of a program as a control would, and says what it does.

Source: NISTIR 6556 (RS274/NGC, version 3), from memory: table 4 (modal groups), table 8 (order of execution within a
block), section 3.5 (G codes). Departures: units and feed mode are taken before the feed of the same block; what that
report calls an error becomes a step of kind "unknown" and the run goes on, so that a check can list all of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from ...plan.kinematics import Kinematics
from .aliases import checked
from .carriage import LINEAR
from .expressions import Formula, parameter_number
from .flow import Choice, executed
from .modal import CALLS, MODES, group_of, name_of, offset_called
from .motions import ROTARY, Motions, Trigger
from .source import Source
from .steps import Recorded, Step, read_record
from .words import Block, parse

__all__ = ["Interpreter", "run"]

_OF_MOVES = (*LINEAR, *ROTARY, *"IJKR")
_EARLY = ("plane",)
# where a control keeps its triggers, origins and shifts: NISTIR 6556, 3.2.1, from memory
_OF_CONTROL = range(5061, 5391)
_FIRST_ORIGIN = 5161
_LATE = ("path", "distance", "retract")

NO_SUCH_AXIS = "a rotary axis that the kinematics does not have"


def run(
    text: str | bytes | Path | Source | Sequence[Block],
    *,
    kinematics: Kinematics | None = None,
    trigger: Trigger | None = None,
    start: Sequence[float] | None = None,
    offsets: Mapping[str, Sequence[float]] | None = None,
    parameters: Mapping[int, float] | None = None,
    block_delete: bool = False,
    aliases: Mapping[str, str] | None = None,
    flow: bool = False,
    choose: Choice | None = None,
) -> Iterator[Step]:
    """Run a program.

    Many parameters: what a program takes for granted of a control is stated.

    Parameters
    ----------
    text : str, bytes, Path, Source or sequence of Block
        The program; a str is the text itself.
    kinematics : Kinematics, optional
        Rotary axes of the machine; none if not given.
    trigger : callable, optional
        Asked at each probing move, with the step as programmed: where the probe triggers, (3,) program coordinates
        [mm], or None if it does not and the move runs to its end. If not given, it triggers at the end.
    start : (3,) float, optional
        Where the machine stands [mm, program coordinates] whenever the text does not tell: at the start, after a tool
        change, a change of length offset, a homing, or a change to a work offset of unknown value. Unknown (NaN) if
        not given.
    offsets : mapping of str to (3,) float, optional
        Origin of each work offset ("G54", ...) in machine coordinates [mm], where known.
    parameters : mapping of int to float, optional
        Parameters set before the start.
    block_delete : bool
        Whether the block delete switch is on: lines that start with ``/`` are left out.
    aliases : mapping of str to str, optional
        Words of this control that mean a word of RS274/NGC: ``{"G901": "G38.2"}``. They are a statement of yours.
    flow : bool
        Whether the control knows flow control (O-words; not of NISTIR 6556, see `probekit.program.reading.flow`).
    choose : callable, optional
        Told of each of its decisions, the block and what its condition gives; what it returns is taken.

    Yields
    ------
    Step

    Raises
    ------
    InputError
        If the text cannot be read (see `parse`), `trigger` gives no position, or an alias is for a word not known.
    """
    interpreter = Interpreter(
        kinematics=kinematics,
        trigger=trigger,
        start=start,
        offsets=offsets,
        parameters=parameters,
        aliases=aliases,
    )
    blocks = parse(text) if isinstance(text, str | bytes | Path | Source) else text
    kept = [block for block in blocks if not (block_delete and block.skip)]
    for _, steps in executed(kept, interpreter, flow=flow, choose=choose):
        yield from steps


class Interpreter(Motions):
    """The state of the control and the position of the machine; `block` changes both.

    Parameters are those of `run`. Rotary axes stand at zero at the start. Words that are stated to be `harmless` are
    not understood either, but move nothing where no axis is named beside them.
    """

    def __init__(
        self,
        *,
        kinematics: Kinematics | None = None,
        trigger: Trigger | None = None,
        start: Sequence[float] | None = None,
        offsets: Mapping[str, Sequence[float]] | None = None,
        parameters: Mapping[int, float] | None = None,
        aliases: Mapping[str, str] | None = None,
        harmless: Collection[str] = (),
    ) -> None:
        super().__init__(kinematics, start, offsets, trigger, parameters)
        self._aliases = checked(aliases or {})
        self._harmless = frozenset(harmless)
        self.ended = False
        self._marks = 0
        self._tell_origins()

    def block(self, block: Block) -> list[Step]:
        """The steps of one block.

        Parameters
        ----------
        block : Block
        """
        self._block = block
        steps = [step for comment in block.comments if (step := self._comment(comment))]
        if block.mark:
            self._marks += 1
            if self._marks == 2:
                self.ended = True
                steps.append(self._step("end", detail="%"))
            return steps
        steps += [self._not_understood(text) for text in block.unknown]
        words, codes, lost, foreign = self._words(block, steps)
        self._assign(block, steps)
        if lost or block.unknown:
            for letter in _OF_MOVES:
                words.pop(letter, None)  # they may belong to what was not understood
            self._lose_position()
        if words or codes:
            steps += self._execute(words, codes, foreign)
        return steps

    def know(self, offsets: Mapping[str, Sequence[float]]) -> None:
        """Give work offsets values; the machine stays where it is."""
        self.offsets |= {name: list(values) for name, values in offsets.items()}
        self._tell_origins()

    def flow(self, block: Block) -> list[Step]:
        """The steps of a block of flow control: what its comments say."""
        self._block = block
        return [step for comment in block.comments if (step := self._comment(comment))]

    def broken(self, what: str) -> Step:
        """What flow control comes to where it cannot go on."""
        return self._not_understood(what)

    def value(self, asked: float | Formula) -> float:
        """A number, or what a formula gives with the parameters as they stand; ValueError if it gives none."""
        return asked.value(self.parameters) if isinstance(asked, Formula) else asked

    def _words(self, block: Block, steps: list[Step]) -> tuple[dict[str, float], dict[str, str], bool, bool]:
        """Values of the plain words, G and M words by group, whether it is lost where the machine goes, and whether a
        word is not known, to which words without another use belong.
        """
        lost, foreign, idle = False, False, list[str]()
        words: dict[str, float] = {}
        codes: dict[str, str] = {}
        strange: dict[str, float] = {}
        for letter, written in block.words:
            try:
                value = written.value(self.parameters) if isinstance(written, Formula) else written
                if letter in "GM" and isinstance(written, Formula) and not written.reads <= self.parameters.keys():
                    raise ValueError(f"{written.text} is not known from this program")
                if math.isnan(value) and letter not in LINEAR:
                    raise ValueError(f"{written} reads an origin that is not known")
            except ValueError as error:
                steps.append(self._not_understood(f"{letter}: {error}"))
                lost = True
                continue
            if letter in "GM":
                name = name_of(letter, value)
                name = self._aliases.get(name, name)
                group = group_of(name)
                if group is None:
                    steps.append(self._not_understood(name))
                    still = name in self._harmless and not any(a in _OF_MOVES for a, _ in block.words)
                    lost |= (letter == "G" and not still) or name in CALLS
                    foreign = True
                elif group == "coolant" and "M9" not in (name, codes.get(group)):
                    codes[f"coolant {name}"] = name
                elif {name, codes.get(group)} in ({"G80", "G0"}, {"G80", "G1"}):
                    # common practice, no source: a group of its own on many controls; a straight line ends a cycle too
                    codes[group] = name if codes[group] == "G80" else codes[group]
                elif group in codes and codes[group] != name:
                    steps.append(self._not_understood(f"{codes[group]} and {name} in one block"))
                    lost = True
                else:
                    codes[group] = name
            elif letter in words:
                steps.append(self._not_understood(f"{letter} twice in one block"))
            elif letter in "EUVWN":
                idle.append(f"{name_of(letter, value)}: an unknown word")
            elif letter in ROTARY and letter not in self.kinematics.letters:
                strange[letter] = value
                steps.append(self._unknown(f"{name_of(letter, value)}: {NO_SUCH_AXIS}"))
            else:
                words[letter] = value
        steps += [self._not_understood(what) for what in idle if not foreign]
        if "O" in words and not codes and len(words) == 1:
            words.pop("O")  # the program's number
        absolute = codes.get("distance", self.state.distance) == "G90"
        for letter, value in strange.items():
            self.state = self.state.with_mode(f"{letter} axis", not (absolute and value == 0.0))
        return words, codes, lost, foreign

    def _assign(self, block: Block, steps: list[Step]) -> None:
        """Settings take effect after all values of the block have been read (NISTIR 6556, 3.3.2.2, from memory)."""
        new = {}
        for place, value in block.assignments:
            try:
                numbers = [v.value(self.parameters) if isinstance(v, Formula) else v for v in (place, value)]
                number = parameter_number(numbers[0])
                if number in _OF_CONTROL:
                    what = "an origin" if number >= _FIRST_ORIGIN else "a trigger"
                    steps.append(self._not_understood(f"#{number} set: {what} of the control"))
                new[number] = numbers[1]
            except ValueError as error:
                steps.append(self._not_understood(str(error)))
        self.parameters.update(new)

    def _execute(self, words: dict[str, float], codes: dict[str, str], foreign: bool) -> list[Step]:
        steps: list[Step] = []
        unused = set(words)

        def take(letter: str) -> float | None:
            unused.discard(letter)
            return words.get(letter)

        if any(name in MODES for name in codes.values()):
            steps += self._modes_on(words, codes)
            unused = set(words)
        self._take_over(("feed_mode", "units"), codes)
        self._rates(words, unused, steps)
        steps += self._tool_and_spindle(codes)
        now = codes.get("now")
        if now == "G4":
            seconds = take("P")
            if seconds is None or seconds < 0 or unused & set(LINEAR):
                steps.append(self._unknown("G4 needs its seconds as P, and no axis word"))
                unused -= set(LINEAR)
            else:
                steps.append(self._step("dwell", detail=seconds))
        self._take_over(_EARLY, codes)
        if "cutter" in codes:
            take("D")
            self.state = self.state.with_word("cutter", codes["cutter"])
        self._length_offset(codes.get("length"), take, steps)
        if "offset" in codes:
            name = offset_called(codes, take)
            if name is not None:
                self._move_origin(name, self.shift)
            else:
                steps.append(self._not_understood("G54.1 needs the number of a work offset as P"))
        self._take_over(_LATE, codes)
        if codes.get("spindle") == "M19":
            unused -= {"P", "R"}  # its angle, on many controls
        if "path" in codes:
            given = {n: words[n] * self.state.scale for n in "PQ" if codes["path"] == "G64" and n in words}
            self.state = replace(self.state, path_p=given.get("P"), path_q=given.get("Q"))
            unused -= set(given)
        self._modes_off(codes)
        if now and now != "G4":
            steps += self._now(now, take)
        if now or "units" in codes:
            self._tell_origins()
        steps += self._motion(codes, words, unused)
        if unused and not foreign:
            idle = " ".join(name_of(n, words[n]) for n in sorted(unused))
            steps.append(self._not_understood(f"no use for {idle}"))
        if "stop" in codes:
            steps.append(self._stop(codes["stop"]))
        return steps

    def _modes_on(self, words: dict[str, float], codes: Mapping[str, str]) -> list[Step]:
        """Words of `MODES`: the axis words beside one are its own, and from then on the text is not followed."""
        steps = []
        for name in [name for name in codes.values() if name in MODES]:
            self.state = self.state.with_mode(name)
            steps.append(self._unknown(f"{name}: {MODES[name][0]} is not followed"))
        for letter in [letter for letter in words if letter not in "FST"]:
            del words[letter]
        self._lose_position()
        return steps

    def _modes_off(self, codes: Mapping[str, str]) -> None:
        ended = [
            mode
            for mode in self.state.modes
            if mode in MODES and mode not in codes.values() and {*MODES[mode][1]} & {*codes.values()}
        ]
        for mode in ended:
            self.state = self.state.with_mode(mode, on=False)
        if ended:
            self._lose_position()

    def _rates(self, words: dict[str, float], unused: set[str], steps: list[Step]) -> None:
        unused -= {"F", "S", "T"}
        if words.get("F", 0.0) < 0 or words.get("S", 0.0) < 0:
            steps.append(self._unknown("a feed or a speed below zero"))
            return
        if "F" in words:
            scale = 1.0 if self.state.feed_mode == "G93" else self.state.scale
            if self.state.feed != words["F"] * scale:
                self.state = replace(self.state, feed=words["F"] * scale, said=self.state.said | {"feed"})
        if "S" in words:
            self.state = replace(self.state, speed=words["S"], said=self.state.said | {"speed"})
        if "T" in words:
            if words["T"] != int(words["T"]) or words["T"] < 0:
                steps.append(self._not_understood(f"T{words['T']:g} is not a tool number"))
            else:
                self.state = replace(self.state, selected=int(words["T"]))

    def _take_over(self, groups: Sequence[str], codes: Mapping[str, str]) -> None:
        for group in groups:
            if group in codes:
                self.state = self.state.with_word(group, codes[group])

    def _tool_and_spindle(self, codes: Mapping[str, str]) -> list[Step]:
        steps = []
        if "change" in codes:
            if self.state.selected is None:
                steps.append(self._unknown("M6 with no tool called by T"))
            said = self.state.said - {"length"} | {"spindle"}
            self.state = replace(self.state, tool=self.state.selected, spindle="M5", said=said)
            before = tuple(self.position)
            self._lose_position()
            steps.append(self._step("tool", before, detail=self.state.tool))
        if "spindle" in codes:
            self.state = self.state.with_word("spindle", codes["spindle"])
            steps.append(self._step("spindle", detail=codes["spindle"]))
        said = self.state.said | {"coolant"}
        if "coolant M7" in codes:
            self.state = replace(self.state, mist=True, said=said)
        if "coolant M8" in codes:
            self.state = replace(self.state, flood=True, said=said)
        if "coolant" in codes:
            self.state = replace(self.state, mist=False, flood=False, said=said)
        if "overrides" in codes:
            self.state = replace(self.state, overrides=codes["overrides"] == "M48")
        if "clamp" in codes:
            steps.append(self._step("message", detail=f"{codes['clamp']}: clamp"))
        return steps

    def _length_offset(self, word: str | None, take: Callable[[str], float | None], steps: list[Step]) -> None:
        if word is None:
            return
        number = take("H") if word == "G43" else 0
        if number is None or number != int(number) or number < 0:
            steps.append(self._not_understood("G43 needs the number of a length offset as H"))
            return
        changed = replace(self.state.with_word("length", word), length_offset=int(number))
        if (changed.length, changed.length_offset) != (self.state.length, self.state.length_offset):
            self.position[2] = self._home()[2]
        self.state = changed

    def _comment(self, comment: str) -> Step | None:
        if comment.upper().startswith("PROBEKIT RECORD"):
            found = read_record(comment)
            if found is None:
                return self._unknown("a record line that is malformed")
            touch, feature, target, normal, tip, counted = found
            at = self._contact
            if counted and at is not None:
                at = tuple(a + b - c for a, b, c in zip(at, self.origin, self._origin(counted), strict=True))
            record = Recorded(touch, feature, target, normal, at, tuple(self.angles), tip, counted)
            self._contact = None
            if at is not None and not all(map(math.isfinite, at)):
                return self._unknown(f"a record counted from {counted}, whose values are not known")
            return self._step("record", detail=record)
        if comment.upper().startswith(("MSG,", "PROBEKIT")):
            return self._step("message", detail=comment.removeprefix("MSG,").strip())
        return None

    def _stop(self, word: str) -> Step:
        if word in ("M2", "M30"):
            self.state, self.ended, self.shift = self.state.ended(), True, [0.0] * 3
            return self._step("end", detail=word)
        return self._step("stop", detail=word)
