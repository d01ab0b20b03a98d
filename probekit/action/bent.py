"""Faces that are bent, where a fit to them takes part of the bend for a set-up error.

symbol    variable    meaning
m         moved       what undoing the alignment does to the deviations of its own touches [mm]
e         left        what motion and size of each feature leave of them [mm]
I                     Moran's I of e: about the part of its squares that is smooth

A bow leaves a fit of shift and turn 0.45 of what it moves (a parabola held at its middle, over the whole length), an
end that springs up 0.17 (a parabola with its vertex at the other end), and scatter blurs that. So the shift may be form
where the part of e that is no scatter is more than 0.12 of m, root mean square each; and it matters if it is not small
against the tolerances.
What is no scatter is what follows the surface, and what the touches are not said to scatter by.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..geometry import apply_motion
from .noise import MATERIAL, SURE
from .pattern import SYSTEMATIC, describe
from .scatter_or_form import left_by_feature

if TYPE_CHECKING:
    from ..fit.alignment import Alignment
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict

__all__ = ["Bend", "bend_of"]

_PART = 0.12  # of what the alignment moves, above which the smooth rest says that form may have moved it


class Bend(NamedTuple):
    """What an alignment leaves of its own touches: largest and rms [mm]; why it is no scatter, in words."""

    largest: float
    rms: float
    words: str


def bend_of(alignment: Alignment, verdict: Verdict, scatter: Scatter) -> Bend | None:
    """What an alignment leaves of its own touches, if it is form large enough to have made the shift; else None.

    Parameters
    ----------
    alignment : Alignment
        That the touches of the verdict's table have been through.
    verdict : Verdict
    scatter : Scatter
        Of its table.
    """
    from scipy.special import chdtri

    used = verdict.table.iloc[alignment.used]
    contact = array(used, CONTACT)
    away = apply_motion(alignment.inverse, contact) - contact
    moved = float(np.sqrt(np.mean(np.einsum("ij,ij->i", away, array(used, FOOT_NORMAL)) ** 2)))
    left, freedoms = left_by_feature(used)
    if freedoms < 1:
        return None
    square, largest = float(left @ left / freedoms), float(np.abs(left).max())
    width = min((one.width for one in verdict.evaluations if one.from_nominal), default=np.inf)
    own = float(np.mean(scatter.own[alignment.used] ** 2))
    found, p, words = describe(used, left)
    form = 0.0
    if p < SYSTEMATIC:
        form, why = square * max(found, 0.0), words
    elif own > 0 and square * freedoms > own * chdtri(freedoms, 1.0 - SURE):
        form, why = (
            square - own,
            (
                f"the touches are said to scatter by {np.sqrt(own):.4f} mm (or they scatter more, which touching again "
                "would tell)"
            ),
        )
    if not np.sqrt(form) > _PART * moved or largest < MATERIAL * width:
        return None
    return Bend(largest, float(np.sqrt(square)), why)
