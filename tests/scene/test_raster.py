"""The rasteriser against every pixel's middle tested against every facet, by the signs of three areas."""

from __future__ import annotations

import numpy as np
import pytest

from probekit.scene import raster

WIDTH, HEIGHT = 60, 40


def brute_force(corner: np.ndarray, facets: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Depth (h, w) in front and facet (h, w), or -1, of pixels whose middle lies in a facet that turns clockwise."""
    column, row = np.meshgrid(np.arange(WIDTH) + 0.5, np.arange(HEIGHT) + 0.5)
    depth, owner = np.full(column.shape, -np.inf), np.full(column.shape, -1)
    for number, (a, b, c) in enumerate(corner[facets]):
        area = np.cross(b[:2] - a[:2], c[:2] - a[:2])
        if not area < 0:
            continue
        sides = [(q[0] - p[0]) * (row - p[1]) - (q[1] - p[1]) * (column - p[0]) for p, q in ((b, c), (c, a), (a, b))]
        inside = np.all([side <= 0 for side in sides], axis=0)
        far = sum(side * z for side, z in zip(sides, (a[2], b[2], c[2]), strict=True)) / area
        front = inside & (far > depth)
        depth[front], owner[front] = far[front], number
    return depth, owner


@pytest.mark.filterwarnings("ignore:Arrays of 2-dimensional vectors:DeprecationWarning")
@pytest.mark.parametrize("size", [1.5, 8.0, 50.0])
def test_random_facets(size: float) -> None:
    rng = np.random.default_rng(int(size))
    for _ in range(20):
        middle = rng.uniform((-5, -5, 0), (WIDTH + 5, HEIGHT + 5, 30), (60, 1, 3))
        corner = (middle + rng.normal(size=(60, 3, 3)) * size).reshape(-1, 3)
        facets = np.arange(180).reshape(-1, 3)
        depth, owner, share = raster.raster(corner, facets, WIDTH, HEIGHT)
        expected, owned = brute_force(corner, facets)
        np.testing.assert_array_equal(owner, owned)
        seen = owner >= 0
        np.testing.assert_allclose(depth[seen], expected[seen], atol=1e-4)
        at = np.einsum("nk,nkc->nc", share[seen], corner[facets[owner[seen]]])
        row, column = np.nonzero(seen)
        np.testing.assert_allclose(at[:, :2], np.column_stack([column, row]) + 0.5, atol=1e-3)


def test_a_surface_has_no_gaps_between_its_facets() -> None:
    """Corners on the middles of pixels and beside them, long slivers: the whole of a closed rectangle is covered."""
    rng, drawn = np.random.default_rng(4), 0
    for _ in range(20):
        x, y = (np.unique(np.round(np.sort(rng.uniform(0, n, 12)) * 2) / 2) for n in (WIDTH, HEIGHT))
        x, y = np.concatenate([[-1.0], x, [WIDTH + 1.0]]), np.concatenate([[-1.0], y, [HEIGHT + 1.0]])
        grid = np.stack([*np.meshgrid(x, y), np.zeros((len(y), len(x)))], axis=2).reshape(-1, 3)
        turn = rng.uniform(0, 0.02)
        grid[:, 0] += turn * (grid[:, 1] - 0.5 * HEIGHT) ** 2 * (np.abs(grid[:, 0] - 30) < 30)
        index = np.arange(len(grid)).reshape(len(y), len(x))
        a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
        facets = np.stack([np.stack([a, d, c], -1), np.stack([a, c, b], -1)], 2).reshape(-1, 3)
        x0, y0 = grid[facets][:, :, 0], grid[facets][:, :, 1]
        area = (x0[:, 1] - x0[:, 0]) * (y0[:, 2] - y0[:, 0]) - (x0[:, 2] - x0[:, 0]) * (y0[:, 1] - y0[:, 0])
        if (area >= 0).any():
            continue
        assert (raster.raster(grid, facets, WIDTH, HEIGHT)[1] >= 0).all()
        drawn += 1
    assert drawn >= 5


def test_nothing_to_draw_and_facets_without_extent() -> None:
    corner = np.array([[5.5, 5.5, 1.0], [20.5, 5.5, 2.0], [9.0, 5.5, 3.0], [5.5, 5.5 + 1e-13, 4.0]])
    for facets in (np.zeros((0, 3), int), np.array([[0, 1, 2], [0, 2, 1], [0, 3, 1], [0, 1, 3], [1, 1, 1]])):
        depth, owner, share = raster.raster(corner, facets, WIDTH, HEIGHT)
        assert np.isfinite(depth[owner >= 0]).all()
        assert depth.max(initial=0.0) <= 4.0
        assert np.isfinite(share).all()


def test_many_pixels_are_drawn_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    corner, facets = rng.uniform(0, 60, (300, 3)), np.arange(300).reshape(-1, 3)
    whole = raster.raster(corner, facets, WIDTH, HEIGHT)
    monkeypatch.setattr(raster, "_FRAGMENTS", 500)
    for one, other in zip(whole, raster.raster(corner, facets, WIDTH, HEIGHT), strict=True):
        np.testing.assert_array_equal(one, other)
