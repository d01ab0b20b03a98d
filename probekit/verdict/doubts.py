"""Feet that are in doubt: flags of a projection that leave a touch undecided at best.

A deviation is the distance to a foot. Where the foot may be the wrong one, or was not found, the number may be right,
but it proves nothing:

- "far": further from the nominal than `max_distance` allows; another face, another part, or another unit.
- "ambiguous": another face is as near. Both distances agree within `ambiguity`, but the table does not hold the
  other foot: on a thin wall, or where two bodies meet, its sign is the other one, and the other face may be under
  another tolerance. Naming the face in the touches file settles it, so the flag is not excused by itself.
- "other side": the foot lies where the probe did not come from.
- "too tight": the ball does not fit there, so it touched something else as well.
- "lone": far off its neighbours, as the gate before the verdict found (`probekit.plausibility`); a chip or a fault of
  the part. Such a touch is not decided, either way, until somebody has looked.
- "unsettled": the search for the foot on the exact surface did not settle (`foot_by` is "facet") and the foot on the
  facets was kept, which is off by up to the deflection.

Harmless are "edge" and "boundary": the foot lies on an edge of the model or of the face asked for, as is common on
trimmed faces. It is still the nearest point, so the deviation is the distance to the nominal and in size never less
than the distance along the normal: no touch outside is taken for one within. "missed" has a word of its own.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..tolerance.unjudged import Unjudged

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["DOUBTS", "MISLED", "REFUTED", "UNKNOWN", "UNMEANT", "UNPLACED", "UNSIZED", "doubts_of", "why_unsure"]

#: Flag -> what it says of the foot. "unsettled" stands for a foot that was kept on the facets.
DOUBTS = {
    "far": "the foot is further away than max_distance",
    "ambiguous": "another face is as near",
    "other side": "the foot is on the side that the probe did not come from",
    "too tight": "the ball does not fit there",
    "lone": "it lies by itself, far off its neighbours",
    "unsettled": "the foot did not settle on the exact surface",
}

# What leaves a whole tolerance undecided.
UNMEANT = "what it asks for is not what the model has, and nobody has said yet which of the two is meant"
MISLED = "a touch of a datum that it is judged from does not agree with the others there"
UNPLACED = "where the whole part lies is in doubt"
UNSIZED = "the radius of the ball, twice of which goes into each size, is in doubt"
REFUTED = "touches scatter far more than the uncertainty that it would be decided by"
UNKNOWN = "the uncertainty of the alignment or datum frame it is judged in is not known"


def doubts_of(deviations: pd.DataFrame, accepted: Iterable[str] = ()) -> np.ndarray:
    """What is in doubt about the foot of each touch, in words (n,) of str; empty where nothing is.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table; columns `flag` and `foot_by` are read if there are any.
    accepted : iterable of str
        Keys of `DOUBTS` that a person has looked at and accepts.

    Raises
    ------
    InputError
        If one of them is unknown.
    """
    accepted = (accepted,) if isinstance(accepted, str) else tuple(accepted)
    for one in accepted:
        if one not in DOUBTS:
            raise InputError("that flag leaves nothing undecided", found=one, expected="one of " + ", ".join(DOUBTS))
    flags = (
        deviations["flag"].astype(object).fillna("").astype(str).to_numpy()
        if "flag" in deviations
        else [""] * len(deviations)
    )
    how = deviations["foot_by"].astype(object).to_numpy() if "foot_by" in deviations else [""] * len(deviations)
    lost = ~np.isfinite(deviations["deviation"].to_numpy(dtype=float))
    words = np.full(len(deviations), "", dtype=object)
    patterns = {one: re.compile(rf"\b{one}\b") for one in DOUBTS if one not in accepted}
    for row in np.flatnonzero(~lost):
        if flags[row] or how[row] == "facet":
            raised = flags[row] + (" unsettled" if how[row] == "facet" else "")
            words[row] = "; ".join(DOUBTS[one] for one, pattern in patterns.items() if pattern.search(raised))
    return words


def why_unsure(
    one: Evaluation | Unjudged, placed: bool, sized: bool, unmeant: Collection[str], misled: Collection[str]
) -> str:
    """Why nothing that a tolerance rests on is to be decided; "" if it is.

    Parameters
    ----------
    one : Evaluation or Unjudged
    placed, sized, unmeant, misled
        See `probekit.verdict.classify`.
    """
    if isinstance(one, Unjudged):
        return ""
    if one.name in unmeant:
        return UNMEANT
    if one.name in misled:
        return MISLED
    if not sized and one.kind.startswith("size"):
        return UNSIZED
    return UNPLACED if not placed and one.rests_on_place else ""
