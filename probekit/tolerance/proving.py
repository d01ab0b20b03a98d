"""What proves the actual value of a zone or an envelope that its touches place: those in contact, with multipliers.

A zone is as narrow as can be if the touches in contact with it hold it: weights w >= 0 of sum 1 exist with which their
signed slopes cancel, sum w_i s_i g_i = 0, where s_i is the side and g_i the change of the deviation with each motion
that is free. Then no small motion lowers the largest of them (Fletcher, Practical Methods of Optimization, 1987,
ch. 14; from memory). Whoever has the touches, the slopes and the weights can check it by adding up; the proof is local.

An envelope is held in the same way, by touches on one side of it: with the unit normals n_i from a centre the sum
w_i n_i is zero, and where the direction is free the sum w_i h_i n_i as well, h_i being the height along the axis. No
smaller circle or sphere holds the touches then, however far off (E. Welzl, LNCS 555, 1991; from memory); of all others
this is said of small motions alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..fit import FREEDOMS
from ..fit.datums.twists import velocity_rows
from ..fit.slp import multipliers
from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from .envelopes import Envelope
    from .evaluation import Evaluation

__all__ = ["Proof", "proof_of", "proof_of_alignment", "proof_of_envelope", "proofs_of"]

_BANDS = (1e-12, 1e-9, 1e-7, 2e-6)  # within which touches count as in contact [mm]
_CANCELS = 1e-4  # length of what does not cancel, in slopes of one mm per mm


@shown
@dataclass(frozen=True, eq=False)
class Proof:
    """Touches in contact with a zone or an envelope, and what shows that they fix it.

    Attributes
    ----------
    touches : tuple
        Their ids.
    side : tuple of int
        1 at the upper limit of the zone, or outside the envelope; -1 at the lower one, or inside.
    multiplier : tuple of float
        Not negative, of sum 1.
    slope : (n, k) float
        Change of the deviation of each with each free motion [mm per unit].
    left : float
        Length of the sum of multiplier, side and slope: 0 for a proof without rounding.
    spread : float
        By how much their distances from the middle of the zone differ [mm].
    among : str
        What it is the best of: "small motions"; "small motions, to first order" where the touches leave a motion free
        that changes none of them at first; "all" circles, or spheres, that hold the touches.
    of : str
        "zone", "placement", or what envelope: "maximum inscribed cylinder of bore".
    size : float
        Of an envelope: diameter or width [mm]; NaN for a zone.
    rows : tuple of int
        Positions of the touches among those judged, fitted, or placed.
    """

    touches: tuple[int | str, ...]
    side: tuple[int, ...]
    multiplier: tuple[float, ...]
    slope: np.ndarray
    left: float
    spread: float
    among: str = "small motions"
    of: str = "zone"
    size: float = float("nan")
    rows: tuple[int, ...] = ()

    @property
    def sentence(self) -> str:
        """Which touches hold the zone or the envelope, what that proves, and what is left over."""
        return f"{self.claim} (what is left over: {self.left:.1e})"

    @property
    def claim(self) -> str:
        """Which touches hold the zone or the envelope, and what that proves."""
        held = ", ".join(map(str, self.touches))
        if self.of in ("zone", "placement"):
            better, subject = ("narrower", "held") if self.of == "zone" else ("better", "the placement is held")
        else:
            better, subject = "larger" if self.side[0] < 0 else "smaller", f"the {self.of} is held"
        if self.among == "all":
            proved = f"none that holds the touches is {better}"
        else:
            proved = f"no small motion makes it {better}"
            proved += ", to first order" if self.among != "small motions" else ""
        return f"{subject} by touches {held}: {proved}"


def proof_of(evaluation: Evaluation, table: pd.DataFrame) -> Proof | None:
    """What proves that no small motion makes the zone of an evaluation narrower.

    Parameters
    ----------
    evaluation : Evaluation
    table : DataFrame
        The one that was judged, for the ids of its touches.

    Returns
    -------
    Proof or None
        None where no zone is placed by its touches (least squares, a zone that is held, an envelope), or nothing within
        2 nm to 2 um of the largest deviation holds it.
    """
    if not evaluation.blocks or not evaluation.judges_touches:
        return None
    lower, upper = evaluation.lower, evaluation.upper
    sides = evaluation.touch_limits
    middle = 0.5 * (lower + upper) if sides is None else sides.mean(axis=1)
    share = 1.0 if sides is None else evaluation.width / np.diff(sides, axis=1)[:, 0]
    off = (share * (evaluation.deviations - middle)) * np.ones(len(evaluation.deviations))
    block = max(evaluation.blocks, key=lambda one: float(np.abs(off[one.touches]).max()))
    if block.rise or not block.slope.shape[1]:
        return None
    slope = np.reshape(share * np.ones(len(off)), (-1, 1))[block.touches] * block.slope
    ids = table["touch"].to_numpy()[evaluation.rows[block.touches]]
    values = np.concatenate([off[block.touches], -off[block.touches]])
    held = _held(values, np.vstack([slope, -slope]))
    if held is None:
        return None
    found = _proof(ids, *held, values)
    return replace(found, rows=tuple(block.touches[list(found.rows)].tolist()))


def proofs_of(evaluation: Evaluation) -> tuple[tuple[Envelope, Proof], ...]:
    """The envelopes that an evaluation rests on, with what proves each; those that nothing holds are left out.

    Parameters
    ----------
    evaluation : Evaluation
    """
    return tuple((one, found) for one in evaluation.envelopes if (found := proof_of_envelope(one)) is not None)


def proof_of_alignment(alignment: Alignment, table: pd.DataFrame) -> Proof | None:
    """What proves that no small motion makes the largest weighted deviation of a placement by minimax smaller.

    Parameters
    ----------
    alignment : Alignment
    table : DataFrame
        Deviations of the touches where they were placed, in the rows that the alignment was fitted to.

    Returns
    -------
    Proof or None
        None for other methods, or where the normals in the table are not those of this placement.
    """
    if alignment.method != "minimax" or not alignment.ruling or max(alignment.used) >= len(table):
        return None
    weighed, on = np.sqrt(alignment.weights), table.iloc[alignment.used]
    slope = velocity_rows(array(on, CONTACT), array(on, FOOT_NORMAL), alignment.pivot, 1.0)
    slope = weighed[:, None] * slope[:, [FREEDOMS.index(name) for name in alignment.free]]
    values = np.concatenate([weighed * alignment.residuals, -weighed * alignment.residuals])
    held = _held(values, np.vstack([slope, -slope]))
    if held is None:
        return None
    return replace(_proof(on["touch"].to_numpy(), *held, values), of="placement")


def proof_of_envelope(one: Envelope) -> Proof | None:
    """What proves that no small motion makes an envelope smaller, or an inscribed one larger; None if nothing does."""
    reach, slope = one.reach()
    sign = 1.0 if one.circumscribed else -1.0
    held = _held(sign * reach, sign * slope)
    if held is None:
        return None
    rows, weight, scaled = held
    among = "all" if not one.element.local else "small motions"
    if among != "all" and np.linalg.matrix_rank(scaled[rows], tol=1e-6) < scaled.shape[1]:
        among += ", to first order"
    found = _proof(np.asarray(one.ids), rows, weight, scaled, sign * reach)
    side = (1 if one.circumscribed else -1,) * len(rows)
    return replace(found, side=side, slope=sign * found.slope, among=among, of=one.named, size=one.size)


def _held(values: np.ndarray, slope: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Rows that hold the largest of values (m,) down, their weights, and all slopes (m, k) in units of their rms."""
    scale = np.sqrt((slope**2).mean(axis=0))
    slope = slope[:, scale > 1e-9] / scale[scale > 1e-9]
    for band in _BANDS:
        rows, weight = multipliers(values, slope, band)
        rows, weight = rows[weight > 1e-9], weight[weight > 1e-9]
        if float(np.linalg.norm(weight @ slope[rows])) < _CANCELS:
            return rows, weight, slope
    return None


def _proof(ids: np.ndarray, rows: np.ndarray, weight: np.ndarray, slope: np.ndarray, values: np.ndarray) -> Proof:
    """Rows from the number of touches on are those of the lower side."""
    order = np.argsort(rows % len(ids), kind="stable")
    rows, weight = rows[order], weight[order]
    touch, side = rows % len(ids), np.where(rows < len(ids), 1, -1)
    return Proof(
        tuple(ids[touch].tolist()),
        tuple(side.tolist()),
        tuple(weight.tolist()),
        slope[touch],
        float(np.linalg.norm(weight @ slope[rows])),
        float(np.ptp(values[rows])),
        rows=tuple(touch.tolist()),
    )
