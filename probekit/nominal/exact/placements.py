"""Coordinate systems that a STEP file carries by name."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ...errors import InputError
from ...geometry import frame_motion
from .kernel import kernel

__all__ = ["read_placements"]


def read_placements(path: Path, *, millimetres: float = 1.0) -> dict[str, np.ndarray]:
    """Named axis placements (AXIS2_PLACEMENT_3D of ISO 10303-42) of a STEP file.

    Parameters
    ----------
    path : Path
    millimetres : float
        Millimetres in the file's unit of length.

    Returns
    -------
    dict
        Name -> (4, 4) motion from model coordinates into that system. Placements without a name, which are the inner
        business of surfaces and curves, are left out; of several with one name the first counts.

    Raises
    ------
    InputError
        If the file cannot be parsed.
    """
    control, select, geometry = kernel("STEPControl", "IFSelect", "StepGeom")
    reader = control.STEPControl_Reader()
    if reader.ReadFile(str(path)) != select.IFSelect_ReturnStatus.IFSelect_RetDone:
        raise InputError("the STEP file cannot be parsed", file=path, todo="Export it again.")
    model = reader.StepModel()
    found: dict[str, np.ndarray] = {}
    for k in range(1, model.NbEntities() + 1):
        entity = model.Value(k)
        if not isinstance(entity, geometry.StepGeom_Axis2Placement3d):
            continue
        name = entity.Name().ToCString().strip() if entity.Name() is not None else ""
        if not name or name in found:
            continue
        origin = np.array([entity.Location().CoordinatesValue(i + 1) for i in range(3)]) * millimetres
        z = _direction(entity.Axis(), (0.0, 0.0, 1.0)) if entity.HasAxis() else np.array([0.0, 0.0, 1.0])
        x = (
            _direction(entity.RefDirection(), (1.0, 0.0, 0.0))
            if entity.HasRefDirection()
            else np.array([1.0, 0.0, 0.0])
        )
        x = x - (x @ z) * z
        if np.linalg.norm(x) < 1e-9:
            continue
        found[name] = frame_motion(x / np.linalg.norm(x), z, origin)
    return found


def _direction(entity: Any, default: tuple[float, float, float]) -> np.ndarray:
    ratios = np.array([entity.DirectionRatiosValue(i + 1) for i in range(3)])
    length = float(np.linalg.norm(ratios))
    return ratios / length if length > 0 else np.array(default)
