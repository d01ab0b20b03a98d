"""The best placement of a zone over the degrees of freedom left to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..deviation import distance_function
from ..errors import InputError
from ..fit import FREEDOMS, make_motion, minimax_motion
from ..fit.motion import free_basis, free_of, typical_arm

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["Placement", "check_free", "place"]


@dataclass(frozen=True, eq=False)
class Placement:
    """Deviations (n,) [mm] after a placement, offset and all; the motion (4, 4), the uniform offset taken off [mm]."""

    deviations: np.ndarray
    motion: np.ndarray
    offset: float


def check_free(free: str | tuple[str, ...]) -> tuple[str, ...]:
    """Degrees of freedom as a tuple, in the order given.

    Raises
    ------
    InputError
        If a name is not one of `probekit.fit.FREEDOMS`.
    """
    names = (free,) if isinstance(free, str) else tuple(free)
    unknown = [name for name in names if name not in FREEDOMS]
    if unknown:
        free_of(unknown)  # says which name, and what names there are
    return names


def place(
    chosen: pd.DataFrame,
    nominal: Nominal | None,
    free: tuple[str, ...],
    middle: np.ndarray | float,
    half: np.ndarray | float,
    *,
    pivot: np.ndarray,
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
    free : tuple of str
        Motions left, of tx, ty, tz, rx, ry, rz.
    middle, half : (n,) float or float
        Middle and half width of the zone at each touch [mm].
    pivot : (3,) float
        Point about which turns are taken [mm].
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
        which = free_of([f for f in FREEDOMS if f not in free])
        centre = points.mean(axis=0) if which[:3].all() else pivot
        length = typical_arm(points, centre)
        basis, measure = free_basis(which, length), distance_function(chosen, nominal)
    else:
        centre, basis = pivot, np.zeros((6, 0))
        fixed = chosen["deviation"].to_numpy(dtype=float), np.zeros((len(points), 3))
        measure = lambda _points: fixed  # noqa: E731
    solved = minimax_motion(points, measure, basis, pivot=centre, middle=middle, scale=scale, offset=offset)
    motion = make_motion(solved.parameters[:3], np.degrees(solved.parameters[3:]), pivot=centre)
    return Placement(solved.residuals / scale + middle, motion, solved.offset)
