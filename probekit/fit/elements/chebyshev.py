"""Minimum zone elements: the largest distance of a touch is as small as it can be.

line2, plane, width and circle2 are global (hulls and exchange); the others are local, the best of several starts.
"""

from __future__ import annotations

import numpy as np

from ...errors import FitError
from .linear import active_rows, difference_normals, narrowest, zone_of_planes
from .minimax import Found, Measure, solve_minimax
from .shapes import Kind, State, derivatives, retract

__all__ = ["minimum_zone", "several_starts"]

_STARTS, _AGREE = 6, 2  # starts tried; further ones that must end in the best place before the rest is left out


def minimum_zone(kind: Kind, points: np.ndarray, first: State, offset: float, method: str) -> Found:  # noqa: ARG001
    """Minimum zone element.

    Parameters
    ----------
    kind : Kind
    points : (n, 3) float
        Centred and scaled.
    first : State
        Least-squares element.
    offset : float
        Distance at which the touches lie from the element.
    method : str
        Not used: the same call as for the other methods.
    """
    if kind.name in ("line2", "plane", "width"):
        return zone_of_planes(kind, points, first, offset)
    if kind.name == "circle2":
        return _annulus(points, first, offset)

    def measure(state: State) -> tuple[np.ndarray, np.ndarray]:
        distance, slope = derivatives(kind, state, points, offset)
        if kind.name != "line":
            return np.concatenate([distance, -distance]), np.vstack([slope, -slope])
        pairs, slopes = distance.reshape(-1, 2), slope.reshape(len(points), 2, -1)
        length = np.linalg.norm(pairs, axis=1)
        return length, np.einsum("nc,nck->nk", pairs / np.maximum(length, 1e-300)[:, None], slopes)

    state, gap = several_starts(kind, measure, first)
    values, _ = measure(state)
    half = float(values.max())
    wide = np.maximum(values[: len(points)], values[-len(points) :])
    return Found(state, active_rows(half - wide, half), 2 * gap)


def several_starts(
    kind: Kind, measure: Measure, first: State, least_reach: float = 1e-14, floor: float = -np.inf
) -> tuple[State, float]:
    """The best of some local minima, from the first state and from states about as far off as the zone is wide."""
    values, _ = measure(first)
    reach = max(float(values.max() - np.median(values)), least_reach)
    rng = np.random.default_rng(0)
    best, gap, least, agree, failure = None, np.inf, np.inf, 0, None
    for trial in range(_STARTS):
        step = np.zeros(kind.free) if trial == 0 else reach * rng.uniform(-1.0, 1.0, kind.free)
        try:
            state, left = solve_minimax(kind, measure, retract(kind, first, step), reach, floor)
        except FitError as error:
            failure = error
            continue
        top = float(measure(state)[0].max())
        if top < least - 1e-9 * reach:
            best, gap, least, agree = state, left, top, 0
        elif top < least + 1e-9 * reach:
            agree += 1
            if agree == _AGREE:
                break
    if best is None:
        raise failure
    return best, gap


def _annulus(points: np.ndarray, first: State, offset: float) -> Found:
    """Narrowest ring of circles about one centre that holds points of a plane: global.

    Notes
    -----
    At a least ring two inner and two outer touches rule (directions to the outer ones and to the inner ones must
    have a common mean), so its centre is a corner of the overlay of the nearest and the furthest Voronoi diagram. On
    the paraboloid z = x^2 + y^2 those corners are the antipodal edge pairs and vertex-facet pairs of the hull: facets
    of the hull of differences. Found for a few touches, with the touches nearest to and furthest from the centre added
    until nothing changes; the ring of a few is never wider than that of all. (H. Ebara et al., J. IPS Japan 1989;
    U. Roy, X. Zhang, CAD 24 (1992) 161-168, from memory.) A straight strip is the ring of infinite radius, and
    bounds those whose centre is far away.
    """
    flat = points[:, :2]
    centre = first.origin[:2]
    rho = np.linalg.norm(flat - centre, axis=1)
    if np.ptp(rho) <= 1e-14 * rho.max():
        return Found(first, tuple(range(len(points))), float(np.ptp(rho)))
    turns = np.linspace(0.0, 2 * np.pi, 8, endpoint=False)
    out = (flat - centre) @ np.array([np.cos(turns), np.sin(turns)])
    chosen = set(out.argmax(axis=0).tolist()) | {int(rho.argmax()), int(rho.argmin())}
    while True:
        few = flat[sorted(chosen)] - centre
        lifted = np.column_stack([few, np.einsum("ij,ij->i", few, few)])
        normals = difference_normals([lifted])
        normals = normals[np.abs(normals[:, 2]) > 1e-12]
        tries = -normals[:, :2] / (2 * normals[:, 2:])
        to_few = np.linalg.norm(few[:, None, :] - tries, axis=2)
        widths = np.ptp(to_few, axis=0)
        bound = float(widths.min())
        found = tries[np.argmin(widths)] + centre
        rho = np.linalg.norm(flat - found, axis=1)
        width = float(np.ptp(rho))
        before = len(chosen)
        chosen |= {int(rho.argmax()), int(rho.argmin())}
        if width <= bound + 1e-15 or len(chosen) == before:
            break
    notes = []
    strip = narrowest([flat])[2]
    if strip < bound:
        notes.append("a straight strip that holds the touches is narrower: they do not define a circle")
        bound = strip
    middle = 0.5 * (rho.max() + rho.min())
    state = State(np.append(found, 0.0), np.eye(3), np.array([middle - offset]))
    return Found(state, active_rows(0.5 * width - np.abs(rho - middle), width), width - min(bound, width), notes)
