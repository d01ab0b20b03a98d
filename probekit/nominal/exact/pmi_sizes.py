"""Sizes with limits of a STEP file, taken from its records.

Entities and their attributes are those of ISO 10303-47 and -242, from memory: a size applies to a shape aspect; its
nominal value, or its upper and lower limit, are items of a representation that a third record links to it; deviations
from the nominal stand in a fourth.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .part21 import Record, Ref
from .pmi_links import references
from .pmi_model import ModelSize
from .pmi_values import NotUnderstoodError, Units

__all__ = ["read_sizes"]

_SIZES = ("DIMENSIONAL_SIZE", "DIMENSIONAL_SIZE_WITH_DATUM_FEATURE")
_NOMINAL, _LOWER, _UPPER = "nominal value", "lower limit", "upper limit"


def read_sizes(records: Mapping[int, Record], units: Units) -> tuple[dict[int, ModelSize], dict[int, str], set[int]]:
    """Sizes by record number, without their faces.

    Parameters
    ----------
    records : mapping of int to Record
    units : Units

    Returns
    -------
    sizes : dict of int to ModelSize
    reasons : dict of int to str
        Why a size was not understood.
    used : set of int
        Records of deviations that the sizes have taken in.
    """
    values, deviations = _by_dimension(records)
    sizes, reasons, used = {}, {}, set()
    for number, record in records.items():
        keyword = next((one for one in _SIZES if one in record.parts), None)
        if keyword is None:
            continue
        try:
            items = _items(records, values.get(number, ()))
            stated = deviations.get(number, [])
            sizes[number] = _size(record, str(record.parts[keyword][-1]), items, [v for _, v in stated], records, units)
            used |= {n for n, _ in stated}
        except NotUnderstoodError as reason:
            reasons[number] = str(reason)
    return sizes, reasons, used


def _by_dimension(
    records: Mapping[int, Record],
) -> tuple[dict[int, list[int]], dict[int, list[tuple[int, tuple[Any, ...]]]]]:
    """Representations, and plus-minus tolerances, of each dimension."""
    values: dict[int, list[int]] = {}
    deviations: dict[int, list[tuple[int, tuple[Any, ...]]]] = {}
    for number, record in records.items():
        linked = record.parts.get("DIMENSIONAL_CHARACTERISTIC_REPRESENTATION", ())
        if len(linked) >= 2 and isinstance(linked[0], Ref):
            values.setdefault(linked[0].id, []).extend(references(linked[1]))
        stated = record.parts.get("PLUS_MINUS_TOLERANCE", ())
        if len(stated) >= 2 and isinstance(stated[1], Ref):
            deviations.setdefault(stated[1].id, []).append((number, stated))
    return values, deviations


def _items(records: Mapping[int, Record], representations: Any) -> dict[str, Ref]:
    """Items of representations by name; those that are no lengths under the names of what they hold."""
    found: dict[str, Ref] = {}
    for number in representations:
        record = records.get(number)
        values = next(iter(record.parts.values())) if record is not None else ()
        for item in references(values[1:2]):
            one = records.get(item)
            if one is None:
                continue
            if "MEASURE_WITH_UNIT" in one.parts or "LENGTH_MEASURE_WITH_UNIT" in one.parts:
                named = one.parts.get("REPRESENTATION_ITEM") or ("",)
                found[str(named[0]).strip().lower()] = Ref(item)
            else:
                inner = [records[n] for n in references(tuple(one.parts.values())) if n in records]
                words = [str(v[-1]) for r in (one, *inner) for k, v in r.parts.items() if k.startswith("DESCRIPTIVE")]
                found |= {f"modifier {word}": Ref(item) for word in words or [one.keyword.lower()]}
    return found


def _size(
    record: Record,
    of: str,
    items: dict[str, Ref],
    stated: list[tuple[Any, ...]],
    records: Mapping[int, Record],
    units: Units,
) -> ModelSize:
    nominal = _length(units, items.get(_NOMINAL))
    lower, upper = _length(units, items.get(_LOWER)), _length(units, items.get(_UPPER))
    if nominal is None and len(plain := [k for k in items if not k.startswith("modifier ")]) == 1:
        nominal = _length(units, items[plain[0]])
    for values in stated:
        found = records.get(values[0].id) if isinstance(values[0], Ref) else None
        deviation = found.parts.get("TOLERANCE_VALUE") if found is not None else None
        if nominal is None:
            raise NotUnderstoodError("it states deviations from a nominal value that it does not have")
        if deviation is None or len(deviation) < 2:
            what = found.keyword if found is not None else "nothing"
            raise NotUnderstoodError(f"its limits are stated by {what}, which is not understood")
        lower, upper = (nominal + (_length(units, one, sign=True) or 0.0) for one in deviation[:2])
    limits = (lower, upper) if lower is not None and upper is not None else None
    if limits is not None and not 0 < limits[0] <= limits[1]:
        raise NotUnderstoodError(f"implausible: its limits are {limits[0]:g} and {limits[1]:g} mm")
    modifiers = tuple(key.removeprefix("modifier ") for key in items if key.startswith("modifier "))
    return ModelSize(of.strip(), nominal, limits, modifiers, (), f"#{record.id}")


def _length(units: Units, value: Ref | None, *, sign: bool = False) -> float | None:
    """In millimetres; a dimension may be as large as the part, unlike a tolerance."""
    return None if value is None else units.length(value, "its value", zero=True, sign=sign, most=2.0).mm
