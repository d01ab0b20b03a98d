"""Which of the declared local defects may lie on a part, given what its touches say.

Sets of defects are drawn from the declared class, and what they must explain is brought in by degrees: at each degree
the sets that explain little give way to copies of those that explain more, and each copy is then changed, one defect at
a time (added, left out, replaced), so that copies part again. Drawing from the class alone and weighing once leaves a
handful of sets that count as soon as a few touches speak of a defect.

P. Del Moral, A. Doucet, A. Jasra, Sequential Monte Carlo samplers, JRSS B 68, 2006; changes of number: P. J. Green,
Biometrika 82, 1995 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from .belief import Belief, offsets_of
from .defects import Defects, Hill, hills

__all__ = ["ROWS", "Explained", "explain"]

_SETS = 400
_MOVES, _LAST_MOVES = 4, 30
ROWS = 50  # sets of the grid that fields are drawn for, each with as many sets of defects
_GRID, _WORK = 300, 300 * 60**2  # sets of the grid that weigh; fewer where there are many touches
_KEPT = 0.5  # share of sets that still count after each degree


class Explained(NamedTuple):
    """Sets of the grid (k,) and of defects (k), drawn together, and how many different sets of defects there were."""

    rows: np.ndarray
    chosen: list[list[Hill]]
    effective: float


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

    likelihood = _likelihood(belief)
    population = _Population.drawn(belief, defects, points, rng)
    joint = likelihood(population.left)
    degree = 0.0
    while degree < 1.0:
        total = logsumexp(joint, axis=0)
        step = _next(total, 1.0 - degree)
        degree = 1.0 if degree + step >= 1.0 - 1e-9 else degree + step
        shares = np.exp(step * (total - total.max()))
        kept = systematic(shares, _SETS, rng)
        population, joint = population.taken(kept), joint[:, kept]
        for _ in range(_MOVES if degree < 1.0 else _LAST_MOVES):
            tried, ratio = population.changed(rng)
            new = likelihood(tried.left)
            gain = degree * (logsumexp(new, axis=0) - logsumexp(joint, axis=0)) + ratio
            better = np.log(rng.random(_SETS)) < gain
            population, joint = population.where(better, tried), np.where(better, new, joint)
    shares = np.exp(joint - logsumexp(joint, axis=0))
    rows, each = systematic(shares.sum(axis=1), ROWS, rng), -(-count // ROWS)
    columns = np.concatenate([systematic(shares[row], each, rng) for row in rows])
    alike = np.unique(population.left, axis=1, return_counts=True)[1] / _SETS
    numbers = _numbers(belief)[np.repeat(rows, each)]
    return Explained(numbers, [population.sets[k] for k in columns], 1.0 / float((alike**2).sum()))


class _Population:
    """Sets of defects, and what each leaves of the deviations of the touches (n, k) [mm]."""

    def __init__(self, belief: Belief, defects: Defects, points: np.ndarray, sets: list[list[Hill]], left: np.ndarray):
        self.belief, self.defects, self.points, self.sets, self.left = belief, defects, points, sets, left

    @classmethod
    def drawn(cls, belief: Belief, defects: Defects, points: np.ndarray, rng: np.random.Generator) -> _Population:
        empty = cls(belief, defects, points, [], np.zeros((0, 0)))
        sets = [[empty.one(rng) for _ in range(n)] for n in rng.poisson(defects.rate, _SETS)]
        return cls(belief, defects, points, sets, belief.deviation[:, None] - hills(sets, belief.points).T)

    def one(self, rng: np.random.Generator) -> Hill:
        """A defect of the class."""
        height = rng.choice((-1.0, 1.0)) * rng.uniform(*self.defects.height)
        return self.points[rng.integers(len(self.points))], rng.uniform(*self.defects.radius), height

    def taken(self, kept: np.ndarray) -> _Population:
        return self._with([self.sets[k] for k in kept], self.left[:, kept])

    def where(self, better: np.ndarray, other: _Population) -> _Population:
        sets = [new if yes else old for yes, old, new in zip(better, self.sets, other.sets, strict=True)]
        return self._with(sets, np.where(better, other.left, self.left))

    def changed(self, rng: np.random.Generator) -> tuple[_Population, np.ndarray]:
        """Each set with one defect added, left out or replaced; log of what that is worth before the touches speak."""
        sets, ratio, rate = [], np.zeros(_SETS), self.defects.rate
        gone: list[list[Hill]] = []
        come: list[list[Hill]] = []
        for k, old in enumerate(self.sets):
            way, number = rng.integers(3), len(old)
            out = [int(rng.integers(number))] if number and way else []
            new = [self.one(rng)] if way != 1 else []
            if way == 0:
                ratio[k] = np.log(rate / (number + 1))
            elif way == 1:
                ratio[k] = np.log(number / rate) if number else -np.inf
            elif not number:
                new, ratio[k] = [], -np.inf
            sets.append([one for j, one in enumerate(old) if j not in out] + new)
            gone.append([old[j] for j in out])
            come.append(new)
        moved = hills(come, self.belief.points) - hills(gone, self.belief.points)
        return self._with(sets, self.left - moved.T), ratio

    def _with(self, sets: list[list[Hill]], left: np.ndarray) -> _Population:
        return _Population(self.belief, self.defects, self.points, sets, left)


def _numbers(belief: Belief) -> np.ndarray:
    """Rows of the grid that weigh, evenly over it, so that sets that explain little without defects are among them."""
    count = int(np.clip(_WORK / len(belief.points) ** 2, ROWS, _GRID))
    return np.unique(np.linspace(0, len(belief.grid) - 1, count).round().astype(int))


def _likelihood(belief: Belief) -> Callable[[np.ndarray], np.ndarray]:
    """Deviations (n, k) -> (t, k) log of prior times restricted likelihood for each row of the grid, up to one number.

    The weight of a row is its prior times the likelihood of the deviations as they are; what other deviations change is
    the difference of two quadratic forms.
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

    return of


def _next(total: np.ndarray, room: float) -> float:
    """Largest step of the degree, at most `room`, after which half of the sets still count (Kish)."""

    def counting(step: float) -> float:
        shares = np.exp(step * (total - total.max()))
        return float(shares.sum() ** 2 / (shares**2).sum())

    if counting(room) >= _KEPT * len(total):
        return room
    low, high = 0.0, room
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if counting(middle) >= _KEPT * len(total) else (low, middle)
    return max(low, 1e-3)


def systematic(shares: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """(count,) numbers drawn by their shares, evenly spread over them."""
    steps = (np.arange(count) + rng.random()) / count
    return np.searchsorted(np.cumsum(shares), steps * shares.sum()).clip(0, len(shares) - 1)
