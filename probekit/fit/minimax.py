"""Minimax placement: make the largest weighted deviation as small as any small motion can.

A sequence of linear programs (`probekit.fit.slp`), with the touches projected anew at each step.

References
----------
G. T. Anthony et al., "Reference software for finding Chebyshev best-fit geometric elements", Precision Engineering
19 (1996) 28-36 (from memory). Covariance: C. L. Lawson, Contributions to the theory of linear least maximum
approximation, thesis, UCLA 1961 (weights times residuals, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..show import shown
from .motion import jacobian, move
from .slp import Linear, free_directions, levelling, minimise_largest, multipliers, optimality_gap

__all__ = ["MinimaxResult", "gain_of_minimax", "minimax_motion", "scatter_of_minimax"]

Placed = tuple[np.ndarray, np.ndarray]  # parameters with the offset (7,), and what is left of what holds a step

_LAST = 8  # Newton's steps at most
_NEGLIGIBLE = 1e-3  # a promise of less than this part of the largest deviation is none, where the facets are kinked


@shown
@dataclass(frozen=True, eq=False)
class MinimaxResult:
    """Outcome of `minimax_motion`: parameters (6,) in mm and rad, largest residual, its gap to optimal, steps, the
    residuals (n,) and the uniform offset [mm] that was taken off the deviations; the rows of the contacting touches and
    their multipliers, which prove it: positive, of sum 1, with them the signed slopes of these touches cancel.
    """

    parameters: np.ndarray
    largest: float
    gap: float
    iterations: int
    residuals: np.ndarray
    offset: float = 0.0
    ruling: tuple[int, ...] = ()
    multipliers: tuple[float, ...] = ()

    @property
    def sentence(self) -> str:
        """The largest residual and what proves it, in one line."""
        largest = f"largest residual {self.largest:.4f} mm of {len(self.residuals)}"
        return f"{largest}, within {self.gap:.1e} of the least, {self.iterations} steps"


def minimax_motion(
    points: np.ndarray,
    measure: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    basis: np.ndarray,
    *,
    pivot: np.ndarray,
    middle: np.ndarray | float = 0.0,
    scale: np.ndarray | float = 1.0,
    start: np.ndarray | None = None,
    offset: bool = False,
    within: tuple[np.ndarray, np.ndarray] | None = None,
    settled: float = 1e-6,
    max_iterations: int = 200,
    exact: bool = False,
) -> MinimaxResult:
    """Motion that minimises max |scale (deviation - middle)|.

    Parameters
    ----------
    points : (n, 3) float
        Measured points [mm].
    measure : callable
        Moved points (n, 3) -> deviations (n,) [mm] and their gradients (n, 3).
    basis : (6, k) float
        Columns are the motions left free, in mm and rad about the pivot, each scaled so that one unit moves the
        touches by about a millimetre (`probekit.fit.motion.free_basis`).
    pivot : (3,) float
        Point about which parameters turn [mm].
    middle, scale : (n,) float or float
        Middle of each touch's zone [mm], and its weight.
    start : (6,) float, optional
        First parameters, mm and rad.
    offset : bool
        Leave a uniform offset of all deviations free as well: max |scale (deviation - middle - offset)|.
    within : ((m, k) float, (m,) float), optional
        Rows A and limits b >= 0 that hold the way c taken from the start, as multiples of the motions in `basis`, in
        A c <= b.
    settled : float
        Settled when no motion within the trust region promises more than this [mm, scaled].
    max_iterations : int
    exact : bool
        Go on by Newton's steps on the contacting touches, held equal, to the last digits; not with `within`.

    Returns
    -------
    MinimaxResult
        `gap` is what the last linear program still promised: a certificate of first-order optimality, in the unit
        of the scaled deviations.

    Raises
    ------
    FitError
        If it does not settle within `max_iterations`, or is stuck.
    """
    start = np.append(np.zeros(6) if start is None else np.asarray(start, dtype=float), 0.0)
    columns = np.vstack([basis, np.zeros((1, basis.shape[1]))])
    if offset:
        columns = np.hstack([columns, np.eye(7)[:, 6:]])
    held, room = (np.zeros((0, basis.shape[1])), np.zeros(0)) if within is None else within
    held = np.pad(held, ((0, 0), (0, columns.shape[1] - basis.shape[1])))
    ruling = np.repeat([True, False], [2 * len(points), len(held)])

    def evaluate(state: Placed) -> Linear:
        parameters, left = state
        moved = move(parameters[:6], points, pivot)
        deviation, gradient = measure(moved)
        slope = jacobian(parameters[:6], moved, gradient, pivot) @ basis
        if offset:
            slope = np.hstack([slope, -np.ones((len(slope), 1))])
        residual, slope = scale * (deviation - middle - parameters[6]), np.reshape(scale, (-1, 1)) * slope
        values, rows = np.concatenate([residual, -residual, -left]), np.vstack([slope, -slope, held])
        return Linear(values, rows, float(np.abs(residual).max()), ruling)

    def further(state: Placed, step: np.ndarray) -> Placed:
        return state[0] + columns @ step, np.maximum(state[1] - held @ step, 0.0)

    found = minimise_largest(
        evaluate,
        further,
        (start, room),
        name="the minimax fit",
        radius=lambda there: max(2.0 * there.top / max(float(np.mean(scale)), 1e-300), 1e-3),
        settled=settled,
        negligible=lambda largest: max(10.0 * settled, _NEGLIGIBLE * largest),
        max_iterations=max_iterations,
    )
    at, there, gap = found.state, found.there, found.gap
    if exact and within is None:
        at, there, gap = _last_digits(evaluate, further, at, there, gap)
    parameters, residuals = at[0], there.values[: len(points)]
    rows, weight = multipliers(there.values[: 2 * len(points)], there.slope[: 2 * len(points)], 2.0 * gap + 1e-13)
    proof = sorted((int(row) % len(points), float(w)) for row, w in zip(rows, weight, strict=True) if w > 1e-9)
    return MinimaxResult(
        parameters[:6],
        there.top,
        gap,
        found.iterations,
        residuals,
        float(parameters[6]),
        tuple(row for row, _ in proof),
        tuple(w for _, w in proof),
    )


def _last_digits(
    evaluate: Callable[[Placed], Linear],
    further: Callable[[Placed, np.ndarray], Placed],
    state: Placed,
    there: Linear,
    gap: float,
) -> tuple[Placed, Linear, float]:
    """Where the contacting touches are equal to rounding and their slopes cancel; what any small motion could gain."""
    reach = 2.0 * there.top
    for band in (10.0 * gap + 1e-9, *[1e-9] * _LAST):
        rows, weight = multipliers(there.values, there.slope, band)
        rows, weight = rows[weight > 1e-9], weight[weight > 1e-9]
        slope = there.slope[rows]
        step = levelling(there.values[rows], slope)
        null = free_directions(slope)
        if null.shape[1]:
            width = 1e-3
            second = np.empty((null.shape[1], null.shape[1]))
            for j, way in enumerate(null.T):
                ahead, behind = (evaluate(further(state, sign * width * way)).slope[rows] for sign in (1.0, -1.0))
                second[j] = (weight @ (ahead - behind)) @ null / (2.0 * width)
            bends, axes = np.linalg.eigh(0.5 * (second + second.T))
            bends = np.where(np.abs(bends) > 1e-6, np.abs(bends), np.inf)  # what changes nothing is not moved
            step = step - null @ (axes @ ((axes.T @ (null.T @ (weight @ slope))) / bends))
        tried = further(state, step)
        new = evaluate(tried)
        left = optimality_gap(new.values, new.slope, reach)
        if not left < gap:
            break
        state, there, gap = tried, new, left
    return state, there, gap


def scatter_of_minimax(slope: np.ndarray, trials: int = 200, sweeps: int = 150) -> np.ndarray:
    """Covariance (k, k) of the parameters that make max |d + slope p| least, where d (n,) is scatter of variance one.

    Which touches rule changes from one draw of the scatter to the next, so no gain of one set of them tells it. It is
    drawn: all trials at once, each solved by Lawson's weights (the weight of a touch is multiplied by its residual
    until only those that rule have any). The same numbers are drawn in every run.

    Parameters
    ----------
    slope : (n, k) float
        Of full rank, with more rows than columns; scaled by the weights of the touches.
    trials, sweeps : int
        200 trials give standard deviations to 5 %; after 150 sweeps they are right to about 0.5 %.
    """
    n, k = slope.shape
    drawn = np.random.default_rng(0).normal(size=(trials if n <= 500 else trials // 2, n))
    products = (slope[:, :, None] * slope[:, None, :]).reshape(n, k * k)
    weight, found = np.full(drawn.shape, 1.0 / n), np.zeros((len(drawn), k))
    for _ in range(sweeps):
        normal = (weight @ products).reshape(-1, k, k)
        normal += 1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] / k * np.eye(k)
        found = np.linalg.solve(normal, -((weight * drawn) @ slope)[:, :, None])[:, :, 0]
        weight *= np.abs(drawn + found @ slope.T)
        weight /= weight.sum(axis=1, keepdims=True)
    return found.T @ found / len(found)  # its mean is zero, by symmetry


def gain_of_minimax(slope: np.ndarray) -> np.ndarray:
    """Gain (k, n) with the covariance of minimax parameters on scatter, for a slope as `scatter_of_minimax` takes it.

    Which touches rule changes with the least scatter, so it is the gain of least squares, stretched to that covariance.
    """
    squares = -np.linalg.pinv(slope, rcond=1e-10)
    if slope.shape[0] <= slope.shape[1]:
        return squares
    wanted, own = (np.linalg.cholesky(c) for c in (scatter_of_minimax(slope), squares @ squares.T))
    return wanted @ np.linalg.solve(own, squares)
