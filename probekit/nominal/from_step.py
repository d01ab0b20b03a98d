"""STEP files as nominals with exact surfaces."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from .. import cache
from ..errors import InputError
from ..values import unseen
from .apart import apart, read_apart
from .exact import Brep, stored
from .exact.kernel import MissingKernelError, Progress, kernel
from .faces import FaceChoice, name_faces, unique_names
from .mend import mend
from .mesh_files import check_file
from .model import Nominal
from .topology import open_edges, open_note

__all__ = ["STEP_FORMATS", "from_step", "kernel_serves", "read_here"]

STEP_FORMATS = (".step", ".stp")


def from_step(
    path: Path,
    *,
    faces: Mapping[str, FaceChoice] | None = None,
    name: str | None = None,
    deflection: float | None = None,
    body: str | None = None,
    place: Path | None = None,
    progress: Progress | None = None,
) -> Nominal:
    """Load a STEP file: every CAD face a face, under its STEP name if it has one.

    Parameters
    ----------
    path : Path
    faces : mapping, optional
        Names for faces, as in `probekit.nominal.load`.
    name : str, optional
        Name of the part; the file's name by default.
    deflection : float, optional
        Largest distance of the facets, which are drawn and seed the search, from the exact surface [mm].
    body : str, optional
        One body of several, by name or path; see `probekit.nominal.load`.
    place : Path, optional
        Folder of the cache. A model that is kept there is not read again, and one that is read is kept there; where
        that is not possible, a note says so.
    progress : callable, optional
        As of `probekit.nominal.load`.

    Returns
    -------
    Nominal
        With its `brep`. Faces without a STEP name are called "face_1", "face_2" in the order of the file; a name that
        several faces have is numbered.

    Raises
    ------
    InputError, MissingKernelError
        See `probekit.nominal.exact.step.read_step`; also if the file changes while it is read.
    """
    check_file(path)
    checksum = _sha256(path)
    try:
        brep, kept = _brep(path, checksum, deflection, body, place, progress)
    except InputError:
        from .exact.faceted import facets_alone

        if not facets_alone(path):
            raise
        return _of_facets(path, checksum, faces, name, body)
    part = Nominal(
        vertices=brep.vertices,
        facets=brep.facets,
        facet_face=np.array(brep.facet_face, dtype=np.int32),
        face_names=_face_names(brep),
        name=name or path.stem,
        unit_source=f"STEP file: {brep.unit}",
        source=str(path),
        sha256=checksum,
        notes=(*brep.notes, *kept, *open_note(open_edges(brep.facets, len(brep.vertices)))),
        brep=brep,
    )
    return name_faces(part, faces) if faces else part


def _of_facets(
    path: Path, checksum: str, faces: Mapping[str, FaceChoice] | None, name: str | None, body: str | None
) -> Nominal:
    """A file that holds facets alone, as a mesh: without `brep`."""
    from .exact.faceted import read_facets

    made = read_facets(path, body=body)
    vertices, facets, notes = mend(made.vertices, made.facets, file=path)
    middles = [v[f].mean(axis=1) for v, f in ((vertices, facets), (made.vertices, made.facets))]
    if len(facets) != len(made.facets) or not np.allclose(*middles):
        raise InputError(
            "the facets of the STEP file are damaged",
            file=path,
            found=f"{len(made.facets)} facets, of which {len(facets)} are left after the repair: {'; '.join(notes)}",
            todo="Export the part again as a solid with exact surfaces.",
        )
    part = Nominal(
        vertices=vertices,
        facets=facets,
        facet_face=np.array(made.facet_face, dtype=np.int32),
        face_names=made.names,
        name=name or path.stem,
        unit_source=f"STEP file: {made.unit}",
        source=str(path),
        sha256=checksum,
        notes=(*made.notes, *notes),
    )
    return name_faces(part, faces) if faces else part


def _brep(
    path: Path,
    checksum: str,
    deflection: float | None,
    body: str | None,
    place: Path | None,
    progress: Progress | None,
) -> tuple[Brep, list[str]]:
    """The exact model, from the cache if it is there, and what there is to say about keeping it."""
    name = stored.name_of(checksum, deflection=deflection, body=body)
    if place is not None and name is not None:
        brep = stored.fetch(name, place)
        if brep is not None:
            return brep, []
    wanted = {"checksum": checksum, "deflection": deflection, "body": body}
    keep_in = place if name is not None else None
    found = _read_apart(path, name, keep_in, progress, wanted) if apart() else None
    if found is None:  # or one with surfaces that only the kernel can evaluate, which has survived it
        brep, problem, _ = read_here(path, name, keep_in, progress, **wanted)
        found = brep, problem
    return found[0], [f"the exact model could not be kept for later runs: {found[1]}"] if found[1] else []


def read_here(
    path: Path,
    name: str | None,
    place: Path | None,
    progress: Progress | None,
    *,
    checksum: str,
    deflection: float | None,
    body: str | None,
) -> tuple[Brep, str, bool]:
    """A model read in this process; why it could not be kept, if that was tried; and whether it was.

    Many parameters: those of `from_step`, with what they come to.

    Parameters
    ----------
    path, deflection, body, place, progress
        As of `from_step`.
    name : str or None
        The name under which it is kept.
    checksum : str
        SHA-256 that the file must still have when it was read.
    """
    from .exact.step import read_step

    brep = read_step(path, deflection=deflection, body=body, progress=progress)
    if _sha256(path) != checksum:
        raise InputError("the STEP file changed while it was read", file=path, todo="Run it again.")
    if place is None or name is None:
        return brep, "", False
    problem = stored.keep(brep, name, path.name, place)
    # what was written is used from now on, so that the first run and those after it have the same bytes
    again = stored.fetch(name, place)
    return (brep, problem, False) if again is None else (again, "", True)


def _read_apart(
    path: Path, name: str | None, place: Path | None, progress: Progress | None, wanted: dict[str, Any]
) -> tuple[Brep, str] | None:
    """A model read in a process of its own, and why it could not be kept; None if it cannot be handed on."""
    name = name or cache.name_of(wanted["checksum"])
    with read_apart("step", path, progress, **wanted, name=name, place=str(place or "")) as (folder, told):
        brep = stored.fetch(name, Path(told["place"]) if told["place"] else folder)
    return None if brep is None else (brep, told["problem"])


def _sha256(path: Path) -> str:
    """Checksum of a file; empty if it cannot be read, which `read_step` refuses with a reason."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, ValueError):
        return ""


def kernel_serves(
    path: Path,
    place: Path | None,
    *,
    deflection: float | None = None,
    body: str | None = None,
    progress: Progress | None = None,
) -> bool:
    """Whether a STEP file can be read: the kernel is installed and can be imported, or is not needed.

    With a cache the file is read and kept there: to import the kernel takes longer than to read most files.
    """
    if find_spec("OCP") is None:
        return False
    checksum = "" if place is None else _sha256(path)
    if place is not None:
        name = stored.name_of(checksum, deflection=deflection, body=body)
        if name is not None and cache.fetch(name, place) is not None:
            return True
    try:
        if checksum and apart():
            _brep(path, checksum, deflection, body, place, progress)
        else:
            kernel()
    except MissingKernelError:
        return False
    return True


def _face_names(brep: Brep) -> tuple[str, ...]:
    digits = len(str(len(brep.faces)))
    named = ["".join("?" if unseen(mark) else mark for mark in face.name) for face in brep.faces]
    plain = [name or f"face_{k + 1:0{digits}d}" for k, name in enumerate(named)]
    return tuple(unique_names(plain))
