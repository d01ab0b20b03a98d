"""What noise alone makes of a correction: none is worth a word unless it is more than that, and more than the eye of a
tolerance would see.

A correction is significant if noise makes as much in 1 of 1000 cases, and material if it changes what was judged by a
twentieth of its tolerance. Noise is what the touches are said to have, with all that they share; where nothing is said,
it is taken from how neighbouring touches differ.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..fit.alignment import Alignment, with_shared
from ..geometry import apply_motion
from ..tolerance.bounds import bounds
from ..tolerance.propagation import carry, judged_scatter
from ..uncertainty import Scatter
from .corrections import offset_along
from .regions import nearest_alike

if TYPE_CHECKING:
    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["MATERIAL", "SURE", "beyond_scatter", "moved", "offset_of", "proved_outside", "stated"]

SURE = 0.999  # of a correction that noise does not explain
MATERIAL = 0.05  # part of a tolerance that a correction may take without a word


def stated(verdict: Verdict, scatter: Scatter | None) -> Scatter:
    """Uncertainty of the touches of a verdict: `scatter` if it is given, else that of its table, touch by touch."""
    return Scatter.independent(verdict.table["u"].to_numpy(dtype=float)) if scatter is None else scatter


def offset_of(
    one: Evaluation,
    verdict: Verdict,
    scatter: Scatter,
    alignment: Alignment | None,
    slope: np.ndarray | None = None,
) -> tuple[float, float, bool]:
    """Offset that the faces of a tolerance share, its standard uncertainty [mm], and whether noise is ruled out.

    With `slope` (n,) it changes each deviation by so much, by nothing where that is 0.

    Three parts add up: the touches, as they scatter (with form, by Student's factor) or as stated if that is more; the
    frame; and what all of them share, such as the radius of the stylus, which no scatter shows.
    """
    from scipy.special import ndtri, stdtrit

    framed = one if one.carried is not None else carry(one, verdict.table, alignment)
    slope = np.ones(one.touches) if slope is None else slope
    offset, seen = offset_along(one.deviations - one.middles, slope)
    weight = slope / float(slope @ slope)
    known = float(judged_scatter(framed, scatter).u_of(weight))
    frame = 0.0 if framed.carried is None else float(framed.carried.along(weight))
    if not np.isfinite(frame):
        return offset, frame, False
    own = float(np.linalg.norm(weight * scatter.own[one.rows]))
    rest = np.sqrt(max(known**2 - own**2, frame**2))  # of frame and common causes, as far as they go together
    tail = 1.0 - (1.0 - SURE) / (2 * max(len(verdict.evaluations), 1))
    of_touches = max(stdtrit(np.count_nonzero(slope) - 1, tail) * seen, ndtri(tail) * own)
    limit = np.hypot(of_touches, ndtri(tail) * rest)
    return offset, float(np.hypot(max(seen, own), rest)), bool(abs(offset) > limit)


def beyond_scatter(alignment: Alignment, scatter: Scatter | None = None) -> bool | None:
    """Whether shift and turn, all together, are more than noise makes in 1 of 1000 cases; None if not known.

    Hotelling's test with the freedoms of the residuals: x' C^-1 x > r F(r, n - r), where C has rank r. What the touches
    share, by `scatter` of the whole table, moves the part as a whole and does not show in the residuals.
    """
    from scipy.special import fdtri

    values = np.concatenate([alignment.translation, alignment.rotation_deg])
    if not np.isfinite(alignment.covariance).all():
        return None
    shares = scatter is not None and bool(scatter.causes)
    covariance = (with_shared(alignment, scatter) if shares else alignment).covariance
    size = np.sqrt(np.diag(covariance))
    free = size > 0
    if not free.any():
        return None
    spectrum, axes = np.linalg.eigh(covariance[np.ix_(free, free)] / np.outer(size[free], size[free]))
    held = spectrum > 1e-9 * spectrum[-1]
    along = (axes.T @ (values[free] / size[free]))[held]
    rank = int(held.sum())
    limit = rank * float(fdtri(rank, max(len(alignment.used) - rank, 1), SURE))
    return bool(np.sum(along**2 / spectrum[held]) > limit)


def moved(alignment: Alignment, verdict: Verdict) -> tuple[float, float]:
    """How far the set-up moves a judged touch along its normal, at most [mm], and as part of its tolerance."""
    table = verdict.table
    contact = array(table, CONTACT)
    away = apply_motion(alignment.inverse, contact) - contact
    along = np.abs(np.einsum("ij,ij->i", away, array(table, FOOT_NORMAL)))
    by = [(float(along[one.rows].max()), one.width) for one in verdict.evaluations if one.from_nominal]
    return max((m for m, _ in by), default=np.inf), max((m / width for m, width in by), default=np.inf)


def proved_outside(verdict: Verdict, scatter: Scatter) -> np.ndarray:
    """(n,) touches that lie beyond their limits by more than noise makes.

    A rule by proof has seen to it. Another one takes the touches as they are; where nothing is said of how uncertain
    they are, each is as uncertain as neighbours differ.
    """
    out = np.isin(verdict.table["verdict"].to_numpy(dtype=object), ["high", "low"])
    if verdict.rule.level is not None or not out.any():
        return out
    proved = np.zeros(len(out), dtype=bool)
    for one in verdict.evaluations:
        if one.judges_touches and out[one.rows].any():
            known = scatter if scatter.u[one.rows].any() else _seen(one, verdict)
            proved[one.rows] |= True if known is None else bounds(one, known).outside
    return out & proved


def _seen(one: Evaluation, verdict: Verdict) -> Scatter | None:
    """Scatter of the touches by how neighbours differ: sqrt(2) times that of one, form left aside; None if exact."""
    near, far = nearest_alike(verdict.table.iloc[one.rows])
    if len(near) < 5:
        return None
    differences = np.abs(one.deviations[near] - one.deviations[far])
    size = 1.4826 * float(np.median(differences)) / np.sqrt(2.0)
    return Scatter.independent(np.full(len(verdict.table), size)) if size > 0 else None
