"""What is known before the cut, as plain data: a plan, and the program of a plan."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from .. import nominal
from .. import plan as planning
from .. import program as programs
from ..errors import InputError
from ..making import blaming
from ..plan.route.pace import CycleTime, Pace
from ..plan.route.route import Route
from ..program.checking.findings import Findings
from ..program.deciding.asked import Phase
from ..program.deciding.branches import in_branches
from ..program.deciding.decisions import Step
from ..program.deciding.entries import Entry
from ..program.deciding.paths import straight
from ..program.deciding.phases import Part, in_parts, in_phases
from ..program.merging.merge import LIFT, Merged
from ..program.reading.source import Source
from ..program.timing import time_of
from ..program.writing.compose import Touching
from ..program.writing.dialect import Dialect
from ..show import shown
from .following import Cut, Following
from .model import Study, numbers_of
from .phasing import empty_phases, phases_of
from .places import dry_name

if TYPE_CHECKING:
    import pandas as pd

    from ..program.moves import Move

__all__ = ["Plan", "Program", "aliases_of", "dialect_of", "offset_of", "slots_after", "stated_tool", "tool_of"]

_ROUNDING = 0.001  # the program's numbers are rounded to less than this [mm]
_TOUCHING = (
    "first_feed",
    "back",
    "confirm",
    "near_feed",
    "near",
    "agree",
)  # keys of [program] that say how touches are made
_NEAR_FEED = 500.0  # near the part where nothing watches the probe: common practice, no source [mm/min]
_PROBE = "G38.2"  # the probing move of RS274/NGC, which the checks understand


@shown
@dataclass(frozen=True, eq=False)
class Plan:
    """Touches that are planned: where, from which side, in which order.

    Attributes
    ----------
    study : Study
        The study that asks for them, without what needs a kernel that is not there.
    part : Nominal
    probe : Probe
    kinematics : Kinematics
    obstacles : Obstacles
        Part and fixtures.
    targets : DataFrame
        All targets, with what reach found of each.
    route : Route
        The reachable ones in the order of touching; those left out, with a reason.
    margin : float
        Least clearance on every way [mm].
    notes : tuple of str
        What was noticed on the way.
    inputs : str
        SHA-256 of all that planning took.
    reused : bool
        Whether targets and route are those of an earlier run, made of the same.
    again : bool
        Whether it is for some touches only, such as those to make again.
    """

    study: Study
    part: nominal.Nominal
    probe: planning.Probe
    kinematics: planning.Kinematics
    obstacles: planning.Obstacles
    targets: pd.DataFrame
    route: Route
    margin: float
    notes: tuple[str, ...]
    inputs: str = ""
    reused: bool = False
    again: bool = False

    @property
    def sentence(self) -> str:
        """The route and the least clearance, in one line."""
        return f"{self.part.name}: {self.route.sentence}; clearance at least {self.margin:g} mm"

    @property
    def table(self) -> pd.DataFrame:
        """All targets, those that are touched first and in that order, then those left out."""
        import pandas as pd

        return pd.concat([self.route.targets, self.route.left_out], ignore_index=True)

    @property
    def moves(self) -> tuple[Move, ...]:
        """The moves of the program, with the tool that the study puts in.

        Raises
        ------
        InputError
            If the study does not tell the tool, or no target can be touched.
        """
        options = self.study.settings.get("program", {})
        return programs.moves_of(
            self.route,
            self.probe,
            self.kinematics,
            tool=stated_tool(self.study),
            offset=options.get("offset"),
            warm_up=options.get("warm_up", 10.0),
            limits=numbers_of(self.study, "program", "stop_outside", count=2),
            touching=self.touching,
        )

    @property
    def ways(self) -> tuple[Step, ...]:
        """What its program does: as `steps`; without ``[program] tool`` the route alone.

        Raises
        ------
        InputError
            As `steps`.
        """
        if tool_of(self.study) is not None:
            return self.steps
        return programs.moves_of(self.route, self.probe, self.kinematics, tool=1)

    @cached_property
    def time(self) -> CycleTime:
        """Estimated time of its program on a part as planned; where there is none yet, of the route."""
        try:
            path = straight(self.ways)
        except InputError:
            return self.route.time
        return time_of(path, self.kinematics, self.probe, self.pace)

    @property
    def pace(self) -> Pace:
        """How fast its program goes: of moves that the dialect writes with a feed none is rapid."""
        pace = self.route.pace
        at_feed = any("{feed}" in line for line in dialect_of(self.study).moves.get("link", ()))
        return replace(pace, rapid=pace.positioning) if at_feed else pace

    @property
    def touching(self) -> Touching:
        """How each touch is made: slow near the part where the control does not watch the way there."""
        options, dialect = self.study.settings.get("program", {}), dialect_of(self.study)
        given = {key: options[key] for key in _TOUCHING if key in options}
        if dialect.coordinates == "program" and not dialect.watched and "near_feed" not in given:
            pace = self.route.pace
            given["near_feed"] = min(pace.positioning, max(_NEAR_FEED, pace.touch, given.get("first_feed", 0.0)))
        return Touching(**given)

    @property
    def phases(self) -> tuple[Phase, ...]:
        """The phases in which it is touched; none if the study has none."""
        return phases_of(self.study)

    @property
    def steps(self) -> tuple[Step, ...]:
        """The moves of the program, with all that it decides among them.

        Raises
        ------
        InputError
            As `moves`, or if a phase cannot be used.
        """
        with blaming(self.study.path, "phase"):
            milling = "milling" in self.study.settings.get("program", {})
            steps = in_phases(*self._by_phase(), milling=milling) if self.phases else self.moves
            return in_branches(steps) if self.phases and dialect_of(self.study).language else steps

    @property
    def parts(self) -> tuple[Part, ...]:
        """Programs in place of one that decides, with a stop and values to enter between them.

        Raises
        ------
        InputError
            As `steps`, or if a table turns the part.
        """
        with blaming(self.study.path, "phase"):
            return in_parts(*self._by_phase())

    def _by_phase(self) -> tuple[tuple[Move, ...], tuple[Phase, ...], list[int], str, planning.Kinematics]:
        phases = self.phases
        if lost := empty_phases(phases, self.route):
            raise InputError(f"no touch of phase '{lost[0]}' can be made", todo="See the reasons of those left out.")
        which = [int(number) for number in self.route.targets["phase"]]
        return self.moves, phases, which, offset_of(self.study), self.kinematics

    def check(self, text: str | bytes | Path | Source, *, part: int | None = None) -> Findings:
        """Check a program against all that the plan and its study know; see `probekit.program.check`.

        Parameters
        ----------
        text : str, bytes, Path or Source
            The whole program as it would run, merged or not; a str is the text itself.
        part : int, optional
            Which of `parts` it is, from 0; if not given it is the one of all.

        Raises
        ------
        InputError
            If the text cannot be read, or the checks do not understand the study's dialect.
        """
        options, dialect = self.study.settings.get("program", {}), dialect_of(self.study)
        if not dialect.checked:
            raise InputError("the checks cannot read this dialect", column="program.dialect", found=dialect.name)
        if dialect.language:
            return self._check_measuring(text, dialect)
        route, tool = self.route, tool_of(self.study)
        # tilted poses have clear heights of their own, far apart in Z: there only the clearance itself is checked
        upright = len(set(route.targets["direction"])) == 1
        slots, offset = dialect.slots, offset_of(self.study)
        steps: tuple[Step, ...] = () if tool is None else self.steps
        if part is not None:
            own = self.parts[part]
            steps, slots = own.steps, slots_after(slots, own.touches)
        return programs.check(
            text,
            kinematics=self.kinematics,
            probe=self.probe,
            tool=tool,
            clear=self.obstacles.clear_of(self.probe, self.margin),
            margin=self.margin - _ROUNDING,
            overtravel=float(route.targets["overtravel"].max()) + _ROUNDING,
            touch_feed=route.pace.touch,
            positioning_feed=route.pace.positioning,
            safe_height=route.clear_height - _ROUNDING if upright else None,
            turn_height=route.height - _ROUNDING,
            start=numbers_of(self.study, "simulate", "home"),
            aliases=aliases_of(dialect),
            known=dialect.harmless,
            work_offset=dialect.work_offsets[offset],
            length=options.get("offset", tool),
            slots=slots,
            moves=steps,
            flow=dialect.reckoning.flow,
            names=dialect.reckoning.names,
            spelled={**dialect.moves, "header": (*dialect.header, *dialect.footer, *dialect.after)},
            lifts=(options["lift"],) if "lift" in options else (LIFT, *dialect.moves.get("away", ())),
            milling=self.study.file(options["milling"]) if "milling" in options and part is None else None,
        )

    def _check_measuring(self, text: str | bytes | Path | Source, dialect: Dialect) -> Findings:
        """Check a program of a coordinate measuring machine."""
        from ..program.measuring.checks import check_measuring

        route = self.route
        return check_measuring(
            text,
            kinematics=self.kinematics,
            probe=self.probe,
            steps=self.steps,
            frame=dialect.work_offsets[offset_of(self.study)],
            clear=self.obstacles.clear_of(self.probe, self.margin),
            margin=self.margin - _ROUNDING,
            turn_height=route.height - _ROUNDING,
            positioning_feed=route.pace.positioning,
            overtravel=float(route.targets["overtravel"].max()) + _ROUNDING,
            start=numbers_of(self.study, "simulate", "home"),
        )


@shown
@dataclass(frozen=True, eq=False)
class Program:
    """The program text of a plan.

    Attributes
    ----------
    moves : tuple of Step
        Moves, and among them what the program decides.
    probing : str
        The probing alone.
    dialect : Dialect
        The one that it is written in.
    merged : Merged or None
        The milling program with the probing in it, if the study names one.
    findings : Findings or None
        What the checks say of the text that will run; None for a dialect they cannot read.
    omitted : tuple of str
        Moves that the dialect cannot spell.
    name : str
        Of the program, for file names.
    suffix : str
        Of the file.
    dry : str
        The dry run of the probing, a program of its own: plain moves to the standoff in place of touches.
    dry_findings : Findings or None
        What the checks say of that.
    following : tuple of Following
        Programs after it, where the dialect cannot decide.
    enter : tuple of Entry
        What a person enters after it.
    first_offset : str
        The work offset that is set up.
    cuts : tuple of Cut
        Programs that cut an operation again, where the dialect cannot decide.
    """

    moves: tuple[Step, ...]
    probing: str
    dialect: Dialect
    merged: Merged | None
    findings: Findings | None
    omitted: tuple[str, ...]
    name: str
    suffix: str
    dry: str = ""
    dry_findings: Findings | None = None
    following: tuple[Following, ...] = ()
    enter: tuple[Entry, ...] = ()
    first_offset: str = ""
    cuts: tuple[Cut, ...] = ()

    @property
    def sentence(self) -> str:
        """Name, dialect and what the checks say, in one line."""
        checked = "the checks cannot read this dialect" if self.findings is None else self.findings.sentence
        return f"{self.name}: {len(self.text.splitlines())} lines in the dialect {self.dialect.name}. {checked}"

    @property
    def by_hand(self) -> bool:
        """Whether a person reads and judges in place of the program, between several or after one."""
        return bool(self.following or self.enter)

    @property
    def stops(self) -> bool:
        """Whether a check found something that the program must not be run with."""
        later = [one.findings for one in self.following] + [one.findings for one in self.cuts]
        all_found = (self.findings, self.dry_findings, *later)
        return any(found is not None and found.of("stop") for found in all_found)

    @property
    def dry_name(self) -> str:
        """Name of the file of the dry run."""
        return dry_name(self.name, self.suffix)

    @property
    def text(self) -> str:
        """The text that is to run."""
        return self.probing if self.merged is None else self.merged.text


def offset_of(study: Study) -> str:
    """The work offset that is set up, by its name in the dialect."""
    return study.settings.get("program", {}).get("work_offset", next(iter(dialect_of(study).work_offsets)))


def slots_after(slots: tuple[int, ...], touches: int) -> tuple[int, ...]:
    """Parameters that are left to keep triggers in, after so many touches."""
    return (slots[0] + 3 * touches, slots[1]) if slots else slots


def dialect_of(study: Study) -> Dialect:
    """The dialect that a study asks for, by its name or by its file beside the study."""
    name = study.settings.get("program", {}).get("dialect", "rs274")
    return programs.read_dialect(name if name in programs.dialect_names() else study.file(name))


def tool_of(study: Study) -> int | None:
    """Number of the probe in the magazine, None if it is not stated; 1 for a measuring machine, which has none."""
    measuring = "program" in study.settings and bool(dialect_of(study).language)
    return study.settings.get("program", {}).get("tool", 1 if measuring else None)


def stated_tool(study: Study) -> int:
    """The same; an InputError if it is not stated."""
    tool = tool_of(study)
    if tool is None:
        what = "the tool number of the probe is not stated"
        raise InputError(what, file=study.path, column="program.tool", expected="a tool number")
    return tool


def aliases_of(dialect: Dialect) -> dict[str, str]:
    """The dialect's own probing word, in the words that merge and checks understand."""
    probing = re.match(r"[A-Z][\d.]+", dialect.moves["touch"][0])
    return {probing[0]: _PROBE} if probing and probing[0] != _PROBE else {}
