"""Touches that were planned against those that are there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from ..show import shown
from ..touches.planned import reached
from .finding import Finding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Probing", "completeness", "missing", "unplanned", "with_missed", "with_numbers"]

_TARGET, _NORMAL, _MEASURED = ["x0", "y0", "z0"], ["i", "j", "k"], ["x", "y", "z"]
_SAME = 0.02  # a target of the file is a planned one if it is this near: rounding to two decimals, and more [mm]
_RUN = 3  # numbers left out within a feature that are no oversight; common practice, no source
_MOST = 0.5  # share of the file's targets that must be planned ones, or it is the results of another plan


@shown
@dataclass(frozen=True)
class Probing:
    """The probing moves that a program made.

    Attributes
    ----------
    standoff, overtravel : float
        From where before contact, and how far beyond [mm].
    source : str
        Where that is known from.
    """

    standoff: float
    overtravel: float
    source: str

    @property
    def sentence(self) -> str:
        """Both lengths and their source."""
        return f"standoff {self.standoff:g} mm, overtravel {self.overtravel:g} mm ({self.source})"


def missing(touches: pd.DataFrame, plan: pd.DataFrame) -> tuple[np.ndarray, float]:
    """Planned touches that a results table does not have.

    Parameters
    ----------
    touches : DataFrame
        Results; a row is the planned touch whose target it has, or, without a target, whose id it has.
    plan : DataFrame
        With touch, x0, y0, z0; with `reachable` if reach was looked at: no program goes where the probe does not reach.

    Returns
    -------
    rows : (m,) int
        Rows of the plan that no row of the results is, though the program went there.
    share : float
        Share of the results that are planned touches.
    """
    return _missing(_rows_of(touches, plan), plan)


def _missing(made: np.ndarray, plan: pd.DataFrame) -> tuple[np.ndarray, float]:
    """As `missing`; `made`: what `_rows_of` found."""
    open_ = np.ones(len(plan), dtype=bool)
    open_[made[made >= 0]] = False
    return np.flatnonzero(open_ & reached(plan)), int((made >= 0).sum()) / max(len(made), 1)


def _rows_of(touches: pd.DataFrame, plan: pd.DataFrame) -> np.ndarray:
    """(n,) row of the plan that each touch is, by its target or, without one, by its number; -1 if none."""
    from scipy.spatial import cKDTree

    at, aimed = plan[_TARGET].to_numpy(dtype=float), touches[_TARGET].to_numpy(dtype=float)
    open_, made = np.ones(len(plan), dtype=bool), np.full(len(touches), -1)
    tree, ids = cKDTree(at), {str(one): row for row, one in enumerate(plan["touch"])}
    own = touches["touch"].map(str).to_numpy()
    for k, (name, point) in enumerate(zip(own, aimed, strict=True)):
        if np.isfinite(point).all():
            near = [row for row in tree.query_ball_point(point, _SAME) if open_[row]]
            near.sort(key=partial(_order, ids.get(name)))  # of several at one place that with the same number
            row = near[0] if near else None
        else:
            row = ids.get(name) if open_[ids.get(name, 0)] else None
        if row is not None:
            open_[row], made[k] = False, row
    return made


def _order(wanted: int | None, row: int) -> tuple[bool, int]:
    return row != wanted, row


def with_missed(touches: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """The results with a row for every planned touch that they lack, missed, with that as its reason.

    Parameters
    ----------
    touches : DataFrame
        Results. Those of another plan (less than half of their targets are planned) come back unchanged.
    plan : DataFrame
        With touch, feature, x0, y0, z0, i, j, k.

    Returns
    -------
    DataFrame
        The index is numbered anew if rows were added.
    """
    import pandas as pd

    rows, share = missing(touches, plan)
    if share < _MOST or not len(rows):
        return touches
    lost = plan.iloc[rows]
    taken, whole = set(touches["touch"].map(str)), pd.api.types.is_integer_dtype(touches["touch"])
    ids: list[object] = []
    for one in lost["touch"]:
        name = one if str(one) not in taken else f"{one} of the plan"
        if whole and isinstance(name, str):
            name = max(int(touches["touch"].max()), *(i for i in ids if isinstance(i, int)), 0) + 1
        ids.append(int(name) if whole else str(name))
        taken.add(str(name))
    rows_added: dict[str, object] = {"touch": ids, "feature": lost["feature"].to_numpy()}
    rows_added |= {name: lost[name].to_numpy(dtype=float) for name in (*_TARGET, *_NORMAL)}
    rows_added["reason"] = [f"planned touch {one}, not in the results" for one in lost["touch"]]
    if "face" in touches and "face" in lost:
        rows_added["face"] = lost["face"].to_numpy()
    out = touches if "reason" in touches else touches.assign(reason="")
    for name in out.columns.difference(list(rows_added)):
        if out[name].dtype.kind == "b":
            out = out.assign(**{name: out[name].map(str)})
        rows_added[name] = np.nan if out[name].dtype.kind in "fiu" else ""
    added = pd.DataFrame(rows_added, index=range(len(lost)))[list(out.columns)]
    bare = out.set_axis(out.columns, axis=1)
    bare.attrs = {}
    out = pd.concat([bare, added], ignore_index=True)
    out.attrs = dict(touches.attrs)
    return out


def with_numbers(touches: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """The results with a column `planned`, the number that the plan has for each place, if any of theirs is another's.

    Parameters
    ----------
    touches : DataFrame
        Results.
    plan : DataFrame
        With touch, x0, y0, z0.
    """
    made = _rows_of(touches, plan)
    if "planned" in touches or not _misnumbered(touches, plan, made).any():
        return touches
    ids = plan["touch"].to_numpy(dtype=object)
    out = touches.assign(planned=[str(ids[row]) if row >= 0 else "" for row in made])
    out.attrs = dict(touches.attrs)
    return out


def _misnumbered(touches: pd.DataFrame, plan: pd.DataFrame, made: np.ndarray) -> np.ndarray:
    """(n,) whether a touch has a number that is another's in the plan; `made`: what `_rows_of` found."""
    ids, own = plan["touch"].map(str).to_numpy(dtype=object), touches["touch"].map(str).to_numpy(dtype=object)
    return (made >= 0) & (ids[made] != own) & np.isin(own, ids)


