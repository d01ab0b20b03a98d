"""The largest element that the touches leave room for, and the smallest that holds them."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from ...errors import TouchesError
from ..slp import optimality_gap
from .chebyshev import several_starts
from .linear import active_rows
from .minimax import Found, Measure, solve_minimax
from .shapes import Kind, State, derivatives

__all__ = ["circumscribed_or_inscribed", "smallest_ball"]


def circumscribed_or_inscribed(kind: Kind, points: np.ndarray, first: State, offset: float, method: str) -> Found:
    """Minimum circumscribed or maximum inscribed element.

    Parameters
    ----------
    kind : Kind
        circle2, sphere, cylinder or width.
    points : (n, 3) float
        Centred and scaled.
    first : State
        Least-squares element.
    offset : float
        Distance at which the touches lie from the element.
    method : str
        "minimum_circumscribed" or "maximum_inscribed".
    """
    sign = 1.0 if method == "minimum_circumscribed" else -1.0
    size = len(kind.translate) + len(kind.rotate) + kind.size

    def measure(state: State) -> tuple[np.ndarray, np.ndarray]:
        held = State(state.origin, state.rotation, first.sizes)  # the size is not varied: it follows from the place
        distance, slope = derivatives(kind, held, points, offset)
        slope[:, size] = 0.0
        return sign * distance, sign * slope

    if kind.name in ("circle2", "sphere"):
        if sign > 0:
            return _circumscribed_ball(kind, points, offset)
        state, gap = _inscribed_ball(kind, points, first, measure)
    else:
        # touches may fit the first element exactly and yet not hold it, so look further than their form
        state, gap = several_starts(kind, measure, first, 1e-4, -0.2 * kind.share * first.sizes[kind.size])
    off = sign * measure(state)[0]
    extreme = float(off.max() if sign > 0 else off.min())
    sizes = first.sizes.copy()
    sizes[kind.size] += extreme / kind.share
    state = State(state.origin, state.rotation, sizes)
    notes = []
    if np.ptp(off) > 3 * np.ptp(measure(first)[0]) + 1e-9:
        notes.append("far from the least-squares element: the touches hardly constrain it there")
    return Found(state, active_rows(np.abs(off - extreme), float(np.ptp(off))), gap / kind.share, notes)


def smallest_ball(points: np.ndarray) -> tuple[np.ndarray, float, list[int], float]:
    """Smallest ball (disc) that holds points (n, d): centre, radius, rows on it that fix it, lower bound of the radius.

    Notes
    -----
    Exchange: the ball of a few points, found exactly from all their subsets, grows until none is outside
    (E. Welzl, LNCS 555 (1991) 359-370; B. Gaertner, LNCS 1643 (1999) 325-338, from memory). With the
    centre as a mean of the points that fix it, weights w, the radius is at least sqrt(w |p|^2 - |w p|^2) by duality.
    """
    d = points.shape[1]
    support = [int(np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
    support.append(int(np.argmax(np.linalg.norm(points - points[support[0]], axis=1))))
    bound = 0.0
    while True:
        best = None
        for count in range(2, min(len(support), d + 1) + 1):
            for rows in combinations(support, count):
                centre, weight = _circumcentre(points[list(rows)])
                if centre is None or weight.min() < -1e-12:
                    continue
                radius = float(np.linalg.norm(points[list(rows)] - centre, axis=1).max())
                reach = np.linalg.norm(points[support] - centre, axis=1).max()
                if reach <= radius * (1 + 1e-12) and (best is None or radius < best[1]):
                    best = centre, radius, list(rows), weight
        centre, radius, support, weight = best
        span = points[support] - centre
        bound = max(bound, np.sqrt(max(0.0, weight @ np.sum(span**2, axis=1) - np.sum((weight @ span) ** 2))))
        distance = np.linalg.norm(points - centre, axis=1)
        furthest = int(np.argmax(distance))
        if distance[furthest] <= radius * (1 + 2e-15) or furthest in support:
            return centre, float(distance[furthest]), support, float(bound)
        support.append(furthest)


def _circumcentre(corners: np.ndarray) -> tuple[np.ndarray | None, np.ndarray]:
    """Centre of the smallest ball through points (k, d) and its barycentric weights (k,); None if they are flat."""
    edges = corners[1:] - corners[0]
    gram = edges @ edges.T
    if np.linalg.cond(gram) > 1e14:
        return None, np.zeros(0)
    weight = np.linalg.solve(2 * gram, np.diag(gram))
    return corners[0] + weight @ edges, np.append(1.0 - weight.sum(), weight)


def _circumscribed_ball(kind: Kind, points: np.ndarray, offset: float) -> Found:
    centre, radius, _, bound = smallest_ball(points[:, : kind.dims])
    gap = radius - np.linalg.norm(points[:, : kind.dims] - centre, axis=1)
    state = State(np.append(centre, np.zeros(3 - kind.dims)), np.eye(3), np.array([radius - offset]))
    return Found(state, active_rows(gap, float(np.ptp(gap))), max(0.0, radius - bound))


def _inscribed_ball(kind: Kind, points: np.ndarray, first: State, measure: Measure) -> tuple[State, float]:
    """Centre of the largest empty ball that touches hold from all around.

    Its touches are the corners of a Delaunay simplex that holds its own circumcentre: no small move of the centre
    gets away from all of them at once.
    """
    from scipy.spatial import Delaunay, QhullError

    d = kind.dims
    flat = points[:, :d] - first.origin[:d]
    tries = []
    try:
        simplices = Delaunay(flat).simplices
    except QhullError:
        simplices = np.zeros((0, d + 1), dtype=int)
    if len(simplices):
        corners = flat[simplices]
        edges = corners[:, 1:] - corners[:, :1]
        gram = edges @ edges.transpose(0, 2, 1)
        sound = np.linalg.cond(gram) < 1e12
        corners, edges, gram = corners[sound], edges[sound], gram[sound]
        weight = np.linalg.solve(2 * gram, np.einsum("sii->si", gram)[..., None])[..., 0]
        holds = (weight.min(axis=1) >= -1e-9) & (weight.sum(axis=1) <= 1 + 1e-9)
        tries = (corners[:, 0] + np.einsum("sk,skd->sd", weight, edges))[holds]
    room = [float(np.linalg.norm(flat - centre, axis=1).min()) for centre in tries]
    at_first = float(np.linalg.norm(flat, axis=1).min())
    if not room or max(room) < at_first - 1e-9:
        raise TouchesError(
            f"no largest inscribed {kind.name}: touches do not constrain it from all around",
            todo="Touch the rest of it (more than half a turn), or fit it by least squares.",
        )
    centre = tries[int(np.argmax(room))] + first.origin[:d]
    state = State(np.append(centre, np.zeros(3 - d)), first.rotation, first.sizes)
    reach = float(np.ptp(measure(first)[0]))
    better, gap = solve_minimax(kind, measure, state, max(reach, 1e-13))
    if measure(better)[0].max() > measure(state)[0].max():
        return state, optimality_gap(*measure(state), max(reach, 1e-13))
    return better, gap
