"""Components of variance of a table that is not complete, by restricted maximum likelihood through statsmodels.

The draws that intervals are made of: each component that is not zero as theta nu / W, W of chi-square, with nu = 2
theta^2 / var(theta) degrees of freedom (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110-114), and var(theta) from
the expected information tr(P V_i P V_j) / 2 (S. R. Searle, G. Casella, C. E. McCulloch, Variance Components, 1992; both
from memory). Approximate: correlations between components are left out, and a component of zero stays zero.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd

from ..errors import FitError, InputError, how_to_install
from .variance import SEED, Components, within_means

__all__ = ["mixed_components"]

_DRAWS = 20_000
_NONE = 1e-6  # of the total variance: a component below it stands at its bound


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
        If statsmodels is not installed, or no part was read twice by the same operator.
    FitError
        If no maximum was found.
    """
    try:
        from statsmodels.regression.mixed_linear_model import MixedLM
    except ImportError as error:
        raise InputError("the mixed model needs statsmodels", todo=how_to_install("gauge")) from error
    p, o = pd.factorize(tidy[part].to_numpy(object))[0], pd.factorize(tidy[operator].to_numpy(object))[0]
    y = within_means(tidy[value].to_numpy())
    size = float(y.std())
    if np.bincount(p * (o.max() + 1) + o).max() < 2 or size == 0:
        raise InputError(
            "no part was read twice by the same operator" if size else "all readings are equal",
            expected="repeated readings, with all digits of the display",
        )
    data = pd.DataFrame({"y": y / size, "p": p, "o": o})
    formulas = {"part": "0 + C(p)", "operator": "0 + C(o)", "interaction": "0 + C(p):C(o)"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a component at its bound, which is told below
        model = MixedLM.from_formula("y ~ 1", groups=np.ones(len(y)), vc_formula=formulas, data=data)
        fit = model.fit(reml=True, method=["lbfgs", "powell"])
    if not fit.converged or not np.isfinite([*fit.vcomp, fit.scale]).all():
        raise FitError("the mixed model found no maximum of its likelihood: read more parts, or all parts by everybody")
    theta = dict(zip(model.exog_vc.names, map(float, fit.vcomp), strict=True)) | {"repeatability": float(fit.scale)}
    whole = sum(theta.values())
    zero = [name for name in theta if theta[name] < _NONE * whole]
    theta = {name: 0.0 if name in zero else one * size**2 for name, one in theta.items()}
    if theta["repeatability"] == 0:
        raise InputError("every operator read the same number each time: no scatter to speak of")
    draws = _draws(theta, p, o)
    notes = ["intervals of the mixed model are approximate"]
    notes += [f"the variance of {name} stands at zero, its bound; its interval is not known" for name in zero]
    return Components(theta, draws, None, f"mixed model of {len(y)} readings, restricted maximum likelihood", notes)


def _draws(theta: dict[str, float], p: np.ndarray, o: np.ndarray) -> dict[str, np.ndarray]:
    """Draws of each component by its variance from the expected information."""
    groups = {"part": p, "operator": o, "interaction": p * (o.max() + 1) + o}
    names = [name for name in (*groups, "repeatability") if theta[name] > 0]
    share = {name: (one[:, None] == one).astype(float) for name, one in groups.items()}
    share["repeatability"] = np.eye(len(p))
    v = sum(theta[name] * share[name] for name in names)
    inverse = np.linalg.inv(v)
    ones = inverse.sum(axis=1)
    project = inverse - np.outer(ones, ones) / ones.sum()
    with_each = [project @ share[name] for name in names]
    information = np.array([[float((a * b.T).sum()) / 2 for b in with_each] for a in with_each])
    spread = dict(zip(names, np.diag(np.linalg.pinv(information)), strict=True))
    rng = np.random.default_rng(SEED)
    out = {name: np.zeros(_DRAWS) for name in theta}
    for name in names:
        freedom = 2 * theta[name] ** 2 / spread[name]
        out[name] = theta[name] * freedom / rng.chisquare(freedom, _DRAWS)
    return out
