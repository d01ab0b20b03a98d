"""Single bad touches on datum features that only the datum frames of tolerances use, not the alignment.

The residuals of the alignment say nothing of such a feature. It is tested by itself: its touches have to agree in any
place, turn and size, so that a feature which lies off as a whole raises no alarm, and neither does form, which the
uncertainty of the frame counts. Only a few touches that do not belong to the rest, which then agrees, are named.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from .apart import felt
from .finding import Finding
from .residuals import motions_and_sizes, residuals_of

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["OwnDatum", "on_own_datums"]


class OwnDatum(NamedTuple):
    """Touches that are tested together: letter of the datum, its features, and names of tolerances that rest on it."""

    letter: str
    features: tuple[str, ...]
    tolerances: tuple[str, ...]


def on_own_datums(
    aligned: pd.DataFrame,
    part: Nominal,
    datums: Iterable[OwnDatum],
    used: Iterable[int] = (),
    *,
    u: float | None = None,
    form: float = 0.0,
) -> list[Finding]:
    """A look at touches of datum features that do not agree with the others there.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table.
    part : Nominal
    datums : iterable of OwnDatum
    used : iterable of int
        Rows that the alignment rests on: features on which one of them lies are tested with it.
    u, form : float
        As for `probekit.plausibility.datum_residuals`.
    """
    names = np.stack([aligned[key].astype(str).to_numpy(dtype=object) for key in ("feature", "face")])
    known, found = np.isfinite(aligned["deviation"].to_numpy(dtype=float)), []
    tested = set(names[:, list(used)].ravel().tolist())
    for one in datums:
        if tested & set(one.features):
            continue
        rows = aligned[np.isin(names, one.features).any(axis=0) & known]
        if len(rows) < 2:
            continue
        left = residuals_of(rows, part, felt(motions_and_sizes(rows)), np.ones(len(rows)), u=u, form=form)
        if not left.outliers or left.excess > 1 or left.pattern:
            continue
        off = dict(zip(left.touches, left.ratios, strict=True))[left.outliers[0]]
        found.append(
            Finding(
                "look",
                f"touch {left.outliers[0]} does not agree with the others of datum {one.letter}, "
                f"{abs(off):.1f} times its standard deviation",
                found=left.sentence.replace("datum touches", f"touches of {', '.join(one.features)}"),
                expected=f"at most {left.limit:.1f} standard deviations (1 good feature in 1000 fails)",
                cause="a chip, dirt or a burr under the touch, or a nick in the face",
                todo=f"Clean and touch there again; what rests on datum {one.letter} stays undecided until then "
                f"({', '.join(one.tolerances)}). If it is the part, accept 'datum touch' with that reason",
                touches=left.outliers,
                name="datum touch",
                tolerances=one.tolerances,
            )
        )
    return found
