"""Bounds of the actual value of a tolerance: how far what was measured may be from the truth at the touched places.

symbol    variable   meaning
f(d)      measured   actual value of the deviations d = true + e, with e ~ N(0, V)
lambda               how the touches that rule share in it
sigma     u          standard uncertainty of that sum: sigma^2 = lambda' V lambda
z                    1.645 for 95 %
q                    95 % point of f(e), what noise alone gives

An actual value is, to first order, convex and grows in proportion with the deviations. Hence two bounds that hold for
any form, any number of touches and any correlation, each by itself with the probability asked for:

    high = f(d) + z sigma   for lambda of the truth gives f(d) >= lambda' d ~ N(f(true), sigma^2)
    low  = f(d) - q         for f(d) <= f(true) + f(e)

The first is an intersection-union test: the number of touches does not enter (R. L. Berger, Technometrics 24 (1982)
295-300). The second is sharper for the largest of many deviations, where touches far inside stop counting (J. P.
Romano, A. M. Shaikh, M. Wolf, Econometrica 82 (2014) 1979-2002). Both from memory. Draws about the measured deviations
are no bound: noise would then count twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from ..errors import FitError, InputError
from ..show import shown
from ..uncertainty import Scatter
from ..uncertainty.joint import SEED, Joint, solved
from ..uncertainty.programs import least_of_largest
from .one_number import each, in_common, of_sum, said
from .play import play_in
from .propagation import judged_scatter

if TYPE_CHECKING:
    from .blocks import Block
    from .evaluation import Evaluation
    from .places import Highest

__all__ = ["TRIALS", "Bounds", "bounds"]

TRIALS = 10_000  # of what noise alone gives

_FOR_A_MEAN = 2500  # trials that give the mean of a largest deviation to 0.5 %
_FIRST = 0.1  # part of the risk that choosing the touches that count may take
_NONE = 1e-12  # an uncertainty of nothing [mm]
_LOOSE = "the touches do not hold {}: its bounds are those of the least certain touch, wider than need be"


@shown
@dataclass(frozen=True, eq=False)
class Bounds:
    """An actual value with the interval that its truth at the touched places lies in.

    Attributes
    ----------
    measured : float
        Actual value [mm].
    low, high : float
        Bounds of the true one [mm], each of which holds with the probability `level`; `high` is infinite where the
        uncertainty of a frame is not known.
    level : float
    u : float
        Standard uncertainty of the sum of touches that rule [mm]; NaN if it is not known.
    noise_alone : float
        Mean of what the uncertainty alone gives on a perfect part [mm].
    p_value : float
        How likely so large a value, or a larger one, is at most if the truth conforms.
    shares : mapping
        Part of u squared that each cause has, largest first.
    u_each : (n,) float
        Standard uncertainty of each touch judged, with that of the frame [mm]; NaN where it is not known.
    guard : (n,) float
        How far inside its limits each touch must lie so that `high` is within the tolerance [mm].
    outside : (n,) bool
        Touches that are beyond their limits with that level, all others counted; of a value judged as a whole none.
    notes : tuple of str
        What has to be known to believe them.
    """

    measured: float
    low: float
    high: float
    level: float
    u: float
    noise_alone: float
    p_value: float
    shares: dict[str, float]
    u_each: np.ndarray
    guard: np.ndarray
    outside: np.ndarray
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """The value and its interval in one line."""
        return (
            f"measured {self.measured:.4f} mm, at the touched places {self.low:.4f} to {self.high:.4f} mm "
            f"({100 * self.level:g} % each way)"
        )


def bounds(evaluation: Evaluation, scatter: Scatter, level: float = 0.95) -> Bounds:
    """Bounds of the actual value of an evaluation.

    Parameters
    ----------
    evaluation : Evaluation
        With what the uncertainty of its frame does to it, as `carried`.
    scatter : Scatter
        Uncertainty of all touches of the table.
    level : float
        Probability with which each bound holds.

    Returns
    -------
    Bounds
        The same bits in every run.

    Raises
    ------
    InputError
        If the level is not between 0.5 and 1.
    """
    if not 0.5 < level < 1.0:
        raise InputError("a level of confidence lies between 0.5 and 1", found=level, expected="0.95")
    if not evaluation.judges_touches:
        return _of_whole(evaluation, scatter, level)
    return (_of_touches if evaluation.blocks is None else _of_blocks)(evaluation, scatter, level)


def _of_touches(one: Evaluation, scatter: Scatter, level: float) -> Bounds:
    """Of the largest of many deviations: each touch has its own guard, and the selection counts those near a limit."""
    judged, unknown = each(one, scatter), _unknown(one)
    off, sign = np.abs(one.deviations - one.middles), np.where(one.deviations < one.middles, -1.0, 1.0)
    half = (one.uppers - one.lowers) / 2
    share, z = one.width / half, float(ndtri(level))  # actual value = largest share * off
    reach = share * (off + z * np.where(unknown, np.inf, judged.u))
    ruling = int(reach.argmax()) if np.isfinite(reach).all() else int((share * off).argmax())
    if not judged.u.any():
        low, noise, outside, p = one.actual, 0.0, off > half, float((off <= half).all())
    else:
        test = _Selected(off, half, sign, judged, 1.0 - level)
        low, p = one.width * test.least(), test.p(1.0)
        outside = test.beyond() if p <= test.risk else np.zeros(len(off), dtype=bool)
        noise = float(np.mean((share * np.abs(_drawn(judged, _FOR_A_MEAN))).max(axis=1)))
    return Bounds(
        one.actual,
        min(low, one.actual),
        float(reach.max()),
        level,
        float(share[ruling] * judged.u[ruling]) if not unknown[ruling] else float("nan"),
        noise,
        p,
        _shares(judged, ruling),
        np.where(unknown, np.nan, judged.u),
        z * np.where(unknown, np.inf, judged.u),
        outside,
    )


class _Selected:
    """Test that all |true deviation| <= k half, for any k, by the largest excess in units of its uncertainty.

    First an upper bound of each true deviation, at a part of the risk; then the chance of the excess seen, with each
    touch at its limit or, if that is nearer to the middle, at its bound.
    """

    def __init__(self, off: np.ndarray, half: np.ndarray, sign: np.ndarray, judged: Scatter, risk: float):
        u = np.maximum(judged.u, _NONE)
        self.off, self.half, self.u, self.risk, self.first = off, half, u, risk, _FIRST * risk
        self.most = off + _sidak(len(off), self.first) * u
        self.joint = Joint(Scatter(judged.own, sign[:, None] * judged.factors, judged.causes))
        # what excess is too large lies between that of one touch and that of as many independent ones
        self.between = float(ndtri(1.0 - risk + self.first)), _sidak(len(off), risk - self.first)

    def p(self, k: float) -> float:
        """p-value of the limits k half: the chance of as large an excess as the largest."""
        return self._chance(k, float(((self.off - k * self.half) / self.u).max()))

    def least(self) -> float:
        """The least k whose p-value is more than the risk: the lower bound of the largest |true deviation| / half."""
        high, low = (max(float(((self.off - c * self.u) / self.half).max()), 0.0) for c in self.between)
        return solved(lambda k: self.p(k) - self.risk, low, high)

    def beyond(self) -> np.ndarray:
        """(n,) touches whose excess over their limits is too large for the risk, where that of the largest is."""
        excess = (self.off - self.half) / self.u
        low, high = self.between
        return excess >= solved(lambda c: self.risk - self._chance(1.0, c), low, min(high, float(excess.max())))

    def _chance(self, k: float, excess: float) -> float:
        limit = k * self.half
        at, edge = np.minimum(limit, self.most), limit + excess * self.u
        return min(1.0, self.first + 1.0 - self.joint.within(-edge - at, edge - at))


def _sidak(count: int, risk: float) -> float:
    """The c with P(|e_i| <= c u_i for all) >= 1 - risk, whatever the correlation: as if independent (Sidak 1967)."""
    return float(ndtri((1.0 + (1.0 - risk) ** (1.0 / count)) / 2))


def _of_blocks(one: Evaluation, scatter: Scatter, level: float) -> Bounds:
    """Of a zone that is placed by what it judges: few touches rule together, and noise is placed as they are."""
    judged, unknown = judged_scatter(one, scatter), _unknown(one)
    share, z = one.width / ((one.uppers - one.lowers) / 2), float(ndtri(level))
    alone = _drawn(judged_scatter(_less_play(one), scatter))
    off, drawn = share * (one.deviations - one.middles), share * (alone + play_in(one, scatter, len(alone)))
    common = in_common(one, scatter)
    guard, noise, found = np.zeros(len(off)), np.zeros(len(drawn)), (0.0, 0.0, np.zeros(len(off)))
    notes: tuple[str, ...] = ()
    for block in one.blocks or ():
        rows, half = block.touches, len(block.touches)
        slope = share[rows, None] * block.slope
        both = np.vstack([slope, -slope])
        gradient = np.zeros(len(off))
        try:
            ruled = least_of_largest(np.hstack([off[rows], -off[rows]])[None], both)
            pushed = least_of_largest(np.hstack([drawn[:, rows], -drawn[:, rows]]), both).value
            weight = np.bincount(ruled.rows[0], ruled.weight[0], 2 * half)
            gradient[rows] = share[rows] * (weight[:half] - weight[half:])
        except FitError:  # a zone that stays where it is: no weights of touches make more than the least certain one
            gradient[rows[(share * judged.u)[rows].argmax()]] = share[rows].max()
            pushed, notes = np.abs(drawn[:, rows]).max(axis=1), (_LOOSE.format("the zone"),)
        u = max(float(judged.u_of(gradient)), 0.0 if common is None else abs(float(gradient @ common)))
        u = u if not unknown[rows].any() else np.inf
        guard[rows] = z * u / share[rows]
        found = max(found, (float(np.abs(off[rows]).max()) + z * u, u, gradient), key=lambda one: one[0])
        noise = np.maximum(noise, pushed)
    q, (high, u, gradient) = float(np.quantile(noise, level)), found
    return Bounds(
        one.actual,
        max(one.actual - q, 0.0),
        high,
        level,
        u if np.isfinite(u) else float("nan"),
        float(noise.mean()),
        _p_value(noise, one.actual - one.width),
        _shares(_sum_of(judged, gradient), 0),
        np.where(unknown, np.nan, judged.u),
        guard,
        np.abs(off) - q > one.width,
        notes,
    )


def _of_whole(one: Evaluation, scatter: Scatter, level: float) -> Bounds:
    """Of a value that is judged as a whole, by its change with each touch."""
    z, unknown = float(ndtri(level)), bool(_unknown(one).any())
    notes: tuple[str, ...] = ()
    if one.gradient is None:  # no zone about the nominal grows faster than by twice the worst touch
        judged = each(one, scatter)
        known, ruling = 2.0 * float(judged.u.max()), int(judged.u.argmax())
        drawn = _drawn(judged_scatter(_less_play(one), scatter))
        noise = 2.0 * np.abs(drawn + play_in(one, scatter, len(drawn))).max(axis=1)
        shares, more = _shares(judged, ruling), z * known
    elif one.places is not None:
        found, judged, times = _highest(one, scatter, z)
        notes = said(found.u, found.u / times)
        known, more, shares = found.u, found.value - one.actual, _shares(_sum_of(judged, found.weights), 0)
        noise = _noise_of_places(one, scatter, z)
    else:
        (known, judged), (alone, _) = of_sum(one, scatter), of_sum(_less_play(one), scatter)
        noise, more, shares = alone * np.abs(_normal()), z * known, _shares(judged, 0)
        notes = said(known, float(judged.u[0]))
        noise = noise + play_in(one, scatter, TRIALS)[:, 0]
    less = float(np.quantile(noise, level))
    if one.blocks and one.blocks[0].rise and known > 0:
        block, own, less = one.blocks[0], judged_scatter(replace(one, carried=None), scatter), z * known
        pushed, loose = _pushed(_drawn(own), block)
        notes += loose
        noise = np.abs(pushed)
        # an envelope is pushed to one side by noise: that side by what noise gives, the other by those that rule
        q = float(np.quantile(np.sign(block.rise) * pushed, level))
        less, more = (max(less, q), more) if block.rise > 0 else (less, max(more, q))
    return Bounds(
        one.actual,
        max(one.actual - less, 0.0),
        np.inf if unknown else one.actual + more,
        level,
        float("nan") if unknown else known,
        float(noise.mean()),
        _p_value(noise, one.actual - one.width),
        shares,
        scatter.u[one.rows],
        np.zeros(len(one.rows)),
        np.zeros(len(one.rows), dtype=bool),
        notes,
    )


def _highest(one: Evaluation, scatter: Scatter, z: float) -> tuple[Highest, Scatter, float]:
    """Upper bound over all places, the scatter of their rows, and how much more it counts than that scatter."""
    places, carried = one.places, one.carried
    change, slope = places.rows()
    if carried is not None:
        limit = np.tile(np.append(np.zeros(places.shift.shape[1]), 1.0), len(places.shift))  # play moves the offsets
        play = tuple(replace(play, change=play.change[0] * limit) for play in carried.play)
        one = replace(one, carried=replace(carried, rows=slope, play=play))
    judged = judged_scatter(one, scatter, change)
    found = places.highest(judged, z, in_common(one, scatter, change))
    alone = float(judged.u_of(found.weights))
    return found, judged, found.u / alone if alone > 0 else 1.0


def _noise_of_places(one: Evaluation, scatter: Scatter, z: float) -> np.ndarray:
    """(t,) what noise alone gives, with what it takes of the play."""
    _, judged, more = _highest(_less_play(one), scatter, z)
    drawn = _drawn(judged)
    noise = one.places.noise(drawn) * more
    return noise + play_in(one, scatter, len(drawn))[:, 0]


def _less_play(one: Evaluation) -> Evaluation:
    """The evaluation as if the play of its datums were known."""
    return one if one.carried is None or not one.carried.play else replace(one, carried=replace(one.carried, play=()))


def _pushed(drawn: np.ndarray, block: Block) -> tuple[np.ndarray, tuple[str, ...]]:
    """(t,) change of the actual value when noise pushes an envelope; by the worst touch if they do not hold it."""
    try:
        return block.rise * least_of_largest(drawn, block.slope).value, ()
    except FitError:  # an envelope that stays where it is is never smaller than one that moves
        return block.rise * drawn.max(axis=1), (_LOOSE.format("the mating envelope"),)


def _normal() -> np.ndarray:
    return np.random.default_rng(SEED).standard_normal(TRIALS)


def _drawn(judged: Scatter, most: int = TRIALS) -> np.ndarray:
    """(t, n) errors; fewer trials of very many touches."""
    if not judged.u.any():
        return np.zeros((1, len(judged.own)))
    trials = int(np.clip(4_000_000 // max(len(judged.own), 1), 1000, most))
    return judged.draw(trials, np.random.default_rng(SEED))


def _p_value(noise: np.ndarray, excess: float) -> float:
    """How likely noise alone gives that excess over a limit or more."""
    return float((1 + np.count_nonzero(noise >= excess)) / (1 + len(noise)))


def _sum_of(judged: Scatter, gradient: np.ndarray) -> Scatter:
    """Scatter of one weighted sum of deviations, by cause."""
    own = judged.own_causes or {"touch by itself": judged.own}
    parts = {name: np.array([float(np.linalg.norm(gradient * part))]) for name, part in own.items()}
    return Scatter(
        np.array([float(np.linalg.norm(gradient * judged.own))]),
        (gradient @ judged.factors)[None],
        judged.causes,
        parts,
    )


def _unknown(one: Evaluation) -> np.ndarray:
    """(n,) or (1,): where the uncertainty of the frame is not known and matters."""
    return (
        np.zeros(1 if not one.judges_touches else len(one.rows), dtype=bool)
        if one.carried is None
        else ~np.isfinite(one.carried.each)
    )


def _shares(judged: Scatter, row: int) -> dict[str, float]:
    """Part of the square of one uncertainty that each cause has, largest first."""
    parts: dict[str, float] = {}
    own = judged.own_causes or {"touch by itself": judged.own}
    for name, part in own.items():
        parts[name] = float(part[row] ** 2) if judged.own[row] else 0.0
    for name, value in zip(judged.causes, judged.factors[row], strict=True):
        parts[name] = parts.get(name, 0.0) + float(value**2)
    total = sum(parts.values())
    found = {name: part / total for name, part in parts.items() if part > 0} if total else {}
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))
