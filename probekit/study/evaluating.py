"""The tolerances of a study, evaluated on its touches."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from .. import tolerance
from ..limits import tables_of
from ..tolerance.unjudged import Unjudged
from .aligning import datums_of
from .model import Study
from .wording import in_keys

if TYPE_CHECKING:
    import pandas as pd

    from .. import deviation

__all__ = ["evaluate"]


def evaluate(
    study: Study, aligned: pd.DataFrame, how: deviation.Projection, u: float
) -> list[tolerance.Evaluation | Unjudged]:
    """All tolerances; where the study says what the letters stand for, each in the frame that its own establish."""
    stated = tables_of({"tolerance": study.settings["tolerance"]})
    read = [tolerance.read_tolerance(table, file=study.path, where=where) for where, _, table in stated]
    wanted = [one for several in read for one in several]
    planned = [str(one["feature"]) for one in study.settings.get("plan", []) if "feature" in one]
    found = tolerance.evaluate_all(wanted, aligned, how, datums=datums_of(study), u=u, features=planned)
    return [replace(one, reason=in_keys(one.reason)) if isinstance(one, Unjudged) else one for one in found]
