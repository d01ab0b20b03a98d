"""What is known before the cut, as plain data: a plan, and the program of a plan."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .. import nominal
from .. import plan as planning
from .. import program as programs
from ..errors import InputError
from ..plan.route.route import Route
from ..program.checking.findings import Findings
from ..program.merging.merge import LIFT, Merged
from ..program.reading.source import Source
from ..program.writing.compose import Touching
from ..program.writing.dialect import Dialect
from ..show import shown
from .model import Study, numbers_of
from .places import dry_name

if TYPE_CHECKING:
    import pandas as pd

    from ..program.moves import Move

__all__ = ["Plan", "Program", "aliases_of", "dialect_of"]

_ROUNDING = 0.001  # the program's numbers are rounded to less than this [mm]
_TOUCHING = ("first_feed", "back", "confirm", "near_feed", "near")  # keys of [program] that say how touches are made
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
        if "tool" not in options:
            raise InputError("the tool number of the probe is not stated", file=self.study.path, column="program.tool")
        return programs.moves_of(
            self.route,
            self.probe,
            self.kinematics,
            tool=options["tool"],
            offset=options.get("offset"),
            warm_up=options.get("warm_up", 10.0),
            limits=numbers_of(self.study, "program", "stop_outside", count=2),
            touching=Touching(**{key: options[key] for key in _TOUCHING if key in options}),
        )

    def check(self, text: str | bytes | Path | Source) -> Findings:
        """Check a program against all that the plan and its study know; see `probekit.program.check`.

        Parameters
        ----------
        text : str, bytes, Path or Source
            The whole program as it would run, merged or not; a str is the text itself.

        Raises
        ------
        InputError
            If the text cannot be read, or the checks do not understand the study's dialect.
        """
        options, dialect = self.study.settings.get("program", {}), dialect_of(self.study)
        if dialect.coordinates != "program":
            raise InputError("the checks cannot read this dialect", column="program.dialect", found=dialect.name)
        route, tool = self.route, options.get("tool")
        # tilted poses have clear heights of their own, far apart in Z: there only the clearance itself is checked
        upright = route.indexed.sum() == 1
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
            work_offset=dialect.work_offsets[options.get("work_offset", next(iter(dialect.work_offsets)))],
            length=options.get("offset", tool),
            slots=dialect.slots,
            moves=() if tool is None else self.moves,
            lifts=(options["lift"],) if "lift" in options else (LIFT, *dialect.moves.get("away", ())),
            milling=self.study.file(options["milling"]) if "milling" in options else None,
        )


@shown
@dataclass(frozen=True, eq=False)
class Program:
    """The program text of a plan.

    Attributes
    ----------
    moves : tuple of Move
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
    """

    moves: tuple[Move, ...]
    probing: str
    dialect: Dialect
    merged: Merged | None
    findings: Findings | None
    omitted: tuple[str, ...]
    name: str
    suffix: str
    dry: str = ""
    dry_findings: Findings | None = None

    @property
    def sentence(self) -> str:
        """Name, dialect and what the checks say, in one line."""
        checked = "the checks cannot read this dialect" if self.findings is None else self.findings.sentence
        return f"{self.name}: {len(self.text.splitlines())} lines in the dialect {self.dialect.name}. {checked}"

    @property
    def stops(self) -> bool:
        """Whether a check found something that the program must not be run with."""
        return any(found is not None and found.of("stop") for found in (self.findings, self.dry_findings))

    @property
    def dry_name(self) -> str:
        """Name of the file of the dry run."""
        return dry_name(self.name, self.suffix)

    @property
    def text(self) -> str:
        """The text that is to run."""
        return self.probing if self.merged is None else self.merged.text


def dialect_of(study: Study) -> Dialect:
    """The dialect that a study asks for, by its name or by its file beside the study."""
    name = study.settings.get("program", {}).get("dialect", "rs274")
    return programs.read_dialect(name if name in programs.dialect_names() else study.file(name))


def aliases_of(dialect: Dialect) -> dict[str, str]:
    """The dialect's own probing word, in the words that merge and checks understand."""
    probing = re.match(r"[A-Z][\d.]+", dialect.moves["touch"][0])
    return {probing[0]: _PROBE} if probing and probing[0] != _PROBE else {}
