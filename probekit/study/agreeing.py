"""One place touched in two poses before the rest: whether the rotary axes are where they should be.

The place and the poses are chosen by what they tell. If a table's axis is off by d, a touch of outward normal n at a
pose that turns the part by R deviates by (R n) . (I - R) d, so two poses differ by (R1 n - R2 n) . d. If a head's pivot
length is off by e along the tool a, they differ by n . (a1 - a2) e. Closed forms of elementary geometry, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..columns import NORMAL
from ..plan import Kinematics
from ..plan.access.poses import pose_frame
from ..plan.route.joining import joined

if TYPE_CHECKING:
    from ..plan.route.route import Route
    from .model import Study

__all__ = ["CHECK", "pair_of", "unproved", "with_check"]

CHECK = "rotary_check"  # feature of the second touch: no tolerance counts one place twice
_FOUND = (
    *("reachable", "reason", "direction", "directions", "tip", "ti", "tj", "tk", "approach_angle", "clearance"),
    *("standoff", "overtravel"),
)
_LEAST = 0.2  # of what an error of 1 mm makes between the poses: below it the pair tells too little [mm]


def pair_of(judged: pd.DataFrame, kinematics: Kinematics) -> tuple[int, int] | None:
    """Row of the target and number of the second pose that tell most; None if none tells enough.

    Parameters
    ----------
    judged : DataFrame
        From `probekit.plan.reach`.
    kinematics : Kinematics
    """
    poses = judged.attrs["poses"]
    used = sorted({int(number) for number in judged["direction"] if number >= 0})
    turns = {k: kinematics.part_motion(poses[k])[:3, :3] for k in used}
    along = {k: pose_frame(kinematics, poses[k])[:, 2] for k in used}
    best, found = _LEAST, None
    for row, (first, ways) in enumerate(zip(judged["direction"], judged["directions"], strict=True)):
        normal = judged.iloc[row][list(NORMAL)].to_numpy(dtype=float)
        for other in (int(k) for k in ways if int(first) >= 0 and int(k) != first and int(k) in turns):
            table = float(np.linalg.norm((turns[int(first)] - turns[other]) @ normal))
            head = abs(float(normal @ (along[int(first)] - along[other])))
            told = max(table, head if any(axis.moves == "head" for axis in kinematics.axes) else 0.0)
            if told > best + 1e-9:
                best, found = told, (row, other)
    return found


def with_check(
    judged: pd.DataFrame,
    study: Study,
    kinematics: Kinematics,
    reach: Callable[..., pd.DataFrame],
    order: Callable[..., Route],
) -> tuple[pd.DataFrame, Route]:
    """Targets and a route; it begins with one place in two poses if the study asks for that and a place tells enough.

    Parameters
    ----------
    judged : DataFrame
        From `probekit.plan.reach`.
    study : Study
        With ``[program] agree``, the limit.
    kinematics : Kinematics
    reach, order : callable
        `probekit.plan.reach` and `order` with all but targets and poses, and a height.
    """
    pair = pair_of(judged, kinematics) if "agree" in study.settings.get("program", {}) else None
    if pair is None:
        return judged, order(judged)
    row, other = pair
    poses = judged.attrs["poses"]
    own = [name for name in judged.columns if name not in _FOUND]
    one = judged.iloc[[row]][own].reset_index(drop=True)
    first = reach(one, poses=(poses[int(judged["direction"].iloc[row])],))
    number = int(judged["touch"].max()) + 1
    second = reach(one.assign(touch=number, feature=CHECK, critical=False), poses=(poses[other],))
    if int(first["direction"].iloc[0]) < 0 or int(second["direction"].iloc[0]) < 0:
        return judged, order(judged)
    rest = judged.drop(index=judged.index[row]).reset_index(drop=True)
    rest.attrs = dict(judged.attrs)
    parts = [first, second, rest]
    height = max(order(part).height for part in parts)
    route = joined([order(part, height=height) for part in parts])
    numbers = {pose: place for place, pose in enumerate(route.poses)}
    for place, part in enumerate(parts):
        new = np.array([*(numbers[pose] for pose in part.attrs["poses"]), -1])
        ways = pd.Series([tuple(int(new[k]) for k in way) for way in part["directions"]], dtype=object)
        parts[place] = part.assign(direction=new[part["direction"].to_numpy(int)], directions=ways)
    whole = pd.concat(parts, ignore_index=True)
    whole.attrs = dict(judged.attrs) | {"poses": route.poses}
    return whole, route


def unproved(study: Study, targets: pd.DataFrame) -> list[str]:
    """A note if a study asks for one place in two poses, and its plan has none.

    Parameters
    ----------
    study : Study
    targets : DataFrame
        Of the plan.
    """
    if "agree" not in study.settings.get("program", {}) or CHECK in set(targets["feature"]):
        return []
    why = "it has phases" if study.settings.get("phase") else "no place can be touched in two of its poses that tell it"
    return [f"[program] agree has no effect, and nothing in the program proves the rotary set-up: {why}"]
