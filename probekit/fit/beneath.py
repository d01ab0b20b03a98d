"""The element of the nominal beneath some touches: where a fit to few touches starts, and the branch it stays in.

Few touches fit several elements about as well: 2 x 4 touches of a bore at equal angles are the corners of a box, which
lie on three cylinders, and scatter alone says which has the smallest residual. The nominal tells which was touched, by
the normals at the feet; their positions alone would be as ambiguous as the touches.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from ..errors import FitError, InputError
from .datums.counterparts import meeting
from .elements import element

__all__ = ["ACROSS", "ROUND", "material_of", "nominal_beneath"]

ACROSS = np.sin(np.radians(8.0))  # normals of coarse facets lean from their axis by less than this
ROUND = 0.05  # spread of the normals round the axis, below which they do not tell it


def nominal_beneath(points: np.ndarray, normals: np.ndarray, shape: str) -> dict[str, np.ndarray | float] | None:
    """Parameters of the cylinder, or sphere, of the nominal under the touches; None if their normals do not fix it.

    Parameters
    ----------
    points, normals : (n, 3) float
        Feet of the touches on the nominal [mm], and its outward unit normals there.
    shape : str
        "cylinder" or "sphere"; any other has no need of it and gets None.
    """
    if shape not in ("cylinder", "sphere") or len(points) < 3:
        return None
    _, spread, vt = np.linalg.svd(normals, full_matrices=True)
    if spread[1] < ROUND * spread[0]:
        return None
    if shape == "sphere":
        centre, radius = meeting(points, normals, np.eye(3))
        return _refined(points, shape, {"centre": centre, "radius": abs(radius)})
    direction = vt[2]
    if np.abs(normals @ direction).max() > ACROSS:
        return None
    point, radius = meeting(points, normals, np.eye(3) - np.outer(direction, direction))
    point = point + direction * ((points.mean(axis=0) - point) @ direction)
    return _refined(points, shape, {"point": point, "direction": direction, "radius": abs(radius)})


def material_of(points: np.ndarray, normals: np.ndarray) -> Literal["inside", "outside"]:
    """Whether the material of a closed feature is inside (boss) or outside (bore), by the nominal's normals.

    For points p on a round or two-sided feature about c, the mean of n . (p - c) is positive for a boss. c is the place
    where the normals meet, in the sense of least squares; no matter how much of the feature was touched. Normals of two
    parallel planes meet nowhere across these: there c is the middle of the touches, between the planes however many
    are on each.

    Parameters
    ----------
    points : (n, 3) float
        On it, or nearly so [mm].
    normals : (n, 3) float
        Outward unit normals there.
    """
    points = points - points.mean(axis=0)
    projector = np.eye(3)[None] - normals[:, :, None] * normals[:, None, :]
    c = np.linalg.lstsq(projector.sum(axis=0), np.einsum("nij,nj->i", projector, points), rcond=1e-9)[0]
    return "inside" if float(np.einsum("ij,ij->i", normals, points - c).mean()) > 0 else "outside"


def _refined(
    points: np.ndarray, shape: str, rough: dict[str, np.ndarray | float]
) -> dict[str, np.ndarray | float] | None:
    """The same, fitted to the feet themselves where they fix it: normals of facets are off by half their angle."""
    if not rough["radius"] > 0:
        return None
    try:
        return dict(element(points, shape, start=rough).parameters)
    except (InputError, FitError):
        return rough
