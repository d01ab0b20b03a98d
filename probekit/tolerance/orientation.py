"""Orientation: parallelism, perpendicularity, angularity of planes and of axes.

The zone has the direction that the datum frame gives it; its location is free. The table must be in the datum frame
(the alignment has been applied). Where the frame leaves a turn, or the play of a datum at MMB allows one, the zone
turns with it. The direction of a zone is that of the nominal, or given, or set by basic angles to datums: one angle
leaves a cone of directions about the datum, two angles to two datums leave one. From memory of ASME Y14.5.1-2019,
clause 6, and ISO 1101, which agree here; for an axis, Y14.5 takes that of the actual mating envelope, ISO the extracted
median line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from scipy.spatial.transform import Rotation

from ..errors import InputError, TouchesError
from ..fit.datums.freedom import Freedom
from ..fit.elements import Element, element
from ..fit.minimax import minimax_motion
from ..fit.motion import typical_arm
from ..show import shown
from .axes import Axis, axis_of, feature_length
from .basic_angle import direction_at, require_meant, require_near
from .blocks import of_motions
from .cover import Covered, direction_of, positive
from .enough import few, require_enough
from .evaluation import Evaluation, Shifts
from .length import judged_length
from .nominal_shape import require
from .placement import Free
from .places import of_lean
from .spec import Direction, Tolerance, Vector, only, stated
from .tangent import edge_of, pairs_of, tangent_plane

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums import DatumFrame
    from ..nominal import Nominal

__all__ = ["Orientation", "orientation", "orientation_of_axis"]

_SAID = {"plane": "square to the zone", "axis": "of the zone"}
_METHODS = ("least_squares", "maximum_inscribed", "minimum_circumscribed")
_KINDS = ("parallelism", "perpendicularity", "angularity")


@shown
@dataclass(frozen=True, kw_only=True)
class Orientation(Tolerance):
    """Orientation of a plane (a zone of two parallel planes) or of the axis of a cylinder, in the datum frame.

    Attributes
    ----------
    of : str
        "parallelism", "perpendicularity" or "angularity".
    feature : str
        "plane" or "axis". An axis is judged as a whole; the width is then a diameter unless `across` is given, and the
        shift of datums at MMB is not used, which is on the safe side; a note says so.
    direction : (3,) float, optional
        Direction of the zone of an axis, or direction square to that of a plane, in the datum frame; that of the
        nominal at the touches by default.
    across : (3,) float, optional
        Of an axis: direction square to a zone of two parallel planes, in place of a round one.
    angle : float or two floats, optional
        Basic angle to the datum, or to two datums [deg], as on the drawing, in place of `direction`. One angle alone
        leaves the turn about the datum's direction free, unless the datum frame says what is.
    to : (3,) float, or two of them
        Direction of the datum of each angle, in the datum frame: normal of a plane, direction of an axis. In a study
        that of the first `datums` by default.
    to_kind : str, or two of them
        What that datum is, "plane" or "axis": the angle of a plane to an axis is that to its normal, less a right
        angle. Planes by default.
    turn : (3,) float, optional
        Direction about which the datum frame leaves the zone free to turn: the normal of the datum plane, when a
        plane is the only datum. None: it holds all turns. In its place, `evaluate` takes the datum frame that the table
        is in, with the turns that it leaves, and the play of its datums at MMB.
    tangent : bool
        Of a plane: the tangent plane is judged, (T), over the whole face where a nominal is given, not the surface.
    length : (float, float), optional
        Of an axis: heights along it between which it is judged [mm], counted from the middle of the touches. By
        default those of the feature in the nominal, or of the touches where no nominal is given.
    method : str, optional
        Element whose axis it is; by default the actual mating envelope: maximum inscribed for a bore, minimum
        circumscribed for a boss.
    """

    of: Literal["parallelism", "perpendicularity", "angularity"]
    feature: Literal["plane", "axis"] = "plane"
    direction: Direction | None = None
    across: Direction | None = field(default=None, metadata=only(feature=("axis",)))
    turn: Direction | None = None
    angle: float | tuple[float, ...] | None = None
    to: Vector | tuple[Vector, ...] = ()
    to_kind: str | tuple[str, ...] = ()
    length: tuple[float, float] | None = field(default=None, metadata=only(feature=("axis",)))
    method: str | None = field(default=None, metadata=only(feature=("axis",)))
    tangent: bool = field(default=False, metadata=only(feature=("plane",)) | stated(tangent_plane=True))

    kinds: ClassVar = {kind: {"of": kind} for kind in _KINDS}

    @property
    def characteristic(self) -> str:  # noqa: D102
        return self.of

    def require_meant(self, deviations: pd.DataFrame, frame: DatumFrame) -> None:
        """Raise InputError if the nominal plainly stands otherwise to the first datum than the tolerance means."""
        covered = self.covered(deviations)
        given = self.direction
        if given is not None:
            near = direction_of(given, _SAID[self.feature])
        else:
            near = covered.outward if self.feature == "plane" else axis_of(covered, nominal=True).direction
        require_meant(self.name, self.of, direction_of(near, "of the nominal"), self.feature, frame)

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, free: Freedom) -> Evaluation:
        if self.tangent:
            return self._of_tangent_plane(deviations, self.covered(deviations), nominal, free)
        if self.feature == "plane":
            return self._of_plane(deviations, self.covered(deviations), free)
        return self._of_axis(deviations, self.covered(deviations), nominal, free)

    def _of_plane(self, deviations: pd.DataFrame, covered: Covered, free: Freedom) -> Evaluation:
        require(covered, "plane")
        require_enough("plane", covered.contact, self.of, self.name)
        width, points = positive(self.needed_width()), covered.measured
        square, turn = self._zone(covered.outward, free)
        if square @ covered.outward < 0:
            square = -square
        freedom = _turns(turn, free, points.mean(axis=0))
        turns, height = bool(freedom.turns.shape[1]), points @ square
        if turns:
            height = _turned(points, square, freedom)
        values = height - (height.max() + height.min()) / 2
        return Evaluation.by_touch(
            deviations,
            covered.rows,
            values,
            width,
            name=self.name,
            kind=self.of,
            settled=5e-6 if turns else 1e-9,
            features=covered.names,
            missed_rows=covered.missed,
            free=("tx", "ty", "tz", *(("a turn of the datum frame",) if turns else ())),
            freedom=freedom.with_shifts(),
            blocks=of_motions(covered.contact, np.tile(square, (len(points), 1)), freedom.with_shifts()),
            notes=(*_said(self.angle, square), *few("plane", len(covered.rows), self.of)),
            alternatives=partial(_other_planes, points, square, covered.outward),
        )

    def _of_tangent_plane(
        self, deviations: pd.DataFrame, covered: Covered, nominal: Nominal | None, free: Freedom
    ) -> Evaluation:
        """How far the tangent plane leans against the zone, over the whole feature."""
        require(covered, "plane")
        require_enough("plane", covered.contact, self.of, self.name)
        width, plane, edge = positive(self.needed_width()), tangent_plane(covered), edge_of(covered, nominal)
        square, turn = self._zone(covered.outward, free)
        square = square if square @ covered.outward > 0 else -square
        points, freedom = plane.under(edge), _turns(turn, free, covered.contact.mean(axis=0))
        turns = bool(freedom.turns.shape[1])
        height = _turned(points, square, freedom) if turns else points @ square
        places, worst = pairs_of(plane, edge, height, square, freedom.with_shifts())
        gradient, slope = places.along(worst)
        surface = covered.measured @ square

        def value(fitted: Element) -> float:
            normal = np.asarray(fitted.parameters["direction"])
            return float(np.ptp((edge - (edge @ normal / (square @ normal))[:, None] * square) @ square))

        return Evaluation.as_whole(
            deviations,
            covered.rows,
            float(np.ptp(height)),
            width,
            name=self.name,
            kind=f"{self.of} of a tangent plane",
            features=covered.names,
            ruling=tuple(covered.ids[list(plane.active)].tolist()),
            missed_rows=covered.missed,
            free=("tx", "ty", "tz", *(("a turn of the datum frame",) if turns else ())),
            notes=(*_said(self.angle, square), *plane.notes, *few("plane", len(covered.rows), self.of)),
            alternatives=lambda: {
                "the surface itself, zone held in direction": float(np.ptp(surface)),
                "least squares plane": value(
                    element(covered.measured, "plane", method="least_squares", outward=covered.outward)
                ),
            },
            gradient=gradient,
            slope=slope,
            places=places,
        )

    def _of_axis(
        self, deviations: pd.DataFrame, covered: Covered, nominal: Nominal | None, free: Freedom
    ) -> Evaluation:
        width = positive(self.needed_width())
        axis, near = axis_of(covered, self.method), axis_of(covered, nominal=True).direction
        if axis.held:
            raise TouchesError(
                f"tolerance '{self.name}': the touches lie too close together along the axis to determine its "
                "direction",
                found=f"{feature_length(covered, near):.3f} mm",
                todo="Touch the feature at two depths or more, well apart.",
            )
        require_enough("cylinder", covered.contact, self.of, self.name)
        true, turn = self._zone(near, free)
        freedom = _turns(turn, free, np.zeros(3))
        turns = freedom.without_play().turns
        if self.length is None:
            ends, over = judged_length(covered, nominal, covered.contact.mean(axis=0), true)
        else:
            ends, over = self.length, (f"over a length of {np.subtract(*self.length[::-1]):.3f} mm",)
        span = float(ends[1] - ends[0])

        square = None if self.across is None else direction_of(self.across, "square to the zone")

        def lean(one: Axis) -> tuple[np.ndarray, np.ndarray]:
            """How far the axis leans over the length (3,), and the direction of the zone (3,)."""
            along = one.direction if one.direction @ true > 0 else -one.direction
            zone = true if not turns.shape[1] else _nearest(true, along, turns[:, 0])
            slant = along / (along @ zone) * span
            return (slant - (slant @ zone) * zone if square is None else (slant @ square) * square), zone

        def value(one: Axis) -> float:
            return float(np.linalg.norm(lean(one)[0]))

        actual, (slant, zone) = value(axis), lean(axis)
        zones = np.linalg.svd(zone[None])[2][1:] if square is None else square[None]
        places = of_lean(axis, slant, zones, span, turns, covered)
        if axis.active:  # scatter lets an envelope on few touches lean towards square to their rings, and not the mean
            plain = axis_of(covered, "least_squares")
            places = places.beside(of_lean(plain, lean(plain)[0], zones, span, turns, covered))
        gradient, slope = places.along(0)
        return Evaluation.as_whole(
            deviations,
            covered.rows,
            actual,
            width,
            name=self.name,
            kind=f"{self.of} of an axis",
            features=covered.names,
            deviations=axis.residuals,
            ruling=tuple(covered.ids[list(axis.active)].tolist()),
            missed_rows=covered.missed,
            free=("tx", "ty", "tz", *(("a turn of the datum frame",) if turns.shape[1] else ())),
            notes=(
                *_said(self.angle, true),
                *over,
                *(("the shift of datums at MMB is not used, which is on the safe side",) if freedom.limited else ()),
                *few("cylinder", len(covered.rows), self.of),
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
                    zones,
                    width,
                ),
            ),
            alternatives=lambda: {how.replace("_", " "): value(axis_of(covered, how)) for how in _METHODS},
            envelopes=axis.envelopes,
            gradient=gradient,
            slope=slope,
            places=places,
        )

    def _zone(self, near: np.ndarray, free: Freedom) -> tuple[np.ndarray, np.ndarray | None]:
        """Direction (3,) of the zone, and the direction it may turn about if it is not the datum frame that says so."""
        turn = None if self.turn is None else direction_of(self.turn, "of the free turn")
        given, said = self.direction, _SAID[self.feature]
        near = direction_of(near, "of the nominal") if given is None else direction_of(given, said)
        if self.angle is None:
            return near, turn
        if given is not None:
            raise InputError("a zone has a direction or a basic angle, not both")
        direction, about = direction_at(near, self.angle, self.to, self.to_kind, self.feature, self.name)
        require_near(self.name, self.angle, near, direction)
        return direction, about if turn is None and not free else turn

    def _words(self) -> Iterator[str]:
        yield f"of the {'tangent ' * self.tangent}{self.feature}"
        if self.angle is not None:
            angles = (self.angle,) if isinstance(self.angle, int | float) else self.angle
            yield "basic angle " + " and ".join(f"{one:g}\N{DEGREE SIGN}" for one in angles)

    def _cells(self) -> list[list[str]]:
        round_zone = self.feature == "axis" and self.across is None
        text = ("dia " if round_zone else "") + f"{self.needed_width():g}" + "(T)" * self.tangent
        return [[text, *self.datums]]


def orientation(
    deviations: pd.DataFrame, width: float, *, kind: str, normal: Vector | None = None, free: Free = (), **options: Any
) -> Evaluation:
    """Evaluate the orientation [mm] of a plane, of the table `deviations` in the datum frame.

    `width`, `kind` (its `of`), `normal` (its `direction`) and `options` are attributes of `Orientation`; `free` is the
    datum frame, in place of `turn`.
    """
    return Orientation(of=kind, width=width, direction=normal, **options).evaluate(deviations, free=free)


def orientation_of_axis(
    deviations: pd.DataFrame, width: float, *, kind: str, free: Free = (), **options: Any
) -> Evaluation:
    """Evaluate the orientation [mm] of the axis of a cylinder, of the table `deviations` in the datum frame.

    `width`, `kind` (its `of`) and `options` are attributes of `Orientation`; `free` is the datum frame, in place of
    `turn`.
    """
    return Orientation(of=kind, width=width, feature="axis", **options).evaluate(deviations, free=free)


def _turns(turn: np.ndarray | None, freedom: Freedom, centre: np.ndarray) -> Freedom:
    """What a zone of orientation may do besides shifting."""
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
    return ("basic angle {} deg: zone along ({:z.4f}, {:z.4f}, {:z.4f}) in the datum frame".format(angles, *direction),)


def _turned(points: np.ndarray, square: np.ndarray, freedom: Freedom) -> np.ndarray:
    """Heights (n,) over the zone after the turn that makes their range smallest; the zone itself shifts freely."""
    centre = points.mean(axis=0)
    freedom = freedom.turning_little().scaled(typical_arm(points, freedom.pivot))

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
