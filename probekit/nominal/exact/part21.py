"""Clear text of a STEP file (ISO 10303-21): the records that carry meaning, geometry passed over.

Written from memory of ISO 10303-21:2016: statements end in a semicolon; a record is ``#12 = KEYWORD(arguments);`` or,
if it is of several types, ``#12 = (KEYWORD(arguments) KEYWORD(arguments));``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from ...errors import InputError

__all__ = ["Enum", "Record", "Ref", "StepText", "Typed", "read_geometry", "read_text"]

_STATEMENT = re.compile(rb"(?:[^;'/]++|'[^']*+'|/\*(?:[^*]++|\*(?!/))*+\*/|/(?!\*))*+;")
_HEAD = re.compile(
    rb"\s*+(?:/\*(?:[^*]++|\*(?!/))*+\*/\s*+)*+#\s*+(?P<number>\d{1,18})\s*+(?P<equals>=)\s*+\(?\s*+(?P<keyword>[A-Za-z0-9_]++)"
)
_TOKEN = re.compile(
    r"\s+|/\*.*?\*/"
    r"|(?P<string>'(?:[^']|'')*+')"
    r"|\#(?P<ref>\d{1,18})"
    r"|\.(?P<enum>[A-Za-z0-9_]+)\."
    r"|(?P<number>[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)"
    r'|"(?P<binary>[0-9A-Fa-f]*)"'
    r"|(?P<word>!?[A-Za-z][A-Za-z0-9_]*)"
    r"|(?P<mark>[(),$*])",
    re.DOTALL,
)
_ESCAPE = re.compile(
    r"''|\\\\|\\X2\\(?P<x2>(?:[0-9A-Fa-f]{4})*)(?:\\X0\\?)?|\\X4\\(?P<x4>(?:[0-9A-Fa-f]{8})*)(?:\\X0\\?)?"
    r"|\\X\\(?P<x>[0-9A-Fa-f]{2})|\\S\\(?P<s>.)|\\P(?P<page>[A-I])\\",
    re.DOTALL,
)
#: Records by the million that say nothing about tolerances; of several types at once, the first one tells.
_GEOMETRY = frozenset(
    b"""
    CARTESIAN_POINT DIRECTION VECTOR LINE CIRCLE ELLIPSE HYPERBOLA PARABOLA POLYLINE PCURVE SURFACE_CURVE SEAM_CURVE
    TRIMMED_CURVE B_SPLINE_CURVE_WITH_KNOTS BOUNDED_CURVE AXIS1_PLACEMENT AXIS2_PLACEMENT_2D AXIS2_PLACEMENT_3D
    VERTEX_POINT VERTEX_LOOP EDGE_CURVE ORIENTED_EDGE EDGE_LOOP FACE_BOUND FACE_OUTER_BOUND PLANE CYLINDRICAL_SURFACE
    CONICAL_SURFACE SPHERICAL_SURFACE TOROIDAL_SURFACE B_SPLINE_SURFACE_WITH_KNOTS BOUNDED_SURFACE
    SURFACE_OF_REVOLUTION SURFACE_OF_LINEAR_EXTRUSION DEFINITIONAL_REPRESENTATION COORDINATES_LIST
    COMPLEX_TRIANGULATED_FACE COMPLEX_TRIANGULATED_SURFACE_SET TRIANGULATED_FACE TESSELLATED_CURVE_SET STYLED_ITEM
    OVER_RIDING_STYLED_ITEM COLOUR_RGB
    """.split()
)
_DEEPEST = 100
_NUMBERED = re.compile(rb"(?<![^\s;/])#\s*+(\d{1,18})\s*+=")


class Ref(NamedTuple):
    """A reference to a record."""

    id: int


class Enum(NamedTuple):
    """A word of an enumeration, without its dots."""

    word: str


class Typed(NamedTuple):
    """A value with its type."""

    keyword: str
    values: tuple[Any, ...]


@dataclass(frozen=True)
class Record:
    """One instance.

    Attributes
    ----------
    id : int
    parts : dict of str to tuple
        Keyword -> arguments; several keywords if it is of several types at once. Arguments are str, int, float, `Ref`,
        `Enum`, `Typed`, tuples of these, or None for those unset or derived.
    """

    id: int
    parts: dict[str, tuple[Any, ...]]

    @property
    def keyword(self) -> str:
        """Its type or types, joined by "+"."""
        return "+".join(self.parts)


@dataclass(frozen=True)
class StepText:
    """What a STEP file says, apart from geometry.

    Attributes
    ----------
    schema : str
        Name of its schema, as the header gives it.
    records : dict of int to Record
    unparsed : dict of int to str
        Keywords of records that break the grammar, or have a number that is in use.
    """

    schema: str
    records: dict[int, Record]
    unparsed: dict[int, str]


def read_text(path: Path) -> StepText:
    """Read the records of a STEP file; those of plain geometry are passed over.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        If the file cannot be read, or a statement does not end.
    """
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise InputError(f"the model cannot be read ({error.strerror})", file=path) from None
    schema, records, unparsed = "", {}, {}
    for statement in _statements(path, content):
        head = _HEAD.match(statement)
        if head is None:
            if statement.lstrip()[:11].upper() == b"FILE_SCHEMA":
                schema = _schema(_decoded(statement))
        elif (keyword := head["keyword"].upper()) not in _GEOMETRY:
            number, text = int(head["number"]), _decoded(statement[head.end("equals") : -1])
            try:
                if number in records:
                    raise ValueError("a number that is in use")
                records[number] = Record(number, _parts(text))
            except ValueError:
                unparsed[number] = keyword.decode("ascii")
    return StepText(schema, records, unparsed)


def read_geometry(path: Path, numbers: Iterable[int], *, deep: int = 2) -> dict[int, Record]:
    """Some of the records that `read_text` passes over, and those that they refer to in turn.

    Parameters
    ----------
    path : Path
        A file that `read_text` has read.
    numbers : iterable of int
    deep : int
        How many references are followed one after the other.
    """
    wanted, records = set(numbers), dict[int, Record]()
    content = Path(path).read_bytes() if wanted else b""
    for _ in range(1 + deep):
        for match in _NUMBERED.finditer(content) if wanted else ():
            if (number := int(match[1])) in wanted and number not in records:
                statement = _STATEMENT.match(content, match.end())
                try:
                    records[number] = Record(number, _parts(_decoded(statement[0][:-1] if statement else b"")))
                except ValueError:
                    continue
        wanted = {n for one in records.values() for n in _references(one.parts)} - records.keys()
    return records


def _references(parts: dict[str, tuple[Any, ...]]) -> Iterator[int]:
    waiting: list[Any] = list(parts.values())
    while waiting:
        one = waiting.pop()
        if isinstance(one, Ref):
            yield one.id
        elif isinstance(one, tuple):
            waiting += one


def _statements(path: Path, content: bytes) -> Iterator[bytes]:
    position = 0
    while match := _STATEMENT.match(content, position):
        yield match[0]
        position = match.end()
    if content[position:].strip():
        raise InputError(
            "a statement of the STEP file is not closed",
            file=path,
            line=content.count(b"\n", 0, position) + 1,
            found=content[position : position + 60].decode("latin-1").strip(),
            expected="a semicolon at its end, quotes and comments closed",
        )


def _decoded(statement: bytes) -> str:
    try:
        return statement.decode("utf-8")
    except UnicodeDecodeError:
        return statement.decode("latin-1")


def _schema(statement: str) -> str:
    found = re.search(r"'((?:[^']|'')*+)'", statement)
    return _plain(found[1]).split("{")[0].strip() if found else ""


def _parts(text: str) -> dict[str, tuple[Any, ...]]:
    """Keywords with their arguments, of what stands right of the equals sign."""
    found = _values(text)
    if len(found) == 1 and isinstance(found[0], tuple) and not isinstance(found[0], Typed):
        found = list(found[0])
    if not found or not all(isinstance(one, Typed) for one in found):
        raise ValueError("not a record")
    return {one.keyword: one.values for one in found}


def _values(text: str) -> list[Any]:
    """Values of a text in turn; commas are not insisted on, as those of records of several types have none."""
    stack: list[tuple[str | None, list[Any]]] = [(None, [])]
    word, position = None, 0
    while position < len(text):
        token = _TOKEN.match(text, position)
        if token is None:
            raise ValueError("not a token")
        position = token.end()
        kind, group = token.lastgroup, token.group(token.lastgroup) if token.lastgroup else ""
        if kind is None:
            continue
        if word is not None and group != "(":
            raise ValueError("a keyword without arguments")
        values = stack[-1][1]
        if kind == "word":
            word = group.upper()
        elif group == "(" and kind == "mark":
            if len(stack) > _DEEPEST:
                raise ValueError("too deep")
            stack.append((word, []))
            word = None
        elif group == ")" and kind == "mark":
            if len(stack) == 1:
                raise ValueError("one bracket too many")
            keyword, inner = stack.pop()
            stack[-1][1].append(tuple(inner) if keyword is None else Typed(keyword, tuple(inner)))
        elif kind == "mark":
            if group != ",":
                values.append(None)
        else:
            values.append(_value(kind, group))
    if len(stack) != 1 or word is not None:
        raise ValueError("a bracket is missing")
    return stack[0][1]


def _value(kind: str, group: str) -> Any:
    if kind == "string":
        return _plain(group[1:-1])
    if kind == "ref":
        return Ref(int(group))
    if kind == "enum":
        return Enum(group.upper())
    if kind == "number":
        return float(group) if any(mark in group for mark in ".eE") else int(group)
    return group


def _plain(text: str) -> str:
    """A string with its escapes resolved, also those not closed, and without the breaks that only wrap the file."""
    text = text.replace("\r", "").replace("\n", "")
    if "'" not in text and "\\" not in text:
        return text
    out, page, position = [], "A", 0
    for match in _ESCAPE.finditer(text):
        out += [text[position : match.start()], _unescaped(match, page)]
        page, position = match["page"] or page, match.end()
    return "".join((*out, text[position:]))


def _unescaped(match: re.Match[str], page: str) -> str:
    r"""What an escape stands for; `page` is the part of ISO 8859 that the last \P chose, A to I for 1 to 9."""
    if match["x2"] is not None:
        return bytes.fromhex(match["x2"]).decode("utf-16-be", errors="replace")
    if match["x4"] is not None:
        return bytes.fromhex(match["x4"]).decode("utf-32-be", errors="replace")
    if match["x"] is not None:
        return chr(int(match["x"], 16))
    if match["s"] is not None and ord(match["s"]) < 128:
        return bytes([ord(match["s"]) + 128]).decode(f"iso8859-{ord(page) - 64}", errors="replace")
    return match["s"] or {"''": "'", "\\\\": "\\"}.get(match[0], "")
