"""Conics and lines in the parameters that ISO 10303-42 gives them: curves that are extruded or revolved."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...show import shown

__all__ = ["Conic"]

_TURN = 2.0 * np.pi
_FAR = 60.0  # parameter of a hyperbola where it is 1e25 times its size away, and a search has gone astray


@shown
@dataclass(frozen=True, eq=False)
class Conic:
    """A whole curve C(t) = O + f(t) A + g(t) B.

    ellipse, circle  O + cos t A + sin t B
    hyperbola        O + cosh t A + sinh t B
    parabola         O + t^2 A + t B
    line             O + t A

    Attributes
    ----------
    kind : str
        "ellipse" (also of a circle), "hyperbola", "parabola" or "line".
    poles : (3, 3) float
        Rows O, A, B [mm]; those of a parabola divided by the powers of its parameter.
    """

    kind: str
    poles: np.ndarray

    @property
    def ends(self) -> tuple[float, float]:
        """First and last parameter; of a hyperbola those beyond which its values would soon overflow."""
        far = _FAR if self.kind == "hyperbola" else np.inf
        return (0.0, _TURN) if self.kind == "ellipse" else (-far, far)

    def evaluate(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Point, first and second derivative, each (n, 3), at parameters (n,)."""
        one, zero = np.ones(len(t)), np.zeros(len(t))
        if self.kind == "ellipse":
            cosine, sine = np.cos(t), np.sin(t)
            values = (one, cosine, sine), (zero, -sine, cosine), (zero, -cosine, -sine)
        elif self.kind == "hyperbola":
            cosine, sine = np.cosh(t), np.sinh(t)
            values = (one, cosine, sine), (zero, sine, cosine), (zero, cosine, sine)
        elif self.kind == "parabola":
            values = (one, t * t, t), (zero, 2.0 * t, one), (zero, 2.0 * one, zero)
        else:
            values = (one, t, zero), (zero, one, zero), (zero, zero, zero)
        p, p1, p2 = (np.column_stack(each) @ self.poles for each in values)
        return p, p1, p2

    def moved(self, motion: np.ndarray) -> Conic:
        """The curve in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        poles = self.poles @ motion[:3, :3].T
        poles[0] += motion[:3, 3]
        return replace(self, poles=poles)