def _numbers(touches: pd.DataFrame, plan: pd.DataFrame, made: np.ndarray) -> list[Finding]:
    """A look where numbers of touches are those of other places in the plan; `made`: what `_rows_of` found."""
    rows = np.flatnonzero(_misnumbered(touches, plan, made))
    if not len(rows):
        return []
    ids, own = plan["touch"].to_numpy(dtype=object), touches["touch"].to_numpy(dtype=object)
    return [
        Finding(
            "look",
            f"{len(rows)} of {len(touches)} touches have numbers that the plan has for other places",
            found=", ".join(f"{own[row]} at the target of {ids[made[row]]}" for row in rows[:5])
            + (f" and {len(rows) - 5} more" if len(rows) > 5 else ""),
            expected="the numbers of the plan; the targets of the rows are taken, and the plan's number stands beside "
            "them in again.csv as `planned`",
            cause="a column that was sorted alone, or a plan that was numbered anew after the run",
            todo="Correct the numbers in the results, or name in [touches] plan the plan that was run",
            touches=tuple(own[rows].tolist()),
            name="another plan",
        )
    ]


def completeness(touches: pd.DataFrame, plan: pd.DataFrame | None) -> list[Finding]:
    """Whether all that was planned is there; without a plan, whether the numbers of the touches have gaps."""
    if plan is None or not len(plan):
        return _gaps(touches)
    made = _rows_of(touches, plan)
    rows, share = _missing(made, plan)
    if share < _MOST:
        return [
            Finding(
                "note",
                "the results belong to another plan than the study's, which therefore cannot show which touches are "
                "missing",
                found=f"{round(share * len(touches))} of {len(touches)} touches were made at its targets",
                name="another plan",
            ),
            *_gaps(touches),
        ]
    found = _numbers(touches, plan, made)
    left_out = plan["touch"].to_numpy(dtype=object)[~reached(plan)]
    if len(left_out):
        found.append(
            Finding(
                "note",
                f"{len(left_out)} of {len(plan)} targets were left out of the program: the probe does not reach them",
                touches=tuple(left_out.tolist()),
                name="missing touches",
            )
        )
    if not len(rows):
        return found
    lost = plan.iloc[rows]
    return [
        *found,
        Finding(
            "look",
            f"{len(rows)} of {len(plan)} planned touches are not in the results; they count as missed",
            found=", ".join(f"{n} on {name or 'no feature'}" for name, n in lost["feature"].value_counts().items()),
            expected="every planned touch, with a reason if it was missed",
            cause="the file was cut or rows were deleted; the program was stopped; or it left them out",
            todo="Touch there again, or take the targets out of the plan",
            touches=tuple(lost["touch"].tolist()),
            name="missing touches",
        ),
    ]


def unplanned(why: str) -> Finding:
    """The finding that the plan of a study cannot be made, so that it cannot show which touches are missing.

    Parameters
    ----------
    why : str
        What went wrong.
    """
    return Finding(
        "look",
        "the plan of the study cannot be made, so it cannot show which touches are missing",
        found=why.rstrip("."),
        todo="Correct [[plan]], or name the file of the plan that was used in [touches] plan",
        name="another plan",
    )


def _gaps(touches: pd.DataFrame) -> list[Finding]:
    ids = touches["touch"]
    if ids.dtype.kind not in "iu" or not len(ids):
        return []
    gaps = sorted(set(range(int(ids.min()), int(ids.max()) + 1)) - set(ids.tolist())) if np.ptp(ids) < 1e6 else []
    if not gaps:
        return []
    lost = _lost_within(touches)
    if not lost:
        return [
            Finding(
                "note",
                "the numbers of the touches have gaps, and there is no plan that says what belongs there",
                found=f"{len(gaps)} numbers are left out",
                touches=tuple(gaps),
                name="missing touches",
            )
        ]
    return [
        Finding(
            "look",
            "touches are missing: the numbers within a feature have gaps, and there is no plan that says what belongs "
            "there",
            found=", ".join(f"{count} numbers left out within {name or 'no feature'}" for name, count in lost.items()),
            expected=f"numbers that follow one another within a feature; fewer than {_RUN} left out are a note",
            cause="the file was cut or rows were deleted; the program was stopped; or it left them out",
            todo="Name the plan in [touches] plan, or touch there again; if the numbers never were used, say so in "
            "[gate] accept",
            touches=tuple(gaps),
            name="missing touches",
        )
    ]


def _lost_within(touches: pd.DataFrame) -> dict[str, int]:
    """Feature -> how many numbers its touches leave out, where that is a run; numbers in tens, say, leave out none."""
    ordered = touches.sort_values("touch")
    ids, names = ordered["touch"].to_numpy(), ordered["feature"].astype(str).to_numpy()
    apart, same = np.diff(ids), names[1:] == names[:-1]
    if not same.any():
        return {}
    steps, count = np.unique(apart[same], return_counts=True)
    step = max(int(steps[count.argmax()]), 1)  # what numbers mostly rise by
    left = np.where(same, np.maximum(apart // step - 1, 0), 0)
    found = {name: int(left[names[1:] == name].sum()) for name in dict.fromkeys(names)}
    return {name: count for name, count in found.items() if count >= _RUN}
