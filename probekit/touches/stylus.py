"""The stylus: what touches the part."""

from __future__ import annotations

import math
from dataclasses import dataclass
from numbers import Real

import numpy as np

from ..errors import InputError
from ..show import shown
from .lobing import RadiusMap

__all__ = ["Stylus"]


@shown
@dataclass(frozen=True)
class Stylus:
    """A straight stylus with a ball.

    Parameters
    ----------
    ball_diameter : float
        Diameter of the ball [mm], as marked or certified.
    effective_radius : float, optional
        Radius to compensate with [mm], from qualification on an artefact of known size. It is usually a little smaller
        than half the ball diameter, because the probe triggers after some bending (common practice, no source).
        Without it: half the ball diameter.
    stem_diameter : float, optional
        Diameter of the stem [mm]; None if not known.
    length : float, optional
        From the probe body to the ball centre [mm]; None if not known.
    map : RadiusMap, optional
        Effective radius by direction, from qualification (`probekit.fit.qualify`); its mean is then the effective
        radius, if that is not given.

    Raises
    ------
    InputError
        If a dimension is not a positive finite number, the stem is thicker than the ball, the length is shorter than
        the ball's radius, or the effective radius is more than 20 % away from half the ball diameter.

    Examples
    --------
    >>> Stylus(4.0, effective_radius=1.988, stem_diameter=2.5, length=50.0).effective_radius
    1.988
    >>> Stylus(4.0).effective_radius
    2.0
    """

    ball_diameter: float
    effective_radius: float | None = None
    stem_diameter: float | None = None
    length: float | None = None
    map: RadiusMap | None = None

    def __post_init__(self) -> None:
        half = _dimension("ball_diameter", self.ball_diameter) / 2
        if self.map is not None and not isinstance(self.map, RadiusMap):
            raise InputError("the map of the stylus is not usable", column="map", found=self.map, expected="RadiusMap")
        if self.effective_radius is None:
            object.__setattr__(self, "effective_radius", half if self.map is None else self.map.mean)
        for name in ("ball_diameter", "effective_radius", "stem_diameter", "length"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, _dimension(name, value))
        if abs(self.effective_radius - half) > 0.2 * half:
            raise InputError(
                "the effective radius does not fit the ball",
                column="effective_radius",
                found=f"{self.effective_radius:g} mm",
                expected=f"within 20 % of half the ball diameter, {half:g} mm",
                todo="Check whether a diameter was given in place of a radius, or another stylus was qualified",
            )
        if self.stem_diameter is not None and self.stem_diameter > self.ball_diameter:
            raise InputError(
                "the stem is thicker than the ball, so it would touch first",
                column="stem_diameter",
                found=f"{self.stem_diameter:g} mm",
                expected=f"at most the ball diameter, {self.ball_diameter:g} mm",
            )
        if self.length is not None and self.length < half:
            raise InputError(
                "the stylus is shorter than the radius of its ball",
                column="length",
                found=f"{self.length:g} mm",
                expected=f"at least {half:g} mm, from the probe body to the ball centre",
            )

    @property
    def sentence(self) -> str:
        """The stylus in one line."""
        by = f", {self.map.sentence}" if self.map is not None else ""
        return f"ball {self.ball_diameter:g} mm, effective radius {self.effective_radius:g} mm{by}"

    def radius(self, directions: np.ndarray) -> np.ndarray:
        """Effective radius by direction.

        Parameters
        ----------
        directions : (n, 3) float
            Outward unit normals in the probe's own frame (see `probekit.touches.lobing`).

        Returns
        -------
        (n,) float
            [mm]; the same everywhere without a map.
        """
        return np.full(len(directions), self.effective_radius) if self.map is None else self.map.radius(directions)


def _dimension(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value) or value <= 0:
        raise InputError(
            "the stylus dimension is not usable", column=name, found=value, expected="a positive number in mm"
        )
    return float(value)
