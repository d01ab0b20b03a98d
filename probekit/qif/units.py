"""Units of a QIF document: each by its factor to the SI unit, as the document itself gives it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from .markup import child, local, texts

if TYPE_CHECKING:
    from lxml import etree

__all__ = ["Units"]

_OURS = {"LinearUnit": ("meter", "mm", 1e-3), "AngularUnit": ("radian", "degree", math.pi / 180.0)}
#: Units that the standard names as SI, and that a document need not convert.
_KNOWN = {"meter": 1.0, "metre": 1.0, "radian": 1.0}
_ANGLES = ("Angle", "AngleFrom", "AngleBetween", "AngularCoordinate", "UserDefinedAngular", "ConicalTaper")
_NO_LENGTH = ("Attribute", "Temperature", "Area", "Force", "Mass", "Pressure", "Speed", "Time", "Unit", "Thread")


@dataclass(frozen=True)
class Units:
    """Factors from the units of a document to mm and degrees.

    Attributes
    ----------
    length, angle : float
        Of its primary units.
    named : dict of str to float
        Of all units that the document names, the primary ones too, by name.
    """

    length: float
    angle: float
    named: dict[str, float]

    @classmethod
    def of(cls, root: etree._Element, path: str | Path) -> Units:
        """The units that a document defines.

        Raises
        ------
        InputError
            If it does not say in what its lengths are.
        """
        units = child(root, "FileUnits")
        primary = None if units is None else child(units, "PrimaryUnits")
        found: dict[str, float] = {}
        for kind in _OURS:
            unit = None if primary is None else child(primary, kind)
            if unit is not None:
                found[kind] = _factor(unit, kind, path)
        if "LinearUnit" not in found:
            raise InputError(
                "the document does not say in what unit its lengths are",
                file=path,
                column="FileUnits/PrimaryUnits/LinearUnit",
                expected="a unit and its factor to the metre",
                todo="Export it with units.",
            )
        named = _named(primary, path) | _named(child(units, "OtherUnits"), path)
        return cls(found["LinearUnit"], found.get("AngularUnit", 1.0), named)

    def of_point(self, point: etree._Element, notes: list[str]) -> float:
        """Factor of the coordinates of a point to mm; NaN, with a note, for a unit that is not defined."""
        return self._factor(point.get("linearUnit"), self.length, "point", notes)

    def of_value(self, value: etree._Element, kind: str, notes: list[str]) -> tuple[float, str]:
        """Factor of a value to mm or degrees, and which; NaN, with a note, for a unit that is not defined."""
        named = value.get("linearUnit") or value.get("angularUnit")
        angular = value.get("angularUnit") is not None or any(kind == one for one in _ANGLES)
        if not angular and any(one in kind for one in _NO_LENGTH):
            return 1.0, "as in the document"
        factor = self._factor(named, self.angle if angular else self.length, "value", notes)
        return factor, "" if math.isnan(factor) else "degree" if angular else "mm"

    def _factor(self, named: str | None, primary: float, what: str, notes: list[str]) -> float:
        if named is None:
            return primary
        if named not in self.named:
            notes.append(f"a {what} is in {named[:40]}, which the document does not define: not read")
        return self.named.get(named, math.nan)


def _named(group: etree._Element | None, path: str | Path) -> dict[str, float]:
    """Factors of the units of a group, by name."""
    found = {}
    for unit in () if group is None else group.iter():
        kind = local(unit).removesuffix("s")
        if kind in _OURS and child(unit, "UnitName") is not None:
            found[texts(unit, "UnitName")[0]] = _factor(unit, kind, path)
    return found


def _factor(unit: etree._Element, kind: str, path: str | Path) -> float:
    """Factor of a unit to ours."""
    base, _, ours = _OURS[kind]
    name = next(iter(texts(unit, "UnitName")), "")
    given = next(iter(texts(unit, "UnitConversion", "Factor")), None)
    offset = float(next(iter(texts(unit, "UnitConversion", "Offset")), "0"))
    factor = _KNOWN.get(name) if given is None else float(given)
    said = next(iter(texts(unit, "SIUnitName")), base)
    if factor is None or offset != 0.0 or said not in (base, "metre" if base == "meter" else base):
        raise InputError(
            "a unit cannot be used",
            file=path,
            column=kind,
            found=f"{name}, {factor} times {said}" + (f" and {offset:g}" if offset else ""),
            expected=f"a factor to the {base}, without offset",
        )
    return factor / ours
