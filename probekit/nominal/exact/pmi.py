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
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from ...errors import InputError
from .part21 import Enum, Record, Ref, StepText, read_text
from .pmi_links import AspectLinks, face_names_of, references
from .pmi_model import KINDS, UNEQUAL, ModelDatum, ModelPmi, ModelSize, ModelTolerance, shown
from .pmi_sizes import read_sizes
from .pmi_values import MODIFIERS, NotUnderstoodError, Units, datum_references, words

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
_DIAMETER = {"cylindrical or circular", "within a circle", "within a cylinder"}
_SPHERE = {"spherical", "within a sphere"}
_DRAWN = re.compile(r"ANNOTATION_\w*OCCURRENCE\w*|TESSELLATED_ANNOTATION_OCCURRENCE")


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
        If the model is not the one of the file or has no exact surfaces, or the file cannot be read.
    MissingKernelError
        If there are faces to be found and the CAD kernel is not installed.
    """
    path = Path(path)
    if unequal not in (None, "added", "shift"):
        raise InputError("unknown meaning of an unequally disposed zone", found=unequal, expected="added or shift")
    text = read_text(path)
    if part.brep is None or part.sha256 != hashlib.sha256(path.read_bytes()).hexdigest():
        raise InputError(
            "the model was not loaded from this file",
            file=path,
            found=part.source,
            todo="Load the STEP file as the nominal.",
        )
    return _Reading(path, text, part, body, unequal).all()


class _Reading:
    """One reading of a file: the records, and the remarks gathered on the way."""

    def __init__(self, path: Path, text: StepText, part: Nominal, body: str | None, unequal: str | None) -> None:
        self.path, self.text, self.part, self.body = path, text, part, body
        self.records = text.records
        self.units = Units(self.records, part.diagonal)
        self.links = AspectLinks(self.records)
        self.standard = _standard(self.records.values())
        self.unequal = unequal or {"ASME Y14.5": "added", "ISO 1101": "shift"}.get(self.standard)
        self.remarks: dict[str, None] = {}
        self.on: dict[int, tuple[int, ...]] = {}  # record of a tolerance, datum or size -> records of its faces
        self.taken: set[int] = set()  # records that others have taken in

    def all(self) -> ModelPmi:
        for number, keyword in self.text.unparsed.items():
            self.remarks[f"#{number} {keyword}: its record cannot be parsed, or its number is in use"] = None
        tolerances = {
            n: t for n, r in self.records.items() if _is_tolerance(r) and (t := self._tolerance(r)) is not None
        }
        datums = {n: d for n, r in self.records.items() if "DATUM" in r.parts and (d := self._datum(r)) is not None}
        sizes, self.taken = self._sizes()
        self._composites(tolerances)
        self._zones(tolerances)
        self._rest(tolerances)
        self._drawn()
        names = face_names_of(
            self.path, self.part, (f for faces in self.on.values() for f in faces), self.records, body=self.body
        )
        all_read = (*tolerances.items(), *datums.items(), *sizes.items())
        found = [self._placed(self.records[n], one, names) for n, one in all_read]
        return ModelPmi(
            tuple(one for one in found if isinstance(one, ModelTolerance)),
            tuple(one for one in found if isinstance(one, ModelDatum)),
            tuple(self.remarks),
            self.text.schema,
            self.standard,
            tuple(one for one in found if isinstance(one, ModelSize)),
            self.units.notes,
        )

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
        modifiers = self._modifiers(parts)
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
        return ModelTolerance(
            _text(base[0]), kinds[0], value, outside, displacement, datums, tuple(modifiers), (), f"#{record.id}"
        )

    def _modifiers(self, parts: dict[str, tuple[Any, ...]]) -> list[str]:
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

    def _target(self, number: int) -> tuple[tuple[int, ...], tuple[str, ...]]:
        """Face records that a tolerance covers, and what of it is not understood."""
        record = self.records.get(number)
        if record is not None and "PRODUCT_DEFINITION_SHAPE" in record.parts:
            bodies = len(self.part.brep.bodies) if self.part.brep is not None else 0
            return (), () if bodies == 1 else (f"it is on the whole of a product, of {bodies} bodies in the file",)
        size = record.parts.get("DIMENSIONAL_SIZE") if record is not None else None
        if size and isinstance(size[0], Ref):
            number = size[0].id
        return self.links.of(number)

    def _datum(self, record: Record) -> ModelDatum | None:
        identification = record.parts["DATUM"]
        if not identification or not _text(identification[-1]).strip():
            self._remark(record, "it has no letter; not used")
            return None
        related = [(n, self.records[n].parts) for n in self.links.related.get(record.id, ()) if n in self.records]
        features = [
            n for n, parts in related if {"DATUM_FEATURE", "DIMENSIONAL_SIZE_WITH_DATUM_FEATURE"} & parts.keys()
        ]
        targets = [n for n, parts in related if any("DATUM_TARGET" in keyword for keyword in parts)]
        faces: dict[int, None] = {}
        for number in features or ([] if targets else [record.id]):
            found, problems = self.links.of(number)
            faces |= dict.fromkeys(found)
            for problem in problems:
                self._remark(record, f"its datum feature #{number}: {problem}" if number != record.id else problem)
        if targets:
            self._remark(
                record, f"it rests on datum targets ({', '.join(f'#{n}' for n in targets)}), which are not understood"
            )
        self.on[record.id] = tuple(faces)
        return ModelDatum(_text(identification[-1]).strip(), (), f"#{record.id}", tuple(f"#{n}" for n in targets))

    def _sizes(self) -> tuple[dict[int, ModelSize], set[int]]:
        """Sizes, and the records of their limits."""
        sizes, reasons, taken = read_sizes(self.records, self.units)
        for number, reason in reasons.items():
            self._remark(self.records[number], f"{reason}; not used")
        for number in sizes:
            record = self.records[number]
            applies = record.parts.get("DIMENSIONAL_SIZE", (Ref(number),))[0]
            self.on[number], problems = self.links.of(applies.id if isinstance(applies, Ref) else number)
            for problem in problems:
                self._remark(record, problem)
        return sizes, taken | sizes.keys() | reasons.keys()

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
        """Add to tolerances what the form of their zone says."""
        for record in self.records.values():
            zone = record.parts.get("TOLERANCE_ZONE")
            if not zone or len(zone) < 6:
                continue
            form = self.records.get(zone[5].id) if isinstance(zone[5], Ref) else None
            name = _text(next(iter(form.parts.values()))[:1]).strip().lower() if form is not None else ""
            if name in _DIAMETER or name in _SPHERE:
                added = "diameter" if name in _DIAMETER else "spherical diameter"
            elif name.startswith("between two ") or name in ("", "unknown"):
                continue
            else:
                added = "zone of a form that is not understood"
                self._remark(record, f"its form is not understood: {shown(name)}")
            self._modify(tolerances, references(zone[4]), added)

    def _rest(self, tolerances: dict[int, ModelTolerance]) -> None:
        """List what else bears on tolerances, and mark those that it refers to."""
        zones = {
            n: tuple(references(r.parts["TOLERANCE_ZONE"]))
            for n, r in self.records.items()
            if "TOLERANCE_ZONE" in r.parts
        }
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
                one = tolerances[number]
                tolerances[number] = replace(one, modifiers=tuple(dict.fromkeys((*one.modifiers, added))))

    def _drawn(self) -> None:
        """List annotations that are only drawn: for the eye, with no data behind them."""
        meant: set[int] = set()
        for record in self.records.values():
            values = record.parts.get("DRAUGHTING_MODEL_ITEM_ASSOCIATION", ())
            about = set(references(values[2:3]))
            if any(n in self.records and any(_BEARS.search(k) for k in self.records[n].parts) for n in about):
                meant |= set(references(values[4:]))
        callouts = {n: r for n, r in self.records.items() if any(k.endswith("CALLOUT") for k in r.parts)}
        within = {n for r in callouts.values() for n in references(tuple(r.parts.values()))}
        for number, record in self.records.items():
            loose = number not in within and any(_DRAWN.fullmatch(k) for k in record.parts)
            if (number in callouts or loose) and number not in meant:
                self._remark(record, "a drawn annotation without readable data behind it")

    def _placed(
        self, record: Record, one: ModelTolerance | ModelDatum | ModelSize, names: dict[int, tuple[str, ...]]
    ) -> ModelTolerance | ModelDatum | ModelSize:
        """The same with the names of its faces."""
        faces = dict.fromkeys(name for number in self.on[record.id] for name in names.get(number, ()))
        if isinstance(one, ModelTolerance) and "all over" in one.modifiers:
            faces = dict.fromkeys(self.part.face_names)
        missing = [n for n in self.on[record.id] if not names.get(n)]
        for number in missing:
            self._remark(record, f"its face #{number} is not in the model as loaded")
        if missing and isinstance(one, ModelTolerance):
            one = replace(one, modifiers=(*one.modifiers, "linked in a way that is not understood"))
        return replace(one, faces=tuple(faces))


def _is_tolerance(record: Record) -> bool:
    if "GEOMETRIC_TOLERANCE" in record.parts:
        return True
    return any(k in KINDS or (k.endswith("_TOLERANCE") and k not in _NO_TOLERANCE) for k in record.parts)


def _standard(records: Iterable[Record]) -> str:
    """The one standard of tolerances that documents or notes in the file name, or nothing."""
    found = set()
    for record in records:
        if any(keyword.startswith(("DOCUMENT", "DESCRIPTIVE_REPRESENTATION_ITEM")) for keyword in record.parts):
            said = " ".join(v for values in record.parts.values() for v in values if isinstance(v, str)).upper()
            found |= {"ASME Y14.5"} if re.search(r"\bY\s?14\.5(?!\d)", said) else set()
            found |= {"ISO 1101"} if re.search(r"\bISO[ /A-Z-]{0,8}(1101|1660|8015)\b", said) else set()
    return found.pop() if len(found) == 1 else ""


def _text(value: Any) -> str:
    if isinstance(value, tuple):
        value = value[0] if value else ""
    return value if isinstance(value, str) else ""


def _called(record: Record) -> str:
    """Number, type and name of a record, safe to show."""
    name = next((_text(v) for values in record.parts.values() for v in values[:1] if _text(v)), "")
    return f"#{record.id} {record.keyword}" + (f" {shown(name)}" if name else "")
