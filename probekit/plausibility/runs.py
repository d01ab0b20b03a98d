"""Whether the touches are of one run: by the time of each, and by what else the table says of each.

A part may be touched in several runs, feature by feature; touches of one feature from several runs make a verdict on a
surface that never was. So a table whose column of part, program or run, or whose times tell several apart, is looked at
where they share a feature, and whenever they are of several parts. Where nothing tells them apart, the targets do: a
few that were touched again at the end are references, most of them touched once before and once after are two runs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import MEASURED, NORMAL, TARGET, array, words
from .finding import Finding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["mixed_runs", "seconds_of"]

_PART = ("part", "part_number", "serial", "order")
_RUN = ("run", "program", "plan", "date")
_PAUSE = 4 * 3600.0  # longer than a meal or a tool change; between two shifts or days [s]; common practice, no source
_SAME = 0.02  # targets as near as this are one, as rounded in a file [mm]
_TURNED = 2.0  # mm: what normals and angles are multiplied with: a hundredth more is another
_MOST = 0.5  # share of all places that are touched again, above which they are no references; a choice
_HALVES = 0.95  # share of those that are touched once in each half of the time; a choice
_FEWEST = 5  # places touched again, below which they are no run
_NAME = "mixed runs"


def mixed_runs(touches: pd.DataFrame, plan: pd.DataFrame | None = None) -> list[Finding]:
    """A look where touches of several parts, or of several runs on one feature, stand in one table.

    Parameters
    ----------
    touches : DataFrame
        As read. Columns `part`, `part_number`, `serial`, `order`, `run`, `program`, `plan`, `date`, if there are, and
        `time`, if it holds dates with times as ISO 8601 writes them.
    plan : DataFrame, optional
        The targets that were planned: what it has twice may be touched twice.
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
    return [found] if found else _twice(touches, plan)


def _twice(touches: pd.DataFrame, plan: pd.DataFrame | None) -> list[Finding]:
    """A look where most places were touched in a first half and again in a second: of two runs, perhaps."""
    place, done = _places(touches), np.isfinite(array(touches, MEASURED)).all(axis=1)
    rows = np.flatnonzero(done & np.isfinite(place).all(axis=1))
    if not len(rows):
        return []
    seconds = seconds_of(touches)
    when = np.arange(len(touches), dtype=float) if seconds is None or not np.isfinite(seconds).all() else seconds
    rows = rows[np.argsort(when[rows], kind="stable")]
    group = _grouped(place[rows])
    _, first, count = np.unique(group, return_index=True, return_counts=True)
    last = len(rows) - 1 - np.unique(group[::-1], return_index=True)[1]
    early, late = rows[first[count > 1]], rows[last[count > 1]]
    if len(early) < max(_FEWEST, _MOST * len(count)):
        return []
    middle = np.median(when[np.concatenate([early, late])])
    if np.mean((when[early] <= middle) & (when[late] > middle)) < _HALVES or _planned_twice(place[early], plan):
        return []
    moved = array(touches, MEASURED)[late] - array(touches, MEASURED)[early]
    along = np.einsum("ij,ij->i", moved, place[early, 3:6])
    ids = touches["touch"].to_numpy(dtype=object)
    return [
        Finding(
            "look",
            f"{len(early)} of {len(count)} places were touched in one half of the time and again in the other",
            found=f"along their normals the later touches lie {np.median(along):+z.4f} mm from the earlier ones at the "
            f"median, {along[np.abs(along).argmax()]:+z.4f} mm at most",
            expected="each place once, but for some references that are touched again",
            cause="two runs in one file: one before and one after a cut, or that of another day or part appended",
            todo="Take the rows of the other run out; if these touches belong together, accept it with a reason",
            touches=tuple(ids[late].tolist()),
            name=_NAME,
        )
    ]


def _places(table: pd.DataFrame) -> np.ndarray:
    """(n, 6 + k) target, its normal, and the angles of its pose, if the table tells them."""
    pose = [name for name in table if str(name).startswith("angle_")]
    return np.hstack([array(table, TARGET), array(table, NORMAL), np.nan_to_num(array(table, pose))])


def _scaled(place: np.ndarray) -> np.ndarray:
    """Places with directions as lengths: those further apart than `_SAME` are not one."""
    return place * np.r_[np.ones(3), np.full(place.shape[1] - 3, _TURNED)]


def _grouped(place: np.ndarray) -> np.ndarray:
    """(n,) number of the place that each is, of several that are one."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    near = cKDTree(_scaled(place)).query_pairs(_SAME, output_type="ndarray")
    links = coo_array((np.ones(len(near)), near.T), shape=(len(place), len(place)))
    return np.asarray(connected_components(links, directed=False)[1])


def _planned_twice(place: np.ndarray, plan: pd.DataFrame | None) -> bool:
    """Whether the plan has most of these places more than once."""
    from scipy.spatial import cKDTree

    if plan is None or not len(plan):
        return False
    planned = cKDTree(array(plan, TARGET))
    return bool(np.mean(planned.query_ball_point(place[:, :3], _SAME, return_length=True) > 1) > _MOST)


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
