"""The usual patterns: rings in bores and on bosses, grids on planes, opposite pairs in slots and on webs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import pandas as pd

from ...columns import NORMAL, TARGET, array
from ...errors import InputError
from ...geometry import across
from ...nominal import Nominal
from ...nominal.exact.surfaces import Elementary
from .parameters import ON_FACE, exact_surface
from .picks import first_hits
from .rows import grid_along
from .snapping import as_direction, as_points, snap_each
from .table import add_note, place

__all__ = ["Axis", "axis_of", "pairs", "plane", "rings"]

_NEAR = 0.02  # a point this part of the radius off facets, or off a face with its axis as given, is not on the face


class Axis(NamedTuple):
    """A cylinder: a point of its axis (3,) [mm], unit direction (3,), radius [mm]."""

    point: np.ndarray
    direction: np.ndarray
    radius: float


def axis_of(nominal: Nominal, face: str) -> Axis:
    """The axis of an exact cylindrical face, pointing upwards: its first part in z, y, x that is not zero is positive.

    Parameters
    ----------
    nominal : Nominal
    face : str

    Raises
    ------
    InputError
        On a model of facets, and for a face that is not a cylinder.
    """
    if nominal.brep is None:
        nominal.face_index(face)
        raise InputError(
            f"face {face!r} has no axis: the model is made of facets",
            todo="Give axis=Axis(point, direction, radius), or load the STEP file.",
        )
    surface, _ = exact_surface(nominal, face)
    if not isinstance(surface, Elementary) or surface.kind != "cylinder":
        raise InputError(f"face {face!r} is not a cylinder", found=surface.kind, expected="a cylinder")
    direction = surface.axes[2]
    part = next(p for p in direction[::-1] if abs(p) > 1e-9)
    return Axis(surface.origin, direction * np.sign(part), surface.radius)


def rings(
    nominal: Nominal,
    face: str,
    *,
    depths: int | Iterable[float] = 2,
    n: int = 5,
    inset: float = 1.0,
    stagger: bool = True,
    start_angle: float = 0.0,
    axis: Axis | None = None,
    feature: str | None = None,
) -> pd.DataFrame:
    """Rings of targets in a bore or on a boss.

    Many parameters: rings are described by their depths, number, inset, stagger and first angle, and each has a default
    that suits a bore.

    Parameters
    ----------
    nominal : Nominal
    face : str
        The cylindrical face.
    depths : int or iterable of float
        Number of rings, shared out over the length of the face; or the depth of each below the upper end of the
        face, against the direction of the axis [mm].
    n : int
        Targets on each ring. An odd number by default: of an even one two opposed touches rule a mating bore, which may
        then slide between the others. Local sizes (two-point) need opposed touches, so an even number.
    inset : float
        Length kept free at both ends of the face if a number of rings is given [mm].
    stagger : bool
        Turn every other ring by half a step.
    start_angle : float
        Of the first target, about the axis from the axis of the part frame most across it [degree].
    axis : Axis, optional
        That of an exact face by default; needed on a model of facets. Targets are on the face, whatever its digits.
    feature : str, optional
        For the column of that name; the name of the face by default.

    Returns
    -------
    DataFrame
        The targets table, ring after ring downwards; its notes say how many fell outside the trim, and whether the
        rings are the corners of a prism, which lie on several cylinders.

    Raises
    ------
    InputError
        For a face that is not a cylinder, a model of facets without `axis`, numbers that make no sense, or no target on
        the face.
    """
    number = nominal.face_index(face)
    near = ON_FACE if axis is None else _NEAR * axis.radius  # an axis that somebody wrote has so many digits
    axis = axis_of(nominal, face) if axis is None else axis
    centre, up = as_points(axis.point, "the point of the axis")[0], as_direction(axis.direction, "the axis")
    if not (np.isfinite(axis.radius) and axis.radius > 0):
        raise InputError("the radius must be positive", found=axis.radius, expected="a length [mm]")
    if n != n or n < 1 or n != int(n):
        raise InputError("the number of targets on a ring must be a whole number of at least 1", found=n)
    if not np.isfinite(start_angle):
        raise InputError("the start angle must be finite", found=start_angle, expected="degrees")
    height = (nominal.vertices[nominal.facets[nominal.facet_face == number]].reshape(-1, 3) - centre) @ up
    levels = _levels(float(height.min()), float(height.max()), depths, inset)
    angle = np.radians(start_angle) + 2.0 * np.pi * np.arange(int(n)) / int(n)
    points = np.vstack(
        [
            centre + level * up + axis.radius * np.column_stack([-np.sin(a), np.cos(a)]) @ across(up)
            for k, level in enumerate(levels)
            for a in [angle + (np.pi / n if stagger and k % 2 else 0.0)]
        ]
    )
    distance = snap_each(nominal, points, np.full(len(points), number)).distance
    on_face = distance <= near
    if not on_face.any():
        raise InputError(f"no target of the rings lies on face {face!r}", todo="Check axis, radius and depths.")
    off = int((~on_face).sum())
    note = f"{off} targets of the rings lie outside the trim of {face!r}" if off else ""
    if len(levels) == 2 and (n == 3 or (n == 4 and not stagger)):
        note += ("; " if note else "") + (
            f"the rings on {face!r} sit at the corners of a prism, which fit more than one cylinder: with so few "
            "the axis "
            "is only as sure as the nominal; take 5 on a ring, or stagger 4"
        )
    name = face if feature is None else feature
    return place(nominal, points[on_face], face=np.full(int(on_face.sum()), number), feature=name, note=note)


def plane(
    nominal: Nominal,
    face: str,
    *,
    n: tuple[int, int] | None = None,
    spacing: float | None = None,
    margin: float = 0.0,
    rows: np.ndarray | None = None,
    feature: str | None = None,
) -> pd.DataFrame:
    """A square grid on a plane, or nearly plane, face, laid on along its mean normal.

    Parameters
    ----------
    nominal : Nominal
    face : str
    n : (int, int), optional
        Number along the rows and number of rows.
    spacing : float, optional
        Instead: this far apart [mm].
    margin : float
        Least distance from the edges of the face [mm].
    rows : (3,) float, optional
        Direction of the rows.
    feature : str, optional
        For the column of that name; the name of the face by default.

    Returns
    -------
    DataFrame
        The targets table.

    Raises
    ------
    InputError
        As `grid_along`; and for a face that is closed, so that it has no mean normal.
    """
    name = face if feature is None else feature
    down = -_mean_normal(nominal, face)
    return grid_along(nominal, down, faces=face, n=n, spacing=spacing, margin=margin, rows=rows, feature=name)


def pairs(
    nominal: Nominal,
    one: str,
    other: str,
    *,
    n: tuple[int, int] = (3, 1),
    margin: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """Opposite pairs of targets: in a slot, whose faces look at each other, or on a web, whose faces look away.

    Parameters
    ----------
    nominal : Nominal
    one, other : str
        The two faces.
    n : (int, int)
        Grid on face `one`, as in `plane`.
    margin : float
        Least distance from the edges of face `one` [mm].
    feature : str
        For the column of that name; "one / other" by default.

    Returns
    -------
    DataFrame
        The targets table with a column `pair`; the targets of a pair follow each other.

    Raises
    ------
    InputError
        As `plane`; and if no point of one face has the other opposite.
    """
    first = plane(nominal, one, n=n, margin=margin)
    number = nominal.face_index(other)
    points, normals = array(first, TARGET), array(first, NORMAL)
    # in a slot the line along the normal enters the other face ahead of the point, on a web behind it
    hits, face = first_hits(nominal, points - 2.0 * nominal.diagonal * normals, normals, faces=other)
    met = face >= 0
    if not met.any():
        raise InputError(f"no point of face {one!r} has face {other!r} opposite")
    both = np.stack([points[met], hits[met]], axis=1).reshape(-1, 3)
    faces = np.tile([nominal.face_index(one), number], int(met.sum()))
    table = place(nominal, both, face=faces, feature=feature or f"{one} / {other}", note=first.attrs["notes"])
    table["pair"] = np.repeat(np.arange(1, int(met.sum()) + 1), 2)
    lost = int((~met).sum())
    return add_note(table, f"{lost} points of face {one!r} have no point of {other!r} opposite" if lost else "")


def _levels(low: float, high: float, depths: int | Iterable[float], inset: float) -> np.ndarray:
    """Heights of the rings along the axis, highest first [mm]."""
    if isinstance(depths, (int, np.integer)):
        if depths < 1:
            raise InputError("the number of rings must be at least 1", found=depths)
        if not (np.isfinite(inset) and inset >= 0):
            raise InputError("`inset` must not be negative", found=inset)
        if 2.0 * inset >= high - low:
            raise InputError("the insets leave nothing of the cylinder", found=f"{high - low:.4g} mm long")
        return np.linspace(high - inset, low + inset, depths) if depths > 1 else np.array([0.5 * (low + high)])
    levels = np.asarray(list(depths), dtype=np.float64)
    if not len(levels) or not np.isfinite(levels).all():
        raise InputError("depths of rings must be finite numbers", found=levels.tolist(), expected="at least one [mm]")
    if (levels < 0).any() or (levels > high - low).any():
        raise InputError("a ring lies beyond the face", found=levels.tolist(), expected=f"0 to {high - low:.4g} mm")
    return high - levels


def _mean_normal(nominal: Nominal, face: str) -> np.ndarray:
    """(3,) unit vector: mean of the outward normals of a face by area."""
    corner = nominal.vertices[nominal.facets[nominal.facet_face == nominal.face_index(face)]]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    total = cross.sum(axis=0)
    if np.linalg.norm(total) < 1e-6 * np.linalg.norm(cross, axis=1).sum():
        raise InputError(f"face {face!r} closes on itself: it has no mean normal", todo="Use rings or a spread.")
    return as_direction(total)
