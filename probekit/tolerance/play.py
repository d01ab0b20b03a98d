"""How sure the play of a datum at its material boundary is, and what that does to a tolerance which uses the play.

symbol   variable   meaning (all [mm], but k)
c                   clearance of the envelope of the datum in its boundary
m                   what errors of the touches take of it: m = min over p of max_i (e_i + a_i p)
k        change     change of the actual value when the limits of the play are a unit narrower

A mating envelope is the largest that the touches leave room for, so errors make it smaller more often than larger (a
minimum material envelope the same, on its other side): the play looks smaller than it is, and the actual value larger.
To first order the value is f + k m. It is convex in the limits, so k is found by narrowing them, and

    low    is less by what m gives beside the rest, its mean with it
    high   counts the touches that the envelope rests on, with those that move the frame: m = lambda' e

From the duality of linear programs (A. Charnes, W. W. Cooper, A. Henderson, An Introduction to Linear Programming,
1953; from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..errors import FitError
from ..show import shown
from ..uncertainty.joint import SEED
from ..uncertainty.programs import least_of_largest
from .evaluation import Evaluation

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.frame import DatumFrame
    from ..fit.datums.mobility import Mobility
    from ..uncertainty import Scatter
    from .unjudged import Unjudged

__all__ = ["Play", "narrower", "play_in", "with_play"]

_STEP = 5e-3  # by which limits are narrowed [mm]: far above how exactly a placement settles, about what noise does


@shown
@dataclass(frozen=True, eq=False)
class Play:
    """What a narrower play of one datum does to what is judged, and how its touches narrow it.

    Attributes
    ----------
    change : (m,) float
        Change of each deviation judged (or, m = 1, of the actual value) per unit by which the limits are narrower.
    used : (n,) int
        Positions of the touches of the datum in the table.
    side : float
        1 at MMB, -1 at LMB: the sign of a deviation that narrows the play.
    moved : (n, 6) float
        What each touch takes of the clearance with the shift of the origin [mm] and the turn [rad] of the frame.
    slope : (n, k) float
        The same with the motions that the datum takes.
    weight : (n,) float
        Part that each touch has in the envelope: 0 but for those that it rests on.
    """

    change: np.ndarray
    used: np.ndarray
    side: float
    moved: np.ndarray
    slope: np.ndarray
    weight: np.ndarray

    @classmethod
    def of(cls, one: Mobility, change: np.ndarray) -> Play:
        """Of a datum with play."""
        n = len(one.used)
        slope, near = one.matrix[:n], -one.limits[:n]
        weight = np.zeros(n)
        try:
            ruled = least_of_largest(near[None], slope)
            np.add.at(weight, ruled.rows[0], ruled.weight[0])
        except FitError:  # touches that do not hold it: the nearest one rules
            weight[near.argmax()] = 1.0
        side = 1.0 if one.at == "MMB" else -1.0
        return cls(change, one.used, side, one.rows_about(np.zeros(3))[:n], slope, weight)

    def gain(self, used: np.ndarray, frame: np.ndarray) -> np.ndarray:
        """(a,) what each touch that made the frame, `used` (a,), takes of the clearance; `frame` (6, a) is its gain."""
        own = np.zeros(len(used))
        order = np.argsort(used)
        np.add.at(own, order[np.searchsorted(used, self.used, sorter=order)], self.side * self.weight)
        return own + self.weight @ self.moved @ frame

    def taken(self, errors: np.ndarray, motion: np.ndarray) -> np.ndarray:
        """(t,) what errors (t, n) of its touches and motions (t, 6) of the frame take of the clearance [mm]."""
        drawn = self.side * errors + motion @ self.moved.T
        try:
            return least_of_largest(drawn, self.slope).value
        except FitError:
            return drawn.max(axis=1)


def narrower(
    frames: Mapping[tuple[str, ...], tuple[DatumFrame | None, pd.DataFrame]], letter: str
) -> tuple[dict[tuple[str, ...], tuple[DatumFrame | None, pd.DataFrame]], float]:
    """Frames with less play of one datum, by how much [mm]; negative: more, where there is too little to take off."""
    clear = [
        one.clearance
        for frame, _ in frames.values()
        if frame is not None
        for one in frame.mobility
        if one.datum == letter and one.clearance >= 0
    ]
    step = _STEP if min(clear, default=0.0) >= _STEP else -_STEP
    made = {
        key: (frame if frame is None else replace(frame, freedom=frame.freedom.less_play(letter, step)), table)
        for key, (frame, table) in frames.items()
    }
    return made, step


def with_play(one: Evaluation, again: Evaluation | Unjudged, frame: DatumFrame, letter: str, step: float) -> Evaluation:
    """The evaluation with what the play of a datum does to it, from one made `again` with narrower limits."""
    carried, (mobility,) = one.carried, [play for play in frame.mobility if play.datum == letter]
    if carried is None or carried.gain is None:
        return one
    if not isinstance(again, Evaluation):  # what a narrower play does is not known
        return replace(one, carried=replace(carried, gain=None, covariance=np.full((6, 6), np.nan)))
    value = abs((again.actual - again.width) - (one.actual - one.width)) / abs(step)
    if one.judges_touches:  # each as far from the middle of its zone; twice the largest is the actual value
        share = one.width / (one.uppers - one.lowers)
        change = value / 2 / share * np.where(one.deviations < one.middles, -1.0, 1.0)
    else:  # without a gradient the bounds are those of twice the worst touch
        change = np.array([value]) if one.gradient is not None else np.full(len(carried.rows), value / 2)
    if value < 1e-6:
        return one
    return replace(one, carried=replace(carried, play=(*carried.play, Play.of(mobility, change))))


def play_in(one: Evaluation, scatter: Scatter, trials: int) -> np.ndarray:
    """(t, m) what noise does to each deviation (or the actual value) through the play [mm]; (1, 1) zero without any."""
    carried = one.carried
    if carried is None or not carried.play or carried.gain is None:
        return np.zeros((1, 1))
    rng = np.random.default_rng(SEED + 1)
    drawn = scatter.of(carried.used).draw(trials, rng)
    order, motion = np.argsort(carried.used), drawn @ carried.gain.T
    found = np.zeros((trials, 1))
    for play in carried.play:
        at = order[np.searchsorted(carried.used, play.used, sorter=order)]
        found = found + play.taken(drawn[:, at], motion)[:, None] * play.change
    return found
