"""The order of touching and the ways between: few rotary moves, a short tour in each pose, nothing through the part.

Between two touches the ball goes straight if the whole probe clears part and fixture by the margin all the way. Else
it rises along the tool axis to the pose's clearance plane, crosses there, and comes down along the tool axis. The
clearance plane is square to the tool axis and lies so high that nothing of the probe reaches down to any obstacle.
Where a rise beside the surface does not clear, the ball first backs off along the target's normal; that of a side tip,
if need be, along its own stem.

In one pose the touches of all tips make one tour. Places on the way are those of the reference ball, whichever tip
touches (`probekit.program.moves`).

Every way below the clearance plane is made at positioning feed; only moves on or above it are rapid. Before the rotary
axes turn, the ball is lifted to a height that clears part and fixture at every angle of the tables.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ...columns import NORMAL, TARGET, array
from ...errors import InputError
from ...show import shown
from ..access.clearance import Hindrance
from ..access.poses import pose_frame
from ..kinematics import Kinematics
from ..probe import Probe
from ..targets import table as table
from .pace import CycleTime, Leg, Pace, cycle_time
from .tour import short_tour
from .ways import Ways, rises

__all__ = ["Route", "order", "safe_height"]


@shown
@dataclass(frozen=True, eq=False)
class Route:
    """Targets in the order of touching, and the way to each.

    Parameters
    ----------
    targets : DataFrame
        The reachable targets in the order of touching.
    left_out : DataFrame
        Those that cannot be touched, with a `reason`. Nothing is lost.
    poses : tuple of tuples
        Angles of the rotary axes of each allowed pose [degree]; `targets.direction` points into it.
    starts : (n, 3) float
        Centre of the reference ball at the standoff of each target [mm].
    ways : tuple of n tuples of Leg
        From the start of the touch before (or, where `indexed`, from where the ball was lifted) to the start of this.
    leaving : tuple of n tuples of Leg
        From the start of this touch to where the ball can be lifted; empty unless it is the last one of its pose.
    indexed : (n,) bool
        Whether the ball is lifted and the rotary axes take a pose before this touch.
    height : float
        Program Z at which the rotary axes may turn [mm].
    clear_height : float
        Lowest program Z of a rapid move [mm]. With tilted poses it is lower than the top of the upright part.
    pace : Pace
    time : CycleTime
    """

    targets: pd.DataFrame
    left_out: pd.DataFrame
    poses: tuple[tuple[float, ...], ...]
    starts: np.ndarray
    ways: tuple[tuple[Leg, ...], ...]
    leaving: tuple[tuple[Leg, ...], ...]
    indexed: np.ndarray
    height: float
    clear_height: float
    pace: Pace
    time: CycleTime

    @property
    def sentence(self) -> str:
        """How many touches in how many poses, and how long it takes, in one line."""
        poses = int(self.indexed.sum())
        left = f", {len(self.left_out)} left out" if len(self.left_out) else ""
        return f"{len(self.targets)} touches in {poses} pose{'s' * (poses != 1)}{left}; {self.time.sentence}"

    @property
    def table(self) -> pd.DataFrame:
        """The targets in the order of touching."""
        return self.targets


def safe_height(kinematics: Kinematics, around: np.ndarray, *, below: float, margin: float) -> float:
    """Program Z of the ball centre above everything that the tables can bring up, at whatever angles.

    Parameters
    ----------
    kinematics : Kinematics
    around : (m, 3) float
        Points whose convex hull holds part and fixture, in the part frame [mm].
    below : float
        How far the probe reaches beyond the ball centre, away from the spindle [mm].
    margin : float
        [mm]

    Notes
    -----
    A table keeps a point's distance to each point of its axis. So under the last table a point stays within a ball
    around that axis' point, whose centre and radius the tables that carry it move and widen in turn. A head needs no
    more: of the tool that swings about the pivot nothing is farther from it than the ball.
    """
    tables = [axis for axis in kinematics.axes if axis.moves == "table"]
    if not tables:
        return float(around[:, 2].max()) + below + margin
    centre = np.array(tables[-1].point)
    radius = float(np.linalg.norm(around - centre, axis=1).max())
    for axis in tables[-2::-1]:
        radius += float(np.linalg.norm(centre - axis.point))
        centre = np.array(axis.point)
    return float(centre[2]) + radius + below + margin


def order(
    targets: pd.DataFrame,
    probe: Probe,
    kinematics: Kinematics,
    poses: Sequence[Sequence[float]],
    *,
    obstacles: Hindrance,
    margin: float = 0.5,
    above: float = 5.0,
    height: float | None = None,
    start: Sequence[float] = (),
    pace: Pace | None = None,
    progress: Callable[[float], None] | None = None,
) -> Route:
    """Put targets into a short, safe order.

    Many parameters: a route is safe only with all that it depends on: part, probe, machine, margin and heights.

    Parameters
    ----------
    targets : DataFrame
        The targets table after reach, with `standoff` and `overtravel`; without `reachable` all are taken to be, and
        without `direction` the only pose.
    probe : Probe
        Each target is touched with the tip that its column `tip` tells; without that column, with the straight one.
    kinematics : Kinematics
    poses : sequence of (n_axes,) float
        Allowed angles of the rotary axes [degree]; `direction` is the index into it.
    obstacles : Obstacles
        What the probe must not hit: part, fixtures, stock.
    margin : float
        Least clearance of the probe on every way [mm]: smaller than every standoff, larger than the material that may
        be left on the part.
    above : float
        Clearance above everything on the clearance planes, where moves are rapid, and at the height for turning [mm].
    height : float, optional
        Program Z at which the rotary axes may turn [mm]; default `safe_height`, or the highest place of the route.
    start : (n_axes,) float
        Angles before and after probing [degree]; default zero.
    pace : Pace, optional
        Shortest means quickest at this pace; default ``Pace()``.
    progress : callable, optional
        Told the part done so far (0 to 1).

    Returns
    -------
    Route

    Raises
    ------
    InputError
        For a table without what is needed, directions that are no pose, tips that the probe has not, a tool axis that
        contradicts its pose, a margin that a standoff cannot keep, or a height below the safe one.
    """
    poses = tuple(tuple(float(angle) for angle in pose) for pose in poses)
    pace, tell = Pace() if pace is None else pace, progress or (lambda _done: None)
    clear, around = obstacles.clear_of(probe, margin), np.asarray(obstacles.points, dtype=float)
    if around.ndim != 2 or around.shape[1] != 3 or len(around) < 4 or not np.isfinite(around).all():
        raise InputError("the obstacles have too few points", found=around.shape, expected="(4 or more, 3), finite")
    able, left = _reachable(targets, poses)
    _check(able, probe, kinematics, poses, margin)
    if not margin <= above < np.inf:
        raise InputError(
            "the clearance planes are too low", column="above", found=above, expected=f"{margin:g} mm or more"
        )

    direction, standoff = able["direction"].to_numpy(int), able["standoff"].to_numpy(float)
    position, normal = array(able, TARGET), array(able, NORMAL)
    frames = np.array([pose_frame(kinematics, pose) for pose in poses])
    starts, stem = _starts(position, normal, standoff, able["tip"].to_numpy(int), frames[direction], probe)
    axis, below = frames[direction, :, 2], _below(probe)
    attitude = axis if probe.turned else frames[direction]
    plane = (around @ frames[:, :, 2].T).max(axis=0)[direction] + below + above
    risen, used = rises(starts, normal, standoff, stem, axis, attitude, plane, clear, margin)

    length, ends = probe.tool_length, [(poses[direction[row]], risen[row, -1]) for row in np.flatnonzero(used)]
    overs = [kinematics.to_program(over, pose, length=length)[2] for pose, over in ends]
    swung = max(below, _swung(probe, kinematics))
    least = float(max([safe_height(kinematics, around, below=swung, margin=above), *overs]))
    if height is not None and height < least:
        raise InputError(
            "the height for turning is not safe", column="height", found=height, expected=f"at least {least:.3f} mm"
        )
    height = least if height is None else float(height)

    rows: list[int] = []
    straight: list[bool] = []
    indexed: list[bool] = []
    tell(0.3)
    for pose in _pose_order(sorted(set(direction[used].tolist())), poses, start, len(kinematics.axes)):
        done, share = len(rows) / used.sum(), (direction == pose)[used].mean()
        own = np.flatnonzero(used & (direction == pose))
        ways = Ways(starts[own], risen[own], attitude[own], clear, margin, pace)
        tour = ways.tour(lambda part, done=done, share=share: tell(0.3 + 0.7 * (done + share * part)))
        rows += own[tour].tolist()
        straight += [False, *(ways.is_straight(a, b) for a, b in itertools.pairwise(tour))]
        indexed += [True] + [False] * (len(own) - 1)

    legs, leaving = _legs(rows, straight, indexed, starts, risen, direction, poses, kinematics, length, height)
    ordered = able.iloc[rows].reset_index(drop=True)
    blocked = able[~used].assign(reason=f"no path to the clearance plane keeps a clearance of {margin:g} mm")
    left = pd.concat([left, blocked]).sort_index().reset_index(drop=True)
    ordered.attrs, left.attrs = dict(targets.attrs), dict(targets.attrs)
    indexed_at = np.array(indexed, dtype=bool)
    low = float(min([height, *overs]))
    turns = [tuple(start) or (0.0,) * len(kinematics.axes)]
    turns += [poses[direction[row]] for row, turn in zip(rows, indexed, strict=True) if turn]
    time = cycle_time(starts[rows], standoff[rows], legs, leaving, indexed_at, [*turns, turns[0]], pace)
    return Route(ordered, left, poses, starts[rows], legs, leaving, indexed_at, height, low, pace, time)


def _reachable(targets: pd.DataFrame, poses: tuple[tuple[float, ...], ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Targets that can be routed, and the others with their reasons; both have a direction."""
    missing = [name for name in ("touch", "standoff", "overtravel") if name not in targets.columns]
    if missing:
        raise InputError("the targets lack columns", found=", ".join(missing), todo="Run probekit.plan.reach first.")
    if not poses or ("direction" not in targets.columns and len(poses) > 1):
        raise InputError(
            "the targets do not say which pose touches them", column="direction", todo="Run probekit.plan.reach first."
        )
    given = targets.reset_index(drop=True)
    defaults = {"direction": 0, "tip": 0, "reason": ""}
    given = given.assign(**{name: value for name, value in defaults.items() if name not in given})
    able = given["reachable"].to_numpy(bool) if "reachable" in given else given["direction"].to_numpy(int) >= 0
    return table.check(given[able]), given[~able]


