"""Single touches far off their neighbours: a chip, a touch in the air, another row; or a fault of the part.

A program expects the surface within the overtravel behind a target: beyond it the probing move ends, and the touch is
a miss. To the other side a trigger may come from anywhere in the standoff: a chip, coolant, vibration. So one touch
that is further off its neighbours than the overtravel is further than the program itself takes for possible, while they
are not. Nothing in the numbers tells a chip from a real fault of that size: it wants a look, and is not decided, either
way, before.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, array
from .finding import Finding
from .planned import Probing

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["flagged", "lone_touches"]

_NEIGHBOURS = 4  # of the same feature; the median of four stands one bad one


def lone_touches(
    aligned: pd.DataFrame, used: Sequence[int] | np.ndarray, probing: Probing, u: float | None
) -> list[Finding]:
    """A look at touches that lie by themselves.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table.
    used : (m,) int
        Rows that the alignment rests on; they are tested by their residuals.
    probing : Probing
    u : float, optional
        Standard uncertainty of a deviation as stated [mm].
    """
    from scipy.spatial import cKDTree

    deviation, features = aligned["deviation"].to_numpy(dtype=float), aligned["feature"].astype(str).to_numpy()
    limit = probing.overtravel + min(3.0 * (u or 0.0), probing.overtravel)
    off = np.zeros(len(aligned))
    places = array(aligned, FOOT)
    for name in dict.fromkeys(features):
        rows = np.flatnonzero((features == name) & np.isfinite(deviation))
        if len(rows) <= _NEIGHBOURS:
            continue
        near = cKDTree(places[rows]).query(places[rows], k=_NEIGHBOURS + 1)[1][:, 1:]
        off[rows] = deviation[rows] - np.median(deviation[rows][near], axis=1)
    off[np.asarray(used, dtype=int)] = 0.0
    bad = np.flatnonzero(np.abs(off) > limit)
    if not len(bad):
        return []
    ids = tuple(aligned["touch"].to_numpy(dtype=object)[bad].tolist())
    return [
        Finding(
            "look",
            f"{len(bad)} {'touch lies' if len(bad) == 1 else 'touches lie'} far off the neighbours",
            found=f"{off[bad][np.abs(off[bad]).argmax()]:+z.3f} mm from the median of the four nearest of the feature",
            expected=f"within {limit:.3g} mm: the program expects the surface no further than the overtravel, and "
            "three times u",
            cause="a chip or coolant under the ball, a trigger in the air, or the row of another touch; or, if it is "
            "so, a gouge or material left on, which is a fault of the part",
            todo="Look at the place, clean and touch there again. It stays undecided until then; if it is the part, "
            "accept 'lone touch' with that reason, and it counts as measured",
            touches=ids,
            name="lone touch",
        )
    ]


def flagged(aligned: pd.DataFrame, findings: Iterable[Finding]) -> pd.DataFrame:
    """The deviations table with the flag "lone" on those touches, unless the study accepts them."""
    ids = {str(one) for found in findings if found.name == "lone touch" and not found.accepted for one in found.touches}
    if not ids:
        return aligned
    lone = aligned["touch"].map(str).isin(ids)
    flag = aligned["flag"].astype(object)
    return aligned.assign(flag=flag.where(~lone, flag.astype(str).str.strip() + " lone"))
