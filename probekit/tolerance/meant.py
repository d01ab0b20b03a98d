"""Basic dimensions that a tolerance states, against those that its features have in the nominal.

symbol   meaning
o_i      stated less nominal place of feature i, or of its direction, within the zone [mm]
N        motions (shift, turn) that the datums leave: those that move no foot of theirs along its normal

What the datums leave to a whole pattern is no contradiction: o is taken less the best of N, by least squares.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..errors import InputError, ProbekitError
from ..fit.motion import FREEDOMS, free_basis, jacobian, typical_arm
from ..fit.select import select
from ..fit.undetermined import undetermined_motions
from ..geometry import cross_matrix
from ..show import shown
from .cover import Covered, direction_of
from .derived import SHAPES, true_position
from .nominal_shape import require
from .orientation import Orientation
from .position import Position
from .runout import Runout
from .spec import Tolerance

if TYPE_CHECKING:
    import pandas as pd

    from ..fit import Datum

__all__ = ["Contradiction", "contradictions"]

_LEAST = 0.01  # mm: basic dimensions are rounded, and models too; common practice, no source
_SHARE = 0.1  # of the width, which twice the offset is compared with; common practice, no source
_TURN = 0.1  # deg; common practice, no source
_HELD = 1e-3  # change of the deviations with a motion below which the touches do not hold it


@shown
@dataclass(frozen=True)
class Contradiction:
    """A basic dimension that the nominal contradicts.

    Attributes
    ----------
    name, feature : str
        Of the tolerance; of its feature.
    key : {"at", "direction", "axis", "angle"}
        What states it.
    stated, nominal : tuple of float
        As stated, and as the nominal has it [mm], or [deg] for an angle.
    off : float
        By how much they differ [mm] for a place, else [deg].
    """

    name: str
    feature: str
    key: str
    stated: tuple[float, ...]
    nominal: tuple[float, ...]
    off: float

    @property
    def sentence(self) -> str:
        """By how much, in words."""
        return f"{self.off:.3f} {'mm' if self.key == 'at' else 'deg'} off"


def contradictions(
    one: Tolerance, deviations: pd.DataFrame, datums: Sequence[Datum] = (), chords: Mapping[str, float] | None = None
) -> list[Contradiction]:
    """Places, directions and basic angles of a tolerance that its features plainly do not have in the nominal.

    Parameters
    ----------
    one : Tolerance
        Any but a position, an orientation or a runout of a cylinder states none.
    deviations : DataFrame
        Deviations table.
    datums : sequence of Datum
        What the letters of the tolerance stand for, as far as anybody says.
    chords : mapping, optional
        Face -> its chord error, by which the nominal that was projected on may be off [mm].

    Returns
    -------
    list of Contradiction
        Empty, too, where the touches do not tell what is beneath them: the evaluation says so.
    """
    try:
        known = {datum.letter: datum for datum in datums}
        named = [known[letter.partition("(")[0]] for letter in one.datums if letter.partition("(")[0] in known]
        if isinstance(one, Position) and (one.at is not None or one.direction is not None):
            return _of_position(one, deviations, _left_free(deviations, named, one.free), chords or {})
        if isinstance(one, Orientation):
            return _of_orientation(one, deviations, named)
        if isinstance(one, Runout) and one.reading == "radial":
            return _of_runout(one, deviations, chords or {})
    except ProbekitError:
        pass
    return []


def _of_position(
    one: Position, deviations: pd.DataFrame, motions: np.ndarray, chords: Mapping[str, float]
) -> list[Contradiction]:
    group = one.group(deviations)
    off, slopes, places, limits, found = [], [], [], [], []
    for label, part, at in zip(one.features or ("",), group.parts.values(), group.at, strict=False):
        point, axis = _beneath(part, one.of)
        if one.direction is not None and one.of != "centre":
            found += _turned(one.name, label, np.asarray(one.direction), axis, motions)
        if at is None:
            continue
        along = np.outer(axis, axis)
        within = {"axis": np.eye(3) - along, "centre": np.eye(3), "middle plane": along}[one.of]
        if one.across is not None:
            square = direction_of(one.across, "square to the zone")
            within = np.outer(square, square) @ within
        stated = np.asarray(at, dtype=float)
        limits.append(_allowed(one, part, chords))
        off.append(within @ (stated - point))
        slopes.append(within @ np.hstack([np.eye(3), -cross_matrix(stated)]) @ motions)
        places.append((label, stated, stated - within @ (stated - point)))
    if not places:
        return found
    left = _less(np.concatenate(off), np.vstack(slopes)).reshape(-1, 3)
    found += [
        Contradiction(one.name, label, "at", tuple(stated), tuple((meant + 0.0).round(4)), float(np.linalg.norm(o)))
        for (label, stated, meant), o, limit in zip(places, left, limits, strict=True)
        if np.linalg.norm(o) > limit
    ]
    return found


def _of_orientation(one: Orientation, deviations: pd.DataFrame, datums: Sequence[Datum]) -> list[Contradiction]:
    if one.direction is None and one.angle is None:
        return []
    covered, label = one.covered(deviations), ", ".join(one.features)
    near = _facing(covered) if one.feature == "plane" else _beneath(covered, "axis")[1]
    if one.direction is not None:
        motions = _left_free(deviations, datums, ())
        if one.turn is not None:
            motions = np.column_stack([motions, np.r_[0, 0, 0, direction_of(one.turn, "of the free turn")]])
        return _turned(one.name, label, np.asarray(one.direction), near, motions)
    found = []
    angles = np.atleast_1d(np.asarray(one.angle, dtype=float))
    for angle, (to, kind) in zip(angles, _datum_directions(one, deviations, datums), strict=False):
        stands = float(np.degrees(np.arccos(min(abs(float(near @ to)), 1.0))))
        stands = stands if kind == one.feature else 90.0 - stands
        off = abs(stands - min(angle, 180.0 - angle))
        if off > _TURN:
            meant = round(stands if angle <= 90 else 180.0 - stands, 4)
            found.append(Contradiction(one.name, label, "angle", (float(angle),), (meant,), off))
    return found


def _of_runout(one: Runout, deviations: pd.DataFrame, chords: Mapping[str, float]) -> list[Contradiction]:
    covered, label = one.covered(deviations), ", ".join(one.features)
    point, axis = _beneath(covered, "axis")
    found = _turned(one.name, label, np.asarray(one.axis), axis, np.zeros((6, 0)), key="axis")
    stated = np.asarray(one.at, dtype=float)
    off = (stated - point) - ((stated - point) @ axis) * axis
    if np.linalg.norm(off) > _allowed(one, covered, chords):
        meant = tuple((stated - off + 0.0).round(4))
        found.append(Contradiction(one.name, label, "at", tuple(stated), meant, float(np.linalg.norm(off))))
    return found


def _datum_directions(
    one: Orientation, deviations: pd.DataFrame, datums: Sequence[Datum]
) -> list[tuple[np.ndarray, str]]:
    """Direction of the datum of each basic angle in the nominal, and "plane" or "axis"."""
    if np.size(one.to):
        directions = np.atleast_2d(np.asarray(one.to, dtype=float))
        kinds = (one.to_kind,) * len(directions) if isinstance(one.to_kind, str) else one.to_kind
        return [
            (direction_of(to, "of a datum"), kind or "plane")
            for to, kind in zip(directions, kinds or ("",) * len(directions), strict=False)
        ]
    found = []
    for datum in datums:
        if datum.kind not in (("plane",), ("cylinder",)) or not datum.features:
            break
        own = Tolerance(name=one.name, features=datum.features).covered(deviations)
        plane = datum.kind == ("plane",)
        found.append((_facing(own) if plane else _beneath(own, "axis")[1], "plane" if plane else "axis"))
    return found


def _allowed(one: Tolerance, covered: Covered, chords: Mapping[str, float]) -> float:
    """How far a place may be off that is no contradiction [mm]."""
    return max(_LEAST, _SHARE * (one.width or 0.0)) + max(
        (chords.get(face, 0.0) for face in covered.faces), default=0.0
    )


def _facing(covered: Covered) -> np.ndarray:
    return direction_of(covered.outward, "of the nominal")


def _beneath(covered: Covered, of: str) -> tuple[np.ndarray, np.ndarray]:
    """Point and direction of the axis, centre or middle plane of the nominal under some touches.

    The normals tell the direction where the feet, in one ring or one row, do not.
    """
    require(covered, SHAPES[of])
    point = true_position(covered, of)[0]
    turned = np.linalg.svd(covered.normal, full_matrices=True)[2]
    return point, turned[0 if of == "middle plane" else 2]


def _turned(
    name: str, label: str, given: np.ndarray, near: np.ndarray, motions: np.ndarray, key: str = "direction"
) -> list[Contradiction]:
    stated = direction_of(given, "of the true position")
    near = near if near @ stated >= 0 else -near
    left = _less(stated - near, -cross_matrix(near) @ motions[3:])
    off = float(np.degrees(2 * np.arcsin(min(np.linalg.norm(left) / 2, 1.0))))
    if off <= _TURN:
        return []
    return [Contradiction(name, label, key, tuple(stated), tuple((near + 0.0).round(5)), off)]


def _left_free(deviations: pd.DataFrame, datums: Sequence[Datum], free: Iterable[str]) -> np.ndarray:
    """(6, k) motions about the origin that the datums leave, beside the freedoms that are named."""
    named = np.eye(6)[[FREEDOMS.index(one) for one in free if one in FREEDOMS]].T.reshape(6, -1)
    if not datums or any(not datum.features for datum in datums):
        return named
    on = select(deviations, [name for datum in datums for name in datum.features])
    foot, normal = array(deviations, FOOT)[on], array(deviations, FOOT_NORMAL)[on]
    seen = np.isfinite(foot).all(axis=1) & np.isfinite(normal).all(axis=1)
    foot, normal = foot[seen], normal[seen]
    if not len(foot):
        raise InputError("a datum has no touches")
    centre = foot.mean(axis=0)
    arm = typical_arm(foot, centre)
    basis = free_basis(np.ones(6, dtype=bool), arm)
    left = basis @ undetermined_motions(jacobian(np.zeros(6), foot, normal, centre) @ basis, below=_HELD)[0]
    return np.hstack([named, np.vstack([left[:3] - np.cross(left[3:].T, centre).T, left[3:]])])


def _less(values: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Values less what the columns explain of them."""
    return values - columns @ np.linalg.lstsq(columns, values, rcond=1e-9)[0] if columns.size else values
