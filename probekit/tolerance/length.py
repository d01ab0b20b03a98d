"""How far a feature reaches along a direction: the faces of the nominal under its touches, not only the touches.

An axis is judged over the full length of its feature (ASME Y14.5-2018, 10.2; ISO 1101; from memory). Touches cover a
part of it; where they stop short, the axis is carried on, and its uncertainty grows with it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..deviation.projection import Projection
from ..fit.beneath import nominal_beneath
from .cover import Covered

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["UNTOUCHED", "judged_length"]

UNTOUCHED = 0.02  # part of the length that may be left untouched at the ends without a word
_ON = 2e-3  # part of the radius: farther from the cylinder, a facet belongs to a blend or to the next surface
_FAR = 2.0  # times the touched length; beyond it a line carried on is hardly more than a guess


def judged_length(
    covered: Covered, nominal: Nominal | Projection | None, at: np.ndarray, direction: np.ndarray
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Heights over a point, along a unit direction, between which an axis is judged, and a note on them.

    Parameters
    ----------
    covered : Covered
        Touches of the feature.
    nominal : Nominal, Projection or None
        The model; without one the touches alone say how long the feature is.
    at, direction : (3,) float
        Where heights are counted from [mm], and along which unit direction.

    Returns
    -------
    heights : (2,) float
        Rising [mm].
    notes : tuple of str
    """
    touched = (covered.contact - at) @ direction
    low, high = float(touched.min()), float(touched.max())
    reach = _reach(covered, nominal.nominal if isinstance(nominal, Projection) else nominal)
    if reach is None:
        return np.array([low, high]), (
            f"over the {high - low:.3f} mm of its length that were touched; where it is longer, length= says so",
        )
    heights = (reach - at) @ direction
    bottom, top = min(low, float(heights.min())), max(high, float(heights.max()))
    full, seen = top - bottom, high - low
    if seen >= (1 - UNTOUCHED) * full:
        return np.array([bottom, top]), ()
    note = f"over its full length of {full:.3f} mm, of which {seen:.3f} mm were touched: the axis is carried on beyond"
    if full > _FAR * seen:
        note += "; touch it nearer to both ends: its place so far beyond the touches is hardly known"
    return np.array([bottom, top]), (note,)


def _reach(covered: Covered, nominal: Nominal | None) -> np.ndarray | None:
    """Corners (m, 3) of the facets, of the faces touched, that lie on the cylinder beneath the touches."""
    beneath = None if nominal is None else nominal_beneath(covered.foot, covered.normal, "cylinder")
    if nominal is None or beneath is None or not set(covered.faces) & set(nominal.face_names):
        return None
    axis, radius = np.asarray(beneath["direction"]), float(beneath["radius"])
    own = np.isin(nominal.facet_face, [k for k, name in enumerate(nominal.face_names) if name in covered.faces])
    arm = nominal.vertices - np.asarray(beneath["point"])
    off = np.abs(np.linalg.norm(arm - np.outer(arm @ axis, axis), axis=1) - radius)
    facets = nominal.facets[own]
    facets = facets[(off[facets] <= _ON * radius).all(axis=1)]
    return nominal.vertices[np.unique(facets)] if len(facets) else None
