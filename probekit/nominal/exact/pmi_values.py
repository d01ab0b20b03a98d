"""Lengths, datums and words of the annotations in a STEP file, taken from its records.

Entities and their attributes are those of ISO 10303-41, -47 and -242, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from math import pi
from typing import Any

from .part21 import Enum, Record, Ref, Typed
from .pmi_links import references

__all__ = [
    "DATUM_MODIFIERS",
    "MODIFIERS",
    "Length",
    "NotUnderstoodError",
    "Units",
    "datum_references",
    "tolerance_modifiers",
    "words",
]

#: Values of geometric_tolerance_modifier.
MODIFIERS = frozenset(
    """ANY_CROSS_SECTION COMMON_ZONE EACH_RADIAL_ELEMENT FREE_STATE LEAST_MATERIAL_REQUIREMENT LINE_ELEMENT
    MAJOR_DIAMETER MAXIMUM_MATERIAL_REQUIREMENT MINOR_DIAMETER NOT_CONVEX PITCH_DIAMETER RECIPROCITY_REQUIREMENT
    SEPARATE_REQUIREMENT STATISTICAL_TOLERANCE TANGENT_PLANE UNITED_FEATURE""".split()
)
#: Values of simple_datum_reference_modifier.
DATUM_MODIFIERS = frozenset(
    """ANY_CROSS_SECTION ANY_LONGITUDINAL_SECTION BASIC CONTACTING_FEATURE DEGREE_OF_FREEDOM_CONSTRAINT_U
    DEGREE_OF_FREEDOM_CONSTRAINT_V DEGREE_OF_FREEDOM_CONSTRAINT_W DEGREE_OF_FREEDOM_CONSTRAINT_X
    DEGREE_OF_FREEDOM_CONSTRAINT_Y DEGREE_OF_FREEDOM_CONSTRAINT_Z DISTANCE_VARIABLE FREE_STATE
    LEAST_MATERIAL_REQUIREMENT LINE MAJOR_DIAMETER MAXIMUM_MATERIAL_REQUIREMENT MINOR_DIAMETER ORIENTATION
    PITCH_DIAMETER PLANE POINT TRANSLATION""".split()
)
_PREFIX = {
    "KILO": 1e3,
    "HECTO": 1e2,
    "DECA": 1e1,
    None: 1.0,
    "DECI": 1e-1,
    "CENTI": 1e-2,
    "MILLI": 1e-3,
    "MICRO": 1e-6,
    "NANO": 1e-9,
}


_OF_ONE = ("LENGTH_MEASURE_WITH_UNIT", "PLANE_ANGLE_MEASURE_WITH_UNIT")


class NotUnderstoodError(Exception):
    """Why an annotation cannot be used, in words; never leaves `read_pmi`."""


def words(keyword: str) -> str:
    """Upper-case keyword of a schema as plain words."""
    return keyword.lower().replace("_", " ")


@dataclass(frozen=True)
class Length:
    """A length in millimetres, as written, and the unit that it was written in."""

    mm: float
    written: float
    unit: str
    factor: float


class Units:
    """Lengths of a file, and whether they can be what was meant.

    Parameters
    ----------
    records : mapping of int to Record
    diagonal : float
        Of the part [mm].

    Attributes
    ----------
    converted : dict of str to float
        Units that lengths were stated in, though the model's geometry is not, and their sizes [mm].
    """

    def __init__(self, records: Mapping[int, Record], diagonal: float) -> None:
        self._records, self._diagonal = records, diagonal
        self._of_model: dict[str, float] = {}
        self.converted: dict[str, float] = {}
        for record in records.values():
            if "GEOMETRIC_REPRESENTATION_CONTEXT" in record.parts:
                for number in references(record.parts.get("GLOBAL_UNIT_ASSIGNED_CONTEXT", ())):
                    if "LENGTH_UNIT" in self._part(number):
                        with suppress(NotUnderstoodError):  # told where it is used
                            name, factor = self._unit(number)
                            self._of_model[name] = factor

    def length(self, value: Any, what: str, *, zero: bool = False, sign: bool = False, most: float = 0.1) -> Length:
        """Length that a measure record states.

        Parameters
        ----------
        value : Ref
        what : str
            What it is, for the reason.
        zero, sign : bool
            Whether it may be zero, or of either sign.
        most : float
            Most that it can be, in diagonals of the part. A tenth for tolerances: common practice, no source.

        Raises
        ------
        NotUnderstoodError
            If it is no length, or its size cannot be right.
        """
        number, unit = self._measure(value, what)
        name, factor = self._unit(unit)
        length = Length(number * factor, number, name, factor)
        self._check(length, what, zero, sign, most)
        return length

    def angle(self, value: Any, what: str) -> float:
        """Angle that a measure record states [deg].

        Parameters
        ----------
        value : Ref
        what : str
            What it is, for the reason.

        Raises
        ------
        NotUnderstoodError
        """
        number, unit = self._measure(value, what)
        return number * self._unit(unit, of="PLANE_ANGLE")[1]

    def of_context(self, number: int) -> float | None:
        """Size of the unit of length of a representation's context [mm]; None if it states none that is known."""
        for unit in references(self._part(number).get("GLOBAL_UNIT_ASSIGNED_CONTEXT", ())):
            if "LENGTH_UNIT" in self._part(unit):
                with suppress(NotUnderstoodError):
                    return self._unit(unit)[1]
        return None

    def _measure(self, value: Any, what: str) -> tuple[float, int]:
        """A number and the record of its unit."""
        parts = self._part(value.id) if isinstance(value, Ref) else {}
        stated = (parts.get(one, ()) for one in ("MEASURE_WITH_UNIT", *_OF_ONE))
        measure = next((one for one in stated if len(one) >= 2), parts.get("MEASURE_REPRESENTATION_ITEM", ())[1:])
        if len(measure) < 2 or not isinstance(measure[1], Ref):
            raise NotUnderstoodError(f"{what} is not stated as a measure with a unit")
        number = measure[0].values[0] if isinstance(measure[0], Typed) and measure[0].values else measure[0]
        if not isinstance(number, int | float):
            raise NotUnderstoodError(f"{what} is not a number")
        return float(number), measure[1].id

    def _check(self, length: Length, what: str, zero: bool, sign: bool, most: float) -> None:
        """Refuse what cannot be meant, and note a unit that is not the geometry's: the file states how it converts.

        Only the bare metre is not believed on geometry in another unit: it is what some writers put beside a number in
        millimetres (seen in the CAD kernel's own).
        """
        shown = f"{what} is {length.written:g} {length.unit} = {length.mm:g} mm"
        if not any(abs(length.factor - own) <= 1e-6 * own for own in self._of_model.values()):
            if length.factor == 1e3:
                model = " and ".join(self._of_model) or "no stated unit"
                raise NotUnderstoodError(f"implausible: {shown}, but the model is in {model}")
            self.converted[length.unit] = length.factor
        if (length.mm < 0 and not sign) or (length.mm == 0 and not zero):
            raise NotUnderstoodError(f"implausible: {shown}")
        if not abs(length.mm) <= most * self._diagonal:
            raise NotUnderstoodError(f"implausible: {shown} on a part {self._diagonal:.4g} mm across")

    @property
    def only(self) -> float | None:
        """Size of the unit that all geometry stands in [mm]; None if there are several, or none."""
        found = {round(one, 9) for one in self._of_model.values()}
        return found.pop() if len(found) == 1 else None

    @property
    def notes(self) -> tuple[str, ...]:
        """What was converted, in words."""
        model = " and ".join(self._of_model) or "no stated unit"
        return tuple(
            f"lengths stated in {name} were converted (1 {name} = {factor:g} mm); the geometry is in {model}"
            for name, factor in self.converted.items()
        )

    def _unit(self, number: int, *, of: str = "LENGTH") -> tuple[str, float]:
        """Name of a unit of length and its size [mm]; or of an angle [deg]."""
        basic, size_of_it = {"LENGTH": ("METRE", 1e3), "PLANE_ANGLE": ("RADIAN", 180.0 / pi)}[of]
        factor, name, seen = 1.0, "", set()
        while number not in seen:
            seen.add(number)
            parts = self._part(number)
            if "SI_UNIT" in parts and len(parts["SI_UNIT"]) >= 2 and parts["SI_UNIT"][-1] == Enum(basic):
                prefix = parts["SI_UNIT"][-2]
                prefix = prefix.word if isinstance(prefix, Enum) else None
                if prefix in _PREFIX:
                    return name or f"{words(prefix or '')}{words(basic)}", factor * _PREFIX[prefix] * size_of_it
            based = parts.get("CONVERSION_BASED_UNIT", ())
            if len(based) < 2 or not isinstance(based[-1], Ref):
                break
            name = name or words(str(based[-2]))
            try:
                size, number = self._measure(based[-1], "its factor")
            except NotUnderstoodError:
                break
            factor *= size
        raise NotUnderstoodError(f"#{number} is not a unit of {words(of).replace('plane ', '')} that is known")

    def _part(self, number: int) -> dict[str, tuple[Any, ...]]:
        record = self._records.get(number)
        return record.parts if record is not None else {}


