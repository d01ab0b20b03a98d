"""The touches of the second look of a study, and the study as it was at the first."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..errors import InputError
from ..touches.repeats import mean_of_repeats
from .measured import touches_of
from .model import Study

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["all_touches_of", "first_look", "with_touches"]


def first_look(study: Study) -> Study | None:
    """The study without the touches of its second look; None if it names none.

    Raises
    ------
    InputError
        If the rule is not for two looks.
    """
    if "again" not in study.settings["touches"]:
        return None
    decided = study.settings.get("decision", {})
    if decided.get("looks", 1) != 2 or decided.get("rule", "proved") != "proved":
        raise InputError(
            "touches made again are judged by a rule for two looks, chosen before the first",
            file=study.path,
            column="decision.looks",
            found=decided.get("looks", 1),
            expected='rule = "proved" with looks = 2',
            todo="A second look by a rule for one nearly doubles the risk of a wrong word.",
        )
    return with_touches(study)


def all_touches_of(study: Study, part: Nominal) -> tuple[pd.DataFrame, list[str]]:
    """The touches of a study; those that were made again by the mean of all, and what is to be said of that."""
    given = study.settings["touches"]
    if "again" not in given:
        return touches_of(study, part), []
    kept, second = with_touches(study), {"file": given["again"]}
    if "again_plan" in given:
        second["plan"] = given["again_plan"]
    again = touches_of(with_touches(study, **second), part)
    table, notes = mean_of_repeats(touches_of(kept, part), again)
    if "budget" not in study.settings:
        notes.append(
            "[uncertainty] u does not say how much of it repeats share, so touches made again count as no surer than "
            "single ones; a [budget] says it"
        )
    return table, notes


def with_touches(study: Study, **changed: str) -> Study:
    """The study with one run of touches only, with other keys in ``[touches]``."""
    given = study.settings["touches"]
    kept = {key: value for key, value in given.items() if key not in ("again", "again_plan")}
    if changed:
        kept.pop("plan", None)
    return replace(study, settings=study.settings | {"touches": kept | changed})
