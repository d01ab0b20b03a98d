"""Fit one geometric element to touches, by any of its methods."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ...errors import FitError, ProbekitWarning, TouchesError
from .chebyshev import minimum_zone
from .checks import checked_points, checked_request, coverage_notes, per_touch
from .inscribed import circumscribed_or_inscribed
from .least_squares import check_settled, covariance_of_step, fit_least_squares, others_as_good
from .linear import tangent
from .model import Element, parameter_covariance, parameter_names, parameters_of, scaled, state_of, unscaled
from .remembered import remembered
from .shapes import KINDS, Kind, State, derivatives, distances, recentre, unit_frame

__all__ = ["element"]

_STAYS = 20.0  # an element that leans further than this from its start is another one [deg]


def element(
    points: np.ndarray,
    kind: str,
    *,
    method: str = "least_squares",
    ball: float = 0.0,
    material: str = "inside",
    outward: np.ndarray | None = None,
    weights: np.ndarray | None = None,
    u: np.ndarray | float | None = None,
    start: Element | Mapping[str, np.ndarray | float] | None = None,
) -> Element:
    """Fit a geometric element to touches.

    Many parameters: kind, method, material, ball, weights and start are independent choices, and each changes the
    element.

    Parameters
    ----------
    points : (n, 3) float
        Touches [mm]; (n, 2) for the kinds that end in 2.
    kind : str
        See `Element`.
    method : str
        "least_squares": smallest sum of squared normal distances. "minimum_zone": smallest largest distance.
        "maximum_inscribed", "minimum_circumscribed": the largest element of its size that the touches leave room for,
        the smallest that holds them (circle2, circle, sphere, cylinder, width). "tangent": of the planes (or lines2)
        that have all touches on the material side, the one of least squares.
    ball : float
        Effective radius of the stylus ball [mm] when points are ball centres: the element of the part's own surface is
        found, from which the centres lie `ball` away along its normal. 0 for contact points.
    material : str
        For kinds that close: "inside" (boss, ball, web) or "outside" (bore, pocket, slot).
    outward : (3,) or (2,) float, optional
        Plane, line2, point: a direction on the outer side, needed with a ball and for "tangent". Other kinds: the
        element's direction is turned to agree with it; for a width it also says roughly which way is across.
    weights : (n,) float, optional
        Weights of the squares (least squares only).
    u : (n,) float or float, optional
        Standard uncertainty of a touch along its normal [mm]: the covariance then comes from it and not from the
        scatter of the residuals. It does not change the fit.
    start : Element, or mapping, optional
        An element of the same kind, or its parameters, that lies near: the fit begins there and stays with it. Few
        touches fit several elements about as well (the corners of a box lie on three cylinders), and the one of the
        smallest residual need not be the one that was touched. For sphere, cylinder, cone, torus, circles and width.

    Returns
    -------
    Element

    Raises
    ------
    InputError
        If the request does not make sense or the touches do not determine the element (too few, repeated, on one line,
        in one plane, around less than half of a circle for the largest inscribed one).
    FitError
        If the fit does not settle, or leaves the element it was to start from.

    Warns
    -----
    ProbekitWarning
        If the touches cover less than 90 degrees of arc.

    Notes
    -----
    Minimum zones of line2, plane, width and circle2, circumscribed circles and spheres, and the tangent plane are
    global: no other element of that kind does better, and `certificate` bounds by how much one could. Circles in space
    (any method but least squares) are those of the touches laid on their least-squares plane. The other minimum zones,
    cylinders and circumscribed widths are proved against elements nearby (to first order, within a motion as
    large as the zone), the best of several starts. An inscribed element is a local optimum by nature: the largest of
    those held by touches all around; several may exist. An inscribed width is global for its split of the touches into
    sides.
    """
    checked_request(kind, method, ball, material, outward, weights)
    raw = np.asarray(points, dtype=float)
    n = len(raw) if raw.ndim else 0
    weight, spread = per_touch(weights, n, "weights", scalar=False), per_touch(u, n, "u", scalar=True)
    facing = None if outward is None else np.asarray(outward, dtype=float)
    begin = None if start is None else dict(getattr(start, "parameters", start))
    fitted, loud = _element(raw, kind, method, float(ball), material, facing, weight, spread, begin)
    for note in loud:
        warnings.warn(note, ProbekitWarning, stacklevel=2)
    return fitted


@remembered(256)
def _element(
    points: np.ndarray,
    kind: str,
    method: str,
    ball: float,
    material: str,
    outward: np.ndarray | None,
    weight: np.ndarray | None,
    spread: np.ndarray | None,
    start: Mapping[str, np.ndarray | float] | None,
) -> tuple[Element, tuple[str, ...]]:
    """The element, and the notes that are warnings as well."""
    asked = KINDS[kind]
    begin = None if start is None else state_of(asked, start)
    given = checked_points(points, asked, None if weight is None else weight > 0, outward)
    side = 1.0 if material == "inside" or not asked.sizes else -1.0
    facing = None if outward is None else np.append(outward, np.zeros(3 - asked.dims))

    shift = given.mean(axis=0)
    scale = float(np.sqrt(np.mean(np.sum((given - shift) ** 2, axis=1)))) or 1.0
    local, offset = (given - shift) / scale, side * ball / scale
    near = None if begin is None else scaled(asked, begin, shift, scale)
    active: tuple[int, ...] = ()
    certificate, notes = float("nan"), []
    if method == "least_squares":
        state = first = fit_least_squares(asked, local, offset=offset, weights=weight, outward=facing, start=near)
    else:
        flat = near if asked.name != "circle" else None
        first = fit_least_squares(
            _flat_kind(asked), _flattened(asked, local), offset=offset, outward=facing, start=flat
        )
        solve = {"minimum_zone": minimum_zone, "tangent": tangent}.get(method, circumscribed_or_inscribed)
        found = solve(_flat_kind(asked), _flattened(asked, local), first, offset, method)
        state, active, certificate = found.state, found.active, found.certificate * scale
        notes += found.notes
        if asked.name == "circle":
            state = _raised(local, state)
            notes.append("in the least-squares plane of the touches")
    state = recentre(asked, _oriented(asked, state, facing))
    others = _others(asked, method, local, first, offset, weight, spread, shift, scale) if start is None else ()
    if near is not None:
        _check_stayed(asked, near, state)
    slope = derivatives(asked, state, local, offset)[1]
    if method == "least_squares":
        root = 1.0 if weight is None else np.sqrt(np.repeat(weight, asked.components))[:, None]
        check_settled(kind, root * slope)
    state = unscaled(asked, state, shift, scale)
    if state.sizes.size and state.sizes[-1] <= 0 and asked.name != "cone":
        raise TouchesError(
            f"nothing is left of the {kind} after compensation for the ball", found=ball, expected="a smaller ball"
        )
    if asked.name in ("cone", "torus") and method == "minimum_zone":
        notes.append(f"the certificate is local: no {asked.name} nearby is better, quite another one may be")
    if others:
        notes.append(
            f"ambiguous: {len(others)} quite different {asked.name}{'s fit' if len(others) > 1 else ' fits'} these "
            "touches about as well; touch more places of it, in other arrangements, or give start="
        )
    fitted, loud = _finished(asked, method, state, given, side, ball, scale, weight, spread, active, certificate, notes)
    return replace(fitted, ambiguous=others) if others else fitted, loud


def _others(
    kind: Kind,
    method: str,
    local: np.ndarray,
    first: State,
    offset: float,
    weight: np.ndarray | None,
    u: np.ndarray | None,
    shift: np.ndarray,
    scale: float,
) -> tuple[dict[str, np.ndarray | float], ...]:
    """Parameters and rms [mm] of quite different elements that fit about as well, by least squares."""
    if kind.name == "circle" and method != "least_squares":
        return ()
    typical = None if u is None else float(np.sqrt(np.mean(u**2))) / scale
    return tuple(
        {**parameters_of(kind, unscaled(kind, state, shift, scale)), "rms": scale * float(np.sqrt(cost / len(local)))}
        for state, cost in others_as_good(kind, local, first, offset, weight, typical)
    )


def _check_stayed(kind: Kind, start: State, state: State) -> None:
    """Refuse an element that is not the one near the start."""
    if kind.name in ("sphere", "circle2"):
        return
    cosine = abs(float(start.rotation[:, kind.axis] @ state.rotation[:, kind.axis]))
    if cosine < np.cos(np.radians(_STAYS)):
        raise FitError(
            f"the {kind.name} left the one it was to start from: it leans {np.degrees(np.arccos(cosine)):.0f} deg from "
            "it. The touches do not lie on that one, or are too few, or too close together, to hold it: look for "
            "touches of other faces, and touch more places of it"
        )


def _flat_kind(kind: Kind) -> Kind:
    return KINDS["circle2"] if kind.name == "circle" else kind


def _plane_of(points: np.ndarray) -> np.ndarray:
    """Frame (3, 3) whose third column is the normal of the least-squares plane of centred points."""
    return unit_frame(np.linalg.svd(points, full_matrices=False)[2][2])


def _flattened(kind: Kind, points: np.ndarray) -> np.ndarray:
    """Points of a circle in space, laid on their least-squares plane; others as they are."""
    if kind.name != "circle":
        return points
    return (points @ _plane_of(points)) * [1.0, 1.0, 0.0]


def _raised(points: np.ndarray, state: State) -> State:
    """A circle found among flattened points, back in space."""
    frame = _plane_of(points)
    return State(frame @ state.origin, frame @ state.rotation, state.sizes)


def _oriented(kind: Kind, state: State, outward: np.ndarray | None) -> State:
    """Direction turned to agree with `outward`, else so that its largest part is positive.

    A cone points from its apex; a point, a sphere and what lies in two coordinates have nothing to turn. Planes and
    lines2 whose side was told are fitted on that side and stay.
    """
    if kind.name not in ("line", "line2", "plane", "circle", "cylinder", "torus", "width"):
        return state
    axis = state.rotation[:, 0 if kind.name == "line2" else kind.axis]
    agrees = axis @ outward >= 0 if outward is not None else axis[np.argmax(np.abs(axis))] > 0
    half_turn = np.diag([-1.0, -1.0, 1.0] if kind.name == "line2" else [1.0, -1.0, -1.0])
    return state if agrees else State(state.origin, state.rotation @ half_turn, state.sizes)


def _finished(
    kind: Kind,
    method: str,
    state: State,
    points: np.ndarray,
    side: float,
    ball: float,
    scale: float,
    weight: np.ndarray | None,
    u: np.ndarray | None,
    active: tuple[int, ...],
    certificate: float,
    notes: list[str],
) -> tuple[Element, tuple[str, ...]]:
    """Residuals, covariance and notes of a state in millimetres, and which of the notes are warnings."""
    parts = distances(kind, state, points, side * ball)
    residual = np.linalg.norm(parts, axis=1) if kind.name in ("point", "line") else side * parts[:, 0]
    parameters = parameters_of(kind, state)
    names = parameter_names(parameters)
    covariance = np.full((len(names), len(names)), np.nan)
    if method == "least_squares":
        each, slope = derivatives(kind, state, points, side * ball)
        lengths = np.repeat([[1.0]], kind.free, axis=1)
        lengths[0, len(kind.translate) : len(kind.translate) + len(kind.rotate)] = 1.0 / scale
        if kind.name == "cone":
            lengths[0, -2] = 1.0 / scale
        w, s = (None if v is None else np.repeat(v, kind.components) for v in (weight, u))
        of_step = covariance_of_step(each, slope * lengths, w, s) * lengths * lengths.T
        covariance = parameter_covariance(kind, state, of_step, scale)
    spare = len(points) * kind.components - kind.free
    if spare <= 0 and method == "least_squares":
        notes.append("as many touches as unknowns: the form is zero by construction and has no meaning")
    elif len(points) <= kind.free and kind.components == 1 and method == "minimum_zone":
        notes.append("no more touches than unknowns: the form is zero by construction and has no meaning")
    if np.isnan(covariance).all() and method == "least_squares" and spare > 0:
        notes.append("the touches do not distinguish the axes: it is a circle, and its angle has no meaning")
    radius = next((names.index(n) for n in ("minor", "radius", "semi_axes_a") if n in names), None)
    deviation = float(np.sqrt(covariance[radius, radius])) if radius is not None else float("nan")
    weak, loud = coverage_notes(kind, state, points, deviation)
    form = 2 * float(residual.max()) if kind.name == "line" else float(np.ptp(residual))
    said = tuple(notes + weak)
    found = Element(kind.name, method, parameters, form, residual, names, covariance, active, certificate, said)
    return found, tuple(weak) if loud else ()
