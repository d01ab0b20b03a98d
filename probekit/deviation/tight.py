"""Hollows that are narrower than the ball: it touches beside them, not where the foot of its centre lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..nominal.exact import ExactEngine, ExactFeet
from ..nominal.feet import AT_BOUNDARY, AT_EDGE, Feet

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["held_off", "too_tight"]

_SAME = 1e-6  # part of the ball radius by which a hollow of the same radius may seem narrower
_ESTIMATE = 0.1  # the same where the curvature is estimated from facets
_NEARER = 1e-3  # part of the ball radius by which another face must be nearer than the one that was meant
_EXPLAINS = 0.5  # that face lies on the ball, but for so much of the deviation from the one that was meant


def too_tight(
    feet: Feet, nominal: Nominal, radius: float | np.ndarray, allowance: float | np.ndarray = 0.0
) -> np.ndarray:
    """Whether the surface at each foot is hollow with a radius of curvature less than that of the ball.

    Parameters
    ----------
    feet : Feet
        Of ball centres; (n,) rows.
    nominal : Nominal
        On facets the curvature is an estimate, and only a hollow that is clearly narrower counts.
    radius : float or (n,) float
        Effective radius of the ball [mm]; 0 for contact points.
    allowance : float or (n,) float
        Machining allowance there, which makes a hollow narrower [mm].

    Returns
    -------
    (n,) bool
    """
    engine = nominal.engine
    if not np.any(radius):
        return np.zeros(len(feet.foot), dtype=bool)
    if isinstance(engine, ExactEngine) and isinstance(feet, ExactFeet):
        hollow, slack = np.nan_to_num(engine.curvatures(feet)[:, 0], nan=0.0, posinf=0.0), _SAME
    elif isinstance(engine, ExactEngine):
        return np.zeros(len(feet.foot), dtype=bool)
    else:
        hollow, slack = np.where(feet.facet >= 0, engine.hollow[feet.facet], 0.0), _ESTIMATE
    with np.errstate(divide="ignore"):
        room = np.where(hollow > 0, 1.0 / hollow, np.inf) - allowance
    return (np.asarray(radius) > 0) & (room < np.asarray(radius) * (1.0 - slack))


def held_off(
    centres: np.ndarray,
    feet: Feet,
    nominal: Nominal,
    deviation: np.ndarray,
    radius: np.ndarray,
    faces: np.ndarray | None,
    allowances: np.ndarray,
) -> np.ndarray:
    """Whether another face holds the ball off the one that was meant: a slot, a corner or a bore too narrow for it.

    The ball lies on that other face, or nearly, and is further from its own; and the other rises above the foot, as
    beside an outer edge it does not.

    Parameters
    ----------
    centres : (n, 3) float
        Ball centres [mm].
    feet : Feet
        On the faces that were meant.
    nominal : Nominal
    deviation : (n,) float
        From the faces that were meant [mm].
    radius : (n,) float
        Of the ball [mm]; 0 for contact points.
    faces : (n,) int or None
        Face that was meant, -1 for none.
    allowances : (k,) float
        Machining allowance of each face [mm].

    Returns
    -------
    (n,) bool
    """
    out = np.zeros(len(centres), dtype=bool)
    if faces is None:
        return out
    with np.errstate(invalid="ignore"):
        asked = (
            (faces >= 0) & (radius > 0) & (deviation > _NEARER * radius) & (feet.flags & (AT_EDGE | AT_BOUNDARY) == 0)
        )
    rows = np.flatnonzero(asked)
    if len(rows):  # most touches have no other face as near
        reach = np.maximum(np.abs(feet.distance[rows]), radius[rows] + _EXPLAINS * deviation[rows])
        reach += 2.0 * float(np.abs(allowances).max(initial=0.0))
        rows = rows[nominal.engine.another_near(centres[rows], feet.facet[rows], reach)]
    if not len(rows):
        return out
    other = nominal.engine.feet(centres[rows])
    own = other.distance - radius[rows] - allowances[other.face]
    rise = np.einsum("ij,ij->i", other.foot - feet.foot[rows], feet.normal[rows])
    beyond = deviation[rows]
    nearer = (other.face != faces[rows]) & (beyond - own > _NEARER * radius[rows]) & (rise > _NEARER * radius[rows])
    out[rows] = nearer & (np.abs(own) <= _EXPLAINS * beyond)
    return out
