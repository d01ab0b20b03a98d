"""Round tours against brute force, a theorem, and the input."""

import itertools

import numpy as np
import pytest
from benchmarks.bench_planning import held_karp, made_cost
from hypothesis import given, settings
from hypothesis import strategies as st

from probekit.errors import InputError
from probekit.plan.route.tour import improve_tour, nearest_neighbour, short_tour, tour_cost


def distances(points):
    return np.linalg.norm(points[:, None] - points, axis=2)


@pytest.mark.parametrize("seed", range(20))
def test_small_tours_are_near_the_optimum_of_all_permutations(seed):
    cost = distances(np.random.default_rng(seed).random((8, 2)))
    rests = (rest for rest in itertools.permutations(range(1, 8)) if rest[0] < rest[-1])
    best = min(tour_cost(np.array((0, *rest)), cost) for rest in rests)
    assert best - 1e-12 <= tour_cost(short_tour(cost), cost) <= 1.02 * best


@pytest.mark.parametrize("n", [3, 4, 5, 17, 60])
def test_points_on_a_convex_curve_are_visited_along_it(n):
    # 2-opt leaves no crossing links, and of points in convex position only the hull has none (M. M. Flood, The
    # traveling-salesman problem, Operations Research 4 (1956) 61-75; from memory)
    rng = np.random.default_rng(n)
    angle = np.sort(rng.random(n)) * 2 * np.pi
    mixed = rng.permutation(n)
    order = mixed[short_tour(distances(np.column_stack([3 * np.cos(angle), np.sin(angle)])[mixed]))]
    steps = np.diff(np.append(order, order[0])) % n
    assert set(steps.tolist()) in ({1}, {n - 1})


@settings(max_examples=60)
@given(st.integers(1, 25), st.integers(0, 2**32 - 1))
def test_improving_keeps_every_place_and_never_lengthens(n, seed):
    rng = np.random.default_rng(seed)
    cost = distances(rng.random((n, 3)))
    given_order = rng.permutation(n)
    better = improve_tour(given_order, cost)
    assert better[0] == given_order[0]
    assert sorted(better.tolist()) == list(range(n))
    assert tour_cost(better, cost) <= tour_cost(given_order, cost) + 1e-9


def test_a_large_tour_beats_the_nearest_neighbour_and_repeats():
    cost = distances(np.random.default_rng(5).random((500, 2)))
    tour = short_tour(cost)
    assert tour_cost(tour, cost) < 0.9 * tour_cost(nearest_neighbour(cost), cost)
    # 0.7124 sqrt(n A) is the limit of the optimum for many random points (Johnson and McGeoch 1997, from memory);
    # 2-opt with Or-opt is commonly said to end about 5 % to 10 % above it
    assert tour_cost(tour, cost) < 1.15 * 0.7124 * np.sqrt(500)
    assert (tour == short_tour(cost)).all()


@pytest.mark.parametrize("cost", [np.ones((2, 3)), np.array([[0, 1], [2, 0.0]]), np.array([[0, np.nan], [np.nan, 0]])])
def test_a_cost_that_is_none_is_refused(cost):
    with pytest.raises(InputError, match="cost of a tour"):
        short_tour(cost)


def test_a_tour_is_within_four_per_cent_of_a_bound_that_no_tour_goes_below():
    # the bound of Held and Karp (see the benchmark); on a cost with ways over the top, as routes have
    cost = made_cost(150)
    tour = short_tour(cost)
    bound = held_karp(cost, tour_cost(tour, cost))
    assert bound <= tour_cost(tour, cost) <= 1.04 * bound
    assert sorted(tour.tolist()) == list(range(len(cost)))


def test_the_bound_is_below_the_optimum_of_all_permutations():
    cost = distances(np.random.default_rng(7).random((8, 2)))
    rests = (rest for rest in itertools.permutations(range(1, 8)) if rest[0] < rest[-1])
    best = min(tour_cost(np.array((0, *rest)), cost) for rest in rests)
    assert 0.9 * best <= held_karp(cost, 1.05 * best) <= best + 1e-12


def test_what_is_done_of_a_tour_is_told_and_never_falls():
    told = []
    short_tour(distances(np.random.default_rng(9).random((200, 2))), progress=told.append)
    assert len(told) > 2
    assert told == sorted(told)
    assert 0.0 <= told[0] <= told[-1] <= 1.0
