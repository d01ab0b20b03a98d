"""Which product of a STEP file an annotation is of, and which faces a product has.

Entities are those of ISO 10303-41 and -42, from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from .part21 import Record, Ref
from .pmi_links import references

__all__ = ["Products"]

_FACE = {"ADVANCED_FACE", "FACE_SURFACE"}
_HOLDS = ("SHELL", "BREP", "SOLID", "FACETED", "SURFACE_MODEL", "GEOMETRIC_SET", "CONNECTED_FACE")


class Products:
    """Products with shapes, by the record of that shape (PRODUCT_DEFINITION_SHAPE).

    Parameters
    ----------
    records : mapping of int to Record

    Attributes
    ----------
    faces : dict of int to set of int
        Shape of a product -> records of its faces; empty for an assembly, whose faces are those of its parts.
    """

    def __init__(self, records: Mapping[int, Record]) -> None:
        self._records = records
        shapes, beside = dict[int, list[int]](), dict[int, list[int]]()
        for record in records.values():
            for keyword, values in record.parts.items():
                ends = [v.id for v in values if isinstance(v, Ref)]
                if keyword == "SHAPE_DEFINITION_REPRESENTATION" and len(ends) == 2:
                    shapes.setdefault(ends[0], []).append(ends[1])
                elif keyword.endswith("REPRESENTATION_RELATIONSHIP") and len(record.parts) == 1 and len(ends) == 2:
                    beside.setdefault(ends[0], []).append(ends[1])
                    beside.setdefault(ends[1], []).append(ends[0])
        self.faces = {
            number: self._faces(shapes.get(number, ()), beside)
            for number, record in records.items()
            if "PRODUCT_DEFINITION_SHAPE" in record.parts and self._is_product(record)
        }

    def of(self, number: int) -> int | None:
        """The product that an annotation or a shape aspect is of; None if the file does not say."""
        waiting, seen = [number], set[int]()
        for _ in range(4):
            for one in waiting:
                if one in self.faces:
                    return one
            seen |= set(waiting)
            parts = (self._records[n].parts for n in waiting if n in self._records)
            waiting = [n for part in parts for n in references(tuple(part.values())) if n not in seen]
        return None

    def name(self, number: int) -> str:
        """Name of a product."""
        for _ in range(3):  # shape -> definition -> formation -> product
            parts = self._records[number].parts if number in self._records else {}
            ends = [v.id for part in parts.values() for v in part if isinstance(v, Ref)]
            number = next((n for n in ends if n in self._records and self._leads_on(n)), -1)
        said = [v for v in self._records[number].parts.get("PRODUCT", ()) if isinstance(v, str)] if number > 0 else []
        return next((one.strip() for one in (*said[1:2], *said[:1]) if one.strip()), "a product without name")

    def _leads_on(self, number: int) -> bool:
        return any(
            k == "PRODUCT" or k.startswith("PRODUCT_DEFINITION") for k in self._records[number].parts
        ) and not any(k.endswith("CONTEXT") for k in self._records[number].parts)

    def _is_product(self, record: Record) -> bool:
        """Whether it is the shape of a product, not of the place of one in an assembly."""
        values: tuple[Any, ...] = record.parts["PRODUCT_DEFINITION_SHAPE"] or record.parts.get(
            "PROPERTY_DEFINITION", ()
        )
        about = self._records.get(values[-1].id) if values and isinstance(values[-1], Ref) else None
        return about is None or any(k.startswith("PRODUCT_DEFINITION") for k in about.parts)

    def _faces(self, shapes: Iterable[int], beside: Mapping[int, list[int]]) -> set[int]:
        found, waiting, seen = set[int](), list(shapes), set[int]()
        while waiting:
            number = waiting.pop()
            record = self._records.get(number)
            if number in seen or record is None:
                continue
            seen.add(number)
            if _FACE & record.parts.keys():
                found.add(number)
            elif any(k.endswith("REPRESENTATION") for k in record.parts):
                waiting += beside.get(number, [])
                waiting += references(next((v[1] for v in record.parts.values() if len(v) >= 2), ()))
            elif any(word in keyword for keyword in record.parts for word in _HOLDS):
                waiting += references(tuple(record.parts.values()))
        return found
