"""Rigid alignment of touches to the nominal by their normal deviations.

symbol   variable      meaning
x_i      points        measured point of touch i [mm]
d_i      deviation     signed deviation of the moved touch from the nominal [mm]
g_i      gradient      its gradient over the moved point: the unit normal at the foot
w_i      weights       weight of touch i
p        parameters    (tx, ty, tz [mm], rx, ry, rz [rad]) about the pivot

Least squares minimises sum w_i d_i(p)^2 (`probekit.fit.gauss_newton`); robust fits reweight at each step. Minimax is in
`probekit.fit.minimax`. All project the touches on the nominal anew at each step, so the nominal may be any shape, and
what is minimised is the true distance, not one to a fixed tangent plane.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..columns import MEASURED, array
from ..deviation import Projection
from ..deviation.projection import distance_function, projection_on, require_same
from ..errors import InputError, ProbekitWarning, TouchesError, UndeterminedError
from ..geometry import make_motion
from . import robust
from .alignment import Alignment
from .few import student
from .gauss_newton import Found, least_squares
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

    basis, held, sensitivity = _basis(chosen, nominal, points, free, centre, length, undetermined)
    minimise = _minimax if method == "minimax" else least_squares
    found = minimise(points, measure, basis, centre, weight, method, settled, max_iterations)
    slope = jacobian(found.parameters, move(found.parameters, points, centre), found.gradient, centre) @ basis
    gain, variance = _gain(slope, weight, found.residuals, spread, found.scale, method)
    gain = moved_pivot(pivot - centre, found.parameters[3:]) @ basis @ gain
    gain = np.where(free[:, None], np.where(np.arange(6) < 3, 1.0, 180.0 / np.pi)[:, None] * gain, 0.0)
    each = np.sqrt(variance / weight)
    return Alignment(
        motion=make_motion(found.parameters[:3], np.degrees(found.parameters[3:]), pivot=centre),
        free=tuple(np.array(FREEDOMS)[free].tolist()),
        pivot=pivot,
        covariance=np.where(np.outer(free, free), (gain * each**2) @ gain.T, 0.0),
        residuals=found.residuals,
        weights=found.weights / max(float(weight.max()), 1e-300),
        used=used,
        method=method,
        condition=float(sensitivity.max() / max(sensitivity.min(), 1e-300)),
        iterations=found.steps,
        undetermined=tuple(held),
        objective=found.objective,
        certificate=found.certificate,
        ruling=tuple(used[list(found.ruling)].tolist()),
        multipliers=found.multipliers,
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


def _basis(
    chosen: pd.DataFrame,
    nominal: Nominal,
    points: np.ndarray,
    free: np.ndarray,
    centre: np.ndarray,
    length: float,
    undetermined: str,
) -> tuple[np.ndarray, list[str], np.ndarray]:
    """Motions (6, k) that the touches fix, those held in words, and sensitivities.

    At the start, from smooth normals: facets would seem to grip.
    """
    basis = free_basis(free, length)
    _, gradient = distance_function(chosen, nominal, smooth=True)(points)
    slope = jacobian(np.zeros(6), points, gradient, centre) @ basis
    null, sensitivity = undetermined_motions(slope, below=_SENSITIVITY)
    held = describe_motions(null, free, centre, length) if null.shape[1] else []
    if not held:
        return basis, held, sensitivity
    if undetermined == "error":
        raise UndeterminedError(held)
    warnings.warn("held at zero, because the touches do not fix it: " + "; ".join(held), ProbekitWarning, stacklevel=3)
    return basis @ np.linalg.svd(held_directions(null, free))[0][:, null.shape[1] :], held, sensitivity


def _minimax(
    points: np.ndarray,
    measure: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    basis: np.ndarray,
    pivot: np.ndarray,
    weight: np.ndarray,
    _method: str,
    settled: float,
    max_iterations: int,
) -> Found:
    solved = minimax_motion(
        points,
        measure,
        basis,
        pivot=pivot,
        scale=np.sqrt(weight),
        settled=max(settled, 1e-6),
        max_iterations=max_iterations,
        exact=True,
    )
    return Found(
        solved.parameters,
        solved.residuals / np.sqrt(weight),
        measure(move(solved.parameters, points, pivot))[1],
        weight,
        solved.iterations,
        solved.largest,
        certificate=solved.gap,
        ruling=solved.ruling,
        multipliers=solved.multipliers,
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
