"""The estimate of the chord error against the true one, from the closed forms of sphere, cylinder and torus.

It promises no more than the size of the error; here it must come within a factor of 1.4, on meshes coarse and fine,
even and drawn out.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
import shapes
import trimesh

import probekit as pk

DATA = Path(__file__).parents[2] / "data"
sys.path.insert(0, str(DATA))

import foil_shape  # noqa: E402

#: Weights of 45 points spread over a triangle.
WEIGHTS = np.array([[i, j, 8 - i - j] for i in range(9) for j in range(9 - i)]) / 8.0


def sampled(part: pk.nominal.Nominal, face: int = 0) -> np.ndarray:
    """(n, 3) points spread over the facets of a face."""
    return (WEIGHTS @ part.vertices[part.facets[part.facet_face == face]]).reshape(-1, 3)


def one_face(mesh: trimesh.Trimesh) -> pk.nominal.Nominal:
    part = pk.nominal.from_arrays(mesh.vertices, mesh.faces, angle=80)
    assert len(part.face_names) == 1
    return part


@pytest.mark.parametrize("finer", [1, 2, 4])
def test_sphere_of_even_triangles(finer):
    part = one_face(trimesh.creation.icosphere(subdivisions=finer, radius=20.0))
    true = (20.0 - np.linalg.norm(sampled(part), axis=1)).max()
    assert pk.nominal.chord_error(part)[0] == pytest.approx(true, rel=0.1)


@pytest.mark.parametrize("count", [(8, 8), (8, 32), (16, 128), (64, 64)])
def test_sphere_of_meridians_and_parallels(count):
    part = one_face(trimesh.creation.uv_sphere(radius=20.0, count=count))
    true = (20.0 - np.linalg.norm(sampled(part), axis=1)).max()
    assert 1.0 < pk.nominal.chord_error(part)[0] / true < 1.4


@pytest.mark.parametrize("height", [1.0, 30.0, 300.0])
@pytest.mark.parametrize("sides", [8, 24, 96])
def test_cylinder_and_its_flat_ends(sides, height):
    """A prism of n sides stands off its circumscribed cylinder by R (1 - cos(pi / n))."""
    mesh = trimesh.creation.cylinder(radius=10.0, height=height, sections=sides)
    part = pk.nominal.from_arrays(mesh.vertices, mesh.faces, angle=60)
    found = np.sort(pk.nominal.chord_error(part))
    assert len(found) == 3
    assert found[:2] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert 1.0 < found[2] / (10.0 * (1.0 - np.cos(np.pi / sides))) < 1.4


@pytest.mark.parametrize("count", [(24, 12), (96, 12), (24, 60), (96, 96)])
def test_torus(count):
    part = one_face(trimesh.creation.torus(30.0, 9.0, major_sections=count[0], minor_sections=count[1]))
    x, y, z = sampled(part).T
    true = np.abs(np.hypot(np.hypot(x, y) - 30.0, z) - 9.0).max()
    assert 1.0 < pk.nominal.chord_error(part)[0] / true < 1.4


def test_saddle_curved_both_ways():
    """A height field over a grid: its facets' distance, to first order the height's times the slope's cosine."""

    def height(x, y):
        return x * y / 50.0

    part = shapes.height_field(height, size=30.0, n=20)
    x, y, z = sampled(part).T
    true = np.abs((height(x, y) - z) / np.sqrt(1.0 + (x**2 + y**2) / 2500.0)).max()
    assert 0.7 < pk.nominal.chord_error(part)[0] / true < 1.4


def test_planes_have_none():
    assert pk.nominal.chord_error(shapes.plane_patch()) == pytest.approx([0.0])
    assert pk.nominal.chord_error(shapes.box()) == pytest.approx(np.zeros(6))


def test_a_long_flat_that_runs_into_a_rounding_does_not_count_as_curved():
    """A bar with round ends, all in one smooth face: two flats of 100 mm, half cylinders of radius 5 in 24 sides."""
    angle = np.radians(np.arange(25) * 7.5 - 90.0)
    arc = np.stack([5.0 * np.cos(angle), 5.0 * np.sin(angle)], axis=1)
    out = np.array([50.0, 0.0])
    outline = np.concatenate([arc + out, -arc - out])
    n = len(outline)
    vertices = np.concatenate([np.column_stack([outline, np.full(n, z)]) for z in (0.0, 20.0)])
    a, b = np.arange(n), (np.arange(n) + 1) % n
    facets = np.concatenate([np.stack([a, b, b + n], axis=1), np.stack([a, b + n, a + n], axis=1)])
    part = pk.nominal.Nominal(vertices, facets, np.zeros(2 * n, dtype=np.int32), ("wall",))
    true = 5.0 * (1.0 - np.cos(np.radians(3.75)))
    assert 1.0 < pk.nominal.chord_error(part)[0] / true < 1.4


def test_the_demo_mesh_by_its_exact_shape():
    """Skin: sampled by the definition of the part. Bore and slot: sides of 2 and 3 degrees, as in data/foil_mesh.py."""
    part = pk.nominal.load(
        DATA / "foil" / "foil.3mf",
        faces={"skin": (-13.519, -3.169, 45.0), "bore": (-55.0, 26.0, -10.0), "slot": (30.0, 32.0, -10.0)},
    )
    found = dict(zip(part.face_names, pk.nominal.chord_error(part), strict=True))
    true = {
        "skin": np.abs(foil_shape.skin_distance(sampled(part, part.face_index("skin"))[::5])).max(),
        "bore": 10.0 * (1.0 - np.cos(np.pi / 180)),
        "slot": 5.0 * (1.0 - np.cos(np.pi / 120)),
    }
    for name, value in true.items():
        assert 1.0 < found[name] / value < 1.5, name


@pytest.mark.skipif(importlib.util.find_spec("OCP") is None, reason="the CAD kernel is not installed")
def test_exact_surfaces_have_none_but_their_facets_would():
    part = pk.nominal.load(DATA / "foil" / "foil.step", deflection=0.05)
    assert (pk.nominal.chord_error(part) == 0.0).all()
    facets = pk.nominal.Nominal(part.vertices, part.facets, part.facet_face, part.face_names)
    found = pk.nominal.chord_error(facets)[part.face_index("skin")]
    true = np.abs(foil_shape.skin_distance(sampled(part, part.face_index("skin")))).max()
    assert 0.5 < found / true < 2.0
