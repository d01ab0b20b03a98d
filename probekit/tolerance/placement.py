"""The best placement of a zone over the degrees of freedom left to it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..deviation.projection import distance_function
from ..errors import InputError
from ..fit import make_motion
from ..fit.datums.frame import DatumFrame
from ..fit.datums.freedom import Freedom
from ..fit.minimax import minimax_motion
from ..fit.motion import typical_arm

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["TOGETHER", "Free", "Placement", "freedom_of", "place"]

#: What is not built yet, said by name.
TOGETHER = "placed by itself: a simultaneous requirement, one placement with others of its datum frame, is not judged"


@dataclass(frozen=True, eq=False)
class Placement:
    """Deviations (n,) [mm] after a placement, offset and all; the motion (4, 4), the uniform offset taken off [mm]."""

    deviations: np.ndarray
    motion: np.ndarray
    offset: float


#: What is left to a zone: names of degrees of freedom, or the datum frame that leaves them, with its datums' play.
Free = str | Iterable[str] | DatumFrame | Freedom


def freedom_of(free: Free, pivot: Iterable[float] = (0.0, 0.0, 0.0)) -> Freedom:
    """What is left to a zone; the pivot is for names, a frame has its own.

    Raises
    ------
    InputError
        If a name is not one of `probekit.fit.FREEDOMS`.
    """
    if isinstance(free, Freedom):
        return free
    return free.freedom if isinstance(free, DatumFrame) else Freedom.named(free, pivot)


def place(
    chosen: pd.DataFrame,
    nominal: Nominal | None,
    free: Freedom,
    middle: np.ndarray | float,
    half: np.ndarray | float,
    *,
    name: str,
    offset: bool = False,
) -> Placement:
    """Placement that minimises the largest |deviation - middle| / half width.

    Parameters
    ----------
    chosen : (n rows) DataFrame
        Rows of a deviations table.
    nominal : Nominal or None
        Needed if a motion is free.
    free : Freedom
        Motions left.
    middle, half : (n,) float or float
        Middle and half width of the zone at each touch [mm].
    name : str
        Name of the tolerance, for the error.
    offset : bool
        Leave a uniform offset of the zone free as well.

    Raises
    ------
    InputError
        If a motion is free and there is no nominal.
    FitError
        If it does not settle.
    """
    if not free and not offset:
        return Placement(chosen["deviation"].to_numpy(dtype=float), np.eye(4), 0.0)
    points = chosen[["x", "y", "z"]].to_numpy(dtype=float)
    scale = np.mean(half) / half if np.ptp(half) > 0 else 1.0
    if free:
        if nominal is None:
            raise InputError(f"tolerance '{name}' has free degrees of freedom, so it needs nominal= to project again")
        loose = free.shifts.shape[1] == 3 and not free.limited
        centre = points.mean(axis=0) if loose else free.pivot
        free, measure = free.turning_little().scaled(typical_arm(points, centre)), distance_function(chosen, nominal)
    else:
        centre = free.pivot
        fixed = chosen["deviation"].to_numpy(dtype=float), np.zeros((len(points), 3))
        measure = lambda _points: fixed  # noqa: E731
    solved = minimax_motion(
        points,
        measure,
        free.motions,
        pivot=centre,
        middle=middle,
        scale=scale,
        offset=offset,
        within=(free.rows, free.limits),
    )
    motion = make_motion(solved.parameters[:3], np.degrees(solved.parameters[3:]), pivot=centre)
    return Placement(solved.residuals / scale + middle, motion, solved.offset)
