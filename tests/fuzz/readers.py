"""What is fuzzed: readers by name, sound files that mutations start from, and the mutations.

The mutations are our own, drawn from a generator with a seed: the same seed gives the same files. Half of them are what
happens to files in a shop (a digit, a line, the end lost), half what somebody who means harm would write.
"""

from __future__ import annotations

import json
import random
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tiny
import trimesh

import probekit as pk
from probekit.nominal.exact.step import read_step
from probekit.nominal.load import from_arrays
from probekit.nominal.mesh_files import content_of, parsed
from probekit.plan.kinematics import Kinematics, RotaryAxis
from probekit.plan.probe import Probe
from probekit.program.measuring.reader import read as follow_program
from probekit.program.reading.source import load as load_program
from probekit.settings import read_settings
from probekit.touches.control import kind_of

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "data" / "foil"

#: Pieces that are put into a file.
HOSTILE = (
    *(
        b"",
        b"nan",
        b"inf",
        b"-1",
        b"0",
        b"1e999",
        b"1e308",
        b"5e-324",
        b"9" * 400,
        b"4294967295",
        b"18446744073709551616",
    ),
    *(b"\x00", b"\xff\xfe", b"\r", b"\r\n", b"\n", b"\t", b"\x1b[2J", b"\x7f", b"\xe2\x80\xae", b"\xef\xbb\xbf"),
    *(
        b"\xd9\xa1\xd9\xa2",
        b"=cmd|' /C calc'!A0",
        b"<script>",
        b"]]>",
        b"&a;",
        b"../../../etc/passwd",
        b"CON",
        b"'",
        b'"',
    ),
    *(b"(", b")" * 50, b"[" * 400, b"{" * 400, b"#", b"%", b"$", b";", b",", b"*/", b"/*", b"__proto__", b" " * 3000),
)


def mutated(data: bytes, draw: random.Random) -> bytes:
    """A file with one to four faults."""
    for _ in range(draw.choice((1, 1, 1, 2, 4))):
        data = draw.choice(MUTATIONS)(data, draw)
    return data


def _place(data: bytes, draw: random.Random) -> int:
    return draw.randrange(len(data)) if data else 0


def _lose_a_digit(data: bytes, draw: random.Random) -> bytes:
    digits = [match.start() for match in re.finditer(rb"\d", data)]
    at = draw.choice(digits) if digits else 0
    return data[:at] + data[at + 1 :]


def _another_number(data: bytes, draw: random.Random) -> bytes:
    numbers = [match.span() for match in re.finditer(rb"-?\d+(\.\d*)?", data)]
    if not numbers:
        return data
    (start, end), (other, until) = draw.choice(numbers), draw.choice(numbers)
    new = draw.choice((data[other:until], draw.choice(HOSTILE)))
    return data[:start] + new + data[end:]


def _flip_a_bit(data: bytes, draw: random.Random) -> bytes:
    at = _place(data, draw)
    return data[:at] + bytes([data[at] ^ 1 << draw.randrange(8)]) + data[at + 1 :] if data else data


def _cut_off(data: bytes, draw: random.Random) -> bytes:
    return data[: _place(data, draw)]


def _lose_a_piece(data: bytes, draw: random.Random) -> bytes:
    at = _place(data, draw)
    return data[:at] + data[at + draw.choice((1, 4, 60, 1000)) :]


def _repeat_a_piece(data: bytes, draw: random.Random) -> bytes:
    at, length = _place(data, draw), draw.choice((1, 4, 60, 1000))
    return data[:at] + data[at : at + length] * draw.choice((2, 2, 20)) + data[at + length :]


def _put_in(data: bytes, draw: random.Random) -> bytes:
    at = _place(data, draw)
    return data[:at] + draw.choice(HOSTILE) + data[at + draw.choice((0, 0, 1, 8)) :]


