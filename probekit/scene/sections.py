"""Planned sections: what the touches beside a curve of the nominal say along it, as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from ..columns import FOOT, FOOT_NORMAL, array
from ..errors import InputError
from ..plan.targets.snapping import snap_each
from .model import Scene, Section, Zone

if TYPE_CHECKING:
    from ..nominal.model import Nominal
    from ..plan.targets.curves import Curve

__all__ = ["beside", "face_limits", "plane_of", "with_sections"]

_PLANE = 1e-3  # of its extent, by which a plane curve may leave its plane


def with_sections(scene: Scene, nominal: Nominal, curves: Iterable[Curve], within: float, name: str) -> Scene:
    """The scene with one more planned section.

    Parameters
    ----------
    scene : Scene
    nominal : Nominal
        The model that the scene shows.
    curves : iterable of Curve
        On the nominal, the longest first, as of `probekit.plan.section`. Those beside which no touch lies are left out
        and counted; if that is all of them, the first stays.
    within : float
        Touches whose feet are this near to a curve belong to it [mm].
    name : str
        Of the section.
    """
    listed = list(curves)
    found = [_section(scene, nominal, curve, within, name) for curve in listed]
    touched = [one for one in found if len(one.rows)] or found[:1]
    more = len(found) - len(touched)
    named = [
        replace(one, name=name if len(touched) == 1 else f"{name}, {k} of {len(touched)}", untouched=more)
        for k, one in enumerate(touched, 1)
    ]
    return replace(scene, sections=(*scene.sections, *named))


def _section(scene: Scene, nominal: Nominal, curve: Curve, within: float, name: str) -> Section:
    line = np.vstack([curve.points, curve.points[:1]]) if curve.closed else curve.points
    face = np.array([nominal.face_index(one) for one in curve.faces])
    outward = snap_each(nominal, (line[:-1] + line[1:]) / 2.0, face).normals
    rows, stations = beside(scene.touches, curve, within, outward)
    return Section(
        name=name,
        curve=curve,
        outward=outward,
        exact=nominal.exact,
        chord_error=0.0 if nominal.exact else float(nominal.chord_errors[np.unique(face)].max()),
        within=within,
        rows=rows,
        stations=stations,
        zones=_zones(curve, face_limits(scene.touches)),
    )


def beside(
    table: pd.DataFrame, curve: Curve, within: float, outward: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Touches beside a curve.

    Parameters
    ----------
    table : DataFrame
        Deviations table. A touch belongs to the piece of the curve that is nearest to its foot, among those on its own
        face, if the table has a column `face`.
    curve : Curve
    within : float
        How near a foot has to be [mm].
    outward : (m, 3) float, optional
        Outward normals of the m pieces: then a touch on the other side of a thin wall does not belong to them.

    Returns
    -------
    rows : (n,) int
        Of the table, in the order of the curve.
    stations : (n,) float
        Their arc lengths [mm].

    Raises
    ------
    InputError
        If the distance is not above zero.
    """
    if not within > 0:
        raise InputError("the distance from the curve must be above zero", found=within)
    line = np.vstack([curve.points, curve.points[:1]]) if curve.closed else curve.points
    feet, own = array(table, FOOT), np.array(curve.faces, dtype=object)
    known = np.isfinite(feet).all(axis=1) & np.isfinite(table["deviation"].to_numpy(float, na_value=np.nan))
    faces = table["face"].to_numpy(dtype=object) if "face" in table else None
    normals = None if outward is None else array(table, FOOT_NORMAL)
    start, step = line[:-1], np.diff(line, axis=0)
    squared = np.maximum(np.einsum("ij,ij->i", step, step), 1e-300)
    reach = within + np.sqrt(squared.max()) / 2.0  # no point of a piece is further from its nearer end
    near = cKDTree(line).query(np.where(known[:, None], feet, 0.0), distance_upper_bound=reach)[0]
    found = []
    for row in np.flatnonzero(known & np.isfinite(near)):
        part = np.clip(np.einsum("ij,ij->i", feet[row] - start, step) / squared, 0.0, 1.0)
        away = np.linalg.norm(start + part[:, None] * step - feet[row], axis=1)
        if faces is not None:
            away = np.where(own == faces[row], away, np.inf)
        if outward is not None and normals is not None:
            away = np.where(outward @ normals[row] > 0, away, np.inf)
        k = int(away.argmin())
        if away[k] <= within:
            found.append((curve.stations[k] + part[k] * (curve.stations[k + 1] - curve.stations[k]), row))
    found.sort()
    return np.array([row for _, row in found], dtype=np.int64), np.array([station for station, _ in found], dtype=float)


def face_limits(touches: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Face -> the limits [mm] by which all its touches were judged, where those are the same."""
    if not {"lower", "upper"} <= set(touches):
        return {}
    judged = touches[touches["lower"].notna() & touches["upper"].notna()]
    each = {face: of.drop_duplicates() for face, of in judged[["lower", "upper"]].groupby(judged["face"])}
    one = {str(face): of.to_numpy(dtype=float)[0].tolist() for face, of in each.items() if len(of) == 1}
    return {face: (lower, upper) for face, (lower, upper) in one.items()}


def _zones(curve: Curve, limits: dict[str, tuple[float, float]]) -> tuple[Zone, ...]:
    """The zone along the curve, piece by piece of one face; none where a face has not one pair of limits."""
    faces = np.array(curve.faces, dtype=object)
    first = np.flatnonzero(np.append(True, faces[1:] != faces[:-1]))
    ends = np.append(first[1:], len(faces))
    return tuple(
        Zone(float(curve.stations[a]), float(curve.stations[b]), *limits[faces[a]])
        for a, b in zip(first, ends, strict=True)
        if faces[a] in limits
    )


def plane_of(points: np.ndarray) -> tuple[np.ndarray, tuple[str, str]] | None:
    """Axes (2, 3) in the plane of points (n, 3) and what they are called; None if the points do not lie in a plane.

    A plane that is parallel to two axes of the part has these.
    """
    _, spread, directions = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    if len(spread) > 2 and spread[2] > _PLANE * spread[0]:
        return None
    normal = np.cross(directions[0], directions[1])
    axis = int(np.abs(normal).argmax())
    if abs(normal[axis]) > 1 - 1e-6:
        kept: Sequence[int] = [k for k in range(3) if k != axis]
        return np.eye(3)[kept], ("xyz"[kept[0]], "xyz"[kept[1]])
    first = directions[0] * np.sign(directions[0][np.abs(directions[0]).argmax()])
    return np.stack([first, np.cross(normal, first)]), ("along the section", "across")
