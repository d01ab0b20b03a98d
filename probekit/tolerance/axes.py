"""Axes, centres and middle planes of features of size, from their touches or from the nominal under them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..fit.elements import Element, element
from .cover import Covered
from .form import material_of

__all__ = ["Axis", "axis_of", "envelope", "feature_length", "sides", "size_of"]


@dataclass(frozen=True, eq=False)
class Axis:
    """Axis of a cylinder: a point and unit direction (3,) [mm], its diameter, residuals (n,) of the touches, notes.

    `active`: which touches, by place, an envelope rests on; empty for least squares.
    """

    point: np.ndarray
    direction: np.ndarray
    diameter: float
    residuals: np.ndarray
    notes: tuple[str, ...]
    active: tuple[int, ...] = ()


def envelope(covered: Covered, *, least_material: bool = False) -> str:
    """Method of the actual mating envelope of a feature, or of its minimum material envelope."""
    boss = material_of(covered) == "inside"
    return "minimum_circumscribed" if boss != least_material else "maximum_inscribed"


def sides(covered: Covered, shape: str) -> dict[str, Any]:
    """Options of `element` that say where the material is, and for two planes which way is across them."""
    options: dict[str, Any] = {"material": material_of(covered)}
    if shape == "width":
        options["outward"] = np.linalg.svd(covered.normal, full_matrices=False)[2][0]
    return options


def size_of(covered: Covered, shape: str, method: str) -> tuple[float, Element]:
    """Diameter, or width [mm], of an element of the touches, and the element."""
    fitted = element(covered.measured, shape, method=method, ball=covered.ball, **sides(covered, shape))
    return float(fitted.parameters["width"] if shape == "width" else 2.0 * fitted.parameters["radius"]), fitted


def axis_of(covered: Covered, method: str | None = None, *, nominal: bool = False) -> Axis:
    """Axis of a cylinder through the touches, by default of the mating envelope; or through their feet on the nominal.

    Raises
    ------
    InputError
        If the points do not fix a cylinder.
    """
    if nominal:
        fitted = element(covered.foot, "cylinder", material=material_of(covered))
    else:
        fitted = size_of(covered, "cylinder", method or envelope(covered))[1]
    values = fitted.parameters
    point, direction = np.asarray(values["point"], dtype=float), np.asarray(values["direction"], dtype=float)
    return Axis(point, direction, 2.0 * float(values["radius"]), fitted.residuals, fitted.notes, fitted.active)


def feature_length(covered: Covered, direction: np.ndarray) -> float:
    """Length of a feature along a direction, as far as it was touched [mm]."""
    return float(np.ptp(covered.contact @ direction))
