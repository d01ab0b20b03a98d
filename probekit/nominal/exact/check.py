"""What is looked at before a STEP file is trusted: its text, and what the kernel says of its records."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from ...errors import InputError
from .kernel import kernel, records

__all__ = ["check_records", "check_text"]

_MOST_BYTES = 1_000_000_000
_DEEPEST = 1000  # the kernel's parser calls itself for each bracket
_CHUNK = 1 << 22
_COMMENT = re.compile(rb"/\*.*?\*/", re.DOTALL)
_LONGEST = 1 << 16  # of a comment, from which on it may be cut
_MARK = np.isin(np.arange(256), [ord(letter) for letter in "();"])
_FACE = re.compile(rb"\b(?:ADVANCED_FACE|FACE_SURFACE)\s*\(")
#: Records that shapes are made of, by which they are placed, and in whose units they stand, as the kernel names their
#: types: geometry; topology and the representations that hold it; relationships that place representations; units of
#: length and angle. Whatever else a file holds (properties, tolerances, drawings, notes) carries no shape.
_BEARS_SHAPE = re.compile(
    r"StepGeom_\w+"
    r"|StepShape_\w*(Face|Shell|Edge|Loop|Path|Vertex|Brep|Solid|Surface|Wireframe|Geometric|Boolean|Csg|Swept)\w*"
    r"|StepShape_\w*Shape(Definition)?Representation"
    r"|StepRepr_((Shape)?RepresentationRelationship(WithTransformation)?|Representation(Map|Context)?|MappedItem"
    r"|ItemDefinedTransformation|FunctionallyDefinedTransformation|GlobalUnitAssignedContext"
    r"|ProductDefinitionShape|NextAssemblyUsageOccurrence)"
    r"|StepRepr_ShapeRepresentationRelationshipWithTransformation"
    r"|StepBasic_((SiUnit|ConversionBasedUnit)And(Length|PlaneAngle)Unit|(Length|PlaneAngle)(Unit|MeasureWithUnit))"
)
#: Colours of faces hang on these; the kernel is not trusted with damaged ones. A style it does not know it passes over.
_BEARS_COLOUR = re.compile(
    r"(\w*StyledItem|Surface\w+|Fill\w+|Colour\w*|PresentationStyle\w*(?!.*illegal type)): .*", re.DOTALL
)
#: Complaints about words that nobody reads.
_HARMLESS = re.compile(r"not a quoted String")


def check_text(path: Path) -> int:
    """Refuse what is not a whole STEP file before the kernel sees it.

    Returns
    -------
    int
        How many faces the file describes.

    Raises
    ------
    InputError
        If the file cannot be read, is too large, empty, of another kind, cut short, or nested so deeply that the
        kernel's parser would run out of stack.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            head = stream.read(4096)
            stream.seek(max(0, size - 4096))
            tail = stream.read()
    except OSError as error:
        raise InputError(f"the model cannot be read ({error.strerror})", file=path) from None
    if size > _MOST_BYTES:
        raise InputError(
            "the STEP file is too large", file=path, found=f"{size} bytes", expected=f"{_MOST_BYTES} or less"
        )
    if not head.strip():
        raise InputError("the model file is empty", file=path)
    if b"ISO-10303-21" not in head:
        raise InputError(
            "this is not a STEP file", file=path, found=head[:40].decode("latin-1"), expected="ISO-10303-21; at the top"
        )
    if b"END-ISO-10303-21" not in tail:
        raise InputError(
            "the STEP file is truncated",
            file=path,
            expected="END-ISO-10303-21; at the end",
            todo="Copy or export it again.",
        )
    faces, depth, rest = 0, 0, b""
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            deepest, depth = _depth(chunk, depth)
            if deepest > _DEEPEST:
                raise InputError(
                    "the STEP file has brackets nested too deep",
                    file=path,
                    found=f"{deepest} deep",
                    expected=f"{_DEEPEST} at most",
                )
            text = _COMMENT.sub(b" ", rest + chunk)
            faces += len(_FACE.findall(text)) - len(_FACE.findall(rest))
            begun = text.rfind(b"/*", len(text) - _LONGEST if len(text) > _LONGEST else 0)
            rest = text[begun:] if begun >= 0 else text[-64:]
    return faces


def _depth(text: bytes, start: int) -> tuple[int, int]:
    """Deepest nesting of brackets in a piece of text, and that at its end; each statement starts anew."""
    letters = np.frombuffer(text, dtype=np.uint8)
    marks = letters[np.flatnonzero(_MARK[letters])]  # few of them
    level = start + np.cumsum((marks == ord("(")).astype(np.int32) - (marks == ord(")")))
    ends = np.flatnonzero(marks == ord(";"))
    lengths = np.diff(np.concatenate([[0], ends, [len(level)]]))
    level = level - np.repeat(np.concatenate([[0], level[ends]]), lengths)
    return int(level.max(initial=0)), int(level[-1]) if len(level) else start


