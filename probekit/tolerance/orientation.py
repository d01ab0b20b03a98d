"""Orientation: parallelism, perpendicularity, angularity of planes and of axes.

The zone has the direction that the datum frame gives it; its location is free. The table must be in the datum frame
(the alignment has been applied). Where the frame leaves a turn, or the play of a datum at MMB allows one, the zone
turns with it. The direction of a zone is that of the nominal, or given, or set by basic angles to datums: one angle
leaves a cone of directions about the datum, two angles to two datums leave one. From memory of ASME Y14.5.1-2019,
clause 6, and ISO 1101, which agree here; for an axis, Y14.5 takes that of the actual mating envelope, ISO the extracted
median line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.spatial.transform import Rotation

from ..errors import InputError
from ..fit.datums.freedom import Freedom
from ..fit.elements import element
from ..fit.minimax import minimax_motion
from ..fit.motion import typical_arm
from .axes import Axis, axis_of, feature_length
from .basic_angle import direction_at
from .cover import cover, direction_of, few, positive
from .evaluation import Evaluation, Shifts
from .nominal_shape import require
from .placement import Free, freedom_of
from .propagation import lean_sensitivity

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
    angle: float | Sequence[float] | None = None,
    to: Sequence[Iterable[float]] | Iterable[float] = (),
    to_kind: str | Sequence[str] = "plane",
    turn: Iterable[float] | None = None,
    free: Free = (),
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
    angle : float or two floats, optional
        Basic angle of the plane to the datum, or to two datums [deg], as on the drawing, in place of `normal`. One
        angle alone leaves the turn about the datum's direction free, unless `free` says what is.
    to : (3,) float, or two of them
        Direction of the datum of each angle, in the datum frame: normal of a plane, direction of an axis.
    to_kind : {"plane", "axis"}, or two of them
        What that datum is: the angle of a plane to an axis is that to its normal, less a right angle.
    turn : (3,) float, optional
        Direction about which the datum frame leaves the zone free to turn: the normal of the datum plane, when a
        plane is the only datum. None: it holds all turns.
    free : DatumFrame, optional
        The datum frame that the table is in, in place of `turn`: the turns that it leaves, and the play of its datums
        at MMB.
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
    require(covered, "plane")
    square, turn = _zone(normal, covered.outward, angle, to, to_kind, turn, free, "plane")
    if square @ covered.outward < 0:
        square = -square
    points = covered.measured
    freedom = _turns(turn, free, points.mean(axis=0))
    turns, height = bool(freedom.turns.shape[1]), points @ square
    if turns:
        height = _turned(points, square, freedom)
    deviations = height - (height.max() + height.min()) / 2
    return Evaluation.by_touch(
        found,
        covered.rows,
        deviations,
        width,
        name=name,
        kind=kind,
        settled=5e-6 if turns else 1e-9,
        features=covered.names,
        missed_rows=covered.missed,
        free=("tx", "ty", "tz", *(("a turn of the datum frame",) if turns else ())),
        freedom=freedom.with_shifts(),
        notes=(*_said(angle, square), *few("plane", len(covered.rows), kind)),
        alternatives=partial(_other_planes, points, square, covered.outward),
    )


def orientation_of_axis(
    found: pd.DataFrame,
    width: float,
    *,
    kind: Literal["parallelism", "perpendicularity", "angularity"],
    direction: Iterable[float] | None = None,
    across: Iterable[float] | None = None,
    angle: float | Sequence[float] | None = None,
    to: Sequence[Iterable[float]] | Iterable[float] = (),
    to_kind: str | Sequence[str] = "plane",
    turn: Iterable[float] | None = None,
    free: Free = (),
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
    angle, to, to_kind, turn, free
        As for `orientation`. Play of datums at MMB is not used here, which is on the safe side; a note says so.
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
    axis, near = axis_of(covered, method), axis_of(covered, nominal=True).direction
    if axis.held:
        raise InputError(
            f"tolerance '{name}': the touches lie too close together along the axis to determine its direction",
            found=f"{feature_length(covered, near):.3f} mm",
            todo="Touch the feature at two depths or more, well apart.",
        )
    true, turn = _zone(direction, near, angle, to, to_kind, turn, free, "axis")
    freedom = _turns(turn, free, np.zeros(3))
    turns = freedom.without_play().turns
    span = feature_length(covered, true) if length is None else np.subtract(*length[::-1])

    square = None if across is None else direction_of(across, "square to the zone")

    def lean(one: Axis) -> tuple[np.ndarray, np.ndarray]:
        """How far the axis leans over the length (3,), and the direction of the zone (3,)."""
        along = one.direction if one.direction @ true > 0 else -one.direction
        zone = true if not turns.shape[1] else _nearest(true, along, turns[:, 0])
        slant = along / (along @ zone) * span
        return (slant - (slant @ zone) * zone if square is None else (slant @ square) * square), zone

    def value(one: Axis) -> float:
        return float(np.linalg.norm(lean(one)[0]))

    actual, (slant, zone) = value(axis), lean(axis)
    gradient, slope = lean_sensitivity(axis, slant, span, turns, covered)
    return Evaluation.as_whole(
        found,
        covered.rows,
        actual,
        width,
        name=name,
        kind=f"{kind} of an axis",
        features=covered.names,
        deviations=axis.residuals,
        ruling=tuple(covered.ids[list(axis.active)].tolist()),
        missed_rows=covered.missed,
        free=("tx", "ty", "tz", *(("a turn of the datum frame",) if turns.shape[1] else ())),
        notes=(
            *_said(angle, true),
            f"over a length of {span:.3f} mm",
            *(("the shift of datums at MMB is not used, which is on the safe side",) if freedom.limited else ()),
            *few("cylinder", len(covered.rows), kind),
            *axis.notes,
        ),
        details={
            "angle [deg]": float(
                np.degrees(np.arctan2(np.linalg.norm(np.cross(axis.direction, true)), abs(axis.direction @ true)))
            )
        },
        shifts=(
            Shifts(
                "",
                np.array([-0.5, 0.5])[:, None] * slant,
                zone,
                np.linalg.svd(zone[None])[2][1:] if square is None else square[None],
                width,
            ),
        ),
        alternatives=lambda: {how.replace("_", " "): value(axis_of(covered, how)) for how in _METHODS},
        gradient=gradient,
        slope=slope,
    )


_SAID = {"plane": "square to the zone", "axis": "of the zone"}
_METHODS = ("least_squares", "maximum_inscribed", "minimum_circumscribed")


def _zone(
    given: Iterable[float] | None,
    near: np.ndarray,
    angle: float | Sequence[float] | None,
    to: Sequence[Iterable[float]] | Iterable[float],
    to_kind: str | Sequence[str],
    turn: Iterable[float] | None,
    free: Free,
    kind: str,
) -> tuple[np.ndarray, np.ndarray | None]:
    """Direction (3,) of a zone, and the direction it may turn about if it is not the datum frame that says so."""
    turn = None if turn is None else direction_of(turn, "of the free turn")
    near = direction_of(near, "of the nominal") if given is None else direction_of(given, _SAID[kind])
    if angle is None:
        return near, turn
    if given is not None:
        raise InputError("a zone has a direction or a basic angle, not both")
    direction, about = direction_at(near, angle, to, to_kind, kind)
    return direction, about if turn is None and not freedom_of(free) else turn


def _turns(turn: np.ndarray | None, free: Free, centre: np.ndarray) -> Freedom:
    """What a zone of orientation may do besides shifting."""
    freedom = freedom_of(free)
    if turn is not None:
        if freedom:
            raise InputError("the datum frame says what may turn", todo="Omit turn= or free=.")
        return Freedom(("a turn",), np.concatenate([np.zeros(3), turn])[:, None], centre)
    if freedom.without_play().turns.shape[1] > 1:
        raise InputError("the datum frame holds too few turns to orient anything", found=", ".join(freedom.names))
    return freedom


def _said(angle: float | Sequence[float] | None, direction: np.ndarray) -> tuple[str, ...]:
    """A note on the direction that basic angles set."""
    if angle is None:
        return ()
    angles = " and ".join(f"{one:g}" for one in np.atleast_1d(angle))
    return ("basic angle {} deg: zone along ({:.4f}, {:.4f}, {:.4f}) in the datum frame".format(angles, *direction),)


def _turned(points: np.ndarray, square: np.ndarray, freedom: Freedom) -> np.ndarray:
    """Heights (n,) over the zone after the turn that makes their range smallest; the zone itself shifts freely."""
    centre = points.mean(axis=0)
    freedom = freedom.scaled(typical_arm(points, freedom.pivot))

    def measure(moved: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (moved - centre) @ square, np.tile(square, (len(moved), 1))

    within = (freedom.rows, freedom.limits)
    return minimax_motion(points, measure, freedom.motions, pivot=freedom.pivot, offset=True, within=within).residuals


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
