"""Targets in rows: a grid in the parameters of an exact face, a grid laid on along a direction, parallel sections."""

from __future__ import annotations

import warnings
from collections.abc import Iterable

import numpy as np
import pandas as pd

from ...columns import TARGET, array
from ...errors import InputError, ProbekitWarning
from ...nominal import Nominal
from .curves import Curve, along
from .lines import section
from .margin import allowed
from .parameters import ON_FACE, exact_surface
from .picks import first_hits
from .snapping import as_direction, face_numbers, snap_each
from .table import add_note, join, place

__all__ = ["grid_along", "grid_uv", "scan"]

_MANY = 100_000  # points of a grid, of which those off the faces are left out


def grid_uv(
    nominal: Nominal,
    face: str,
    *,
    n: tuple[int, int] | None = None,
    spacing: float | None = None,
    margin: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """A grid in the parameters of an exact face, there and back; only what lies inside the trim.

    Parameters
    ----------
    nominal : Nominal
    face : str
        A face made of one exact surface.
    n : (int, int), optional
        Rows in u and in v.
    spacing : float, optional
        Instead: about this far apart [mm], by the mean length of the parameter lines.
    margin : float
        Least distance from the edges of the face [mm].
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table; its notes say how many of the grid fell outside.

    Raises
    ------
    InputError
        On a model of facets, for a face of several surfaces, both or none of `n` and `spacing`, numbers that make no
        sense, or nothing inside.

    Notes
    -----
    Rows stand in the middle of equal parts of the mean arc length in u and v, not of the parameters themselves.
    """
    surface, box = exact_surface(nominal, face)
    share = np.linspace(0.0, 1.0, 65)
    uu, vv = np.meshgrid(box[0, 0] + share * np.ptp(box[:, 0]), box[0, 1] + share * np.ptp(box[:, 1]), indexing="ij")
    _, su, sv = surface.evaluate(np.column_stack([uu.ravel(), vv.ravel()]), 1)
    levels, sizes = [], []
    for axis, tangent in ((0, su), (1, sv)):
        speed = np.linalg.norm(tangent, axis=1).reshape(uu.shape).mean(axis=1 - axis)
        walked = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / 64.0
        levels.append(walked)
        sizes.append(float(walked[-1] * np.ptp(box[:, axis])))
    count = _counts(n, spacing, sizes)
    rows = [
        box[0, axis] + np.ptp(box[:, axis]) * np.interp((np.arange(k) + 0.5) / k, walked / walked[-1], share)
        for axis, (k, walked) in enumerate(zip(count, levels, strict=True))
    ]
    points = surface.evaluate(_there_and_back(*rows), 1)[0]
    number = nominal.face_index(face)
    found = snap_each(nominal, points, np.full(len(points), number))
    inside = found.distance <= ON_FACE
    note = f"{int((~inside).sum())} points of the grid lie outside the trim of {face!r}" if not inside.all() else ""
    return _finish(nominal, found.points[inside], found.face[inside], margin, feature, note)


def grid_along(
    nominal: Nominal,
    direction: np.ndarray,
    *,
    faces: str | Iterable[str] | None = None,
    n: tuple[int, int] | None = None,
    spacing: float | None = None,
    rows: np.ndarray | None = None,
    margin: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """A square grid laid on faces along a direction, there and back; for exact faces and facets alike.

    Parameters
    ----------
    nominal : Nominal
    direction : (3,) float
        In which the grid is laid on: into the material.
    faces : str or several, optional
        Only these are seen; default all.
    n : (int, int), optional
        Number along the rows and number of rows.
    spacing : float, optional
        Instead: this far apart seen along the direction [mm].
    rows : (3,) float, optional
        Direction of the rows; by default the axis of the part frame most across `direction`.
    margin : float
        Least distance from the edges of each face [mm].
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table; its notes say how many of the grid met nothing.

    Raises
    ------
    InputError
        For both or none of `n` and `spacing`, numbers that make no sense, a direction without length, or a grid that
        meets nothing.
    """
    down = as_direction(direction)
    first = np.eye(3)[int(np.abs(down).argmin())] if rows is None else as_direction(rows, "the direction of the rows")
    first = first - (first @ down) * down
    first = as_direction(first, "the direction of the rows across the grid's")
    axes = np.array([first, np.cross(down, first)])
    chosen = np.isin(nominal.facet_face, face_numbers(nominal, faces))
    corner = nominal.vertices[nominal.facets[chosen]].reshape(-1, 3)
    flat, depth = corner @ axes.T, corner @ down
    low, size = flat.min(axis=0), np.ptp(flat, axis=0)
    if (size <= 1e-9 * nominal.diagonal).any():
        raise InputError("the direction runs along the face: the grid has no width there", found=str(down.tolist()))
    count = _counts(n, spacing, size.tolist())
    at = [low[k] + size[k] * (np.arange(count[k]) + 0.5) / count[k] for k in (0, 1)]
    origins = _there_and_back(*at) @ axes + (depth.min() - nominal.diagonal) * down
    points, face = first_hits(nominal, origins, down, faces=faces)
    hit = face >= 0
    note = f"{int((~hit).sum())} points of the grid hit no face" if not hit.all() else ""
    return _finish(nominal, points[hit], face[hit], margin, feature, note)


def scan(
    nominal: Nominal,
    direction: np.ndarray,
    *,
    faces: str | Iterable[str] | None = None,
    lines: int | None = None,
    step: float | None = None,
    spacing: float,
    margin: float = 0.0,
    denser: float = 0.0,
    feature: str = "scan",
) -> pd.DataFrame:
    """Targets along parallel sections of faces, there and back.

    Many parameters: lines have a direction and a spacing beside the spacing of their targets, and the margins that
    every way of choosing targets has.

    Parameters
    ----------
    nominal : Nominal
    direction : (3,) float
        From section to section: the normal of their planes.
    faces : str or several, optional
        Default all.
    lines : int, optional
        Number of sections.
    step : float, optional
        Instead: this far apart [mm], as many as find room.
    spacing : float
        Largest distance of neighbours along a section [mm]; a section shorter than that gets one target.
    margin : float
        Least distance from the edges of each face [mm].
    denser : float
        As in `along`.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table, section after section, each from the end that is nearer to where the last one ended.

    Raises
    ------
    InputError
        For both or none of `lines` and `step`, numbers that make no sense, or nothing left.

    Warns
    -----
    ProbekitWarning
        If some of the sections miss the faces.
    """
    up = as_direction(direction)
    chosen = np.isin(nominal.facet_face, face_numbers(nominal, faces))
    height = nominal.vertices[nominal.facets[chosen]].reshape(-1, 3) @ up
    extent = float(np.ptp(height))
    if (lines is None) == (step is None):
        raise InputError("give either `lines` or `step`", found=f"lines={lines}, step={step}")
    for name, value in (("lines", lines), ("step", step), ("spacing", spacing)):
        if value is not None and not (np.isfinite(value) and value > 0):
            raise InputError(f"`{name}` must be positive", found=value)
    count = int(lines) if lines is not None else max(int(extent / step + 1e-9), 1)
    gap = extent / count if lines is not None else step
    middle = 0.5 * (float(height.min()) + float(height.max()))
    tables, last, missed = [], None, 0
    for k in range(count):
        level = middle + (k - 0.5 * (count - 1)) * gap
        try:
            waiting = list(section(nominal, level * up, up, faces=faces, name=feature))
        except InputError:  # the plane lies in a gap between the faces, or just at their end
            missed += 1
            continue
        while waiting:
            if last is not None:
                waiting = [curve.started_near(last) for curve in waiting]
                waiting.sort(key=lambda curve: float(np.linalg.norm(curve.points[0] - last)))
            curve = waiting.pop(0)
            table = _along_section(nominal, curve, spacing, denser)
            tables.append(table)
            last = array(table, TARGET)[-1]
    if not tables:
        raise InputError("no section meets the faces", todo="Choose another direction.")
    if missed:
        warnings.warn(f"{missed} of {count} sections miss the faces", ProbekitWarning, stacklevel=2)
    table = join(*tables)
    face = np.array([nominal.face_index(name) for name in table["face"]])
    return _finish(nominal, array(table, TARGET), face, margin, feature, "")


def _along_section(nominal: Nominal, curve: Curve, spacing: float, denser: float) -> pd.DataFrame:
    if spacing > curve.length:
        return along(nominal, curve, n=1)
    return along(nominal, curve, spacing=spacing, denser=denser)


def _counts(n: tuple[int, int] | None, spacing: float | None, size: list[float]) -> tuple[int, int]:
    """Numbers of rows either way for an extent `size` (2,) [mm]."""
    if (n is None) == (spacing is None):
        raise InputError("give either `n` or `spacing`", found=f"n={n}, spacing={spacing}")
    if n is not None:
        if len(n) != 2 or any(k != k or k < 1 or k != int(k) for k in n):
            raise InputError("a grid needs two whole numbers of at least 1", found=str(n))
        if n[0] * n[1] > _MANY:
            raise InputError("the grid has too many points", found=str(n), expected=f"at most {_MANY}")
        return int(n[0]), int(n[1])
    if not (np.isfinite(spacing) and spacing > 0):
        raise InputError("the spacing must be positive", found=spacing, expected="a distance [mm]")
    if max(size[0] / spacing, 1.0) * max(size[1] / spacing, 1.0) > _MANY:
        raise InputError("the spacing would give too many targets", found=spacing, expected=f"at most {_MANY}")
    return max(round(size[0] / spacing), 1), max(round(size[1] / spacing), 1)


def _there_and_back(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """(len(one) * len(two), 2) grid along `one`, every other row reversed."""
    rows = [np.column_stack([one if k % 2 == 0 else one[::-1], np.full(len(one), t)]) for k, t in enumerate(two)]
    return np.vstack(rows)


def _finish(
    nominal: Nominal, points: np.ndarray, face: np.ndarray, margin: float, feature: str, note: str
) -> pd.DataFrame:
    good, reasons = allowed(nominal, points, face, margin=margin)
    if not good.any():
        raise InputError(
            "no point of the grid lies on the face and clear of its edges", todo="Use more points, or a smaller margin."
        )
    table = place(nominal, points[good], face=face[good], feature=feature, note=note)
    return add_note(table, "; ".join(f"targets left out: {reason}" for reason in reasons))
