"""Make the largest of some functions of an element as small as any small change of it can.

A linear program in a trust region says which touches rule; a step of Newton's method on those, held equal, gives the
last digits where the optimum is not a corner (sequential linear programming with an equality-constrained second phase).
The linear programs are solved by HiGHS through scipy.

References
----------
R. Fletcher, E. Sainz de la Maza, Nonlinear programming and nonsmooth optimization by successive linear programming,
Math. Programming 43 (1989) 235-256; G. T. Anthony et al., Reference software for finding Chebyshev best-fit geometric
elements, Precision Engineering 19 (1996) 28-36 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ...errors import FitError, InputError
from .shapes import Kind, State, retract

__all__ = ["Found", "Measure", "multipliers", "optimality_gap", "solve_minimax"]

#: State -> values (m,) of which the largest is to be small, and their Jacobian (m, free).
Measure = Callable[[State], tuple[np.ndarray, np.ndarray]]

_STEPS = 100


@dataclass(frozen=True, eq=False)
class Found:
    """An element that is not of least squares: state, rows that fix it, bound on what is left to gain, notes."""

    state: State
    active: tuple[int, ...]
    certificate: float
    notes: list[str] = field(default_factory=list)


def multipliers(values: np.ndarray, slope: np.ndarray, band: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows within `band` of the largest, and weights of them, of sum 1, whose mean slope is least.

    Where the mean slope is zero the weights prove first-order optimality.
    """
    from scipy.optimize import nnls

    rows = np.nonzero(values >= values.max() - band)[0]
    system = np.vstack([slope[rows].T, np.full((1, len(rows)), 10.0)])
    weight = nnls(system, np.append(np.zeros(slope.shape[1]), 10.0), maxiter=50 * len(rows) + 100)[0]
    return rows, weight / weight.sum()


def optimality_gap(values: np.ndarray, slope: np.ndarray, reach: float) -> float:
    """Most by which the largest of the linearised values could fall within a box of half-width `reach`, from above.

    Parameters
    ----------
    values : (m,) float
    slope : (m, k) float
    reach : float
        Half-width of the box of steps.

    Notes
    -----
    Weak duality: for weights w >= 0 with sum 1, max(values + slope s) >= w values - |w slope|_1 reach.
    """
    gaps = []
    for band in (1e-6 * reach, 0.1 * reach, 2.0 * reach):
        rows, weight = multipliers(values, slope, band)
        gaps.append(values.max() - weight @ values[rows] + np.abs(weight @ slope[rows]).sum() * reach)
    return max(0.0, float(min(gaps)))


def solve_minimax(
    kind: Kind, measure: Measure, state: State, reach: float, floor: float = -np.inf
) -> tuple[State, float]:
    """State near `state` where the largest value has a local minimum, and the gap left [in the unit of the values].

    Parameters
    ----------
    kind : Kind
    measure : callable
    state : State
    reach : float
        First half-width of the trust region, and that of the box the gap is stated for.
    floor : float
        A largest value below this means that nothing holds the element.

    Raises
    ------
    InputError
        If the largest value falls below the floor.
    FitError
        If it does not settle.
    """
    reach = max(reach, 1e-14)
    values, slope = measure(state)
    radius, top = reach, float(values.max())
    small = 1e-10 * reach + 2e-15 * (1.0 + np.abs(state.sizes).max(initial=0.0))
    for _ in range(_STEPS):
        step, promised, rows, weight = _linear_step(values, slope, radius)
        second = _second_order_step(kind, measure, state, values, slope, rows, weight, radius)
        trials = [retract(kind, state, second), retract(kind, state, step)]
        # once more equal at the new place: they do not all curve alike
        trials.append(retract(kind, trials[0], _levelling(measure(trials[0])[0][rows], slope[rows])))
        tops = [float(measure(trial)[0].max()) for trial in trials]
        best = int(np.argmin(tops))
        gain = top - tops[best]
        if gain > 0:
            state, top = trials[best], tops[best]
            values, slope = measure(state)
        if top < floor:
            raise InputError(
                f"the touches do not constrain such a {kind.name} near the one of least squares",
                todo="Touch it all around and along its length, or fit it by least squares.",
            )
        if gain > 0.75 * promised:
            radius = min(3.0 * radius, 0.3)
        elif gain < 0.25 * promised:
            radius *= 0.25
        if promised <= small or radius <= 1e-13 * max(1.0, reach) or (gain == 0.0 and radius < 1e-7 * reach):
            escaped = _escape(kind, measure, state, values, slope, reach)
            if escaped is None:
                return state, optimality_gap(values, slope, reach)
            state, radius = escaped, reach
            values, slope = measure(state)
            top = float(values.max())
    raise FitError(f"the minimax {kind.name} did not converge in {_STEPS} steps: look for touches that are not on it")


