"""Which targets the probe can touch, in which pose, with which tip, how freely, and why not.

What is judged, for each target, pose and tip:

1. the angle between the outward normal and the stem;
2. the travel of the linear axes;
3. that the ball fits: at contact nothing else reaches into it;
4. the touch, from the standoff to contact: the whole probe clears everything by the margin. Ball and stem of the tip
   that touches may come nearer to what is touched, the ground (`plan.ground`);
5. the overtravel: the body and the other tips clear everything all the way to its end. Ball and stem of the tip that
   touches clear the fixture and the stock; against the part they are judged up to contact only, for the overtravel is
   used up where the part lies deeper than it should, and a stylus that meets it elsewhere triggers and stops;
6. the stem at contact: a small gap to everything, the ground too, so that the ball touches and not the stem;
7. the way out along the tool axis, from the standoff until everything is left behind; a side tip may first back off
   along its own stem, as far as it must. The way in is the same.

The defaults of angle, margin, standoff and overtravel are common practice, no source. A result is a suggestion: dry
run, single block and reduced feed come before the first real touch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from ...errors import InputError
from ...nominal import Nominal
from ..kinematics import Kinematics
from ..probe import OVERTRAVEL, STANDOFF, Probe
from ..targets import table as tables
from .clearance import Obstacles, swept
from .few import common_poses, few_poses
from .poses import checked_poses, pose_frame
from .poses import poses as list_poses
from .reach_words import why_not
from .tries import FAULTS, Move, Setting, Tries

__all__ = ["reach"]

_FIT = 0.02  # the ball may be this much too large, for rounding and the facets [mm]
_FACING = 0.5  # cosine between the normals of a target and of its facet from which they face each other's way
_BACKWARD = (
    "the target's normal points into the material there. Turn it round; or, if the model is open, turn its facets, "
    "whose winding decides which side is material."
)
_STEM_GAP = 0.05  # between stem and touched surface at contact [mm]; common practice, no source


def reach(
    targets: pd.DataFrame,
    nominal: Nominal,
    probe: Probe,
    *,
    kinematics: Kinematics | None = None,
    poses: Sequence[Sequence[float]] | None = None,
    fixtures: Sequence[Nominal] = (),
    stock: Nominal | None = None,
    margin: float = 0.5,
    max_angle: float = 95.0,
    standoff: float = STANDOFF,
    overtravel: float = OVERTRAVEL,
    enough: float = 2.0,
    obstacles: Obstacles | None = None,
    fewest: bool = False,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Find out how each target can be touched.

    Many parameters: whether a probe reaches depends on part, probe, machine, poses, obstacles and distances; each
    changes the answer.

    Parameters
    ----------
    targets : DataFrame
        The targets table.
    nominal : Nominal
    probe : Probe
        All its tips are tried.
    kinematics : Kinematics, optional
        Default: three linear axes.
    poses : sequence of tuples, optional
        Allowed angles of the rotary axes [degree]; default: every 30 degrees within the limits, the tool tilted by at
        most 90 degrees.
    fixtures : sequence of Nominal
        In the part frame.
    stock : Nominal, optional
        Material still to be removed, in the part frame.
    margin : float
        Least clearance [mm].
    max_angle : float
        Largest angle between the outward normal and the stem [degree]: 0 is touching straight down, 90 sideways.
    standoff, overtravel : float
        Where the probing move starts before contact, and how far beyond it may go [mm].
    enough : float
        Clearances from here on count as equally good, and are given as this [mm]. At least `margin`.
    obstacles : Obstacles, optional
        Made before from the same models, to save making them again.
    fewest : bool
        Keep as few poses as reach all that can be reached, and touch a feature in one pose where one reaches all of it:
        errors of the rotary axes then do not mix into it.
    progress : callable, optional
        Told the part done so far (0 to 1), piece of the probe by piece.

    Returns
    -------
    DataFrame
        The targets with `reachable`, `reason`, `direction` (index into the poses; -1: none), `directions` (tuple: all
        poses that would do), `tip`, `ti, tj, tk` (tool axis in the part frame), `approach_angle` [degree] between
        normal and tool axis, `clearance` [mm], `standoff`, `overtravel` [mm]. Of several ways that with the largest
        clearance is taken; of those with `enough` one with the straight tip if there is one; of equal ones that with
        the stem nearest to the normal. ``attrs["poses"]`` holds the poses.

    Raises
    ------
    InputError
        For a table that is no targets table, poses the machine does not have, or lengths that make no sense.
    """
    kinematics = Kinematics() if kinematics is None else kinematics
    if poses is None:
        poses = list_poses(kinematics, turned=probe.turned)
    allowed = checked_poses(kinematics, poses)
    move = _checked_move(Move(standoff, overtravel, margin, _STEM_GAP, max_angle, enough))
    obstacles = Obstacles(nominal, tuple(fixtures), stock) if obstacles is None else obstacles
    tell = progress or (lambda _done: None)
    obstacles.prepare(lambda: tell(0.0))
    points, normals, usable = _places(targets)
    frames = np.stack([pose_frame(kinematics, pose) for pose in allowed])
    regions, backward = np.full(len(targets), -1), np.zeros(len(targets), dtype=bool)
    if usable.any():
        facet = obstacles.engines[0].search(points[usable])[1]
        regions[usable] = obstacles.regions[facet]
        outward = obstacles.engines[0].tables.normal[facet]
        backward[usable] = np.einsum("ij,ij->i", outward, normals[usable]) < -_FACING
    setting = Setting(points, normals, regions, obstacles, probe, frames, move)
    tries = setting.tries(np.flatnonzero(usable))
    _refuse_travel(tries, setting, kinematics, allowed)
    tell(0.0)
    _refuse_fit(tries, setting)
    _judge(tries, setting, tell)
    whole = _table(targets, usable, tries, setting, kinematics, allowed)
    whole.loc[backward & ~whole["reachable"].to_numpy(bool), "reason"] = _BACKWARD
    few = few_poses(whole, allowed) if fewest else ()
    return _with_few(whole, tries, setting, allowed, few) if few else whole


