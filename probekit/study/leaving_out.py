"""Alignments made anew, each without one of the touches that it rests on."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from ..errors import ProbekitError
from ..verdict.influence import Influence, influence_of

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..verdict.results import Verdict

__all__ = ["influence"]

_MOST = 40  # touches without which a frame is made anew: those with the largest residuals, where it rests on more
_AT_LIMIT = 0.999  # of the largest residual: such touches fix a minimax fit


def influence(
    judged: Verdict,
    found: pd.DataFrame,
    alignment: Alignment | None,
    resting: tuple,
    align: Callable[[pd.DataFrame], Alignment],
) -> Influence | None:
    """What each touch of an alignment does to set-up and verdict; None without an alignment.

    Parameters
    ----------
    judged : Verdict
    found : DataFrame
        Deviations as clamped, that the alignment was made of.
    alignment : Alignment or None
    resting : tuple
        Ids of the touches that a datum frame rests on; empty for a fit.
    align : callable
        Makes the alignment of such a table.
    """
    if alignment is None:
        return None
    used, left = np.asarray(alignment.used), np.abs(alignment.residuals)
    ids = found["touch"].to_numpy(dtype=object)[used]
    if resting:
        matters = np.isin(ids.astype(str), [str(one) for one in resting])
    elif alignment.method == "minimax":
        matters = left * np.sqrt(alignment.weights) >= _AT_LIMIT * alignment.objective
    else:
        return influence_of(judged, alignment)
    order = [at for at in np.argsort(-left, kind="stable") if matters[at]][:_MOST]
    anew = {}
    for row in used[order].tolist():
        other = found.copy()
        other.loc[other.index[row], ["x", "y", "z", "deviation"]] = np.nan
        try:
            anew[row] = align(other)
        except ProbekitError:  # nothing holds the part without it
            continue
    return influence_of(judged, alignment, anew)
