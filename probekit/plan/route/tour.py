"""A short round tour through places: nearest neighbour, then 2-opt and Or-opt until neither helps.

symbol   variable   meaning
C        cost       symmetric cost between places, (n, n)
p        order      places in the order of the tour; after the last one it returns to the first

2-opt: G. A. Croes, A method for solving traveling-salesman problems, Operations Research 6 (1958) 791-812.
Or-opt: I. Or, Traveling salesman-type combinatorial problems, Northwestern University (1976). Both from memory.
"""

from __future__ import annotations

import numpy as np

from ...errors import InputError

__all__ = ["improve_tour", "nearest_neighbour", "short_tour", "tour_cost"]

_LONGEST_CHAIN = 3  # places that Or-opt moves together
_LEAST_GAIN = 1e-9  # of the mean cost: what counts as an improvement


def short_tour(cost: np.ndarray) -> np.ndarray:
    """A round tour that begins at place 0 and that neither 2-opt nor Or-opt can shorten.

    Parameters
    ----------
    cost : (n, n) float
        Symmetric cost between places, not negative.

    Returns
    -------
    (n,) int

    Raises
    ------
    InputError
        If the cost is not a finite, symmetric, non-negative square.
    """
    cost = _checked(cost)
    return improve_tour(nearest_neighbour(cost), cost)


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
    """Shorten a round tour by 2-opt and Or-opt until neither helps; it never gets longer.

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
    cost = _checked(cost)
    order = np.array(order, dtype=np.intp)
    first, least = order[0], _LEAST_GAIN * float(cost.mean()) if cost.size else 0.0
    while len(order) > 3 and (_two_opt(order, cost, least) | _or_opt(order, cost, least)):
        pass
    return np.roll(order, -int(np.flatnonzero(order == first)[0]))


def _two_opt(order: np.ndarray, cost: np.ndarray, least: float) -> bool:
    """One sweep: for each link, exchange it with the best other one, the way between turned round. In place."""
    better = False
    for at in range(len(order) - 2):
        here, after = order[at], order[at + 1]
        others, beyond = order[at + 2 :], np.append(order[at + 3 :], order[0])
        gain = cost[here, after] + cost[others, beyond] - cost[here, others] - cost[after, beyond]
        best = int(gain.argmax())
        if gain[best] > least:
            order[at + 1 : at + 3 + best] = order[at + 1 : at + 3 + best][::-1].copy()
            better = True
    return better


def _or_opt(order: np.ndarray, cost: np.ndarray, least: float) -> bool:
    """One sweep: move chains of one to three places to where they cost least, either way round. In place."""
    better = False
    for length in range(1, min(_LONGEST_CHAIN, len(order) - 3) + 1):
        for chain_start in range(len(order)):
            turned = np.roll(order, -chain_start)
            chain, rest = turned[:length], turned[length:]
            head, tail = chain[0], chain[-1]
            start, end = rest[:-1], rest[1:]
            saved = cost[rest[-1], head] + cost[tail, rest[0]] - cost[rest[-1], rest[0]]
            added = np.stack([cost[start, head] + cost[tail, end], cost[start, tail] + cost[head, end]])
            gain = saved - (added - cost[start, end])
            way, best = np.unravel_index(int(gain.argmax()), gain.shape)
            if gain[way, best] > least:
                order[:] = np.concatenate([rest[: best + 1], chain[:: 1 if way == 0 else -1], rest[best + 1 :]])
                better = True
    return better


def _checked(cost: np.ndarray) -> np.ndarray:
    cost = np.asarray(cost, dtype=float)
    if cost.ndim != 2 or cost.shape[0] != cost.shape[1]:
        raise InputError("the cost of a tour is not square", found=cost.shape, expected="(n, n)")
    if not np.isfinite(cost).all() or (cost < 0).any() or not np.allclose(cost, cost.T):
        raise InputError("the cost of a tour must be finite, symmetric and not negative")
    return cost
