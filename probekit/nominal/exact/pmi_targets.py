"""Datum targets of a STEP file, taken from its records.

Entities are those of ISO 10303-47 and -242, from memory: a target is a shape aspect; its place and sizes are items of a
representation of a property of it, or what the aspect itself, or a feature related to it, is linked to.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from .part21 import Record, Ref, read_geometry
from .pmi_links import AspectLinks, references
from .pmi_model import ModelTarget
from .pmi_values import NotUnderstoodError, Units

__all__ = ["is_target", "read_targets"]

_TARGETS = {"PLACED_DATUM_TARGET_FEATURE", "DATUM_TARGET"}


def is_target(record: Record | None) -> bool:
    """Whether a record is a datum target."""
    return record is not None and bool(_TARGETS & record.parts.keys())


def read_targets(
    path: Path, records: Mapping[int, Record], units: Units, links: AspectLinks
) -> tuple[dict[int, ModelTarget], set[int]]:
    """Datum targets by record number, without the faces that they are linked to.

    Returns
    -------
    targets : dict of int to ModelTarget
        Named by their number only: the letter is the datum's.
    used : set of int
        Records that they have taken in, beside their own.
    """
    numbers = [n for n, record in records.items() if is_target(record)]
    if not numbers:
        return {}, set()
    beside = {
        n: record
        for n, record in records.items()
        if any(k.startswith("FEATURE_FOR_DATUM_TARGET") for k in record.parts)
    }
    placing = _representations(records, numbers)
    linked = {n: [*links.items(n), *(i for o in links.related.get(n, ()) for i in links.items(o))] for n in numbers}
    wanted = {i for found in placing.values() for i, _ in found} | {i for found in linked.values() for i in found}
    geometry = read_geometry(path, wanted - records.keys())
    found = {}
    for number in numbers:
        found[number] = _target(records[number], placing.get(number, []), linked[number], records, geometry, units)
    return found, {n for n in beside}


def _representations(records: Mapping[int, Record], numbers: list[int]) -> dict[int, list[tuple[int, int]]]:
    """Items, each with the context that it stands in, of the properties of some records."""
    of = {
        record.id: values[2].id
        for record in records.values()
        for keyword, values in record.parts.items()
        if keyword == "PROPERTY_DEFINITION" and len(values) >= 3 and isinstance(values[2], Ref)
    }
    wanted, out = set(numbers), dict[int, list[tuple[int, int]]]()
    for record in records.values():
        for keyword, values in record.parts.items():
            if not keyword.endswith("DEFINITION_REPRESENTATION") or len(values) < 2:
                continue
            ends = list(references(values[:2]))
            about = of.get(ends[0]) if len(ends) == 2 else None
            shape = records.get(ends[1]) if about in wanted else None
            parts = next((v for v in shape.parts.values() if len(v) >= 3), ()) if shape is not None else ()
            if about is not None and parts and isinstance(parts[2], Ref):
                out.setdefault(about, []).extend((item, parts[2].id) for item in references(parts[1]))
    return out


def _target(
    record: Record,
    items: list[tuple[int, int]],
    linked: list[int],
    records: Mapping[int, Record],
    geometry: Mapping[int, Record],
    units: Units,
) -> ModelTarget:
    said = next((v for k, v in record.parts.items() if len(v) >= 4), ())
    kind = said[1].strip() if len(said) > 1 and isinstance(said[1], str) else ""
    name = next((v[-1] for k, v in record.parts.items() if k in _TARGETS and v and isinstance(v[-1], str)), "")
    point, along, sizes = None, None, []
    for item, context in items:
        one = geometry.get(item)
        if one is not None and "AXIS2_PLACEMENT_3D" in one.parts:
            point, along = _placed(one, geometry, units.of_context(context))
        elif one is None and item in records:
            try:
                length = units.length(Ref(item), "its size", zero=True, most=2.0).mm
            except NotUnderstoodError:
                continue
            named = next(iter(records[item].parts.get("REPRESENTATION_ITEM", ())), "")
            sizes.append((str(named).strip() or "size", length))
    if point is None:
        points = [geometry[i] for i in linked if i in geometry and "CARTESIAN_POINT" in geometry[i].parts]
        if len(points) == 1 and units.only is not None:
            point = _vector(points[0], units.only)
    return ModelTarget(name.strip(), kind.lower(), point, along, tuple(sizes), (), f"#{record.id}")


Vector = tuple[float, float, float]


def _placed(
    record: Record, geometry: Mapping[int, Record], factor: float | None
) -> tuple[Vector | None, Vector | None]:
    """Origin [mm] and first direction of a placement."""
    values = record.parts["AXIS2_PLACEMENT_3D"]
    ends = [geometry.get(v.id) if isinstance(v, Ref) else None for v in (*values[1:4], None, None, None)[:3]]
    if factor is None or ends[0] is None:
        return None, None
    along = _vector(ends[2], 1.0) if ends[2] is not None else None
    return _vector(ends[0], factor), along


def _vector(record: Record, factor: float) -> Vector | None:
    values: tuple[Any, ...] = next((v for v in record.parts.values() if v and isinstance(v[-1], tuple)), ((),))
    found = [one for one in values[-1] if isinstance(one, int | float)]
    if len(found) != 3 or not np.isfinite(found).all():
        return None
    x, y, z = (float(one) * factor for one in found)
    return x, y, z
