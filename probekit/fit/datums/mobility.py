"""Play of a datum at its material boundary: the part may shift and turn until the feature meets the boundary.

Touches alone would leave too much: each is one half plane, so that four make a square about the round play and three a
triangle, and what lies between them is not seen. The mating envelope, which the touches hold, lies in the feature
wherever it was not touched, too; so its axis may leave that of the boundary by the clearance between both, all round
and at either end of the touched length. Where a feature is not round, that is less than its own form would allow.

At LMB the boundary lies in the material, and the same holds the other way round: no touch may come to lie within the
material side of it, and the minimum material envelope stays within its clearance. A pattern of features that is one
datum has a boundary about each true position: the envelope of each, wherever it lies, must clear its own, all at one
motion of the part. From memory of ASME Y14.5-2018, 7.11 and 7.16 (material boundaries, datum feature shift, a pattern
as a datum feature).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ...errors import FitError
from ...geometry import across, apply_motion, invert_motion
from ...show import shown
from ..motion import FREEDOMS
from .counterparts import Counterpart
from .simulators import settle
from .twists import slides_and_turns, velocity_rows

if TYPE_CHECKING:
    import pandas as pd

    from .features import Touched

__all__ = ["Mobility", "mobility_of"]

_SEEN = 2e-3  # a motion that moves the touches by less than this part of itself is not seen by them
_TANGENTS, _TANGENTS_OF_SPHERE = 64, 200
_GAP = 46.0  # touches further apart round the axis than eight evenly spaced ones are few [deg]; common practice


@shown
@dataclass(frozen=True, eq=False)
class Mobility:
    """Small motions q, among those the datum took, that keep it inside its boundary: matrix q <= limits.

    Attributes
    ----------
    datum : str
        Its letter.
    boundary, size : float
        Diameter or width of the boundary, and of the feature's own envelope [mm]; of a pattern those of the feature
        that is nearest to its boundary.
    clearance : float
        How far the envelope stands clear of the boundary, all round [mm]; negative: it does not pass.
    basis : (6, k) float
        Motions it took, as columns: shift of `pivot` [mm] and turn [rad].
    pivot : (3,) float
        A point in the middle of the feature, in nominal coordinates [mm].
    rows : (n, 6) float, limits : (n,) float
        One row per touch, then those of the envelope: rows @ (shift of `pivot`, turn) <= limits.
    note : str
        What a reader should know of it; empty if nothing.
    at : str
        "MMB" or "LMB".
    features : int
        How many features make the datum.
    used : (m,) int
        Positions of its touches in the table; the first m rows are theirs.
    """

    datum: str
    boundary: float
    size: float
    clearance: float
    basis: np.ndarray
    pivot: np.ndarray
    rows: np.ndarray
    limits: np.ndarray
    note: str = ""
    at: str = "MMB"
    features: int = 1
    used: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))

    @property
    def matrix(self) -> np.ndarray:
        """(n, k) the rows over the motions in `basis`."""
        return self.rows @ self.basis

    def rows_about(self, point: np.ndarray) -> np.ndarray:
        """(n, 6) the rows over shifts of another point (3,), and turns."""
        rows = self.rows.copy()
        rows[:, 3:] += np.cross(self.pivot - point, rows[:, :3])
        return rows

    @cached_property
    def bounds(self) -> pd.DataFrame:
        """Columns `freedom, low, high` [mm or deg]: how far each may go, the others helping as they can.

        Empty if the feature does not pass its boundary. Exact for small motions; each by a linear program.
        """
        import pandas as pd
        from scipy.optimize import linprog

        rows = []
        if self.clearance < 0:
            return pd.DataFrame(columns=["freedom", "low", "high"])
        for k, name in enumerate(FREEDOMS):
            if np.abs(self.basis[k]).max() < 1e-9:
                continue
            ends = []
            for sign in (1.0, -1.0):
                solved = linprog(sign * self.basis[k], A_ub=self.matrix, b_ub=self.limits, bounds=(None, None))
                if solved.status not in (0, 3):
                    raise FitError(f"the datum shift of {self.datum} along {name} was not found: {solved.message}")
                ends.append(sign * solved.fun if solved.status == 0 else -sign * np.inf)
            unit = 1.0 if k < 3 else 180.0 / np.pi
            rows.append({"freedom": name, "low": unit * ends[0], "high": unit * ends[1]})
        return pd.DataFrame(rows)

    def allows(self, shift: np.ndarray, turn_deg: np.ndarray) -> bool:
        """Whether a small motion stays inside.

        Parameters
        ----------
        shift : (3,) float
            Of the pivot [mm].
        turn_deg : (3,) float
            Rotation vector [deg].
        """
        wanted = np.concatenate([np.asarray(shift, dtype=float), np.radians(np.asarray(turn_deg, dtype=float))])
        q, *_ = np.linalg.lstsq(self.basis, wanted, rcond=None)
        along = bool(np.abs(self.basis @ q - wanted).max() < 1e-9)
        return along and bool((self.matrix @ q <= self.limits + 1e-9).all())

    @property
    def sentence(self) -> str:
        """The play in one line."""
        of = f", a pattern of {self.features} features," if self.features > 1 else ""
        said = f"datum {self.datum}{of} at {self.at} {self.boundary:g} mm: envelope {self.size:.4f} mm, "
        if self.clearance < 0:
            return said + f"does not pass its boundary by {-self.clearance:.4f} mm"
        ends = [
            f"{row.freedom} {row.low:+z.4f} to {row.high:+z.4f} {'mm' if row.freedom[0] == 't' else 'deg'}"
            for row in self.bounds.itertuples()
        ]
        return said + f"clearance {self.clearance:.4f} mm all round; datum shift, each by itself: " + ", ".join(ends)


def mobility_of(
    part: Touched, resting: np.ndarray, open_: np.ndarray, left: np.ndarray, centre: np.ndarray, arm: float
) -> Mobility:
    """Play of a settled datum.

    Parameters
    ----------
    part : Touched
        The datum, of features of size.
    resting : (n, 3) float
        Its touches in the frame [mm].
    open_, left : (6, k) float
        Twists that it found open, and left.
    centre, arm
        How these are written.
    """
    side, pattern = part.datum.material_side, len(part.counterparts) > 1
    deviation, gradient = part.measure(resting)
    clear = side * (part.reach[part.part] - deviation)  # of each touch
    clearance, nearest = float(clear.min()), int(part.part[clear.argmin()])
    pivot = np.mean([one.point for one in part.counterparts], axis=0)
    rows, limits = [side * velocity_rows(resting, gradient, pivot, 1.0)], [clear]
    for k, one in enumerate(part.counterparts):
        own = part.part == k
        tangents = _tangents(one, resting[own])
        motion, left_clear = (
            _by_itself(one, resting[own], part.reach[k], side) if pattern else (np.eye(4), float(clear[own].min()))
        )
        off = apply_motion(invert_motion(motion), tangents.at) - tangents.at
        rows.append(velocity_rows(tangents.at, tangents.along, pivot, 1.0))
        limit = left_clear - np.einsum("ij,ij->i", tangents.along, off)
        limits.append(np.maximum(limit, 0.0) if pattern and clearance >= 0.0 else limit)
    one, extreme = part.counterparts[nearest], float((side * deviation[part.part == nearest]).max()) * side
    few = (
        _few_around(part.datum.letter, part.datum.boundary[0], c, resting[part.part == k])
        for k, c in enumerate(part.counterparts)
    )
    return Mobility(
        datum=part.datum.letter,
        boundary=float(part.datum.boundary_sizes[nearest]),
        size=2.0 * (one.radius + one.outward * extreme),
        clearance=clearance,
        basis=_play(open_, left, pivot, centre, arm),
        pivot=pivot,
        rows=np.vstack(rows),
        limits=np.concatenate(limits),
        note="; ".join(dict.fromkeys(filter(None, few))),
        at=str(part.datum.boundary[0]),
        features=len(part.counterparts),
        used=part.rows,
    )


def _by_itself(one: Counterpart, resting: np.ndarray, reach: float, side: int) -> tuple[np.ndarray, float]:
    """Motion (4, 4) that would bring the envelope of a feature of a pattern to its true position, and its clearance.

    Turns that the touches do not fix are left alone: touches in one depth say nothing of a tilt.
    """
    arm = max(float(np.linalg.norm(np.ptp(resting, axis=0))), 1e-3)
    grip = np.linalg.qr(one.grip(one.point, arm).T)[0]
    seen = velocity_rows(resting, one.measure(resting)[1], one.point, arm) @ grip
    _, weight, way = np.linalg.svd(seen, full_matrices=False)
    moves = grip @ way[weight > _SEEN * np.sqrt(len(seen))].T
    member, by = np.ones((len(resting), 1)), "mating" if side > 0 else "least_material"
    try:
        found = settle(resting, one.measure, moves, member, np.ones(len(resting)), by, centre=one.point, arm=arm)
    except FitError:  # the touches do not hold it: it is taken about the true position
        return np.eye(4), float((side * (reach - one.measure(resting)[0])).min())
    return found.motion, float(side * (reach - found.sizes[0]))


class _Tangents(NamedTuple):
    """Places (m, 3) of an envelope's axis [mm], and directions (m, 3) across the boundary there."""

    at: np.ndarray
    along: np.ndarray


