"""What proves the actual value of a zone that is placed by its touches: those in contact, with their multipliers.

A zone is as narrow as can be if the touches in contact with it hold it: weights w >= 0 of sum 1 exist with which their
signed slopes cancel, sum w_i s_i g_i = 0, where s_i is the side and g_i the change of the deviation with each motion
that is free. Then no small motion lowers the largest of them (Fletcher, Practical Methods of Optimization, 1987,
ch. 14; from memory). Whoever has the touches, the slopes and the weights can check it by adding up; the proof is local.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..fit.slp import multipliers
from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

    from .evaluation import Evaluation

__all__ = ["Proof", "proof_of"]

_BANDS = (1e-12, 1e-9, 1e-7, 2e-6)  # within which touches count as in contact [mm]
_CANCELS = 1e-4  # length of what does not cancel, in slopes of one mm per mm


@shown
@dataclass(frozen=True, eq=False)
class Proof:
    """Touches in contact with a zone, and what shows that they fix it.

    Attributes
    ----------
    touches : tuple
        Their ids.
    side : tuple of int
        1 at the upper limit of the zone, -1 at the lower one.
    multiplier : tuple of float
        Not negative, of sum 1.
    slope : (n, k) float
        Change of the deviation of each with each free motion [mm per unit].
    left : float
        Length of the sum of multiplier, side and slope: 0 for a proof without rounding.
    spread : float
        By how much their distances from the middle of the zone differ [mm].
    """

    touches: tuple[int | str, ...]
    side: tuple[int, ...]
    multiplier: tuple[float, ...]
    slope: np.ndarray
    left: float
    spread: float

    @property
    def sentence(self) -> str:
        """Which touches hold the zone, and how far that is."""
        held = ", ".join(map(str, self.touches))
        return f"held by touches {held}: no small motion makes it narrower (what is left over: {self.left:.1e})"


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
    scale = np.sqrt((slope**2).mean(axis=0))
    slope = slope[:, scale > 1e-9] / scale[scale > 1e-9]
    values = np.concatenate([off[block.touches], -off[block.touches]])
    for band in _BANDS:
        rows, weight = multipliers(values, np.vstack([slope, -slope]), band)
        rows, weight = rows[weight > 1e-9], weight[weight > 1e-9]
        touch, side = rows % len(slope), np.where(rows < len(slope), 1, -1)
        left = float(np.linalg.norm((weight * side) @ slope[touch]))
        if left < _CANCELS:
            ids = table["touch"].to_numpy()[evaluation.rows[block.touches[touch]]]
            return Proof(
                tuple(ids.tolist()),
                tuple(side.tolist()),
                tuple(weight.tolist()),
                slope[touch],
                left,
                float(np.ptp(values[rows])),
            )
    return None
