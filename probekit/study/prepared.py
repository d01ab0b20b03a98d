"""What is known before the cut, as plain data: a plan, and the program of a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .. import nominal
from .. import plan as planning
from .. import program as programs
from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

    from ..program.moves import Move

__all__ = ["Plan", "Program", "clearance"]

_AMPLE = 0.01  # clearances beyond the margin by more than this need not be known [mm]


@shown
@dataclass(frozen=True, eq=False)
class Plan:
    """Touches that are planned: where, from which side, in which order.

    Attributes
    ----------
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
    """

    part: nominal.Nominal
    probe: planning.Probe
    kinematics: planning.Kinematics
    obstacles: planning.Obstacles
    targets: pd.DataFrame
    route: planning.Route
    margin: float
    notes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The route and the least clearance, in one line."""
        return f"{self.part.name}: {self.route.sentence}; clearance at least {self.margin:g} mm"

    @property
    def table(self) -> pd.DataFrame:
        """All targets, those that are touched first and in that order, then those left out."""
        import pandas as pd

        return pd.concat([self.route.targets, self.route.left_out], ignore_index=True)

    def clear(self, start: np.ndarray, end: np.ndarray, axis: np.ndarray) -> np.ndarray:
        """Least distance (n,) of the probe to part and fixtures along moves of the ball centre [mm], if not ample."""
        return clearance(self.obstacles, self.probe, self.margin, start, end, axis)


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
    """

    moves: tuple[Move, ...]
    probing: str
    dialect: programs.Dialect
    merged: programs.Merged | None
    findings: programs.Findings | None
    omitted: tuple[str, ...]
    name: str
    suffix: str

    @property
    def sentence(self) -> str:
        """Name, dialect and what the checks say, in one line."""
        checked = "the checks cannot read this dialect" if self.findings is None else self.findings.sentence
        return f"{self.name}: {len(self.text.splitlines())} lines in the dialect {self.dialect.name}. {checked}"

    @property
    def stops(self) -> bool:
        """Whether a check found something that the program must not be run with."""
        return self.findings is not None and bool(self.findings.of("stop"))

    @property
    def text(self) -> str:
        """The text that is to run."""
        return self.probing if self.merged is None else self.merged.text


def clearance(
    obstacles: planning.Obstacles,
    probe: planning.Probe,
    margin: float,
    start: np.ndarray,
    end: np.ndarray,
    axis: np.ndarray,
) -> np.ndarray:
    """See `Plan.clear`."""
    return planning.clearance_along(obstacles, probe, start, end, axis, enough=margin + _AMPLE)