def check_records(path: Path, reader: Any) -> tuple[list[str], bool]:
    """Refuse a file whose records are damaged: the kernel would crash on them, or leave out faces without a word.

    Parameters
    ----------
    path : Path
    reader
        The kernel's reader, which has read the file but made no shapes of it.

    Returns
    -------
    notes : list of str
        Damage that the shape does not depend on.
    colours : bool
        Whether the records of colours are sound.

    Raises
    ------
    InputError
        If there are none, or records that shapes are made of contradict their definition, or what they refer to is
        missing.
    """
    model = reader.StepModel()
    if not model.NbEntities():
        raise InputError("the STEP file is empty: it has no records", file=path, todo="Export the part again.")
    checks = reader.WS().ModelCheckList(True)
    checks.Start()
    worst: list[str] = []
    beside, colours = Counter[str](), True
    while checks.More():
        check, number = checks.Value(), checks.Number()
        if check.HasFailed():
            messages = [check.CFail(k + 1) for k in range(check.NbFails())]
            kind = type(model.Value(number)).__name__ if number else ""
            told = f"{kind.partition('_')[2]}: {messages[0]}"
            if not number:
                worst += [message for message in messages[:3] if "Unresolved" not in message]
            elif (
                _BEARS_SHAPE.fullmatch(kind)
                and not _of_annotation(model.Value(number))
                and not all(_HARMLESS.search(message) for message in messages)
            ):
                worst.append(told)
            else:
                beside[told] += 1
                colours = colours and not _BEARS_COLOUR.fullmatch(told)
        checks.Next()
    if worst:
        raise InputError(
            f"the STEP file is damaged: {len(worst)} records are malformed",
            file=path,
            found="; ".join(worst[:3]),
            todo="Export or copy it again.",
        )
    if _mirrored(reader):
        raise InputError(
            "the STEP file places a body as its mirror image, which the CAD kernel cannot do",
            file=path,
            found=f"{_mirrored(reader)} mapped items with a left-handed operator",
            todo="Make the mirrored part a body of its own in the CAD system and export it again.",
        )
    notes = []
    if faceted := _faceted(reader):
        named = ", ".join(faceted[:10]) + (f" and {len(faceted) - 10} more" if len(faceted) > 10 else "")
        notes.append(f"{len(faceted)} bodies were left out: they are facets only, without an exact surface: {named}")
    if not beside:
        return notes, colours
    listed = "; ".join(f"{told}{f' ({many} times)' if many > 1 else ''}" for told, many in beside.most_common())
    notes.append(
        f"{beside.total()} records are not as the CAD kernel expects them, but the shape depends on none of them: "
        f"{listed}"
    )
    return notes, colours


def _of_annotation(record: Any) -> bool:
    """Whether it links a representation to something else than the shape of a product: a face to an annotation."""
    shape, repr_ = kernel("StepShape", "StepRepr")
    if not isinstance(record, shape.StepShape_ShapeDefinitionRepresentation):
        return False
    about = record.Definition().PropertyDefinition()
    return about is not None and not isinstance(about, repr_.StepRepr_ProductDefinitionShape)


def _mirrored(reader: Any) -> int:
    """How many bodies are placed by a left-handed operator; the kernel would turn them round instead, and say nothing.

    Its axes are left-handed only if all three are stated so: what is left out completes a right-handed system
    (ISO 10303-42, base_axis, from memory).
    """
    repr_, geom, shape = kernel("StepRepr", "StepGeom", "StepShape")
    count = 0
    for item in records(reader, repr_.StepRepr_MappedItem):
        way, of = item.MappingTarget(), item.MappingSource().MappedRepresentation()
        if not isinstance(way, geom.StepGeom_CartesianTransformationOperator3d):
            continue
        axes = [way.Axis1(), way.Axis2(), way.Axis3()]
        if isinstance(of, shape.StepShape_ShapeRepresentation) and all(axis is not None for axis in axes):
            stated = [[axis.DirectionRatiosValue(k) for k in (1, 2, 3)] for axis in axes]
            count += bool(np.linalg.det(stated) < 0)
    return count


def _faceted(reader: Any) -> list[str]:
    """Names of the bodies of facets that stand for no exact body."""
    (visual,) = kernel("StepVisual")
    solids = records(reader, visual.StepVisual_TessellatedSolid)
    shells = records(reader, visual.StepVisual_TessellatedShell)
    found = [one for one in solids if not one.HasGeometricLink()]
    found += [one for one in shells if not one.HasTopologicalLink()]
    names = [one.Name() for one in found]
    return [repr(name.ToCString()) if name is not None and name.Length() else "one without a name" for name in names]