def _with_few(
    whole: pd.DataFrame,
    tries: Tries,
    setting: Setting,
    allowed: tuple[tuple[float, ...], ...],
    few: tuple[tuple[float, ...], ...],
) -> pd.DataFrame:
    """The table with few of the poses, from the same tries; reasons stay those of all poses."""
    kept = np.array([allowed.index(pose) for pose in few])
    good = np.flatnonzero((tries.fault == 0) & np.isin(tries.pose, kept))
    feature = whole["feature"].to_numpy(dtype=object)
    chosen = {
        name: _best_pose(tries.take(good[feature[tries.target[good]] == name]), poses & set(kept.tolist()))
        for name, poses in common_poses(whole).items()
        if poses & set(kept.tolist())
    }
    wanted = np.array([chosen.get(name, -1) for name in feature])[tries.target[good]]
    some = tries.take(good[(wanted < 0) | (tries.pose[good] == wanted)])
    ways = tries.take(good)
    out = whole.copy()
    rows = np.flatnonzero(whole["reachable"].to_numpy(bool))
    _choose(out, rows, some, setting)
    renumbered = {int(old): new for new, old in enumerate(kept)}
    out["direction"] = [renumbered.get(int(pose), -1) for pose in out["direction"]]
    every: list[list[int]] = [[] for _ in range(len(out))]
    for target, pose in zip(ways.target, ways.pose, strict=True):
        every[target].append(renumbered[int(pose)])
    out["directions"] = pd.Series([tuple(sorted(set(way))) for way in every], index=out.index, dtype=object)
    out.attrs = {**whole.attrs, "poses": few}
    return out


def _best_pose(good: Tries, poses: set[int]) -> int:
    """The pose in which the least clearance of a feature is largest; of equal ones that nearest to its normals."""

    def quality(pose: int) -> tuple[float, float, int]:
        own = good.pose == pose
        best = pd.Series(good.clearance[own]).groupby(good.target[own]).max()
        return round(float(best.min()), 3), -round(float(good.stem_angle[own].mean()), 6), -pose

    return max(poses, key=quality)


def _judge(tries: Tries, setting: Setting, tell: Callable[[float], None]) -> None:
    """Judge tries quickly; then those of targets that no try reaches once more, to find the least bad."""
    for early in (True, False):
        rows = np.flatnonzero(tries.fault == 0)
        if not early:
            reached = np.isin(tries.target, tries.target[rows])
            rows = np.flatnonzero(~reached & (tries.fault >= FAULTS.index("touch")))
        if len(rows):
            some = tries.take(rows)
            some.fault[:] = 0
            setting.judge(some, early=early, tell=lambda done, early=early: tell(0.8 * done + 0.2 * (not early)))
            tries.put(rows, some)


def _refuse_travel(
    tries: Tries, setting: Setting, kinematics: Kinematics, poses: tuple[tuple[float, ...], ...]
) -> None:
    """Mark tries that leave the travel of the linear axes."""
    if kinematics.travel is None or not len(tries.target):
        return
    low, high = np.array(kinematics.travel).T
    start, _, end = setting.centres(tries)
    offset = setting.offsets(tries)
    for number, angles in enumerate(poses):
        own = np.flatnonzero(tries.pose == number)
        for centre in (start, end):
            place = kinematics.to_program(centre[own] - offset[own], angles, length=setting.probe.tool_length)
            beyond = np.maximum(low - place, place - high).max(axis=1, initial=-np.inf)
            tries.beyond[own] = np.maximum(tries.beyond[own], beyond)
    tries.fault[(tries.beyond > 0) & (tries.fault == 0)] = FAULTS.index("travel")


