"""What an annotation of a STEP file is attached to: from shape aspects to the faces of the model."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .faceted import facet_faces
from .part21 import Record, Ref, read_geometry
from .step import face_shapes

if TYPE_CHECKING:
    from ..model import Nominal

__all__ = ["AspectLinks", "face_names_of", "references", "with_facets"]

_FACE = {"ADVANCED_FACE", "FACE_SURFACE"}
#: Faces of facets: name, coordinates, number of points, normals, exact face; and bodies of them: name, faces.
_FACETS = {"TRIANGULATED_FACE", "COMPLEX_TRIANGULATED_FACE"}
_OF_FACETS = {"TESSELLATED_SOLID", "TESSELLATED_SHELL"}
_USAGE = {"GEOMETRIC_ITEM_SPECIFIC_USAGE", "ITEM_IDENTIFIED_REPRESENTATION_USAGE"}
_OF_REPRESENTATION = {"SHAPE_DEFINITION_REPRESENTATION", "PROPERTY_DEFINITION_REPRESENTATION"}
_RELATION = {"SHAPE_ASPECT_RELATIONSHIP", "SHAPE_ASPECT_DERIVING_RELATIONSHIP"}
#: Aspects that stand for a feature by what is derived from it (an axis, a middle plane), drawn as geometry of its own.
_DERIVED = {"CENTRE_OF_SYMMETRY"}
#: Aspects that mean the faces they name, no more and no less; that they go all around is told besides.
_PLAIN = {
    *_DERIVED,
    "ALL_AROUND_SHAPE_ASPECT",
    "SHAPE_ASPECT",
    "DATUM_FEATURE",
    "DATUM",
    "COMPOSITE_SHAPE_ASPECT",
    "COMPOSITE_GROUP_SHAPE_ASPECT",
    "COMPOSITE_UNIT_SHAPE_ASPECT",
    "CONTINUOUS_SHAPE_ASPECT",
    "DIMENSIONAL_SIZE_WITH_DATUM_FEATURE",
    "DIMENSIONAL_SIZE",
}


def references(values: Any) -> Iterator[int]:
    """Numbers of all records that some arguments refer to, however deep in lists."""
    if isinstance(values, Ref):
        yield values.id
    elif isinstance(values, tuple):
        for one in values:
            yield from references(one)


class AspectLinks:
    """Follows shape aspects, by the usages and relationships of ISO 10303-41 and -47 (from memory), to items.

    Parameters
    ----------
    records : mapping of int to Record
        Faces of facets among them, see `with_facets`.
    meshed : bool
        The model is of facets alone, so that its faces are those of facets.

    Attributes
    ----------
    related : dict of int to list of int
        Records at the other end of a relationship.
    """

    def __init__(self, records: Mapping[int, Record], *, meshed: bool = False) -> None:
        self._records, self._meshed = records, meshed
        self._items: dict[int, list[int]] = {}
        self._members: dict[int, list[int]] = {}
        self.related: dict[int, list[int]] = {}
        for record in records.values():
            between = any(keyword.endswith("_LOCATION") for keyword in record.parts)  # a distance: no member of it
            for keyword, values in record.parts.items():
                if keyword in _USAGE and len(values) >= 5 and isinstance(values[2], Ref):
                    self._items.setdefault(values[2].id, []).extend(self._unpacked(values[4]))
                elif keyword in _OF_REPRESENTATION and len(values) >= 2:
                    self._represented(values)
                elif keyword.endswith("RELATIONSHIP") and len(values) >= 4:
                    ends = [v.id for v in values[2:4] if isinstance(v, Ref)]
                    if len(ends) == 2:
                        self._relate(keyword, *ends, between)

    def _relate(self, keyword: str, one: int, other: int, between: bool) -> None:
        self.related.setdefault(one, []).append(other)
        self.related.setdefault(other, []).append(one)
        if keyword in _RELATION and not between and not self._is_datum(other):
            self._members.setdefault(one, []).append(other)

    def _represented(self, values: tuple[Any, ...]) -> None:
        """Faces of an aspect by the older way: a representation of a property of it, whose items they are."""
        about, held = (self._records.get(v.id) if isinstance(v, Ref) else None for v in values[:2])
        defined = about.parts.get("PROPERTY_DEFINITION", ()) if about is not None else ()
        if held is None or len(defined) < 3 or not isinstance(defined[2], Ref):
            return
        for item in references(next((v for v in held.parts.values() if len(v) >= 2), ())[1:2]):
            self._items.setdefault(defined[2].id, []).extend(n for n in self._set_of(item) if self._is_face(n))

    def _set_of(self, item: int) -> Iterator[int]:
        """The faces of a set, or the item itself."""
        record = self._records.get(item)
        if record is not None and any(k.startswith("CONNECTED_FACE_S") for k in record.parts):
            yield from references(tuple(record.parts.values()))
        else:
            yield item

    def _is_face(self, number: int) -> bool:
        record = self._records.get(number)
        return record is not None and bool(_FACE & record.parts.keys())

    def items(self, aspect: int) -> list[int]:
        """Records that an aspect itself is linked to."""
        return self._items.get(aspect, [])

    def of(self, aspect: int) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """Faces of an aspect and of its members, by record number, and reasons why they may not be all it means."""
        faces: dict[int, None] = {}
        problems: dict[str, None] = {}
        others: dict[str, None] = {}
        seen, waiting = set(), [aspect]
        while waiting:
            number = waiting.pop(0)
            if number in seen:
                continue
            seen.add(number)
            record = self._records.get(number)
            if record is None:
                problems[f"#{number}, which it refers to, is missing or is geometry"] = None
                continue
            if odd := [part for part in record.parts if part not in _PLAIN]:
                problems[f"it applies by way of #{number} {'+'.join(odd)}, which is not understood"] = None
            for item in self._items.get(number, ()):
                own = self._faces_of(item)
                faces |= dict.fromkeys(own)
                if not own and not _DERIVED & record.parts.keys():  # those are drawn; their feature tells
                    found = self._records.get(item)
                    others[f"#{item}" + (f" {found.keyword}" if found is not None else "")] = None
            waiting += self._members.get(number, ())
        if others:
            listed = [*others][:3] + ([f"{len(others) - 3} more"] if len(others) > 3 else [])
            ending = "which is not a face of the model" if len(others) == 1 else "which are not faces of the model"
            problems[f"it is linked to {', '.join(listed)}, {ending}"] = None
        if not faces:
            problems["it is linked to no face"] = None
        return tuple(faces), tuple(problems)

    def _faces_of(self, item: int) -> list[int]:
        """Faces of the model that an item means: itself, or those behind a face or body of facets."""
        record = self._records.get(item)
        if record is not None and _OF_FACETS & record.parts.keys():
            each = [self._behind(one) for one in references(next(iter(record.parts.values()))[1:2])]
            return [face for faces in each for face in faces] if all(each) else []
        return [item] if self._is_face(item) else self._behind(item)

    def _behind(self, item: int) -> list[int]:
        """The exact face that a face of facets names, or itself where the model has no others; else none."""
        record = self._records.get(item)
        if record is None or not _FACETS & record.parts.keys():
            return []
        linked = references(next(iter(record.parts.values()))[4:5])
        return [item] if self._meshed else [number for number in linked if self._is_face(number)]

    def _unpacked(self, item: Any) -> Iterator[int]:
        """Items that a usage identifies: one, a list, or a list packed in a representation item."""
        for number in references(item):
            record = self._records.get(number)
            if record is not None and "COMPOUND_REPRESENTATION_ITEM" in record.parts:
                yield from references(tuple(record.parts.values()))
            else:
                yield number

    def _is_datum(self, number: int) -> bool:
        record = self._records.get(number)
        return record is not None and "DATUM" in record.parts


def with_facets(path: Path, records: Mapping[int, Record]) -> dict[int, Record]:
    """The records, and those faces of facets that shape aspects are linked to, by themselves or as a body.

    Parameters
    ----------
    path : Path
        The file that the records are from; `read_text` passes over such faces.
    records : mapping of int to Record
    """
    linked: set[int] = set()
    for record in records.values():
        for keyword, values in record.parts.items():
            if keyword in _USAGE or keyword == "COMPOUND_REPRESENTATION_ITEM":
                linked |= set(references(values[-1:] if keyword not in _USAGE else values[4:5]))
            elif keyword in _OF_FACETS:
                linked |= set(references(values[1:2]))
    found = read_geometry(path, linked - records.keys(), deep=0)
    return {**records, **{n: one for n, one in found.items() if _FACETS & one.parts.keys()}}


def face_names_of(
    path: Path, part: Nominal, numbers: Iterable[int], records: Mapping[int, Record], *, body: str | None = None
) -> dict[int, tuple[str, ...]]:
    """Names, in the model, of faces that a file knows by record number.

    Parameters
    ----------
    path : Path
    part : Nominal
        Loaded from that file.
    numbers : iterable of int
    records : mapping of int to Record
    body : str, optional
        The body that the model was loaded with.

    Returns
    -------
    dict of int to tuple of str
        Several names if the face's body stands in several places; none if it is not in the model.

    Notes
    -----
    The kernel tells which record a face came from, at the cost of a search through all it made; the search therefore
    begins where the order of the file suggests.
    """
    wanted = sorted(set(numbers))
    if not wanted:
        return {}
    faces, names, reader = _faces_of_model(path, part, body)
    model, transfer = reader.ChangeReader().StepModel(), reader.ChangeReader().WS().TransferReader()
    kinds = _FACETS if part.brep is None else _FACE
    order = {n: k for k, n in enumerate(sorted(n for n, record in records.items() if kinds & record.parts.keys()))}
    made_from: dict[int, Any] = {}
    out: dict[int, tuple[str, ...]] = {}
    last = 0
    for number in wanted:
        index = model.NextNumberForLabel(f"#{number}", last, True) or model.NextNumberForLabel(f"#{number}", 0, True)
        last, out[number] = index, ()
        if not index:
            continue
        entity = model.Value(index)
        for k in _around(order[number], len(faces)):
            if k not in made_from:
                made_from[k] = transfer.EntityFromShapeResult(faces[k], -1)
            if made_from[k] is entity:
                twins = (j for j, face in enumerate(faces) if face.IsPartner(faces[k]))
                out[number] = tuple(dict.fromkeys(names[j] for j in twins))
                break
    return out


def _faces_of_model(path: Path, part: Nominal, body: str | None) -> tuple[list[Any], list[str], Any]:
    """The kernel's faces of a model, the name of each there, and the reader that they came from."""
    if part.brep is None:
        shapes, reader = facet_faces(path, body=body)
        return list(shapes.values()), list(shapes), reader
    faces, reader = face_shapes(path, part.brep, body=body)
    group = np.zeros(len(part.brep.faces), dtype=np.int64)
    group[part.brep.facet_face] = part.facet_face
    return faces, [part.face_names[k] for k in group], reader


def _around(start: int, count: int) -> Iterator[int]:
    """All of range(count), those near `start` first."""
    start = min(start, count - 1)
    yield start
    for step in range(1, count):
        yield from (k for k in (start + step, start - step) if 0 <= k < count)