def _check(
    targets: pd.DataFrame, probe: Probe, kinematics: Kinematics, poses: tuple[tuple[float, ...], ...], margin: float
) -> None:
    """Refuse reachable targets that contradict the probe or the poses, or that the margin does not suit."""
    strange = sorted(set(targets["tip"].tolist()) - set(probe.choices))
    if strange:
        expected = f"of {', '.join(map(str, probe.choices))}"
        raise InputError("the probe has no such tip to touch with", column="tip", found=strange[0], expected=expected)
    direction = targets["direction"].to_numpy(int)
    if not ((direction >= 0) & (direction < len(poses))).all():
        raise InputError("a target's direction is not a pose", column="direction", expected=f"0 to {len(poses) - 1}")
    for pose in sorted(set(direction.tolist())):
        if kinematics.spindle(poses[pose])[2] < -1e-9:
            raise InputError("a pose points the tool upwards: no lift is safe", column="direction", found=poses[pose])
    axes = np.array([kinematics.tool_axis(pose) for pose in poses])[direction]
    if "ti" in targets and len(targets):
        off = np.abs(axes - targets[["ti", "tj", "tk"]].to_numpy(float)).max(axis=1)
        if not (off < 1e-6).all():
            row = int(np.argmax(~(off < 1e-6)))
            raise InputError(
                f"the tool axis of target {targets['touch'].iloc[row]} is not that of its pose",
                column="direction",
                found=int(direction[row]),
                todo="Use the poses and the kinematics with which the reach was computed.",
            )
    for name, least in (("standoff", margin), ("overtravel", 0.0)):
        values = targets[name].to_numpy(float)
        if not (np.isfinite(values) & (values > least)).all():
            raise InputError(
                f"the {name} is not larger than the margin" if least else f"the {name} is not positive",
                column=name,
                found=float(values.min()),
                expected=f"more than {least:g} mm",
            )