def _refuse_fit(tries: Tries, setting: Setting) -> None:
    """Mark tries whose ball does not fit at the target: something else reaches into it at contact."""
    open_ = np.flatnonzero(tries.fault == 0)
    outline = setting.probe.outline()
    for number, ball in enumerate(outline):
        own = open_[tries.tip[open_] == ball.tip]
        if ball.part != "ball" or not len(own):
            continue
        rows, back = np.unique(tries.target[own], return_inverse=True)
        frame = np.broadcast_to(np.eye(3), (len(rows), 3, 3))
        origin = setting.points[rows] + ball.grown * setting.normals[rows] - np.array(ball.start)
        pieces = swept(ball, frame, origin, np.zeros_like(origin))
        distance, facet = setting.obstacles.least(pieces, enough=setting.move.enough)
        misfit = (distance < -_FIT - 2 * setting.obstacles.chord)[back]
        bad = own[misfit]
        tries.fault[bad], tries.segment[bad] = FAULTS.index("fit"), number
        tries.clearance[bad], tries.facet[bad] = distance[back][misfit], facet[back][misfit]


def _table(
    targets: pd.DataFrame,
    usable: np.ndarray,
    tries: Tries,
    setting: Setting,
    kinematics: Kinematics,
    poses: tuple[tuple[float, ...], ...],
) -> pd.DataFrame:
    """The targets with what was found."""
    n = len(targets)
    good = np.flatnonzero(tries.fault == 0)
    reachable = np.isin(np.arange(n), tries.target[good])
    ways: list[list[int]] = [[] for _ in range(n)]
    for row in good:
        ways[tries.target[row]].append(int(tries.pose[row]))
    out = targets.copy()
    out["reachable"] = reachable
    unreached = np.flatnonzero(usable & ~reachable)
    reasons = why_not(tries, unreached, setting, kinematics, poses)
    out["reason"] = [
        "" if reachable[row] else reasons.get(row, "the target has no finite position and normal") for row in range(n)
    ]
    out["reason"] = out["reason"].astype(object)
    out["directions"] = pd.Series([tuple(sorted(set(way))) for way in ways], index=out.index, dtype=object)
    _choose(out, np.flatnonzero(reachable), tries.take(good), setting)
    out["standoff"], out["overtravel"] = setting.move.standoff, setting.move.overtravel
    out.attrs = {**targets.attrs, "poses": poses}
    return out


def _choose(out: pd.DataFrame, rows: np.ndarray, good: Tries, setting: Setting) -> None:
    """Write the best of the good tries of each target into the table, in place; `rows` are those that have one."""
    n = len(out)
    # round: equal clearances must not be told apart by rounding
    tip, clearance = good.tip, good.clearance.round(3)
    beside = (tip > 0) | (clearance < round(setting.move.enough, 3))  # not the straight tip with room enough
    order = np.lexsort([tip, good.pose, good.stem_angle.round(6), beside, -clearance])
    chosen = np.full(n, -1)
    chosen[good.target[order[::-1]]] = order[::-1]
    one = chosen[rows]
    direction, tips, room = np.full(n, -1), np.zeros(n, dtype=int), np.full(n, np.nan)
    axes = np.full((n, 3), np.nan)
    direction[rows], tips[rows], room[rows] = good.pose[one], good.tip[one], good.clearance[one]
    axes[rows] = setting.frames[good.pose[one], :, 2]
    cosine = np.einsum("ij,ij->i", axes, setting.normals)
    out["direction"], out["tip"] = direction, tips
    out[["ti", "tj", "tk"]] = axes
    out["approach_angle"] = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    out["clearance"] = room


def _places(targets: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points and normals (n, 3), and which rows have both; a table that is none is refused."""
    if not isinstance(targets, pd.DataFrame):
        raise InputError("the targets are not a table", found=type(targets).__name__, expected="a DataFrame")
    missing = [name for name in tables.COLUMNS if name not in targets.columns]
    if missing:
        raise InputError("the targets table lacks columns", found=", ".join(missing))
    numbers = targets[["x0", "y0", "z0", "i", "j", "k"]].apply(pd.to_numeric, errors="coerce").to_numpy(float)
    usable = np.isfinite(numbers).all(axis=1)
    tables.check(targets[usable])
    return numbers[:, :3].copy(), numbers[:, 3:].copy(), usable


def _checked_move(move: Move) -> Move:
    for name, least in (("margin", 0.0), ("standoff", 0.0), ("overtravel", 0.0), ("max_angle", 0.0), ("enough", 0.0)):
        value = getattr(move, name)
        if not isinstance(value, (int, float, np.number)) or not least <= float(value) < np.inf:
            raise InputError(
                "a length or angle of the touching move is not usable", column=name, found=value, expected=">= 0"
            )
    if move.standoff <= move.margin:
        raise InputError(
            "the standoff is not larger than the margin",
            column="standoff",
            found=move.standoff,
            expected=f"> {move.margin}",
            todo="The ball would be too close at the start of the move.",
        )
    if move.enough < move.margin:
        raise InputError(
            "the clearance that counts as enough is less than the margin", column="enough", found=move.enough
        )
    return move
