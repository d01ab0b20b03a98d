"""The results of an inspection as a QIF document: the touches, the characteristics, their values, the verdict."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..errors import InputError
from .document import Document, numbers
from .features import Written, write_features
from .kinds import INSPECTION, STATUS, define

if TYPE_CHECKING:
    from lxml import etree

    from ..verdict.results import Verdict

__all__ = ["results"]

_LOST, _LOST_AIMS = "touches without a point", "nominal points without a measured point"


def results(
    verdict: Verdict, *, part: str, provenance: Iterable[tuple[str, str]] = (), standard: str | None = None
) -> bytes:
    """Write the results of an inspection as QIF 3.0 (ISO 23952).

    Parameters
    ----------
    verdict : Verdict
        With its table of judged touches.
    part : str
        What the part is called.
    provenance : iterable of (str, str)
        Name and value of what the results were made from; they become attributes of the results.
    standard : str, optional
        By what the tolerances are to be read, such as "ASME Y14.5-2018".

    Returns
    -------
    bytes
        Valid by the published schema. The points are contacts, compensated for the ball, as judged; touches that did
        not trigger have no point, and are listed by number. What the schema has no place for stands in attributes:
        touch numbers, the verdict on each touch, bounds of each actual value, the decision rule, notes.

    Raises
    ------
    InputError
        If the verdict has no touch, or lxml is not installed.
    """
    table = verdict.table
    if not len(table):
        raise InputError("results without a touch cannot be written", expected="one row or more")
    made = Document(part, about=verdict.sentence, standard=standard)
    made.product()
    features = write_features(made, table)
    items = _characteristics(made, verdict, features)
    body = made.add(made.root, "Results")
    group = made.add(body, "MeasurementResultsSet", n=1)
    said = {"decision rule": verdict.rule.sentence, "points": _placed(verdict)} | dict(provenance)
    one, _ = made.identified(group, "MeasurementResults", said)
    measured = _measured(made, one, verdict, features)
    _values(made, one, verdict, items, measured)
    made.add(made.add(one, "InspectionStatus"), "InspectionStatusEnum", INSPECTION[verdict.part])
    return made.finished()


def _placed(verdict: Verdict) -> str:
    """Where the points of the document are."""
    by = verdict.table["placed_by"] if "placed_by" in verdict.table else []
    how = ", ".join(sorted({str(one) for one in by if one}))
    return "contacts, compensated for the ball, " + (f"moved by the alignment ({how})" if how else "as clamped")


def _characteristics(
    made: Document, verdict: Verdict, features: tuple[Written, ...]
) -> list[tuple[str, str, tuple[str, ...]]]:
    """Append what is asked for; of each tolerance its stem, the identity of its item, and the features it covers."""
    n, group = len(verdict.tolerances), made.add(made.root, "Characteristics")
    made.add(group, "FormalStandardId", made.standard)
    definitions, nominals, items = (
        made.add(group, f"Characteristic{which}", n=n) for which in ("Definitions", "Nominals", "Items")
    )
    by_name = {one.name: one for one in features}
    found = []
    for tolerance, row in verdict.pairs:
        stem, definition = define(made, definitions, tolerance, float(row.width))
        covered = tuple(name for name in _covered(tolerance, verdict) if name in by_name)
        nominal, nominal_id = made.identified(nominals, f"{stem}CharacteristicNominal")
        made.add(nominal, "CharacteristicDefinitionId", definition)
        made.references(nominal, "FeatureNominalIds", [by_name[name].nominal for name in covered])
        item, item_id = made.identified(items, f"{stem}CharacteristicItem")
        made.add(item, "Name", tolerance.name)
        made.references(item, "FeatureItemIds", [by_name[name].item for name in covered])
        made.add(item, "CharacteristicNominalId", nominal_id)
        found.append((stem, item_id, covered))
    return found


def _covered(tolerance: Any, verdict: Verdict) -> list[str]:
    """Features whose touches a tolerance takes; of one that was not judged, those it names."""
    rows = getattr(tolerance, "rows", None)
    if rows is None:
        return [str(name) for name in tolerance.features]
    names = verdict.table["feature"].astype(str).to_numpy()
    return list(dict.fromkeys(names[[*rows, *tolerance.missed_rows]].tolist()))


def _measured(
    made: Document, parent: etree._Element, verdict: Verdict, features: tuple[Written, ...]
) -> dict[str, str]:
    """Append the features as touched, and their points; the identity of each by name."""
    table = verdict.table
    contact, normal = array(table, CONTACT), array(table, FOOT_NORMAL)
    touch, words = table["touch"].to_numpy(), table["verdict"].to_numpy()
    deviation = table["deviation"].to_numpy(float)
    placed = np.isfinite(contact).all(axis=1) & np.isfinite(normal).all(axis=1) & np.isfinite(deviation)
    group = made.add(parent, "MeasuredFeatures", n=len(features))
    pool = made.add(parent, "MeasuredPointSets", n=sum(bool(placed[one.rows].any()) for one in features))
    found = {}
    for one in features:
        own, lost = one.rows[placed[one.rows]], one.rows[~placed[one.rows]]
        named = {_LOST: " ".join(map(str, touch[lost]))} if len(lost) else {}
        at = dict(zip(one.rows.tolist(), one.measure_points, strict=False))
        if len(lost) and at:
            named[_LOST_AIMS] = " ".join(at[row] for row in lost.tolist())
        feature, found[one.name] = made.identified(group, "OtherSurfaceFeatureMeasurement", named)
        made.add(feature, "FeatureItemId", one.item)
        made.add(feature, "FeatureName", one.name)
        if not len(own):
            continue
        said = {"touches": " ".join(map(str, touch[own])), "verdicts": " ".join(words[own])}
        points, identity = made.identified(pool, "MeasuredPointSet", said)
        points.set("count", str(len(own)))
        made.add(points, "Points", numbers(contact[own]))
        made.add(points, "Normals", numbers(normal[own]))
        made.add(points, "Compensated", "true")
        if at:
            nominals = made.add(points, "MeasurePointNominalIds", n=len(own))
            made.add(nominals, "Ids", " ".join(at[row] for row in own.tolist()))
        made.add(points, "Deviations", numbers(deviation[own]))
        made.add(made.add(feature, "PointList", n=1), "WholePointSetId", identity)
    if not len(pool):
        parent.remove(pool)
    return found


def _values(
    made: Document,
    parent: etree._Element,
    verdict: Verdict,
    items: list[tuple[str, str, tuple[str, ...]]],
    measured: dict[str, str],
) -> None:
    """Append the actual value of each tolerance, with the word on it."""
    group = made.add(parent, "MeasuredCharacteristics")
    group = made.add(group, "CharacteristicMeasurements", n=len(items))
    for (tolerance, row), (stem, item, covered) in zip(verdict.pairs, items, strict=True):
        named = {
            "name": tolerance.name,
            "word": row.word,
            "lower bound": _finite(row.low),
            "upper bound": _finite(row.high),
            "notes": "; ".join(row.notes) or None,
        }
        value, _ = made.identified(group, f"{stem}CharacteristicMeasurement", named)
        made.add(made.add(value, "Status"), "CharacteristicStatusEnum", STATUS[row.word])
        made.add(value, "CharacteristicItemId", item)
        made.references(value, "FeatureMeasurementIds", [measured[name] for name in covered])
        if np.isfinite(row.actual):
            uncertainty = {"combinedUncertainty": _decimal(row.u)} if np.isfinite(row.u) else {}
            made.add(value, "Value", _decimal(row.actual), **uncertainty)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _decimal(value: float) -> str:
    """A number as XML's decimal, which knows no exponent."""
    text = np.format_float_positional(float(value), trim="0")
    return re.sub(r"^-(0\.0*)$", r"\1", text)
