"""Which touches to make again, as a table that planning takes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, NORMAL, TARGET
from ..verdict.doubts import MISLED, REFUTED, UNKNOWN, UNPLACED, UNSIZED
from ..verdict.second_look import TIMES, open_touches

if TYPE_CHECKING:
    import pandas as pd

    from ..verdict.results import Verdict

__all__ = ["touch_again"]


def touch_again(verdict: Verdict, outliers: Iterable[object] = ()) -> pd.DataFrame:
    """The touches that leave something open: undecided, in doubt, missed, or a datum touch that does not agree.

    Parameters
    ----------
    verdict : Verdict
    outliers : iterable
        Ids of datum touches that do not agree with the others, as `probekit.plausibility.Residuals.outliers`.

    Returns
    -------
    DataFrame
        `touch`, `feature`, `face`, target `x0, y0, z0` and its outward normal `i, j, k` in the part frame (of a touch
        without a target its foot), and `why`. A touch that has neither is left out. By a rule for two looks, what a
        second look would decide is there four times, under new numbers; `again` is then the touch it repeats.
        `planned`, if the verdict's table has it: the number that the plan has for the place.
    """
    import pandas as pd

    table = verdict.table
    ids = table["touch"].to_numpy(dtype=object)
    disagrees = np.isin(ids.astype(str), [str(one) for one in outliers])
    word, doubt = table["verdict"].to_numpy(dtype=object), table["doubt"].to_numpy(dtype=object)
    why = np.full(len(table), "", dtype=object)
    common = np.array(
        [text.removesuffix("; " + UNKNOWN) in ("", REFUTED, UNKNOWN, UNPLACED, UNSIZED, MISLED) for text in doubt]
    )  # of all touches
    why[~common] = doubt[~common]
    why[(word == "undecided") & (doubt == "")] = "undecided: too near a limit for its uncertainty"
    second = open_touches(verdict)
    why[second] = "undecided: the second look decides by the mean of all touches there"
    why[word == "missed"] = "missed"
    why[disagrees] = "datum touch that does not agree with the others"
    target = table[[*TARGET, *NORMAL]].to_numpy(dtype=float)
    foot = table[[name if name in table else TARGET[0] for name in (*FOOT, *FOOT_NORMAL)]].to_numpy(dtype=float)
    place = np.where(np.isfinite(target).all(axis=1)[:, None], target, foot)
    out = table[[name for name in ("touch", "planned", "feature", "face") if name in table]].copy()
    out[[*TARGET, *NORMAL]] = place
    kept = (why != "") & np.isfinite(place).all(axis=1)
    second &= kept & ~disagrees & (word != "missed")
    out = out.assign(why=why)
    if second.any():
        out = pd.concat([out.assign(again=out["touch"])[kept & ~second], *_repeats(out[second], ids)])
    out = (out if second.any() else out[kept]).reset_index(drop=True)
    out.attrs = {}
    return out


def _repeats(rows: pd.DataFrame, taken: np.ndarray) -> list[pd.DataFrame]:
    """The rows so many times, one after the other, under numbers that no touch has."""
    numbers = all(isinstance(one, int | np.integer) for one in taken)
    start = 1 + int(max(taken)) if numbers else 0
    parts = []
    for k in range(TIMES):
        ids = (
            start + k * len(rows) + np.arange(len(rows))
            if numbers
            else [f"{touch} again {k + 1}" for touch in rows["touch"]]
        )
        parts.append(rows.assign(again=rows["touch"], touch=ids))
    return parts
