"""Whether all deviations follow one scale: of the results file, of the control, or of a part that is warm.

Feet with normals n at the ball centres p deviate by q n p where all positions are 1 + q times too large. One wall that
lies off does so, too; so the scale is tried along each axis by itself, and said only where at least two axes know it
and agree, where it leaves far less than the motions alone and no more than one radius of the ball for all, and where
a size for each feature leaves no less than chance allows (sums of squares of nested models differ by chi-square).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT_NORMAL, MEASURED, array
from .finding import Finding
from .residuals import left_over, motions_and_sizes, stated_by_touch

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["one_scale"]

_KNOWN = 6.0  # times its standard uncertainty that a scale along an axis must be to count: a choice
_AGREE = 3.3  # standard uncertainties that two axes may differ by; 1 of 1000 good ones does so by more
_BY_CHANCE = 1e-3  # share of true scales that the sizes of the features may fit better
_FOLLOWS = 0.1  # share of the sum of squares that the scale may leave: a choice
_NEVER = 5e-4  # no metal in a shop is that much longer: aluminium 22 degrees, steel 43 degrees above 20
#: um/(m K), of the handbooks, from memory
_METALS = (("aluminium", 23.0), ("steel", 11.5))


def one_scale(aligned: pd.DataFrame, used: np.ndarray, u: float | None) -> list[Finding]:
    """A look, or a note where a warm part would do it, if one scale explains the deviations of all touches.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table after the alignment.
    used : (m,) int
        Rows that the alignment rests on; the scale may be told by these alone, where other features have form.
    u : float, optional
        Standard uncertainty of a deviation as stated [mm]; nothing is said without one.
    """
    done = np.isfinite(aligned["deviation"].to_numpy(dtype=float)) & np.isfinite(array(aligned, MEASURED)).all(axis=1)
    if "allowance" in aligned:
        done &= ~(np.abs(aligned["allowance"].to_numpy(dtype=float)) > 0)
    of_datums = np.intersect1d(np.flatnonzero(done), np.asarray(used, dtype=int))
    for rows in (np.flatnonzero(done), of_datums):
        some = aligned.iloc[rows]
        s = stated_by_touch(some, u)
        if len(rows) and (s > 0).all() and (found := _scale(some, s)) is not None:
            return [_said(*found, len(rows))]
    return []


def _scale(touches: pd.DataFrame, s: np.ndarray) -> tuple[float, float, str, bool] | None:
    """Scale less one, its standard uncertainty, the axes that tell it, and whether a radius may be it; None if none."""
    from scipy.special import chdtri

    y, normal = touches["deviation"].to_numpy(dtype=float) / s, array(touches, FOOT_NORMAL)
    place = array(touches, MEASURED)
    place = place - place.mean(axis=0)
    along = normal * place / s[:, None]
    sized = motions_and_sizes(touches) / s[:, None]
    motions = sized[:, :6]
    alone, _, freedoms = left_over(y, motions)
    scaled, _, rest = left_over(y, np.hstack([motions, along.sum(axis=1, keepdims=True)]))
    chi = float(scaled @ scaled)
    if rest < len(y) / 4 or rest == freedoms or chi > _FOLLOWS * (alone @ alone):
        return None
    larger = max(chi / rest, 1.0)  # than stated, squared: form of the faces
    radius, _, _ = left_over(y, np.hstack([motions, 1.0 / s[:, None]]))
    sizes, _, others = left_over(y, sized)
    ahead = float(radius @ radius - chi) / larger  # of one radius for all
    own = max(float(sizes @ sizes) / max(others, 1), 1.0)
    by_sizes = rest > others and (chi - float(sizes @ sizes)) / own > chdtri(rest - others, _BY_CHANCE)
    if ahead < 0 or by_sizes:
        return None
    value, sigma = _fitted(y, motions, along, larger)
    known = np.isfinite(sigma) & (np.abs(value) > _KNOWN * sigma)
    if known.sum() < 2 or (np.abs(value - _mean(value, sigma)) > _AGREE * sigma)[np.isfinite(sigma)].any():
        return None
    one, of_one = _fitted(y, motions, along.sum(axis=1, keepdims=True), larger)
    return float(one[0]), float(of_one[0]), " and ".join("XYZ"[k] for k in np.flatnonzero(known)), ahead < _KNOWN**2


def _fitted(y: np.ndarray, motions: np.ndarray, along: np.ndarray, larger: float) -> tuple[np.ndarray, np.ndarray]:
    """What of `along` (n, k) fits beside the motions, and its standard uncertainty; infinite where nothing tells it."""
    rest = along - motions @ np.linalg.lstsq(motions, along, rcond=None)[0]
    told = np.linalg.norm(rest, axis=0) > 1e-6 * np.linalg.norm(along)
    value, sigma = np.zeros(along.shape[1]), np.full(along.shape[1], np.inf)
    if told.any():
        value[told] = np.linalg.lstsq(rest[:, told], y, rcond=None)[0]
        sigma[told] = np.sqrt(larger * np.diag(np.linalg.pinv(rest[:, told].T @ rest[:, told])))
    return value, sigma


def _mean(value: np.ndarray, sigma: np.ndarray) -> float:
    return float(np.sum(value / sigma**2) / np.sum(1.0 / sigma**2))


def _said(scale: float, sigma: float, axes: str, by_radius: bool, count: int) -> Finding:
    warm = " or ".join(f"{scale / (1e-6 * one):+z.0f} °C for {metal}" for metal, one in _METALS)
    never = abs(scale) > _NEVER and not by_radius
    cause = f"a part that is warmer or colder than stated ({warm}), or a scale that the control applies"
    if never:
        cause = "a scale that the control or the post-processing applies, or a part that was made, or shrank, to "
        cause += f"another scale; a temperature would have to be off by {warm}"
    cause += "; or a radius of the ball that is off, which these touches do not tell from it" if by_radius else ""
    todo = "Compare a length that is known with what the machine reads; state [part] temperature and "
    todo += "expansion_um_per_m_c if the part was not at 20 °C"
    others = "sizes of single features" if by_radius else "sizes of single features or the radius of the ball"
    return Finding(
        "look" if never else "note",
        f"the deviations follow one scale: the positions are {1 + scale:.5f} times those of the model",
        found=f"{1e6 * scale:+z.0f} um/m (standard uncertainty {1e6 * sigma:.0f}), the same along {axes}, by {count} "
        f"touches; neither the set-up nor {others} explains them better",
        cause=cause,
        todo=f"{todo}. If the part does have this scale, accept 'scale' with that reason" if never else todo,
        name="scale",
    )
