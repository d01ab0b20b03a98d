"""Directions that basic angles to datums leave to a zone.

The angle on a drawing is that between the feature and the datum: between two planes as between their normals, between
two axes as between their directions, between a plane and an axis the complement of that. No sign goes with it, so of
the directions that have the angles the one nearest to the nominal is taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from .cover import direction_of

if TYPE_CHECKING:
    from ..fit.datums import DatumFrame

__all__ = ["contradiction", "direction_at", "require_meant", "require_near", "to_datums"]

_KINDS = {"plane": "plane", "width": "plane", "cylinder": "axis", "cone": "axis"}  # of simulators, and of datums
_MEANT = {"parallelism": 0.0, "perpendicularity": 90.0}
_OFF = 1.0  # a nominal further than this from the angle that a tolerance means was not meant by it [deg]


def direction_at(
    near: np.ndarray,
    angle: float | Sequence[float],
    to: Sequence[Iterable[float]] | Iterable[float],
    to_kind: str | Sequence[str],
    kind: str,
    name: str = "",
) -> tuple[np.ndarray, np.ndarray | None]:
    """Direction at basic angles to one or two datums.

    Parameters
    ----------
    near : (3,) float
        Unit direction of the nominal: normal of a plane, direction of an axis.
    angle : float or two floats
        Basic angles [deg].
    to : (3,) float, or one or two of them
        Directions of the datums.
    to_kind : str, or one or two
        "plane" or "axis", for each.
    kind : {"plane", "axis"}
        What the feature is.
    name : str
        Of the tolerance, for the error.

    Returns
    -------
    direction : (3,) float
    about : (3,) float or None
        With one angle: the direction about which the zone may turn.

    Raises
    ------
    InputError
        If an angle is not between 0 and 180, has no datum, or no direction has both.
    """
    angles = np.atleast_1d(np.asarray(angle, dtype=float))
    directions = np.atleast_2d(np.asarray(to, dtype=float)) if np.size(to) else np.zeros((0, 3))
    kinds = [to_kind] * len(angles) if isinstance(to_kind, str) else list(to_kind) or ["plane"] * len(angles)
    if not 1 <= len(angles) <= 2 or not ((angles >= 0) & (angles <= 180)).all():
        raise InputError("one or two basic angles between 0 and 180 degrees are needed", found=angle)
    if directions.shape != (len(angles), 3) or len(kinds) != len(angles):
        where = f"tolerance '{name}': " if name else ""
        what = f"{where}each basic angle needs the direction of its datum"
        raise InputError(what, found=to, expected="to=(x, y, z), or two; or datums that are planes or axes, in order")
    if set(kinds) - {"plane", "axis"}:
        raise InputError("a basic angle is to a plane or an axis", found=", ".join(kinds))
    datums = np.array([direction_of(one, "of a datum") for one in directions])
    cosines = np.array(
        [np.cos(np.radians(a)) if own == kind else np.sin(np.radians(a)) for a, own in zip(angles, kinds, strict=True)]
    )
    found = []
    for signs in product((1.0, -1.0), repeat=len(cosines)):
        found += _with_cosines(near, datums, cosines * signs)
    if not found:
        raise InputError("no direction has both basic angles", found=" and ".join(f"{a:g}" for a in angles) + " deg")
    best = max(found, key=lambda one: abs(float(one @ near)))
    return (best if best @ near >= 0 else -best), datums[0] if len(datums) == 1 else None


def to_datums(frame: DatumFrame, many: int) -> tuple[tuple[tuple[float, ...], ...], tuple[str, ...]] | None:
    """Directions, in a datum frame, of its first datums, and what each is; None if one has no direction, or several."""
    found, kinds = [], []
    for own in range(many):
        if own >= len(frame.table) or len(frame.simulators) != len(frame.table):
            return None
        simulator = frame.simulators[own]
        kind = _KINDS.get(getattr(simulator, "kind", ""))
        if kind is None:
            return None
        direction = frame.motion[:3, :3] @ np.asarray(simulator.parameters["direction"])  # type: ignore[attr-defined]
        found.append(tuple((direction + 0.0).tolist()))
        kinds.append(kind)
    return tuple(found), tuple(kinds)


def contradiction(of: str, near: np.ndarray, kind: str, datum: np.ndarray, datum_kind: str) -> float | None:
    """Angle [deg] at which a feature stands to a datum, where "parallelism" or "perpendicularity" means another.

    Parameters
    ----------
    of : str
        What is toleranced.
    near, datum : (3,) float
        Unit normal of a plane, or direction of an axis, in the nominal.
    kind, datum_kind : str
        "plane" or "axis" of the feature; of the datum these or its kind, "width", "cylinder", "cone".

    Returns
    -------
    float or None
        None where it is within a degree of what is meant, or nothing is known.
    """
    datum_kind = _KINDS.get(datum_kind, datum_kind)
    if of not in _MEANT or {kind, datum_kind} - {"plane", "axis"}:
        return None
    stands = float(np.degrees(np.arccos(min(abs(float(near @ datum)), 1.0))))
    stands = stands if kind == datum_kind else 90.0 - stands
    return stands if abs(stands - _MEANT[of]) > _OFF else None


def require_near(name: str, angle: float | Sequence[float], near: np.ndarray, found: np.ndarray) -> None:
    """Raise if the direction found at basic angles is plainly not that of the nominal.

    Raises
    ------
    InputError
    """
    off = float(np.degrees(np.arccos(min(abs(float(near @ found)), 1.0))))
    if off > _OFF:
        raise InputError(
            f"tolerance '{name}': the nominal stands at another angle to its datums than the basic angle",
            found=f"{off:.1f} degrees off",
            expected=" and ".join(f"{a:g}" for a in np.atleast_1d(angle)) + " degrees",
            todo="Check its features, its datums in their order, and the angle.",
        )


def require_meant(name: str, of: str, near: np.ndarray, kind: str, frame: DatumFrame) -> None:
    """Raise if the nominal plainly stands at another angle to the first datum of a frame than a tolerance means.

    Raises
    ------
    InputError
    """
    first = to_datums(frame, 1)
    stands = None if first is None else contradiction(of, near, kind, np.array(first[0][0]), first[1][0])
    if stands is not None:
        raise InputError(
            f"tolerance '{name}': {of} to datum {frame.table['datum'].iloc[0]} cannot be meant where the nominal "
            "stands otherwise",
            found=f"it stands at {stands:.1f} degrees to that datum",
            expected=f"{_MEANT[of]:g} degrees",
            todo='Check its kind, its features and its datums in their order; any other angle is kind = "angularity".',
        )


def _with_cosines(near: np.ndarray, datums: np.ndarray, cosines: np.ndarray) -> list[np.ndarray]:
    """Unit vectors that make angles of these cosines with unit vectors (m, 3); of a cone the one nearest to `near`."""
    if len(datums) == 1:
        across = near - (near @ datums[0]) * datums[0]
        size = float(np.linalg.norm(across))
        if size < 1e-9:  # the nominal lies along the datum: any direction on the cone is as near
            across, size = np.linalg.svd(datums)[2][1], 1.0
        return [cosines[0] * datums[0] + np.sqrt(max(1.0 - cosines[0] ** 2, 0.0)) * across / size]
    normal = np.cross(*datums)
    if np.linalg.norm(normal) < 1e-9:
        raise InputError("two basic angles need datums of different directions")
    within = np.linalg.lstsq(datums, cosines, rcond=None)[0]
    rest = 1.0 - float(within @ within)
    if rest < -1e-12:
        return []
    rise = np.sqrt(max(rest, 0.0)) * normal / np.linalg.norm(normal)
    return [within + rise, within - rise]
