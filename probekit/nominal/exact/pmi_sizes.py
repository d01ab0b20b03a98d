"""Dimensions of a STEP file, taken from its records: sizes, distances and angles, with their limits or fits.

Entities and their attributes are those of ISO 10303-47 and -242, from memory: a size applies to a shape aspect, a
location goes from one to another; the nominal value, or the upper and lower limit, are items of a representation that a
third record links to it; deviations from the nominal, or a class of limits and fits, stand in a fourth.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from .part21 import Record, Ref
from .pmi_links import references
from .pmi_model import ModelSize
from .pmi_values import NotUnderstoodError, Units

__all__ = ["Dimensions", "read_sizes"]

_SIZES = ("DIMENSIONAL_SIZE", "ANGULAR_SIZE")
#: Locations, with the place of both ends among their attributes; those of the supertype may stand in its own part.
_LOCATIONS = ("DIMENSIONAL_LOCATION", "DIRECTED_DIMENSIONAL_LOCATION", "ANGULAR_LOCATION")
_LIMITS = {"lower limit": "lower", "upper limit": "upper", "minimum": "lower", "maximum": "upper"}
_NOMINAL = ("nominal value", "nominal")
_MEASURES = ("MEASURE_WITH_UNIT", "LENGTH_MEASURE_WITH_UNIT", "PLANE_ANGLE_MEASURE_WITH_UNIT")


@dataclass
class Dimensions:
    """Dimensions by record number, without their faces.

    Attributes
    ----------
    sizes : dict of int to ModelSize
    reasons : dict of int to str
        Why a dimension was not understood.
    ends : dict of int to tuple of int
        Shape aspects that each is on: one of a size, two of a distance or angle.
    used : set of int
        Records that the dimensions have taken in, beside their own.
    """

    sizes: dict[int, ModelSize] = field(default_factory=dict)
    reasons: dict[int, str] = field(default_factory=dict)
    ends: dict[int, tuple[int, ...]] = field(default_factory=dict)
    used: set[int] = field(default_factory=set)


def read_sizes(records: Mapping[int, Record], units: Units) -> Dimensions:
    """Sizes, distances and angles.

    Parameters
    ----------
    records : mapping of int to Record
    units : Units
    """
    values, deviations = _by_dimension(records)
    found = Dimensions()
    for number, record in records.items():
        said = _said(record)
        if said is None:
            continue
        of, ends, degrees = said
        try:
            items = _items(records, values.get(number, ()))
            stated = deviations.get(number, {})
            one = _size(record, of, items, stated.values(), records, units, degrees)
            if not one.of and one.nominal is None:
                raise NotUnderstoodError("it states neither what it measures nor a value")
            found.sizes[number], found.ends[number] = one, ends
            found.used |= stated.keys() | {n for v in stated.values() for n in references(v[:1])}
        except NotUnderstoodError as reason:
            found.reasons[number] = str(reason)
    return found


def _said(record: Record) -> tuple[str, tuple[int, ...], bool] | None:
    """What a record measures, the aspects that it is on, and whether it is an angle; None of what is no dimension."""
    parts = record.parts
    if "DIMENSIONAL_SIZE_WITH_DATUM_FEATURE" in parts:  # a shape aspect and a size in one
        own = parts.get("DIMENSIONAL_SIZE", parts["DIMENSIONAL_SIZE_WITH_DATUM_FEATURE"][-2:])
        applies = [v.id for v in own[:1] if isinstance(v, Ref)] or [record.id]
        return _text(own[-1:]), tuple(applies), False
    if size := next((k for k in parts if k.startswith(_SIZES)), None):
        values = parts.get("DIMENSIONAL_SIZE") or parts[size]
        ends = [v.id for v in values[:1] if isinstance(v, Ref)] or [record.id]
        angle = any(k.startswith("ANGULAR") for k in parts)
        return (_text(values[1:2]) or ("angle" if angle else "size")), tuple(ends), angle
    if location := next((k for k in parts if k.startswith(_LOCATIONS)), None):
        values = next((parts[k] for k in ("SHAPE_ASPECT_RELATIONSHIP", location) if len(parts.get(k, ())) >= 4), ())
        ends = [v.id for v in values[2:4] if isinstance(v, Ref)]
        angle = any(k.startswith("ANGULAR") for k in parts)
        return (_text(values[:1]) or ("angle" if angle else "distance")), tuple(ends), angle
    return None


def _text(values: tuple[Any, ...]) -> str:
    return values[0].strip() if values and isinstance(values[0], str) else ""


def _by_dimension(
    records: Mapping[int, Record],
) -> tuple[dict[int, list[int]], dict[int, dict[int, tuple[Any, ...]]]]:
    """Representations, and plus-minus tolerances, of each dimension."""
    values: dict[int, list[int]] = {}
    deviations: dict[int, dict[int, tuple[Any, ...]]] = {}
    for number, record in records.items():
        linked = record.parts.get("DIMENSIONAL_CHARACTERISTIC_REPRESENTATION", ())
        if len(linked) >= 2 and isinstance(linked[0], Ref):
            values.setdefault(linked[0].id, []).extend(references(linked[1]))
        stated = record.parts.get("PLUS_MINUS_TOLERANCE", ())
        if len(stated) >= 2 and isinstance(stated[1], Ref):
            deviations.setdefault(stated[1].id, {})[number] = stated
    return values, deviations


def _items(records: Mapping[int, Record], representations: Any) -> dict[str, Ref]:
    """Items of representations by name; those that are no measures under the names of what they hold."""
    found: dict[str, Ref] = {}
    for number in representations:
        record = records.get(number)
        values = next((v for k, v in record.parts.items() if len(v) >= 2), ()) if record is not None else ()
        for item in references(values[1:2]):
            one = records.get(item)
            if one is None:
                continue
            if one.parts.keys() & {*_MEASURES, "MEASURE_REPRESENTATION_ITEM"}:
                found[_called(one, records)] = Ref(item)
            elif not any(k.endswith("PLACEMENT") for k in one.parts):
                inner = [records[n] for n in references(tuple(one.parts.values())) if n in records]
                words = [str(v[-1]) for r in (one, *inner) for k, v in r.parts.items() if k.startswith("DESCRIPTIVE")]
                found |= {f"modifier {word}": Ref(item) for word in words or [one.keyword.lower()]}
    return found


def _called(item: Record, records: Mapping[int, Record]) -> str:
    """Name of a value; one without is named by its qualifier ("maximum", "minimum"), if it has one."""
    plain = item.parts.get("REPRESENTATION_ITEM") or item.parts.get("MEASURE_REPRESENTATION_ITEM", ())
    name = _text(plain[:1]).lower()
    kinds = [
        _text(records[n].parts["TYPE_QUALIFIER"]).lower()
        for n in references(item.parts.get("QUALIFIED_REPRESENTATION_ITEM", ()))
        if n in records and "TYPE_QUALIFIER" in records[n].parts
    ]
    limits = [one for one in kinds if one in _LIMITS]
    return limits[0] if limits and name not in _LIMITS else name


def _size(
    record: Record,
    of: str,
    items: dict[str, Ref],
    stated: Iterable[tuple[Any, ...]],
    records: Mapping[int, Record],
    units: Units,
    degrees: bool,
) -> ModelSize:
    def value(one: Ref | None, *, sign: bool = False) -> float | None:
        if one is None:
            return None
        if degrees:
            return units.angle(one, "its value")
        return units.length(one, "its value", zero=True, sign=sign, most=2.0).mm

    nominal = value(next((items[k] for k in _NOMINAL if k in items), None))
    bounds = {end: value(items[k]) for k, end in _LIMITS.items() if k in items}
    plain = [k for k in items if not k.startswith("modifier ")]
    if nominal is None and not bounds and len(plain) == 1:
        nominal = value(items[plain[0]])
    fit = ""
    for values in stated:
        found = records.get(values[0].id) if isinstance(values[0], Ref) else None
        if found is not None and "LIMITS_AND_FITS" in found.parts:
            words = [v.strip() for v in found.parts["LIMITS_AND_FITS"] if isinstance(v, str)]
            form, zone, grade = (*words, "", "", "")[:3]
            fit = f"{form}{grade} {zone}".strip()
            continue
        deviation = found.parts.get("TOLERANCE_VALUE") if found is not None else None
        if deviation is None or len(deviation) < 2:
            what = found.keyword if found is not None else "nothing"
            raise NotUnderstoodError(f"its limits are stated by {what}, which is not understood")
        if nominal is None:
            raise NotUnderstoodError("it states deviations from a nominal value that it does not have")
        ends = (one if isinstance(one, Ref) else None for one in deviation[:2])
        below, above = (value(one, sign=True) for one in ends)
        bounds = {"lower": nominal + (below or 0.0), "upper": nominal + (above or 0.0)}
    limits = None
    lower, upper = bounds.get("lower"), bounds.get("upper")
    if lower is not None and upper is not None:
        limits = (lower, upper)
        if not (0 <= lower < upper or (degrees and lower < upper)):
            raise NotUnderstoodError(
                f"implausible: its limits are {lower:g} and {upper:g} {'deg' if degrees else 'mm'}"
            )
    modifiers = [key.removeprefix("modifier ") for key in items if key.startswith("modifier ")]
    if limits is None:
        modifiers += [f"only {end} limit {one:g}" for end, one in bounds.items() if one is not None]
    return ModelSize(of, nominal, limits, tuple(modifiers), (), f"#{record.id}", fit, (), degrees)
