"""A route as moves, moves as a table, and what must hold of moves before they become text.

SpindleStop, Away, ToolChange, perhaps Orient, WarmUp
per pose:   Lift (the first time the spindle is still where tools are changed, and stays there), Index, Link across
per touch:  SelectTip if it is another one, Link or Approach or Retract (the way there), Approach, Touch, Record,
            Retract, perhaps StopIf
Lift, and Index back to the angles before
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import fields

import numpy as np
import pandas as pd

from ...columns import NORMAL, TARGET
from ...errors import InputError
from ...plan.access.poses import tip_offset
from ...plan.kinematics import Kinematics
from ...plan.probe import BY_HAND, Probe
from ...plan.route.pace import Leg, Pace
from ...plan.route.route import Route
from ..moves import (
    Approach,
    Away,
    Comment,
    Index,
    Lift,
    Link,
    Move,
    Orient,
    Record,
    Retract,
    SelectTip,
    SpindleStop,
    StopIf,
    ToolChange,
    Touch,
    WarmUp,
)
from .slots import slot_of

__all__ = ["check_moves", "moves_of", "table_of"]

_POSITIONAL = (Link, Approach, Touch, Retract)
_SAME = ("touch", "target", "tip")  # of a touch and its record


def moves_of(
    route: Route,
    probe: Probe,
    kinematics: Kinematics,
    *,
    tool: int,
    offset: int | None = None,
    warm_up: float = 10.0,
    limits: tuple[float, float] | None = None,
    start: Sequence[float] = (),
) -> tuple[Move, ...]:
    """The moves of a route, from the stopped spindle to the last lift.

    Parameters
    ----------
    route : Route
        From `probekit.plan.order`; its pace gives the feeds.
    probe : Probe
    kinematics : Kinematics
        The ones of the route.
    tool : int
        Number of the probe in the magazine.
    offset : int, optional
        Number of its length offset; default `tool`.
    warm_up : float
        Wait after the tool change [s].
    limits : (2,) float, optional
        Least and largest deviation [mm] of a touch whose `critical` is true: outside, the program stops. Without
        limits nothing stops.
    start : (n_axes,) float
        Angles of the rotary axes before and after probing [degree], as given to `order`; default zero.

    Returns
    -------
    tuple of Move

    Raises
    ------
    InputError
        For an empty route, limits that do not increase, or moves that `check_moves` refuses.
    """
    if route.targets.empty:
        raise InputError("the route has no touch", found=0, todo="See left_out for the reasons.")
    if limits is not None and not limits[0] < limits[1]:
        raise InputError("the limits of critical touches do not increase", column="limits", found=limits)
    lift, offset = Lift(route.height), tool if offset is None else offset
    orient = () if probe.turned else _oriented(probe)  # also for the straight tip: the others come near the part
    moves: list[Move] = [SpindleStop(), Away(), ToolChange(tool, offset, probe.name), *orient, WarmUp(warm_up)]
    tip = 0
    for at, row in enumerate(route.targets.to_dict("records")):
        pose = route.poses[int(row.get("direction", 0))]
        if route.indexed[at]:
            moves += [lift] if at else []
            moves += [Index(pose)] if kinematics.axes else []
        if row["tip"] != tip:
            tip = int(row["tip"])
            moves.append(SelectTip(tip, probe.tip_name(tip)))
        moves += [_moved(leg, route.pace.positioning) for leg in route.ways[at]]
        moves += _touched(row, route.starts[at], probe, tip_offset(probe, tip, kinematics, pose), route.pace, limits)
        moves += [_moved(leg, route.pace.positioning) for leg in route.leaving[at]]
    moves.append(lift)
    if kinematics.axes:
        moves.append(Index(tuple(float(angle) for angle in start) or (0.0,) * len(kinematics.axes)))
    check_moves(moves, kinematics)
    return tuple(moves)


def table_of(moves: Sequence[Move], *, slots: Sequence[int] = ()) -> pd.DataFrame:
    """Moves as a table, one row per move.

    Parameters
    ----------
    moves : sequence of Move
    slots : (2,) int, optional
        First and last parameter in which the program keeps triggers, as its dialect has them.

    Returns
    -------
    DataFrame
        `move` (its kind), `touch`, `feature`, `x`, `y`, `z` (where the reference ball's centre goes, part frame [mm]),
        `feed` [mm/min], `angles`, `tip` that touches, `slot` (the first of the three parameters that keep the trigger),
        and `words`: the rest, for a person.
    """
    rows, recorded = [], 0
    for move in moves:
        values = {field.name: getattr(move, field.name) for field in fields(move)}
        x, y, z = values.pop("to", (math.nan,) * 3)
        row = {"move": type(move).__name__, "touch": values.pop("touch", pd.NA), "feature": values.pop("feature", "")}
        if values.get("tip") == 0 and not isinstance(move, SelectTip):
            del values["tip"]  # the straight one goes without saying
        row |= {"x": x, "y": y, "z": z, "feed": values.pop("feed", math.nan), "angles": values.pop("angles", ())}
        row |= {"tip": getattr(move, "tip", pd.NA), "slot": pd.NA}
        if isinstance(move, Record):
            at, recorded = slot_of(slots, recorded), recorded + 1
            row["slot"] = pd.NA if at is None else at
        rows.append(row | {"words": ", ".join(f"{name} {value}" for name, value in values.items())})
    columns = ["move", "touch", "feature", "x", "y", "z", "feed", "angles", "tip", "slot", "words"]
    return pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(("touch", "tip", "slot"), "Int64"))


def check_moves(moves: Sequence[Move], kinematics: Kinematics) -> None:
    """Refuse moves that could do harm, whatever the dialect.

    Parameters
    ----------
    moves : sequence of Move
    kinematics : Kinematics

    Raises
    ------
    InputError
        For a number that is not finite; a feed that is not positive; a probing move before the spindle is stopped and
        the probe put in, not straight after the approach, faster than it, or with a tip that was not selected; a record
        or a conditional stop without its touch; rotary axes that turn unlifted, out of their limits, or not before the
        first move of such a machine; a turn of no axis at all.
    """
    put_in, stopped, high, indexed, seen, tip = False, False, False, not kinematics.axes, set(), 0
    before: Move | None = None
    last: int | None = None
    for number, move in enumerate(moves, start=1):
        here = f"move {number} ({type(move).__name__})"
        if not all(math.isfinite(value) for value in _numbers(move)):
            raise InputError(f"{here} has a number that is not finite", found=move)
        if isinstance(move, (Approach, Touch, Retract)) and move.feed <= 0:
            raise InputError(f"{here} has no feed", column="feed", found=move.feed, expected="more than 0 mm/min")
        if isinstance(move, SpindleStop):
            stopped = True
        elif isinstance(move, ToolChange):
            _need(stopped, f"{here}: the spindle is not stopped before the probe is loaded")
            _need(min(move.tool, move.offset) >= 0, f"{here}: a tool or its offset has a negative number")
            put_in, tip = True, 0
        elif isinstance(move, Orient):
            _need(put_in, f"{here}: the spindle is oriented before the probe is loaded")
        elif isinstance(move, SelectTip):
            tip = move.tip
        elif isinstance(move, WarmUp):
            _need(move.seconds >= 0, f"{here}: a dwell has a negative time")
        elif isinstance(move, Index):
            _need(bool(move.angles), f"{here}: there is no rotary axis to turn")  # a bare G0: NISTIR 6556 forbids it
            _need(high, f"{here}: the rotary axes would turn without a lift")
            _check_angles(move.angles, kinematics, here)
            indexed = True
        elif isinstance(move, (Away, Lift)):
            high = True
        elif isinstance(move, _POSITIONAL):
            high = False
            _need(put_in, f"{here}: the probe moves before it is loaded")
            _need(indexed, f"{here}: the angles of the rotary axes are not known yet")
        if isinstance(move, Touch):
            _need(isinstance(before, Approach), f"{here}: a probing move does not follow its approach")
            _need(move.feed <= before.feed, f"{here}: a probing move is faster than its approach")
            _need(move.touch not in seen, f"{here}: touch {move.touch} is made twice")
            _need(move.tip == tip, f"{here}: touch {move.touch} is for tip {move.tip}, but tip {tip} is selected")
            seen.add(move.touch)
            last = move.touch
        elif isinstance(move, Record):
            own = isinstance(before, Touch) and all(getattr(before, name) == getattr(move, name) for name in _SAME)
            _need(own, f"{here}: a record does not follow its touch")
        elif isinstance(before, Touch):
            raise InputError(f"{here}: touch {before.touch} is not recorded")
        if isinstance(move, StopIf):
            _need(move.touch == last, f"{here}: a conditional stop does not refer to the touch last recorded")
        if not isinstance(move, (Comment, WarmUp)):
            before = move
    if isinstance(before, Touch):
        raise InputError(f"touch {before.touch} is not recorded")


def _oriented(probe: Probe) -> tuple[Orient, ...]:
    """How the spindle comes to stand as the tips are described; nothing where the probe does not say."""
    if probe.orientation is None:
        return ()
    if probe.orientation != BY_HAND:
        return (Orient(float(probe.orientation)),)
    beside = ((k, np.array(tip.direction[:2])) for k, tip in enumerate(probe.tips, start=1))
    tip, (x, y) = max(beside, key=lambda one: float(np.hypot(*one[1])))
    along = {(1, 0): "X PLUS", (-1, 0): "X MINUS", (0, 1): "Y PLUS", (0, -1): "Y MINUS"}
    unit = tuple(np.round([x, y] / np.hypot(x, y), 6).tolist()) if np.hypot(x, y) > 0 else (1, 0)
    where = along.get(unit) or f"{math.degrees(math.atan2(y, x)):.1f} DEG FROM X PLUS"
    return (Orient(None, f"TURN SPINDLE, TIP {tip} TO {where}"),)


def _moved(leg: Leg, feed: float) -> Move:
    if leg.kind == "rapid":
        return Link(leg.to)
    return Approach(leg.to, feed) if leg.kind == "approach" else Retract(leg.to, feed)


def _touched(
    row: dict, start: np.ndarray, probe: Probe, offset: np.ndarray, pace: Pace, limits: tuple[float, float] | None
) -> Iterator[Move]:
    """The probing move from the start of a touch, its record, the way back, and perhaps a stop."""
    touch, feature, tip = int(row["touch"]), str(row["feature"]), int(row["tip"])
    radius = probe.tip_radius(tip)
    target, normal = (tuple(float(row[name]) for name in names) for names in (TARGET, NORMAL))
    end = tuple(float(c) for c in np.add(target, (radius - row["overtravel"]) * np.array(normal)) - offset)
    yield Touch(touch, feature, target, normal, end, pace.touch, tip)
    yield Record(touch, feature, target, normal, tip)
    yield Retract(tuple(float(c) for c in start), pace.positioning)
    if limits is not None and row.get("critical") in (True,):  # neither NaN nor text
        yield StopIf(touch, target, normal, radius, float(limits[0]), float(limits[1]), tip)


def _numbers(move: Move) -> Iterator[float]:
    for field in fields(move):
        value = getattr(move, field.name)
        for number in value if isinstance(value, tuple) else (value,):
            if number is not None and not isinstance(number, str):
                yield number


def _check_angles(angles: tuple[float, ...], kinematics: Kinematics, here: str) -> None:
    if len(angles) != len(kinematics.axes):
        raise InputError(f"{here}: each rotary axis needs one angle", found=angles, expected=kinematics.letters)
    for axis, angle in zip(kinematics.axes, angles, strict=True):
        low, high = axis.limits
        if not low - 1e-9 <= angle <= high + 1e-9:
            raise InputError(
                f"{here}: an angle is outside the limits", column=axis.letter, found=angle, expected=f"{low} to {high}"
            )


def _need(holds: bool, what: str) -> None:
    if not holds:
        raise InputError(what)
