"""One try is a target touched in one pose with one tip: where the ball goes, and what it meets on the way."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from ..probe import PARTS, Probe, Segment
from .clearance import Obstacles, drawn_out, swept

__all__ = ["FAULTS", "STEM_BACK_OFFS", "Move", "Setting", "Tries", "touch_points"]

#: Why a try is no good; 0 is none.
FAULTS = ("", "angle", "travel", "fit", "touch", "overtravel", "withdraw", "stem")

#: How far a side tip may back off along its stem on the way out, in parts of `Probe.drawn_back`; the first that does.
STEM_BACK_OFFS = (0.0, 0.25, 0.5, 0.75, 1.0)

_TARGETS_AT_ONCE = 500


@dataclass(frozen=True)
class Move:
    """How a touch is made.

    Attributes
    ----------
    standoff, overtravel : float
        [mm]
    margin : float
        Least clearance of everything that is not touched [mm].
    stem_gap : float
        Least gap between the stem and the touched surface at contact [mm].
    max_angle : float
        Largest angle between the normal and the stem [degree].
    enough : float
        Clearances from here on are as good as any [mm].
    """

    standoff: float
    overtravel: float
    margin: float
    stem_gap: float
    max_angle: float
    enough: float


@dataclass(frozen=True, eq=False)
class Tries:
    """Tries, one per row.

    Attributes
    ----------
    target, pose, tip : (n,) int
        Row of the target, number of the pose, number of the tip.
    stem_angle : (n,) float
        Between the outward normal and the stem, from the ball to the hub [degree].
    fault : (n,) int
        Into `FAULTS`.
    clearance : (n,) float
        Least clearance found [mm].
    segment : (n,) int
        Piece of the probe's outline that it belongs to; -1 if none is near.
    facet : (n,) int
        Nearest facet, counted over all solids; -1 if none is near.
    beyond : (n,) float
        By how much the travel of the machine is exceeded [mm].
    """

    target: np.ndarray
    pose: np.ndarray
    tip: np.ndarray
    stem_angle: np.ndarray
    fault: np.ndarray
    clearance: np.ndarray
    segment: np.ndarray
    facet: np.ndarray
    beyond: np.ndarray

    def take(self, rows: np.ndarray) -> Self:
        """Some of the rows, as a copy."""
        return replace(self, **{name: values[rows] for name, values in vars(self).items()})

    def put(self, rows: np.ndarray, other: Tries) -> None:
        """Write the findings of other tries into these rows."""
        for name in ("fault", "clearance", "segment", "facet"):
            getattr(self, name)[rows] = getattr(other, name)

    def note(self, rows: np.ndarray, found: tuple[np.ndarray, np.ndarray], number: int | np.ndarray) -> None:
        """Write clearances and facets that piece `number` of the probe was found to have, where they are the least."""
        distance, facet = found
        less = distance < self.clearance[rows]
        self.segment[rows[less]] = np.broadcast_to(number, rows.shape)[less]
        self.clearance[rows[less]], self.facet[rows[less]] = distance[less], facet[less]


def touch_points(
    points: np.ndarray, normals: np.ndarray, radius: float | np.ndarray, standoff: float, overtravel: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centres of the ball in one touch.

    Parameters
    ----------
    points, normals : (n, 3) float
        Targets [mm] and their outward unit normals.
    radius : float or (n,) float
        Effective radius of the ball [mm].
    standoff, overtravel : float
        [mm]

    Returns
    -------
    start, contact, end : (n, 3) float
        Where the probing move starts, where it should trigger, how far it may go [mm].
    """
    radius = np.broadcast_to(np.asarray(radius, dtype=float), (len(points),))[:, None]
    start, contact, end = (points + (radius + more) * normals for more in (standoff, 0.0, -overtravel))
    return start, contact, end


