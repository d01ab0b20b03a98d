"""STEP files as nominals with exact surfaces."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from .exact import Brep
from .exact.step import read_step, unique_names
from .faces import FaceChoice, name_faces
from .model import Nominal
from .topology import edge_table

__all__ = ["STEP_FORMATS", "from_step"]

STEP_FORMATS = (".step", ".stp")


def from_step(
    path: Path,
    *,
    faces: Mapping[str, FaceChoice] | None = None,
    name: str | None = None,
    deflection: float | None = None,
    body: str | None = None,
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
        One body of several; all of them together by default.

    Returns
    -------
    Nominal
        With its `brep`. Faces without a STEP name are called "face_1", "face_2" in the order of the file; a name that
        several faces have is numbered.

    Raises
    ------
    InputError, MissingKernelError
        See `probekit.nominal.exact.step.read_step`.
    """
    brep = read_step(path, deflection=deflection, body=body)
    _, count = edge_table(brep.facets, len(brep.vertices))
    open_edges = int((count == 1).sum())
    notes = list(brep.notes)
    if open_edges:
        notes.append(
            f"the surface is open ({open_edges} border edges): the winding order of the facets decides which side "
            "is material"
        )
    part = Nominal(
        vertices=brep.vertices,
        facets=brep.facets,
        facet_face=np.array(brep.facet_face, dtype=np.int32),
        face_names=_face_names(brep),
        name=name or path.stem,
        unit_source=f"STEP file: {brep.unit}",
        source=str(path),
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        notes=tuple(notes),
        brep=brep,
    )
    return name_faces(part, faces) if faces else part


def _face_names(brep: Brep) -> tuple[str, ...]:
    digits = len(str(len(brep.faces)))
    plain = [face.name or f"face_{k + 1:0{digits}d}" for k, face in enumerate(brep.faces)]
    return tuple(unique_names(plain))
