"""The joint estimate of what points have of their own and of what touches share, and whether these drift.

symbol   variable     meaning
y                     deviations of the touches [mm]
f        form         unknown of each point, with nothing known of it before
p, J     effect       unknowns with a prior, and what they do to each touch
w, L     noise        what touches share else, each of unit variance
D        columns      a drift that grows evenly, along each axis of the machine

y = F f + J p + L w + s z; see `probekit.field.artefact`. A drift beyond that of the noise adds D d. Its score
D' V^-1 (y - F f - J p - L w) has the covariance D' (V^-1 less what f takes of it) D if d = 0, so that its square is a
chi-square (C. R. Rao, Proc. Cambridge Phil. Soc. 44, 1948, from memory). The sum of squares alone spreads the same
drift over all touches, and poses take most of it for places of axes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..uncertainty import Scatter

__all__ = ["Solved", "drift_seen", "rigid_left_out", "solved"]

_RANK = 1e-6  # of the largest: a direction in which the touches tell less of a drift is none

_RIGID = 6


@dataclass(frozen=True, eq=False)
class Solved:
    """Machine (p,) and its covariance; form (m,) and its covariance; how badly the touches fit, as a chance
    and as what it is of: a sum of squares and its degrees of freedom.

    `within` (n, q) is what p and w do within each point, in units of their priors, `inverse` (q, q) their covariance
    in these units, and `left` (n,) what they leave of the deviations [mm].
    """

    value: np.ndarray
    covariance: np.ndarray
    form: np.ndarray
    of_form: np.ndarray
    chance: float
    chi2: float
    freedom: int
    within: np.ndarray
    inverse: np.ndarray
    left: np.ndarray


def solved(y: np.ndarray, effect: np.ndarray, noise: Scatter, point: np.ndarray, prior: np.ndarray) -> Solved:
    """The joint estimate: p and the common causes by what differs within each point, then the form of the points.

    Parameters
    ----------
    y : (n,) float
        Deviations [mm].
    effect : (n, p) float
        What each unknown does to them.
    noise : Scatter
    point : (n,) int
        Number of the point that each touch is of.
    prior : (p, p) float
    """
    from scipy import stats

    p, weight = effect.shape[1], 1.0 / noise.own**2
    root = np.linalg.cholesky(prior)
    all_of = np.hstack([effect @ root, noise.factors])  # in units of the prior: all have covariance one
    total = np.bincount(point, weight)
    means = _means(all_of, point, weight)
    within, rest = all_of - means[point], y - (np.bincount(point, weight * y) / total)[point]
    information = np.eye(all_of.shape[1]) + (within * weight[:, None]).T @ within
    covariance = np.linalg.inv(information)
    theta = covariance @ ((within * weight[:, None]).T @ rest)
    left = rest - within @ theta
    chi2, freedom = float(weight @ left**2 + theta @ theta), len(y) - len(total)
    form = np.bincount(point, weight * (y - all_of @ theta)) / total
    of_form = np.diag(1.0 / total) + means @ covariance @ means.T
    back = root @ covariance[:p, :p] @ root.T
    chance = float(stats.chi2.sf(chi2, freedom))
    return Solved(root @ theta[:p], back, form, of_form, chance, chi2, freedom, within, covariance, left)


def drift_seen(found: Solved, columns: np.ndarray, noise: Scatter, point: np.ndarray) -> tuple[float, float]:
    """How often touches that drift no more than the noise says would seem to drift as much, and fit as badly besides.

    Parameters
    ----------
    found : Solved
    columns : (n, k) float
        What a drift that grows evenly does to each touch, along each axis of the machine.
    noise : Scatter
    point : (n,) int

    Returns
    -------
    seen, besides : float
        0 to 1. The first is 1 if the touches tell nothing of a drift; the second says how badly they fit once they may
        drift as they like.
    """
    from scipy import stats

    weight = 1.0 / noise.own**2
    own = columns - _means(columns, point, weight)[point]
    apart = own - found.within @ (found.inverse @ ((found.within * weight[:, None]).T @ own))
    score, covariance = columns.T @ (weight * found.left), own.T @ (apart * weight[:, None])
    size, ways = np.linalg.eigh((covariance + covariance.T) / 2.0)
    told = size > _RANK * float((columns**2 * weight[:, None]).sum())
    if not told.any():
        return 1.0, found.chance
    less, k = float(((ways[:, told].T @ score) ** 2 / size[told]).sum()), int(told.sum())
    return float(stats.chi2.sf(less, k)), float(stats.chi2.sf(found.chi2 - less, max(found.freedom - k, 1)))


def _means(columns: np.ndarray, point: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """(m, k) weighted mean of columns (n, k) over the touches of each point."""
    total = np.bincount(point, weight)
    return (
        np.array([np.bincount(point, weight * column) for column in columns.T]).reshape(-1, len(total)).T
        / total[:, None]
    )


def rigid_left_out(covariance: np.ndarray, place: np.ndarray, normal: np.ndarray) -> float:
    """Root mean square standard uncertainty of the form of points, with what a motion of the part does left out [mm].

    Parameters
    ----------
    covariance : (m, m) float
        Of the form [mm^2].
    place, normal : (m, 3) float

    Returns
    -------
    float
        NaN where hardly a point is left beside the six freedoms of the part.
    """
    if len(place) < _RIGID + 2:
        return float("nan")
    arm = place - place.mean(axis=0)
    u, size, _ = np.linalg.svd(np.hstack([normal, np.cross(arm, normal) / max(float(np.abs(arm).max()), 1e-9)]))
    motions = u[:, : int((size > 1e-6 * size[0]).sum())]
    kept = np.eye(len(place)) - motions @ motions.T
    return float(np.sqrt(np.trace(kept @ covariance @ kept) / (len(place) - motions.shape[1])))
