"""Deviations as discrete bands: tenths of the zone of their face, its limits the edges of the first and the last."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from . import colour
from .sections import face_limits

if TYPE_CHECKING:
    from .model import Scene

__all__ = ["BANDS", "COLOURS", "WITHOUT", "band_of", "captions", "facets", "shares", "zones"]

#: So many bands within the zone.
BANDS = 10

_SHARES = (np.arange(BANDS) + 0.5) / BANDS
#: sRGB (12, 3) uint8 of the bands: below the zone, its tenths from the lower limit to the upper, above the zone.
#: Within, they keep to the paler half of the colours of deviations, so that the step at a limit is the largest.
COLOURS = colour.diverging(np.concatenate([[-1.0], 0.5 * (2 * _SHARES - 1), [1.0]]))

#: sRGB of a surface that has no zone with two limits, or not one and the same for all its touches.
WITHOUT = colour.VERDICT_COLOURS["unjudged"]

_SAID = (
    "Bands: tenths of the zone of each face, limit to limit. Darkest blue: below the zone. Darkest brown: above it.",
    "Grey, plain: a face without two limits that hold for all its touches.",
)


def zones(scene: Scene) -> np.ndarray:
    """(faces, 2) lower and upper limit of each face [mm], by which all its touches were judged; NaN if not both."""
    known = face_limits(scene.touches)
    both = {face: pair for face, pair in known.items() if np.isfinite(pair).all() and pair[0] < pair[1]}
    return np.array([both.get(name, (np.nan, np.nan)) for name in scene.face_names], dtype=float).reshape(-1, 2)


def captions(scene: Scene) -> tuple[str, ...]:
    """What must be said beside a picture with bands, in place of the captions of the scene."""
    return (*_SAID, *(line for line in scene.captions if line not in (colour.HUES, colour.BEYOND)))


def shares(scene: Scene) -> np.ndarray:
    """(v,) where the deviation of each vertex lies in the zone of its face: 0 at the lower limit, 1 at the upper one.

    NaN where no touch is near, or the face has no zone.
    """
    lower, upper = zones(scene)[scene.vertex_face].T
    return (scene.deviation - lower) / (upper - lower)


def facets(scene: Scene, share: np.ndarray) -> np.ndarray:
    """(k, 3) the facets whose three vertices all have a share: those that bands can be drawn on."""
    return scene.facets[np.isfinite(share[scene.facets]).all(axis=1)]


def band_of(share: np.ndarray) -> np.ndarray:
    """Band of each share, as a row of `COLOURS`; on a limit is within. Shares must be finite."""
    inside = 1 + np.minimum(np.floor(BANDS * np.clip(share, 0.0, 1.0)), BANDS - 1)
    return np.where(share < 0, 0, np.where(share > 1, BANDS + 1, inside)).astype(np.int64)
