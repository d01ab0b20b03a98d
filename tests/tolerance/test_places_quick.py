"""Touches at one place are told apart quickly, however many there are."""

from __future__ import annotations

import time

import numpy as np

from probekit.tolerance.enough import ONE_PLACE, place_of


def test_places_are_as_pairs_of_touches_tell_them() -> None:
    """Against the definition, pair by pair: the first touch that is at no place yet takes those near it."""
    rng = np.random.default_rng(1)
    points = rng.uniform(0.0, 0.5, (400, 3))
    place = np.full(len(points), -1)
    for k, point in enumerate(points):
        if place[k] < 0:
            near = np.linalg.norm(points - point, axis=1) <= ONE_PLACE
            place[near & (place < 0)] = k
    assert 5 < len(np.unique(place)) < 390
    np.testing.assert_array_equal(place_of(points), np.unique(place, return_inverse=True)[1])


def test_three_hundred_thousand_at_one_place_take_no_square_of_it() -> None:
    points = np.random.default_rng(2).normal(0.0, 0.001, (300_000, 3))
    begun = time.process_time()
    assert len(np.unique(place_of(points))) == 1
    assert time.process_time() - begun < 20.0  # 45 milliards of pairs would take minutes, and 700 GB
