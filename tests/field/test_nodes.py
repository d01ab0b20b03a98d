"""Where a surface is judged: nodes on its edges and in its corners, no places of touches; hills may be anywhere."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks import bench_earlier, bench_field
from scipy.spatial import KDTree

from probekit.field import learn, learn_prior, nodes, surface, touch_first, touch_next
from probekit.field.defects import seen
from probekit.field.kernel import six
from probekit.nominal import Nominal


@pytest.fixture(scope="module")
def at():
    return bench_field.judged_at(500, np.random.default_rng(1))


def cube() -> Nominal:
    """Six faces of 20 mm, two facets each."""
    vertices = np.array([[x, y, z] for x in (0, 20) for y in (0, 20) for z in (0, 20)], dtype=float)
    quads = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    facets = np.array([[q[0], q[k], q[k + 1]] for q in quads for k in (1, 2)])
    return Nominal(vertices, facets, np.repeat(np.arange(6), 2), ("left", "right", "front", "back", "bottom", "top"))


def test_the_worst_place_of_a_form_is_near_a_node(at):
    """Smooth forms: nine of ten are at most 2.5 % above their worst node, without nodes on edges not even 3 %."""
    rng = np.random.default_rng(2)
    dense, plain = rng.random((2500, 2)) * bench_field.SIZE, bench_field.judged_at(500, rng, edges=False)
    above = {True: [], False: []}
    for _ in range(30):
        form = bench_earlier.made(bench_earlier.pattern, bench_earlier.own(rng))
        worst = np.abs(form(dense)).max()
        for edges, judged in ((True, at), (False, plain)):
            above[edges].append(worst / np.abs(form(judged.places[:, :2])).max() - 1.0)
    assert np.quantile(above[True], 0.9) < 0.025
    assert np.mean(above[True]) < 0.0 < np.mean(above[False])
    assert np.quantile(above[False], 0.9) > 0.03


def test_nodes_cover_a_face_to_its_corners(at):
    assert len(at.places) == pytest.approx(500, rel=0.1)
    size = bench_field.SIZE
    for corner in ((0, 0), (0, size[1]), (size[0], 0), tuple(size)):
        assert np.linalg.norm(at.places[:, :2] - corner, axis=1).min() < 1e-9
    edge = at.places[-at.edges :, :2]
    np.testing.assert_allclose(np.minimum(edge, size - edge).min(axis=1), 0.0, atol=1e-9)
    rim = np.column_stack([np.linspace(0, size[0], 200), np.zeros(200)])
    assert KDTree(at.places[:, :2]).query(rim)[0].max() < at.spacing
    assert KDTree(at.places[:, :2]).query(np.random.default_rng(3).random((2000, 2)) * size)[0].max() < 1.3 * at.spacing


def test_an_edge_of_two_faces_has_nodes_of_both_and_of_one_face_none_inside():
    on = nodes(cube(), 300, np.random.default_rng(1), edges=True)
    assert len(on.places) == pytest.approx(300, rel=0.1)
    corner = np.linalg.norm(on.places - 20.0, axis=1) < 1e-9
    assert set(on.face[corner]) == {1, 3, 5}
    one = nodes(cube(), 100, np.random.default_rng(1), faces="top", edges=True)
    diagonal = np.abs(one.places[-one.edges :, 0] - one.places[-one.edges :, 1]) < 1e-9
    assert diagonal.sum() <= 2  # its two facets meet along a diagonal, which is no edge of the face
    points = six(on.places, on.normals)
    assert KDTree(points).query(points, 2)[0][:, 1].min() > 0.5 * on.spacing


def test_hills_are_felt_at_no_larger_share_of_places_than_is_said():
    """Hills dropped anywhere on a cube of 20 mm, touched in the middle of each face: the counted share or less."""
    on, rng = nodes(cube(), 300, np.random.default_rng(1), edges=True), np.random.default_rng(2)
    sides = np.vstack([np.eye(3), -np.eye(3)])
    touches, radius, height, u = 10.0 + 10.0 * sides, 12.0, 0.05, 0.002
    face, flat = rng.integers(6, size=4000), rng.uniform(-10.0, 10.0, (4000, 3))
    hills = 10.0 + np.where(sides[face] != 0, 10.0 * sides[face], flat)
    moved = height * np.clip(1.0 - (np.linalg.norm(hills - touches[face], axis=1) / radius) ** 2, 0.0, None) ** 3
    said, counted = seen(on, touches, sides, radius, height, u), float((moved > 3.0 * u).mean())
    assert counted - 0.1 < said < counted + 0.02  # few places stand a little closer to the border than to the middle


def test_an_edge_is_no_place_of_a_touch(at):
    rng = np.random.default_rng(4)
    where = bench_field.even(30, rng)
    places, normals = bench_field.saddle(where)
    y = bench_earlier.own(rng)(where) + bench_earlier.noise(30).draw(1, rng)[0]
    belief = learn(places, normals, y, bench_earlier.noise(30), area=at.area, zone=0.02)
    half = float(np.median(np.abs(surface(belief, at, (-1.0, 1.0), rng, fields=200).fields).max(axis=1)))
    further = touch_next(surface(belief, at, (-half, half), rng, fields=400), at, rng, count=20)
    table = bench_earlier.earlier_parts(20, 20, rng)
    learned = learn_prior(table, bench_earlier.noise(20), area=at.area, zone=0.05)
    first = touch_first(learned, at, (-0.05, 0.05), count=20)
    for table in (further, first):
        assert len(table)
        there = table[["x0", "y0"]].to_numpy()
        assert np.minimum(there, bench_field.SIZE - there).min() > 0.0
