"""Minimax placement: make the largest weighted deviation as small as any small motion can.

A sequence of linear programs in a trust region, with the touches projected anew at each step. The programs are
solved by HiGHS through scipy; only touches that could become active within the trust region enter one.

References
----------
R. Fletcher, Practical Methods of Optimization, 2nd ed., Wiley 1987, ch. 14 (nonsmooth optimisation, trust region);
G. T. Anthony et al., "Reference software for finding Chebyshev best-fit geometric elements", Precision Engineering
19 (1996) 28-36 (both from memory). Covariance: C. L. Lawson, Contributions to the theory of linear least maximum
approximation, thesis, UCLA 1961 (weights times residuals, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from ..show import shown
from .motion import jacobian, move

__all__ = ["MinimaxResult", "minimax_motion", "scatter_of_minimax"]

_SHRINK, _GROW = 0.25, 2.0
_NEGLIGIBLE = 1e-3  # a promise of less than this part of the largest deviation is none, where the facets are kinked
_COST_OF_MOVING = 1e-6  # per millimetre: what does not bring the largest residual down stays where it is


@shown
@dataclass(frozen=True, eq=False)
class MinimaxResult:
    """Outcome of `minimax_motion`: parameters (6,) in mm and rad, largest residual, its gap to optimal, steps, the
    residuals (n,) and the uniform offset [mm] that was taken off the deviations.
    """

    parameters: np.ndarray
    largest: float
    gap: float
    iterations: int
    residuals: np.ndarray
    offset: float = 0.0

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
    tolerance: float = 1e-6,
    max_iterations: int = 200,
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
    tolerance : float
        Settled when no motion within the trust region promises more than this [mm, scaled].
    max_iterations : int

    Returns
    -------
    MinimaxResult
        `gap` is what the last linear program still promised: a certificate of first-order optimality, in the unit
        of the scaled deviations.

    Raises
    ------
    FitError
        If it does not settle within `max_iterations`.
    """
    n_motions = basis.shape[1]

    def evaluate(parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        moved = move(parameters[:6], points, pivot)
        deviation, gradient = measure(moved)
        slope = jacobian(parameters[:6], moved, gradient, pivot) @ basis[:6, :n_motions]
        if offset:
            slope = np.hstack([slope, -np.ones((len(slope), 1))])
        return scale * (deviation - middle - parameters[6]), np.reshape(scale, (-1, 1)) * slope

    parameters = np.append(np.zeros(6) if start is None else np.asarray(start, dtype=float), 0.0)
    basis = np.vstack([basis, np.zeros((1, n_motions))])
    if offset:
        basis = np.hstack([basis, np.eye(7)[:, 6:]])
    held, room = (np.zeros((0, n_motions)), np.zeros(0)) if within is None else within
    held = np.hstack([held, np.zeros((len(held), basis.shape[1] - n_motions))])
    residual, slope = evaluate(parameters)
    largest = float(np.abs(residual).max())
    radius = max(2.0 * largest / max(float(np.mean(scale)), 1e-300), 1e-3)
    gap = np.inf
    for iteration in range(1, max_iterations + 1):
        step, promised = _linear_step(residual, slope, radius, largest, (held, room))
        gap = largest - promised
        if radius <= 1e-9:
            least = max(10.0 * tolerance, _NEGLIGIBLE * largest)
            gap = _promised_further(residual, slope, largest, (held, room), least)
        if gap <= tolerance or radius <= 1e-9:
            return MinimaxResult(parameters[:6], largest, max(gap, 0.0), iteration, residual, float(parameters[6]))
        trial = parameters + basis @ step
        new_residual, new_slope = evaluate(trial)
        new_largest = float(np.abs(new_residual).max())
        gain = (largest - new_largest) / gap
        if gain > 1e-4:
            parameters, residual, slope, largest = trial, new_residual, new_slope, new_largest
            room = np.maximum(room - held @ step, 0.0)
        if gain < 0.25:
            radius = _SHRINK * max(float(np.abs(step).max()), 1e-12)
        elif gain > 0.75:
            radius = max(radius, _GROW * float(np.abs(step).max()))
    raise FitError(
        f"the minimax fit did not converge in {max_iterations} steps (largest {largest:.6f}, still promised "
        f"{gap:.2e}); "
        "raise max_iterations, or check for touches on the wrong face"
    )


def _promised_further(
    residual: np.ndarray, slope: np.ndarray, largest: float, within: tuple[np.ndarray, np.ndarray], least: float
) -> float:
    """What steps of a micrometre still promise, once the trust region has shrunk to nothing.

    Raises
    ------
    FitError
        If that is more than `least`: then it is stuck where the nominal is kinked, or jumps, and has not settled.
    """
    gap = largest - _linear_step(residual, slope, 1e-3, largest, within)[1]
    if gap > least:
        raise FitError(
            f"the minimax fit is stuck: a step of a micrometre promises {gap:.2g} mm and none brings it. Some touches "
            "lie so far off that their nearest point of the nominal jumps: check for touches recorded as 0, a wrong "
            "unit, a wrong ball radius, or contact points taken for ball centres"
        )
    return gap


def _linear_step(
    residual: np.ndarray,
    slope: np.ndarray,
    radius: float,
    largest: float,
    within: tuple[np.ndarray, np.ndarray] | None = None,
) -> tuple[np.ndarray, float]:
    """Step (k,) within the box of half-width `radius` that minimises the linearised largest |residual|, and that.

    `within`: (m, k) and (m,); the step also keeps the product with the first at most the second.

    Among steps that are as good, the shortest: a motion that changes nothing (a slide on a plane) is not made. The
    step is the difference of two vectors that are not negative, so that its length has a linear cost.
    """
    from scipy.optimize import linprog

    n_free = slope.shape[1]
    reach = np.abs(slope).sum(axis=1) * radius
    # a residual that cannot rise above the smallest value the worst one can fall to never rules
    floor = max(0.0, float((np.abs(residual) - reach).max()))
    active = np.abs(residual) + reach >= floor
    rows, values = slope[active], residual[active]
    bound = -np.ones((len(rows), 1))
    held, room = (np.zeros((0, n_free)), np.zeros(0)) if within is None else within
    two_sided = np.hstack([rows, -rows])
    solved = linprog(
        np.append(np.full(2 * n_free, _COST_OF_MOVING), 1.0),
        A_ub=np.vstack(
            [
                np.hstack([two_sided, bound]),
                np.hstack([-two_sided, bound]),
                np.hstack([held, -held, np.zeros((len(held), 1))]),
            ]
        ),
        b_ub=np.concatenate([-values, values, room]),
        bounds=[(0.0, radius)] * (2 * n_free) + [(0.0, None)],
        method="highs",
    )
    if solved.status != 0:
        raise FitError(f"the linear program of the minimax fit failed: {solved.message}")
    return solved.x[:n_free] - solved.x[n_free:-1], min(float(solved.x[-1]), largest)


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
