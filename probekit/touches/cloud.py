"""Point clouds of scans: PLY (ASCII and binary) and XYZ text, read in chunks, with errors by point and line.

PLY as its author described it (G. Turk, "The PLY Polygon File Format", 1994, from memory); XYZ is text with three
numbers a line, by common practice, no source. Neither states a unit of length, so it has to be told, unless a comment
says ``unit: mm``. What else a point carries (colour, intensity, normal) is passed over.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Literal

import numpy as np

from ..errors import InputError
from ..nominal.load import millimetres_per
from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Cloud", "read_cloud"]

_TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_FORMATS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_HEADER = 100_000  # bytes of a header at most
_BLOCK = 16_000_000  # bytes of text that are read at a time; no line is longer
_COUNTED = 50  # points in a row, whole numbers that rise by one: nothing measured does
_UNIT = re.compile(r"unit\s*[:=]\s*(\w+)", re.IGNORECASE)
_COMMA = re.compile(rb"[+-]?\d+,\d+")
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*([eE][+-]?\d+)?|\.\d+([eE][+-]?\d+)?|nan|NaN|NAN)")


@shown
@dataclass(frozen=True)
class Cloud:
    """A point cloud in a file, whose points are read in chunks.

    Attributes
    ----------
    path : Path
    form : {"PLY, text", "PLY, binary", "XYZ"}
    unit : str
        Of the file; points come in millimetres.
    count : int or None
        Points, as the header says; None where there is none.
    begins : int
        Byte at which the points begin.
    line : int
        Line at which they begin.
    columns : tuple of int
        Places of x, y and z in a line.
    kind : dtype or None
        Of a binary point.
    """

    path: Path
    form: Literal["PLY, text", "PLY, binary", "XYZ"]
    unit: str
    count: int | None
    begins: int = 0
    line: int = 1
    columns: tuple[int, int, int] = (0, 1, 2)
    kind: np.dtype | None = None

    @property
    def sentence(self) -> str:
        """File, form, number of points, unit, in one line."""
        many = "points" if self.count is None else f"{self.count} points"
        return f"{self.path.name} ({self.form}): {many} in {self.unit}"

    def checksum(self) -> str:
        """SHA-256 of the file, read in pieces."""
        with self.path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()

    def chunks(self, rows: int = 200_000) -> Iterator[np.ndarray]:
        """The points, some at a time: (n, 3) float64 [mm]; a point that was not measured is NaN.

        Parameters
        ----------
        rows : int
            Of a chunk at most; of text, about as many.

        Raises
        ------
        InputError
            If the file is cut short, or a line is not three numbers: with the point and the line.
        """
        _, size = millimetres_per(self.unit, file=str(self.path))
        with self.path.open("rb") as stream:
            stream.seek(self.begins)
            for points in _binary(self, stream, rows) if self.kind is not None else _text(self, stream, rows):
                points *= size
                yield points


def read_cloud(path: str | Path, *, unit: str | None = None, skip: int = 0) -> Cloud:
    """A point cloud, of which the header is read; its points come by `Cloud.chunks`.

    Parameters
    ----------
    path : str or Path
        ``.ply``; any other is text with x, y and z as the first three of its columns, separated by blanks, tabs, commas
        or semicolons; lines that begin with ``#`` or ``//`` are comments.
    unit : str, optional
        Of the file, such as "mm" or "inch"; needed unless a comment says it.
    skip : int
        Lines of text before the first point.

    Returns
    -------
    Cloud

    Raises
    ------
    InputError
        If the file cannot be read, its header is not understood, or its unit is not known or contradicts the comment.
    """
    path = Path(path)
    try:
        if not path.is_file():
            raise InputError("the point cloud is not a file", file=path)
        with path.open("rb") as stream:
            if path.suffix.lower() == ".ply":
                return _ply(path, stream, unit)
            head = stream.read(_HEADER)
    except OSError as error:
        raise InputError(f"the point cloud cannot be read ({error.strerror})", file=path) from None
    comments = [line.decode("utf-8", "replace") for line in head.splitlines()[:100] if _is_comment(line.strip())]
    begins = 0
    for k in range(skip):
        begins = head.find(b"\n", begins) + 1
        if not begins:
            raise InputError("the point cloud has fewer lines than are to be skipped", file=path, line=k + 1)
    return Cloud(path, "XYZ", _unit(path, unit, comments), None, begins, skip + 1)


def _unit(path: Path, told: str | None, comments: list[str]) -> str:
    said = next((match[1] for line in comments if (match := _UNIT.search(line))), None)
    if told is None and said is None:
        raise InputError(
            "the point cloud does not say its unit of length", file=path, expected='unit="mm"', todo="State its unit."
        )
    unit, size = millimetres_per(str(told or said), file=str(path))
    if told is not None and said is not None and millimetres_per(said, file=str(path))[1] != size:
        raise InputError("the unit is not the one that the file says", file=path, found=told, expected=said)
    return unit


def _ply(path: Path, stream: BinaryIO, unit: str | None) -> Cloud:
    """Read a PLY header."""
    head = stream.read(_HEADER)
    match = re.match(rb"ply\s*?\r?\n(.*?)end_header[ \t]*(\r\n|\n|\r)", head, re.DOTALL)
    if match is None:
        raise InputError("the header of the PLY file is not whole", file=path, expected="ply ... end_header")
    lines = match[0].decode("ascii", "replace").split("\n")
    form, elements, comments = "", [], []
    for number, text in enumerate(lines, 1):
        words = text.split()
        if words[:1] == ["format"] and len(words) > 1:
            form = words[1]
        elif words[:1] in (["comment"], ["obj_info"]):
            comments.append(text)
        elif words[:1] == ["element"] and len(words) == 3 and words[2].isdigit():
            elements.append((words[1], int(words[2]), []))
        elif words[:1] == ["property"] and elements and len(words) >= 3:
            elements[-1][2].append(tuple(words[1:]))
        elif words and words[0] not in ("ply", "end_header"):
            raise InputError("a line of the PLY header is not understood", file=path, line=number, found=text.strip())
    if form not in _FORMATS:
        raise InputError("the format of the PLY file is not known", file=path, found=form, expected=", ".join(_FORMATS))
    place = next((k for k, one in enumerate(elements) if one[0] == "vertex"), None)
    if place is None:
        raise InputError("the PLY file has no points", file=path, expected="element vertex N")
    names = [one[-1] for one in elements[place][2]]
    if not {"x", "y", "z"} <= set(names) or len(set(names)) < len(names):
        raise InputError("the points of the PLY file have no x, y, z", file=path, found=", ".join(names))
    before = [(count, _kind(path, properties, form)) for _, count, properties in elements[:place]]
    kind, unit = _kind(path, elements[place][2], form), _unit(path, unit, comments)
    columns = (names.index("x"), names.index("y"), names.index("z"))
    if form == "ascii":
        skipped = sum(count for count, _ in before)
        begins, line = match.end(), len(lines)
        for _ in range(skipped):
            begins = head.find(b"\n", begins) + 1
            if not begins:
                raise InputError("too much stands before the points of the PLY file", file=path)
        return Cloud(path, "PLY, text", unit, elements[place][1], begins, line + skipped, columns)
    begins = match.end() + sum(count * one.itemsize for count, one in before)
    return Cloud(path, "PLY, binary", unit, elements[place][1], begins, 0, columns, kind)


def _kind(path: Path, properties: list[tuple[str, ...]], form: str) -> np.dtype:
    """What a binary row of an element is."""
    fields = []
    for one in properties:
        if one[0] == "list" or one[0] not in _TYPES:
            raise InputError(
                "points that carry lists, or lists before the points, cannot be read"
                if one[0] == "list"
                else "a type in the PLY header is not known",
                file=path,
                found=" ".join(one),
                expected="numbers: float, double, uchar, ...",
            )
        fields.append((one[-1], (_FORMATS[form] or "<") + _TYPES[one[0]]))
    return np.dtype(fields)


def _binary(cloud: Cloud, stream: BinaryIO, rows: int) -> Iterator[np.ndarray]:
    kind, left = cloud.kind, cloud.count or 0
    assert kind is not None
    while left:
        wanted = min(rows, left)
        data = stream.read(wanted * kind.itemsize)
        got = len(data) // kind.itemsize
        if got < wanted:
            raise _short(cloud, (cloud.count or 0) - left + got)
        table = np.frombuffer(data, dtype=kind)
        yield np.column_stack([table[name].astype(np.float64) for name in ("x", "y", "z")])
        left -= wanted


def _text(cloud: Cloud, stream: BinaryIO, rows: int) -> Iterator[np.ndarray]:
    line, done, rest = cloud.line, 0, b""
    while cloud.count is None or done < cloud.count:
        data = stream.read(min(_BLOCK, 64 * rows))
        block = rest + data
        if data:
            cut = block.rfind(b"\n") + 1
            if not cut:
                if len(block) > _BLOCK:
                    raise InputError("a line has no end", file=cloud.path, line=line, found=f"{len(block)} bytes")
                rest = block
                continue
            block, rest = block[:cut], block[cut:]
        else:
            rest = b""
        if block.strip():
            points = _parsed(cloud, block if cloud.count is None else _first(block, cloud.count - done), line, done)
            if not done and cloud.count is None:
                _no_counting(cloud, points, line)
            done += len(points)
            if len(points):
                yield points
        line += block.count(b"\n")
        if not data:
            break
    if cloud.count is not None and done < cloud.count:
        raise _short(cloud, done)
    if not done:
        raise InputError("the point cloud has no points", file=cloud.path)


def _no_counting(cloud: Cloud, points: np.ndarray, line: int) -> None:
    """Refuse points whose first number counts the lines: x would be that count."""
    if len(points) >= _COUNTED and (np.diff(points[:, 0]) == 1.0).all():
        raise InputError(
            "the first column counts the lines: it is no coordinate",
            file=cloud.path,
            line=line,
            found=f"{points[0, 0]:g}, {points[1, 0]:g}, {points[2, 0]:g}, ...",
            expected="x y z as the first three columns",
            todo="Export the points without their numbers.",
        )


def _first(block: bytes, rows: int) -> bytes:
    """The first lines of a block: what follows the points in a PLY file is not ours."""
    if block.count(b"\n") <= rows:
        return block
    return b"\n".join(block.split(b"\n", rows)[:rows]) + b"\n"


def _parsed(cloud: Cloud, block: bytes, line: int, done: int) -> np.ndarray:
    """Points (n, 3) of whole lines of text."""
    import pandas as pd

    _no_decimal_commas(cloud, block, line)
    lines = block.splitlines() if b"#" in block or b"//" in block else None
    if lines is not None:
        block = b"\n".join(b"" if _is_comment(one.strip()) else one for one in lines) + b"\n"
    if b"," in block or b";" in block:
        plain = block.replace(b",", b" ").replace(b";", b" ")
    else:
        plain = block
    wanted = max(cloud.columns) + 1
    try:
        table: pd.DataFrame = pd.read_csv(
            BytesIO(plain),
            sep=r"\s+",
            header=None,
            usecols=list(range(wanted)),
            dtype=np.float64,
            na_values=["nan", "NaN", "NAN"],
            keep_default_na=False,
            engine="c",
        )
        points = table[list(cloud.columns)].to_numpy(dtype=np.float64)
        if np.isfinite(points).all():
            return points
    except pd.errors.EmptyDataError:
        return np.zeros((0, 3))
    except (ValueError, pd.errors.ParserError):
        points = np.zeros((0, 3))
    _blame(cloud, block, line, done, wanted)  # raises, unless what is not finite is said to be so
    if not len(points):
        raise InputError(
            "the point cloud cannot be read", file=cloud.path, line=line, expected="as many columns a line"
        )
    return points


def _blame(cloud: Cloud, block: bytes, line: int, done: int, wanted: int) -> None:
    """Raise for the first line that is not what it should be."""
    row = done
    for k, text in enumerate(block.split(b"\n")):
        if not text.strip():
            continue
        row += 1
        words = re.split(rb"[\s,;]+", text.strip())
        bad = next((w for w in words[:wanted] if not _NUMBER.fullmatch(w)), None)
        if bad is None and len(words) >= wanted:
            continue
        raise InputError(
            f"point {row} is not three numbers",
            file=cloud.path,
            line=line + k,
            found=text.strip()[:60].decode("utf-8", "replace"),
            expected=f"{wanted} numbers with a decimal point" if wanted > 3 else "x y z with a decimal point",
            todo="Lines before the points can be passed over: skip=.",
        )


def _no_decimal_commas(cloud: Cloud, block: bytes, line: int) -> None:
    """Refuse 1,5 2,5 3,5: with commas as separators these would be other points, and nobody would see it."""
    if b"," not in block:
        return
    for k, text in enumerate(block.split(b"\n", 100)[:100]):
        words = re.split(rb"[\s;]+", text.strip())
        if not _is_comment(text.strip()) and sum(_COMMA.fullmatch(word) is not None for word in words) > 1:
            raise InputError(
                "the numbers have decimal commas",
                file=cloud.path,
                line=line + k,
                found=text.strip()[:60].decode("utf-8", "replace"),
                expected="decimal points",
                todo="Export the cloud with decimal points.",
            )


def _is_comment(line: bytes) -> bool:
    return line.startswith((b"#", b"//"))


def _short(cloud: Cloud, there: int) -> InputError:
    return InputError(
        "the point cloud is cut short",
        file=cloud.path,
        found=f"{there} points",
        expected=f"{cloud.count}, as its header says",
        todo="Export or copy it again.",
    )
