"""Whether the touches scatter at all: a copied plan, a dry run and a simulation without noise do not.

A set-up moves the part as a whole and a radius moves a face; what is left of the deviations beside the six motions and
one size per feature is the scatter of single touches. Its sum of squares over the least variance that a measurement has
is at least chi-square with the freedoms that are left, so that a sum in the far lower tail was not measured:

    s_i^2 = min(u_i / 5, 1 um)^2 + q^2 / 12      (0.5 um where no u is stated; q: last digit of the positions)

A stated u holds more than scatter (ball radius, temperature, geometry of the machine), hence a part of it only; one
micrometre is the most that is asked for, so that an uncertainty that is stated too large raises no alarm. Both from
common practice, no source. The variance of rounding, q^2 / 12: JCGM 100:2008, F.2.2.1, from memory.

Where the last digit is too coarse for that, positions that are each the target and one radius along its normal, to that
digit, on faces that look all ways, tell the same: no set-up is nothing in every direction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import MEASURED, array
from .aim import Aimed
from .finding import Finding
from .residuals import left_over, motions_and_sizes, stated_by_touch

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LEAST", "as_planned", "last_digit", "no_scatter"]

LEAST = 1e-6  # share of runs with the least scatter that fall below the limit
_SHARE, _MOST, _UNSTATED = 0.2, 1e-3, 5e-4  # of u; [mm]; [mm]
_FEWEST, _COARSEST = 10, 6e-3  # touches; rounding beyond which a good set-up may hide [mm]
_NAME = "no scatter"
_CAUSE = "positions of the plan copied, a dry run, or simulated touches without noise: nobody touched the part"
_TODO = "Take the positions that the control recorded"


def as_planned(touch: Aimed, radius: float) -> list[Finding]:
    """A look where every position is that of its target, a radius along the normal, to the last digit.

    `radius` [mm]: of the ball; that which the positions have in common is tried, too.
    """
    n = len(touch.ids)
    if n < _FEWEST or np.linalg.svd(touch.normal, compute_uv=False)[-1] < 0.2 * np.sqrt(n):
        return []
    heights = (radius, float(np.median(touch.height + touch.allowance)))
    height, off = min(
        ((one, np.abs(touch.away - one * touch.normal).max(axis=1)) for one in heights), key=lambda pair: pair[1].max()
    )
    limit = 0.5 * (last_digit(touch.measured) + last_digit(touch.target) + height * last_digit(touch.normal)) + 1e-6
    if limit > _COARSEST or (off > limit).any():
        return []
    return [
        Finding(
            "look",
            f"all {n} positions are those of the plan, to the last digit",
            found=f"at most {1000 * float(off.max()):.3f} um from the target and {height:.4f} mm along its normal",
            expected=f"more than {1000 * limit:.3f} um, the rounding: a part that was touched has a set-up and scatter",
            cause=_CAUSE,
            todo=_TODO,
            name=_NAME,
        )
    ]


def no_scatter(aligned: pd.DataFrame, u: float | None) -> list[Finding]:
    """A look where the touches lie as no measured ones do.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table; a column `u` comes before `u`.
    u : float, optional
        Standard uncertainty of a deviation as stated [mm].
    """
    from scipy.special import chdtri

    table = aligned[np.isfinite(aligned["deviation"].to_numpy(dtype=float))]
    if not len(table):
        return []
    own = stated_by_touch(table, u)
    least = np.where(own > 0, np.minimum(_SHARE * own, _MOST), _UNSTATED)
    s = np.sqrt(least**2 + last_digit(array(table, MEASURED)) ** 2 / 12)
    deviation = table["deviation"].to_numpy(dtype=float)
    e, _, freedoms = left_over(deviation / s, motions_and_sizes(table) / s[:, None])
    if freedoms <= 0:
        return []
    chi, limit = float(e @ e), float(chdtri(freedoms, 1.0 - LEAST))
    if chi >= limit:
        return []
    return [
        Finding(
            "look",
            "the touches scatter less than any that were measured",
            found=f"{1000 * float(np.sqrt(np.mean((e * s) ** 2))):.3f} um beside set-up and sizes, chi-square "
            f"{chi:.3g} over {freedoms} freedoms",
            expected=f"chi-square of at least {limit:.3g}, if each scatters by {1000 * float(np.median(s)):.2g} um "
            "(a fifth of u, at most 1 um; 0.5 um where no u is stated; and rounding); 1 run in a million is less",
            cause=_CAUSE,
            todo=_TODO,
            name=_NAME,
        )
    ]


def last_digit(points: np.ndarray) -> float:
    """Step that the numbers are rounded to, in mm or in inch [mm]; 0 if they are not."""
    for decimals in range(1, 7):
        for unit in (1.0, 25.4):
            if np.allclose(points, unit * np.round(points / unit, decimals), rtol=0, atol=1e-9):
                return float(unit * 10.0**-decimals)
    return 0.0
