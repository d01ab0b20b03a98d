"""Points put on the nominal, each with the normal and the curvatures of the face that it lies on."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from ...errors import InputError, ProbekitWarning
from ...nominal import Nominal
from ...nominal.exact import HOW, ExactFeet
from ...nominal.facets import FacetEngine

__all__ = ["Snapped", "as_direction", "as_points", "face_numbers", "snap", "snap_each"]


class Snapped(NamedTuple):
    """Points on the nominal.

    Attributes
    ----------
    points, normals : (n, 3) float
        Position [mm] and outward unit normal of the face, also on its edges.
    face : (n,) int
        Index into the names of the nominal's faces.
    distance : (n,) float
        How far the point was taken [mm], never negative.
    curvature : (n, 2) float
        Principal curvatures [1/mm], larger first, positive where the part is hollow; NaN where not asked for.
    """

    points: np.ndarray
    normals: np.ndarray
    face: np.ndarray
    distance: np.ndarray
    curvature: np.ndarray


def as_points(points: object, what: str = "points") -> np.ndarray:
    """`points` as (n, 3) float; one point may be (3,).

    Raises
    ------
    InputError
        If they are of another shape, or not finite.
    """
    try:
        out = np.atleast_2d(np.asarray(points, dtype=np.float64))
    except (TypeError, ValueError):
        raise InputError(f"{what} are not numbers", found=str(points), expected="shape (n, 3) [mm]") from None
    if out.ndim != 2 or out.shape[1] != 3:
        raise InputError(f"{what} have the wrong shape", found=out.shape, expected="(n, 3)")
    if not np.isfinite(out).all():
        row = int(np.flatnonzero(~np.isfinite(out).all(axis=1))[0])
        raise InputError(f"{what} must be finite", found=f"row {row}: {out[row].tolist()}")
    return out


def as_direction(direction: object, what: str = "direction") -> np.ndarray:
    """`direction` as a (3,) unit vector.

    Raises
    ------
    InputError
        If it is no vector, not finite, or has no length.
    """
    vector = as_points(direction, what)
    length = float(np.linalg.norm(vector))
    if len(vector) != 1 or length == 0.0:
        raise InputError(f"{what} is not a direction", found=str(direction), expected="three numbers, not all zero")
    return vector[0] / length


def face_numbers(nominal: Nominal, faces: str | Iterable[str] | None) -> np.ndarray:
    """Indices of faces by name, or of all.

    Raises
    ------
    InputError
        If a face does not exist, or there is none.
    """
    if faces is None:
        return np.arange(len(nominal.face_names))
    names = [faces] if isinstance(faces, str) else list(faces)
    if not names:
        raise InputError("no face was named", expected="names of faces, or None for all")
    return np.array([nominal.face_index(name) for name in dict.fromkeys(names)])


def snap(
    nominal: Nominal, points: np.ndarray, faces: str | Iterable[str] | None = None, *, curved: bool = False
) -> Snapped:
    """Closest points of the nominal, or of some of its faces.

    Parameters
    ----------
    nominal : Nominal
    points : (n, 3) float [mm]
    faces : str or several, optional
        Only these; default all.
    curved : bool
        Work out the curvatures, too.

    Raises
    ------
    InputError
        For points that are not finite or not (n, 3), and for faces that do not exist.
    """
    points = as_points(points)
    chosen = face_numbers(nominal, faces)
    if faces is None:
        face = nominal.engine.feet(points).face.astype(np.int64)
    else:
        face, best = np.full(len(points), chosen[0]), np.full(len(points), np.inf)
        for number in chosen if len(chosen) > 1 else ():
            distance = np.abs(nominal.engine.of_face(int(number))[0].feet(points).distance)
            nearer = distance < best
            face[nearer], best[nearer] = number, distance[nearer]
    return snap_each(nominal, points, face, curved=curved)


def snap_each(nominal: Nominal, points: np.ndarray, face: np.ndarray, *, curved: bool = False) -> Snapped:
    """Closest points, each on a face of its own.

    Parameters
    ----------
    nominal : Nominal
    points : (n, 3) float [mm]
    face : (n,) int
        Index of the face of each point.
    curved : bool
        Work out the curvatures, too.

    Warns
    -----
    ProbekitWarning
        If on an exact face some point did not settle, so that it lies on a facet.
    """
    points, face = as_points(points), np.asarray(face, dtype=np.int64)
    n = len(points)
    out = Snapped(points.copy(), np.zeros((n, 3)), face, np.zeros(n), np.full((n, 2), np.nan))
    unsettled = 0
    for number in np.unique(face):
        rows = np.flatnonzero(face == number)
        engine, _ = nominal.engine.of_face(int(number))
        feet = engine.feet(points[rows], smooth=True)
        out.points[rows], out.distance[rows] = feet.foot, np.abs(feet.distance)
        if isinstance(feet, ExactFeet):
            unsettled += int((feet.how == HOW.index("facet")).sum())
            if (feet.how == HOW.index("edge")).any():
                # beside the face the engine gives the direction to the point: ask again at the foot, for the face's own
                feet = engine.feet(feet.foot)
            if curved:
                out.curvature[rows] = engine.curvatures(feet)
        elif curved:
            out.curvature[rows] = _facet_curvatures(engine, feet.facet)
        out.normals[rows] = feet.normal
    if unsettled:
        warnings.warn(f"{unsettled} targets lie on facets: no exact foot was found", ProbekitWarning, stacklevel=3)
    return out


def _facet_curvatures(engine: FacetEngine, facet: np.ndarray) -> np.ndarray:
    """(n, 2) principal curvatures of some facets [1/mm], larger first; positive where the part is hollow.

    Notes
    -----
    The second fundamental form of each facet by least squares from the differences of its corners' normals along its
    edges [1]_, normals averaged within the face only.

    References
    ----------
    .. [1] S. Rusinkiewicz, "Estimating Curvatures and Their Derivatives on Triangle Meshes", 3DPVT 2004, sec. 3.1.
    """
    corner, normal = engine.vertices[engine.facets[facet]], engine.tables.corner_normal[facet]
    edge, turn = np.roll(corner, -1, axis=1) - corner, np.roll(normal, -1, axis=1) - normal
    x = edge[:, 0] / np.maximum(np.linalg.norm(edge[:, 0], axis=1, keepdims=True), 1e-300)
    z = np.cross(edge[:, 0], edge[:, 1])
    z /= np.maximum(np.linalg.norm(z, axis=1, keepdims=True), 1e-300)
    y = np.cross(z, x)
    eu, ev = np.einsum("fkc,fc->fk", edge, x), np.einsum("fkc,fc->fk", edge, y)
    nu, nv = np.einsum("fkc,fc->fk", turn, x), np.einsum("fkc,fc->fk", turn, y)
    # unknowns (a, b, c): change of normal = -(a eu + b ev, b eu + c ev)
    zero = np.zeros_like(eu)
    rows = np.concatenate([np.stack([eu, ev, zero], axis=2), np.stack([zero, eu, ev], axis=2)], axis=1)
    square = np.einsum("fki,fkj->fij", rows, rows)
    right = -np.einsum("fki,fk->fi", rows, np.concatenate([nu, nv], axis=1))
    scale = np.maximum(np.einsum("fii->f", square), 1e-300)[:, None, None]
    a, b, c = np.einsum("fij,fj->if", np.linalg.pinv(square / scale, rcond=1e-9) / scale, right)
    mean, root = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    return np.column_stack([mean + root, mean - root])