def _starts(
    position: np.ndarray, normal: np.ndarray, standoff: np.ndarray, tip: np.ndarray, frame: np.ndarray, probe: Probe
) -> tuple[np.ndarray, np.ndarray]:
    """Reference ball (n, 3) with the tip that touches at its standoff, and the way (n, 3) that draws its stem out."""
    kinds = range(len(probe.tips) + 1)
    radius, offset = np.array([probe.tip_radius(one) for one in kinds]), np.array([probe.offset(one) for one in kinds])
    out = np.array([probe.drawn_back(one) for one in kinds])
    centre = position + (radius[tip] + standoff)[:, None] * normal
    return centre - np.einsum("nij,nj->ni", frame, offset[tip]), np.einsum("nij,nj->ni", frame, out[tip])


def _swung(probe: Probe, kinematics: Kinematics) -> float:
    """How far the further tips reach beyond the reference ball's centre as a head turns [mm]; -inf if none does."""
    if all(axis.moves != "head" for axis in kinematics.axes):
        return -np.inf
    arm = kinematics.gauge + probe.tool_length
    pivot = np.array([0.0, 0.0, arm])
    pieces = [piece for tip in range(1, len(probe.tips) + 1) for piece in probe.outline(tip)]
    away = [
        float(np.linalg.norm(np.subtract(end, pivot))) + max(piece.grown, piece.start_radius, piece.end_radius)
        for piece in pieces
        for end in (piece.start, piece.end)
    ]
    return max(away, default=-np.inf) - arm