def tolerance_modifiers(parts: dict[str, tuple[Any, ...]]) -> list[str]:
    """Modifiers of a tolerance in words.

    Raises
    ------
    NotUnderstoodError
        If one is not known.
    """
    listed = parts.get("GEOMETRIC_TOLERANCE_WITH_MODIFIERS", ((),))
    found = list(listed[0]) if listed and isinstance(listed[0], tuple) else [None]
    out = []
    for one in found:
        if not isinstance(one, Enum) or one.word not in MODIFIERS:
            raise NotUnderstoodError(f"a modifier is not understood: {one.word if isinstance(one, Enum) else one}")
        out.append(words(one.word))
    for one in parts.get("MODIFIED_GEOMETRIC_TOLERANCE", ()):
        older = {"MAXIMUM_MATERIAL_CONDITION": "maximum", "LEAST_MATERIAL_CONDITION": "least"}
        if not isinstance(one, Enum) or one.word not in (*older, "REGARDLESS_OF_FEATURE_SIZE"):
            raise NotUnderstoodError("a material condition is not understood")
        out += [f"{older[one.word]} material requirement"] if one.word in older else []
    return out


def datum_references(records: Mapping[int, Record], values: Any) -> tuple[tuple[tuple[str, ...], ...], list[str]]:
    """Datums that a tolerance refers to, in order of precedence, and their modifiers in words.

    Parameters
    ----------
    records : mapping of int to Record
    values : tuple
        The datum system, or the older list of single references.

    Returns
    -------
    datums : tuple of tuple of str
        Several letters where they make a common datum.
    modifiers : list of str

    Raises
    ------
    NotUnderstoodError
        If any part of it is not understood.
    """
    listed = [records.get(number) for number in references(values)]
    if len(listed) == 1 and listed[0] is not None and "DATUM_SYSTEM" in listed[0].parts:
        system = listed[0].parts
        compartments = [records.get(n) for n in references(system["DATUM_SYSTEM"][-1:])]
    elif listed and all(
        one is not None and set(one.parts) & {"DATUM_REFERENCE", "REFERENCED_MODIFIED_DATUM"} for one in listed
    ):
        found = sorted((next(iter(one.parts.values())) for one in listed if one is not None), key=lambda v: _order(v))
        modified = [
            f"datum {_letter(records, v[1])}: {words(v[2].word)}" for v in found if v[2:] and isinstance(v[2], Enum)
        ]
        return tuple((_letter(records, v[1]),) for v in found), modified
    else:
        raise NotUnderstoodError("its datum reference is not one datum system")
    datums, modifiers = [], []
    for compartment in compartments:
        values = compartment.parts.get("DATUM_REFERENCE_COMPARTMENT", ()) if compartment is not None else ()
        letters, own = _base(records, values)
        datums.append(letters)
        modifiers += own
    if not datums:
        raise NotUnderstoodError("its datum system is empty")
    return tuple(datums), modifiers


