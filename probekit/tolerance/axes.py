"""Axes, centres and middle planes of features of size, from their touches or from the nominal under them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..errors import TouchesError
from ..fit.beneath import nominal_beneath
from ..fit.datums.surrounded import surrounded
from ..fit.elements import Element, element
from ..fit.elements.shapes import unit_frame
from .cover import Covered
from .enough import place_of, require_enough
from .envelopes import Envelope, envelope_of
from .form import material_of
from .nominal_shape import require

__all__ = ["Axis", "axis_of", "envelope", "feature_length", "sides", "size_of"]

_SHORT = 0.05  # part of the diameter; over less than this along the axis, scatter decides its direction
_ONE = 0.1  # part of the touched length; touches within it are at one depth
_ONE_RING = (
    "the envelope rests on touches at one depth alone, which do not fix its direction: the axis of least squares is "
    "taken"
)
_MAGNIFIED = 20.0  # times: what scatter may grow to at the ends of an axis, compared with its middle


@dataclass(frozen=True, eq=False)
class Axis:
    """Axis of a cylinder: a point and unit direction (3,) [mm], its diameter, residuals (n,) of the touches, notes.

    `active`: which touches, by place, an envelope rests on; empty for least squares. `held`: the direction is that of
    the nominal, for the touches lie too close together along the axis to tell it. `envelopes`: what it is the axis of.
    """

    point: np.ndarray
    direction: np.ndarray
    diameter: float
    residuals: np.ndarray
    notes: tuple[str, ...]
    active: tuple[int, ...] = ()
    held: bool = False
    envelopes: tuple[Envelope, ...] = ()


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
    """Diameter, or width [mm], of an element of the touches, and the element: the one near the nominal under them.

    A cylinder touched over less than a twentieth of its diameter along the axis keeps the direction of the nominal.

    Raises
    ------
    InputError
        If the touches do not fix the element, do not stand round it where an envelope is asked for, or the nominal
        under them is of another shape.
    FitError
        If the fit leaves the nominal, or does not settle.
    """
    require(covered, shape)
    fitted = _fitted(covered, shape, method, nominal_beneath(covered.foot, covered.normal, shape))
    return float(fitted.parameters["width"] if shape == "width" else 2.0 * fitted.parameters["radius"]), fitted


def _fitted(covered: Covered, shape: str, method: str, start: Mapping[str, Any] | None) -> Element:
    short = shape == "cylinder" and start is not None and _too_short(covered, start)
    if shape != "width":
        require_enough("circle" if short else shape, covered.contact, "its place and size", covered.name)
    _require_round(covered, shape, method)
    if short and start is not None:
        return _along_nominal(covered, method, start)
    found = element(covered.measured, shape, method=method, ball=covered.ball, start=start, **sides(covered, shape))
    if shape == "width" and method != "least_squares":
        _require_square(covered, found)
    return found


def _require_round(covered: Covered, shape: str, method: str) -> None:
    """Raise if an envelope is asked for of touches on half of a feature: they hold none."""
    if method != "least_squares" and not surrounded(covered.normal, np.ones((len(covered.rows), 1))):
        raise TouchesError(
            f"the touches of tolerance '{covered.name}' do not stand round the {shape} and hold no envelope of it",
            found="touches on about half of it",
            expected="touches on all sides",
            todo="Touch it on all sides, or ask for least squares.",
        )


def _require_square(covered: Covered, found: Element) -> None:
    """Raise if an envelope of two planes leans from the touches by much more than these are out of flat.

    It rests on touches of both sides; where those of one side stand close together, it rocks about them until it rests
    on others far off, and its size and middle tell nothing. The planes of least squares do not.
    """
    plain = element(covered.measured, "width", ball=covered.ball, **sides(covered, "width"))
    lean = np.asarray(found.parameters["direction"]) - np.asarray(plain.parameters["direction"])
    off = float(np.ptp((covered.contact - covered.contact.mean(axis=0)) @ lean))
    if off > max(_MAGNIFIED * float(np.ptp(plain.residuals)), 1e-6 * float(np.ptp(covered.contact, axis=0).max())):
        raise TouchesError(
            f"the touches of tolerance '{covered.name}' do not hold an envelope of two planes",
            found=f"{len(covered.rows)} touches, which leave it to rock by {off:.3f} mm",
            expected="touches spread over both sides, opposite each other",
            todo="Touch both sides again, well spread.",
        )


def _too_short(covered: Covered, start: Mapping[str, Any]) -> bool:
    length = float(np.ptp(covered.foot @ start["direction"]))
    return length < _SHORT * 2.0 * float(start["radius"])


def _along_nominal(covered: Covered, method: str, start: Mapping[str, Any]) -> Element:
    """A circle of the touches seen along the axis of the nominal, as a cylinder of that direction."""
    frame = unit_frame(start["direction"])
    across, along = frame[:, :2], frame[:, 2]
    flat = {"centre": np.asarray(start["point"]) @ across, "radius": start["radius"]}
    material = material_of(covered)
    circle = element(
        covered.measured @ across, "circle2", method=method, ball=covered.ball, material=material, start=flat
    )
    height = float((covered.measured @ along).mean())
    point = across @ np.asarray(circle.parameters["centre"]) + height * along
    return replace(
        circle,
        kind="cylinder",
        parameters={"point": point, "direction": along, "radius": circle.parameters["radius"]},
        names=(),
        covariance=np.zeros((0, 0)),
        notes=(
            *circle.notes,
            f"touched over {float(np.ptp(covered.foot @ along)):.3f} mm along the axis: too little to tell its "
            "direction, which is taken from the nominal",
        ),
    )


def axis_of(covered: Covered, method: str | None = None, *, nominal: bool = False) -> Axis:
    """Axis of a cylinder through the touches, by default of the mating envelope; or through their feet on the nominal.

    Raises
    ------
    InputError
        If the points do not fix a cylinder, or the nominal under them is none.
    FitError
        If the fit leaves the nominal, or does not settle.
    """
    require(covered, "cylinder")
    start, notes, active = nominal_beneath(covered.foot, covered.normal, "cylinder"), (), ()
    held = start is not None and _too_short(covered, start)
    if nominal and start is not None:
        values, residuals, envelopes = start, np.zeros(len(covered.rows)), ()
    else:
        if nominal:
            fitted = element(covered.foot, "cylinder", material=material_of(covered))
        else:
            if start is not None and not held:
                _require_tilt(covered, start, enveloped=method != "least_squares")
            fitted = _fitted(covered, "cylinder", method or envelope(covered), start)
            if not held and _in_one_ring(covered, fitted):
                plain = _fitted(covered, "cylinder", "least_squares", start)
                fitted = replace(plain, notes=(*plain.notes, _ONE_RING))
        values, residuals, notes, active = fitted.parameters, fitted.residuals, fitted.notes, fitted.active
        envelopes = envelope_of(covered, fitted)
    point, direction = np.asarray(values["point"], dtype=float), np.asarray(values["direction"], dtype=float)
    return Axis(point, direction, 2.0 * float(values["radius"]), residuals, notes, active, held, envelopes)


def _in_one_ring(covered: Covered, fitted: Element) -> bool:
    """Whether an envelope rests on touches at one depth alone, though others lie elsewhere.

    Tilted, it then grows in the second order only: its direction is square to that ring by construction, and says
    nothing of how the feature leans.
    """
    at = covered.contact @ np.asarray(fitted.parameters["direction"])
    return bool(fitted.active) and float(np.ptp(at[list(fitted.active)])) < _ONE * float(np.ptp(at))


def _require_tilt(covered: Covered, start: Mapping[str, Any], *, enveloped: bool) -> None:
    """Raise if the touches hold the axis in the middle, but leave it to tilt.

    To first order a touch moves by n . (shift + height tilt) less the growth of the radius; so much, by least squares,
    is a deviation of each touch magnified at the ends of what was touched. Where ends are touched from two sides alone,
    the other tilt is limited only by the roundness: by micrometres that become tenths, which no covariance shows. An
    envelope rests on touches from one side each: where their forces do not cancel, it rocks about some of them.
    """
    frame = unit_frame(start["direction"])
    across, height = covered.normal @ frame[:, :2], (covered.foot - covered.foot.mean(axis=0)) @ frame[:, 2]
    height = height / np.abs(height).max()
    slopes = np.column_stack([across, height[:, None] * across, np.ones(len(height))])
    if len(height) < slopes.shape[1]:
        return  # too few for a cylinder: the fit says so
    _, weight, way = np.linalg.svd(slopes, full_matrices=False)
    spread = way.T / np.maximum(weight, 1e-9 * weight[0])

    def magnified(at: float) -> float:
        to = np.hstack([np.eye(2), at * np.eye(2), np.zeros((2, 1))])
        return float(np.linalg.norm(to @ spread, ord=2))

    ends = max(magnified(float(height.min())), magnified(float(height.max())))
    tilts = ends > _MAGNIFIED * max(magnified(0.0), 1.0)
    apart = np.unique(place_of(covered.foot), return_index=True)[1]
    if tilts or (enveloped and not surrounded(slopes[apart, :4], np.ones((len(apart), 1)))):
        raise TouchesError(
            f"the touches of tolerance '{covered.name}' do not fix the direction of an axis",
            found=f"{len(height)} touches, which leave {'it to tilt' if tilts else 'its envelope to rock'}",
            expected="touches from at least three sides in each of two depths",
            todo="Touch it again all round near both ends.",
        )


def feature_length(covered: Covered, direction: np.ndarray) -> float:
    """Length of a feature along a direction, as far as it was touched [mm]."""
    return float(np.ptp(covered.contact @ direction))
