"""The ways of the probe beside those of the plan: by more than its margin off them nobody knows what stands there.

Along its own ways a plan keeps the probe clear, by its margin, of the part and of the fixtures that the study states.
What else stands on the machine (a clamp, stock, a hose) is in no model, but whoever signs has looked along these ways.
So a move beside them is something to look at, and one that leads further off than the margin is a stop. From the height
at which the rotary axes may turn, the room above a planned way counts as planned. Straight up is the way out, and where
tools are changed all of them go across: there such moves are something to look at. Our own choice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from ..deciding.decisions import Decide, Milling, Recut, Reprobe
from ..deciding.decisions import Step as Planned
from ..moves import BackOff, FirstTouch, Index, Lift, Link, Move, SafeStop, ToolChange, Touch
from ..reading.steps import MOVES, Step, path_of
from .case import BEGIN, ROUNDING, Case, known_place
from .findings import Finding, NotMade

__all__ = ["beside", "planned_ways", "turned", "ways_as_planned"]

_SAME = 0.01  # [mm] and [degree]
_ENOUGH = 10  # moves that are told each by itself
_PIECES = 400  # of one move
_AT_ONCE = 400_000  # distances
_TODO = "Take it out, or plan it: besides the model, nobody has looked at what stands there."

Point = tuple[float, ...]
Angles = tuple[float, ...]


def ways_as_planned(case: Case) -> list[Finding] | NotMade:
    """The probe keeps to the ways of the plan: nobody has looked at what stands beside them."""
    if not case.moves:
        return NotMade("the planned moves were not given", "note")
    found = list(beside(case, case.steps, planned_ways(case), {step.line for step in case.steps}))
    told = {one.line for one in found}
    found += [one for one in _besides(case) if one.line not in told]
    if len(found) > _ENOUGH:
        stop = any(one.severity == "stop" for one in found[_ENOUGH:])
        what = f"{len(found) - _ENOUGH} more moves of the probe are off the planned ways"
        found[_ENOUGH:] = [Finding(found[_ENOUGH].line, "stop" if stop else "look", what, _TODO)]
    return found


def beside(case: Case, steps: Sequence[Step], plan: Ways, lines: Collection[int]) -> Iterator[Finding]:
    """What is to be told of each move that leaves the planned ways.

    Parameters
    ----------
    case : Case
    steps : sequence of Step
        From the beginning of a program to an end of it.
    plan : mapping
        From `planned_ways`.
    lines : collection of int
        Only of moves in these.
    """
    for step, home, high in _moved(case, steps):
        severity, what = "stop", ""
        if step.line not in lines:
            continue
        if step.angles_start != step.angles_end:
            if turned(step.angles_end) not in {*plan, *(turned(one.angles_end) for one in home)}:
                what = "the rotary axes turn to where the plan does not turn them"
        elif step.kind != "index":
            off, at = _off(step, plan.get(turned(step.angles_end)), home, high, case)
            where = " ".join(f"{axis}{value:.6g}" for axis, value in zip("XYZ", at, strict=True) if value == value)
            if off > _SAME:
                what = f"the probe goes {off:.2f} mm off the planned ways, at {where}"
                what += ", at the height of the tool change" if high else ""
                up = step.start[:2] == step.end[:2] and step.end[2] >= step.start[2]
                severity = "look" if high or up or off <= case.margin else "stop"
            if off == math.inf:
                what = "the probe moves with the rotary axes where the plan does not have them"
        if what:
            yield Finding(step.line, severity, what, _TODO)


def _besides(case: Case) -> Iterator[Finding]:
    """Moves that the plan does not have, though they may keep to its ways: each of its places is gone to so often."""
    places: dict[Angles, list[np.ndarray]] = {}
    angles: Angles = (0.0,) * len(case.kinematics.axes)
    for move in case.moves:
        angles = move.angles if isinstance(move, Index) else angles
        if hasattr(move, "to") and not isinstance(move, (Touch, FirstTouch, BackOff)):
            places.setdefault(turned(angles), []).append(_program(case, move.to, angles))
    left = {angles: np.array(some) for angles, some in places.items()}
    lifted = math.inf if case.turn_height is None else case.turn_height - ROUNDING
    for step, _, high in _moved(case, case.steps):
        if high or step.kind == "index" or step.state.distance == "G91" or not known_place(step):
            continue
        own = left.get(turned(step.angles_end), np.empty((0, 3)))
        near = np.abs(own - step.end) <= _SAME
        if (same := np.flatnonzero(near.all(axis=1))).size:
            left[turned(step.angles_end)] = np.delete(own, same[0], axis=0)
            continue
        up = step.start[:2] == step.end[:2] and step.end[2] >= step.start[2]
        if not up and not (step.end[2] >= lifted and near[:, :2].all(axis=1).any()):  # across, before it comes down
            yield Finding(step.line, "look", "a move of the probe that the plan does not have", _TODO)


def _program(case: Case, place: Sequence[float], angles: Angles) -> np.ndarray:
    length = case.probe.tool_length if case.probe is not None else 0.0
    return np.asarray(case.kinematics.to_program(np.array(place, dtype=float), angles, length=length))


def turned(angles: Sequence[float]) -> Angles:
    """Angles as a key: whole turns make no difference.

    Parameters
    ----------
    angles : sequence of float
        [degree]
    """
    return tuple(round(angle / _SAME) % round(360.0 / _SAME) for angle in angles)


@dataclass(frozen=True, eq=False)
class _Ways:
    """Straight planned ways at the same angles: their ends, program coordinates [mm]."""

    starts: np.ndarray
    ends: np.ndarray

    def has(self, step: Step) -> bool:
        """Whether a move begins on one of them, and goes along it to its end."""
        near = self._tree.query_ball_point(step.end, _SAME)
        own = _Ways(self.starts[near], self.ends[near])
        return bool(near) and float(own.off(np.array([step.start]), above=False)[0]) <= _SAME

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self.ends)

    def off(self, points: np.ndarray, *, above: bool) -> np.ndarray:
        """Distance of points to the nearest of them [mm]; seen from above, if that is all that counts."""
        axes = 2 if above else 3
        first, along = self.starts[:, :axes], (self.ends - self.starts)[:, :axes]
        length = np.maximum((along**2).sum(axis=1), 1e-12)
        found = []
        for some in np.array_split(points[:, :axes], math.ceil(len(points) * len(first) / _AT_ONCE)):
            to = some[:, None] - first
            part = np.clip((to * along).sum(axis=2) / length, 0.0, 1.0)
            found.append(np.linalg.norm(to - part[..., None] * along, axis=2).min(axis=1))
        return np.concatenate(found)


@dataclass(eq=False)
class _Walk:
    """Goes through a plan: the ways so far by their angles, and all places where the probe may stand now."""

    case: Case
    lifted: float
    angles: Angles
    places: list[Point] = field(default_factory=list)
    ways: dict[Angles, list[tuple[Point, Point]]] = field(default_factory=dict)

    def go(self, steps: Sequence[Planned]) -> None:
        """Through some steps, each branch, and each repeat from where the touches before it end."""
        for one in steps:
            if isinstance(one, Decide):
                before = self.places
                self.go(one.then)
                other, self.places = self.places, before
                self.go(one.otherwise)
                self.places = list(dict.fromkeys([*other, *self.places]))
            elif isinstance(one, Reprobe):
                for part in (one.steps, one.between, one.steps):
                    self.go(part)
            elif isinstance(one, (ToolChange, Milling, Recut, SafeStop)):
                self.places = []
            elif isinstance(one, Index):
                self.angles = one.angles
                self.ways.setdefault(turned(self.angles), [])
            elif isinstance(one, Lift):
                self.to([(*place[:2], one.height) for place in self.places])
            elif isinstance(one, Move) and hasattr(one, "to"):
                place = tuple(_program(self.case, one.to, self.angles).tolist())
                if isinstance(one, Link):  # from above, where the text goes across first
                    self.places = [*self.places, (*place[:2], max(place[2], self.lifted))]
                self.to([place] * max(len(self.places), 1))

    def to(self, places: Sequence[Point]) -> None:
        """From each place to one."""
        own = self.ways.setdefault(turned(self.angles), [])
        own += list(zip(self.places or places, places, strict=True))
        self.places = list(dict.fromkeys(places))


Ways = Mapping[Angles, _Ways | None]


def planned_ways(case: Case) -> Ways:
    """The ways of the plan, on all its branches, by the angles of the rotary axes.

    Parameters
    ----------
    case : Case
    """
    lifted = -math.inf if case.turn_height is None else case.turn_height
    walk = _Walk(case, lifted, (0.0,) * len(case.kinematics.axes))
    walk.go(case.decided or case.moves)
    found: dict[Angles, _Ways | None] = {}
    for angles, own in walk.ways.items():
        ends = np.array(own, dtype=float).reshape(-1, 2, 3)
        found[angles] = _Ways(ends[:, 0], ends[:, 1]) if own else None
    return found


def _moved(case: Case, steps: Sequence[Step]) -> Iterator[tuple[Step, tuple[Step, ...], bool]]:
    """Moves of the probe but touches: with the step where its part began, and whether it is where tools are changed."""
    home: tuple[Step, ...] = ()
    high = False
    for step in steps:
        if step.kind == "message" and str(step.detail).upper() == BEGIN:
            home = (step,)
        elif step.kind == "tool":
            high = True
        elif step.kind in MOVES:
            low = not step.end[2] >= step.start[2] - ROUNDING and not math.isnan(step.end[2])
            high = case.lifts_in(step.line) or (high and not low)
            if case.probe_in(step) and step.kind != "probe":
                yield step, home, high


def _off(step: Step, ways: _Ways | None, home: Sequence[Step], high: bool, case: Case) -> tuple[float, Sequence[float]]:
    """How far a move leads off the planned ways at most [mm], and where."""
    back = any(np.allclose(step.end[:2], one.end[:2], atol=_SAME) for one in home)
    stays = high and (back or step.start[:2] == step.end[:2])
    if stays or not all(map(math.isfinite, step.end[:2])):  # a place that is not known is told elsewhere
        return 0.0, step.end
    if ways is None:
        return math.inf, step.end
    whole = not high and np.isfinite([*step.start, *step.end]).all()
    if whole and step.kind != "arc" and ways.has(step):
        return 0.0, step.end
    points = _along(path_of(step), case.margin / 2) if whole else np.array([step.end], dtype=float)
    lifted = math.inf if case.turn_height is None else case.turn_height - ROUNDING
    above = np.nan_to_num(points[:, 2], nan=math.inf) >= lifted
    distance = np.zeros(len(points))
    for some, flat in ((above, True), (~above, False)):
        if some.any():
            distance[some] = ways.off(points[some], above=flat)
    worst = int(distance.argmax())
    return float(distance[worst]), points[worst].tolist()


def _along(points: np.ndarray, spacing: float) -> np.ndarray:
    """Points on a way of straight pieces, no further apart than so much, nor more than there is time for."""
    lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
    counts = np.clip(np.ceil(lengths / spacing), 1, max(_PIECES // len(lengths), 1)).astype(int)
    found = [
        a + np.linspace(0.0, 1.0, count + 1)[:, None] * (b - a)
        for a, b, count in zip(points[:-1], points[1:], counts.tolist(), strict=True)
    ]
    return np.concatenate(found)