def _below(probe: Probe) -> float:
    """How far the probe reaches beyond the ball's centre, away from the spindle [mm], sideways pieces taken thickly."""
    pieces = [(piece, min(piece.start[2], piece.end[2])) for piece in probe.outline() if piece.part != "body"]
    return max(max(piece.grown, piece.start_radius if piece.tip > 0 else 0.0) - low for piece, low in pieces)


def _pose_order(
    used: list[int], poses: tuple[tuple[float, ...], ...], start: Sequence[float], n_axes: int
) -> list[int]:
    """Poses in the order of least rotation, from the start angles round and back to them."""
    angles = np.array([tuple(start) or (0.0,) * n_axes, *(poses[pose] for pose in used)]).reshape(len(used) + 1, -1)
    rotation = np.abs(angles[:, None] - angles).sum(axis=2)
    return [used[place - 1] for place in short_tour(rotation)[1:]]


def _legs(
    rows: list[int],
    straight: list[bool],
    indexed: list[bool],
    starts: np.ndarray,
    rises: np.ndarray,
    direction: np.ndarray,
    poses: tuple[tuple[float, ...], ...],
    kinematics: Kinematics,
    tool_length: float,
    height: float,
) -> tuple[tuple[tuple[Leg, ...], ...], tuple[tuple[Leg, ...], ...]]:
    """Way to each touch, and from the last one of each pose."""
    ways, leaving = [], []
    for at, row in enumerate(rows):
        down = _path("approach", rises[row][::-1])
        if indexed[at]:
            pose = poses[direction[row]]
            high = kinematics.to_program(rises[row, -1], pose, length=tool_length)
            high[2] = height
            lifted = kinematics.to_part(high, pose, length=tool_length)
            ways.append((Leg("rapid", _point(lifted)), *_path("rapid", [lifted, rises[row, -1]]), *down))
        elif straight[at]:
            ways.append((Leg("approach", _point(starts[row])),))
        else:
            before = rises[rows[at - 1]]
            ways.append((*_path("rise", before), *_path("rapid", [before[-1], rises[row, -1]]), *down))
        last = at + 1 == len(rows) or indexed[at + 1]
        leaving.append(_path("rise", rises[row]) if last else ())
    return tuple(ways), tuple(leaving)


def _path(kind: str, points: Sequence[np.ndarray]) -> tuple[Leg, ...]:
    """Legs along points, from the first one on, leaving out those that go nowhere."""
    return tuple(Leg(kind, _point(b)) for a, b in itertools.pairwise(points) if (a != b).any())


def _point(point: np.ndarray) -> tuple[float, float, float]:
    return tuple(float(c) for c in point)
