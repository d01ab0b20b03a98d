"""The touches of a study: read, joined with what was planned, and brought into the part frame."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from .. import fit, touches
from ..nominal import Nominal
from .gating import WRITTEN, targets_made
from .model import Study, motion_of
from .readings import read_results

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["touches_of"]

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
    given = study.settings["touches"]
    text = {"columns", "pattern"} & set(given)
    numbered = not text or "touch" in given.get("columns", {}) or "(?P<touch>" in given.get("pattern", "")
    joins = "plan" in given or (bool(study.settings.get("plan")) and numbered)
    table = read_results(study, given, plan=partial(plan_of, study, part) if joins else None)
    if not set(_PLACEMENT) & set(study.settings.get("machine", {})):
        return table
    part_in_machine = motion_of(study, "machine")
    return fit.move_touches(table, fit.invert_motion(part_in_machine))


def plan_of(study: Study, part: Nominal) -> pd.DataFrame:
    """The plan that results without targets belong to: the file that ``[touches]`` names, else the one that was
    written with the program, else that of ``[[plan]]`` now.
    """
    named = study.settings["touches"].get("plan")
    file = study.file(str(WRITTEN) if named is None else named)
    return touches.read_plan(file) if named is not None or file.is_file() else targets_made(study, part)
