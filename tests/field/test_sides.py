"""Sides of a part that differ in form: against brute force, closed forms and simulated thin walls."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from benchmarks import bench_field, bench_sides
from scipy.stats import norm

from probekit.field.belief import learn
from probekit.field.kernel import ACROSS, correlation, distances, matern, six
from probekit.field.nodes import nodes
from probekit.field.sides import Sides, sides_of
from probekit.field.surface import surface
from probekit.uncertainty import Scatter

WALL = bench_sides.SHAPES["wall"]


def touched(counts: tuple[int, int], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places and normals of touches of the wall, and the side of each."""
    side = np.repeat([0, 1], counts)
    flat = [bench_sides.even(n, bench_sides.size(one), rng) for n, one in zip(counts, WALL, strict=True)]
    places = np.vstack([bench_sides.laid(one, f) for one, f in zip(WALL, flat, strict=True)])
    return places, np.where(side[:, None] == 0, 1.0, -1.0) * [0.0, 0.0, 1.0], side


def scatter(n: int) -> Scatter:
    return Scatter(np.full(n, 0.002), np.full((n, 1), 0.0015), ("ball",))


@pytest.mark.parametrize("roughness", [0.5, 1.5, 2.5])
def test_sides_with_lengths_of_their_own_are_correlated_as_can_be(roughness, demo):
    rng = np.random.default_rng(3)
    at = nodes(demo.part, 200, rng)
    points = six(at.places, at.normals)
    length = np.exp(rng.uniform(np.log(4.0), np.log(300.0), len(points)))
    found = correlation(points, points, length, roughness, length)
    assert np.linalg.eigvalsh(found).min() > -1e-12
    np.testing.assert_allclose(np.diag(found), 1.0)
    one = np.full(len(points), 40.0)
    even = correlation(points, points, 40.0, roughness)
    np.testing.assert_allclose(correlation(points, points, one, roughness, one), even, atol=1e-12)
    wide = points * np.repeat([1.0, 40.0 / ACROSS], 3)
    np.testing.assert_allclose(even, matern(distances(wide, wide), 40.0, roughness), atol=1e-12)


def test_a_long_form_of_one_side_of_a_wall_says_little_of_the_other():
    """Places across from each other stand two lengths apart: (1 + a) exp(-a) with a = 2 sqrt(3) is 0.14."""
    across = six(np.zeros((2, 3)), np.array([[0.0, 0, 1], [0, 0, -1]]))
    for length in (25.0, 60.0, 250.0):
        assert correlation(across, across, length, 1.5)[0, 1] == pytest.approx(0.1397, abs=1e-3)


def test_sides_are_what_looks_one_way():
    rng = np.random.default_rng(1)
    places, normals, side = touched((12, 5), rng)
    assert (sides_of(normals) == side).all() or (sides_of(normals) == 1 - side).all()
    saddle = bench_field.saddle(bench_field.even(40, rng))[1]
    assert not sides_of(saddle).any(), "a shallow saddle is one side"
    assert learn(places, normals, 0.001 * rng.standard_normal(17), scatter(17), area=2e4, zone=0.05).sides is not None


def test_weights_of_whole_and_sides_against_all_combinations():
    """Two sides over a small grid: every combination of the numbers of the whole and of each side, one by one."""
    rng = np.random.default_rng(7)
    lists = ([0.5, 1.5], [10.0, 20.0, 40.0], [0.01, 0.02], [0.0, 0.005])
    grid = np.array([*product(*lists)])
    log_own = rng.standard_normal((2, len(grid)))
    made = Sides.of(np.array([0, 0, 1]), log_own, grid, 10.0)
    before = rng.random(len(grid))

    def step(whole: np.ndarray, values: list[float]) -> np.ndarray:
        shares = norm.pdf(np.log(values), np.log(whole), 0.5)
        return shares / shares.sum()

    joint = np.zeros((len(grid),) * 3)
    for k, whole in enumerate(grid):
        lengths, strengths = step(whole[1], lists[1]), step(whole[2], lists[2])
        may = np.zeros(len(grid))
        for j, one in enumerate(grid):
            if one[0] == whole[0] and one[3] == whole[3]:
                may[j] = lengths[lists[1].index(one[1])] * strengths[lists[2].index(one[2])]
        first, second = (may * np.exp(own) for own in log_own)
        joint[k] = before[k] * np.outer(first, second)
    joint /= joint.sum()
    whole = before * np.exp(made.log_likelihood)
    whole /= whole.sum()
    np.testing.assert_allclose(whole, joint.sum(axis=(1, 2)), rtol=1e-10)
    each = made.weights(whole)
    np.testing.assert_allclose(each, [joint.sum(axis=(0, 2)), joint.sum(axis=(0, 1))], rtol=1e-10)
    rows = np.array([made.drawn(5, rng) for _ in range(4000)])
    given = joint[5].sum(axis=1) / joint[5].sum()
    share = np.bincount(rows[:, 0], minlength=len(grid)) / len(rows)
    np.testing.assert_allclose(share, given, atol=4 * 0.5 / np.sqrt(4000))


def test_a_flat_side_does_not_lend_its_flatness_to_the_other():
    rng = np.random.default_rng(5)
    places, normals, side = touched((40, 10), rng)
    form = bench_field.cosines(rng, 30.0, 1.5)
    y = np.where(side == 0, 0.001, 0.02) * form(places[:, :2]) + scatter(50).draw(1, rng)[0]
    at = nodes(bench_sides.part_of(WALL), 300, rng, edges=True)
    said = surface(learn(places, normals, y, scatter(50), area=at.area, zone=0.05), at, (-0.05, 0.05), rng)
    rough, flat = (np.median(said.u[at.face == k]) for k in (1, 0))
    assert rough > 3 * flat
    assert flat < 0.004


def test_too_few_touches_on_one_side_are_named():
    rng = np.random.default_rng(6)
    places, normals, side = touched((40, 4), rng)
    y = 0.01 * bench_field.cosines(rng, 25.0, 1.5)(places[:, :2] + 500.0 * side[:, None])
    at = nodes(bench_sides.part_of(WALL), 300, rng, edges=True)
    said = surface(learn(places, normals, y, scatter(44), area=at.area, zone=0.05), at, (-0.05, 0.05), rng)
    assert not np.isfinite(said.probability)
    assert "most of all where it looks along (0.00, 0.00, -1.00), with 4 touches" in said.sentence


def test_what_is_said_of_a_wall_touched_unevenly_is_true():
    """With one form for both sides, 59 of 100 such parts lay below what should hold for 90."""
    found = bench_sides.run("wall", bench_field.wear, 20, (40, 5), 400)
    assert found["below_q90"] >= 0.75
