"""Routes that follow one another, as one route."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
import pandas as pd

from ...errors import InputError
from .pace import CycleTime
from .route import Route

__all__ = ["joined"]


def joined(routes: Sequence[Route]) -> Route:
    """One route of several, each of which begins and ends lifted.

    Parameters
    ----------
    routes : sequence of Route
        At least one, with the same height and pace; each may have poses of its own.

    Returns
    -------
    Route

    Raises
    ------
    InputError
        If their heights or paces differ.
    """
    first = routes[0]
    if any(one.height != first.height or one.pace != first.pace for one in routes):
        raise InputError("routes of different heights or paces cannot follow one another")
    poses = tuple(dict.fromkeys(pose for one in routes for pose in one.poses))

    def renumbered(table: pd.DataFrame, own: Route) -> pd.DataFrame:
        if "direction" not in table:
            return table
        numbers = np.array([*(poses.index(pose) for pose in own.poses), -1])
        return table.assign(direction=numbers[table["direction"].to_numpy(int)])

    targets = [renumbered(one.targets, one) for one in routes if len(one.targets)]
    left = [renumbered(one.left_out, one) for one in routes if len(one.left_out)]
    route = Route(
        targets=pd.concat(targets, ignore_index=True) if targets else first.targets,
        left_out=pd.concat(left, ignore_index=True) if left else first.left_out,
        poses=poses,
        starts=np.concatenate([one.starts for one in routes]),
        ways=tuple(way for one in routes for way in one.ways),
        leaving=tuple(way for one in routes for way in one.leaving),
        indexed=np.concatenate([one.indexed for one in routes]),
        height=first.height,
        clear_height=min(one.clear_height for one in routes),
        pace=first.pace,
        time=CycleTime(*(sum(getattr(one.time, part.name) for one in routes) for part in fields(CycleTime))),
    )
    route.targets.attrs, route.left_out.attrs = dict(first.targets.attrs), dict(first.targets.attrs)
    return route
