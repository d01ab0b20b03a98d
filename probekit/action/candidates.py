"""What could be done about each tolerance that does not conform, and what each would give."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..tolerance.propagation import judged_scatter
from ..tolerance.unjudged import Unjudged
from .jointly import both, is_more_than_noise, motions_of, spoilt
from .noise import MATERIAL, offset_of
from .promise import CUTTER, Promise, again_promise, lasting, promise

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict
    from .cutters import ToolOffset

__all__ = ["GRANTED", "candidates", "promises"]

GRANTED = "if granted"  # word of a concession: the part stays as it is

_BETTER = 0.01  # of the chance to conform, below which it is no better
_NARROWER = 0.9  # part of the interval that is left at most where touching again is of use
_THEN = {
    "conforms": "it would conform",
    "does not conform": "it would not conform",
    "undecided": "it would stay undecided",
}
_NEXT = "the next part"
_NO_CURE = ("nothing", "touch again", "concession")
_GAPS = (
    " That is for the touched places: there is area next to the cut that no touch tells of, and what is left there may "
    "stay and be beyond the limits. Touch there before the cut, or touch other places after it."
)
_INSTEAD = " Instead of the other corrections, not beside them."

_Offer = tuple[str, str, Promise]


def candidates(
    verdict: Verdict,
    scatter: Scatter,
    proved: np.ndarray,
    cutter: float | np.ndarray = CUTTER,
    tools: Sequence[ToolOffset] = (),
) -> pd.DataFrame:
    """Nothing, work offset, tool offset, both, re-cut, touch again, concession: each with its promise.

    Parameters
    ----------
    verdict : Verdict
    scatter : Scatter
        Of its table.
    proved : (n,) bool
        Touches that a re-cut would take along, and that a cutter reaches.
    cutter : float or (n,) float
        Scatter of what a cutter leaves at each touch, standard deviation [mm].
    tools : sequence of ToolOffset
        What the entry of each tool would be changed by; of faces that no tool is named for, one offset of all.

    Returns
    -------
    DataFrame
        `tolerance, candidate, how`, `predicted` actual value, its bounds `low` and `high`, `width` [mm], `p_conform`
        and `word`. Of a tolerance that conforms, nothing. Offsets are there if they are more than noise makes, and
        material; none is there that its own prediction shows to be in vain.
    """
    import pandas as pd

    rows = []
    level = 0.95 if verdict.rule.level is None else verdict.rule.level
    words = verdict.table["verdict"].to_numpy(dtype=object)
    open_ = (words == "undecided") & (verdict.table["doubt"].to_numpy(dtype=object) == "")
    leaves = np.broadcast_to(cutter, len(words))
    judged = [(one, row.word) for one, row in verdict.pairs if not isinstance(one, Unjudged)]
    for at, (one, word) in enumerate(judged):
        if not one.from_nominal or word == "conforms":
            continue
        off = one.deviations - one.middles
        now = promise(one, scatter, off, level=level)
        offered = [
            *_moved(at, verdict, scatter, leaves[one.rows], level),
            *_by_tools(at, verdict, scatter, leaves[one.rows], tools, level),
        ]
        offered += _jointly(at, verdict, scatter, leaves[one.rows], tools, level, offered)
        offered += [
            *_recut(one, scatter, proved[one.rows], leaves[one.rows], level),
        ]
        made = [("nothing", "", now), *(offer for offer in offered if _is_better(offer[2], now, one))]
        again = one.rows[open_[one.rows]]
        if len(again):
            then = again_promise(one, scatter, again, level)
            many = f"{len(again)} touch{'es' * (len(again) != 1)}, 4 times" + (" each" if len(again) > 1 else "")
            made += [("touch again", many, then)] if _is_surer(then, now) else []
        if np.isfinite(now.high):
            granted = Promise(now.predicted, now.low, now.high, level, GRANTED)
            made.append(("concession", f"a zone of {now.high:.3f} mm", granted))
        rows += [
            (one.name, what, how, p.predicted, p.low, p.high, one.width, p.p_conform, p.word) for what, how, p in made
        ]
    names = ["tolerance", "candidate", "how", "predicted", "low", "high", "width", "p_conform", "word"]
    return pd.DataFrame(rows, columns=names)


def promises(offered: pd.DataFrame, level: float = 0.95, *, gaps: bool = False) -> tuple[str, ...]:
    """The rows of `candidates` as sentences: value, bounds and chance of each.

    `gaps`: whether there is area next to what is cut which no touch tells of.
    """
    said = []
    cures = offered["tolerance"][~offered["candidate"].isin(_NO_CURE)].value_counts()
    for row in offered.itertuples():
        how = f" ({row.how})" if row.how else ""
        between = f"between {row.low:.3f} and {row.high:.3f} mm at {100 * level:g} % each way"
        if row.word == GRANTED:
            said.append(
                f"{row.tolerance}, concession{how}: nothing is cut. The part is {between}, so that a zone as wide as "
                "the upper bound, if it is granted, contains it with that confidence. It does not make the part "
                "conform."
            )
        elif row.candidate == "nothing":
            said.append(
                f"{row.tolerance}, as it is: {row.predicted:.3f} mm of {row.width:.3f} mm, {between}; chance to "
                f"conform {_chance(row.p_conform)}."
            )
        else:
            then = _THEN[row.word].replace("it", _NEXT, 1) if _NEXT in row.how else _THEN[row.word]
            said.append(
                f"{row.tolerance}, {row.candidate}{how}: {row.predicted:.3f} mm of {row.width:.3f} mm expected, "
                f"{between}; chance to conform {_chance(row.p_conform)}: {then}."
                + (_GAPS if gaps and row.candidate == "re-cut here" else "")
                + (_INSTEAD if row.candidate not in _NO_CURE and cures[row.tolerance] > 1 else "")
            )
    return tuple(said)


def _chance(p: float) -> str:
    """A chance that is never said to be none or certain."""
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:z.0f} %"


def _is_better(then: Promise, now: Promise, one: Evaluation) -> bool:
    """Whether a correction is worth its trouble by its own prediction."""
    better = then.p_conform > now.p_conform + _BETTER or then.predicted < now.predicted - MATERIAL * one.width
    return then.word != "does not conform" and better


def _is_surer(then: Promise, now: Promise) -> bool:
    """Whether touching again narrows the interval: it does not help against what the touches share."""
    if now.word == then.word == "does not conform":
        return False
    return then.word != now.word or then.high - then.low < _NARROWER * (now.high - now.low) or not np.isfinite(now.high)


def _moved(at: int, verdict: Verdict, scatter: Scatter, leaves: np.ndarray, level: float) -> list[_Offer]:
    one = verdict.evaluations[at]
    off, everywhere = one.deviations - one.middles, np.ones(one.touches, dtype=bool)
    said, explained, rank = _move(at, verdict, scatter, off)
    if not said:
        return []
    whom = _whom_of(one, off, off - explained)
    return [("work offset", f"{said}, {whom}", _anew(one, scatter, off - explained, everywhere, leaves, level, rank))]


def _by_tools(
    at: int, verdict: Verdict, scatter: Scatter, leaves: np.ndarray, tools: Sequence[ToolOffset], level: float
) -> list[_Offer]:
    """A change of entry of each tool by itself, and of all together; of all faces alike where none is named."""
    one = verdict.evaluations[at]
    off = one.deviations - one.middles
    if not any(tool.slopes[at].any() for tool in tools):
        offset, _, significant = offset_of(one, verdict, scatter, None)
        if not significant or abs(offset) < MATERIAL * one.width:
            return []
        then = _anew(one, scatter, off - offset, np.ones(one.touches, dtype=bool), leaves, level, 1)
        return [("tool offset", f"{-offset:+z.3f} mm of radius or length, {_whom(offset)}", then)]
    found, wanted = [], [tool for tool in tools if tool.helps(at, one.width)]
    for group in [[tool] for tool in wanted] + ([wanted] if len(wanted) > 1 else []):
        after = off - sum(tool.value * tool.slopes[at] for tool in group)
        cut = np.any([tool.slopes[at] != 0 for tool in group], axis=0)
        how = "; ".join(f"{-t.value:+z.3f} mm, {t.entry} of {t.named}, {_whom(t.value)}" for t in group)
        found.append(("tool offset", how, _anew(one, scatter, after, cut, leaves, level, len(group))))
    return found


def _jointly(
    at: int,
    verdict: Verdict,
    scatter: Scatter,
    leaves: np.ndarray,
    tools: Sequence[ToolOffset],
    level: float,
    singly: Sequence[_Offer],
) -> list[_Offer]:
    """Work offset and tool offset in one, where that is better than each by itself."""
    one = verdict.evaluations[at]
    found = both(at, one, verdict.table, scatter, tools)
    if found is None:
        return []
    off, everywhere = one.deviations - one.middles, np.ones(one.touches, dtype=bool)
    then = _anew(one, scatter, off - found.takes, everywhere, leaves, level, found.found)
    if any(not _is_better(then, single, one) for _, _, single in singly):
        return []
    beside = spoilt(at, verdict, found.offset, found.lowered)
    return [("work and tool offset", f"{found.words}{beside}, {_whom_of(one, off, off - found.takes)}", then)]


def _whom(offset: float) -> str:
    return "this part" if offset > 0 else _NEXT


def _whom_of(one: Evaluation, now: np.ndarray, after: np.ndarray) -> str:
    """Whom a change helps that adds material here and takes it off there: cutting this part again adds none."""
    here = one.value_of(np.minimum(now, after))
    return "this part" if here <= one.value_of(after) + MATERIAL * one.width else _NEXT


def _anew(
    one: Evaluation, scatter: Scatter, off: np.ndarray, cut: np.ndarray, leaves: np.ndarray, level: float, found: int
) -> Promise:
    """The promise of the same cut made anew, `off` left over by a correction of so many parameters."""
    again, leaves = lasting(one, scatter, off, cut, leaves, found)
    return promise(one, scatter, again, cut, cutter=leaves, level=level)


def _recut(one: Evaluation, scatter: Scatter, proved: np.ndarray, leaves: np.ndarray, level: float) -> list[_Offer]:
    off = one.deviations - one.middles
    high = proved & (off > 0)
    if not high.any():
        return []
    then = promise(one, scatter, np.where(high, 0.0, off), high, cutter=leaves, level=level)
    return [("re-cut here", f"{int(high.sum())} touches, up to {off[high].max():.3f} mm", then)]


def _move(at: int, verdict: Verdict, scatter: Scatter, off: np.ndarray) -> tuple[str, np.ndarray, int]:
    """Work offset that would bring the faces of a tolerance to the middle of their zone, in words, what it takes off
    each deviation, and of how many parameters; no words if noise or form makes as much, or it does not matter.
    """
    one = verdict.evaluations[at]
    moves = motions_of(one, verdict.table)
    across, rank = moves.across, len(moves.size)
    score = across.T @ off
    explained, left = across @ score, len(off) - rank
    if left < 3 or one.free or np.abs(explained).max() < MATERIAL * one.width:
        return "", explained, rank
    rest = float(np.sum((off - explained) ** 2)) / left
    stated = judged_scatter(one, scatter).covariance(across.T)
    more = is_more_than_noise(score, np.eye(rank), stated, rest, left)
    said = moves.words(score) + spoilt(at, verdict, moves.offset(score)) if more else ""
    return said, explained, rank
