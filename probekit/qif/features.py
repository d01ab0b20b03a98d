"""Features of a document: one surface for each feature touched, and its nominal points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import NORMAL, TARGET
from .document import Document, numbers

if TYPE_CHECKING:
    import pandas as pd
    from lxml import etree

__all__ = ["Written", "write_features"]


@dataclass(frozen=True)
class Written:
    """What a feature is called in a document.

    Attributes
    ----------
    name : str
    rows : (n,) int
        Positions of its touches in the table.
    nominal, item : str
        Identities of its nominal and of what is to be measured.
    points : str
        Identity of the set of its nominal points; empty if no touch has a target.
    measure_points : tuple of str
        Identities of the nominal point of each touch; empty if a touch has no target.
    """

    name: str
    rows: np.ndarray
    nominal: str
    item: str
    points: str
    measure_points: tuple[str, ...]


def write_features(made: Document, table: pd.DataFrame) -> tuple[Written, ...]:
    """Append the features of a table of targets or touches, each a surface with its nominal points.

    Parameters
    ----------
    made : Document
    table : DataFrame
        With `touch, feature` and, where a touch has a target, `x0 y0 z0 i j k`.
    """
    names = table["feature"].astype(str).to_numpy()
    group = made.add(made.root, "Features")
    kinds = sorted(set(names), key=list(names).index)
    definitions = made.add(group, "FeatureDefinitions", n=1)
    _, definition = made.identified(definitions, "OtherSurfaceFeatureDefinition")
    nominals, items = (made.add(group, which, n=len(kinds)) for which in ("FeatureNominals", "FeatureItems"))
    aimed = all(column in table for column in (*TARGET, *NORMAL))
    sets: list[tuple[str, tuple[str, ...]]] = []
    rows = [np.flatnonzero(names == name) for name in kinds]
    known = [aimed and bool(np.isfinite(_aims(table, own)).all()) for own in rows]
    pool = made.add(group, "NominalPointSets", n=sum(known)) if any(known) else None
    for own, whole in zip(rows, known, strict=True):
        sets.append(_points(made, pool, table, own) if whole else ("", ()))
    written = []
    for name, own, (points, each) in zip(kinds, rows, sets, strict=True):
        nominal, nominal_id = made.identified(nominals, "OtherSurfaceFeatureNominal")
        made.add(nominal, "Name", name)
        made.add(nominal, "FeatureDefinitionId", definition)
        if points:
            made.add(made.add(nominal, "PointList", n=1), "WholePointSetId", points)
        item, item_id = made.identified(items, "OtherSurfaceFeatureItem")
        made.add(item, "FeatureNominalId", nominal_id)
        made.add(item, "FeatureName", name)
        made.add(made.add(item, "DeterminationMode"), "Checked")
        written.append(Written(name, own, nominal_id, item_id, points, each))
    return tuple(written)


def _aims(table: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    return table[[*TARGET, *NORMAL]].to_numpy(float)[rows]


def _points(made: Document, pool: etree._Element, table: pd.DataFrame, rows: np.ndarray) -> tuple[str, tuple[str, ...]]:
    """A set of nominal points, and the identity of each."""
    group, identity = made.identified(pool, "NominalPointSet")
    group.set("n", str(len(rows)))
    each = []
    for aim in _aims(table, rows):
        point, own = made.identified(group, "MeasurePoint")
        made.add(point, "Point", numbers(aim[:3]))
        made.add(point, "Normal", numbers(aim[3:]))
        each.append(own)
    return identity, tuple(each)
