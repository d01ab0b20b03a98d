"""Inscribed and circumscribed elements that a value rests on, with the touches that they were fitted to.

symbol   meaning [mm]
a, d     point and unit direction of the axis (cylinder), centre (sphere), or point and normal of the middle (width)
r_i      reach of touch i: its distance from axis, centre or middle plane
n_i      unit vector along which the reach grows
h_i      height of the touch along the axis; for two planes its place in the middle plane
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..fit.elements import Element
from ..fit.elements.shapes import unit_frame
from ..show import shown
from .cover import Covered
from .form import material_of

__all__ = ["Envelope", "envelope_of"]


@shown
@dataclass(frozen=True, eq=False)
class Envelope:
    """An inscribed or circumscribed element and its touches.

    Attributes
    ----------
    element : Element
        A cylinder, a sphere or two planes.
    ids : tuple
        Of the touches.
    points : (n, 3) float
        Where they were recorded [mm].
    ball : float
        How far these lie outside the element, away from its axis, centre or middle [mm]; negative in a bore.
    turns : bool
        Whether its direction was free.
    features : tuple of str
        That it is of; empty for all touches.
    """

    element: Element
    ids: tuple[int | str, ...]
    points: np.ndarray
    ball: float
    turns: bool
    features: tuple[str, ...] = ()

    @property
    def circumscribed(self) -> bool:
        """Whether it holds the touches within it, and is as small as can be."""
        return self.element.method == "minimum_circumscribed"

    @property
    def size(self) -> float:
        """Diameter, or width [mm]."""
        known = self.element.parameters
        return float(known["width"]) if self.element.kind == "width" else 2.0 * float(known["radius"])

    @property
    def named(self) -> str:
        """What it is: "maximum inscribed cylinder of bore"."""
        kind = "pair of planes" if self.element.kind == "width" else self.element.kind
        return f"{self.element.method.replace('_', ' ')} {kind}" + (
            f" of {', '.join(self.features)}" if self.features else ""
        )

    def reach(self) -> tuple[np.ndarray, np.ndarray]:
        """Distance of each touch from the axis, centre or middle (n,) [mm], and its slopes with the motions (n, k).

        They change as the element moves by -1 mm along each direction that is free, then as it turns by -1 rad.
        """
        known, kind = self.element.parameters, self.element.kind
        at = np.asarray(known["centre" if kind == "sphere" else "point"], dtype=float)
        off = self.points - at
        if kind == "sphere":
            reach = np.linalg.norm(off, axis=1)
            return reach, off / reach[:, None]
        frame = unit_frame(np.asarray(known["direction"], dtype=float))
        flat, along = off @ frame[:, :2], off @ frame[:, 2]
        if kind == "width":
            side = np.where(along < 0, -1.0, 1.0)[:, None]
            tilts = side * (flat - flat.mean(axis=0))
            return np.abs(along), np.hstack([side, tilts] if self.turns else [side])
        reach = np.linalg.norm(flat, axis=1)
        outward = flat / reach[:, None]
        tilts = (along - along.mean())[:, None] * outward
        return reach, np.hstack([outward, tilts] if self.turns else [outward])


def envelope_of(covered: Covered, element: Element) -> tuple[Envelope, ...]:
    """The envelope of the touches that an element was fitted to; none for one of least squares."""
    if element.method not in ("minimum_circumscribed", "maximum_inscribed"):
        return ()
    ball = covered.ball if material_of(covered) == "inside" else -covered.ball
    turns = len(element.names) > 0  # that of a short cylinder is held
    return (Envelope(element, tuple(covered.ids.tolist()), covered.measured, ball, turns, covered.names),)
