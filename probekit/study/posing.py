"""The poses in which the targets of a study may be touched, and plans that say the pose of each touch."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import plan as planning
from ..columns import NORMAL, TARGET, array
from ..errors import InputError

if TYPE_CHECKING:
    from ..plan.route.route import Route

__all__ = ["in_rounds", "poses_of", "reached_as_posed", "with_poses"]

_ANGLE = "angle_"
_SAME = 4  # decimals of a target in which two are one


def poses_of(
    options: dict[str, Any], probe: planning.Probe, kinematics: planning.Kinematics
) -> tuple[tuple[float, ...], ...]:
    """The poses that ``[reach]`` allows: its `poses`, or those by `step` and `tilt`."""
    if "poses" in options:
        return tuple(tuple(float(angle) for angle in pose) for pose in options["poses"])
    given = {key: options[key] for key in ("step", "tilt") if key in options}
    return planning.poses(kinematics, turned=probe.turned, **given)


def with_poses(made: pd.DataFrame, planned: pd.DataFrame) -> pd.DataFrame:
    """Targets with the angles that a plan file says for each, if it does."""
    names = [name for name in planned if str(name).startswith(_ANGLE)]
    return made.assign(**{name: planned[name].to_numpy() for name in names})


def in_rounds(order: Callable[..., Route]) -> Callable[..., Route]:
    """An order in which targets that are stated again in one pose are touched again later, the last ones at the end.

    A tour would touch them twice in a row, and tell nothing of a drift. Their poses come first; between the rounds lie
    equal parts of the other poses.

    Parameters
    ----------
    order : callable
        `probekit.plan.order` with all but targets and height.
    """

    def ordered(found: pd.DataFrame, **distances: float) -> Route:
        pose = found["direction"].to_numpy(int)
        same = pd.DataFrame(np.column_stack([array(found, TARGET), array(found, NORMAL), pose]).round(_SAME))
        time = np.where(pose >= 0, same.groupby(list(same)).cumcount().to_numpy(), 0)
        if not time.any():
            return order(found, **distances)
        from ..plan.route.joining import joined

        opening = np.unique(pose[time > 0])
        between = np.array_split(np.setdiff1d(pose, opening), time.max())
        rows = [np.isin(pose, opening) & (time == 0)]
        for number, poses in enumerate(between, start=1):
            rows += [np.isin(pose, poses), time == number]
        parts = [found[chosen].reset_index(drop=True) for chosen in rows if chosen.any()]
        for part in parts:
            part.attrs = dict(found.attrs)
        height = max(order(part, **distances).height for part in parts)
        return joined([order(part, **(distances | {"height": height})) for part in parts])

    return ordered


def reached_as_posed(
    targets: pd.DataFrame, kinematics: planning.Kinematics, reach: Callable[..., pd.DataFrame]
) -> pd.DataFrame | None:
    """What reach finds of targets whose plan says their poses, each in its own; None if it does not say them.

    Parameters
    ----------
    targets : DataFrame
    kinematics : Kinematics
    reach : callable
        `probekit.plan.reach` with all but targets and poses.

    Raises
    ------
    InputError
        If a pose is not whole, or the machine has other axes.
    """
    names = [f"{_ANGLE}{letter.lower()}" for letter in kinematics.letters]
    stated = [name for name in targets if str(name).startswith(_ANGLE)]
    if not stated:
        return None
    if sorted(stated) != sorted(names):
        expected = ", ".join(names) or "none: the machine has no rotary axis"
        raise InputError("the plan says poses of another machine", column=stated[0], expected=expected)
    angles = targets[names].to_numpy(dtype=float)
    if not np.isfinite(angles).all():
        row = int(np.argmin(np.isfinite(angles).all(axis=1)))
        raise InputError(
            "the plan does not say the pose of each touch", column=names[0], found=f"touch {targets['touch'].iloc[row]}"
        )
    poses, which = np.unique(angles, axis=0, return_inverse=True)
    which, judged = which.reshape(-1), []
    for number, pose in enumerate(poses):
        found = reach(targets[which == number].reset_index(drop=True), poses=(tuple(pose.tolist()),))
        ways = pd.Series(
            [(number,) if len(way) else () for way in found["directions"]], index=found.index, dtype=object
        )
        judged.append(found.assign(direction=np.where(found["direction"] < 0, -1, number), directions=ways))
    whole = pd.concat(judged, ignore_index=True)
    whole.attrs = dict(judged[0].attrs) | {"poses": tuple(tuple(pose.tolist()) for pose in poses)}
    return whole
