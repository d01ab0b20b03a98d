"""Which touches to make again, as a table that planning takes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, NORMAL, TARGET
from ..verdict.classify import UNKNOWN, UNPLACED

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
        without a target its foot), and `why`. A touch that has neither is left out.
    """
    table = verdict.table
    ids = table["touch"].to_numpy(dtype=object)
    disagrees = np.isin(ids.astype(str), [str(one) for one in outliers])
    word, doubt = table["verdict"].to_numpy(dtype=object), table["doubt"].to_numpy(dtype=object)
    why = np.full(len(table), "", dtype=object)
    common = np.array(
        [text.removesuffix("; " + UNKNOWN) in ("", UNKNOWN, UNPLACED) for text in doubt]
    )  # of all touches
    why[~common] = doubt[~common]
    why[(word == "undecided") & (doubt == "")] = "undecided: too near a limit for its uncertainty"
    why[word == "missed"] = "missed"
    why[disagrees] = "datum touch that does not agree with the others"
    target = table[[*TARGET, *NORMAL]].to_numpy(dtype=float)
    foot = table[[name if name in table else TARGET[0] for name in (*FOOT, *FOOT_NORMAL)]].to_numpy(dtype=float)
    place = np.where(np.isfinite(target).all(axis=1)[:, None], target, foot)
    out = table[[name for name in ("touch", "feature", "face") if name in table]].copy()
    out[[*TARGET, *NORMAL]] = place
    kept = (why != "") & np.isfinite(place).all(axis=1)
    out = out.assign(why=why)[kept].reset_index(drop=True)
    out.attrs = {}
    return out
