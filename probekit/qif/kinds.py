"""Our kinds of tolerance, and the words that QIF 3.0 has for them and for what became of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from .document import Document, numbers

if TYPE_CHECKING:
    from lxml import etree

    from ..tolerance import Evaluation
    from ..tolerance.unjudged import Unjudged

__all__ = ["INSPECTION", "STATUS", "define", "stem_of"]

#: Our word on a tolerance -> that of a characteristic.
STATUS = {
    "conforms": "PASS",
    "does not conform": "FAIL",
    "undecided": "INDETERMINATE",
    "not judged": "NOT_ANALYZED",
}
#: Our word on the part -> that of an inspection.
INSPECTION = {"conforms": "PASS", "does not conform": "FAIL", "undecided": "UNKNOWN"}

_STEMS = {
    "profile of a surface": "SurfaceProfile",
    "flatness": "Flatness",
    "cylindricity": "Cylindricity",
    "circularity": "Circularity",
    "parallelism": "Parallelism",
    "perpendicularity": "Perpendicularity",
    "angularity": "Angularity",
    "circular runout": "CircularRunout",
    "total runout": "TotalRunout",
}
_ORIENTATIONS = ("Parallelism", "Perpendicularity", "Angularity")
_OTHER = "UserDefinedLinear"


def stem_of(one: Evaluation | Unjudged) -> str:
    """The characteristic of QIF that says the same, or a linear one of the user that says in words what it is.

    Only where our result says all that the schema demands: a position must state its material condition and its zone,
    a profile of a line the direction of its sections. An actual value carries neither, and goes as a value of the user.
    """
    stem = _STEMS.get(one.kind, _OTHER)
    of_axis = stem in _ORIENTATIONS and bool(getattr(one, "shifts", ()))
    return _OTHER if of_axis else stem


def define(made: Document, parent: etree._Element, one: Evaluation | Unjudged, width: float) -> tuple[str, str]:
    """Append the definition of a characteristic; its stem, and its identity."""
    stem = stem_of(one)
    definition, identity = made.identified(parent, f"{stem}CharacteristicDefinition")
    made.add(definition, "Description", one.kind)
    made.add(definition, "Name", one.name)
    if stem == _OTHER:
        tolerance = made.add(definition, "Tolerance")
        made.add(tolerance, "MaxValue", numbers([width]))
        made.add(tolerance, "DefinedAsLimit", "true")
        made.add(definition, "WhatToMeasure", f"actual value of {one.kind}")
        return stem, identity
    made.add(definition, "ToleranceValue", numbers([width]))
    _MORE.get(stem, _nothing)(made, definition, one)
    return stem, identity


def _nothing(_made: Document, _definition: etree._Element, _one: Evaluation | Unjudged) -> None:
    """The width says it all."""


def _profile(made: Document, definition: etree._Element, one: Evaluation | Unjudged) -> None:
    lower, upper = getattr(one, "lower", 0.0), getattr(one, "upper", 0.0)
    if abs(upper + lower) > 1e-9 * max(abs(upper), abs(lower)):
        made.add(definition, "OuterDisposition", numbers([upper]))


def _orientation(made: Document, definition: etree._Element, _one: Evaluation | Unjudged) -> None:
    made.add(definition, "MaterialCondition", "REGARDLESS")
    made.add(made.add(definition, "ZoneShape"), "PlanarZone")


_MORE: dict[str, Callable[[Document, etree._Element, Evaluation | Unjudged], None]] = {
    "SurfaceProfile": _profile,
    **dict.fromkeys(_ORIENTATIONS, _orientation),
}