def _tangents(one: Counterpart, resting: np.ndarray) -> _Tangents:
    """Where the envelope may meet its boundary: all round, at both ends of the touched length of a cylinder.

    Tangents of a circle (sphere): the corners between them are 0.1 % (2 %) further out. Two planes have none.
    """
    if one.kind == "width":
        return _Tangents(np.zeros((0, 3)), np.zeros((0, 3)))
    if one.kind == "sphere":
        up = 1.0 - 2.0 * (np.arange(_TANGENTS_OF_SPHERE) + 0.5) / _TANGENTS_OF_SPHERE
        turn = np.arange(_TANGENTS_OF_SPHERE) * np.pi * (3.0 - np.sqrt(5.0))
        out = np.sqrt(1.0 - up**2)
        directions = np.column_stack([out * np.cos(turn), out * np.sin(turn), up])
        return _Tangents(np.tile(one.point, (len(directions), 1)), directions)
    turn = np.arange(_TANGENTS) * 2 * np.pi / _TANGENTS
    directions = np.column_stack([np.cos(turn), np.sin(turn)]) @ across(one.direction)
    height = (resting - one.point) @ one.direction
    ends = np.array([height.min(), height.max()])
    at = np.repeat(one.point + ends[:, None] * one.direction, _TANGENTS, axis=0)
    return _Tangents(at, np.tile(directions, (2, 1)))


