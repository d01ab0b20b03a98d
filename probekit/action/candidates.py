"""What could be done about each tolerance that does not conform, and what each would give."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..fit.motion import jacobian, typical_arm
from ..tolerance.propagation import judged_scatter
from .noise import MATERIAL, SURE, offset_of
from .promise import CUTTER, Promise, again_promise, promise

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict

__all__ = ["candidates"]

_WEAK = 0.05  # a move that changes deviations by less than this part of the strongest one is none


def candidates(verdict: Verdict, scatter: Scatter, proved: np.ndarray, cutter: float = CUTTER) -> pd.DataFrame:
    """Nothing, work offset, tool offset, re-cut, touch again, concession: each with its promise.

    Parameters
    ----------
    verdict : Verdict
    scatter : Scatter
        Of its table.
    proved : (n,) bool
        Touches beyond their limits by more than noise makes.
    cutter : float
        Scatter of what a cutter leaves, standard deviation [mm].

    Returns
    -------
    DataFrame
        `tolerance, candidate, how`, `predicted` actual value, its bounds `low` and `high` [mm], `p_conform` and `word`.
        Of a tolerance that conforms, nothing. Offsets are there if they are more than noise makes, and material.
    """
    import pandas as pd

    rows = []
    level = 0.95 if verdict.rule.level is None else verdict.rule.level
    words = verdict.table["verdict"].to_numpy(dtype=object)
    open_ = (words == "undecided") & (verdict.table["doubt"].to_numpy(dtype=object) == "")
    for one, word in zip(verdict.evaluations, verdict.tolerances["word"], strict=True):
        if not one.from_nominal or word == "conforms":
            continue
        off, everywhere = one.deviations - one.middles, np.ones(one.touches, dtype=bool)
        now = promise(one, scatter, off, level=level)
        rows.append((one.name, "nothing", "", now))
        said, explained = _move(one, verdict.table, scatter, off)
        if said:
            then = promise(one, scatter, off - explained, everywhere, cutter=cutter, level=level)
            rows.append((one.name, "work offset", said, then))
        offset, _, significant = offset_of(one, verdict, scatter, None)
        if significant and abs(offset) >= MATERIAL * one.width:
            then = promise(one, scatter, off - offset, everywhere, cutter=cutter, level=level)
            whom = "this part" if offset > 0 else "the next part"
            rows.append((one.name, "tool offset", f"{-offset:+.3f} mm of radius or length, {whom}", then))
        high = proved[one.rows] & (off > 0)
        if high.any():
            then = promise(one, scatter, np.where(high, 0.0, off), high, cutter=cutter, level=level)
            rows.append((one.name, "re-cut here", f"{int(high.sum())} touches, up to {off[high].max():.3f} mm", then))
        again = one.rows[open_[one.rows]]
        if len(again):
            then = again_promise(one, scatter, again, level)
            rows.append(
                (
                    one.name,
                    "touch again",
                    f"{len(again)} touch{'es' * (len(again) != 1)}, 4 times" + (" each" if len(again) > 1 else ""),
                    then,
                )
            )
        if np.isfinite(now.high):
            granted = Promise(now.predicted, now.low, now.high, level, "conforms")
            rows.append((one.name, "concession", f"a zone of {now.high:.3f} mm", granted))
    names = ["tolerance", "candidate", "how", "predicted", "low", "high", "p_conform", "word"]
    return pd.DataFrame([(*said, p.predicted, p.low, p.high, p.p_conform, p.word) for *said, p in rows], columns=names)


def _move(one: Evaluation, table: pd.DataFrame, scatter: Scatter, off: np.ndarray) -> tuple[str, np.ndarray]:
    """Work offset that would bring the faces of a tolerance to the middle of their zone, in words, and what it takes
    off each deviation; no words if noise or form makes as much, or it does not matter.

    Of the directions u that touches feel, the scores a = u' d are compared with what is stated of the touches (chi
    square) and with how the rest scatters (F): both have to rule noise out.
    """
    from scipy.special import chdtri, fdtri

    chosen = table.iloc[one.rows]
    points = array(chosen, CONTACT)
    centre = points.mean(axis=0)
    length = typical_arm(points, centre)
    slope = jacobian(np.zeros(6), points, array(chosen, FOOT_NORMAL), centre)
    slope[:, 3:] /= length
    across, size, along = np.linalg.svd(slope, full_matrices=False)
    held = size > _WEAK * size[0]
    across, size, along = across[:, held], size[held], along[held]
    score, rank = across.T @ off, int(held.sum())
    explained = across @ score
    left = len(off) - rank
    if left < 3 or one.free or np.abs(explained).max() < MATERIAL * one.width:
        return "", explained
    rest = float(np.sum((off - explained) ** 2)) / left
    if float(score @ score) <= rank * rest * float(fdtri(rank, left, SURE)):
        return "", explained
    stated = judged_scatter(one, scatter).covariance(across.T)
    if stated.any() and score @ np.linalg.pinv(stated, hermitian=True) @ score <= chdtri(rank, 1.0 - SURE):
        return "", explained
    motion = -along.T @ (score / size)
    shift, turn = motion[:3], np.degrees(motion[3:] / length)
    return (
        f"by ({shift[0]:+.3f}, {shift[1]:+.3f}, {shift[2]:+.3f}) mm, turned by ({turn[0]:+.4f}, {turn[1]:+.4f}, "
        f"{turn[2]:+.4f}) deg about ({centre[0]:.1f}, {centre[1]:.1f}, {centre[2]:.1f}), in the part frame"
    ), explained
