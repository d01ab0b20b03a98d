"""Tolerances of a STEP file that were read once, kept beside its exact model."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..apart import apart, read_apart
from . import stored
from .pmi import read_pmi

if TYPE_CHECKING:
    from ..model import Nominal
    from .pmi_model import ModelPmi

__all__ = ["read_pmi_once"]


def read_pmi_once(path: Path, part: Nominal, place: Path | None, *, body: str | None = None) -> ModelPmi:
    """As `read_pmi`, from the cache if the same was read before; the second time no CAD kernel is needed.

    Parameters
    ----------
    path, part, body
        As of `read_pmi`.
    place : Path or None
        Folder of the cache; None to keep nothing.

    Raises
    ------
    InputError, MissingKernelError
        See `read_pmi`.
    """
    name = None
    if place is not None and part.sha256:
        name = stored.name_of(part.sha256, what="tolerances", body=body, faces=part.face_names)
    if place is None or name is None:
        return _read(path, part, body)
    found = stored.fetch_pmi(name, place)
    if found is None:
        found = _read(path, part, body)
        stored.keep(found, name, f"{path.name}, tolerances", place)
    return found


def _read(path: Path, part: Nominal, body: str | None) -> ModelPmi:
    """Read the tolerances, in a process of its own: that needs the shapes of the kernel, too."""
    brep = part.brep
    if not apart():
        return read_pmi(path, part, body=body)

    def hand_on(folder: Path) -> None:
        if brep is not None:
            stored.keep(brep, "model", path.name, folder)
        mesh = {"vertices": part.vertices, "facets": part.facets, "group": part.facet_face}
        for name, array in mesh.items():
            np.save(folder / f"{name}.npy", array, allow_pickle=False)

    given = {"sha256": part.sha256, "names": list(part.face_names), "exact": part.exact}
    with read_apart("pmi", path, beforehand=hand_on, body=body, **given) as (folder, _):
        found = stored.fetch_pmi("pmi", folder)
    return read_pmi(path, part, body=body) if found is None else found