def _few_around(letter: str, at: str, one: Counterpart, resting: np.ndarray) -> str:
    """A note where the touches round an axis leave gaps in which the feature may be smaller than its envelope."""
    if one.kind != "cylinder":
        return ""
    sideways = (resting - one.point) @ across(one.direction).T
    angle = np.sort(np.arctan2(sideways[:, 1], sideways[:, 0]))
    gap = float(np.degrees(np.diff(np.append(angle, angle[0] + 2 * np.pi)).max()))
    if gap <= _GAP:
        return ""
    return (
        f"datum {letter} at {at}: its touches leave gaps of up to {gap:.0f} deg round the axis; the shift is that of "
        "the envelope they hold, which what lies in a gap may lessen"
    )


def _play(open_: np.ndarray, left: np.ndarray, point: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(6, k) motions the datum took: slides, and turns about its own point as nearly as what is open allows."""
    (slides, turns), (slides_left, turns_left) = slides_and_turns(open_), slides_and_turns(left)
    motions = [np.concatenate([v, np.zeros(3)]) for v in _without(slides, slides_left).T]
    shift = open_[:3] + np.cross(open_[3:].T / arm, point - centre).T  # of the point
    turn = open_[3:] / arm
    still = np.linalg.svd(turn, full_matrices=True)[2][turns.shape[1] :].T  # combinations that do not turn
    for axis in _without(turns, turns_left).T:
        c = np.linalg.pinv(turn, rcond=1e-6) @ axis
        if still.shape[1]:
            c = c - still @ (np.linalg.pinv(shift @ still, rcond=1e-6) @ (shift @ c))
        motions.append(np.concatenate([shift @ c, turn @ c]))
    return np.column_stack(motions)


def _without(directions: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Directions (3, a) less those of (3, b)."""
    amount, vectors = np.linalg.eigh(directions @ directions.T - others @ others.T)
    return vectors[:, amount > 0.5]
