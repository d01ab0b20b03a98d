"""The result of a qualification."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape

import numpy as np

from ..show import shown
from ..touches import RadiusMap, Stylus

__all__ = ["Qualification"]


@shown
@dataclass(frozen=True, eq=False)
class Qualification:
    """What an artefact of known size told about the probe. Lengths in mm.

    Attributes
    ----------
    artefact : {"sphere", "ring"}
    diameter : float
        Certified.
    touches : int
        Used.
    effective_radius : float
        One for all directions: of the least-squares sphere or circle of the ball centres, less the artefact's.
    u_radius : float
        Its standard uncertainty, from the scatter about that sphere; that of the artefact's diameter is not in it.
    centre : (3,) float
        Of the artefact, in the part frame. With one orientation of the spindle the ball's offset is in it.
    ball_offset : (2,) float or None
        Of the ball from the spindle's axis, x and y of the probe's own frame; None with one orientation only.
    form : float
        Largest less smallest distance from the centre of the least-squares sphere or circle: the form error.
    form_test : bool
        Whether the touches are the 25 of the form test of ISO 10360-5 (from memory).
    map : RadiusMap
        Effective radius by direction.
    residuals : (n,) float
        What the map leaves.
    names : tuple of str
        Unknowns, in the order of `covariance`.
    covariance : (k, k) float
        [mm2]; NaN without spare touches.
    notes : tuple of str
    """

    artefact: str
    diameter: float
    touches: int
    effective_radius: float
    u_radius: float
    centre: tuple[float, float, float]
    ball_offset: tuple[float, float] | None
    form: float
    form_test: bool
    map: RadiusMap
    residuals: np.ndarray
    names: tuple[str, ...]
    covariance: np.ndarray
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        self.residuals.setflags(write=False)
        self.covariance.setflags(write=False)

    @property
    def scatter(self) -> float:
        """Standard deviation of what the map leaves; NaN without spare touches [mm]."""
        spare = self.touches - len(self.names)
        return float(np.sqrt(self.residuals @ self.residuals / spare)) if spare > 0 else float("nan")

    def stylus(
        self, ball_diameter: float, *, stem_diameter: float | None = None, length: float | None = None
    ) -> Stylus:
        """The stylus, qualified: compensation then takes the radius of each touch's own direction.

        Parameters
        ----------
        ball_diameter, stem_diameter, length : float
            As of `Stylus` [mm].

        Raises
        ------
        InputError
            If the effective radius does not fit the ball.
        """
        return Stylus(ball_diameter, self.effective_radius, stem_diameter, length, self.map)

    @property
    def sentence(self) -> str:
        """The result in one line."""
        what = "form error of the 25-point sphere test" if self.form_test else "form error"
        return (
            f"Qualified on a {self.artefact} of {self.diameter:g} mm with {self.touches} touches: effective radius "
            f"{self.effective_radius:.4f} mm (u = {self.u_radius * 1000:.1f} um), {what} {self.form * 1000:.1f} um, "
            f"{self.scatter * 1000:.1f} um of residuals after the map of degree {self.map.degree}."
        )

    def _repr_html_(self) -> str:
        rows = [
            ("effective radius", f"{self.effective_radius:.4f} mm"),
            ("standard uncertainty", f"{self.u_radius * 1000:.1f} &micro;m"),
            ("form error" + (", 25-point sphere test" if self.form_test else ""), f"{self.form * 1000:.1f} &micro;m"),
            ("left by the map", f"{self.scatter * 1000:.1f} &micro;m (degree {self.map.degree})"),
            ("centre of the artefact", ", ".join(f"{c:z.4f}" for c in self.centre) + " mm"),
        ]
        if self.ball_offset is not None:
            rows.append(("ball off the spindle's axis", ", ".join(f"{c:.4f}" for c in self.ball_offset) + " mm"))
        cells = "".join(f"<tr><th>{name}</th><td>{value}</td></tr>" for name, value in rows)
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return f"<p>{escape(self.sentence)}</p><table>{cells}</table>" + (f"<ul>{notes}</ul>" if notes else "")
