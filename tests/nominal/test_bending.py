"""Curvature of hollows estimated from facets, against spheres and cylinders of known radius."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from probekit import nominal
from probekit.nominal.facets import FacetEngine


def hollow(mesh: trimesh.Trimesh) -> np.ndarray:
    return nominal.from_arrays(mesh.vertices, mesh.faces, name="part").engine.hollow


@pytest.mark.parametrize("radius", [0.5, 2.0, 40.0])
def test_a_ball_bulges_and_its_mould_is_hollow(radius: float) -> None:
    ball = trimesh.creation.icosphere(subdivisions=3, radius=radius)
    assert hollow(ball).max() < 1e-9
    box = trimesh.creation.box(extents=[4 * radius] * 3)
    mould = trimesh.util.concatenate([box, trimesh.Trimesh(ball.vertices, ball.faces[:, ::-1])])
    part = nominal.from_arrays(mould.vertices, mould.faces, name="mould")
    inside = np.linalg.norm(part.vertices[part.facets].mean(axis=1), axis=1) < 1.1 * radius
    np.testing.assert_allclose(part.engine.hollow[inside] * radius, 1.0, rtol=0.1)
    assert part.engine.hollow[~inside].max() == 0.0


@pytest.mark.parametrize("strips", [24, 36, 90])
def test_a_bore_has_its_own_radius_and_a_shaft_none(strips: int) -> None:
    tube = trimesh.creation.annulus(3.0, 8.0, 20.0, sections=strips)
    part = nominal.from_arrays(tube.vertices, tube.faces, name="tube")
    away = np.hypot(*part.vertices[part.facets].mean(axis=1)[:, :2].T)
    flat = np.abs(part.engine.tables.normal[:, 2]) > 0.5
    bore = (away < 3.5) & ~flat
    np.testing.assert_allclose(part.engine.hollow[bore] * 3.0, 1.0, rtol=0.05)
    assert part.engine.hollow[~bore].max() < 1e-9


def test_rounding_does_not_bend_a_plane() -> None:
    """Vertices of a plane grid off by rounding of single precision."""
    x, y = np.meshgrid(np.linspace(0, 50, 21), np.linspace(0, 50, 21), indexing="ij")
    rng = np.random.default_rng(3)
    points = np.column_stack([x.ravel(), y.ravel(), rng.normal(0, 4e-6, x.size)]).astype(np.float32).astype(float)
    a = (np.arange(20)[:, None] * 21 + np.arange(20)).ravel()
    facets = np.vstack([np.column_stack([a, a + 21, a + 22]), np.column_stack([a, a + 22, a + 1])])
    assert FacetEngine(points, facets, np.zeros(len(facets), int), 1).hollow.max() == 0.0
