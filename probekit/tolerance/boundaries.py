"""The two limits of a profile zone: the same everywhere, or two boundaries that vary over the surface."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError
from .cover import positive

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Boundaries", "boundary_limits", "limits"]

#: A boundary: a distance [mm], one per row, the name of a column, or a function of feet (n, 3) [mm] to distances (n,).
Boundary = float | Sequence[float] | str | Callable[[np.ndarray], np.ndarray]
#: Two boundaries, lower and upper; or a table of them along an axis.
Boundaries = tuple[Boundary, Boundary] | Mapping[str, Any]


def limits(width: float, outside: float | None = None) -> tuple[float, float]:
    """Limits (lower, upper) of the deviation that a profile zone sets [mm].

    Parameters
    ----------
    width : float
        Tolerance [mm].
    outside : float, optional
        How much of it lies outside the material [mm]: half by default, all for one-sided outside, 0 for one-sided
        inside. Values beyond 0..width shift the whole zone to one side.

    Raises
    ------
    InputError
        If the width is not positive, or a number is not finite.
    """
    positive(width, "the width of a profile zone")
    upper = width / 2 if outside is None else float(outside)
    if not np.isfinite(upper):
        raise InputError("the part of the zone outside the material is not a number", found=outside)
    return upper - width, upper


def boundary_limits(deviations: pd.DataFrame, boundaries: Boundaries) -> np.ndarray:
    """Limits of the deviation that two boundaries set at each touch.

    Parameters
    ----------
    deviations : (n rows) DataFrame
        Deviations table.
    boundaries : pair or mapping
        Lower and upper boundary as signed distances from the nominal along its outward normal [mm]: each a number, an
        array (n,), the name of a column, or a function of the feet (n, 3). Or a mapping with the keys `along` ("x",
        "y" or "z"), `at` (rising places on that axis [mm]), `lower` and `upper` (distances there [mm]), between which
        it is interpolated linearly along the foot's coordinate, and constant beyond both ends.

    Returns
    -------
    (n, 2) float
        NaN in rows without a foot.

    Raises
    ------
    InputError
        If they are not two boundaries, or cross or touch each other at a touch.
    """
    feet = deviations[["foot_x", "foot_y", "foot_z"]].to_numpy(dtype=float)
    if isinstance(boundaries, Mapping):
        sides = _interpolated(feet, boundaries)
    else:
        pair = tuple(boundaries)
        if len(pair) != 2:
            raise InputError("a zone has two boundaries", found=f"{len(pair)}", expected="lower and upper")
        sides = np.column_stack([_distances(deviations, feet, one) for one in pair])
    placed = np.isfinite(feet).all(axis=1)
    bad = placed & ~(sides[:, 0] < sides[:, 1])
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        raise InputError(
            f"the boundaries of a zone meet or cross at touch {deviations['touch'].iloc[row]}",
            found=f"lower {sides[row, 0]:g}, upper {sides[row, 1]:g}",
            expected="lower below upper",
        )
    return np.where(placed[:, None], sides, np.nan)


def _distances(deviations: pd.DataFrame, feet: np.ndarray, boundary: Boundary) -> np.ndarray:
    if isinstance(boundary, str):
        if boundary not in deviations:
            raise InputError("the table has no column for a boundary of the zone", found=boundary)
        boundary = deviations[boundary].to_numpy(dtype=float)
    values = np.asarray(boundary(feet) if callable(boundary) else boundary, dtype=float)
    if values.shape not in ((), (len(deviations),)):
        raise InputError(
            "a boundary needs one distance per touch", found=f"shape {values.shape}", expected=f"({len(deviations)},)"
        )
    return np.broadcast_to(values, (len(deviations),))


def _interpolated(feet: np.ndarray, table: Mapping[str, Any]) -> np.ndarray:
    keys = ("along", "at", "lower", "upper")
    if set(table) != set(keys):
        raise InputError("boundaries along an axis need four keys", found=", ".join(table), expected=", ".join(keys))
    axis = str(table["along"])
    at, lower, upper = (np.atleast_1d(np.asarray(table[key], dtype=float)) for key in keys[1:])
    if axis not in ("x", "y", "z") or len(at) < 2 or not (np.diff(at) > 0).all():
        raise InputError("boundaries run along x, y or z over rising places", found=f"{axis}: {at.tolist()}")
    if not (lower.shape == upper.shape == at.shape):
        raise InputError(
            "boundaries need as many distances as places",
            found=f"{len(at)} places, {len(lower)} lower, {len(upper)} upper",
        )
    along = feet[:, "xyz".index(axis)]
    return np.column_stack([np.interp(along, at, lower), np.interp(along, at, upper)])
