"""Make the largest of some functions as small as any small step can: sequential linear programming in a trust region.

About each place the functions are taken as linear, the linear program is solved exactly by HiGHS through scipy, and the
functions are evaluated anew where its step leads. What the last program still promised is a certificate of first-order
optimality.

References
----------
R. Fletcher, Practical Methods of Optimization, 2nd ed., Wiley 1987, ch. 14 (nonsmooth optimisation, trust region);
R. Fletcher, E. Sainz de la Maza, Nonlinear programming and nonsmooth optimization by successive linear programming,
Math. Programming 43 (1989) 235-256 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..errors import FitError
from .nonnegative import nonnegative

__all__ = [
    *("Linear", "Minimum", "Step", "free_directions", "levelling", "linear_step", "minimise_largest"),
    *("multipliers", "optimality_gap"),
]

_SHRINK, _GROW = 0.25, 2.0
#: Tolerances, and whether the program is simplified first: the solver gives up now and then with the narrowest.
_WAYS = ((1e-10, False), (1e-10, True), (1e-9, False), (1e-9, True), (1e-8, False))
_COST_OF_MOVING = 1e-7  # per unit of step: what does not bring the largest down stays where it is


class Linear(NamedTuple):
    """Functions about one place: values (m,), slope (m, k), the largest of them, and what else holds a step.

    Rows with `rules` (m,) false are not made small but held at or below 0; all rule if it is None. The last columns of
    the slope, one for each of `cost`, belong to auxiliary unknowns without bounds: what is made small is the largest,
    if any rules, plus their cost. `top` is that at no step and with the best auxiliary unknowns.
    """

    values: np.ndarray
    slope: np.ndarray
    top: float
    rules: np.ndarray | None = None
    cost: tuple[float, ...] = ()


class Step(NamedTuple):
    """Step (k,), by how much it lowers the largest to first order, and the rows that rule then, with their weights."""

    step: np.ndarray
    promised: float
    rows: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True, eq=False)
class Minimum:
    """Where it came to rest: state, the functions there, the last step, the gap to optimal, number of steps."""

    state: Any
    there: Linear
    step: np.ndarray
    gap: float
    iterations: int


def linear_step(there: Linear, radius: float, *, cost_of_moving: float = _COST_OF_MOVING) -> Step:
    """Step within the box of half-width `radius` that lowers the largest most to first order.

    Among steps that are as good the shortest, if moving has a cost: a motion that changes nothing (a slide on a plane)
    is not made. The step is then the difference of two vectors that are not negative, so that its length has a linear
    cost. All is in units of the radius, so that the solver's tolerances are small against what is sought.

    Raises
    ------
    FitError
        If the linear program fails.
    """
    from scipy.optimize import linprog

    extra = len(there.cost)
    k = there.slope.shape[1] - extra
    rules = np.ones(len(there.values), dtype=bool) if there.rules is None else there.rules
    level = there.values - np.where(rules, there.top, 0.0)
    reach = np.abs(there.slope[:, :k]).sum(axis=1) * radius
    # what cannot rise to where the worst row must stay never rules; nor does a bound that is out of reach
    least = np.where(rules, (level - reach)[rules].max(initial=-np.inf), 0.0)
    kept = np.flatnonzero((level + reach >= least) | there.slope[:, k:].any(axis=1))
    ruling, move = rules[kept, None], there.slope[kept, :k]
    parts = [move, -move] if cost_of_moving else [move]
    moving = k * len(parts)
    for tolerance, presolve in _WAYS:
        solved = linprog(
            np.concatenate([np.full(moving, cost_of_moving), there.cost, [1.0]]),
            A_ub=np.hstack([*parts, there.slope[kept, k:], -ruling.astype(float)]),
            b_ub=-level[kept] / radius,
            bounds=[(0.0 if cost_of_moving else -1.0, 1.0)] * moving
            + [(None, None)] * extra
            + [(None, None) if ruling.any() else (0.0, 0.0)],
            method="highs",
            options={
                "primal_feasibility_tolerance": tolerance,
                "dual_feasibility_tolerance": tolerance,
                "presolve": presolve,
            },
        )
        if solved.status == 0:
            break
    else:
        raise FitError(f"a linear program of a fit failed: {solved.message}")
    weight = np.where(ruling[:, 0], -solved.ineqlin.marginals, 0.0)
    at = np.flatnonzero(weight > 1e-9)
    if not len(at):  # nothing falls: the row at the top holds all
        at, weight = np.array([int(np.argmax(level[kept]))]), np.ones(len(kept))
    step = solved.x[:k] - solved.x[k:moving] if cost_of_moving else solved.x[:k]
    fall = -float(solved.x[moving:] @ np.append(there.cost, 1.0))
    return Step(step * radius, fall * radius, kept[at], weight[at] / weight[at].sum())


def minimise_largest(
    evaluate: Callable[[Any], Linear],
    move: Callable[[Any, np.ndarray], Any],
    start: Any,
    *,
    name: str,
    radius: Callable[[Linear], float],
    settled: float,
    widest: float = np.inf,
    narrowest: float = 1e-9,
    probe: float = 1e-3,
    negligible: Callable[[float], float],
    max_iterations: int = 200,
    solve: Callable[[Linear, float], Step] = linear_step,
    trials: Callable[[Any, Linear, Step, float], list[Any]] | None = None,
) -> Minimum:
    """State near `start` where no small step lowers the largest function any more.

    Parameters
    ----------
    evaluate : callable
        State -> functions and slopes there.
    move : callable
        State, step -> state.
    start
        First state.
    name : str
        What is fitted, for messages.
    radius : callable
        Functions at the start -> first half-width of the trust region.
    widest, narrowest : float
        Its largest and least half-width.
    settled : float
        Settled when no step within the trust region promises more than this.
    probe : float
        Once the trust region has shrunk to the least, steps of this length are asked what they promise.
    negligible : callable
        Largest value -> the most that these may promise: more means that it is stuck.
    max_iterations : int
    solve : callable
        Functions, radius -> step.
    trials : callable, optional
        State, functions, step, radius -> states of which the best is tried, in place of the step's own.

    Raises
    ------
    FitError
        If it does not settle, or is stuck where the functions are kinked, or jump.
    """
    state, there = start, evaluate(start)
    width = radius(there)
    for iteration in range(1, max_iterations + 1):
        if shrunk := width <= narrowest:
            width = probe
        found = solve(there, width)
        if shrunk and found.promised > negligible(there.top):
            raise FitError(
                f"{name} is stuck: a step of {1000 * probe:.3g} um promises {found.promised:.2g} and none brings it. "
                "Some touches lie so far off that their nearest point of the nominal jumps: check for touches recorded "
                "as 0, a wrong unit, a wrong ball radius, or contact points taken for ball centres"
            )
        if shrunk or found.promised <= settled:
            return Minimum(state, there, found.step, max(found.promised, 0.0), iteration)
        tried = trials(state, there, found, width) if trials else [move(state, found.step)]
        best, new = min(((one, evaluate(one)) for one in tried), key=lambda pair: pair[1].top)
        gain = (there.top - new.top) / found.promised
        length = float(np.abs(found.step).max())
        if gain > 1e-4:
            state, there = best, new
        if gain < 0.25:
            width = _SHRINK * length
        elif gain > 0.75:
            width = min(max(width, _GROW * length), widest)
    raise FitError(
        f"{name} did not converge in {max_iterations} steps (largest {there.top:.6f}, still promised "
        f"{found.promised:.2e}); raise max_iterations, or check for touches on the wrong face"
    )


def multipliers(values: np.ndarray, slope: np.ndarray, band: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows within `band` of the largest, and weights of them, of sum 1, whose mean slope is least.

    Where the mean slope is zero the weights prove first-order optimality.
    """
    rows = np.nonzero(values >= values.max() - band)[0]
    system = np.vstack([slope[rows].T, np.full((1, len(rows)), 10.0)])
    weight = nonnegative(system, np.append(np.zeros(slope.shape[1]), 10.0))
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


def levelling(values: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Shortest step (k,) that makes all values (m,) equal to first order."""
    return np.linalg.lstsq(slope - slope[0], values[0] - values, rcond=1e-10)[0]


def free_directions(slope: np.ndarray) -> np.ndarray:
    """Directions (k, j) along which all the rows change alike to first order."""
    _, spectrum, axes = np.linalg.svd(slope - slope.mean(axis=0), full_matrices=True)
    rank = int(np.count_nonzero(spectrum > 1e-7))
    return axes[rank:].T