def _change_lines(data: bytes, draw: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    if len(lines) < 2:
        return data
    one, other = draw.randrange(len(lines)), draw.randrange(len(lines))
    how = draw.randrange(3)
    if how == 0:
        lines[one], lines[other] = lines[other], lines[one]
    elif how == 1:
        lines.insert(other, lines[one])
    else:
        del lines[one]
    return b"".join(lines)


MUTATIONS = (
    *(_lose_a_digit, _another_number, _flip_a_bit, _cut_off),
    *(_lose_a_piece, _repeat_a_piece, _put_in, _change_lines),
)

# --- what is read -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reader:
    """A sound file, the ending of its name, and what reads it.

    `quick` ones can be fuzzed within a test; the others take longer, or can bring down the process.
    """

    sound: Callable[[], bytes]
    suffix: str
    read: Callable[[Path], Any]
    quick: bool = True


def _mesh(path: Path) -> Any:
    vertices, facets, _ = parsed(path, content_of(path))
    return from_arrays(vertices, facets)


def _box(kind: str) -> Callable[[], bytes]:
    def made() -> bytes:
        box = trimesh.creation.box(tiny.SIZE)
        scene = trimesh.Scene({"one": box, "two": box.copy().apply_translation((100.0, 0.0, 0.0))})
        scene.units = "mm"
        data = (scene if kind in ("glb", "3mf") else box).export(file_type=kind)
        return data.encode() if isinstance(data, str) else data

    return made


def _kept(name: str) -> Callable[[], bytes]:
    return (HERE / "corpus" / name).read_bytes


def _merged(path: Path) -> Any:
    return pk.program.merge(path, HERE / "corpus" / "probing.nc", after="OPERATION 1", lift="G0 Z200")


def _followed(path: Path) -> Any:
    """A DMIS program, followed with a head C A."""
    head = Kinematics((RotaryAxis("C", "head"), RotaryAxis("A", "head")), gauge=150.0)
    probe = Probe(6.0, 4.0, 50.0, name="invented touch probe")
    return follow_program(load_program(path).text, kinematics=head, probe=probe)


def _cloud(path: Path) -> list[Any]:
    return list(pk.touches.read_cloud(path, unit="mm").chunks())


def _answer() -> bytes:
    given = {
        "probekit": "answer 1",
        **{"page": "0" * 64, "edition": "0" * 64, "name": "A. Novak", "role": "quality"},
        **{"date": "2026-11-29T22:00:00Z", "disposition": "re-cut", "reason": "0.03 mm left"},
        "comments": [{"on": "touch", "id": "7", "text": "a chip?"}],
    }
    return json.dumps(given).encode()


def _dialect() -> bytes:
    return re.sub(r"<FILL IN[^>]*>", "M0", pk.program.example_dialect()).encode()


_COLUMNS = {"x": 1, "y": 2, "z": 3}
_PATTERN = r"P(?P<touch>\d+) X(?P<x>\S+) Y(?P<y>\S+) Z(?P<z>\S+)"
_MOVES = HERE / "corpus" / "moves.csv"

READERS = {
    "csv": Reader(lambda: tiny.touches().encode(), ".csv", pk.touches.read),
    "plan": Reader(_kept("plan.csv"), ".csv", pk.touches.read_plan),
    "moves": Reader(_kept("moves.csv"), ".csv", pk.touches.read_moves),
    "text": Reader(
        lambda: b"P1;1.0;2.0;3.0\nP2;1.5;2;3\nP3;-1.0;2.0;3.25\n",
        ".txt",
        lambda path: pk.touches.read_text(path, columns=_COLUMNS, unit="mm", recorded="centre"),
    ),
    "log": Reader(
        lambda: b"P1 X1.0 Y2.0 Z3.0\nbusy\nP2 X1.5 Y2 Z3\n",
        ".txt",
        lambda path: pk.touches.read_text(path, pattern=_PATTERN, unit="mm", recorded="centre"),
    ),
    "kind": Reader(_kept("parameters.txt"), ".txt", kind_of),
    "parameters": Reader(
        _kept("parameters.txt"), ".txt", lambda path: pk.touches.read_parameters(path, pk.touches.read_moves(_MOVES))
    ),
    "toml": Reader(lambda: tiny.STUDY.encode(), ".toml", read_settings),
    "dialect": Reader(_dialect, ".toml", pk.program.read_dialect),
    "nc": Reader(_kept("probing.nc"), ".nc", pk.program.run),
    "merge": Reader(lambda: tiny.MILLING.encode(), ".nc", _merged),
    "qif": Reader(_kept("plan.qif"), ".qif", pk.qif.read),
    "dmis": Reader(_kept("output.dmo"), ".dmo", pk.dmis.read),
    "dmi": Reader(_kept("program.dmi"), ".dmi", _followed),
    "answer": Reader(_answer, ".json", lambda path: pk.settle.read_answers(path.read_bytes())),
    "cloud": Reader(_box("ply"), ".ply", _cloud),
    "points": Reader(lambda: b"1 2 3\n4 5 6\n7 8 9\n", ".xyz", _cloud),
    "stl": Reader(_box("stl"), ".stl", _mesh),
    "stl_text": Reader(_box("stl_ascii"), ".stl", _mesh),
    "ply": Reader(_box("ply"), ".ply", _mesh),
    "obj": Reader(_box("obj"), ".obj", _mesh, quick=False),
    "glb": Reader(_box("glb"), ".glb", _mesh, quick=False),
    "3mf": Reader(_box("3mf"), ".3mf", _mesh, quick=False),
    "step": Reader((DEMO / "foil.step").read_bytes, ".step", read_step, quick=False),
}


def outcome(reader: Reader, path: Path) -> str:
    """ "read", "refused", or what else came of it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            reader.read(path)
        except pk.ProbekitError:
            return "refused"
        except Exception as error:
            at = error.__traceback__
            while at is not None and at.tb_next is not None:
                at = at.tb_next
            where = "" if at is None else f" at {Path(at.tb_frame.f_code.co_filename).name}:{at.tb_lineno}"
            return f"{type(error).__name__}: {str(error)[:120]}{where}"
    return "read"
