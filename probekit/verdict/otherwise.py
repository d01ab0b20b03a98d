"""What does not conform however the part lies: by its alignment, and by another one that leaves out what is in doubt.

A chip under a datum touch puts the place of the whole part in doubt. A part that is bad with that touch and without it
is bad; nothing else is decided so, and no touch but those that both call high, or low.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from .doubts import UNPLACED
from .results import Verdict

__all__ = ["bad_in_both"]


def bad_in_both(judged: Any, otherwise: Verdict) -> Any | None:
    """A tolerance that does not conform by both; None if it conforms or is undecided by one.

    Parameters
    ----------
    judged : a tolerance as `classify` judged it, without the doubt
        In the alignment; what has a datum frame of its own is the same in both, and is not decided here.
    otherwise : Verdict
        On the same touches, aligned otherwise; those in doubt themselves are undecided in it.
    """
    words = otherwise.tolerances.loc[otherwise.tolerances["name"] == judged.of.name, "word"]
    if judged.word != "does not conform" or not len(words) or not (words == judged.word).all():
        return None
    table = otherwise.table.iloc[judged.of.rows]
    if not judged.of.judges_touches:
        return None if (table["verdict"] == "undecided").any() else judged
    both = np.isin(judged.words, ("high", "low")) & (table["verdict"].to_numpy(dtype=object) == judged.words)
    both &= table["tolerance"].to_numpy(dtype=object) == judged.of.name
    if not both.any():
        return None
    return replace(judged, words=np.where(both, judged.words, "undecided"), doubt=np.where(both, "", UNPLACED))
