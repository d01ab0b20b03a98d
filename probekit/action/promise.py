"""What a tolerance would be after a correction: its actual value, the bounds of it, and the chance that it conforms.

symbol     variable    meaning
d          off         deviations from the middle of the zone, after the correction
V                      covariance of the touches, with that of their frame
c          cutter      scatter of what a cutter leaves, standard deviation [mm]

What is not cut stays as it was measured, and its truth is uncertain by V; the bounds of `probekit.tolerance.bounds`
hold for it. What is cut is new: the cutter meets its target, where the touches say that it is, with a scatter c of its
own at each place. So a re-cut never gives zero: its value is the mean of what a next inspection would read, with cutter
and noise. What an offset leaves holds the scatter of the last cut and of the touches, which the next cut and the next
touches draw anew: only what is more than that comes again (`lasting`), or it would count twice. A cut conforms if all
its places do, so the chance is that of them together; it is never better than what the bounds of the rest allow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from ..tolerance.bounds import bounds
from ..tolerance.propagation import judged_scatter

if TYPE_CHECKING:
    from ..tolerance import Evaluation
    from ..uncertainty import Scatter

__all__ = ["CUTTER", "Promise", "again_promise", "lasting", "promise", "readings"]

CUTTER = 0.005  # scatter of what a finishing cutter leaves, where nothing is said [mm]; an assumption, and told as one

_TRIALS, _SEED = 4000, 20
_RARE = 0.05  # chance that scatter alone makes one of all deviations that is taken for more
_LOOKS = 4  # times that a touch is made again


@dataclass(frozen=True)
class Promise:
    """Predicted actual value, its bounds at the touched places [mm], and the chance that it conforms, 0 to 1."""

    predicted: float
    low: float
    high: float
    p_conform: float
    word: str


def promise(
    one: Evaluation,
    scatter: Scatter,
    off: np.ndarray,
    cut: np.ndarray | None = None,
    *,
    cutter: float | np.ndarray = CUTTER,
    level: float = 0.95,
) -> Promise:
    """What a tolerance would be with other deviations.

    Parameters
    ----------
    one : Evaluation
        From the nominal, with what the uncertainty of its frame does to it.
    scatter : Scatter
        Of the whole table.
    off : (n,) float
        Deviations from the middle of the zone after the correction, without scatter [mm].
    cut : (n,) bool, optional
        Places that a cutter meets anew.
    cutter : float or (n,) float
        Standard deviation of what it leaves there [mm].
    level : float
        Chance from which on it is said to conform.
    """
    cut = np.zeros(len(off), dtype=bool) if cut is None else cut
    left = np.where(cut, cutter, 0.0)
    own = scatter.own.copy()
    own[one.rows] = np.hypot(own[one.rows], left)
    parts = None if scatter.own_causes is None else {**scatter.own_causes, "cutter": _placed(left, one, len(own))}
    with_cut = replace(scatter, own=own, own_causes=parts)
    value = one.value_of(off)
    then = replace(one, deviations=one.middles + off, actual=value, blocks=None)
    found = bounds(then, with_cut, level)
    chance, predicted, low, high = _confidence(then, found.u_each), value, found.low, found.high
    if cut.any():
        values = readings(then, scatter, off, cut, cutter)
        predicted = float(values.mean())
        chance = min(chance, float(np.mean(values <= one.width)))
        high = max(high, float(np.quantile(values, level)))
        low = max(low, float(np.quantile(values, 1.0 - level))) if cut.all() else low
    word = "conforms" if chance >= level else "does not conform" if found.low > one.width else "undecided"
    return Promise(predicted, low, high, chance, word)


def lasting(
    one: Evaluation, scatter: Scatter, off: np.ndarray, cut: np.ndarray, cutter: np.ndarray, found: int = 0
) -> tuple[np.ndarray, np.ndarray]:
    """What of deviations (n,) comes again where the same cut is made anew, and the scatter (n,) that it then has.

    What scatter hardly makes stays as it is; the rest is made smaller together, by how much more it scatters than
    cutter and touches do. Where nothing is cut, all stays. `found` parameters of the correction are from the same
    touches: what is left scatters less by them, and the next cut more.
    """
    noise, part = np.hypot(scatter.own[one.rows], cutter), found / max(int(cut.sum()), 1)
    usual = cut & (np.abs(off) <= float(ndtri(1.0 - _RARE / (2 * max(len(off), 1)))) * noise)
    seen, made = float(np.sum(off[usual] ** 2)), (1.0 - part) * float(np.sum(noise[usual] ** 2))
    again = np.where(usual, np.sqrt(1.0 - made / seen) if seen > made else 0.0, 1.0) * off
    return again, np.sqrt(cutter**2 + part * noise**2)


def readings(
    one: Evaluation, scatter: Scatter, off: np.ndarray, cut: np.ndarray, cutter: float | np.ndarray = CUTTER
) -> np.ndarray:
    """(t,) actual values that a next inspection may read [mm]: what is cut scatters, the rest is as measured."""
    rng = np.random.default_rng(_SEED)
    trials = int(np.clip(2_000_000 // max(len(off), 1), 200, _TRIALS))
    noise = judged_scatter(one, scatter).draw(trials, rng) + cutter * rng.standard_normal((trials, len(off)))
    share = one.width / ((one.uppers - one.lowers) / 2)
    return (share * np.abs(off + np.where(cut, noise, 0.0))).max(axis=1)


def again_promise(one: Evaluation, scatter: Scatter, rows: np.ndarray, level: float = 0.95) -> Promise:
    """The same after some touches are made again, four times each, if they read the same: `rows` of the table."""
    fewer = np.isin(np.arange(len(scatter.own)), rows)
    parts = None
    if scatter.own_causes is not None:
        parts = {name: np.where(fewer, part / np.sqrt(_LOOKS), part) for name, part in scatter.own_causes.items()}
    own = np.where(fewer, scatter.own / np.sqrt(_LOOKS), scatter.own)
    return promise(one, replace(scatter, own=own, own_causes=parts), one.deviations - one.middles, level=level)


def _placed(values: np.ndarray, one: Evaluation, size: int) -> np.ndarray:
    out = np.zeros(size)
    out[one.rows] = values
    return out


def _confidence(one: Evaluation, u: np.ndarray) -> float:
    """Chance, at least, that the touch nearest to its limit is within it; 0 where an uncertainty is not known."""
    room = (one.uppers - one.lowers) / 2 - np.abs(one.deviations - one.middles)
    if not np.isfinite(u).all():
        return 0.0
    exact = np.where(room >= 0, 1.0, 0.0)
    return float(np.where(u > 0, ndtr(room / np.where(u > 0, u, 1.0)), exact).min())
