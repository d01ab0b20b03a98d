"""Make the largest of some functions of an element as small as any small change of it can.

A linear program in a trust region says which touches rule; a step of Newton's method on those, held equal, gives the
last digits where the optimum is not a corner (sequential linear programming with an equality-constrained second phase).
See `probekit.fit.slp`.

References
----------
G. T. Anthony et al., Reference software for finding Chebyshev best-fit geometric elements, Precision Engineering 19
(1996) 28-36 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ...errors import FitError, TouchesError
from ..slp import (
    Linear,
    Step,
    free_directions,
    levelling,
    linear_step,
    minimise_largest,
    multipliers,
    optimality_gap,
)
from .shapes import Kind, State, retract

__all__ = ["Found", "Measure", "solve_minimax"]

#: State -> values (m,) of which the largest is to be small, and their Jacobian (m, free).
Measure = Callable[[State], tuple[np.ndarray, np.ndarray]]

_STEPS = 100
_NEGLIGIBLE = 1e-5  # part of the zone; what a step of a thousandth of it may still promise


@dataclass(frozen=True, eq=False)
class Found:
    """An element that is not of least squares: state, rows that fix it, bound on what is left to gain, notes."""

    state: State
    active: tuple[int, ...]
    certificate: float
    notes: list[str] = field(default_factory=list)


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

    def evaluate(state: State) -> Linear:
        values, slope = measure(state)
        top = float(values.max())
        if top < floor:
            raise TouchesError(
                f"the touches do not constrain such a {kind.name} near the one of least squares",
                todo="Touch it all around and along its length, or fit it by least squares.",
            )
        return Linear(values, slope, top)

    def trials(state: State, there: Linear, found: Step, radius: float) -> list[State]:
        second = retract(kind, state, _second_order_step(kind, measure, state, there, found, radius))
        # once more equal at the new place: they do not all curve alike
        level = levelling(measure(second)[0][found.rows], there.slope[found.rows])
        return [second, retract(kind, state, found.step), retract(kind, second, level)]

    for _ in range(_STEPS):
        state = minimise_largest(
            evaluate,
            lambda state, step: retract(kind, state, step),
            state,
            name=f"the minimax {kind.name}",
            radius=lambda _: reach,
            settled=1e-13 * reach + 2e-15 * (1.0 + np.abs(state.sizes).max(initial=0.0)),
            widest=0.3,
            narrowest=1e-9 * reach,
            probe=1e-3 * reach,
            negligible=lambda _: _NEGLIGIBLE * reach,
            max_iterations=_STEPS,
            solve=_corner,
            trials=trials,
        ).state
        values, slope = measure(state)
        escaped = _escape(kind, measure, state, values, slope, reach)
        if escaped is None:
            return state, optimality_gap(values, slope, reach)
        state = escaped
    raise FitError(f"the minimax {kind.name} did not converge: look for touches that are not on it")


def _corner(there: Linear, radius: float) -> Step:
    """Where the linear program has its corner: an element has no motions that change nothing."""
    return linear_step(there, radius, cost_of_moving=0.0)


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
    there: Linear,
    found: Step,
    radius: float,
) -> np.ndarray:
    """Newton's step along which the ruling rows stay equal, at most about `radius` long.

    Curvature counts by its size, so that the step goes down from a saddle, too.
    """
    rows, weight, slope = found.rows, found.weight, there.slope
    null = free_directions(slope[rows])
    level = levelling(there.values[rows], slope[rows])
    if not null.shape[1]:
        return level
    second = _curvature(kind, measure, state, rows, weight)
    bends, axes = np.linalg.eigh(null.T @ second @ null)
    bends = np.maximum(np.abs(bends), 1e-6)
    down = null @ axes
    free = -(down @ ((down.T @ (weight @ slope[rows] + second @ level)) / bends))
    return level + free * min(1.0, radius / max(float(np.abs(free).max()), 1e-300))


def _escape(
    kind: Kind, measure: Measure, state: State, values: np.ndarray, slope: np.ndarray, reach: float
) -> State | None:
    """A better state beyond a saddle, if the ruling rows curve downwards along a direction they leave free."""
    rows, weight = multipliers(values, slope, 1e-6 * reach + 1e-14)
    rows, weight = rows[weight > 1e-9], weight[weight > 1e-9]
    null = free_directions(slope[rows])
    if not null.shape[1]:
        return None
    bends, axes = np.linalg.eigh(null.T @ _curvature(kind, measure, state, rows, weight) @ null)
    if bends[0] > -1e-6:
        return None
    top = float(values.max())
    for length in reach * np.array([1.0, 0.1, 0.01]):
        for sign in (1.0, -1.0):
            trial = retract(kind, state, sign * length * (null @ axes[:, 0]))
            values, slope = measure(trial)
            trial = retract(kind, trial, _corner(Linear(values, slope, float(values.max())), length).step)
            if float(measure(trial)[0].max()) < top - 1e-9 * reach:
                return trial
    return None
