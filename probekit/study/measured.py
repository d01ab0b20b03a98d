"""The touches of a study: read, joined with what was planned, and brought into the part frame."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from .. import fit, geometry, touches
from ..errors import InputError
from ..limits import MOST_TOUCHES
from ..making import blaming
from ..nominal import Nominal
from ..plan import Probe
from .asked import targets_made
from .gating import WRITTEN
from .machinery import kinematics_of, probe_of
from .model import Study, motion_of, numbers_of
from .readings import is_document, read_results, targets_read

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["touches_of"]

_MOVES = Path("results", "moves.csv")  # where the moves of a program are written by default
_PLACEMENT = ("translation", "rotation")


def touches_of(study: Study, part: Nominal) -> pd.DataFrame:
    """The touches of ``[touches]``, measured positions in the part frame that ``[machine]`` places.

    Parameters
    ----------
    study : Study
    part : Nominal
        On which they were planned.

    Raises
    ------
    InputError
        If the file, the plan or the placement cannot be read, or the results do not belong to the plan.
    """
    table = _read(study, part)
    if len(table) > MOST_TOUCHES:
        raise InputError(
            "there are too many touches to judge them together",
            file=study.file(study.settings["touches"]["file"]),
            found=f"{len(table)} touches",
            expected=f"at most {MOST_TOUCHES}",
            todo="Thin them; a dense scan is compared with the model by probekit.deviation.scan.",
        )
    if not set(_PLACEMENT) & set(study.settings.get("machine", {})):
        return table
    part_in_machine = motion_of(study, "machine")
    return fit.move_touches(table, geometry.invert_motion(part_in_machine))


def _read(study: Study, part: Nominal) -> pd.DataFrame:
    """The touches as the file gives them, in coordinates of the part."""
    given = study.settings["touches"]
    text = {"columns", "pattern"} & set(given)
    numbered = not text or "touch" in given.get("columns", {}) or "(?P<touch>" in given.get("pattern", "")
    joins = "plan" in given or (bool(study.settings.get("plan")) and numbered)
    plan = partial(plan_of, study, part) if joins else None
    kind = (
        "part"
        if text or "format" in given or is_document(given["file"])
        else touches.control.kind_of(study.file(given["file"]))
    )
    of_control = kind != "part" or "format" in given or (text and "moves" in given)
    coordinates = given.get("coordinates", "program" if of_control else "part")
    if coordinates == "part" and not of_control and "work_offset" not in given:
        return read_results(study, given, plan=plan)
    return _of_control(study, coordinates, parameters="parameters" in (kind, given.get("format")), plan=plan)


def _of_control(
    study: Study, coordinates: str, *, parameters: bool, plan: touches.planned.Planned | None
) -> pd.DataFrame:
    """Touches that a control gave, in the part frame."""
    given, kinematics = study.settings["touches"], kinematics_of(study)
    offset = numbers_of(study, "touches", "work_offset")
    if (offset is None) == (coordinates == "machine"):
        raise InputError(
            "machine coordinates and the origin of the work offset belong together",
            file=study.path,
            column="touches.work_offset",
            found=f"{'no' if offset is None else 'a'} work_offset, coordinates = {coordinates!r}",
            expected='coordinates = "machine" with work_offset = [X, Y, Z]',
        )
    if coordinates == "part":
        raise InputError(
            "a control knows no coordinates of the part",
            file=study.path,
            column="touches.coordinates",
            found=coordinates,
            expected="program or machine",
        )
    if kinematics.axes and set(_PLACEMENT) & set(study.settings["machine"]):
        raise InputError(
            "[machine] places the part in the results, which rotary axes turn: one place is not enough",
            file=study.path,
            column="machine.translation",
            todo="Leave translation and rotation out; machine coordinates need [touches] work_offset",
        )
    path = study.file(given.get("moves", str(_MOVES)))
    if not path.is_file():
        raise InputError(
            "results of a control need the moves of the program that ran",
            file=study.path,
            column="touches.moves",
            found=f"no file {path}",
            expected="the moves.csv that was written with it",
        )
    moves = touches.read_moves(path)
    if parameters:
        table = touches.read_parameters(study.file(given["file"]), moves, unit=given.get("unit", "mm"), plan=plan)
    else:
        table = read_results(study, given, plan=plan)
    options = {"kinematics": kinematics, "tool_length": given.get("tool_length"), "work_offset": offset}
    with blaming(study.path, "touches"):
        return touches.from_program(table, moves, probe=_probe(study), **options)


def _probe(study: Study) -> Probe | None:
    """The probe, if the study describes more of it than its ball."""
    return probe_of(study) if {"stem_diameter", "length"} <= set(study.settings.get("stylus", {})) else None


def plan_of(study: Study, part: Nominal) -> pd.DataFrame:
    """The plan that results without targets belong to: the file that ``[touches]`` names, else the one that was
    written with the program, else that of ``[[plan]]`` now.
    """
    named = study.settings["touches"].get("plan")
    file = study.file(str(WRITTEN) if named is None else named)
    return targets_read(file) if named is not None or file.is_file() else targets_made(study, part)
