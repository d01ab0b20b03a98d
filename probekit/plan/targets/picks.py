"""Single targets: by coordinates, or by a ray."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from typing import Literal

import numpy as np
import pandas as pd

from ...errors import InputError, ProbekitWarning
from ...nominal import Nominal
from ...nominal.topology import facet_normals
from .snapping import as_points, face_numbers, snap, snap_each
from .table import place

__all__ = ["first_hits", "pick", "pick_ray"]

_ON_RAY = 1e-6  # a point this near to a ray is on it [mm]
_STEPS = 12


def pick(
    nominal: Nominal,
    points: np.ndarray,
    *,
    faces: str | Iterable[str] | None = None,
    limit: float = 1.0,
    far: Literal["error", "warn"] = "error",
    feature: str = "",
) -> pd.DataFrame:
    """Targets by coordinates: each point goes to the nearest point of the nominal.

    Parameters
    ----------
    nominal : Nominal
    points : (n, 3) or (3,) float
        Part frame [mm].
    faces : str or several, optional
        Only these faces; default all.
    limit : float
        How far a point may be off the nominal [mm].
    far : "error" or "warn"
        What to do with a point that is further off; after a warning it is kept.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table.

    Raises
    ------
    InputError
        For a point further off than `limit`, points that are not finite, or a face that does not exist.
    """
    points = as_points(points)
    if far not in ("error", "warn"):
        raise InputError("the value of `far` is not known", found=str(far), expected='"error" or "warn"')
    if not limit > 0:
        raise InputError("the limit must be positive", found=limit, expected="a distance [mm]")
    distance = snap(nominal, points, faces).distance
    off = np.flatnonzero(distance > limit)
    if len(off):
        worst = int(off[distance[off].argmax()])
        text = f"{len(off)} of {len(points)} points lie further than {limit:g} mm from the nominal"
        found = f"point {worst + 1} {points[worst].tolist()} is {distance[worst]:.4g} mm off"
        if far == "error":
            raise InputError(text, found=found, todo="Check the frame and the unit, or give a larger limit.")
        warnings.warn(f"{text}; {found}", ProbekitWarning, stacklevel=2)
    return place(nominal, points, faces=faces, feature=feature)


def pick_ray(
    nominal: Nominal,
    origins: np.ndarray,
    directions: np.ndarray,
    *,
    faces: str | Iterable[str] | None = None,
    feature: str = "",
) -> pd.DataFrame:
    """Targets where rays first meet the nominal from outside.

    Parameters
    ----------
    nominal : Nominal
    origins : (n, 3) or (3,) float
        Where the rays start [mm].
    directions : (n, 3) or (3,) float
        One for each ray or one for all; of any length.
    faces : str or several, optional
        The rays see only these faces; default all.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table.

    Raises
    ------
    InputError
        For a ray that meets nothing, directions without length, or a face that does not exist.
    """
    origins = as_points(origins, "origins")
    points, face = first_hits(nominal, origins, directions, faces=faces)
    lost = np.flatnonzero(face < 0)
    if len(lost):
        raise InputError(
            f"{len(lost)} of {len(face)} rays do not hit the model from outside",
            found=f"ray {lost[0] + 1} from {origins[lost[0] % len(origins)].tolist()}",
            todo="Start outside the material and point at the face.",
        )
    return place(nominal, points, face=face, feature=feature)


def first_hits(
    nominal: Nominal, origins: np.ndarray, directions: np.ndarray, *, faces: str | Iterable[str] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Where rays first enter the material.

    Parameters
    ----------
    nominal : Nominal
    origins, directions : (n, 3) or (3,) float
        Start [mm] and direction of the rays.
    faces : str or several, optional
        The rays see only these; default all.

    Returns
    -------
    points : (n, 3) float
        On the nominal [mm]; NaN where a ray meets nothing.
    face : (n,) int
        Index of the face, -1 where a ray meets nothing.

    Notes
    -----
    The facets give the first guess. It is refined by stepping along the ray to the tangent plane at the foot, which
    is Newton's method on the signed distance: t <- t - d / (n . direction).

    Warns
    -----
    ProbekitWarning
        If a ray grazes so that its point could not be brought onto it within a micrometre.
    """
    import igl

    origins, directions = np.broadcast_arrays(as_points(origins, "origins"), as_points(directions, "directions"))
    length = np.linalg.norm(directions, axis=1, keepdims=True)
    if (length == 0).any():
        raise InputError("a ray has no direction", found=f"ray {int(length.argmin()) + 1}", expected="not all zero")
    directions = directions / length
    chosen = np.flatnonzero(np.isin(nominal.facet_face, face_numbers(nominal, faces)))
    facets = np.ascontiguousarray(nominal.facets[chosen], dtype=np.int64)
    vertices = np.ascontiguousarray(nominal.vertices)
    normal, _ = facet_normals(vertices, facets)
    tree = igl.AABB()
    tree.init(vertices, facets)
    points, face = np.full(origins.shape, np.nan), np.full(len(origins), -1)
    hits = tree.intersect_ray(vertices, facets, np.ascontiguousarray(origins), np.ascontiguousarray(directions))
    for row, found in enumerate(hits):
        entering = [(t, facet) for facet, t, _, _ in found if t >= 0 and normal[facet] @ directions[row] < 0]
        if entering:
            t, facet = min(entering)
            points[row] = origins[row] + t * directions[row]
            face[row] = nominal.facet_face[chosen[facet]]
    rows = np.flatnonzero(face >= 0)
    if len(rows):
        points[rows], face[rows] = _refine(nominal, origins[rows], directions[rows], points[rows], face[rows], faces)
    return points, face


def _refine(
    nominal: Nominal,
    origins: np.ndarray,
    directions: np.ndarray,
    points: np.ndarray,
    face: np.ndarray,
    faces: str | Iterable[str] | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) on the exact faces, brought onto their rays, and the faces; near a border the face may change."""
    points, face = points.copy(), face.copy()
    for any_face in (False, True):
        on_ray = np.linalg.norm(np.cross(points - origins, directions), axis=1) <= _ON_RAY
        at = snap_each(nominal, points, face)
        on_ray &= at.distance <= _ON_RAY
        rows = np.flatnonzero(~on_ray) if any_face else np.arange(len(points))
        for _ in range(_STEPS if len(rows) else 0):
            found = snap(nominal, points[rows], faces) if any_face else snap_each(nominal, points[rows], face[rows])
            face[rows] = found.face
            slope = np.einsum("ij,ij->i", found.normals, directions[rows])
            slope = np.where(np.abs(slope) < 1e-3, -1e-3, slope)
            step = np.einsum("ij,ij->i", found.normals, found.points - points[rows]) / slope
            points[rows] += step[:, None] * directions[rows]
            if np.abs(step).max() < 1e-12 * nominal.diagonal:
                break
    found = snap_each(nominal, points, face)
    off = int((found.distance > 1e-3).sum())
    if off:
        warnings.warn(f"{off} rays graze the model: their targets lie beside them", ProbekitWarning, stacklevel=4)
    return found.points, found.face
