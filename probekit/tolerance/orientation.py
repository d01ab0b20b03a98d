"""Orientation: parallelism, perpendicularity, angularity of planes and of axes.

The zone has the direction that the datum frame gives it; its location is free. The table must be in the datum frame
(the alignment has been applied). Where the frame leaves a turn, the zone turns with it. From memory of ASME
Y14.5.1-2019, clause 6, and ISO 1101, which agree here; for an axis, Y14.5 takes that of the actual mating envelope, ISO
the extracted median line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.spatial.transform import Rotation

from ..errors import InputError
from ..fit import minimax_motion
from ..fit.elements import element
from .axes import Axis, axis_of, feature_length
from .cover import cover, direction_of, few, positive
from .evaluation import Evaluation
from .profile import zone_evaluation

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ORIENTATIONS", "orientation", "orientation_of_axis"]

ORIENTATIONS = ("parallelism", "perpendicularity", "angularity")


def orientation(
    found: pd.DataFrame,
    width: float,
    *,
    kind: Literal["parallelism", "perpendicularity", "angularity"],
    normal: Iterable[float] | None = None,
    turn: Iterable[float] | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str | None = None,
) -> Evaluation:
    """Evaluate the orientation of a plane: two parallel planes of given direction, wherever they lie.

    Parameters
    ----------
    found : DataFrame
        Deviations table, in the datum frame.
    width : float
        Tolerance [mm].
    kind : {"parallelism", "perpendicularity", "angularity"}
    normal : (3,) float, optional
        Direction square to the zone, in the datum frame; that of the nominal at the touches by default.
    turn : (3,) float, optional
        Direction about which the datum frame leaves the zone free to turn: the normal of the datum plane, when a
        plane is the only datum. None: it holds all turns.
    features, between
        See `probekit.tolerance.profile`.
    name : str, optional

    Returns
    -------
    Evaluation

    Raises
    ------
    InputError
        If the width, the kind or a direction cannot be used.
    """
    name = _checked(kind, name)
    width, covered = positive(width), cover(found, features, between, name=name)
    square = direction_of(covered.outward if normal is None else normal, "square to the zone")
    if square @ covered.outward < 0:
        square = -square
    points = covered.measured
    if turn is None:
        height = points @ square
    else:
        height = _turned(points, square, direction_of(turn, "of the free turn"))
    deviations = height - (height.max() + height.min()) / 2
    return zone_evaluation(
        found,
        covered.rows,
        covered.missed,
        deviations,
        np.tile([-width / 2, width / 2], (len(covered.rows), 1)),
        settled=1e-9 if turn is None else 5e-6,
        name=name,
        features=covered.names,
        width=width,
        free=("tx", "ty", "tz") if turn is None else ("tx", "ty", "tz", "a turn of the datum frame"),
        kind=kind,
        notes=few("plane", len(covered.rows), kind),
        alternatives=partial(_other_planes, points, square, covered.outward),
    )


def orientation_of_axis(
    found: pd.DataFrame,
    width: float,
    *,
    kind: Literal["parallelism", "perpendicularity", "angularity"],
    direction: Iterable[float] | None = None,
    across: Iterable[float] | None = None,
    turn: Iterable[float] | None = None,
    length: tuple[float, float] | None = None,
    method: str | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str | None = None,
) -> Evaluation:
    """Evaluate the orientation of the axis of a cylinder.

    Parameters
    ----------
    found, width, kind, features, between, name
        As for `orientation`; the width is a diameter unless `across` is given.
    direction : (3,) float, optional
        Direction of the zone in the datum frame; that of the nominal by default.
    across : (3,) float, optional
        Direction square to a zone of two parallel planes, in place of a round one.
    turn : (3,) float, optional
        Direction about which the datum frame leaves the zone free to turn.
    length : (float, float), optional
        Heights along the axis between which it is judged [mm], counted from the middle of the touches; those of the
        touches by default.
    method : str, optional
        Element whose axis it is; by default the actual mating envelope: maximum inscribed for a bore, minimum
        circumscribed for a boss.

    Returns
    -------
    Evaluation
        Judged as a whole.

    Raises
    ------
    InputError
        If the touches do not fix a cylinder, or a direction cannot be used.
    """
    name = _checked(kind, name)
    width, covered = positive(width), cover(found, features, between, name=name)
    axis, true = axis_of(covered, method), None
    true = axis_of(covered, nominal=True).direction if direction is None else direction_of(direction, "of the zone")
    span = feature_length(covered, true) if length is None else np.subtract(*length[::-1])

    def value(one: Axis) -> float:
        along = one.direction if one.direction @ true > 0 else -one.direction
        zone = true if turn is None else _nearest(true, along, direction_of(turn, "of the free turn"))
        slant = along / (along @ zone) * span
        if across is None:
            return float(np.linalg.norm(slant - (slant @ zone) * zone))
        return abs(float(slant @ direction_of(across, "square to the zone")))

    actual = value(axis)
    return Evaluation(
        name=name,
        features=covered.names,
        width=width,
        lower=0.0,
        upper=width / 2,
        actual=actual,
        high=actual / 2,
        low=0.0,
        rows=covered.rows,
        deviations=axis.residuals,
        ruling=(),
        missed_rows=covered.missed,
        free=("tx", "ty", "tz"),
        motion=np.eye(4),
        kind=f"{kind} of an axis",
        by_touch=False,
        notes=(f"over a length of {span:.3f} mm", *few("cylinder", len(covered.rows), kind), *axis.notes),
        details={
            "angle [deg]": float(
                np.degrees(np.arctan2(np.linalg.norm(np.cross(axis.direction, true)), abs(axis.direction @ true)))
            )
        },
        alternatives=lambda: {how.replace("_", " "): value(axis_of(covered, how)) for how in _METHODS},
    )


_METHODS = ("least_squares", "maximum_inscribed", "minimum_circumscribed")


def _turned(points: np.ndarray, square: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Heights (n,) over the zone after the turn that makes their range smallest."""
    centre = points.mean(axis=0)
    arm = max(float(np.linalg.norm(points - centre, axis=1).max()), 1e-6)
    basis = np.zeros((6, 2))
    basis[:3, 0], basis[3:, 1] = square, turn / arm

    def measure(moved: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (moved - centre) @ square, np.tile(square, (len(moved), 1))

    return minimax_motion(points, measure, basis, pivot=centre).residuals


def _nearest(true: np.ndarray, along: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """The direction `true` turned about `turn` as near to `along` as it comes."""
    flat = [v - (v @ turn) * turn for v in (true, along)]
    if min(np.linalg.norm(v) for v in flat) < 1e-12:
        return true
    angle = np.arctan2(turn @ np.cross(*flat), flat[0] @ flat[1])
    return Rotation.from_rotvec(angle * turn).apply(true)


def _other_planes(points: np.ndarray, square: np.ndarray, outward: np.ndarray) -> dict[str, float]:
    """Value [mm] of the zone held in direction, and of free ones."""
    values = {"zone held in direction": float(np.ptp(points @ square))}
    for how in ("least_squares", "minimum_zone"):
        fitted = element(points, "plane", method=how, outward=outward)
        values[f"{how.replace('_', ' ')} plane, direction free (flatness)"] = float(np.ptp(fitted.residuals))
    return values


def _checked(kind: str, name: str | None) -> str:
    if kind not in ORIENTATIONS:
        raise InputError("unknown kind of orientation", found=kind, expected=", ".join(ORIENTATIONS))
    return name or kind
