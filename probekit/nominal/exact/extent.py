"""How large shapes of the CAD kernel are, and how exactly their file states them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ...errors import InputError
from .kernel import kernel

__all__ = ["deflection_for", "diagonal_of", "explore", "gap_of"]


def explore(shape: Any, kind: str, *, outside: str = "SHAPE") -> list[Any]:
    """Parts of a shape of one kind ("SOLID", "SHELL", "FACE", "EDGE") that are in none of another, in order."""
    topexp, topabs = kernel("TopExp", "TopAbs")
    kinds = (getattr(topabs.TopAbs_ShapeEnum, f"TopAbs_{word}") for word in (kind, outside))
    found, explorer = [], topexp.TopExp_Explorer(shape, *kinds)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def diagonal_of(path: Path, shapes: list[Any]) -> float:
    """Diagonal of the box about shapes [mm].

    Raises
    ------
    InputError
        If there is nothing in them, or the size or the place is not usable.
    """
    box = _box([face for shape in shapes for face in explore(shape, "FACE")])
    if box is None:
        raise InputError("the bodies of the STEP file are empty", file=path)
    low, high = box
    diagonal = float(np.linalg.norm(high - low))
    if not 1e-3 < diagonal < 1e7:
        raise InputError("the size of the model is not usable", file=path, found=f"{diagonal:.3g} mm across")
    if np.abs([low, high]).max() > 1e8:
        raise InputError(
            "the model lies too far from its origin to be exact",
            file=path,
            found=f"{np.abs([low, high]).max():.3g} mm",
            expected="100 km at most",
        )
    return diagonal


def _box(faces: list[Any]) -> np.ndarray | None:
    """(2, 3) lower and upper corner of faces [mm], to a millionth of their size; None if they are empty.

    The kernel finds loose boxes fast and tight ones slowly: only of faces that stick out is the tight one asked for.
    """
    bnd, brepbnd = kernel("Bnd", "BRepBndLib")

    def of(face: Any, add: Any) -> list[tuple[float, ...]] | None:
        box = bnd.Bnd_Box()
        add(face, box)
        return None if box.IsVoid() else [box.CornerMin().Coord(), box.CornerMax().Coord()]

    loose = [of(face, brepbnd.BRepBndLib.Add_s) for face in faces]
    full = [k for k, box in enumerate(loose) if box is not None]
    low, high = np.array([loose[k] for k in full]).reshape(-1, 2, 3).transpose(1, 0, 2)
    least, most = np.full(3, np.inf), np.full(3, -np.inf)
    left = np.ones(len(full), dtype=bool)
    while left.any():
        beyond = np.where(left, np.maximum((least - low).max(axis=1), (high - most).max(axis=1)), -np.inf)
        furthest = int(beyond.argmax())
        if not beyond[furthest] > 1e-6 * np.linalg.norm(np.maximum(most - least, 0.0)):
            break
        left[furthest] = False
        tight = of(faces[full[furthest]], brepbnd.BRepBndLib.AddOptimal_s)
        if tight is not None:
            least, most = np.minimum(least, tight[0]), np.maximum(most, tight[1])
    return np.array([least, most]) if full else None


def gap_of(shapes: list[Any]) -> float:
    """Largest tolerance of an edge or corner [mm]; the kernel takes at least the uncertainty that the file states."""
    brep, topabs = kernel("BRep", "TopAbs")
    kinds = (topabs.TopAbs_ShapeEnum.TopAbs_EDGE, topabs.TopAbs_ShapeEnum.TopAbs_VERTEX)
    return max(brep.BRep_Tool.MaxTolerance_s(shape, kind) for shape in shapes for kind in kinds)


def deflection_for(path: Path, diagonal: float, deflection: float | None) -> float:
    """The deflection as given or by default, see `read_step` [mm].

    Raises
    ------
    InputError
        If the given one is not usable.
    """
    if deflection is None:
        # of a metre and more it grows with the size: the kernel's time for one large face grows faster than its facets
        return float(np.clip(diagonal * 1e-4, min(0.002, 1e-3 * diagonal), max(0.05, 5e-5 * diagonal)))
    if not (np.isfinite(deflection) and 1e-6 * diagonal < deflection < 0.1 * diagonal):
        raise InputError(
            "the deflection is not usable",
            file=path,
            found=deflection,
            expected=f"{1e-6 * diagonal:.3g} to {0.1 * diagonal:.3g} mm, a small part of the model's size",
        )
    return deflection
