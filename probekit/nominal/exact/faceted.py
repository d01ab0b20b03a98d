"""STEP files whose bodies are facets alone (AP242, tessellated solids and shells): a mesh with faces and unit."""

from __future__ import annotations

import mmap
import re
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ...errors import InputError
from ..faces import unique_names
from .extent import explore
from .kernel import kernel
from .meshed import facets_of
from .step import chosen_bodies, kernel_failures, transfer

__all__ = ["FacetModel", "facet_faces", "facets_alone", "read_facets"]

_FACETS = re.compile(rb"=\s*TESSELLATED_(SOLID|SHELL)\s*\(")
_EXACT = re.compile(rb"=\s*(ADVANCED_FACE|FACE_SURFACE)\s*\(")


class FacetModel(NamedTuple):
    """A mesh in millimetres: vertices (v, 3), facets (f, 3), face of each, names of faces, unit of the file, notes."""

    vertices: np.ndarray
    facets: np.ndarray
    facet_face: np.ndarray
    names: tuple[str, ...]
    unit: str
    notes: tuple[str, ...]


def facets_alone(path: Path) -> bool:
    """Whether a STEP file describes bodies of facets and no exact face; not of one that cannot be read."""
    try:
        with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as text:
            return bool(_FACETS.search(text)) and not _EXACT.search(text)
    except (OSError, ValueError):
        return False


def read_facets(path: Path, *, body: str | None = None) -> FacetModel:
    """Read the bodies of facets of a STEP file; each of its tessellated faces is a face.

    Parameters
    ----------
    path : Path
    body : str, optional
        As of `probekit.nominal.load`.

    Raises
    ------
    MissingKernelError
        If the CAD kernel is not installed.
    InputError
        If the file holds no body of facets, or the kernel cannot interpret it.
    """
    return _read(path, body)[0]


def facet_faces(path: Path, *, body: str | None = None) -> tuple[dict[str, Any], Any]:
    """The kernel's face behind each face of a model of facets, by its name, and the reader that they came from.

    Parameters
    ----------
    path, body
        As of `read_facets`.
    """
    model, shapes, reader = _read(path, body)
    return dict(zip(model.names, shapes, strict=True)), reader


def _read(path: Path, body: str | None) -> tuple[FacetModel, list[Any], Any]:
    """The model, the kernel's face behind each of its faces, and the kernel's reader."""
    (topods,) = kernel("TopoDS")
    points, corners, face, names, shapes = [], [], [], [], []
    with kernel_failures(path):
        bodies, named, unit, _, notes, reader = transfer(path, lambda _step, _done: None, facets=True)
        for shape in chosen_bodies(path, bodies, body, notes):
            for one in explore(shape, "FACE"):
                own, _, triangles = facets_of(topods.TopoDS.Face(one))
                if not len(triangles):
                    continue
                backward = one.Orientation() == kernel("TopAbs")[0].TopAbs_Orientation.TopAbs_REVERSED
                corners.append((triangles[:, ::-1] if backward else triangles) + sum(map(len, points)))
                points.append(own)
                face.append(np.full(len(triangles), len(names)))
                names.append(next((text for part, text in named if part.IsSame(one)), ""))
                shapes.append(one)
    if not names:
        raise InputError("the STEP file holds no facets", file=path, todo="Export the part again as a solid.")
    vertices, index = np.unique(np.concatenate(points), axis=0, return_inverse=True)
    facets, facet_face = index.reshape(-1)[np.concatenate(corners)], np.concatenate(face)
    whole = (facets != np.roll(facets, 1, axis=1)).all(axis=1)  # a strip may turn round on a point
    kept, facet_face = np.unique(facet_face[whole], return_inverse=True)
    digits = len(str(len(kept)))
    plain = [names[k] or f"face_{number + 1:0{digits}d}" for number, k in enumerate(kept)]
    notes = [note for note in notes if "facets only" not in note]
    said = "its bodies are facets alone: deviations are from the facets, and their chord error is not known"
    called = tuple(unique_names(plain))
    model = FacetModel(vertices, facets[whole], facet_face.reshape(-1), called, unit, (said, *notes))
    return model, [shapes[k] for k in kept], reader
