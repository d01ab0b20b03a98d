"""What a STEP file says of the zones of its tolerances besides their width: form, projected length, unit.

Entities are those of ISO 10303-47 and -242, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from .part21 import Enum, Record, Ref
from .pmi_links import AspectLinks, references
from .pmi_model import ModelTolerance, shown
from .pmi_values import NotUnderstoodError, Units, words

__all__ = ["UNIT_PARTS", "modified", "read_projected", "read_unit", "zone_forms", "zones_of"]

#: Parts of a tolerance that holds per unit.
UNIT_PARTS = {"GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT", "GEOMETRIC_TOLERANCE_WITH_DEFINED_AREA_UNIT"}
_DIAMETER = {"cylindrical or circular", "within a circle", "within a cylinder"}
_SPHERE = {"spherical", "within a sphere"}


def read_unit(parts: Mapping[str, tuple[Any, ...]], units: Units) -> tuple[tuple[float, ...], str]:
    """Sizes of the unit that a tolerance holds per [mm], and its shape; nothing if it is not per unit.

    Raises
    ------
    NotUnderstoodError
    """
    if not UNIT_PARTS & parts.keys():
        return (), ""
    stated = parts.get("GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT", ())
    size = units.length(stated[-1] if stated else None, "its unit", most=2.0).mm
    area = parts.get("GEOMETRIC_TOLERANCE_WITH_DEFINED_AREA_UNIT")
    if area is None:
        return (size,), "length"
    shape = next((words(one.word) for one in area if isinstance(one, Enum)), "")
    second = [units.length(one, "its unit", most=2.0).mm for one in area if isinstance(one, Ref)]
    return (size, *second[:1]), shape or "area"


def zones_of(records: Mapping[int, Record]) -> dict[int, tuple[int, ...]]:
    """Tolerances of each zone, by record number."""
    keyword = "TOLERANCE_ZONE"
    return {
        n: tuple(references(next((v[4] for k, v in r.parts.items() if k.endswith(keyword) and len(v) > 4), ())))
        for n, r in records.items()
        if any(k.endswith(keyword) for k in r.parts)
    }


def zone_forms(records: Mapping[int, Record]) -> tuple[list[tuple[tuple[int, ...], str]], dict[int, str]]:
    """Modifiers that the forms of zones make, each with its tolerances; and forms not understood, by record."""
    found, odd = [], {}
    for number, record in records.items():
        zone = next((v for k, v in record.parts.items() if k.endswith("TOLERANCE_ZONE") and len(v) >= 6), ())
        if not zone:
            continue
        form = records.get(zone[5].id) if isinstance(zone[5], Ref) else None
        values = next(iter(form.parts.values()))[:1] if form is not None else ()
        name = values[0].strip().lower() if values and isinstance(values[0], str) else ""
        if name in _DIAMETER or name in _SPHERE:
            added = "diameter" if name in _DIAMETER else "spherical diameter"
        elif name.startswith(("between two ", "within two ")) or name in ("", "unknown", "non uniform", "non-uniform"):
            if not name.startswith("non"):
                continue
            added = "zone that is not uniform"
        else:
            added = "zone of a form that is not understood"
            odd[number] = f"its form is not understood: {shown(name)}"
        found.append((tuple(references(zone[4])), added))
    return found, odd


def read_projected(
    records: Mapping[int, Record], units: Units, links: AspectLinks
) -> tuple[list[tuple[tuple[int, ...], float, tuple[int, ...]]], set[int]]:
    """Projected zones: tolerances, length [mm], faces (records) where it begins; and the records taken in.

    A definition: zone, boundaries, the aspect where the projection ends (on the part), and its length.
    """
    zones, found, used = zones_of(records), [], set[int]()
    for number, record in records.items():
        keyword = next((k for k in record.parts if k.startswith("PROJECTED_ZONE_DEFINITION")), None)
        values = record.parts[keyword] if keyword else ()
        if len(record.parts) > 1 and keyword:
            values = (*record.parts.get("TOLERANCE_ZONE_DEFINITION", ()), *values)
        if len(values) < 4 or not isinstance(values[0], Ref) or keyword != "PROJECTED_ZONE_DEFINITION":
            continue
        try:
            length = units.length(values[3], "its projected length", most=2.0).mm
        except NotUnderstoodError:
            continue
        start = links.of(values[2].id)[0] if isinstance(values[2], Ref) else ()
        found.append((zones.get(values[0].id, ()), length, start))
        used.add(number)
    return found, used


def modified(one: ModelTolerance, *added: str) -> ModelTolerance:
    """The same with further modifiers."""
    return replace(one, modifiers=tuple(dict.fromkeys((*one.modifiers, *added))))
