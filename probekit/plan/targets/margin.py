"""Where not to touch: a margin along the edges of faces, and regions with a clearance."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ...columns import TARGET, array
from ...errors import InputError
from ...nominal import Nominal
from .borders import edge_distance
from .regions import Region
from .snapping import face_numbers
from .table import add_note

__all__ = ["allowed", "faces_of", "keep_out"]

_NAMED = 4  # faces that a note names


def allowed(
    nominal: Nominal,
    points: np.ndarray,
    face: np.ndarray,
    *,
    margin: float = 0.0,
    regions: Iterable[Region] = (),
    clearance: float = 0.0,
) -> tuple[np.ndarray, list[str]]:
    """Which points on the nominal may be touched.

    Parameters
    ----------
    nominal : Nominal
    points : (n, 3) float [mm]
    face : (n,) int
        Index of the face of each point.
    margin : float
        Least distance from the edges of the point's own face [mm].
    regions : iterable of Region
    clearance : float
        Least distance from the regions [mm].

    Returns
    -------
    allowed : (n,) bool
    reasons : list of str
        One for each rule that forbids some: how many, and why.

    Raises
    ------
    InputError
        If margin or clearance is negative or not finite.
    """
    for name, value in (("margin", margin), ("clearance", clearance)):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(f"the {name} must not be negative", found=value, expected="a distance [mm]")
    good, reasons = np.ones(len(points), dtype=bool), []
    if margin > 0 and len(points):
        near = edge_distance(nominal, points, face) < margin
        good &= ~near
        if near.any():
            where = _counted(nominal, face[near])
            reasons.append(f"{int(near.sum())} nearer than {margin:g} mm to an edge of their face ({where})")
    for region in regions:
        distance = region.distance(points)
        inside = distance < clearance if clearance > 0 else distance <= 0
        if (good & inside).any():
            reasons.append(f"{int((good & inside).sum())} within {clearance:g} mm of {region.name!r}")
        good &= ~inside
    return good, reasons


def keep_out(
    targets: pd.DataFrame,
    nominal: Nominal,
    *,
    ball_radius: float = 0.0,
    margin: float | None = None,
    regions: Iterable[Region] = (),
    clearance: float | None = None,
) -> pd.DataFrame:
    """Without the targets that lie too near to an edge or to a region; a note says how many went, and why.

    Parameters
    ----------
    targets : DataFrame
    nominal : Nominal
    ball_radius : float
        Radius of the stylus ball [mm].
    margin : float, optional
        Least straight distance from every edge or crease of the target's own face [mm], to other faces and to none;
        the radius of the ball by default.
    regions : iterable of Region
        What clamps and fixtures take up.
    clearance : float, optional
        Least distance from the regions [mm]; the radius of the ball by default.

    Returns
    -------
    DataFrame
        The others, with their numbers.

    Raises
    ------
    InputError
        If a number is negative, or a face does not exist.

    Notes
    -----
    In a hollow corner of angle a the ball touches the other face, too, from a distance of r / tan(a / 2) from the edge
    on: r at a right angle, more in a sharper corner. `reach` finds these; give a larger margin to stay clear of them.
    """
    if not (np.isfinite(ball_radius) and ball_radius >= 0):
        raise InputError("the radius of the ball must not be negative", found=ball_radius)
    good, reasons = allowed(
        nominal,
        array(targets, TARGET),
        faces_of(nominal, targets),
        margin=ball_radius if margin is None else margin,
        regions=regions,
        clearance=ball_radius if clearance is None else clearance,
    )
    out = targets[good].reset_index(drop=True)
    out.attrs = dict(targets.attrs)
    return add_note(out, "; ".join(f"targets dropped: {reason}" for reason in reasons))


def _counted(nominal: Nominal, face: np.ndarray) -> str:
    """How many are on which face, those with most first."""
    number, count = np.unique(face, return_counts=True)
    order = np.argsort(-count, kind="stable")
    told = [f"{count[k]} on {nominal.face_names[number[k]]}" for k in order[:_NAMED]]
    return ", ".join(told) + (f" and {len(order) - _NAMED} more faces" if len(order) > _NAMED else "")


def faces_of(nominal: Nominal, targets: pd.DataFrame) -> np.ndarray:
    """(n,) index of the face of each target."""
    number = {name: int(face_numbers(nominal, name)[0]) for name in targets["face"].unique()}
    return targets["face"].map(number).to_numpy(np.int64)
