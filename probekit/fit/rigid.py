"""Rigid alignment of touches to the nominal by their normal deviations.

symbol   variable      meaning
x_i      points        measured point of touch i [mm]
d_i      deviation     signed deviation of the moved touch from the nominal [mm]
g_i      gradient      its gradient over the moved point: the unit normal at the foot
w_i      weights       weight of touch i
p        parameters    (tx, ty, tz [mm], rx, ry, rz [rad]) about the pivot

Least squares minimises sum w_i d_i(p)^2 by Gauss-Newton steps; the touches are projected on the nominal anew at each
step, so the nominal may be any shape and what is minimised is the true distance, not one to a fixed tangent plane.
Robust fits reweight at each step. Minimax is in `probekit.fit.minimax`.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..columns import MEASURED, array
from ..deviation import Projection
from ..deviation.projection import distance_function, projection_on, require_same
from ..errors import FitError, InputError, ProbekitWarning, TouchesError, UndeterminedError
from ..geometry import make_motion
from . import robust
from .alignment import Alignment
from .few import student
from .minimax import gain_of_minimax, minimax_motion
from .motion import FREEDOMS, free_basis, free_of, jacobian, move, moved_pivot, typical_arm
from .select import select
from .undetermined import describe_motions, held_directions, undetermined_motions

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["METHODS", "rigid"]

METHODS = ("least_squares", "huber", "tukey", "minimax")

_SENSITIVITY = 2e-3  # a motion that changes the deviations by less than this part of itself is not determined
_NEGLIGIBLE = 1e-6  # a step that promises less of the sum of squares than this part promises nothing
_KINKED, _AT_KINK = 1e-4, 1e-4  # nor does one of so many mm at most that promises this part at most: a kink of facets


def rigid(
    deviations: pd.DataFrame | np.ndarray,
    nominal: Nominal | Projection,
    *,
    features: Iterable[str] | None = None,
    free: Iterable[str] = FREEDOMS,
    method: Literal["least_squares", "huber", "tukey", "minimax"] = "least_squares",
    weights: np.ndarray | None = None,
    u: float | np.ndarray | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    undetermined: Literal["error", "hold"] = "error",
    settled: float = 1e-7,
    max_iterations: int = 100,
) -> Alignment:
    """Rigid motion that brings measured touches onto the nominal.

    Many parameters: features, freedoms, method, weights and uncertainty are independent choices, and each changes the
    motion.

    Parameters
    ----------
    deviations : DataFrame or (n, 3) array
        Deviations table of `probekit.deviation.project`, or bare contact points [mm].
    nominal : Nominal or Projection
        What was projected on; how each touch is measured is told by the table's own columns, and a Projection that
        says otherwise is refused.
    features : iterable of str, optional
        Use only touches of these features, or on these faces. Missed touches are never used.
    free : iterable of str
        Degrees of freedom that the fit may use, of tx, ty, tz, rx, ry, rz; the others are held at zero.
    method : {"least_squares", "huber", "tukey", "minimax"}
    weights : (n,) float, optional
        Weight of each row of `deviations`; zero leaves it out.
    u : float or (n,) float, optional
        Standard uncertainty of a touch [mm]. Sets the weights to 1/u^2 (unless given) and is a floor for the scatter
        that the covariance is made of; without it the scatter is taken from the residuals.
    pivot : (3,) float
        Point about which the parameters turn [mm]; it matters where a freedom is held, and for what the numbers mean.
    undetermined : {"error", "hold"}
        What to do when the touches leave a motion free: raise, or hold it at zero, warn, and name it in the result.
    settled : float
        Settled when no touch moves by more than this in a step [mm].
    max_iterations : int

    Returns
    -------
    Alignment

    Raises
    ------
    InputError
        Unknown method, feature or degree of freedom; weights of the wrong length; too few touches.
    UndeterminedError
        If the touches do not fix a motion, with that motion in words.
    FitError
        If it does not settle.

    Notes
    -----
    Covariance of least squares: s^2 (J^T W J)^-1 with s^2 the weighted residual variance for n - k freedoms (JCGM
    102:2011 and any text on least squares). Of robust fits: Huber's K^2 [sum psi^2/(n-k)]/[mean psi']^2 s^2
    (J^T J)^-1 (Huber and Ronchetti, eq. 7.81-7.83, from memory). Of minimax: that of minimax parameters where all
    deviations are scatter of variance s^2, drawn (`probekit.fit.minimax.scatter_of_minimax`). Residuals hold form error
    as well as probing error, so the stated uncertainty does, too.
    """
    if method not in METHODS:
        raise InputError("unknown method of fit", found=method, expected="one of " + ", ".join(METHODS))
    if undetermined not in ("error", "hold"):
        raise InputError("undetermined= is not known", found=undetermined, expected='"error" or "hold"')
    if max_iterations < 1:
        raise InputError("max_iterations must be at least one", found=max_iterations)
    free, pivot = free_of(free), np.asarray(pivot, dtype=float)
    how = projection_on(nominal)
    table = deviations if hasattr(deviations, "columns") else how.project(deviations)
    if how is nominal:
        require_same(how, table)
    nominal = how.nominal
    used, weight, spread = _weights(len(table), _rows(table, features), weights, u)
    chosen = table.iloc[used]
    points = array(chosen, MEASURED)
    measure = distance_function(chosen, nominal)
    centre = points.mean(axis=0) if free[:3].all() else pivot
    length = typical_arm(points, centre)

    basis = free_basis(free, length)
    null, sensitivity = _degeneracy(chosen, nominal, points, basis, centre)
    held = describe_motions(null, free, centre, length) if null.shape[1] else []
    if held:
        if undetermined == "error":
            raise UndeterminedError(held)
        warnings.warn(
            "held at zero, because the touches do not fix it: " + "; ".join(held), ProbekitWarning, stacklevel=2
        )
        basis = basis @ np.linalg.svd(held_directions(null, free))[0][:, null.shape[1] :]
    proof: tuple[tuple[int, ...], tuple[float, ...]] = (), ()
    if method == "minimax":
        solved = minimax_motion(
            points,
            measure,
            basis,
            pivot=centre,
            scale=np.sqrt(weight),
            settled=max(settled, 1e-6),
            max_iterations=max_iterations,
            exact=True,
        )
        proof = tuple(used[list(solved.ruling)].tolist()), solved.multipliers
        parameters, steps, final, certificate = solved.parameters, solved.iterations, weight, solved.gap
        residuals, objective = solved.residuals / np.sqrt(weight), solved.largest
        moved = move(parameters, points, centre)
        slope = jacobian(parameters, moved, measure(moved)[1], centre) @ basis
        gain, variance = _gain(slope, weight, residuals, spread, 0.0, method)
    else:
        fitted = _gauss_newton(points, measure, basis, centre, weight, method, settled, max_iterations)
        parameters, residuals, gradient, final, scale, steps = fitted
        slope = jacobian(parameters, move(parameters, points, centre), gradient, centre) @ basis
        gain, variance = _gain(slope, weight, residuals, spread, scale, method)
        certificate, objective = np.nan, float(np.sqrt(np.sum(final * residuals**2) / max(final.sum(), 1e-300)))
    gain = moved_pivot(pivot - centre, parameters[3:]) @ basis @ gain
    gain = np.where(free[:, None], np.where(np.arange(6) < 3, 1.0, 180.0 / np.pi)[:, None] * gain, 0.0)
    each = np.sqrt(variance / weight)
    return Alignment(
        motion=make_motion(parameters[:3], np.degrees(parameters[3:]), pivot=centre),
        free=tuple(np.array(FREEDOMS)[free].tolist()),
        pivot=pivot,
        covariance=np.where(np.outer(free, free), (gain * each**2) @ gain.T, 0.0),
        residuals=residuals,
        weights=final / max(float(weight.max()), 1e-300),
        used=used,
        method=method,
        condition=float(sensitivity.max() / max(sensitivity.min(), 1e-300)),
        iterations=steps,
        undetermined=tuple(held),
        objective=objective,
        certificate=certificate,
        ruling=proof[0],
        multipliers=proof[1],
        gain=gain,
        spread=each,
    )


def _rows(table: pd.DataFrame, features: Iterable[str] | None) -> np.ndarray:
    use = np.isfinite(array(table, MEASURED)).all(axis=1)
    if features is not None:
        use &= select(table, features)
    rows = np.flatnonzero(use)
    if not len(rows):
        raise TouchesError("there is no touch to fit", todo="Check the features, and whether every touch was missed.")
    return rows


def _weights(
    n: int, used: np.ndarray, weights: np.ndarray | None, u: float | np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, float | None]:
    """Rows left in, their weights, and the variance that a touch of weight one has (None if not told)."""
    spread = None if u is None else _per_row("u", u, n)[used] ** 2
    if weights is None:
        if spread is None:
            return used, np.ones(len(used)), None
        if not (spread > 0).all():
            raise InputError("u must be more than zero for every touch that is fitted", found=float(spread.min()))
        return used, spread.mean() / spread, float(spread.mean())
    weight = _per_row("weights", weights, n)[used]
    if not ((weight >= 0).all() and weight.any()):
        raise InputError("weights must be zero or more, and not all zero", found=float(weight.min()))
    left_in = weight > 0
    weight = weight[left_in]
    return used[left_in], weight, None if spread is None else float(np.mean(weight * spread[left_in]))


def _per_row(what: str, values: float | np.ndarray, n: int) -> np.ndarray:
    values = np.asarray(values, dtype=float)
    if values.ndim and values.shape != (n,):
        raise InputError(f"{what} must have one entry per row", found=f"shape {values.shape}", expected=f"({n},)")
    if not np.isfinite(values).all():
        raise InputError(f"{what} must be finite", found=f"{int((~np.isfinite(values)).sum())} entries that are not")
    return np.broadcast_to(values, n)


def _degeneracy(
    chosen: pd.DataFrame, nominal: Nominal, points: np.ndarray, basis: np.ndarray, centre: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Undetermined motions and sensitivities at the start, from smooth normals (facets would seem to grip)."""
    _, gradient = distance_function(chosen, nominal, smooth=True)(points)
    return undetermined_motions(jacobian(np.zeros(6), points, gradient, centre) @ basis, below=_SENSITIVITY)


