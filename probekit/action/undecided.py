"""What is undecided, in doubt or missed: what would decide it, by where its uncertainty is from.

The alignment or the datum frame makes part of it, feature by feature: with the gain G of its touches and what these
scatter by, each touch that is judged takes the sum of (J G_i s_i)^2 from the touches i of a feature. Where that is most
of u^2, to touch again what is undecided is no use; so many more touches on the datum feature are as would bring u to
the distance from the limit, if they scatter as those do. Where these scatter far more than is stated, no number is
told: they lie otherwise to one another than the model has them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import chdtri, ndtri

from ..fit.few import student
from .noise import SURE

if TYPE_CHECKING:
    from ..tolerance import Evaluation
    from ..tolerance.propagation import Carried
    from ..verdict.results import Verdict

__all__ = ["on_doubt", "touches_named"]

_MOST = 0.5  # of u^2: more than this from the frame, and touching again does not decide
_LIKELY = 1.0  # standard uncertainties that the deviation may move by when the datum is touched anew
_TOO_MANY = 10.0  # times as many touches: nobody makes them
_AGAIN = "Touch there again, with more touches or a smaller uncertainty."


class _Frame(NamedTuple):
    """What a frame adds: its share of u^2; the feature that most is from, its touches, what they scatter by, what is
    stated of them [mm], whether chance does not explain that, and how many of them would decide (NaN if none would).
    """

    share: float
    feature: str
    touches: int
    scatter: float
    stated: float
    refuted: bool
    wanted: float


def on_doubt(verdict: Verdict) -> list[str]:
    """Sentences on what is undecided, in doubt or missed, with what would decide it."""
    said, table = _as_wholes(verdict), verdict.table
    open_, doubtful = table["verdict"] == "undecided", table["doubt"] != ""
    undecided = table.loc[open_ & ~doubtful, "touch"].tolist()
    doubted = table.loc[open_ & doubtful, "touch"].tolist()
    missed = table.loc[table["verdict"] == "missed", "touch"].tolist()
    if undecided:
        frames = [
            _frame(one, np.isin(one.rows, np.flatnonzero(open_ & ~doubtful)), verdict)
            for one in verdict.evaluations
            if one.judges_touches
        ]
        worst = max((one for one in frames if one is not None), key=lambda one: one.share, default=None)
        then = _AGAIN if worst is None or worst.share < _MOST else _words(worst, "touching there again")
        said.append(f"Undecided: {touches_named(undecided)}, too near a limit to decide with this uncertainty. {then}")
    if doubted:
        why = "; ".join(dict.fromkeys(table.loc[open_ & doubtful, "doubt"]))
        said.append(
            f"In doubt: {touches_named(doubted)}: {why}. Resolve that first: until then the deviation proves nothing."
        )
    if missed:
        said.append(
            f"Missed: {touches_named(missed)}. Find out why there was no trigger (wrong place, too little overtravel, "
            "material far off) before anything else moves there, then touch again."
        )
    return said


def _as_wholes(verdict: Verdict) -> list[str]:
    """Of tolerances that are judged as a whole, and are undecided by their numbers alone."""
    said = []
    for one, row in verdict.pairs:
        if getattr(one, "judges_touches", True) or row.word != "undecided" or not np.isfinite(row.high):
            continue
        if not row.low <= one.width < row.high:
            continue
        found = _frame(one, np.ones(1, dtype=bool), verdict)
        named = ", ".join(one.features)
        then = f"More touches on {named} would narrow that."
        if found is not None and found.share >= _MOST:
            then = _words(found, f"more touches on {named}")
        said.append(
            f"Undecided: {one.name}, {one.actual:.3f} mm of {one.width:.3f} mm, which may truly be {row.low:.3f} to "
            f"{row.high:.3f} mm. {then}"
        )
    return said


def _frame(one: Evaluation, chosen: np.ndarray, verdict: Verdict) -> _Frame | None:
    """What the frame adds to the worst of some touches (or to the whole); None if nothing is known of it."""
    carried, table = one.carried, verdict.table
    if carried is None or carried.gain is None or not chosen.any() or not np.isfinite(carried.covariance).all():
        return None
    level = 0.95 if verdict.rule.level is None else verdict.rule.level
    own, name = table["u"].to_numpy(dtype=float), table["feature"].astype(str).to_numpy()[carried.used]
    rows = np.flatnonzero(chosen)
    made = ((carried.rows[rows] @ carried.gain) * carried.spread) ** 2
    if one.judges_touches:
        square = own[one.rows][rows] ** 2
        room = np.minimum(one.uppers - one.deviations, one.deviations - one.lowers)[rows]
    else:
        square = np.array([float(np.sum((one.gradient * own[one.rows]) ** 2)) if one.gradient is not None else 0.0])
        room = np.array([one.width - one.actual])
    at = int((made.sum(axis=1) + square).argmax())
    whole = float(made[at].sum() + square[at])
    if not whole > 0:
        return None
    by = {one: float(made[at, name == one].sum()) for one in dict.fromkeys(name.tolist())}
    most = max(by, key=lambda one: by[one])
    mine, needed = name == most, (float(room[at]) / (float(ndtri(level)) + _LIKELY)) ** 2 - (whole - by[most])
    seen, stated = (float(np.sqrt(np.mean(v[mine] ** 2))) for v in (carried.spread, own[carried.used]))
    refuted = stated > 0 and _is_refuted(carried, mine, seen / stated)
    anew = by[most] * (min(stated / seen, 1.0) ** 2 if 0 < stated and not refuted else 1.0)  # without Student's factor
    wanted = anew / needed * int(mine.sum()) if needed > 0 and room[at] > 0 else np.nan
    return _Frame(float(made[at].sum()) / whole, most, int(mine.sum()), seen, stated, refuted, wanted)


def _is_refuted(carried: Carried, mine: np.ndarray, times: float) -> bool:
    """Whether datum touches scatter by so many times what is stated, Student's factor in it, by more than chance."""
    alike = len(carried.used) if np.ptp(carried.spread) < 1e-9 else int(mine.sum())  # a fit has one scatter for all
    freedoms = max(alike - np.linalg.matrix_rank(carried.gain[:, mine], tol=1e-9), 1)
    return bool((times / student(freedoms)) ** 2 * freedoms > chdtri(freedoms, 1.0 - SURE))


def _words(found: _Frame, instead: str) -> str:
    text = (
        f"{100 * found.share:z.0f} % of u² is that of the alignment or datum frame, most of it by the {found.touches} "
        f"touches on {found.feature}, so {instead} does not decide it. "
    )
    if found.refuted:
        return text + (
            f"The datum touches are taken to scatter by {found.scatter:.4f} mm, for they lie as far off, where "
            f"{found.stated:.4f} mm is stated of them: the datum features lie otherwise to one another than on the "
            "model, or are not true to form. More touches do not mend that; a datum frame in the order of the drawing "
            "does not mix them."
        )
    wanted = max(found.wanted, found.touches + 1)
    if wanted <= _TOO_MANY * found.touches:
        return text + (
            f"About {int(np.ceil(wanted))} touches on {found.feature} in place of {found.touches}, spread as far "
            "as it goes, would probably decide it, if they scatter as these do and it then lies as near to the limit."
        )
    return text + f"More touches on {found.feature}, further apart, would narrow it, and a smaller uncertainty."


def touches_named(ids: tuple | list, most: int = 8) -> str:
    """Touches by their numbers, the first of many."""
    shown = ", ".join(str(i) for i in ids[:most]) + (f" and {len(ids) - most} more" if len(ids) > most else "")
    return f"touch {shown}" if len(ids) == 1 else f"touches {shown}"
