"""What is estimated between the touches, as part of a scene: deviation and doubt at each vertex of the display mesh."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from ..errors import InputError
from . import surface
from .model import Scene

__all__ = ["doubt_span", "with_field"]

_REACH = 2.5  # spacings of the nodes over which their values are spread


def with_field(
    scene: Scene,
    places: np.ndarray,
    normals: np.ndarray,
    mean: np.ndarray,
    doubt: np.ndarray,
    *,
    face: np.ndarray,
    spacing: float,
    said: Iterable[str] = (),
) -> Scene:
    """The scene with the deviation that is estimated between the touches, and how unsure it is.

    Parameters
    ----------
    scene : Scene
        One that has such a field already keeps it where this one says nothing.
    places, normals : (m, 3) float
        Where it was estimated [mm], and outward normals there.
    mean, doubt : (m,) float
        Estimated deviation and its standard deviation [mm].
    face : (m,) int
        Number of the face of each: nothing is drawn on others, which smoothly go on beside them or not.
    spacing : float
        Distance of neighbouring places [mm].
    said : iterable of str
        What has to stand beside it: the condition, and the blind spot.

    Raises
    ------
    InputError
        If the arrays do not belong together, or a number is not finite.
    """
    if not len(places) == len(normals) == len(mean) == len(doubt) or not spacing > 0:
        raise InputError("places, normals, mean and doubt belong together", found=f"{len(places)}, {len(mean)} values")
    if not np.isfinite(np.column_stack([places, normals, mean, doubt])).all():
        raise InputError("the field has a value that is not finite")
    reach = _REACH * spacing
    at = surface.with_normals(scene.vertices.astype(float), scene.normals.astype(float), reach)
    known = surface.with_normals(np.asarray(places, dtype=float), np.asarray(normals, dtype=float), reach)
    found = [surface.spread(at, known, np.asarray(values, dtype=float), reach) for values in (mean, doubt)]
    others = ~np.isin(scene.vertex_face, face)
    for values in found:
        values[others] = np.nan
    for k, before in enumerate((scene.field_mean, scene.field_doubt)):
        if before is not None:
            found[k] = np.where(np.isnan(found[k]), before, found[k])
    new = replace(scene, field_mean=found[0].astype(np.float32), field_doubt=found[1].astype(np.float32))
    key = (
        "Estimated between the touches: a model of what was touched, not a measurement. How unsure: from white, 0, to "
        f"dark, {doubt_span(new):.2g} mm or more, as a standard deviation."
    )
    lines = dict.fromkeys((*scene.captions, key, *said))
    old = [line for line in lines if line.startswith("Estimated between the touches") and line != key]
    return replace(new, captions=tuple(line for line in lines if line not in old))


def doubt_span(scene: Scene) -> float:
    """Doubt that is drawn darkest [mm]."""
    if scene.field_doubt is None or not np.isfinite(scene.field_doubt).any():
        return 1.0
    return max(float(np.nanmax(scene.field_doubt)), 1e-6)
