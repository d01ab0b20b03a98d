"""Touches made again at the same target: what they differ by is no form of the part, so it tests the uncertainty.

symbol   meaning
d_ij     deviation of touch j at target i [mm]
u_ij     its standard uncertainty as stated [mm]

With the weighted mean m_i of each target, the sum of ((d_ij - m_i) / u_ij)^2 is chi-square with as many freedoms as
there are touches more than targets, and less where they share errors.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import NORMAL, TARGET, array
from .finding import Finding
from .residuals import FALSE_ALARMS, stated_by_touch

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["made_again"]

_SAME = 6  # decimals [mm]: a target touched again is written as it was


def made_again(aligned: pd.DataFrame, u: float | None) -> list[Finding]:
    """A look at touches of one target that differ by more than their uncertainty allows.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table; a column `u` comes before `u`.
    u : float, optional
        Standard uncertainty of a deviation as stated [mm].
    """
    from scipy.special import chdtri

    d, own = aligned["deviation"].to_numpy(dtype=float), stated_by_touch(aligned, u)
    target = np.hstack([array(aligned, TARGET), array(aligned, NORMAL)]).round(_SAME)
    rows = np.flatnonzero(np.isfinite(d) & (own > 0) & np.isfinite(target).all(axis=1))
    group, times = np.unique(target[rows], axis=0, return_inverse=True, return_counts=True)[1:]
    again = times[group.reshape(-1)] > 1
    rows, group = rows[again], np.unique(group.reshape(-1)[again], return_inverse=True)[1]
    freedoms = len(rows) - len(np.unique(group))
    if not freedoms:
        return []
    weight = own[rows] ** -2
    mean = np.bincount(group, weight * d[rows]) / np.bincount(group, weight)
    left = d[rows] - mean[group]
    chi, limit = float(weight @ left**2), float(chdtri(freedoms, FALSE_ALARMS))
    if chi <= limit:
        return []
    scatter, stated = 1e3 * float(np.sqrt(left @ left / freedoms)), 1e3 * float(np.sqrt(np.mean(own[rows] ** 2)))
    return [
        Finding(
            "look",
            "touches of the same target differ by more than their uncertainty allows",
            found=f"a standard deviation of {scatter:.2g} um, from {len(rows)} touches of {group.max() + 1} targets",
            expected=f"about u = {stated:.2g} um, as stated: chi-square {chi:.1f} of {limit:.1f} allowed (1 good run "
            f"in {1 / FALSE_ALARMS:.0f} fails)",
            cause="an uncertainty that is stated too small, a loose stylus, or chips that come and go",
            todo="State the uncertainty that touches made again show, or find what moves and touch again",
            touches=tuple(aligned["touch"].to_numpy(dtype=object)[rows].tolist()),
            name="uncertainty",
            excess=float(np.sqrt(chi / freedoms)),
        )
    ]
