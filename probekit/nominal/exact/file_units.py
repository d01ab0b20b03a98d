"""Units of length that the shapes of a STEP file stand in, as its records state them."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ...errors import InputError
from .escapes import closed
from .kernel import kernel, records

__all__ = ["length_units", "readable"]

#: A text, or a comment outside one.
_COMMENT = re.compile(rb"'(?:[^']|'')*'|/\*.*?\*/", re.DOTALL)
_MARK = b"\xef\xbb\xbf"
#: A unit that is converted, with the record of its factor; and such a record, if it is of several types at once, which
#: the kernel cannot read there.
_CONVERSION = re.compile(rb"CONVERSION_BASED_UNIT\s*\(\s*(?:'(?:[^']|'')*'|\$)\s*,\s*#\s*(\d+)")
_FACTOR = re.compile(
    rb"(?<![^\s;/])#\s*(?P<number>\d+)\s*=\s*\((?P<parts>[^;']*?\bMEASURE_WITH_UNIT\s*\((?P<values>[^;']*?\([^()]*\)"
    rb"\s*,\s*#\s*\d+\s*)\)[^;']*?)\)\s*;"
)


@contextmanager
def readable(path: Path) -> Iterator[tuple[Path, list[str]]]:
    """A STEP file that the kernel can read, and notes: the same, or a copy whose units state their factors plainly.

    The mark that some editors put before a text in UTF-8 is left out, and so are comments: the kernel does not bear
    them wherever the standard (ISO 10303-21) allows them.

    A factor may legally be a record of several types at once, such as (LENGTH_MEASURE_WITH_UNIT() MEASURE_WITH_UNIT(
    LENGTH_MEASURE(25.4),#3)); the kernel takes the numbers as they are then. Escapes in texts are closed.
    """
    content, notes = closed(path.read_bytes().removeprefix(_MARK))
    if b"/*" in content:
        content = _COMMENT.sub(lambda found: found[0] if found[0].startswith(b"'") else b" ", content)
    factors = set(_CONVERSION.findall(content))

    def plain(match: re.Match[bytes]) -> bytes:
        if match["number"] not in factors:
            return match[0]
        kind = b"PLANE_ANGLE_" if b"PLANE_ANGLE_MEASURE_WITH_UNIT" in match["parts"] else b"LENGTH_"
        return b"#%s=%sMEASURE_WITH_UNIT(%s);" % (match["number"], kind, match["values"])

    changed = _FACTOR.sub(plain, content) if factors else content
    if not notes and changed == content and len(content) == path.stat().st_size:
        yield path, []
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        copy.write_bytes(changed)
        yield copy, notes


_SI = "StepBasic_SiUnitAndLengthUnit"
_CONVERTED = "StepBasic_ConversionBasedUnitAndLengthUnit"
#: Units that do not say of what, which end the kernel's process.
_BARE = ("StepBasic_SiUnit", "StepBasic_ConversionBasedUnit", "StepBasic_NamedUnit")


def length_units(path: Path, reader: Any) -> list[str]:
    """Names of the units of length of all shapes, each once.

    The kernel has a list of names of its own, and tells nothing of a unit that is not in it, though it converts by the
    factor that the file states; and where it cannot read that factor, it takes the numbers as millimetres.

    Parameters
    ----------
    path : Path
        For messages.
    reader
        The kernel's reader, which has read the file but made no shapes of it.

    Raises
    ------
    InputError
        If a unit is stated in a way that the kernel cannot convert by.
    """
    shape, repr_ = kernel("StepShape", "StepRepr")
    beside = (shape.StepShape_ShapeDimensionRepresentation, shape.StepShape_ShapeRepresentationWithParameters)
    contexts: dict[int, Any] = {}
    for one in records(reader, shape.StepShape_ShapeRepresentation):
        if not isinstance(one, beside):
            context = one.ContextOfItems()
            contexts[id(context)] = context  # the binding numbers all records 0
    found: dict[str, None] = {}
    for context in contexts.values():
        if context is not None and not isinstance(context, repr_.StepRepr_GlobalUnitAssignedContext):
            context = getattr(context, "GlobalUnitAssignedContext", lambda: None)()
        for k in range(context.NbUnits() if context is not None else 0):
            name = _name(path, context.UnitsValue(k + 1))
            found |= {name: None} if name else {}
    return list(found)


def _name(path: Path, unit: Any) -> str:
    """What a unit of length is called, or nothing if it is another unit."""
    kind = type(unit).__name__
    if kind == _SI:
        prefix = unit.Prefix().name.removeprefix("StepBasic_sp").lower() if unit.HasPrefix() else ""
        return f"{prefix}metre"
    if kind in _BARE:
        _refuse(path, f"{kind.partition('_')[2]} without saying what it converts")
    if kind != _CONVERTED:
        return ""
    name, factor = unit.Name(), unit.ConversionFactor()
    name = name.ToCString().strip() if name is not None else ""
    (basic,) = kernel("StepBasic")
    if not isinstance(factor, basic.StepBasic_MeasureWithUnit) or not factor.ValueComponent() > 0:
        _refuse(path, f"the conversion of {name or 'a unit without name'} cannot be read")
    return name or f"{factor.ValueComponent():g} {_name(path, factor.UnitComponent().Value())}"


def _refuse(path: Path, found: str) -> None:
    raise InputError("the STEP file states a unit in a way that cannot be used", file=path, found=found)