def _order(values: tuple[Any, ...]) -> int:
    if len(values) < 2 or not isinstance(values[0], int):
        raise NotUnderstoodError("a datum reference has no order of precedence")
    return values[0]


def _base(records: Mapping[int, Record], values: tuple[Any, ...]) -> tuple[tuple[str, ...], list[str]]:
    """Letters of a compartment, or of an element of a common datum, and modifiers in words."""
    if len(values) < 5:
        raise NotUnderstoodError("a datum reference compartment is not understood")
    base, modifier = values[4], values[5] if len(values) > 5 else None
    if isinstance(base, Ref):
        letters, modifiers = (_letter(records, base),), []
    else:
        letters, modifiers = (), []
        for number in references(base):
            record = records.get(number)
            inner, own = _base(records, record.parts.get("DATUM_REFERENCE_ELEMENT", ()) if record is not None else ())
            letters, modifiers = letters + inner, modifiers + own
        if not letters:
            raise NotUnderstoodError("a common datum names no datums")
    for one in modifier if isinstance(modifier, tuple) else ():
        modifiers.append(f"datum {'-'.join(letters)}: {_datum_modifier(one)}")
    return letters, modifiers


def _datum_modifier(value: Any) -> str:
    inner = value.values[0] if isinstance(value, Typed) and value.values else value
    if isinstance(inner, Enum) and inner.word in DATUM_MODIFIERS:
        return words(inner.word)
    shown = inner.word if isinstance(inner, Enum) else f"#{inner.id}" if isinstance(inner, Ref) else "without a word"
    raise NotUnderstoodError(f"a datum modifier is not understood: {shown}")


def _letter(records: Mapping[int, Record], value: Any) -> str:
    record = records.get(value.id) if isinstance(value, Ref) else None
    datum = record.parts.get("DATUM") if record is not None else None
    if not datum or not isinstance(datum[-1], str) or not datum[-1].strip():
        raise NotUnderstoodError("it refers to what is not a datum with a letter")
    return datum[-1].strip()
