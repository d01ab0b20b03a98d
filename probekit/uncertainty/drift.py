"""Drift of machine and probe during a run, from touches that were made again.

symbol   variable     meaning
t        when         times of the knots, 0 at the first touch, 1 at the last
D(t)     shift        drift since the first touch [mm], taken as straight between knots
a_j                   what reference j reads without drift
s        noise        standard uncertainty of one touch made again at the same place [mm]
h        drift_um     largest drift that is expected over the run

A reference reads a_j + n.D(t) + noise. Each step of D from knot to knot has, before the touches speak, the standard
uncertainty h sqrt(dt/3) along each axis, so that what no reference sees keeps the drift of the budget: a random walk.
Between two knots, at the part s of dt, it departs from the straight line by a Brownian bridge of the variance h^2/3
dt s (1 - s): the first three terms of its series (Karhunen-Loeve; from memory) are shared by touches that follow each
other, the rest is each touch's own. Least squares with that prior (JCGM 102:2011, 6.2, and Gauss-Markov; from memory)
give D and its covariance. If the touches show more than h, that counts in its place. If they scatter by more than s
allows (chi-square, 95 %), the covariance is widened by what they show (Birge 1932; from memory).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import MEASURED, NORMAL, TARGET, array, has
from ..errors import ProbekitWarning
from ..show import shown
from .budget import Budget
from .when import elapsed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Drift", "drift"]

_ROUND = 0.02  # of the run: references touched within it belong to one round
_SAME = 3  # decimals of mm in which two targets are one
_TERMS = 3  # of the series of a bridge: 90 % of its variance in the middle are shared
_NO_DRIFT = 0.2  # a reference that reads so much apart [mm] was not touched at the same place


@shown
@dataclass(frozen=True, eq=False)
class Drift:
    """What references that were touched again tell about drift.

    Attributes
    ----------
    when : (k,) float
        Knots: 0, the rounds of references, 1.
    shift : (k, 3) float
        Drift since the first touch [mm].
    root : (k, 3, r) float
        Its uncertainty: change of `shift` with each of r independent causes [mm].
    references : int
        Targets that were touched more than once.
    expected : float
        Largest drift that was expected over the run, or that a reference shows if that is more [mm].
    largest : float
        Largest change that a reference shows along its normal [mm].
    notes : tuple of str
    """

    when: np.ndarray
    shift: np.ndarray
    root: np.ndarray
    references: int
    expected: float
    largest: float
    notes: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Drift at the end, its uncertainty, from how many references."""
        many = "reference" if self.references == 1 else "references"
        end = ", ".join(f"{1e3 * value:+z.1f}" for value in self.shift[-1])
        u = ", ".join(f"{1e3 * value:.1f}" for value in np.linalg.norm(self.root[-1], axis=1))
        return f"drift over the run ({end}) um, u ({u}) um, from {self.references} {many} touched again"

    def at(self, when: np.ndarray) -> np.ndarray:
        """Drift (n, 3) at times (n,) [mm]."""
        return _hats(self.when, when) @ self.shift

    def factors(self, when: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """Change (n, r) of deviations with each cause of what is not known of the drift; `normal` (n, 3) [mm]."""
        at_knots = np.einsum("nk,kar,na->nr", _hats(self.when, when), self.root, normal)
        between = np.einsum("nb,na->nba", self.expected * _bridges(self.when, when)[0], normal)
        return np.hstack([at_knots, between.reshape(len(when), -1)])

    def own(self, when: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """What each touch has to itself beside `factors`, between the knots (n,) [mm]."""
        return self.expected * _bridges(self.when, when)[1] * np.linalg.norm(normal, axis=1)

    def correct(self, measured: pd.DataFrame) -> tuple[pd.DataFrame, str]:
        """The touches table as it would be without drift, and what was done."""
        out = measured.copy()
        shift = self.at(elapsed(measured)[0])
        out[list(MEASURED)] = array(measured, MEASURED) - shift
        out.attrs = dict(measured.attrs)
        return out, f"touches corrected for {self.sentence}"


def drift(measured: pd.DataFrame, budget: Budget) -> Drift | None:
    """Drift from targets that were touched more than once.

    Parameters
    ----------
    measured : (n rows) DataFrame
        Touches table; a column `time`, or else the order of its rows, says when.
    budget : Budget
        Its repeatability and latching are the noise, its drift what is expected.

    Returns
    -------
    Drift or None
        None if no target was touched again at another time.

    Warns
    -----
    ProbekitWarning
        If a target reads more than 0.2 mm apart when touched again: that is no drift, and it is not used.
    """
    from scipy.special import chdtri

    if not has(measured, (*TARGET, *NORMAL)):
        return None
    when, said = elapsed(measured)
    normal, position = array(measured, NORMAL), array(measured, MEASURED)
    reading = np.einsum("ij,ij->i", position, normal)
    group = _repeated(measured, reading, when)
    rows = np.flatnonzero(group >= 0)
    if not len(rows):
        return None
    knots = _knots(when[rows])
    many, references = len(knots), int(group.max()) + 1
    change = max(float(np.ptp(reading[group == j])) for j in range(references))
    stated = 1e-3 * budget.value("drift_um")
    feed = budget.value("touch_feed_mm_min") / 60.0
    noise = 1e-3 * max(np.hypot(budget.u("repeatability_2s_um"), feed * budget.u("trigger_jitter_ms")), 1e-3)
    expected = max(stated, change)
    steps = np.tril(np.ones((many, many)))[:, 1:]  # D at the knots from the steps between them
    shape = _hats(knots, when[rows]) @ steps
    design = np.einsum("nk,na->nka", shape, normal[rows]).reshape(len(rows), -1)
    constants = (group[rows][:, None] == np.arange(references)[None, :]).astype(float)
    prior = np.repeat(expected * np.sqrt(np.diff(knots) / 3.0), 3)
    columns = np.hstack([design * prior, constants]) / noise
    information = columns.T @ columns + np.diag(np.r_[np.ones(len(prior)), np.zeros(references)])
    covariance = np.linalg.inv(information)
    answer = covariance @ columns.T @ (reading[rows] - reading[rows].mean()) / noise
    left = (reading[rows] - reading[rows].mean()) / noise - columns @ answer
    spare = len(rows) - references
    excess = float(left @ left) / max(spare, 1)
    if float(left @ left) > chdtri(spare, 0.05):  # chi-square, 95 %
        said = [
            *said,
            f"references scatter {np.sqrt(excess):.1f} times as much as the repeatability of the budget allows",
        ]
        covariance = covariance * excess
    if change > stated + 2 * np.sqrt(2) * noise:
        said = [
            *said,
            f"a reference changed by {1e3 * change:.1f} um, more than the drift of {1e3 * stated:g} um stated",
        ]
    root = np.linalg.cholesky(covariance[: len(prior), : len(prior)]) * prior[:, None]
    per_knot = np.einsum("km,mar->kar", steps, root.reshape(many - 1, 3, -1))
    shift = steps @ (prior * answer[: len(prior)]).reshape(many - 1, 3)
    return Drift(knots, shift, per_knot, references, expected, change, tuple(said))


def _repeated(measured: pd.DataFrame, reading: np.ndarray, when: np.ndarray) -> np.ndarray:
    """Number (n,) of the reference that each touch is of; -1 for a target that was touched at one time only."""
    target = np.hstack([array(measured, TARGET), array(measured, NORMAL)])
    usable = np.isfinite(reading) & np.isfinite(target).all(axis=1)
    group = np.full(len(measured), -1)
    if not usable.any():
        return group
    _, found = np.unique(target[usable].round(_SAME), axis=0, return_inverse=True)
    group[usable] = found.reshape(-1)
    kept = [j for j in range(group.max() + 1) if np.ptp(when[group == j]) > _ROUND]
    for j in [j for j in kept if np.ptp(reading[group == j]) > _NO_DRIFT]:
        kept.remove(j)
        ids = ", ".join(map(str, measured["touch"].to_numpy()[group == j][:6])) if "touch" in measured else "some"
        apart = float(np.ptp(reading[group == j]))
        warnings.warn(
            f"touches {ids} have one target and read {apart:.3f} mm apart: no drift is so large, and they tell of none",
            ProbekitWarning,
            stacklevel=3,
        )
    return np.array([kept.index(j) if j in kept else -1 for j in group], dtype=int)


def _knots(when: np.ndarray) -> np.ndarray:
    """Times 0, of the rounds, and 1; touches that follow each other belong to one round."""
    ordered = np.unique(np.r_[0.0, when, 1.0])
    rounds = np.split(ordered, np.flatnonzero(np.diff(ordered) > _ROUND) + 1)
    return np.unique(np.r_[0.0, [one.mean() for one in rounds[1:-1]], 1.0])


def _hats(knots: np.ndarray, when: np.ndarray) -> np.ndarray:
    """Weights (n, k) of the knots for straight lines between them."""
    return np.column_stack([np.interp(when, knots, unit) for unit in np.eye(len(knots))])


def _bridges(knots: np.ndarray, when: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Departure (n, b) of a drift of 1 from straight lines between knots, by causes shared, and the rest (n,)."""
    step, terms = np.diff(knots), np.arange(1, _TERMS + 1)
    part = (when[:, None] - knots[:-1]) / step
    inside, part = np.where((part > 0) & (part < 1), step / 3.0, 0.0), np.clip(part, 0.0, 1.0)
    waves = np.sqrt(2.0 * inside)[:, :, None] * np.sin(np.pi * terms * part[:, :, None]) / (np.pi * terms)
    rest = np.sum(inside * part * (1.0 - part), axis=1) - np.sum(waves**2, axis=(1, 2))
    return waves.reshape(len(when), -1), np.sqrt(np.maximum(rest, 0.0))