@dataclass(frozen=True, eq=False)
class Setting:
    """Everything that tries are judged against.

    Attributes
    ----------
    points, normals : (n, 3) float
        Targets [mm] and their outward unit normals.
    regions : (n,) int
        Smooth region that each target lies on, counted over all solids.
    obstacles : Obstacles
    probe : Probe
    frames : (p, 3, 3) float
        Rotation from probe coordinates to the part frame in each pose.
    move : Move
    """

    points: np.ndarray
    normals: np.ndarray
    regions: np.ndarray
    obstacles: Obstacles
    probe: Probe
    frames: np.ndarray
    move: Move

    def tries(self, rows: np.ndarray) -> Tries:
        """All tries of the targets `rows`: each pose, each tip."""
        tips = np.array(self.probe.choices)
        target, pose, tip = (a.ravel() for a in np.meshgrid(rows, np.arange(len(self.frames)), tips, indexing="ij"))
        stems = np.array([[0.0, 0.0, 1.0] if t == 0 else -np.array(self.probe.tips[t - 1].direction) for t in tips])
        along = np.einsum("pij,tj->pti", self.frames, stems)[pose, np.searchsorted(tips, tip)]
        cosine = np.einsum("ij,ij->i", along, self.normals[target])
        angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
        fault = np.where(angle > self.move.max_angle + 1e-9, FAULTS.index("angle"), 0)
        none = np.full(len(target), -1)
        return Tries(target, pose, tip, angle, fault, np.full(len(target), np.nan), none, none.copy(), none * 0.0)

    def centres(self, tries: Tries) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Start, contact and end (n, 3) of the touching ball's centre [mm]."""
        radius = np.array([self.probe.tip_radius(t) for t in range(len(self.probe.tips) + 1)])[tries.tip]
        target = tries.target
        return touch_points(self.points[target], self.normals[target], radius, self.move.standoff, self.move.overtravel)

    def offsets(self, tries: Tries) -> np.ndarray:
        """(n, 3) from the reference ball's centre to the touching ball's, in the part frame [mm]."""
        offset = np.array([self.probe.offset(t) for t in range(len(self.probe.tips) + 1)])[tries.tip]
        return np.einsum("nij,nj->ni", self.frames[tries.pose], offset)

    def judge(self, tries: Tries, *, early: bool, tell: Callable[[float], None] = lambda _done: None) -> None:
        """Find the clearance of tries and what is wrong with them, in place.

        Parameters
        ----------
        tries : Tries
            None of them faulty by angle or travel.
        early : bool
            Leave a try at the first thing that is wrong: then its clearance is only known to be too small.
        tell : callable
            Told the part done so far.
        """
        tries.clearance[:] = self.move.enough
        outline = self.probe.outline()
        faults = FAULTS[FAULTS.index("touch") :]
        for place, number in enumerate(sorted(range(len(outline)), key=lambda n: -PARTS.index(outline[n].part))):
            segment = outline[number]
            for step, fault in enumerate(faults):
                asked = self._asked(tries, segment, fault) & ((tries.fault == 0) | (not early))
                for rows in _by_targets(tries, np.flatnonzero(asked)):
                    tell((place + step / len(faults)) / len(outline))
                    distance, facet = self._least(tries.take(rows), segment, fault)
                    bad = distance < (self.move.stem_gap if fault == "stem" else self.move.margin)
                    tries.fault[rows[bad & (distance < tries.clearance[rows])]] = FAULTS.index(fault)
                    told = bad if fault == "stem" else slice(None)  # a gap that is wide enough is no clearance
                    tries.note(rows[told], (distance[told], facet[told]), number)
        rows = np.flatnonzero((tries.tip > 0) & ((tries.fault == 0) | (not early)))
        if len(rows):
            distance, facet, number = self._side_way_out(tries.take(rows))
            bad = (distance < self.move.margin) & (distance < tries.clearance[rows])
            tries.fault[rows[bad]] = FAULTS.index("withdraw")
            tries.note(rows, (distance, facet), number)

    def _asked(self, tries: Tries, segment: Segment, fault: str) -> np.ndarray:
        """Which tries a piece of the probe must be judged for."""
        own = tries.tip == segment.tip  # the body and the other tips never touch what they pass
        if fault == "stem":
            return own & (segment.part == "stem")
        if fault == "overtravel":
            return own
        if fault == "withdraw" and segment.part == "stem" and self.probe.turned:
            return np.zeros(len(own), dtype=bool)  # it goes where the ball goes
        if fault == "withdraw":
            return tries.tip == 0  # the way of the others is chosen for the whole probe
        return np.ones(len(own), dtype=bool)

    def _least(self, tries: Tries, segment: Segment, phase: str) -> tuple[np.ndarray, np.ndarray]:
        """Clearance of one piece of the probe in one phase of the touch, and the nearest facet."""
        own = tries.tip == segment.tip
        if segment.part == "ball" and phase != "withdraw" and own.all():
            first, back = np.unique(tries.target, return_index=True, return_inverse=True)[1:]  # it has no attitude
            if len(first) < len(tries.target):
                distance, facet = self._least(tries.take(first), segment, phase)
                return distance[back], facet[back]
        frame, (start, contact, end) = self.frames[tries.pose], self.centres(tries)
        offset = self.offsets(tries)
        if phase == "stem":
            return self.obstacles.least(
                swept(segment, frame, contact - offset, np.zeros_like(contact)), enough=self.move.stem_gap
            )
        if phase == "withdraw":
            return self._withdraw(tries, segment, start - offset, 0.0)
        if phase == "overtravel":
            pieces = swept(segment, frame, start - offset, end - start)
            return self.obstacles.least_of_others(pieces, enough=self.move.enough)
        move = np.where(own[:, None], contact, end) - start
        pieces, target = swept(segment, frame, start - offset, move), tries.target
        if not own.any():
            return self.obstacles.least(pieces, enough=self.move.enough)
        near = self.probe.tip_radius(segment.tip)
        region = np.where(own, self.regions[target], -2)
        ground = self.obstacles.ground(region, self.points[target], self.normals[target], np.full(len(own), near))
        return self.obstacles.least(pieces, enough=self.move.enough, ground=ground)

    def _side_way_out(self, tries: Tries) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Clearance of the whole probe on the best way out of side tips, the nearest facet, and the piece near it."""
        count, outline = len(tries.tip), self.probe.outline()
        best, facet, number = np.full(count, -np.inf), np.full(count, -1), np.full(count, -1)
        origin = self.centres(tries)[0] - self.offsets(tries)
        for part in STEM_BACK_OFFS:
            least, at, piece = np.full(count, self.move.enough), np.full(count, -1), np.full(count, -1)
            for one, segment in enumerate(outline):
                rows = np.flatnonzero((best < self.move.enough) & (least > best))
                if len(rows):
                    found, where = self._withdraw(tries.take(rows), segment, origin[rows], part)
                    nearer = found < least[rows]
                    least[rows[nearer]], at[rows[nearer]], piece[rows[nearer]] = found[nearer], where[nearer], one
            better = least > best
            best[better], facet[better], number[better] = least[better], at[better], piece[better]
        return best, facet, number

    def _withdraw(
        self, tries: Tries, segment: Segment, origin: np.ndarray, part: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Clearance on the way out: a side tip first backs off along part of its stem; then all goes along the axis."""
        frame = self.frames[tries.pose]
        back = np.array([self.probe.drawn_back(t) for t in range(len(self.probe.tips) + 1)])
        move = part * np.einsum("nij,nj->ni", frame, back[tries.tip])
        out = drawn_out(segment, frame, origin + move, self._way_out(origin + move, frame[:, :, 2]))
        distance, facet = self.obstacles.least(out, enough=self.move.enough)
        if self.probe.tips:
            before, at = self.obstacles.least(swept(segment, frame, origin, move), enough=self.move.enough)
            distance, facet = np.minimum(before, distance), np.where(before < distance, at, facet)
        return distance, facet

    def _way_out(self, origin: np.ndarray, axis: np.ndarray) -> np.ndarray:
        """(n,) way along the tool axis until all of the probe has left the box around everything [mm]."""
        low, high = self.obstacles.safe_box
        with np.errstate(divide="ignore", invalid="ignore"):
            leave = np.where(axis > 0, (high - origin) / axis, np.where(axis < 0, (low - origin) / axis, np.inf))
        points, _, _ = self.probe.mesh(sides=8)
        return np.maximum(leave.min(axis=1), 0.0) + np.ptp(points, axis=0).max() + self.move.margin


def _by_targets(tries: Tries, rows: np.ndarray) -> list[np.ndarray]:
    """Rows of tries, the tries of some hundred targets together: each part is judged in about a second."""
    if not len(rows):
        return []
    target = tries.target[rows]
    parts = math.ceil(len(np.unique(target)) / _TARGETS_AT_ONCE)
    return np.array_split(rows[np.argsort(target, kind="stable")], parts)
