"""Searches within chosen groups, against the same search in each group alone, by brute force in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from probekit.nominal.nearby import ApartTree, _widened, on_triangles


def by_brute_force(points, start, end):
    """Squared distance (n, s) of points from segments."""
    along = end - start
    part = np.einsum("nsc,sc->ns", points[:, None] - start, along) / np.einsum("sc,sc->s", along, along)
    foot = start + np.clip(part, 0.0, 1.0)[..., None] * along
    return ((points[:, None] - foot) ** 2).sum(axis=2)


@pytest.mark.parametrize("off", [1.0, 30.0, 1e5])
def test_closest_segment_of_a_group(off):
    """Groups that lie in each other; queries near, a little outside, and further off than groups are set apart."""
    rng = np.random.default_rng(4)
    ends = rng.normal(size=(200, 3))
    segments, group = np.arange(200).reshape(100, 2), np.repeat(np.arange(20), 5)[rng.permutation(100)]
    points, asked = off * rng.normal(size=(500, 3)), rng.integers(20, size=500)
    squared, segment, foot = ApartTree(ends, segments, group).search(points, asked)
    expected = by_brute_force(points, ends[segments[:, 0]], ends[segments[:, 1]])
    expected[asked[:, None] != group] = np.inf
    np.testing.assert_array_equal(group[segment], asked)
    np.testing.assert_allclose(squared, expected.min(axis=1), rtol=1e-11)
    np.testing.assert_allclose(((points - foot) ** 2).sum(axis=1), expected.min(axis=1), rtol=1e-11)


def test_closest_points_of_triangles_are_those_of_libigl():
    """Each triangle with a point of its own; some without an area: two or three corners in one place, or in a line."""
    rng = np.random.default_rng(5)
    corners, points = rng.normal(size=(900, 3, 3)), 2.0 * rng.normal(size=(900, 3))
    corners[:20, 2], corners[20:40, 1:] = corners[:20, 1], corners[20:40, :1]
    corners[40:60, 2] = 0.3 * corners[40:60, 0] + 0.7 * corners[40:60, 1]
    each = ApartTree(corners.reshape(-1, 3), np.arange(2700).reshape(900, 3), np.arange(900))
    squared, _, foot = each.search(points, np.arange(900))
    found = on_triangles(points, corners)
    np.testing.assert_allclose(np.linalg.norm(points - found, axis=1), np.sqrt(squared), rtol=0, atol=1e-11)
    np.testing.assert_allclose(found[60:], foot[60:], rtol=0, atol=1e-11)


def test_nothing_asked():
    tree = ApartTree(np.eye(3), np.array([[0, 1, 2]]), np.array([0]))
    assert [len(found) for found in tree.search(np.zeros((0, 3)), np.zeros(0, dtype=int))] == [0, 0, 0]


@pytest.mark.parametrize("cells", [1, 3, 8])
@pytest.mark.parametrize("shape", [(3, 4, 5), (1, 1, 9), (20, 15, 10)])
def test_widening_is_the_filter_of_scipy(shape, cells):
    from scipy.ndimage import maximum_filter, minimum_filter

    grid = np.random.default_rng(cells).integers(0, 9, shape)
    for widen, known, beyond in ((np.minimum, minimum_filter, 99), (np.maximum, maximum_filter, -1)):
        padded = np.pad(grid, cells + 1, constant_values=beyond)
        expected = known(padded, size=2 * cells + 1, mode="constant", cval=beyond)
        np.testing.assert_array_equal(_widened(padded, cells, widen), expected)
