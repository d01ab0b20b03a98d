"""Whether the touches are of one run: by the time of each, and by what else the table says of each.

A part may be touched in several runs, feature by feature; touches of one feature from several runs make a verdict on a
surface that never was. So a table whose column of part, program or run, or whose times tell several apart, is looked at
where they share a feature, and whenever they are of several parts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import words
from .finding import Finding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["mixed_runs", "seconds_of"]

_PART = ("part", "part_number", "serial", "order")
_RUN = ("run", "program", "plan", "date")
_PAUSE = 4 * 3600.0  # longer than a meal or a tool change; between two shifts or days [s]; common practice, no source
_NAME = "mixed runs"


def mixed_runs(touches: pd.DataFrame) -> list[Finding]:
    """A look where touches of several parts, or of several runs on one feature, stand in one table.

    Parameters
    ----------
    touches : DataFrame
        As read. Columns `part`, `part_number`, `serial`, `order`, `run`, `program`, `plan`, `date`, if there are, and
        `time`, if it holds dates with times as ISO 8601 writes them.
    """
    feature = words(touches, "feature").astype(str)
    for name in (*_PART, *_RUN):
        if name in touches:
            label = np.array([str(one).strip() for one in words(touches, name)])
            label = np.where(label == "", "not said", label)
            if found := _mixed(touches, feature, label, f"the column {name} says", always=name in _PART):
                return [found]
    by_time = _by_time(touches)
    found = None if by_time is None else _mixed(touches, feature, by_time, "their times are around", always=False)
    return [found] if found else []


def _by_time(touches: pd.DataFrame) -> np.ndarray | None:
    """(n,) str: first time of the run that each touch belongs to, runs being more than a pause apart."""
    import pandas as pd

    if "time" not in touches or touches["time"].dtype.kind in "fiu":
        return None
    seconds = seconds_of(touches)
    if seconds is None or np.isfinite(seconds).sum() < 2:
        return None
    start = pd.to_datetime(touches["time"].astype(object), errors="coerce", format="ISO8601", utc=True).min()
    known = np.sort(seconds[np.isfinite(seconds)])
    starts = known[np.concatenate([[True], np.diff(known) > _PAUSE])]
    run = np.searchsorted(starts, seconds, side="right") - 1
    first = [str((start + pd.Timedelta(seconds=float(one))).strftime("%Y-%m-%d %H:%M")) for one in starts]
    return np.array([first[k] if np.isfinite(s) else "not said" for k, s in zip(run, seconds, strict=True)])


def seconds_of(touches: pd.DataFrame) -> np.ndarray | None:
    """(n,) when each touch was made, from the first on: numbers as they are, dates with times as ISO 8601 in seconds.

    NaN where one cannot be read; None without a column `time`.
    """
    import pandas as pd

    if "time" not in touches:
        return None
    if touches["time"].dtype.kind in "fiu":
        return touches["time"].to_numpy(dtype=float)
    time = pd.to_datetime(touches["time"].astype(object), errors="coerce", format="ISO8601", utc=True)
    return (time - time.min()).dt.total_seconds().to_numpy(dtype=float)


def _mixed(touches: pd.DataFrame, feature: np.ndarray, label: np.ndarray, says: str, *, always: bool) -> Finding | None:
    kinds, count = np.unique(label, return_counts=True)
    if len(kinds) < 2:
        return None
    shared = [name for name in dict.fromkeys(feature) if len(set(label[feature == name])) > 1]
    main = kinds[count.argmax()]
    ids = touches["touch"].to_numpy(dtype=object)
    what = "parts" if always else "runs"
    return Finding(
        "look" if always or shared else "note",
        f"the touches are of {len(kinds)} {what}" + (f", mixed on {', '.join(shared[:5])}" if shared else ""),
        found=f"{says} " + ", ".join(f"{kind} for {n}" for kind, n in zip(kinds[:5], count[:5], strict=True)),
        expected=f"all touches of one part{'' if always else ', and of a feature, from one run'}"
        + (f"; times less than {_PAUSE / 3600:g} hours apart" if "times" in says else ""),
        cause="rows of another results file, or some touched again later",
        todo="Take the rows of the other run out; if these touches belong together, accept it with a reason",
        touches=tuple(ids[label != main].tolist()),
        name=_NAME,
    )
