"""Hollows that are narrower than the ball: it touches beside them, not where the foot of its centre lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..nominal.exact import ExactEngine, ExactFeet
from ..nominal.feet import Feet

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["too_tight"]

_SAME = 1e-6  # part of the ball radius by which a hollow of the same radius may seem narrower


def too_tight(
    feet: Feet, nominal: Nominal, radius: float | np.ndarray, allowance: float | np.ndarray = 0.0
) -> np.ndarray:
    """Whether the surface at each foot is hollow with a radius of curvature less than that of the ball.

    Parameters
    ----------
    feet : Feet
        Of ball centres; (n,) rows.
    nominal : Nominal
        Only an exact one knows its curvatures: on facets nothing is too tight.
    radius : float or (n,) float
        Effective radius of the ball [mm]; 0 for contact points.
    allowance : float or (n,) float
        Machining allowance there, which makes a hollow narrower [mm].

    Returns
    -------
    (n,) bool
    """
    engine = nominal.engine
    if not (isinstance(feet, ExactFeet) and isinstance(engine, ExactEngine)) or not np.any(radius):
        return np.zeros(len(feet.foot), dtype=bool)
    hollow = np.nan_to_num(engine.curvatures(feet)[:, 0], nan=0.0, posinf=0.0)
    with np.errstate(divide="ignore"):
        room = np.where(hollow > 0, 1.0 / hollow, np.inf) - allowance
    return (np.asarray(radius) > 0) & (room < np.asarray(radius) * (1.0 - _SAME))
