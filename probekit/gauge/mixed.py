"""Components of variance of a table that is not complete, by restricted maximum likelihood.

symbol      variable   meaning
theta_i     theta      variances of part, operator, interaction, repeatability
K_i         alike      (n, n) one where two readings share the part, the operator, both, or are the same
V           v          sum of theta_i K_i: covariance of the readings
P                      V^-1 less what the mean takes: V^-1 - V^-1 1 1' V^-1 / 1' V^-1 1

Minus twice the restricted log-likelihood is log|V| + log(1' V^-1 1) + y' P y, its gradient tr(P K_i) - y' P K_i P y,
and the expected information tr(P K_i P K_j) / 2 (S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, 1992,
from memory). It is minimised here from several starts, for the general optimiser of statsmodels was seen to call half
the variance of parts converged; the tests run it beside, and count who is lower.

Draws for the intervals: theta nu / W, W of chi-square with nu = 2 theta^2 / var(theta) degrees of freedom (F. E.
Satterthwaite, Biometrics Bulletin 2 (1946) 110-114, from memory); where nu is below 2, normal and cut off at zero.
Correlations between components are left out, so these intervals are approximate.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from ..errors import FitError, InputError
from .variance import SEED, Components, within_means

__all__ = ["mixed_components"]

_DRAWS = 20_000
_NONE = 1e-6  # of the total variance: a component below it stands at zero
_LEAST, _MOST = 1e-9, 1e4  # bounds of a variance over that of all readings
_FLAT = 1e-3  # of the gradient of a variance in its own logarithm, at the minimum
_NAMES = ("part", "operator", "interaction", "repeatability")
_STARTS = ((1.0, 0.1, 0.01, 0.1), (0.3, 0.3, 0.3, 0.3), (0.1, 1.0, 0.1, 0.1), (0.1, 0.01, 0.1, 1.0))


def mixed_components(tidy: pd.DataFrame, value: str, part: str, operator: str) -> Components:
    """Variances of repeatability, part, operator and interaction.

    Parameters
    ----------
    tidy : DataFrame
        Readings, checked.
    value, part, operator : str
        Columns.

    Raises
    ------
    InputError
        If no part was read twice by the same operator, or those readings are all equal.
    FitError
        If no minimum was found.
    """
    p, o = pd.factorize(tidy[part].to_numpy(object))[0], pd.factorize(tidy[operator].to_numpy(object))[0]
    both, y = p * (o.max() + 1) + o, within_means(tidy[value].to_numpy())
    ranges = pd.Series(y).groupby(both).agg(np.ptp)
    if np.bincount(both).max() < 2 or (ranges == 0).all():
        raise InputError(
            "every operator read the same number each time: no scatter to speak of"
            if np.bincount(both).max() > 1
            else "no part was read twice by the same operator",
            expected="repeated readings, with all digits of the display",
        )
    size = float(y.std())
    alike = np.array([(one[:, None] == one).astype(float) for one in (p, o, both)] + [np.eye(len(y))])
    fits = [_fit(y / size, alike, start) for start in _STARTS]
    found, lowest, flat = min(fits, key=lambda one: one[1])
    if not np.isfinite(lowest) or not flat:
        raise FitError("the mixed model found no maximum of its likelihood: read more parts, or all parts by everybody")
    theta = np.where(found < _NONE * found.sum(), 0.0, found)
    draws = _draws(theta, alike)
    notes = ["intervals of the mixed model are approximate"]
    notes += [f"the variance of {name} stands at zero" for name, one in zip(_NAMES, theta, strict=True) if one == 0]
    how = f"mixed model of {len(y)} readings, restricted maximum likelihood"
    variances = {name: float(one) * size**2 for name, one in zip(_NAMES, theta, strict=True)}
    return Components(
        variances, {name: one * size**2 for name, one in zip(_NAMES, draws, strict=True)}, None, how, notes
    )


def _projector(theta: np.ndarray, alike: np.ndarray) -> tuple[np.ndarray, float]:
    """P, and log|V| + log(1' V^-1 1)."""
    factor = cho_factor(np.tensordot(theta, alike, 1), lower=True)
    inverse = cho_solve(factor, np.eye(alike.shape[1]))
    ones = inverse.sum(axis=1)
    volume = 2 * float(np.log(np.diag(factor[0])).sum()) + float(np.log(ones.sum()))
    return inverse - np.outer(ones, ones) / ones.sum(), volume


def _fit(y: np.ndarray, alike: np.ndarray, start: tuple[float, ...]) -> tuple[np.ndarray, float, bool]:
    """Variances, minus twice the log-likelihood, and whether it is flat there but for those at their lower bound."""

    def criterion(logs: np.ndarray) -> tuple[float, np.ndarray]:
        theta = np.exp(logs)
        project, volume = _projector(theta, alike)
        seen = project @ y
        slope = np.einsum("ij,kij->k", project, alike) - np.einsum("i,kij,j->k", seen, alike, seen)
        return volume + float(y @ seen), theta * slope

    bounds = [(np.log(_LEAST), np.log(_MOST))] * len(start)
    options = {"maxiter": 500, "ftol": 1e-14, "gtol": 1e-7}
    done = minimize(criterion, np.log(start), jac=True, method="L-BFGS-B", bounds=bounds, options=options)
    return np.exp(done.x), float(done.fun), bool(np.abs(criterion(done.x)[1]).max() < _FLAT)


def _draws(theta: np.ndarray, alike: np.ndarray) -> np.ndarray:
    """(4, m) draws of each variance, by what the expected information leaves open."""
    project, _ = _projector(theta, alike)
    each = np.array([project @ one for one in alike])
    spread = np.sqrt(np.diag(np.linalg.pinv(np.einsum("kij,lji->kl", each, each) / 2)))
    rng = np.random.default_rng(SEED)
    out = np.empty((len(theta), _DRAWS))
    for k, (one, sd) in enumerate(zip(theta, spread, strict=True)):
        freedom = 2 * one**2 / sd**2 if sd > 0 else np.inf
        if freedom < 2:
            out[k] = np.maximum(one + sd * rng.standard_normal(_DRAWS), 0.0)
        else:
            out[k] = one * freedom / rng.chisquare(freedom, _DRAWS)
    return out
