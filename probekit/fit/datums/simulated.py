"""Simulators as geometric elements in measured coordinates, and their sizes."""

from __future__ import annotations

import numpy as np

from ..elements import Element
from .counterparts import Counterpart
from .features import Touched
from .simulators import Settled

__all__ = ["elements_of", "size_of"]


def size_of(part: Touched, settled: Settled) -> float:
    """Diameter or width of the simulator of a single feature of size [mm]; NaN for any other."""
    one = part.counterparts[0]
    if len(part.counterparts) > 1 or not one.sized:
        return float("nan")
    return 2.0 * (one.radius + one.outward * float(settled.sizes[0]))


def elements_of(
    part: Touched, settled: Settled | None, member: np.ndarray, deviation: np.ndarray, back: np.ndarray
) -> tuple[Element | None, ...]:
    """One element per feature; None for a face, for targets, and where nothing was taken.

    Parameters
    ----------
    part : Touched
    settled : Settled or None
    member : (n, m) float
        Which touches belong to which free size.
    deviation : (n,) float
        Deviations in the frame [mm].
    back : (4, 4) float
        Motion from nominal to measured coordinates.
    """
    made: list[Element | None] = []
    for k, one in enumerate(part.counterparts):
        own = np.flatnonzero(part.part == k)
        if settled is None or one.kind in ("targets", "face"):
            made.append(None)
            continue
        stand_off = float(member[own[0]] @ settled.sizes)
        residuals = deviation[own] - stand_off
        around = (one.outward > 0) != (part.datum.settles_by == "least_material")
        inscribed = "minimum_circumscribed" if around else "maximum_inscribed"
        made.append(
            Element(
                kind=one.kind,
                method=_METHODS.get(part.datum.settles_by, inscribed),
                parameters=_parameters(one, back, stand_off),
                form=float(np.ptp(residuals)),
                residuals=residuals,
                names=(),
                covariance=np.zeros((0, 0)),
                active=tuple(np.flatnonzero(np.isin(own, settled.active)).tolist()),
                certificate=settled.certificate,
                notes=(f"simulator of datum {part.datum.letter}, held by the datums before it",),
            )
        )
    return tuple(made)


_METHODS = {
    "least_squares": "least_squares",
    "tangent": "tangent",
    "tangent_minimax": "tangent",
    "minimax": "minimum_zone",
}


def _parameters(one: Counterpart, back: np.ndarray, stand_off: float) -> dict[str, np.ndarray | float]:
    point, direction = back[:3, :3] @ one.point + back[:3, 3], back[:3, :3] @ one.direction
    grown = one.outward * stand_off
    if one.kind == "plane":
        return {"point": point + stand_off * direction, "direction": direction}
    if one.kind == "cylinder":
        return {"point": point, "direction": direction, "radius": one.radius + grown}
    if one.kind == "width":
        return {"point": point, "direction": direction, "width": 2.0 * (one.radius + grown)}
    if one.kind == "sphere":
        return {"centre": point, "radius": one.radius + grown}
    apex = point - direction * grown / np.sin(one.half_angle)
    return {"apex": apex, "direction": direction, "half_angle": float(np.degrees(one.half_angle))}
