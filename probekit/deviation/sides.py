"""Thin walls: a touch whose direction is known does not belong to the side that faces away from it."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from ..columns import APPROACH, NORMAL, array, has
from ..nominal.feet import OTHER_SIDE, Feet

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["known_directions", "on_known_side"]

#: Cosine of the angle from which a foot's normal contradicts the known direction: 100 degrees, as an approach is rough
#: and at a sharp edge the side beside the one asked for stands at 90.
_AGAINST = -0.17
_MOST = 2.0  # a foot further off than this on the side asked for is no deviation of a milled part [mm]

_WAYS = np.array([way for way in product((-1.0, 0.0, 1.0), repeat=3) if any(way)])
_WAYS /= np.linalg.norm(_WAYS, axis=1, keepdims=True)


def known_directions(table: pd.DataFrame) -> np.ndarray:
    """(n, 3) outward directions: against the approach, else the target's normal; NaN where neither is known."""
    out = np.full((len(table), 3), np.nan)
    for columns, sense in ((NORMAL, 1.0), (APPROACH, -1.0)):
        if has(table, columns):
            given = sense * array(table, columns)
            out = np.where(np.isfinite(given).all(axis=1, keepdims=True), given, out)
    return out


def on_known_side(
    feet: Feet,
    points: np.ndarray,
    outward: np.ndarray,
    nominal: Nominal,
    faces: np.ndarray | None,
    *,
    radius: np.ndarray | float = 0.0,
    smooth: bool = False,
) -> Feet:
    """Feet whose normals contradict the directions that are known, searched again on the side that agrees.

    Parameters
    ----------
    feet : Feet
        Of `points`, as the nearest surface gives them.
    points : (n, 3) float [mm]
    outward : (n, 3) float
        Known directions out of the material; NaN where there is none.
    nominal : Nominal
    faces : (n,) int or None
        Face that each is bound to, -1 for none.
    radius : (n,) float or float
        Height over the surface at which the points are expected: of ball centres the radius [mm].
    smooth : bool
        As `feet` were asked for.

    Returns
    -------
    Feet
        Those that have no foot within 2 mm on the side that agrees keep theirs, flagged `OTHER_SIDE`.
    """
    length = np.linalg.norm(outward, axis=1)
    with np.errstate(invalid="ignore"):
        wrong = np.flatnonzero(np.einsum("ij,ij->i", feet.normal, outward) < _AGAINST * length)
    if not len(wrong):
        return feet
    feet = replace(feet, **{field.name: getattr(feet, field.name).copy() for field in fields(feet)})
    bound = np.full(len(points), -1) if faces is None else faces
    radius = np.broadcast_to(radius, len(points))
    way = (outward[wrong] @ _WAYS.T).argmax(axis=1)
    feet.flags[wrong] |= OTHER_SIDE
    for face, k in sorted(set(zip(bound[wrong].tolist(), way.tolist(), strict=True))):
        rows = wrong[(bound[wrong] == face) & (way == k)]
        engine, own = (nominal.engine, None) if face < 0 else nominal.engine.of_face(face)
        facing = engine.facing(_WAYS[k])
        if facing is None:
            continue
        found = facing.feet(points[rows], smooth=smooth)
        agrees = np.einsum("ij,ij->i", found.normal, outward[rows]) >= _AGAINST * length[rows]
        good = np.flatnonzero(agrees & (np.abs(found.distance - radius[rows]) <= _MOST))
        if own is not None:
            found = replace(found, facet=own[found.facet])
        for field in fields(feet):
            getattr(feet, field.name)[rows[good]] = getattr(found, field.name)[good]
    return feet
