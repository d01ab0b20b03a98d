"""Which of the declared local defects may lie on a part, given what its touches say.

Sets of defects are drawn from the declared class, and what they must explain is brought in by degrees: at each degree
the sets that explain little give way to copies of those that explain more, and each copy is then changed, one defect at
a time (added, left out, replaced, moved a little), so that copies part again. New defects are tried where the touches
disagree with their neighbours more often than elsewhere; what that favours is taken off again when a change is weighed.

Several populations of sets do this apart. Each counts by its evidence, and how much they differ tells how far the
answer is settled: it is for the caller to give no number where they do not agree.

P. Del Moral, A. Doucet, A. Jasra, Sequential Monte Carlo samplers, JRSS B 68, 2006; changes of number: P. J. Green,
Biometrika 82, 1995 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from .belief import Belief, offsets_of
from .defects import Defects, Hill
from .proposals import Proposal

__all__ = ["ROWS", "Explained", "explain"]

_POPULATIONS, _SETS = 8, 60
_MOVES, _LAST_MOVES = 6, 40
ROWS = 50  # sets of the grid that fields are drawn for, each with as many sets of defects
_GRID, _WORK = 300, 300 * 60**2  # sets of the grid that weigh; fewer where there are many touches
_KEPT = 0.5  # share of sets that still count after each degree


class Explained(NamedTuple):
    """Sets of the grid (k,) and of defects (k), drawn together, and how far they can be believed.

    `effective`: how many different sets of defects there were; `population` (k,): from which each comes; `weight`: what
    each population counts, of sum 1.
    """

    rows: np.ndarray
    chosen: list[list[Hill]]
    effective: float
    population: np.ndarray
    weight: np.ndarray


def explain(belief: Belief, defects: Defects, points: np.ndarray, count: int, rng: np.random.Generator) -> Explained:
    """Draw sets of defects and of the numbers of the field by how well both together explain the touches.

    Parameters
    ----------
    belief : Belief
    defects : Defects
    points : (m, 6) float
        Where a defect may have its middle.
    count : int
        How many at least.
    rng : numpy.random.Generator

    Returns
    -------
    Explained
        Its number is that of a draw of independent sets with as many repeats: one over the sum of squared shares.
    """
    from scipy.special import logsumexp

    likelihood, forms = _likelihood(belief)
    proposal = Proposal.of(belief, defects, points, forms)
    sets = _Sets.drawn(belief.deviation, defects, proposal, rng)
    joint = likelihood(sets.left)
    degree, evidence = 0.0, np.zeros(_POPULATIONS)
    while degree < 1.0:
        total = logsumexp(joint, axis=0).reshape(_POPULATIONS, _SETS)
        step = _next(total, 1.0 - degree)
        degree = 1.0 if degree + step >= 1.0 - 1e-9 else degree + step
        evidence += logsumexp(step * total, axis=1) - np.log(_SETS)
        shares = np.exp(step * (total - total.max(axis=1, keepdims=True)))
        kept = np.concatenate([k * _SETS + systematic(one, _SETS, rng) for k, one in enumerate(shares)])
        sets, joint = sets.taken(kept), joint[:, kept]
        for _ in range(_MOVES if degree < 1.0 else _LAST_MOVES):
            tried, ratio = sets.changed(defects, proposal, rng)
            may = np.flatnonzero(np.isfinite(ratio))
            new = likelihood(tried.left[:, may])
            gain = degree * (logsumexp(new, axis=0) - logsumexp(joint[:, may], axis=0)) + ratio[may]
            better = np.log(rng.random(len(may))) < gain
            sets, taken = sets.where(may[better], tried), joint.copy()
            taken[:, may[better]] = new[:, better]
            joint = taken
    weight = np.exp(evidence - logsumexp(evidence))
    each = np.repeat(weight, _SETS) / _SETS
    shares = np.exp(joint - logsumexp(joint, axis=0)) * each
    rows, times = systematic(shares.sum(axis=1), ROWS, rng), -(-count // ROWS)
    columns = np.concatenate([systematic(shares[row], times, rng) for row in rows])
    same = np.unique(sets.left, axis=1, return_inverse=True)[1].reshape(-1)
    alike = np.bincount(same, weights=each)
    numbers = _numbers(belief)[np.repeat(rows, times)]
    chosen = [sets.hills(k, points) for k in columns]
    return Explained(numbers, chosen, 1.0 / float((alike**2).sum()), columns // _SETS, weight)


@dataclass(frozen=True, eq=False)
class _Sets:
    """Sets of defects (k, most), of which the first `number` (k,) count, and what each leaves of the touches (n, k)."""

    number: np.ndarray
    place: np.ndarray
    radius: np.ndarray
    height: np.ndarray
    left: np.ndarray

    @classmethod
    def drawn(cls, y: np.ndarray, defects: Defects, proposal: Proposal, rng: np.random.Generator) -> _Sets:
        """Sets of the class."""
        k = _POPULATIONS * _SETS
        number = rng.poisson(defects.rate, k)
        most = 10 + 2 * int(number.max()) + int(4 * defects.rate)
        place = rng.integers(proposal.places, size=(k, most))
        radius = rng.uniform(*defects.radius, size=(k, most))
        height = rng.choice((-1.0, 1.0), size=(k, most)) * rng.uniform(*defects.height, size=(k, most))
        read = np.zeros((len(y), k))
        for j in range(int(number.max(initial=0))):
            read += np.where(j < number, proposal.read(place[:, j], radius[:, j], height[:, j]), 0.0)
        return cls(number, place, radius, height, y[:, None] - read)

    def taken(self, kept: np.ndarray) -> _Sets:
        return _Sets(self.number[kept], self.place[kept], self.radius[kept], self.height[kept], self.left[:, kept])

    def where(self, better: np.ndarray, other: _Sets) -> _Sets:
        """The same, with those sets of the others."""
        made = {}
        for name in ("number", "place", "radius", "height"):
            made[name] = getattr(self, name).copy()
            made[name][better] = getattr(other, name)[better]
        left = self.left.copy()
        left[:, better] = other.left[:, better]
        return _Sets(left=left, **made)

    def hills(self, k: int, points: np.ndarray) -> list[Hill]:
        return [
            (points[self.place[k, j]], float(self.radius[k, j]), float(self.height[k, j]))
            for j in range(self.number[k])
        ]

    def changed(self, defects: Defects, proposal: Proposal, rng: np.random.Generator) -> tuple[_Sets, np.ndarray]:
        """Each set with one defect changed, and the log of what that is worth before the touches speak; -inf if not."""
        k, most = self.place.shape
        every, way = np.arange(k), rng.choice(4, size=k, p=(0.25, 0.25, 0.2, 0.3))
        add, drop, swap, shift = (np.equal(way, w) for w in range(4))
        out = np.where(add, np.minimum(self.number, most - 1), (rng.random(k) * self.number).astype(int))
        old = self.place[every, out], self.radius[every, out], self.height[every, out]
        new, fresh = proposal.drawn(k, defects, rng)
        moved, slide = proposal.moved(*old, defects, rng)
        new = tuple(np.where(shift, there, one) for there, one in zip(moved, new, strict=True))
        was = proposal.log_share(old[0], old[2])
        ratio = np.select([add, drop, swap], [-fresh, was, was - fresh], slide)
        with np.errstate(divide="ignore"):
            ratio += np.select(
                [add, drop], [np.log(defects.rate / (self.number + 1)), np.log(self.number / defects.rate)]
            )
        ratio[(~add & (self.number == 0)) | (add & (self.number >= most))] = -np.inf
        gone = np.where(add, 0.0, proposal.read(*old))
        come = np.where(drop, 0.0, proposal.read(*new))
        number = self.number + add.astype(int) - drop.astype(int)
        made = {}
        for name, value in zip(("place", "radius", "height"), new, strict=True):
            array = getattr(self, name).copy()
            last = array[every, np.maximum(self.number - 1, 0)]  # the last one fills the gap
            array[every, out] = np.where(drop, last, value)
            made[name] = array
        return replace(self, number=number, left=self.left + gone - come, **made), ratio


def _numbers(belief: Belief) -> np.ndarray:
    """Rows of the grid that weigh, evenly over it, so that sets that explain little without defects are among them."""
    count = int(np.clip(_WORK / len(belief.points) ** 2, ROWS, _GRID))
    return np.unique(np.linspace(0, len(belief.grid) - 1, count).round().astype(int))


def _likelihood(belief: Belief) -> tuple[Callable[[np.ndarray], np.ndarray], np.ndarray]:
    """Deviations (n, k) -> (t, k) log of prior times restricted likelihood for each row of the grid, up to one number.

    The weight of a row is its prior times the likelihood of the deviations as they are; what other deviations change is
    the difference of two quadratic forms (t, n, n), which are returned as well.
    """
    numbers, offsets, n = _numbers(belief), offsets_of(belief.group), len(belief.points)
    before = np.log(np.maximum(belief.weight[numbers], 1e-300))
    forms = np.empty((len(numbers), n, n))
    for k, number in enumerate(numbers):
        inverse = np.linalg.inv(belief.covariance(int(number)))
        off = inverse @ offsets
        forms[k] = inverse - off @ np.linalg.solve(offsets.T @ off, off.T)
    asis = before + 0.5 * np.einsum("tij,i,j->t", forms, belief.deviation, belief.deviation)

    def of(left: np.ndarray) -> np.ndarray:
        turned = (forms.reshape(-1, n) @ left).reshape(len(numbers), n, -1)
        return asis[:, None] - 0.5 * np.einsum("tnk,nk->tk", turned, left)

    return of, forms


def _next(total: np.ndarray, room: float) -> float:
    """Largest step of the degree, at most `room`, after which half of the sets of each population count (Kish)."""

    def counting(step: float) -> float:
        shares = np.exp(step * (total - total.max(axis=1, keepdims=True)))
        return float((shares.sum(axis=1) ** 2 / (shares**2).sum(axis=1)).mean())

    enough = _KEPT * total.shape[1]
    if counting(room) >= enough:
        return room
    low, high = 0.0, room
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if counting(middle) >= enough else (low, middle)
    return max(low, 1e-3)


def systematic(shares: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """(count,) numbers drawn by their shares, evenly spread over them."""
    steps = (np.arange(count) + rng.random()) / count
    return np.searchsorted(np.cumsum(shares), steps * shares.sum()).clip(0, len(shares) - 1)
