"""Mesh files in: STL, PLY, OBJ, 3MF and GLB as vertices and facets, through trimesh."""

from __future__ import annotations

import io
import re
import struct
import zipfile
from pathlib import Path

import numpy as np

from ..errors import InputError

__all__ = ["FORMATS", "check_file", "content_of", "parsed"]

FORMATS = (".stl", ".ply", ".obj", ".3mf", ".glb")
_STEP_FORMATS = (".step", ".stp")

_MOST_BYTES = 1_000_000_000  # of a file, and of what is packed in it


def check_file(path: Path) -> None:
    """Refuse what is there and is no file, such as a pipe, which nobody might ever write into.

    Raises
    ------
    InputError
    """
    try:
        odd = path.exists() and not path.is_file()
    except (OSError, ValueError):
        return  # reading it says what is wrong
    if odd:
        raise InputError(
            "the model cannot be read: this is not a file, but a folder, a pipe or a device",
            file=path,
            expected="a file",
        )


def content_of(path: Path) -> bytes:
    """The bytes of a file of one of the formats, as far as can be told whole.

    Raises
    ------
    InputError
    """
    if path.suffix.lower() not in FORMATS:
        raise InputError(
            "not a model file that probekit can read",
            file=path,
            found=path.suffix,
            expected="one of " + ", ".join((*FORMATS, *_STEP_FORMATS)),
        )
    try:
        _refuse_large(path, path.stat().st_size, "the model file is too large")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        raise InputError(f"the model cannot be read ({getattr(error, 'strerror', None) or error})", file=path) from None
    if not content.strip():
        raise InputError("the model file is empty", file=path)
    if path.suffix.lower() == ".stl":
        _refuse_short_stl(path, content)
    if path.suffix.lower() == ".ply":
        _refuse_short_ply(path, content)
    if path.suffix.lower() == ".3mf":
        _refuse_large_3mf(path, content)
    return content


def _refuse_large(path: Path, size: int, what: str) -> None:
    if size > _MOST_BYTES:
        raise InputError(
            what,
            file=path,
            found=f"{size} bytes",
            expected=f"{_MOST_BYTES} at most",
            todo="Export it with fewer facets, or as STEP.",
        )


def _refuse_large_3mf(path: Path, content: bytes) -> None:
    """A 3MF file is packed: what it says it holds must be of a size that can be read."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            size = sum(entry.file_size for entry in packed.infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        return  # the parser says so
    _refuse_large(path, size, "what is packed in the 3MF file is too large")


def _refuse_short_stl(path: Path, content: bytes) -> None:
    """A binary file must be as long as the count at its byte 80 says, a text must end with "endsolid"."""
    claimed = struct.unpack_from("<I", content, 80)[0] if len(content) >= 84 else 0
    is_text = content.lstrip()[:5].lower() == b"solid" and len(content) != 84 + 50 * claimed
    if is_text and b"endsolid" not in content[-1000:].lower():
        raise InputError(
            "the STL file is truncated: its text has no end",
            file=path,
            expected='a last line that starts with "endsolid"',
        )
    if not is_text and len(content) < 84 + 50 * claimed:
        raise InputError(
            "the STL file is truncated or not an STL file",
            file=path,
            found=f"{len(content)} bytes",
            expected=f"{84 + 50 * claimed} bytes for the {claimed} facets it announces",
        )


def _refuse_short_ply(path: Path, content: bytes) -> None:
    """A text must have a line for each element that its head announces; of binary files the parser sees to it."""
    head, mark, body = content.partition(b"end_header")
    if mark and b"format ascii" in head:
        claimed = sum(int(count) for count in re.findall(rb"^\s*element\s+\w+\s+(\d+)\s*$", head, re.MULTILINE))
        lines = len(body.split(b"\n", 1)[-1].splitlines())
        if lines < claimed:
            raise InputError(
                "the PLY file is truncated", file=path, found=f"{lines} lines", expected=f"the {claimed} it announces"
            )


def parsed(path: Path, content: bytes) -> tuple[np.ndarray, np.ndarray, str | None]:
    """Vertices, facets and the unit that the format states (None if it states none)."""
    import trimesh

    kind = path.suffix.lower()[1:]
    try:
        loaded = trimesh.load_scene(io.BytesIO(content), file_type=kind, process=False)
        pieces = [g for g in loaded.dump() if isinstance(g, trimesh.Trimesh)]
    except MemoryError:
        raise
    except Exception as error:  # the parsers raise anything at all on hostile files
        raise InputError(
            f"the {kind.upper()} file cannot be parsed",
            file=path,
            found=f"{type(error).__name__} {error}".strip(),
            todo="The file is damaged or not of this format: export it again.",
        ) from None
    if not pieces:
        raise InputError("the model has no facets", file=path, expected="a mesh with at least one triangle")
    if any(np.asarray(p.faces).shape != (len(p.faces), 3) or np.asarray(p.vertices).shape[1:] != (3,) for p in pieces):
        raise InputError(
            f"the {kind.upper()} file has facets that cannot be made triangles",
            file=path,
            todo="Export it again with triangles only.",
        )
    start = np.cumsum([0] + [len(p.vertices) for p in pieces[:-1]])
    vertices = np.vstack([np.asarray(p.vertices, dtype=np.float64) for p in pieces])
    facets = np.vstack([np.asarray(p.faces, dtype=np.int64) + s for p, s in zip(pieces, start, strict=True)])
    return vertices, facets, loaded.units if kind in ("3mf", "glb") else None