def _linear_step(
    values: np.ndarray, slope: np.ndarray, radius: float
) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    """Step (k,) in the box that makes the largest linearised value least, by how much that falls, and what rules then.

    The rows that rule come with their multipliers, of sum 1.
    """
    from scipy.optimize import linprog

    reach = np.abs(slope).sum(axis=1) * radius
    ruling = values + reach >= (values - reach).max()
    rows, level = slope[ruling], (values[ruling] - values.max()) / radius
    k = slope.shape[1]
    solved = linprog(
        np.append(np.zeros(k), 1.0),
        A_ub=np.hstack([rows, np.full((len(rows), 1), -1.0)]),
        b_ub=-level,
        bounds=[(-1.0, 1.0)] * k + [(None, 0.0)],
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    if solved.status != 0:
        raise FitError(f"a linear program of the minimax fit failed: {solved.message}")
    weight = -solved.ineqlin.marginals
    at = np.nonzero(weight > 1e-9)[0]
    if not len(at):  # nothing falls: the row at the top holds all
        at, weight = np.array([int(np.argmax(level))]), np.ones(len(rows))
    weight = weight[at] / weight[at].sum()
    return solved.x[:k] * radius, -float(solved.x[-1]) * radius, np.nonzero(ruling)[0][at], weight


def _curvature(kind: Kind, measure: Measure, state: State, rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Second derivative (k, k) of the weighted mean of some values, by differences of the exact slope."""
    width = 1e-5
    second = np.empty((kind.free, kind.free))
    for j, step in enumerate(width * np.eye(kind.free)):
        ahead, behind = (measure(retract(kind, state, sign * step))[1][rows] for sign in (1.0, -1.0))
        second[j] = weight @ (ahead - behind) / (2 * width)
    return 0.5 * (second + second.T)


def _second_order_step(
    kind: Kind,
    measure: Measure,
    state: State,
    values: np.ndarray,
    slope: np.ndarray,
    rows: np.ndarray,
    weight: np.ndarray,
    radius: float,
) -> np.ndarray:
    """Newton's step along which the ruling rows stay equal, at most about `radius` long.

    Curvature counts by its size, so that the step goes down from a saddle, too.
    """
    null = _free_directions(slope[rows])
    level = _levelling(values[rows], slope[rows])
    if not null.shape[1]:
        return level
    second = _curvature(kind, measure, state, rows, weight)
    bends, axes = np.linalg.eigh(null.T @ second @ null)
    bends = np.maximum(np.abs(bends), 1e-6)
    down = null @ axes
    free = -(down @ ((down.T @ (weight @ slope[rows] + second @ level)) / bends))
    return level + free * min(1.0, radius / max(float(np.abs(free).max()), 1e-300))


def _levelling(values: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Shortest step (k,) that makes all values (m,) equal to first order."""
    return np.linalg.lstsq(slope - slope[0], values[0] - values, rcond=1e-10)[0]


def _free_directions(slope: np.ndarray) -> np.ndarray:
    """Directions (k, j) along which all the rows change alike to first order."""
    _, spectrum, axes = np.linalg.svd(slope - slope.mean(axis=0), full_matrices=True)
    rank = int(np.count_nonzero(spectrum > 1e-7))
    return axes[rank:].T


def _escape(
    kind: Kind, measure: Measure, state: State, values: np.ndarray, slope: np.ndarray, reach: float
) -> State | None:
    """A better state beyond a saddle, if the ruling rows curve downwards along a direction they leave free."""
    rows, weight = multipliers(values, slope, 1e-6 * reach + 1e-14)
    rows, weight = rows[weight > 1e-9], weight[weight > 1e-9]
    null = _free_directions(slope[rows])
    if not null.shape[1]:
        return None
    bends, axes = np.linalg.eigh(null.T @ _curvature(kind, measure, state, rows, weight) @ null)
    if bends[0] > -1e-6:
        return None
    top = float(values.max())
    for length in reach * np.array([1.0, 0.1, 0.01]):
        for sign in (1.0, -1.0):
            trial = retract(kind, state, sign * length * (null @ axes[:, 0]))
            trial = retract(kind, trial, _linear_step(*measure(trial), length)[0])
            if float(measure(trial)[0].max()) < top - 1e-9 * reach:
                return trial
    return None
