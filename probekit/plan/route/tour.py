"""A short round tour through places: nearest neighbour, then 2-opt and Or-opt by lists of neighbours, then kicks.

symbol   variable   meaning
C        cost       symmetric cost between places, (n, n)
p        order      places in the order of the tour; after the last one it returns to the first

A kick cuts three links that lie near each other along the tour and joins the pieces in another order (the double
bridge), mends around the cuts, and is kept if the tour got no longer. The number of kicks depends on the number of
places alone, and their places on a fixed seed: the same targets always give the same tour.

2-opt: G. A. Croes, A method for solving traveling-salesman problems, Operations Research 6 (1958) 791-812.
Or-opt: I. Or, Traveling salesman-type combinatorial problems, Northwestern University (1976).
Lists of neighbours, and don't-look bits: J. L. Bentley, Fast algorithms for geometric traveling salesman problems, ORSA
Journal on Computing 4 (1992) 387-411.
Double bridge: O. Martin, S. W. Otto, E. W. Felten, Large-step Markov chains for the traveling salesman problem, Complex
Systems 5 (1991) 299-326. All from memory.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterable

import numpy as np

from ...errors import InputError

__all__ = ["improve_tour", "nearest_neighbour", "short_tour", "tour_cost"]

_LONGEST_CHAIN = 3  # places that Or-opt moves together
_LEAST_GAIN = 1e-9  # of the mean cost: what counts as an improvement
_NEIGHBOURS = 12  # cheapest links of each place that are tried
_KICKS = 4  # per place
_WINDOW = 50  # places along the tour in which the cuts of a kick lie


def short_tour(cost: np.ndarray, *, progress: Callable[[float], None] | None = None) -> np.ndarray:
    """A short round tour that begins at place 0: at most a few per cent longer than the shortest there is.

    Parameters
    ----------
    cost : (n, n) float
        Symmetric cost between places, not negative.
    progress : callable, optional
        Told the part done so far (0 to 1).

    Returns
    -------
    (n,) int

    Raises
    ------
    InputError
        If the cost is not a finite, symmetric, non-negative square.
    """
    cost = _checked(cost)
    tour = _Tour(nearest_neighbour(cost), cost)
    tour.settle(range(len(cost)))
    tour.kick(_KICKS * len(cost), progress or (lambda _done: None))
    return tour.beginning_at(0)


def tour_cost(order: np.ndarray, cost: np.ndarray) -> float:
    """Cost of a round tour."""
    return float(cost[order, np.roll(order, -1)].sum())


def nearest_neighbour(cost: np.ndarray) -> np.ndarray:
    """(n,) round tour from place 0 that always goes on to the cheapest place left; ties go to the lower number."""
    left = np.ones(len(cost), dtype=bool)
    order = np.zeros(len(cost), dtype=np.intp)
    for place in range(len(cost)):
        if place:
            order[place] = np.where(left, cost[order[place - 1]], np.inf).argmin()
        left[order[place]] = False
    return order


def improve_tour(order: np.ndarray, cost: np.ndarray) -> np.ndarray:
    """Shorten a round tour by 2-opt and Or-opt along the cheapest links; it never gets longer.

    Parameters
    ----------
    order : (n,) int
        A permutation of the places; its first place stays first.
    cost : (n, n) float
        Symmetric cost between places.

    Returns
    -------
    (n,) int
    """
    order = np.array(order, dtype=np.intp)
    tour = _Tour(order, _checked(cost))
    tour.settle(order.tolist())
    return tour.beginning_at(int(order[0])) if len(order) else order


class _Tour:
    """A round tour while it is being shortened: the places in order, and where in it each of them stands."""

    def __init__(self, order: np.ndarray, cost: np.ndarray) -> None:
        self.order = order.tolist()
        self.place = np.argsort(order).tolist()
        self.cost = memoryview(np.ascontiguousarray(cost))  # a third of the time of indexing an array
        self.least = _LEAST_GAIN * float(cost.mean()) if cost.size else 0.0
        apart = cost.copy()
        np.fill_diagonal(apart, np.inf)
        near = np.argsort(apart, axis=1, kind="stable")[:, : min(_NEIGHBOURS, max(len(cost) - 1, 0))]
        self.near = near.tolist()

    def beginning_at(self, first: int) -> np.ndarray:
        """(n,) the tour from a place on."""
        return np.roll(np.array(self.order, dtype=np.intp), -self.place[first]) if self.order else np.zeros(0, np.intp)

    def settle(self, places: Iterable[int]) -> float:
        """Mend around places, and around what that changes, until nothing helps; how much shorter the tour got."""
        if len(self.order) < 5:
            return self._settle_few()
        waiting, gained = list(dict.fromkeys(places)), 0.0
        inside = set(waiting)
        waiting.reverse()
        while waiting:
            place = waiting.pop()
            inside.discard(place)
            gain, touched = self._shorten_at(place)
            if gain > 0.0:
                gained += gain
                new = [one for one in touched if one not in inside]
                waiting += new
                inside.update(new)
        return gained

    def kick(self, times: int, progress: Callable[[float], None]) -> None:
        """Cut and rejoin near a random place, mend, and keep what is no longer than before."""
        n, rng = len(self.order), random.Random(0)
        if n < 8:
            return
        for at in range(times):
            if at % 200 == 0:
                progress(at / times)
            order, place = self.order.copy(), self.place.copy()
            start = rng.randrange(n)
            a, b, c = sorted(rng.sample(range(1, min(_WINDOW, n - 1)), 3))
            piece = [self.order[(start + k) % n] for k in range(c + 1)]
            mixed = [piece[0], *piece[a + 1 : b + 1], *piece[1 : a + 1], *piece[b + 1 :]]
            ends = [piece[k] for k in (0, 1, a, a + 1, b, b + 1)]
            longer = self._links(mixed) - self._links(piece)
            self._write(start, mixed)
            if self.settle(ends) < longer - self.least:
                self.order, self.place = order, place

    def _links(self, piece: list[int]) -> float:
        cost = self.cost
        return sum(cost[a, b] for a, b in itertools.pairwise(piece))

    def _write(self, start: int, piece: list[int]) -> None:
        """Put places into the tour from a position on, past its end and round if need be."""
        n, order, place = len(self.order), self.order, self.place
        for at, one in enumerate(piece, start):
            at = at % n
            order[at] = one
            place[one] = at

    def _shorten_at(self, a: int) -> tuple[float, tuple[int, ...]]:
        """The first exchange that helps among those that give a place one of its cheapest links; what it touched."""
        order, place, cost, least, n = self.order, self.place, self.cost, self.least, len(self.order)
        at = place[a]
        for step in (1, -1):
            b = order[(at + step) % n]
            ab = cost[a, b]
            for c in self.near[a]:
                gain = ab - cost[a, c]
                if gain <= least:
                    break
                d = order[(place[c] + step) % n]
                if d == a:
                    continue
                exchanged = gain + cost[c, d] - cost[b, d]
                if exchanged > least:  # 2-opt: links ab and cd become ac and bd
                    first, last = (at + 1, place[c]) if step == 1 else (place[c], at - 1)
                    self._turn(first, last)
                    return exchanged, (a, b, c, d)
                moved = self._move_chain(a, b, c, step)
                if moved is not None:
                    return moved
        return 0.0, ()

    def _move_chain(self, a: int, b: int, c: int, step: int) -> tuple[float, tuple[int, ...]] | None:
        """Or-opt: the chain that begins at a and leads away from b goes beside c, if that helps."""
        order, place, cost, n = self.order, self.place, self.cost, len(self.order)
        at, there = place[a], place[c]
        away = (at - there) * step % n  # how far c lies along the chain's direction
        for length in range(1, _LONGEST_CHAIN + 1):
            if away < length or length > n - 3:
                break  # c belongs to the chain
            tail, beyond = order[(at - step * (length - 1)) % n], order[(at - step * length) % n]
            saved = cost[a, b] + cost[tail, beyond] - cost[b, beyond] - cost[a, c]
            for side in (1, -1):
                e = order[(there + side) % n]
                if (at - place[e]) * step % n < length:
                    continue  # e belongs to the chain
                if {c, e} == {b, beyond}:
                    continue
                gain = saved - cost[tail, e] + cost[c, e]
                if gain > self.least:
                    self._insert(at, length, step, c, e)
                    return gain, (a, b, c, e, tail, beyond)
        return None

    def _insert(self, at: int, length: int, step: int, c: int, e: int) -> None:
        """Take the chain that begins at a position out and put it between c and e, its beginning beside c."""
        n = len(self.order)
        chain = [self.order[(at - step * k) % n] for k in range(length)]  # from a on
        start = at if step == -1 else (at - length + 1) % n
        c_first = self.order[(self.place[c] + 1) % n] == e  # c, then e, along the tour
        put = chain if c_first else chain[::-1]
        left, right = (c, e) if c_first else (e, c)
        ahead = (self.place[left] - start) % n  # places from the chain's start to the one before the gap
        back = (start - self.place[right]) % n
        if ahead <= back:
            between = [self.order[(start + k) % n] for k in range(length, ahead + 1)]
            self._write(start, [*between, *put])
        else:
            first = self.place[right]
            between = [self.order[(first + k) % n] for k in range(back)]
            self._write(first, [*put, *between])

    def _turn(self, first: int, last: int) -> None:
        """Turn round the places from one position to another, or, if that is shorter, all the others."""
        n = len(self.order)
        inner = (last - first) % n + 1
        if 2 * inner > n:
            first, inner = last + 1, n - inner
        piece = [self.order[(first + k) % n] for k in range(inner)]
        self._write(first % n, piece[::-1])

    def _settle_few(self) -> float:
        """Four places have three tours, fewer have one."""
        if len(self.order) < 4:
            return 0.0
        rest = [(1, 2, 3), (1, 3, 2), (2, 1, 3)]
        tours = [[self.order[0], *(self.order[k] for k in one)] for one in rest]
        lengths = [self._links([*tour, tour[0]]) for tour in tours]
        best = lengths.index(min(lengths))
        self._write(0, tours[best])
        return lengths[0] - lengths[best]


def _checked(cost: np.ndarray) -> np.ndarray:
    cost = np.asarray(cost, dtype=float)
    if cost.ndim != 2 or cost.shape[0] != cost.shape[1]:
        raise InputError("the cost of a tour is not square", found=cost.shape, expected="(n, n)")
    if not np.isfinite(cost).all() or (cost < 0).any() or not np.allclose(cost, cost.T):
        raise InputError("the cost of a tour must be finite, symmetric and not negative")
    return cost