def _gauss_newton(
    points: np.ndarray,
    measure: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    basis: np.ndarray,
    pivot: np.ndarray,
    weight: np.ndarray,
    method: str,
    settled: float,
    max_iterations: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, float, int]:
    """Parameters, residuals, gradients, final weights, robust scale, steps."""
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
                return parameters, deviation, gradient, current, scale, steps
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


def _gain(
    slope: np.ndarray,
    weight: np.ndarray,
    residuals: np.ndarray,
    spread: float | None,
    scale: float,
    method: str,
) -> tuple[np.ndarray, float]:
    """Change (k, n) of the steps along the basis with each deviation, and the variance of a touch of weight one.

    The variance is NaN when there are no more touches than freedoms and none was told.
    """
    n, n_free = slope.shape
    scaled, root = np.sqrt(weight) * residuals, np.sqrt(weight)[:, None]
    gain = -np.linalg.inv(slope.T @ (weight[:, None] * slope)) @ (weight[:, None] * slope).T
    if n <= n_free and spread is None:
        return gain, float("nan")
    freedoms = max(n - n_free, 1)
    if method == "minimax" and n > n_free:
        rest = scaled - root * slope @ np.linalg.lstsq(root * slope, scaled, rcond=None)[0]
        return gain_of_minimax(root * slope) * root.T, _counted(float(rest @ rest) / freedoms, freedoms, spread)
    if method in ("least_squares", "minimax"):
        variance = float(scaled @ scaled) / freedoms if n > n_free else 0.0
    else:
        psi, slope_of_psi = robust.influence(scaled / scale, method)
        mean = max(float(slope_of_psi.mean()), 1e-12)
        factor = 1.0 + n_free / n * float(slope_of_psi.var()) / mean**2
        variance = factor**2 * scale**2 * float(psi @ psi) / freedoms / mean**2
    return gain, _counted(variance, freedoms, spread)


def _counted(seen: float, freedoms: int, stated: float | None) -> float:
    """Variance of a touch: as stated, or as they scatter if that is more; of few, with Student's factor."""
    if stated is not None and seen <= stated:
        return stated
    return seen * student(freedoms) ** 2
