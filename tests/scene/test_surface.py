from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from probekit.scene import surface


def cube():
    """Unit cube: 8 vertices, 12 facets, 6 faces, turning outward."""
    corners = np.array([[x, y, z] for x in (0.0, 1) for y in (0.0, 1) for z in (0.0, 1)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    facets = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
    return corners, facets, np.repeat(np.arange(6), 2)


def area(vertices, facets):
    corner = vertices[facets]
    return np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1) / 2


@given(st.lists(st.sampled_from([0.13, 0.2, 0.31, 0.7, np.inf]), min_size=6, max_size=6))
def test_cutting_keeps_area_orientation_and_neighbours(longest):
    vertices, facets, face = cube()
    fine, small, of = surface.cut_long_edges(vertices, facets, face, np.array(longest), 100_000)
    np.testing.assert_allclose(np.bincount(of, weights=area(fine, small)), 1.0)
    # outward: the divergence theorem still gives the volume of the cube
    a, b, c = fine[small].transpose(1, 0, 2)
    assert np.einsum("ij,ij->", a, np.cross(b, c)) / 6 == pytest.approx(1.0)
    # watertight: every edge is used once each way (Euler: v - e + f = 2)
    pair = np.stack([small, np.roll(small, -1, axis=1)], axis=2).reshape(-1, 2)
    assert len(np.unique(pair, axis=0)) == len(pair)
    edges = len(np.unique(np.sort(pair, axis=1), axis=0))
    assert len(fine) - edges + len(small) == 2
    length = np.linalg.norm(fine[pair[:, 0]] - fine[pair[:, 1]], axis=1)
    assert (length <= np.repeat(np.array(longest)[of], 3) + 1e-12).all()


def test_cutting_stops_at_the_limit():
    _, facets, _ = surface.cut_long_edges(*cube(), np.full(6, 0.01), 500)
    assert 12 < len(facets) <= 500


def test_split_gives_each_face_its_vertices_and_borders_are_its_edges():
    vertices, facets, face = cube()
    split, origin, vertex_face = surface.split_faces(facets, face)
    assert len(origin) == 24
    np.testing.assert_array_equal(origin[split], facets)
    np.testing.assert_array_equal(vertex_face[split], np.repeat(face[:, None], 3, axis=1))
    edges = surface.borders(split, origin)
    length = np.linalg.norm(vertices[origin[edges[:, 0]]] - vertices[origin[edges[:, 1]]], axis=1)
    assert len(edges) == 12, "the diagonals of the faces are no borders"
    np.testing.assert_allclose(length, 1.0)


def test_normals_of_a_sphere_are_radial():
    trimesh = pytest.importorskip("trimesh")
    ball = trimesh.creation.icosphere(subdivisions=4, radius=7)
    normals = surface.smooth_normals(np.asarray(ball.vertices), np.asarray(ball.faces))
    np.testing.assert_allclose(normals, ball.vertices / 7, atol=0.01)


def test_spread_passes_through_the_values_and_never_leaves_their_range():
    rng = np.random.default_rng(5)
    feet, values = rng.uniform(0, 10, (80, 3)) * [1, 1, 0], rng.normal(size=80)
    np.testing.assert_allclose(surface.spread(feet, feet, values, 3.0), values, atol=1e-9)
    grid = rng.uniform(0, 10, (4000, 3)) * [1, 1, 0]
    shown = surface.spread(grid, feet, values, 3.0)
    assert np.nanmin(shown) >= values.min() - 1e-12
    assert np.nanmax(shown) <= values.max() + 1e-12


def test_spread_of_a_constant_is_that_constant_and_nothing_beyond_reach():
    feet = np.array([[0.0, 0, 0], [1, 0, 0]])
    shown = surface.spread(np.array([[0.4, 0, 0], [1.99, 0, 0], [2.01, 0, 0]]), feet, np.array([0.3, 0.3]), 1.0)
    np.testing.assert_allclose(shown[:2], 0.3)
    assert np.isnan(shown[2])


def test_spread_is_continuous_where_more_values_are_in_reach_than_are_used():
    rng = np.random.default_rng(6)
    feet, values = rng.uniform(0, 1, (300, 3)), rng.normal(size=300)
    line = np.linspace([0.2, 0.3, 0.4], [0.8, 0.6, 0.5], 20001)
    shown = surface.spread(line, feet, values, 5.0)
    assert np.abs(np.diff(shown)).max() < 0.02


def test_reach_of_an_even_grid_and_of_a_corner():
    grid = np.array([[x, y, 0.0] for x in range(10) for y in range(10)])
    assert surface.reach_of_face(grid, 100.0, 15.0) == pytest.approx(1.75)
    assert surface.reach_of_face(grid, 1e6, 1500.0) == 15.0, "touches in a corner do not paint the face"
    assert surface.reach_of_face(grid[:1], 1e4, 100.0) == pytest.approx(9.0)


def test_a_thin_wall_does_not_bleed_through():
    """Both sides of a 1 mm wall, touched 5 mm apart: each vertex shows the value of its own side."""
    grid = np.array([[x, y, 0.0] for x in range(0, 50, 5) for y in range(0, 50, 5)])
    up, down = np.tile([0.0, 0, 1], (100, 1)), np.tile([0.0, 0, -1], (100, 1))
    places = np.vstack([grid, grid - [0, 0, 1]])
    feet = surface.with_normals(places, np.vstack([up, down]), 8.0)
    values = np.repeat([0.1, -0.1], 100)
    between = grid[:90] + np.array([2.5, 2.5, 0])
    shown = surface.spread(surface.with_normals(between, up[:90], 8.0), feet, values, 8.0)
    np.testing.assert_allclose(shown, 0.1)
    assert np.ptp(surface.spread(between, places, values, 8.0)) < 0.1, "without normals the sides mix"
    assert surface.spread(between, places, values, 8.0).max() < 0.09
