"""What each datum touch does to the set-up and to the verdict: what both would be without it.

symbol   variable   meaning
r_i, w_i            residual [mm] and weight of touch i in the alignment
a_i      rows       change of its deviation with a small motion of the aligned part: shift of the origin, turn
q_i      motion     what the part moves by if touch i is left out of the alignment

To first order, with the weights as they are (R. D. Cook, Technometrics 19 (1977) 15-18, from memory):

    q_i = (A'WA)^-1 a_i w_i r_i / (1 - h_i),    h_i = w_i a_i'(A'WA)^-1 a_i

A datum frame rests on few touches, and others take over where one goes: it is established anew without each. The
deviations then change by a_j q_i, and are judged again by the same rule. The touch is left out of the alignment only; a
tolerance that covers it still judges it. The covariance is that of the fit without it, too:

    s_i^2 (A'WA - w_i a_i a_i')^-1,    s_i^2 = (sum w r^2 - w_i r_i^2 / (1 - h_i)) / (n - k - 1), at least u^2
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..fit.motion import FREEDOMS
from ..geometry import invert_motion, motion_parameters
from ..show import shown
from ..tolerance.propagation import Carried, motion_covariance, motion_rows
from .classify import judge

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..tolerance import Evaluation
    from .results import Verdict

__all__ = ["Influence", "influence_of"]

_HELD = 1e-6  # 1 - h of a touch without which a motion is not fixed
_SHOWN = 4
_ASKED = 0.5  # of U: what moves the set-up by less is not asked for a verdict, which noise may change as well


@shown
@dataclass(frozen=True, eq=False)
class Influence:
    """What would change without each touch of the alignment.

    Attributes
    ----------
    touches : (n,) object
        Their ids.
    motion : (n, 6) float
        What the aligned part would move by: shift of the origin [mm], turn [rad]; NaN if nothing would fix it then.
    moved : (n,) float
        The largest change of a deviation on the part [mm].
    share_of_U : (n,) float
        The largest share of a parameter's expanded uncertainty; NaN if that is not known.
    changes : tuple
        Per touch, what tolerances would be then, by their numbers: (name, now, then). Of touches that move the set-up
        by more than half of U.
    """

    touches: np.ndarray
    motion: np.ndarray
    moved: np.ndarray
    share_of_U: np.ndarray
    changes: tuple[tuple[tuple[str, str, str], ...], ...]

    @property
    def named(self) -> list[int]:
        """Positions of the touches that change a verdict or move the set-up by more than U, the strongest first."""
        share = np.nan_to_num(self.share_of_U)
        rows = [row for row in range(len(self.touches)) if self.changes[row] or share[row] > 1]
        return sorted(rows, key=lambda row: (-len(self.changes[row]), -share[row]))

    @property
    def sentence(self) -> str:
        """The touches that matter, in one line."""
        rows = self.named
        if not rows:
            return "no datum touch by itself changes a verdict, or moves the set-up by more than U"
        text = "; ".join(self._told(row) for row in rows[:_SHOWN])
        return text + (f"; and {len(rows) - _SHOWN} more touches" if len(rows) > _SHOWN else "")

    def _told(self, row: int) -> str:
        said = [
            f"'{name}' would {_verb(then)} by its numbers (with it: {now})" for name, now, then in self.changes[row]
        ]
        if np.nan_to_num(self.share_of_U[row]) > 1:
            said.append(
                f"the set-up would move by {self.share_of_U[row]:.1f} U, deviations by up to {self.moved[row]:.4f} mm"
            )
        return f"without touch {self.touches[row]} {', '.join(said)}"


def influence_of(verdict: Verdict, alignment: Alignment, without: Mapping[int, Alignment] | None = None) -> Influence:
    """What each touch of an alignment does to the set-up and to the verdict.

    Parameters
    ----------
    verdict : Verdict
        On the aligned table.
    alignment : Alignment
    without : mapping, optional
        Row of the table -> the alignment without it, where it was made anew; touches that do not stand there have no
        influence then. Without it each is linearised.

    Returns
    -------
    Influence
        Tolerances in a datum frame of their own, other than the alignment, are not looked at.
    """
    table, covariance = verdict.table, motion_covariance(alignment)
    used, own = np.asarray(alignment.used), table["u"].to_numpy(dtype=float)
    if without is None:
        motion, then = _linearised(table, alignment, covariance, own)
    else:
        motion, then = np.zeros((len(used), 6)), np.repeat(covariance[None], len(used), axis=0)
        for at, row in enumerate(used.tolist()):
            if row in without:
                shift, turn = motion_parameters(without[row].motion @ invert_motion(alignment.motion))
                motion[at], then[at] = [*shift, *np.radians(turn)], motion_covariance(without[row])
    rows = _rows(table[np.isfinite(table["deviation"].to_numpy(dtype=float))])
    U = verdict.rule.k * np.sqrt(np.diag(covariance))
    share = np.abs(motion) / np.where(U > 0, U, np.nan)
    same = [one for one in verdict.evaluations if one.carried and _same(one.carried.covariance, covariance)]
    before = [judge(_after(one, np.zeros(6), covariance), verdict.rule, own[one.rows]) for one in same]
    changes = []
    for q, scatter, part in zip(motion, then, np.nanmax(share, axis=1, initial=0.0), strict=True):
        told = np.isfinite(q).all() and q.any() and (part > _ASKED or not np.isfinite(U).all())
        after = [judge(_after(one, q, scatter), verdict.rule, own[one.rows]) for one in same] if told else before
        changes.append(
            tuple((one.name, now, then) for one, now, then in zip(same, before, after, strict=True) if now != then)
        )
    return Influence(
        touches=table["touch"].to_numpy(dtype=object)[used],
        motion=motion,
        moved=np.abs(motion @ rows.T).max(axis=1),
        share_of_U=np.max(np.nan_to_num(share), axis=1) if np.isfinite(U).all() else np.full(len(used), np.nan),
        changes=tuple(changes),
    )


def _linearised(
    table: pd.DataFrame, alignment: Alignment, covariance: np.ndarray, own: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(n, 6) motions and (n, 6, 6) covariances by the first-order formulas."""
    used = table.iloc[alignment.used]
    weight, left = np.asarray(alignment.weights, dtype=float), np.asarray(alignment.residuals, dtype=float)
    pivot = np.asarray(alignment.pivot, dtype=float) + alignment.translation
    rows = _rows(used)
    free = np.zeros((6, len(alignment.free)))
    for k, name in enumerate(alignment.free):
        axis = FREEDOMS.index(name)
        free[axis, k] = 1.0
        if axis >= 3:  # a turn about the pivot shifts the origin
            free[:3, k] = np.cross(pivot, np.eye(3)[axis - 3])
    columns = rows @ free
    scale = np.maximum(np.linalg.norm(columns, axis=0), 1e-300)
    inverse = np.linalg.pinv((columns / scale).T @ (weight[:, None] * columns / scale), rcond=1e-9, hermitian=True)
    gain = (free / scale @ inverse @ (columns / scale).T).T  # (n, 6)
    h = weight * np.einsum("ij,ij->i", rows, gain)
    rest = np.where(1.0 - h > _HELD, 1.0 - h, np.nan)
    motion = gain * (weight * left / rest)[:, None]
    freedoms = len(left) - len(alignment.free)
    least = float(np.mean(own[alignment.used] ** 2))
    squares = float(weight @ left**2)
    now = max(squares / max(freedoms, 1), least, 1e-300)
    then = np.maximum((squares - weight * left**2 / rest) / max(freedoms - 1, 1), least)
    looser = np.einsum("ni,nj->nij", gain, gain) * (now * weight / rest)[:, None, None]
    return motion, (then / now)[:, None, None] * (covariance + looser)


def _after(one: Evaluation, motion: np.ndarray, covariance: np.ndarray) -> Evaluation:
    """The evaluation after a small motion of the aligned part, whose place then has this covariance."""
    change, carried = one.carried.rows @ motion, Carried(one.carried.rows, covariance)
    if one.judges_touches:
        return replace(one, deviations=one.deviations + change, carried=carried)
    return replace(one, actual=one.actual + float(change[0]), carried=carried)


def _rows(table: pd.DataFrame) -> np.ndarray:
    """(n, 6) change of each deviation with the shift of the origin and the turn."""
    return motion_rows(array(table, FOOT), array(table, FOOT_NORMAL))


def _same(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether two covariances are those of the same frame."""
    return bool(np.isfinite(other).all() and np.allclose(one, other, rtol=0.02, atol=1e-3 * float(np.abs(other).max())))


def _verb(word: str) -> str:
    return {"conforms": "conform", "does not conform": "not conform"}.get(word, f"be {word}")
