"""A thinned picture: no gap, no other number, and a stated distance that a brute-force search confirms."""

import importlib
from functools import partial

import numpy as np
import pytest
import trimesh
from scene import synthetic

from probekit.scene import surface
from probekit.scene.thinning import FACETS_WHOLE, _rounded_up, display_mesh, map_off


@pytest.fixture(scope="module")
def nominal():
    return synthetic.scattered(3000)


@pytest.fixture(scope="module")
def light(nominal):
    return display_mesh(nominal.vertices, nominal.facets, nominal.facet_face, whole=5000, left=4000)


def edges(vertices, facets, facet_face):
    """Edge, as its two places -> the faces on its sides."""
    found = {}
    for facet, face in zip(vertices[facets].tolist(), facet_face.tolist(), strict=True):
        for a, b in zip(facet, [*facet[1:], facet[0]], strict=True):
            found.setdefault(tuple(sorted([tuple(a), tuple(b)])), []).append(face)
    return found


def borders(found):
    return {edge: sorted(faces) for edge, faces in found.items() if len(faces) == 1 or len(set(faces)) > 1}


def test_every_border_stays_and_none_opens(nominal, light):
    assert 3900 < len(light.facets) <= 4000
    before = borders(edges(nominal.vertices, nominal.facets, nominal.facet_face))
    after = borders(edges(light.vertices, light.facets, light.facet_face))
    assert before == after
    assert sum(len(faces) == 2 for faces in before.values()) > 50  # both kinds of border are there


def test_what_is_said_of_the_distance_holds_by_brute_force(nominal, light):
    said = float(light.said[0].split("at most ")[1].split(" mm")[0])
    whole = trimesh.Trimesh(nominal.vertices, nominal.facets, process=False)
    drawn = trimesh.Trimesh(light.vertices, light.facets, process=False)
    some = np.random.default_rng(1).choice(len(nominal.vertices), 60, replace=False)
    there = trimesh.proximity.closest_point_naive(drawn, nominal.vertices[some])[1]
    back = trimesh.proximity.closest_point_naive(whole, light.vertices[light.facets].mean(axis=1)[::25])[1]
    assert 0 < max(there.max(), back.max()) <= said < 1e-4 * nominal.diagonal * 1.1


def test_each_facet_keeps_its_face(nominal, light):
    """The faces are separate pieces: the middle of each facet is nearest to a facet of its own face, or on a border."""
    whole = trimesh.Trimesh(nominal.vertices, nominal.facets, process=False)
    some = np.arange(0, len(light.facets), 17)
    middle = light.vertices[light.facets[some]].mean(axis=1)
    nearest = trimesh.proximity.closest_point_naive(whole, middle)[2]
    assert (nominal.facet_face[nearest] == light.facet_face[some]).mean() > 0.97


def test_what_cannot_be_thinned_faithfully_stays_whole(nominal):
    rough = nominal.vertices + np.random.default_rng(2).normal(0, 0.5, nominal.vertices.shape)
    kept = display_mesh(rough, nominal.facets, nominal.facet_face, whole=5000, left=3000)
    assert kept.facets is nominal.facets
    assert "could not be thinned" in kept.said[0]


def test_an_edge_of_three_facets_is_no_obstacle(nominal):
    fin = np.array([[*nominal.facets[0, :2], len(nominal.vertices)]])
    vertices = np.vstack([nominal.vertices, [50.0, 30.0, 40.0]])
    facets, face = np.vstack([nominal.facets, fin]), np.append(nominal.facet_face, nominal.facet_face[0])
    light = display_mesh(vertices, facets, face, whole=5000, left=4000)
    assert len(light.facets) <= 4000
    assert np.isfinite(light.vertices).all()


def test_a_small_mesh_is_drawn_as_it_is(nominal):
    same = display_mesh(nominal.vertices, nominal.facets, nominal.facet_face)
    assert same.facets is nominal.facets
    assert not same.said
    assert len(nominal.facets) < FACETS_WHOLE


def test_no_number_comes_from_the_thinned_mesh(nominal, monkeypatch):
    verdict, building = synthetic.verdict(nominal, 40), importlib.import_module("probekit.scene.build")
    before = building.build(nominal, verdict)
    monkeypatch.setattr(building, "display_mesh", partial(display_mesh, whole=5000, left=4000))
    after = building.build(nominal, verdict)
    assert after.touches.equals(before.touches)
    assert (after.anchor == before.anchor).all()
    assert after.glyph_size == before.glyph_size
    mesh, colours = (line for line in after.captions if line not in before.captions)
    assert mesh.startswith("The picture is thinned to 4000 of 6316 facets")
    most, half = (float(colours.split(word)[1].split(" mm")[0]) for word in ("at most ", "less than "))
    assert 0 < half < most < after.legend.span


def test_the_difference_of_the_colours_is_found(nominal):
    """Triangles over a parabola in x leave it by a quarter of their length squared at most, as chords do."""
    light = display_mesh(nominal.vertices, nominal.facets, nominal.facet_face, whole=5000, left=4000)
    facets, origin, face = surface.split_faces(light.facets, light.facet_face)
    vertices = light.vertices[origin]
    curve = {0: lambda places, _normals: places[:, 0] ** 2}
    longest = np.linalg.norm(np.ptp(vertices[facets[face[facets[:, 0]] == 0]], axis=1), axis=1).max()
    said = map_off(nominal, curve, vertices, facets, face, vertices[:, 0] ** 2)
    assert 0 < float(said.split("at most ")[1].split(" mm")[0]) <= 1.1 * longest**2 / 4 + 1e-3
    line = {0: lambda places, _normals: places[:, 0]}
    said = map_off(nominal, line, vertices, facets, face, vertices[:, 0] + 0.25)
    assert float(said.split("less than ")[1].split(" mm")[0]) == pytest.approx(0.25, rel=0.1)
    assert "not compared" in map_off(nominal, {}, vertices, facets, face, vertices[:, 0])


@pytest.mark.parametrize("value", [0.00022231, 0.1, 9.99e-7, 3.0, 0.0])
def test_a_stated_distance_is_never_rounded_down(value):
    assert value <= float(_rounded_up(value)) <= 1.1 * value
