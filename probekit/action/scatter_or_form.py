"""Where touches of a tolerance scatter by more than is stated: form or scatter, as far as single touches tell.

What motion and size of each feature leave of touches is form and scatter together. If neighbours are alike it is form
(`probekit.action.pattern`). If they are not, and most touches are off, not single ones, it may be either: short waves
and tool marks look like a loose tip, chips or coolant that only this feature had. The verdict counts it as the part's.
Only places touched twice tell the two apart.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import REPEATS, TARGET, array
from ..plausibility.apart import felt
from ..plausibility.residuals import motions_and_sizes
from .noise import SURE
from .pattern import SYSTEMATIC, describe

if TYPE_CHECKING:
    import pandas as pd

    from ..uncertainty import Scatter
    from ..verdict.results import Verdict

__all__ = ["left_by_feature", "on_scatter"]

_MAD = 1.4826  # standard deviation of normal scatter over its median size
_TIMES = 2.0  # what is stated, above which most touches scatter by more than that
_SAME = 6  # decimals [mm]: a target touched again is written as it was


def left_by_feature(used: pd.DataFrame) -> tuple[np.ndarray, int]:
    """What motion and size of each feature leave of its deviations (n,) [mm], and the freedoms that are left of all.

    A feature that lies off as a whole has no form by that.
    """
    left, freedoms = used["deviation"].to_numpy(dtype=float).copy(), 0
    features = used["feature"].astype(str).to_numpy()
    for name in dict.fromkeys(features):
        mine = features == name
        basis = felt(motions_and_sizes(used[mine]))
        left[mine] -= basis @ (basis.T @ left[mine])
        freedoms += int(mine.sum()) - basis.shape[1]
    return left, freedoms


def on_scatter(verdict: Verdict, scatter: Scatter) -> list[str]:
    """A sentence on each tolerance that does not conform and whose touches scatter so, none of them touched again.

    Parameters
    ----------
    verdict : Verdict
    scatter : Scatter
        Of its table.
    """
    from scipy.special import chdtri

    said: dict[str, str] = {}
    for one, row in verdict.pairs:
        rows = np.asarray(one.rows)
        if row.word in ("conforms", "not judged") or len(rows) < 3:
            continue
        used, own = verdict.table.iloc[rows], float(np.mean(scatter.own[rows] ** 2))
        known = np.isfinite(used["deviation"].to_numpy(dtype=float))
        if own <= 0 or not known.all() or _again(used):
            continue
        left, freedoms = left_by_feature(used)
        square = float(left @ left)
        if freedoms < 1 or square <= own * float(chdtri(freedoms, 1.0 - SURE)):
            continue
        most = _MAD * float(np.median(np.abs(left))) * np.sqrt(len(left) / freedoms)
        p = describe(used, left)[1]
        if p < SYSTEMATIC or most <= _TIMES * np.sqrt(own):
            continue
        alike = "neighbours are no more alike than by chance" if np.isfinite(p) else "few touches are neighbours"
        named = ", ".join(dict.fromkeys(used["feature"].astype(str)))
        text = (
            f"the touches on {named} scatter by {np.sqrt(square / freedoms):.4f} mm about their own place and size, "
            f"where {np.sqrt(own):.4f} mm is stated, and {alike}. It is counted as form of the part, and may be that "
            "(short waves, tool marks), or scatter of the touches there (chips, coolant, a loose tip): each place was "
            "touched once, so nothing tells. Before anything is cut or scrapped, some of them touched again would: "
            "what repeats is form."
        )
        said[text] = f"{said[text]}, {row.name}" if text in said else row.name
    return [f"Form or scatter ({names}): {text}" for text, names in said.items()]


def _again(used: pd.DataFrame) -> bool:
    """Whether any place was touched more than once."""
    if REPEATS in used and (used[REPEATS].to_numpy(dtype=float) > 1).any():
        return True
    target = array(used, TARGET) if set(TARGET) <= set(used) else np.full((len(used), 3), np.nan)
    target = target[np.isfinite(target).all(axis=1)].round(_SAME)
    return len(np.unique(target, axis=0)) < len(target)
