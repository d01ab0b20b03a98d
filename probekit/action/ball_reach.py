"""Whether a ball cutter can take off what a place has, without cutting into the part elsewhere.

symbol    variable    meaning
p, n      feet        a place on the nominal, and its outward normal
R         radius      of the ball [mm]
a         axis        from the tip of the tool into the spindle
h         depth       how far the tool would cut into the nominal elsewhere [mm]

To take material off down to p, the ball has to touch there: its centre is at c = p + R n. It cuts into the part where
the nominal is nearer to c than R: in a hollow of a smaller radius, beside a wall, or on the other side of a slot. With
its axis known, the same is asked of a shank as thick as the ball, along c + t a: it finds undercuts. The holder, and
the shape of anything but the ball and such a shank, are not looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ..nominal import Nominal
    from .cutters import Cutter

__all__ = ["Reach", "reach"]

_STEP = 0.4  # of the radius, between the balls that stand in for the shank
_LONG = 4000  # balls of the shank in one look


@dataclass(frozen=True)
class Reach:
    """How far a tool would cut into the nominal elsewhere while it touches each place.

    Attributes
    ----------
    depth : (n,) float
        [mm]; 0 where it does not, or less than facets can show.
    face : (n,) object
        The face that it would cut; "" where none.
    by : (n,) object
        "ball" or "shank"; "" where none.
    """

    depth: np.ndarray
    face: np.ndarray
    by: np.ndarray


def reach(nominal: Nominal, feet: np.ndarray, normals: np.ndarray, cutter: Cutter, allowed: float) -> Reach:
    """What stands in the way of a cutter at places on the nominal; nothing is known of one without a radius.

    Parameters
    ----------
    nominal : Nominal
    feet, normals : (n, 3) float
        Places on it, and its outward unit normals.
    cutter : Cutter
    allowed : float
        Depth that is not worth a word [mm].

    Returns
    -------
    Reach
    """
    n = len(feet)
    depth, face, by = np.zeros(n), np.full(n, "", dtype=object), np.full(n, "", dtype=object)
    if cutter.radius is None or not n:
        return Reach(depth, face, by)
    centres, names = feet + cutter.radius * normals, np.array(nominal.face_names, dtype=object)
    found = nominal.engine.feet(centres)
    # facets in a hollow of radius rho > R stand off a ball by R L^2 / 2 rho^2 < 4 times their chord error L^2 / 8 rho
    into = cutter.radius - found.distance - 4 * nominal.chord_errors[found.face]
    hit = into > allowed
    depth[hit], face[hit], by[hit] = into[hit], names[found.face[hit]], "ball"
    if cutter.axis is not None:
        into, which = _shank(nominal, centres, cutter)
        hit = (into > allowed) & (into > depth)
        depth[hit], face[hit], by[hit] = into[hit], names[which[hit]], "shank"
    return Reach(depth, face, by)


def _shank(nominal: Nominal, centres: np.ndarray, cutter: Cutter) -> tuple[np.ndarray, np.ndarray]:
    """How far balls along the axis cut into the facets, at most, and the face (n,) that they cut."""
    facets = replace(nominal, brep=None)
    axis, radius = np.asarray(cutter.axis, dtype=float), float(cutter.radius or 0.0)
    away = np.arange(_STEP * radius, nominal.diagonal + radius, _STEP * radius)
    along = away[:, None] * axis / np.linalg.norm(axis)
    deepest, which = np.zeros(len(centres)), np.zeros(len(centres), dtype=int)
    each = max(_LONG // len(away), 1)
    for begin in range(0, len(centres), each):
        some = centres[begin : begin + each]
        found = facets.engine.feet((some[:, None] + along).reshape(-1, 3))
        into = (radius - found.distance - 4 * facets.chord_errors[found.face]).reshape(len(some), -1)
        worst = into.argmax(axis=1)
        deepest[begin : begin + each] = np.take_along_axis(into, worst[:, None], axis=1)[:, 0]
        which[begin : begin + each] = found.face.reshape(len(some), -1)[np.arange(len(some)), worst]
    return deepest, which
