"""Where curves come from: sections, sketches, borders of faces, and offsets of these."""

from __future__ import annotations

import warnings
from collections.abc import Iterable

import numpy as np

from ...errors import InputError, ProbekitWarning
from ...nominal import Nominal
from .borders import border_foot, border_loops
from .curves import Curve
from .picks import first_hits
from .polylines import chain, curve_of, dense_line, pieces, step_of
from .snapping import as_direction, as_points, face_numbers, snap, snap_each

__all__ = ["boundary", "offset", "project", "section"]

_STEPS = 8  # of Newton's method


def section(
    nominal: Nominal, point: np.ndarray, normal: np.ndarray, *, faces: str | Iterable[str] | None = None, name: str = ""
) -> tuple[Curve, ...]:
    """The section of the model with a plane.

    Parameters
    ----------
    nominal : Nominal
    point : (3,) float
        On the plane [mm].
    normal : (3,) float
        Of the plane; seen from its tip, the curves run with the material to their left.
    faces : str or several, optional
        Only on these faces; default all.
    name : str
        Of the curves; "section" by default.

    Returns
    -------
    tuple of Curve
        Longest first. On exact faces the points are brought onto surface and plane by stepping within the tangent
        plane.

    Raises
    ------
    InputError
        If the plane misses the faces.
    """
    at, up = as_points(point, "the point of the plane")[0], as_direction(normal, "the normal of the plane")
    chosen = np.flatnonzero(np.isin(nominal.facet_face, face_numbers(nominal, faces)))
    facets = nominal.facets[chosen].astype(np.int64)
    height = (nominal.vertices - at) @ up
    above = height[facets] >= 0  # a vertex on the plane counts as above, so that each facet cut has one segment
    cut = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    if not len(cut):
        low, high = (float(h) for h in (height[facets].min(), height[facets].max()))
        raise InputError(
            "the plane misses the faces", found=f"they lie {low:.4g} to {high:.4g} mm from it", todo="Move the plane."
        )
    facets, above, owner = facets[cut], above[cut], nominal.facet_face[chosen[cut]]
    # of the three sides one goes down and one goes up through the plane
    down = (above & ~np.roll(above, -1, axis=1)).argmax(axis=1)
    rise = (~above & np.roll(above, -1, axis=1)).argmax(axis=1)
    rows, count = np.arange(len(facets)), len(nominal.vertices)

    def crossing(side: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        a, b = facets[rows, side], facets[rows, (side + 1) % 3]
        part = (height[a] / (height[a] - height[b]))[:, None]
        low, high = np.minimum(a, b), np.maximum(a, b)
        return low * count + high, nominal.vertices[a] + part * (nominal.vertices[b] - nominal.vertices[a])

    (start, start_at), (end, end_at) = crossing(down), crossing(rise)
    curves = []
    for path, closed in chain(start, end):
        line = start_at[path] if closed else np.vstack([start_at[path], end_at[path[-1:]]])
        dense = dense_line(line, closed, owner[path], step_of(nominal, line))
        if dense is not None:
            points = _onto_plane(nominal, *dense, closed, at, up)
            curves.append(curve_of(nominal, points, dense[1], closed, name or "section"))
    return tuple(sorted((c for c in curves if c is not None), key=lambda c: -c.length))


def project(
    nominal: Nominal,
    polyline: np.ndarray,
    *,
    direction: np.ndarray | None = None,
    closed: bool = False,
    faces: str | Iterable[str] | None = None,
    step: float | None = None,
    name: str = "",
) -> tuple[Curve, ...]:
    """A sketched polyline laid on the model.

    Parameters
    ----------
    nominal : Nominal
    polyline : (n, 3) float
        Its corners [mm].
    direction : (3,) float, optional
        Lay it on along this direction, from outside the model; default: each point goes to the nearest point of the
        model, along the normal there.
    closed : bool
        Whether the last corner is joined to the first.
    faces : str or several, optional
        Only on these faces; default all.
    step : float, optional
        Distance of the points of the result before they are laid on [mm].
    name : str
        Of the curves; "sketch" by default.

    Returns
    -------
    tuple of Curve
        In the order of the sketch; several where it leaves the model or jumps from one side of it to another.

    Raises
    ------
    InputError
        For a sketch of fewer than two points or without length, or one that misses the model.

    Warns
    -----
    ProbekitWarning
        If part of the sketch does not meet the model.
    """
    corners = as_points(polyline, "the sketch")
    if step is not None and not step > 0:
        raise InputError("the step must be positive", found=step)
    segments = len(corners) - (0 if closed else 1)
    dense = None
    if len(corners) > 1:
        step = step_of(nominal, corners) if step is None else step
        dense = dense_line(corners, closed, np.zeros(segments, dtype=np.int64), step)
    if dense is None:
        raise InputError("a sketch needs at least two different points", found=f"{len(corners)} points")
    if direction is None:
        found = snap(nominal, dense[0], faces)
        points, face = found.points, found.face
    else:
        along = as_direction(direction)
        back = dense[0] @ along - (nominal.bounds @ along).min() + nominal.diagonal
        points, face = first_hits(nominal, dense[0] - back[:, None] * along, along, faces=faces)
    lost = face < 0
    if lost.all():
        raise InputError("the sketch does not meet the model", todo="Change the direction, or move the sketch.")
    if lost.any():
        warnings.warn(
            f"{lost.mean():.0%} of the sketch does not meet the model and was left out", ProbekitWarning, stacklevel=2
        )
    jump = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    joined = ~lost & ~np.roll(lost, -1) & (jump <= 10.0 * step)
    if not closed:
        joined[-1] = False
    return pieces(nominal, points, face, joined, name or "sketch")


def boundary(nominal: Nominal, face: str, *, beside: str | None = None, name: str = "") -> tuple[Curve, ...]:
    """The border of a face.

    Parameters
    ----------
    nominal : Nominal
    face : str
    beside : str, optional
        Only where it borders on this face; "" where it borders on nothing.
    name : str
        Of the curves; "border of ..." by default.

    Returns
    -------
    tuple of Curve
        Longest first, the face to the left seen from outside. On exact faces the points lie on the exact edges.

    Raises
    ------
    InputError
        If a face does not exist, if it has no border, or none beside that face.
    """
    number = nominal.face_index(face)
    wanted = None if beside is None else nominal.face_index(beside) if beside else -1
    foot = border_foot(nominal, number)
    curves: list[Curve] = []
    for vertices, closed, neighbour in border_loops(nominal, number):
        line = nominal.vertices[vertices]
        dense = dense_line(line, closed, neighbour, step_of(nominal, line))
        if dense is None:
            continue
        points, beyond = foot(dense[0])[0], dense[1]
        kept = np.ones(len(beyond), dtype=bool) if wanted is None else beyond == wanted
        joined = kept if closed else np.append(kept, False)
        curves += pieces(nominal, points, np.full(len(points), number), joined, name or f"border of {face}")
    if not curves:
        what = "has no border" if beside is None else f"does not border on {beside or 'nothing'!r}"
        raise InputError(f"face {face!r} {what}")
    return tuple(sorted(curves, key=lambda curve: -curve.length))


def offset(
    nominal: Nominal, face: str, margin: float, *, beside: str | None = None, name: str = ""
) -> tuple[Curve, ...]:
    """Curves on a face at a distance from its border.

    Parameters
    ----------
    nominal : Nominal
    face : str
    margin : float
        Straight distance from the border [mm].
    beside : str, optional
        Only along the border with this face.
    name : str
        Of the curves; "... mm inside ..." by default.

    Returns
    -------
    tuple of Curve
        Longest first. No point of them is nearer to any edge of the face than `margin`; where another edge is nearer,
        they are cut short or go round.

    Raises
    ------
    InputError
        If the margin is not positive, or the face too narrow for it.
    """
    if not (np.isfinite(margin) and margin > 0):
        raise InputError("the margin must be positive", found=margin, expected="a distance [mm]")
    number = nominal.face_index(face)
    foot = border_foot(nominal, number)
    curves: list[Curve] = []
    for edge in boundary(nominal, face, beside=beside):
        line = edge.points
        ahead = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
        if not edge.closed:
            ahead[0], ahead[-1] = line[1] - line[0], line[-1] - line[-2]
        own = np.full(len(line), number)
        inward = np.cross(snap_each(nominal, line, own).normals, ahead)
        inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-300)
        points = line + margin * inward
        for _ in range(_STEPS):
            points = snap_each(nominal, points, own).points
            nearest, distance = foot(points)
            away = (points - nearest) / np.maximum(distance, 1e-12)[:, None]
            # only points that are still about their own edge are steered; the others are dropped below
            steer = np.abs(distance - margin) < 0.25 * margin
            points = points + np.where(steer, margin - distance, 0.0)[:, None] * away
        points = snap_each(nominal, points, own).points
        clear = np.abs(foot(points)[1] - margin) <= 1e-6 * max(margin, 1.0)
        index = np.flatnonzero(clear)
        if not len(index):
            continue
        points = points[index]
        gap = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
        skipped = np.roll(index, -1) - index != 1
        skipped[-1] = not (edge.closed and clear[0] and clear[-1])
        joined = ~skipped | (gap <= margin)
        if not edge.closed:
            joined[-1] = False
        curves += pieces(nominal, points, own[index], joined, name or f"{margin:g} mm inside {face}")
    if not curves:
        raise InputError(f"face {face!r} is too narrow for a margin of {margin:g} mm", todo="Give a smaller margin.")
    return tuple(sorted(curves, key=lambda curve: -curve.length))


def _onto_plane(
    nominal: Nominal, points: np.ndarray, owner: np.ndarray, closed: bool, at: np.ndarray, up: np.ndarray
) -> np.ndarray:
    """Points of a section brought onto the exact faces and the plane."""
    if not nominal.exact:
        return points
    face = owner if closed else np.append(owner, owner[-1])
    for _ in range(_STEPS):
        found = snap_each(nominal, points, face)
        height = (found.points - at) @ up
        if np.abs(height).max() < 1e-12 * nominal.diagonal:
            break
        within = up - (found.normals @ up)[:, None] * found.normals
        points = found.points - (height / np.maximum(within @ up, 1e-3))[:, None] * within
    return snap_each(nominal, points, face).points
