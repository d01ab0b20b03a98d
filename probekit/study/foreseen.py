"""What the touches of a plan cannot fix, before any of them is made."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

from .. import deviation
from ..columns import MEASURED, NORMAL, TARGET, array
from ..errors import ProbekitError, ProbekitWarning
from ..tolerance.unjudged import Unjudged
from .aligning import align
from .evaluating import evaluate
from .wording import in_keys

if TYPE_CHECKING:
    from .prepared import Plan

__all__ = ["foreseen"]


def foreseen(planned: Plan) -> list[str]:
    """What would not be judged if every touch of the plan were made, on a perfect part.

    Parameters
    ----------
    planned : Plan

    Returns
    -------
    list of str
        A sentence for the alignment, if the touches do not fix it, and for each tolerance that they do not.
    """
    study, targets = planned.study, planned.route.targets
    if not len(targets):
        return []
    perfect = targets[["touch", "feature", "face", *TARGET, *NORMAL]].copy()
    perfect[list(MEASURED)] = array(targets, TARGET)
    how, said = deviation.Projection(planned.part, 0.0), []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ProbekitWarning)
        table = how.project(perfect)
        if "alignment" in study.settings:
            try:
                align(study, table, how, 0.0)
            except ProbekitError as error:
                said.append(f"the alignment: {in_keys(str(error))}")
        try:
            judged = evaluate(study, table, how, 0.0)
        except ProbekitError as error:
            return [*said, in_keys(str(error))]
    return said + [f"{one.name}: {one.reason}" for one in judged if isinstance(one, Unjudged)]
