"""Least squares and robust fits of touches to any nominal by Gauss-Newton steps, and where a fit came to rest."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ..errors import FitError
from . import robust
from .motion import jacobian, move

__all__ = ["Found", "least_squares"]

_NEGLIGIBLE = 1e-6  # a step that promises less of the sum of squares than this part promises nothing
_KINKED, _AT_KINK = 1e-4, 1e-4  # nor does one of so many mm at most that promises this part at most: a kink of facets


@dataclass(frozen=True, eq=False)
class Found:
    """Where a method came to rest. Symbols as in `probekit.fit.rigid`.

    Attributes
    ----------
    parameters : (6,) float
    residuals, weights : (n,) float
        Of the touches used: deviation [mm], and weight in the last step.
    gradient : (n, 3) float
    steps : int
    objective : float
        What was minimised, as a length [mm].
    scale : float
        Of a robust fit: the scatter that touches are judged by [mm].
    certificate : float
        Of minimax: how far above the least value it may be [mm].
    ruling, multipliers : tuple
        Of minimax: places among the touches used of those that rule, and their dual weights.
    """

    parameters: np.ndarray
    residuals: np.ndarray
    gradient: np.ndarray
    weights: np.ndarray
    steps: int
    objective: float
    scale: float = 0.0
    certificate: float = math.nan
    ruling: tuple[int, ...] = ()
    multipliers: tuple[float, ...] = ()


def least_squares(
    points: np.ndarray,
    measure: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    basis: np.ndarray,
    pivot: np.ndarray,
    weight: np.ndarray,
    method: str,
    settled: float,
    max_iterations: int,
) -> Found:
    """Least squares, reweighted at each step where the method is robust.

    Parameters
    ----------
    points : (n, 3) float
    measure : callable
        Points (n, 3) -> deviations (n,) and gradients (n, 3).
    basis : (6, k) float
        Free motions.
    pivot : (3,) float
    weight : (n,) float
    method : str
        "least_squares", "huber" or "tukey".
    settled : float
        Step [mm] at which it has come to rest.
    max_iterations : int

    Returns
    -------
    Found

    Raises
    ------
    FitError
        If it does not settle.
    """
    parameters, current = np.zeros(6), weight
    stage = "huber" if method == "tukey" else method
    scale = 0.0
    deviation, gradient = measure(points)
    for steps in range(1, max_iterations + 1):
        if stage != "least_squares":
            if steps <= 20 and stage == "huber":  # fixed later, or scale and weights may chase each other
                scale = max(robust.scale_of(np.sqrt(weight) * deviation, basis.shape[1]), 1e-12)
            current = weight * robust.weights_of(np.sqrt(weight) * deviation / scale, stage)
        moved = move(parameters, points, pivot)
        root = np.sqrt(current)
        slope = root[:, None] * (jacobian(parameters, moved, gradient, pivot) @ basis)
        before, taken, short = float(current @ deviation**2), None, False
        for tries, step in enumerate(_shorter_steps(slope, -root * deviation)):
            trial = parameters + basis @ step
            trial_moved = move(trial, points, pivot)
            trial_deviation, trial_gradient = measure(trial_moved)
            if float(current @ trial_deviation**2) <= before:
                taken, short = (trial, trial_deviation, trial_gradient), tries > 0
                break
        if taken is not None:
            parameters, deviation, gradient = taken
            moved_by = float(np.linalg.norm(trial_moved - moved, axis=1).max())
            slope = root[:, None] * (jacobian(parameters, trial_moved, gradient, pivot) @ basis)
        if taken is None or (short and moved_by <= settled):  # a short step alone is no rest
            _refuse_unless_at_rest(method, root * deviation, slope, settled)
            moved_by = 0.0
        if moved_by <= settled:
            if stage == method:
                objective = float(np.sqrt(np.sum(current * deviation**2) / max(current.sum(), 1e-300)))
                return Found(parameters, deviation, gradient, current, steps, objective, scale)
            stage = method
    raise FitError(
        f"the {method.replace('_', ' ')} fit did not converge in {max_iterations} steps (last step {moved_by:.2e} mm); "
        "raise max_iterations, or check for touches on the wrong face"
    )


def _shorter_steps(slope: np.ndarray, wanted: np.ndarray) -> Iterator[np.ndarray]:
    """Steps (k,) to try, from the full one down: halved, then damped (Levenberg), which turns them downhill.

    A full step can point the wrong way where the nearest place of the nominal changes along it.
    """
    full = np.linalg.lstsq(slope, wanted, rcond=None)[0]
    for halving in range(8):
        yield full * 0.5**halving
    left, size, right = np.linalg.svd(slope, full_matrices=False)
    along, largest = left.T @ wanted, max(float(size.max()), 1e-300)
    for damping in 10.0 ** np.arange(-2, 7):
        yield right.T @ (size / (size**2 + damping * largest**2) * along)


def _refuse_unless_at_rest(method: str, weighted: np.ndarray, slope: np.ndarray, settled: float) -> None:
    """Raise where no step goes downhill although one promises to: a fit that is stuck has not settled.

    At an edge between facets the least sum of squares can lie in a kink, where a step always promises a little.

    Parameters
    ----------
    method : str
    weighted : (n,) float
        Deviations by the roots of their weights [mm].
    slope : (n, k) float
        Their change with the free motions, each of which moves the touches by about a millimetre.
    settled : float
        [mm]

    Raises
    ------
    FitError
    """
    step = np.linalg.lstsq(slope, -weighted, rcond=None)[0]
    before, after = float(weighted @ weighted), float(np.sum((weighted + slope @ step) ** 2))
    length, gain = float(np.linalg.norm(step)), before - after
    if gain <= _NEGLIGIBLE * before or length <= settled or (length <= _KINKED and gain <= _AT_KINK * before):
        return
    raise FitError(
        f"the {method.replace('_', ' ')} fit is stuck: a motion of about {length:.2g} mm promises "
        "to bring the touches nearer, and no step that way does. Some touches lie so far off that their nearest place "
        "on the nominal jumps: check for touches recorded as 0, a wrong unit, a wrong ball radius, or contact points "
        "taken for ball centres"
    )
