"""Reads the tolerances that a STEP file carries as data: semantic PMI of AP242 and its forerunners.

Names and meanings of entities are those of ISO 10303-47 and -242, from memory. The CAD kernel reads such annotations,
too, but drops what it does not know, and how a zone is disposed; here the records are read as they stand, and the
kernel only tells which face of the model a record means.

Nothing is guessed: a tolerance with a doubtful value is not used, one with anything unknown about it carries that among
its modifiers, and every such case is listed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ...errors import InputError
from .faceted import facets_alone
from .part21 import Record, Ref, StepText, read_text
from .pmi_drawn import drawn_only, standard_of, texts_of
from .pmi_links import AspectLinks, face_names_of, references, with_facets
from .pmi_model import (
    KINDS,
    PER_UNIT,
    PROJECTED_ZONE,
    UNEQUAL,
    ModelDatum,
    ModelPmi,
    ModelSize,
    ModelTarget,
    ModelTolerance,
    shown,
)
from .pmi_products import Products
from .pmi_sizes import Dimensions, read_sizes
from .pmi_targets import is_target, read_targets
from .pmi_values import NotUnderstoodError, Units, datum_references, tolerance_modifiers, words
from .pmi_zones import UNIT_PARTS, modified, read_projected, read_unit, zone_forms, zones_of

if TYPE_CHECKING:
    from ..model import Nominal

__all__ = ["ModelDatum", "ModelPmi", "ModelSize", "ModelTolerance", "read_pmi"]

_MATERIAL = {"maximum material requirement", "least material requirement"}
#: Parts of a tolerance of several types that are read.
_READ = {
    "GEOMETRIC_TOLERANCE",
    "GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE",
    "GEOMETRIC_TOLERANCE_WITH_MODIFIERS",
    "MODIFIED_GEOMETRIC_TOLERANCE",
    "UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE",
    *UNIT_PARTS,
}
_NO_TOLERANCE = {"PLUS_MINUS_TOLERANCE"}
#: Whatever else may bear on what is toleranced, and the records among these that are parts of others.
_BEARS = re.compile(
    r"TOLERANCE|ZONE_DEFINITION|DATUM|DIMENSIONAL_|ANGULAR_(SIZE|LOCATION)|LIMITS_AND_FITS|SURFACE_TEXTURE"
)
_HELPS = re.compile(
    r"DATUM|DATUM_FEATURE|DATUM_SYSTEM|DATUM_REFERENCE.*|REFERENCED_MODIFIED_DATUM|TOLERANCE_ZONE|TOLERANCE_ZONE_FORM"
    r"|TOLERANCE_VALUE|DIMENSIONAL_EXPONENTS|DIMENSIONAL_CHARACTERISTIC_REPRESENTATION|COMMON_DATUM"
)


def read_pmi(
    path: str | Path, part: Nominal, *, body: str | None = None, unequal: Literal["added", "shift"] | None = None
) -> ModelPmi:
    """Read the tolerances and datums that a STEP file carries as data.

    Parameters
    ----------
    path : str or Path
    part : Nominal
        Loaded from that file.
    body : str, optional
        The body that `part` was loaded with.
    unequal : {"added", "shift"}, optional
        What the number of an unequally disposed zone means: "added", the part of the zone outside the material (after
        the symbol U in ASME Y14.5-2018), or "shift", that of the zone's middle out of the material (after UZ in
        ISO 1101:2017; both from memory). By default as the standard that the file names has it; if it names neither,
        such a zone is listed as not understood.

    Returns
    -------
    ModelPmi
        Empty if the file carries none; its `sentence` says so.

    Raises
    ------
    InputError
        If the model is not the one of the file, or the file cannot be read.
    MissingKernelError
        If there are faces to be found and the CAD kernel is not installed.
    """
    path = Path(path)
    if unequal not in (None, "added", "shift"):
        raise InputError("unknown meaning of an unequally disposed zone", found=unequal, expected="added or shift")
    text = read_text(path)
    if part.sha256 != hashlib.sha256(path.read_bytes()).hexdigest():
        raise InputError(
            "the model was not loaded from this file",
            file=path,
            found=part.source,
            todo="Load the STEP file as the nominal.",
        )
    if part.brep is None and not facets_alone(path):
        raise InputError("the model is without the exact surfaces of its file", file=path, found=part.source)
    return _Reading(path, text, part, body, unequal).all()


class _Reading:
    """One reading of a file: the records, and the remarks gathered on the way."""

    def __init__(self, path: Path, text: StepText, part: Nominal, body: str | None, unequal: str | None) -> None:
        self.path, self.text, self.part, self.body = path, text, part, body
        self.records = with_facets(path, text.records)
        self.units = Units(self.records, part.diagonal)
        self.links, self.products = AspectLinks(self.records, meshed=part.brep is None), Products(self.records)
        self.standard, self.named = standard_of(self.records.values())
        self.unequal = unequal or {"ASME Y14.5": "added", "ISO 1101": "shift"}.get(self.standard)
        self.remarks: dict[str, None] = {}
        self.on: dict[int, tuple[int, ...]] = {}  # record of a tolerance, datum, target or size -> those of its faces
        self.ends: dict[int, tuple[tuple[int, ...], ...]] = {}  # of a distance -> records of the faces at each end
        self.begin: dict[int, list[tuple[float, tuple[int, ...]]]] = {}  # projected zones of a tolerance
        self.taken: set[int] = set()  # records that others have taken in

    def all(self) -> ModelPmi:
        for number, keyword in self.text.unparsed.items():
            self.remarks[f"#{number} {keyword}: its record cannot be parsed, or its number is in use"] = None
        tolerances = {
            n: t for n, r in self.records.items() if _is_tolerance(r) and (t := self._tolerance(r)) is not None
        }
        targets, used = read_targets(self.path, self.records, self.units, self.links)
        for number in targets:
            self.on[number] = self.links.of(number)[0]
        self.taken |= used | targets.keys()
        datums = {n: d for n, r in self.records.items() if "DATUM" in r.parts and (d := self._datum(r, targets))}
        sizes = self._sizes()
        self._composites(tolerances)
        self._zones(tolerances)
        self._rest(tolerances)
        self._drawn()
        wanted = [f for faces in self.on.values() for f in faces]
        wanted += [f for ends in self.ends.values() for faces in ends for f in faces]
        wanted += [f for found in self.begin.values() for _, faces in found for f in faces]
        wanted += [f for faces in self.products.faces.values() for f in sorted(faces)[:3]]
        self.names = face_names_of(self.path, self.part, wanted, self.records, body=self.body)
        all_read, others = (*tolerances.items(), *datums.items(), *sizes.items()), self._of_others()
        found = [self._placed(self.records[n], one) for n, one in all_read if self.products.of(n) not in others]
        self._letters_used_twice([one for one in found if isinstance(one, ModelDatum)])
        notes = [f"the file names {', '.join(self.named)} for its tolerances"] if self.named else []
        if others:
            self.remarks = {one: None for one in self.remarks if self.products.of(_number(one)) not in others}
            names = ", ".join(self.products.name(one) for one in sorted(others))
            notes.append(f"{len(all_read) - len(found)} annotations of other parts in the file were left out: {names}")
        return ModelPmi(
            tuple(one for one in found if isinstance(one, ModelTolerance)),
            tuple(one for one in found if isinstance(one, ModelDatum)),
            tuple(self.remarks),
            self.text.schema,
            self.standard,
            tuple(one for one in found if isinstance(one, ModelSize)),
            (*self.units.notes, *notes),
            texts_of(self.records),
        )

    def _of_others(self) -> set[int]:
        """Products of the file that are not in the model as loaded."""
        return {
            number
            for number, faces in self.products.faces.items()
            if faces and not any(self.names.get(face) for face in faces)
        }

    def _letters_used_twice(self, datums: Iterable[ModelDatum]) -> None:
        records: dict[str, list[str]] = {}
        for one in datums:
            records.setdefault(one.letter, []).append(one.source_id)
        for letter, several in records.items():
            if len(several) > 1:
                products = {self.products.of(int(one[1:])) for one in several}
                of = " of different parts" if len(products) > 1 else ""
                what = f"several datums{of} have the letter {shown(letter)}: {', '.join(several)}"
                self.remarks[f"{several[0]} DATUM: {what}"] = None

    def _remark(self, record: Record, reason: str) -> None:
        self.remarks[f"{_called(record)}: {reason}"] = None

    def _tolerance(self, record: Record) -> ModelTolerance | None:
        try:
            return self._understood(record)
        except NotUnderstoodError as reason:
            self._remark(record, f"{reason}; not used")
            return None

    def _understood(self, record: Record) -> ModelTolerance:
        parts = record.parts
        kinds = [KINDS[keyword] for keyword in parts if keyword in KINDS]
        if len(kinds) != 1:
            raise NotUnderstoodError("its kind is not known")
        base = parts.get("GEOMETRIC_TOLERANCE") or next(values for keyword, values in parts.items() if keyword in KINDS)
        datum_part = parts.get("GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE", base[4:] if len(parts) == 1 else ())
        if len(base) < 4 or len(base) > 5 or not isinstance(base[3], Ref):
            raise NotUnderstoodError("its record does not have the attributes of a tolerance")
        modifiers = tolerance_modifiers(parts)
        value = self.units.length(base[2], "its value", zero=bool(_MATERIAL & set(modifiers))).mm
        datums: tuple[tuple[str, ...], ...] = ()
        if datum_part:
            datums, of_datums = datum_references(self.records, datum_part)
            modifiers += of_datums
        displacement, outside = None, None
        if "UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE" in parts:
            stated = parts["UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE"]
            displacement = self.units.length(stated[0] if stated else None, "its displacement", zero=True, sign=True).mm
            outside = {"added": displacement, "shift": value / 2 + displacement}.get(self.unequal or "")
            if outside is None:
                modifiers.append(UNEQUAL)
                self._remark(
                    record,
                    f"its zone of {value:g} mm is unequally disposed by {displacement:g} mm, and the file names no "
                    "standard that says whether this is its part outside the material or a shift of its middle",
                )
        for keyword in parts.keys() - KINDS.keys() - _READ:
            modifiers.append(f"{words(keyword)}, not understood")
            self._remark(record, f"{keyword} is not understood")
        unit, unit_shape = read_unit(parts, self.units)
        modifiers += [PER_UNIT] if unit else []
        faces, problems = self._target(base[3].id)
        for problem in problems:
            self._remark(record, problem)
        target = self.records.get(base[3].id)
        if target is not None and "PRODUCT_DEFINITION_SHAPE" in target.parts:
            modifiers.append("all over")
        elif problems:
            modifiers.append("linked in a way that is not understood")
        elif target is not None and "ALL_AROUND_SHAPE_ASPECT" in target.parts:
            modifiers.append("all around")
        self.on[record.id] = faces
        said = (_text(base[0]), kinds[0], value, outside, displacement, datums, tuple(modifiers), (), f"#{record.id}")
        return ModelTolerance(*said, unit=unit, unit_shape=unit_shape)

    def _target(self, number: int) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """Face records that a tolerance covers, and what of it is not understood."""
        record = self.records.get(number)
        if record is not None and "PRODUCT_DEFINITION_SHAPE" in record.parts:
            if own := self.products.faces.get(number):
                return tuple(sorted(own)), ()
            bodies = len(self.part.brep.bodies) if self.part.brep is not None else 0
            return (), () if bodies == 1 else (f"it is on the whole of a product, of {bodies} bodies in the file",)
        size = record.parts.get("DIMENSIONAL_SIZE") if record is not None else None
        if size and isinstance(size[0], Ref):
            number = size[0].id
        return self.links.of(number)

    def _datum(self, record: Record, targets: Mapping[int, ModelTarget]) -> ModelDatum | None:
        identification = record.parts["DATUM"]
        if not identification or not (letter := _text(identification[-1]).strip()):
            self._remark(record, "it has no letter; not used")
            return None
        ends = dict.fromkeys(self.links.related.get(record.id, ()))
        related = [(n, self.records[n].parts) for n in ends if n in self.records]
        features = [
            n for n, parts in related if {"DATUM_FEATURE", "DIMENSIONAL_SIZE_WITH_DATUM_FEATURE"} & parts.keys()
        ]
        own = [n for n, _ in related if is_target(self.records[n])]
        if not any(self.links.of(number)[0] for number in features) and self.links.of(record.id)[0]:
            features = [record.id]  # some files link the datum itself to the faces, not its feature
        faces: dict[int, None] = {}
        for number in features or ([] if own else [record.id]):
            found, problems = self.links.of(number)
            faces |= dict.fromkeys(found)
            for problem in () if own and not found else problems:
                self._remark(record, f"its datum feature #{number}: {problem}" if number != record.id else problem)
        self.on[record.id] = tuple(faces)
        named = (
            replace(one, name=one.name if one.name.startswith(letter) else letter + one.name)
            for one in (targets[n] for n in own if n in targets)
        )
        return ModelDatum(letter, (), f"#{record.id}", tuple(named))

    def _sizes(self) -> dict[int, ModelSize]:
        """Dimensions; their records and those of their limits are taken in."""
        found: Dimensions = read_sizes(self.records, self.units)
        for number, reason in found.reasons.items():
            self._remark(self.records[number], f"{reason}; not used")
        for number, aspects in found.ends.items():
            record, ends = self.records[number], []
            for aspect in aspects:
                faces, problems = self.links.of(aspect)
                ends.append(faces)
                for problem in problems:
                    self._remark(record, problem)
            self.on[number] = tuple(dict.fromkeys(face for faces in ends for face in faces))
            if len(aspects) == 2:
                self.ends[number] = tuple(ends)
        self.taken |= found.used | found.sizes.keys() | found.reasons.keys()
        return found.sizes

    def _composites(self, tolerances: dict[int, ModelTolerance]) -> None:
        """Link the segments of composite tolerances; other relationships are listed with the rest."""
        for number, record in self.records.items():
            related = record.parts.get("GEOMETRIC_TOLERANCE_RELATIONSHIP", ())
            ends = [v.id for v in related[2:4] if isinstance(v, Ref)]
            if len(ends) == 2 and "composite" in _text(related[0]).lower() and set(ends) <= tolerances.keys():
                upper, lower = (tolerances[n] for n in ends)
                if upper.kind == lower.kind and self.on[ends[0]] == self.on[ends[1]] and not upper.refines:
                    tolerances[ends[1]] = replace(lower, refines=upper.source_id)
                    self.taken.add(number)

    def _zones(self, tolerances: dict[int, ModelTolerance]) -> None:
        """Add to tolerances what the form of their zone says, and how far it is projected."""
        forms, odd = zone_forms(self.records)
        for number, reason in odd.items():
            self._remark(self.records[number], reason)
        for numbers, added in forms:
            self._modify(tolerances, numbers, added)
        projected, used = read_projected(self.records, self.units, self.links)
        self.taken |= used
        for numbers, length, start in projected:
            self._modify(tolerances, numbers, PROJECTED_ZONE)
            for number in numbers:
                self.begin.setdefault(number, []).append((length, start))

    def _rest(self, tolerances: dict[int, ModelTolerance]) -> None:
        """List what else bears on tolerances, and mark those that it refers to."""
        zones = zones_of(self.records)
        for number, record in self.records.items():
            odd = [k for k in record.parts if _BEARS.search(k) and not _HELPS.fullmatch(k) and k not in _READ]
            if not odd or number in self.taken or _is_tolerance(record):
                continue
            about = set(references(tuple(record.parts.values())))
            about |= {n for zone in about & zones.keys() for n in zones[zone]}
            if number in zones:
                about |= set(zones[number])
            on = ", ".join(f"#{n}" for n in sorted(about & tolerances.keys()))
            self._remark(record, "not understood" + (f"; it bears on {on}" if on else ""))
            self._modify(tolerances, about, f"{words(odd[0])}, not understood")

    def _modify(self, tolerances: dict[int, ModelTolerance], numbers: Iterable[int], added: str) -> None:
        for number in numbers:
            if number in tolerances:
                tolerances[number] = modified(tolerances[number], added)

    def _drawn(self) -> None:
        """List annotations that are only drawn: for the eye, with no data behind them."""
        for record in drawn_only(self.records):
            self._remark(record, "a drawn annotation without readable data behind it")

    def _placed(self, record: Record, one: ModelTolerance | ModelDatum | ModelSize) -> Any:
        """The same with the names of its faces."""
        faces = self._named(self.on[record.id])
        over = isinstance(one, ModelTolerance) and "all over" in one.modifiers
        if over and not self.on[record.id]:
            faces = tuple(self.part.face_names)
        missing = [] if over else [f"#{n}" for n in self.on[record.id] if not self.names.get(n)]
        if missing:
            several = len(missing) > 1
            listed = ", ".join(missing[:3]) + (f" and {len(missing) - 3} more" if len(missing) > 3 else "")
            verb = "faces {} are" if several else "face {} is"
            self._remark(record, f"its {verb.format(listed)} not in the model as loaded")
        if isinstance(one, ModelTolerance):
            begin = tuple((length, self._named(faces)) for length, faces in self.begin.get(record.id, ()))
            one = modified(one, "linked in a way that is not understood") if missing else one
            return replace(one, faces=faces, projected=begin)
        if isinstance(one, ModelSize):
            return replace(one, faces=faces, ends=tuple(self._named(end) for end in self.ends.get(record.id, ())))
        targets = (replace(t, faces=self._named(self.on[int(t.source_id[1:])])) for t in one.targets)
        return replace(one, faces=faces, targets=tuple(targets))

    def _named(self, faces: Iterable[int]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(name for number in faces for name in self.names.get(number, ())))


def _is_tolerance(record: Record) -> bool:
    if "GEOMETRIC_TOLERANCE" in record.parts:
        return True
    return any(k in KINDS or (k.endswith("_TOLERANCE") and k not in _NO_TOLERANCE) for k in record.parts)


def _number(remark: str) -> int:
    return int(remark[1:].split(" ", 1)[0].rstrip(":"))


def _text(value: Any) -> str:
    if isinstance(value, tuple):
        value = value[0] if value else ""
    return value if isinstance(value, str) else ""


def _called(record: Record) -> str:
    """Number, type and name of a record, safe to show."""
    name = next((_text(v) for values in record.parts.values() for v in values[:1] if _text(v)), "")
    return f"#{record.id} {record.keyword}" + (f" {shown(name)}" if name else "")
