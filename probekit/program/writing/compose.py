"""A route as moves, and moves as a table.

SpindleStop, Away, ToolChange, perhaps Orient, WarmUp
per pose:   Restart, Lift (but the first time: the spindle is still where tools are changed, and stays there), Index,
            Message, Link across
per touch:  SelectTip if it is another one, Link or Approach or Retract (the way there), Approach, perhaps FirstTouch
            and BackOff, Touch, Record, perhaps Confirm, Retract, perhaps StopIf
Lift, and Index back to the angles before
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from ...columns import NORMAL, TARGET
from ...errors import InputError
from ...plan.access.poses import tip_offset
from ...plan.kinematics import Kinematics
from ...plan.probe import BY_HAND, Probe
from ...plan.route.pace import Leg, Pace
from ...plan.route.route import Route
from ...show import shown
from ..moves import (
    Agree,
    Approach,
    Away,
    BackOff,
    Confirm,
    FirstTouch,
    Index,
    Lift,
    Link,
    Message,
    Move,
    Orient,
    Record,
    Restart,
    Retract,
    SelectTip,
    SpindleStop,
    StopIf,
    ToolChange,
    Touch,
    WarmUp,
)
from .slots import slot_of
from .sound import LEAST_PROBING, check_moves

__all__ = ["Touching", "moves_of", "table_of"]

_RESTARTS = 90010  # number of the first block to start again from, and the step to the next
_STEP = 10


@shown
@dataclass(frozen=True)
class Touching:
    """How each touch is made.

    Parameters
    ----------
    first_feed : float, optional
        Feed of a first, fast touch that finds the surface [mm/min]; the touch that counts follows it at the pace's
        own. Without it there is one touch.
    back : float
        How far the ball backs off from where the first one triggered [mm]: more than overtravel and margin together,
        so that it comes free of the surface, and no more than the standoff.
    confirm : float, optional
        The program goes on after its first touch only if that deviates by no more than this [mm].
    near_feed : float, optional
        Feed of the last part of each approach, where the control does not watch the probe [mm/min].
    near : float
        Length of that part [mm].
    agree : float, optional
        Where the first two touches are of one place in two poses: the program goes on only if they differ by no more
        than this [mm].
    """

    first_feed: float | None = None
    back: float = 1.0
    confirm: float | None = None
    near_feed: float | None = None
    near: float = 5.0
    agree: float | None = None

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if value is not None and not (isinstance(value, int | float) and 0 < value < math.inf):
                raise InputError(
                    "a value is not usable", column=one.name, found=value, expected="a finite, positive number"
                )

    @property
    def sentence(self) -> str:
        """How touches are made, in words."""
        first = f"first at {self.first_feed:g} mm/min, back by {self.back:g} mm, " if self.first_feed else ""
        limit = f"; the first one confirms within {self.confirm:g} mm" if self.confirm else ""
        slow = f"; the last {self.near:g} mm to each at {self.near_feed:g} mm/min" if self.near_feed else ""
        return f"each touch {first}at the pace of the plan{limit}{slow}"


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
    touching: Touching | None = None,
) -> tuple[Move, ...]:
    """The moves of a route, from the stopped spindle to the last lift.

    Many parameters: besides the route, what it depends on and how touches are made, a program needs its numbers.

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
    touching : Touching, optional
        How each touch is made; default ``Touching()``: once, at the feed of the pace.

    Returns
    -------
    tuple of Move

    Raises
    ------
    InputError
        For an empty route, limits that do not increase, a first touch that does not suit standoff and feeds, or moves
        that `check_moves` refuses.
    """
    touching = Touching() if touching is None else touching
    if route.targets.empty:
        raise InputError("the route has no touch", found=0, todo="See left_out for the reasons.")
    if limits is not None and not limits[0] < limits[1]:
        raise InputError("the limits of critical touches do not increase", column="limits", found=limits)
    _check_touching(touching, route)
    lift, offset = Lift(route.height), tool if offset is None else offset
    orient = () if probe.turned else _oriented(probe)  # also for the straight tip: the others come near the part
    moves: list[Move] = [SpindleStop(), Away(), ToolChange(tool, offset, probe.name), *orient, WarmUp(warm_up)]
    tip, told = 0, _told(route)
    again = tuple(move for move in orient if move.angle is not None)
    for at, row in enumerate(route.targets.to_dict("records")):
        pose = route.poses[int(row.get("direction", 0))]
        if route.indexed[at]:
            message, number = next(told)
            moves += [Restart(number, offset, message), *again, lift] if at else []
            moves += [Index(pose)] if kinematics.axes else []
            moves.append(Message(message))
        if row["tip"] != tip:
            tip = int(row["tip"])
            moves.append(SelectTip(tip, probe.tip_name(tip)))
        moves += _way(route.ways[at], touching, route, moves)
        one = dict(row, start=route.starts[at], offset=tip_offset(probe, tip, kinematics, pose), first=not at)
        one["agree"] = _agreeing(route, probe, touching) if at == 1 else None
        moves += _touched(one, probe, route.pace, limits, touching)
        moves += [_moved(leg, route.pace.positioning) for leg in route.leaving[at]]
    moves.append(lift)
    if kinematics.axes:
        moves.append(Index(tuple(float(angle) for angle in start) or (0.0,) * len(kinematics.axes)))
    check_moves(moves, kinematics)
    return tuple(moves)


def _told(route: Route) -> Iterator[tuple[str, int]]:
    """For each pose what the operator reads, and the number of the block to start again from."""
    begins = [*np.flatnonzero(route.indexed).tolist(), len(route.targets)]
    for number, (first, end) in enumerate(itertools.pairwise(begins)):
        many = f"{end - first} TOUCH{'ES' * (end - first != 1)}"
        message = f"POSE {number + 1} OF {len(begins) - 1}: {many}, FIRST {route.targets['touch'].iloc[first]}"
        yield message, _RESTARTS + _STEP * (number - 1)


def _check_touching(touching: Touching, route: Route) -> None:
    """Refuse a first touch that would not do what it is for."""
    targets, pace = route.targets, route.pace
    shortest = float((targets["standoff"] + targets["overtravel"]).min())
    if shortest < LEAST_PROBING:
        raise InputError(
            "a probing move is too short", column="standoff", found=f"{shortest:g} mm with overtravel",
            expected=f"at least {LEAST_PROBING} mm",
        )  # fmt: skip
    if touching.near_feed is not None and not pace.touch <= touching.near_feed <= pace.positioning:
        raise InputError(
            "the feed near the part does not lie between touching and positioning",
            column="near_feed",
            found=touching.near_feed,
            expected=f"{pace.touch:g} to {pace.positioning:g} mm/min",
        )
    if touching.first_feed is None:
        return
    approach = touching.near_feed or pace.positioning
    if not pace.touch < touching.first_feed <= approach:
        raise InputError(
            "the feed of the first touch does not lie between those of touching and of the approach",
            column="first_feed",
            found=touching.first_feed,
            expected=f"above {pace.touch:g}, up to {approach:g} mm/min",
        )
    low, high = float(targets["overtravel"].max()), float(targets["standoff"].min())
    if not max(low, LEAST_PROBING) < touching.back <= high:
        raise InputError(
            "after the first touch the ball would not back off clear of the surface, or beyond where it came from",
            column="back",
            found=touching.back,
            expected=f"above {max(low, LEAST_PROBING):g} (overtravel), up to {high:g} mm (standoff)",
        )


def _way(legs: Sequence[Leg], touching: Touching, route: Route, before: Sequence[Move]) -> list[Move]:
    """The way to a touch, its last part slow where that is asked for."""
    feed, slow = route.pace.positioning, touching.near_feed
    moves = [_moved(leg, feed) for leg in legs]
    if slow is None or not moves or not isinstance(moves[-1], Approach):
        return moves
    come = next((move.to for move in [*before, *moves[:-1]][::-1] if hasattr(move, "to")), None)
    end = moves[-1].to
    length = math.dist(come, end) if come is not None else 0.0
    if length > touching.near:
        part = 1.0 - touching.near / length
        moves.insert(-1, Approach(tuple(a + part * (b - a) for a, b in zip(come, end, strict=True)), feed))
    moves[-1] = Approach(end, slow)
    return moves


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


def _agreeing(route: Route, probe: Probe, touching: Touching) -> Agree | None:
    """What the first two touches must say, if they are of one place in two poses and a limit is given."""
    rows = route.targets.head(2).to_dict("records")
    if touching.agree is None or len(rows) < 2 or rows[0].get("direction") == rows[1].get("direction"):
        return None
    ends = []
    for row in rows:
        target, normal = (tuple(float(row[name]) for name in names) for names in (TARGET, NORMAL))
        tip = int(row["tip"])
        ends.append(Confirm(int(row["touch"]), target, normal, probe.tip_radius(tip), touching.agree, tip))
    if (ends[0].target, ends[0].normal) != (ends[1].target, ends[1].normal):
        return None
    return Agree(ends[0], ends[1], route.poses[int(rows[0]["direction"])], touching.agree)


def _moved(leg: Leg, feed: float) -> Move:
    if leg.kind == "rapid":
        return Link(leg.to)
    return Approach(leg.to, feed) if leg.kind == "approach" else Retract(leg.to, feed)


def _touched(
    one: dict, probe: Probe, pace: Pace, limits: tuple[float, float] | None, touching: Touching
) -> Iterator[Move]:
    """The probing moves from the start of a touch, its record, the way back, and perhaps a stop."""
    touch, feature, tip, offset = int(one["touch"]), str(one["feature"]), int(one["tip"]), one["offset"]
    radius = probe.tip_radius(tip)
    target, normal = (tuple(float(one[name]) for name in names) for names in (TARGET, NORMAL))

    def beside(distance: float) -> tuple[float, float, float]:
        """Centre of the reference ball when that of the tip is so far off the target, along the normal."""
        return tuple(float(c) for c in np.add(target, distance * np.array(normal)) - offset)

    end = beside(radius - one["overtravel"])
    if touching.first_feed is not None:
        by = tuple(float(touching.back * c) for c in normal)
        yield FirstTouch(touch, end, touching.first_feed)
        yield BackOff(by, beside(radius + touching.back), pace.positioning)
    yield Touch(touch, feature, target, normal, end, pace.touch, tip)
    yield Record(touch, feature, target, normal, tip)
    if one["agree"] is not None:
        yield one["agree"]
    if one["first"] and touching.confirm is not None:
        yield Confirm(touch, target, normal, radius, touching.confirm, tip)
    yield Retract(tuple(float(c) for c in one["start"]), pace.positioning)
    if limits is not None and one.get("critical") in (True,):  # neither NaN nor text
        yield StopIf(touch, target, normal, radius, float(limits[0]), float(limits[1]), tip)
