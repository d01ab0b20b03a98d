"""Moves and a dialect -> program text. Nothing that the dialect does not spell gets lost in silence."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from ...columns import NORMAL, TARGET
from ...errors import InputError, ProbekitWarning
from ...plan.access.poses import tip_offset, tip_place
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..deciding.decisions import Entered, Milling, Recut, ShiftOffset, Step, Switch, UseOffset, decides
from ..deciding.paths import check_paths
from ..moves import (
    Agree,
    Approach,
    BackOff,
    Confirm,
    DryTouch,
    Index,
    Lift,
    Move,
    Orient,
    Record,
    Restart,
    SelectTip,
    StopIf,
    ToolChange,
    Touch,
)
from .dialect import Dialect
from .dialect_reader import read_dialect
from .kinds import filled, kinds_of, omissions
from .lifting import lift_lines
from .refusing import has_spindle, refuse, tokens_of
from .slots import slot_of
from .sound import LEAST_PROBING, check_moves
from .spelling import Obtain, Values, refuse_decisions

__all__ = ["DRY_RUN", "MILLING", "RECUT", "write"]

_AXES = ("x", "y", "z")
_STOPS = 50000  # label of the first conditional stop, where the control has labels

#: Where one part of the probing ends and the next one begins, for `probekit.program.merge`.
MILLING = "(PROBEKIT MILLING GOES ON)"

#: Where an operation of the milling is run again, for the same.
RECUT = "(PROBEKIT AN OPERATION IS CUT AGAIN)"

DRY_RUN = "PROBEKIT DRY RUN: NOTHING IS TOUCHED OR RECORDED"


def write(
    moves: Sequence[Step],
    dialect: Dialect | str | Path,
    *,
    kinematics: Kinematics,
    probe: Probe,
    name: str = "probing",
    work_offset: str | None = None,
    away: str | None = None,
    whole: bool = False,
) -> str:
    """The program text of moves.

    Parameters
    ----------
    moves : sequence of Move
        From `moves_of`; among them perhaps decisions (`probekit.program.deciding`).
    dialect : Dialect, str or Path
        Or the name or path that `read_dialect` takes.
    kinematics : Kinematics
        Turns ball centres in the part frame into program coordinates, with the rotary axes where they are then.
    probe : Probe
        A dialect of program coordinates says where its reference ball goes, one of the part frame where the ball of the
        selected tip goes.
    name : str
        Of the program; made safe.
    work_offset : str, optional
        One of the dialect's; default its first.
    away : str, optional
        Block that brings the spindle to where tools may be changed; that of the dialect by default.
    whole : bool
        Whether the text stands alone, with its own beginning and end; else it is to be merged.

    Returns
    -------
    str
        ASCII, lines ended by a line feed.

    Raises
    ------
    InputError
        If `check_moves` or `check_paths` refuses the moves, the dialect cannot decide or reckon, a position is outside
        the travel, the dialect has no such work offset, cannot turn such axes or does not record the tip of a star,
        nothing orients the spindle for a side tip, the probe has no such tip, a line is too long, or two names become
        the same in safe characters.

    Warns
    -----
    ProbekitWarning
        For moves that the dialect omits; the text lists them too.
    """
    dialect = dialect if isinstance(dialect, Dialect) else read_dialect(dialect)
    (check_paths if decides(moves) else check_moves)(moves, kinematics)
    return _Writer(dialect, kinematics, probe).text(moves, name, work_offset, away, whole)


class _Writer:
    """The lines so far, and where the machine is after them."""

    def __init__(self, dialect: Dialect, kinematics: Kinematics, probe: Probe) -> None:
        self.dialect, self.kinematics, self.probe = dialect, kinematics, probe
        self.lines: list[str] = []
        self.modal: dict[str, str] = {}
        self.block = dialect.first_block
        self.angles = (0.0,) * len(kinematics.axes)
        self.tip = self.recorded = self.stops = 0
        self.kept: dict[int, int] = {}  # touch -> the first of its parameters
        self.decided = Values(dialect, kinematics)
        self.made: dict[int, tuple[Confirm, tuple[float, ...]]] = {}
        self.work_offset = ""
        self.later: list[dict[str, str]] = []  # results in a shifted system of the part, put out after it
        self.at: np.ndarray | None = None  # program coordinates
        self.way = np.inf  # of the last move [mm]
        self.positioning = ""

    def text(self, steps: Sequence[Step], name: str, work_offset: str | None, away: str | None, whole: bool) -> str:
        dialect, kinds = self.dialect, list(kinds_of(steps))
        moves = [move for _, move in kinds if isinstance(move, Move)]
        refuse_decisions(kinds, dialect)
        refuse(moves, dialect, self.kinematics, self.probe)
        tokens_of(dialect, [self.pose(move.angles) for move in moves if isinstance(move, Index)], "pose")
        touches = [move for move in moves if isinstance(move, Touch | DryTouch)]
        dry = any(isinstance(move, DryTouch) for move in moves)
        self.work_offset = self.selected(work_offset)
        tokens = tokens_of(dialect, [move.feature for move in touches], "feature")
        feeds = [move.feed for move in moves if isinstance(move, Approach)]
        self.positioning = dialect.numbers["feed"](max(feeds)) if feeds else ""
        frame = {"name": dialect.token(name), "probe": dialect.token(self.probe.name), "touches": str(len(touches))}
        frame["work_offset"] = self.work_offset
        if whole:
            self.add(dialect.before, frame, numbered=False)
        self.add(dialect.header, frame)
        self.lines += dialect.comment(DRY_RUN) if dry else ()
        self.remarks(omissions(steps, dialect), {t: f for f, t in tokens.items() if t != dialect.words(f)})
        for kind, move in kinds:
            values = self.spelled(move) if isinstance(move, Move) else self.of_decision(move)
            if kind == "by_hand" and has_spindle(dialect):
                self.lines += dialect.comment("PROBEKIT ORIENT BY HAND")
                kind = "stop"
            if isinstance(move, Milling):
                self.parted(MILLING, frame, whole)
            if kind == "approach" and dialect.watched and self.way < LEAST_PROBING:
                kind = "retract"  # too short for a move that is watched
            put_off = kind == "record_shifted" and dialect.coordinates == "part"
            self.later += [values] if put_off else []
            if put_off or kind in ("by_hand", "milling") or kind in dialect.omit:
                continue
            for part in dialect.parts(move.text) if kind == "comment" else ("",):
                lines = lift_lines(away) if kind == "away" and away is not None else dialect.moves[kind]
                self.add(lines, values | {"text": part})
            while isinstance(move, UseOffset) and self.later:
                self.add(dialect.moves["record_shifted"], self.later.pop(0))
            if isinstance(move, Recut):
                self.parted(RECUT, frame, whole)
        self.add(dialect.footer, frame)
        if whole:
            self.add(dialect.after, frame, numbered=False)
        return "\n".join(self.lines) + "\n"

    def parted(self, mark: str, frame: Mapping[str, str], whole: bool) -> None:
        """The end of one part and the beginning of the next; between them a milling tool is in."""
        if whole:
            raise InputError("milling is to go on within a program that stands alone", todo="Merge it.")
        self.add(self.dialect.footer if mark == MILLING else (), frame)
        self.lines.append(mark)
        self.modal, self.at, self.tip = {}, None, 0
        self.add(self.dialect.header, {**frame, "work_offset": self.work_offset})

    def selected(self, work_offset: str | None) -> str:
        known = self.dialect.work_offsets
        if work_offset is None:
            return next(iter(known.values()))
        if work_offset not in known:
            raise InputError("the dialect has no such work offset", found=work_offset, expected=", ".join(known))
        return known[work_offset]

    def remarks(self, omitted: tuple[str, ...], renamed: Mapping[str, str]) -> None:
        """Who released the dialect, its caution, what is omitted, and which names had to be changed."""
        dialect = self.dialect
        released = f"RELEASED BY {dialect.released_by}" if dialect.released_by else "NOT RELEASED FOR ANY MACHINE"
        remarks = [f"DIALECT {dialect.name}", released, *dialect.caution, *omitted]
        remarks += [f"FEATURE {token} stands for {feature}" for token, feature in renamed.items()]
        for remark in remarks:
            self.lines += dialect.comment(remark)
        if omitted:
            warnings.warn(f"the dialect {dialect.name} " + "; ".join(omitted), ProbekitWarning, stacklevel=4)

    def of_decision(self, one: Step | Switch | Obtain) -> dict[str, str]:
        """Texts of a decision's placeholders; a deviation counts from the first work offset, also in a shifted copy."""
        values = {}
        if isinstance(one, Obtain):
            confirm, angles = self.made[one.touch]
            self.decided.deviations[one.touch] = self.deviation(confirm, angles, None)
            values = self.of_touching(confirm)
        values |= self.decided.of(one)
        if isinstance(one, ShiftOffset | UseOffset | Entered):
            self.work_offset = values["work_offset"]
        return values

    def spelled(self, move: Move) -> dict[str, str]:
        """Texts of a move's placeholders; brings the machine to where the move ends."""
        numbers, dialect = self.dialect.numbers, self.dialect
        values = self.of_touching(move)
        for name, form in (("feed", "feed"), ("seconds", "seconds"), ("radius", "target"), ("lower", "target"),
                           ("upper", "target"), ("limit", "target")):  # fmt: skip
            if hasattr(move, name):
                values.setdefault(name, numbers[form](getattr(move, name)))
        if isinstance(move, ToolChange):
            values |= {"tool": str(move.tool), "offset": str(move.offset), "tool_name": dialect.token(move.name)}
            self.at, self.tip = None, 0
        elif isinstance(move, Orient):
            values["angle"] = "" if move.angle is None else numbers["angle"](move.angle)
        elif isinstance(move, Restart):
            self.modal = {}
            values |= {"restart": str(move.number), "offset": str(move.offset), "work_offset": self.work_offset}
            values["sensor"] = self.sensor()
        elif isinstance(move, SelectTip):
            self.tip, name = move.tip, move.name or self.probe.tip_name(move.tip)
            values |= {"tip": str(move.tip), "tip_name": dialect.token(name), "sensor": self.sensor()}
        elif isinstance(move, Index):
            self.angles = move.angles
            words = zip(self.kinematics.letters, map(numbers["angle"], move.angles), strict=True)
            values["rotary"] = " ".join(filled(dialect.rotary, {"letter": a, "angle": b}) for a, b in words)
            values |= {"pose": dialect.token(self.pose(move.angles)), "sensor": self.sensor()}
        elif isinstance(move, Lift):
            values |= self.lifted(move)
        elif hasattr(move, "to"):
            values |= self.back(move) if isinstance(move, BackOff) else {}
            before, self.at = self.at, self.program(move.to)
            self.way = np.inf if before is None else float(np.linalg.norm(self.at - before))
            values.setdefault("feed", self.positioning)
            values |= self.place(move)
        if hasattr(move, "message"):
            if len(move.message) > dialect.longest:
                raise InputError("a message is too long", found=move.message, expected=f"{dialect.longest} characters")
            values["message"] = dialect.words(move.message)
        return values

    def of_touching(self, move: Move) -> dict[str, str]:
        """Texts of what belongs to a touch: its number, target, tip, distances, parameters and deviation."""
        numbers, values = self.dialect.numbers, {}
        if hasattr(move, "touch"):
            values["touch"] = str(move.touch)
        if isinstance(move, (Touch, Record, StopIf, Confirm, DryTouch)):
            values["feature"] = self.dialect.token(getattr(move, "feature", ""))
            values |= {"tip": str(move.tip), "side_tip": f" TIP {move.tip}" if move.tip else ""}
        if isinstance(move, (Touch, Record, StopIf, Confirm)):
            values |= {key: numbers["target"](c) for key, c in zip(TARGET, move.target, strict=True)}
            values |= {key: numbers["normal"](c) for key, c in zip(NORMAL, move.normal, strict=True)}
        if isinstance(move, Touch):
            values |= self.distances(move)
        if isinstance(move, (Record, DryTouch)):
            values |= self.slots(move.touch)
        if isinstance(move, Record):
            radius = self.probe.tip_radius(move.tip)
            confirm = Confirm(move.touch, move.target, move.normal, radius, 1.0, move.tip)
            self.made[move.touch] = (confirm, self.angles)
            values |= self.decided.between()
        if isinstance(move, (StopIf, Confirm)) and self.dialect.coordinates == "program":  # of the reference ball
            beside = tip_offset(self.probe, move.tip, self.kinematics, self.angles) @ np.array(move.normal)
            values["radius"] = numbers["target"](move.radius - float(beside))
        if isinstance(move, (Confirm, StopIf)):
            self.stops += 1
            values["flow"] = str(_STOPS + self.stops)
            values["deviation"] = self.deviation(move, self.angles, self.decided.shift)
        if isinstance(move, Confirm):
            values["message"] = f"TOUCH {move.touch} WITHIN {numbers['target'](move.limit)}"
        if isinstance(move, Agree):
            values |= {"touch": str(move.second.touch), "other": str(move.first.touch)}
            values["deviation"] = self.deviation(move.second, self.angles, self.decided.shift)
            values["other_deviation"] = self.deviation(move.first, move.first_angles, self.decided.shift)
            limit = numbers["target"](move.limit)
            values["message"] = f"TOUCHES {move.first.touch} AND {move.second.touch} AGREE WITHIN {limit}"
        return values

    def deviation(self, move: Confirm | StopIf, angles: tuple[float, ...], shift: ShiftOffset | Entered | None) -> str:
        """The dialect's expression for the deviation of a recorded touch, counted from its nominal trigger.

        What is recorded is counted from the first work offset; a touch in a shifted copy is nominal that much beside.
        """
        if "{" not in self.dialect.deviation:
            return self.dialect.deviation
        numbers, normal = self.dialect.numbers, np.array(move.normal)
        centre = move.target + move.radius * normal - tip_offset(self.probe, move.tip, self.kinematics, angles)
        at, out = self.program(centre, angles), self.program(centre + normal, angles)
        values = {f"p{axis}": numbers["position"](c) for axis, c in zip(_AXES, at, strict=True)}
        if shift is not None:
            own = self.decided.between()
            values = {f"p{a}": f"{values[f'p{a}']}+#{own[f'to_{a}']}-#{own[f'by_{a}']}" for a in _AXES}
        values |= {f"p{axis}": numbers["normal"](c) for axis, c in zip("ijk", out - at, strict=True)}
        values["touch"] = str(move.touch)
        first = self.kept.get(move.touch)
        values |= {} if first is None else {f"slot_{axis}": str(first + k) for k, axis in enumerate(_AXES)}
        return filled(self.dialect.deviation, values)

    def program(self, place: Sequence[float], angles: tuple[float, ...] | None = None) -> np.ndarray:
        """Program coordinates of a place of the part frame, at the angles of now or at others."""
        at = self.angles if angles is None else angles
        return np.asarray(self.kinematics.to_program(np.array(place), at, length=self.probe.tool_length))

    def back(self, move: BackOff) -> dict[str, str]:
        """The way back from a trigger, along the axes of the program."""
        by = self.program(move.to) - self.program(np.subtract(move.to, move.by))
        if self.dialect.coordinates == "part":
            by = np.array(move.by)
        return {f"d{axis}": self.dialect.numbers["position"](c) for axis, c in zip(_AXES, by, strict=True)}

    def slots(self, touch: int) -> dict[str, str]:
        """Numbers of the three parameters that keep the trigger of a touch, if the dialect has such."""
        if not self.dialect.slots:
            return {}
        first, last = self.dialect.slots
        at, self.recorded = slot_of(self.dialect.slots, self.recorded), self.recorded + 1
        if at is None:
            raise InputError(
                f"the dialect {self.dialect.name} has no parameter left to store a touch in",
                column="slots",
                found=f"touch {touch}, the {self.recorded}th",
                expected=f"at most {(last - first + 1) // 3} touches",
                todo="Split the plan into several programs.",
            )
        self.kept[touch] = at
        return {f"slot_{axis}": str(at + k) for k, axis in enumerate(_AXES)}

    def distances(self, move: Touch) -> dict[str, str]:
        """Standoff and overtravel of a probing move, from where it starts and ends."""
        offset = tip_offset(self.probe, move.tip, self.kinematics, self.angles)
        start = self.kinematics.to_part(self.at, self.angles, length=self.probe.tool_length) + offset
        inward, radius, form = -np.array(move.normal), self.probe.tip_radius(move.tip), self.dialect.numbers["position"]
        standoff = float(np.subtract(move.target, start) @ inward) - radius
        overtravel = float(np.subtract(move.to, move.target) @ inward + offset @ inward) + radius
        return {"standoff": form(standoff), "retract": form(standoff), "overtravel": form(overtravel)}

    def lifted(self, move: Lift) -> dict[str, str]:
        if self.at is None:
            self.inside((None, None, move.height), move)
            return {"z": self.dialect.numbers["position"](move.height), "feed": self.positioning}
        self.at = np.array([*self.at[:2], move.height])
        return self.place(move) | {"feed": self.positioning}

    def place(self, move: Move) -> dict[str, str]:
        """Texts of where the machine now is."""
        form, at = self.dialect.numbers["position"], self.at
        self.inside(tuple(float(form(c)) for c in at), move)
        if self.dialect.coordinates == "part":
            at = tip_place(at, self.probe, self.tip, self.kinematics, self.angles)
        return {axis: form(c) for axis, c in zip(_AXES, at, strict=True)}

    def inside(self, at: tuple[float | None, ...], move: Move) -> None:
        for axis, value, (low, high) in zip(_AXES, at, self.kinematics.travel or (), strict=False):
            if value is not None and not low <= value <= high:
                raise InputError(
                    f"{type(move).__name__} exceeds the travel of the machine",
                    column=axis.upper(),
                    found=round(value, 4),
                    expected=f"{low:g} to {high:g} mm",
                    todo="Move the work offset, lower the clearance height, or choose another pose.",
                )

    def sensor(self) -> str:
        """Label of the selected tip in the pose: that of the pose, or without rotary axes of the probe, and the tip."""
        label = self.dialect.token(self.pose(self.angles) if self.kinematics.axes else self.probe.name)
        return label + (self.dialect.token(f"_TIP_{self.tip}") if self.tip else "")

    def pose(self, angles: tuple[float, ...]) -> str:
        form = self.dialect.numbers["angle"]
        return "_".join(f"{letter}{form(angle)}" for letter, angle in zip(self.kinematics.letters, angles, strict=True))

    def add(self, templates: Sequence[str], values: Mapping[str, str], numbered: bool = True) -> None:
        dialect = self.dialect
        for template in templates:
            line = filled(template, values)
            modal = next((start for start in dialect.modal if line.startswith(start)), None)
            if modal is not None:
                if self.modal.get(modal) == line:
                    continue
                self.modal[modal] = line
            if numbered and dialect.block_number and not line.startswith(dialect.comment_open):
                line = f"{filled(dialect.block_number, {'n': str(self.block)})} {line}"
                self.block += dialect.block_step
            if len(line) > dialect.line_limit:
                raise InputError("a line is too long", found=line, expected=f"{dialect.line_limit} characters")
            self.lines.append(line)
