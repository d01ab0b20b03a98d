"""Moran's I: against closed forms, all permutations of a few values, and the moments of Cliff and Ord."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from probekit.action.pattern import describe, morans_i, permuted


def rook(rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of cells of a board that share a side."""
    cell = np.arange(rows * columns).reshape(rows, columns)
    across, down = (cell[:, :-1].ravel(), cell[:, 1:].ravel()), (cell[:-1].ravel(), cell[1:].ravel())
    return np.concatenate([across[0], down[0]]), np.concatenate([across[1], down[1]])


def test_a_chessboard_is_minus_one():
    """Every neighbour is of the other colour: I = -1 (closed form)."""
    i, j = np.indices((8, 8))
    assert morans_i(((i + j) % 2).ravel().astype(float), *rook(8, 8)) == pytest.approx(-1.0)


def test_two_halves():
    """Left half one, right half zero on 4 x 4: 24 pairs, of which 4 differ: (20 - 4) / 24 (closed form)."""
    values = (np.indices((4, 4))[1] < 2).ravel().astype(float)
    assert morans_i(values, *rook(4, 4)) == pytest.approx(16 / 24)


def test_permutations_agree_with_all_of_them():
    """Seven places in a row, all 5040 orders: mean -1/(n - 1), and p within what 9999 draws leave."""
    values, one, two = np.array([0.1, 0.5, 0.4, 1.3, 1.1, 2.0, 1.2]), np.arange(6), np.arange(1, 7)
    every = np.array([morans_i(np.array(order), one, two) for order in permutations(values)])
    assert every.mean() == pytest.approx(-1 / 6, abs=1e-12)
    found, p = permuted(values, one, two, permutations=9999)
    exact = np.mean(every >= found - 1e-12)
    assert 0.005 < exact < 0.1, "a case that tells something"
    assert p == pytest.approx(exact, abs=4 * np.sqrt(exact / 9999))


def test_moments_of_cliff_and_ord():
    """Variance under randomisation (Cliff and Ord 1981, from memory), and the draws for an uneven distribution."""
    rng = np.random.default_rng(3)
    values, (one, two) = rng.exponential(size=25), rook(5, 5)
    n, w = 25, 2 * len(one)
    degree = np.bincount(np.concatenate([one, two]), minlength=n)
    s1, s2 = 2.0 * w, float(np.sum((2 * degree) ** 2))  # of weights one both ways: (w + w)^2 / 2 over ordered pairs
    z = values - values.mean()
    b2 = n * np.sum(z**4) / np.sum(z**2) ** 2
    second = n * ((n * n - 3 * n + 3) * s1 - n * s2 + 3 * w * w) - b2 * ((n * n - n) * s1 - 2 * n * s2 + 6 * w * w)
    variance = second / ((n - 1) * (n - 2) * (n - 3) * w * w) - 1 / (n - 1) ** 2
    drawn = morans_i(rng.permuted(np.tile(values, (40_000, 1)), axis=1), one, two)
    assert drawn.mean() == pytest.approx(-1 / 24, abs=4 * drawn.std() / 200)
    assert drawn.var() == pytest.approx(variance, rel=0.03)


def plate(values: np.ndarray) -> pd.DataFrame:
    x, y = (a.ravel() * 5.0 for a in np.indices((8, 8)))
    return pd.DataFrame({"foot_x": x, "foot_y": y, "foot_z": 0.0, "nx": 0.0, "ny": 0.0, "nz": 1.0, "left": values})


def test_scatter_is_rarely_called_form():
    """At a p of 0.01, about 2 of 200 (six would be seen once in 100)."""
    found = [
        describe(plate(np.zeros(64)), np.random.default_rng(seed).normal(size=64))[2].startswith("it follows")
        for seed in range(200)
    ]
    assert sum(found) <= 6


def test_a_wave_is_form_and_few_touches_tell_nothing():
    x, _ = np.indices((8, 8))
    wave = np.sin(x.ravel()) + np.random.default_rng(0).normal(scale=0.3, size=64)
    value, p, words = describe(plate(wave), wave)
    assert value > 0.2
    assert p == pytest.approx(0.001)
    assert words.startswith("it follows the surface")
    assert "too few" in describe(plate(wave).iloc[:5], wave[:5])[2]
    assert describe(plate(wave), np.zeros(64))[2] == "nothing is left"
    assert describe(plate(wave), wave) == (value, p, words), "the same input, the same p"
