"""Single bad touches on datum features that only the datum frames of tolerances use, not the alignment.

The residuals of the alignment say nothing of such a feature. It is tested by itself: its touches have to agree in any
place, turn and size, so that a feature which lies off as a whole raises no alarm, and neither does form, which the
uncertainty of the frame counts. Only a few touches that do not belong to the rest, which then agrees, are named; all
of them where the others do not tell which it is. Where two or three lobes, a taper or the bend of a plane explain as
much, it may be form, and is but a note: four touches of a bore are as oval as one of them is off.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from .apart import felt, joined
from .finding import Finding
from .residuals import FALSE_ALARMS, left_over, motions_and_sizes, residuals_of, scatter_of

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["OwnDatum", "on_own_datums"]

_RIVAL = 11.3  # chi-square by which one touch has to explain more than another (normal scatter: 1 in 1000)
_TELLING = 0.02  # 1 - h of a touch below which the others say nothing about it
_FLAT = 0.05  # how far the normals of a plane may lie from one another


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
        s = scatter_of(rows, part, u, form)
        basis, y = felt(motions_and_sizes(rows) / s[:, None]), rows["deviation"].to_numpy(dtype=float) / s
        which = left.outliers if len(left.outliers) > 1 else _rivals(rows, basis, y)
        named = f"one of touches {', '.join(map(str, which))}" if len(which) > len(left.outliers) else None
        may_be_form = _is_form(rows, basis, y, s)
        found.append(
            Finding(
                "note" if may_be_form else "look",
                f"{named or f'touch {which[0]}'} does not agree with the others of datum {one.letter}, "
                f"{abs(off):.1f} times its standard deviation"
                + ("; or the feature has form, which tells as much and counts as uncertainty" if may_be_form else ""),
                found=left.sentence.replace("datum touches", f"touches of {', '.join(one.features)}"),
                expected=f"at most {left.limit:.1f} standard deviations (1 good feature in 1000 fails)",
                cause="a chip, dirt or a burr under the touch, or a nick in the face",
                todo=f"Touch datum {one.letter} at more places to tell which"
                if may_be_form
                else f"Clean and touch there again; what rests on datum {one.letter} stays undecided until then "
                f"({', '.join(one.tolerances)}). If it is the part, accept 'datum touch' with that reason",
                touches=which,
                name="datum touch",
                tolerances=one.tolerances,
            )
        )
    return found


def _rivals(rows: pd.DataFrame, basis: np.ndarray, y: np.ndarray) -> tuple:
    """Ids of the touches of which any alone may be the one that is off, the likeliest first."""
    e, h, _ = left_over(y, basis)
    told = 1.0 - h > _TELLING
    less = np.where(told, e**2 / np.where(told, 1.0 - h, 1.0), -np.inf)  # what chi-square drops by without it
    order = np.argsort(-less, kind="stable")
    return tuple(rows["touch"].to_numpy(dtype=object)[order[less[order] > less.max() - _RIVAL]].tolist())


def _is_form(rows: pd.DataFrame, basis: np.ndarray, y: np.ndarray, s: np.ndarray) -> bool:
    """Whether one simple form explains what `basis` (n, k) leaves of `y`, in units of the scatter `s` (n,)."""
    from scipy.special import chdtri

    normal, place = array(rows, FOOT_NORMAL), array(rows, FOOT)
    place = (place - place.mean(axis=0)) / max(float(np.ptp(place, axis=0).max()), 1e-9)
    ways = np.linalg.svd(normal, full_matrices=False)[2]  # the last way is the axis, where there is one
    turn = np.arctan2(normal @ ways[1], normal @ ways[0])
    forms = [np.column_stack([np.cos(lobes * turn), np.sin(lobes * turn)]) for lobes in (2, 3)]
    forms.append((place @ ways[2])[:, None])
    if np.ptp(normal, axis=0).max() < _FLAT:
        forms = [(place[:, :, None] * place[:, None, :]).reshape(len(y), -1)]
    for shape in forms:
        both = joined(basis, shape / s[:, None])
        left, freedoms = y - both @ (both.T @ y), len(y) - both.shape[1]
        if freedoms < 1 or left @ left <= chdtri(freedoms, FALSE_ALARMS):
            return True
    return False
