"""A plan as a QIF document: the features, their nominal points in the order of touching, and to measure them all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..errors import InputError
from .document import Document
from .features import write_features

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["plan"]


def plan(targets: pd.DataFrame, *, part: str, standard: str | None = None) -> bytes:
    """Write targets as a plan of QIF 3.0 (ISO 23952).

    Parameters
    ----------
    targets : DataFrame
        A targets table: `touch, feature, x0, y0, z0, i, j, k` [mm].
    part : str
        What the part is called.
    standard : str, optional
        By what its tolerances are to be read, such as "ASME Y14.5-2018".

    Returns
    -------
    bytes
        Valid by the published schema. Touch numbers stand in an attribute of each feature.

    Raises
    ------
    InputError
        If there is no target, or lxml is not installed.
    """
    if not len(targets):
        raise InputError("a plan without a target cannot be written", expected="one row or more")
    made = Document(part, about="Plan of touches. Poses, moves and checks are not part of it.", standard=standard)
    made.product()
    features = write_features(made, targets)
    root = made.add(made.add(made.root, "Plan"), "OrderedPlanRoot")
    made.attributes(
        root,
        {f"touches of {one.name}": " ".join(map(str, targets["touch"].to_numpy()[one.rows])) for one in features},
    )
    step = made.add(made.add(root, "Steps", n=1), "NumberedPlanElement")
    made.add(step, "SequenceNumber", "1")
    action = made.add(step, "MeasureSpecifiedFeatures")
    made.references(action, "FeatureItemIds", [one.item for one in features])
    return made.finished()
