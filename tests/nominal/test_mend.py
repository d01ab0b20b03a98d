"""Facets as bad files bring them: mended where that is safe, with a note; else an error that says what to do."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from reference.meshes import box, cylinder, grid, l_shape, slot, sphere, split_box

import probekit as pk
from probekit.errors import InputError, ProbekitWarning
from probekit.nominal import from_arrays
from probekit.nominal.mend import mend


def volume(vertices, facets):
    """By the divergence theorem: sum of a . (b x c) / 6."""
    a, b, c = (vertices[facets[:, k]] for k in range(3))
    return np.einsum("fc,fc->", a, np.cross(b, c)) / 6


BOX, L = 100 * 60 * 20.0, (40 * 15 + 25 * 15) * 10.0  # volumes [mm3]


def test_sound_meshes_are_left_alone():
    for vertices, facets in (box(), l_shape(), cylinder(), sphere()):
        v, f, notes = mend(vertices, facets)
        np.testing.assert_array_equal(v, vertices)
        np.testing.assert_array_equal(f, facets)
        assert notes == []


def test_inside_out():
    vertices, facets = l_shape()
    part = from_arrays(vertices, facets[:, ::-1])
    assert volume(part.vertices, part.facets) == pytest.approx(L)
    assert part.notes == ("1 closed shell(s) were inside out: normals reversed",)
    assert part.engine.feet(np.array([[7.0, 7, 12]])).distance[0] == pytest.approx(2.0)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_mixed_orientation(seed, part):
    vertices, facets = l_shape()
    wrong = np.random.default_rng(seed).random(len(facets)) < part
    wrong[0], wrong[-1] = True, False
    v, f, notes = mend(vertices, np.where(wrong[:, None], facets[:, ::-1], facets))
    assert volume(v, f) == pytest.approx(L)
    assert any("reversed to agree with their neighbours" in note for note in notes)


def test_mixed_orientation_is_turned_towards_the_many():
    """On an open sheet no volume says what is out: the smaller part is turned."""
    vertices, facets = grid(height=1.0)
    facets[[0, 40, 41]] = facets[[0, 40, 41], ::-1]
    v, f, notes = mend(vertices, facets)
    assert (np.cross(v[f[:, 1]] - v[f[:, 0]], v[f[:, 2]] - v[f[:, 0]])[:, 2] > 0).all()
    assert notes[0] == "3 facets reversed to agree with their neighbours"


@pytest.mark.parametrize("turned", [False, True])
def test_a_cavity_stays_a_cavity(turned):
    """A box within a box: normals of the inner one point into the hollow, whichever way the file has them."""
    outer, facets = box()
    inner = outer * 0.5 + [25, 15, 5]
    part = from_arrays(np.vstack([outer, inner]), np.vstack([facets, (facets if turned else facets[:, ::-1]) + 8]))
    assert volume(part.vertices, part.facets) == pytest.approx(BOX * (1 - 1 / 8))
    centre, wall, outside = part.engine.feet(np.array([[50.0, 30, 10], [50, 30, 2], [50, 30, 21]])).distance
    assert centre == pytest.approx(5.0)
    assert wall == pytest.approx(-2.0)
    assert outside == pytest.approx(1.0)
    assert bool(part.notes) is turned


def test_an_island_in_a_cavity_is_solid():
    outer, facets = box()
    shells = [outer, outer * 0.5 + [25, 15, 5], outer * 0.2 + [40, 24, 8]]
    part = from_arrays(np.vstack(shells), np.vstack([facets, facets + 8, facets[:, ::-1] + 16]))
    assert volume(part.vertices, part.facets) == pytest.approx(BOX * (1 - 1 / 8 + 1 / 125))


def test_two_bodies_side_by_side():
    outer, facets = box()
    part = from_arrays(np.vstack([outer, outer + np.array([200, 0, 0])]), np.vstack([facets, facets[:, ::-1] + 8]))
    assert volume(part.vertices, part.facets) == pytest.approx(2 * BOX)


def ring(radius, tube):
    """A torus about z, by trimesh."""
    mesh = trimesh.creation.torus(radius, tube, major_sections=48, minor_sections=24)
    return np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)


def among(*shells):
    """Shells of (vertices, facets) as one mesh."""
    first = np.cumsum([0] + [len(vertices) for vertices, _ in shells])
    return np.vstack([v for v, _ in shells]), np.vstack([f + at for (_, f), at in zip(shells, first, strict=False)])


def pin(low, size):
    vertices, facets = box(*size)
    return vertices + np.asarray(low, dtype=float), facets


#: Bodies one within the bounding box of the other, but not in its material; and their volume [mm3].
APART = {
    "pin in the mouth of a C": (among(slot(), pin([-1.5, 10, 10], [3, 20, 6])), 40 * 20 * 50 - 8 * 12 * 50 + 360),
    "pin that touches a wall": (among(slot(), pin([-4, 10, 10], [3, 20, 6])), 40 * 20 * 50 - 8 * 12 * 50 + 360),
    "cube in a ring": (among(ring(30, 8), pin([-2, -2, -2], [4, 4, 4])), None),
    "interlocked rings": (among(ring(30, 8), (ring(15, 3)[0][:, [1, 2, 0]] + [30, 0, 0], ring(15, 3)[1])), None),
    "ring within a ring": (among(ring(30, 8), ring(15, 3)), None),
}


@pytest.mark.parametrize("turned", [False, True], ids=["right", "inside out"])
@pytest.mark.parametrize("name", APART)
def test_bodies_in_each_others_boxes_stay_bodies(name, turned):
    """A touch 0.5 mm off the inner body is outside, and the volumes add up, whichever way the file has its facets."""
    (vertices, facets), expected = APART[name]
    sound = volume(vertices, facets)
    assert expected is None or sound == pytest.approx(expected)
    inner = facets.shape[0] - (12 if "pin" in name or "cube" in name else len(ring(15, 3)[1]))
    given = facets.copy()
    if turned:
        given[inner:] = given[inner:, ::-1]
    part = from_arrays(vertices, given)
    assert volume(part.vertices, part.facets) == pytest.approx(sound)
    a, b, c = (vertices[facets[inner:, k]] for k in range(3))
    outward = np.cross(b - a, c - a)
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    touched = (a + b + c) / 3 + 0.5 * outward
    free = (outward[:, 0] > -0.9) | ("wall" not in name)
    np.testing.assert_allclose(part.engine.feet(touched[free]).distance, 0.5, atol=1e-9)
    assert bool(part.notes) is turned


def test_a_body_in_the_cavity_of_a_c():
    """Nested for true, beside a body that is so only by its box: depth counts what lies around, no more."""
    outer, facets = box(40, 60, 20)
    hollow = pin([4, 4, 4], [30, 50, 12])
    c_shape = slot()[0] * [0.4, 0.5, 0.4] + [18, 10, 6], slot()[1]
    inside = pin([17, 15, 10], [2, 5, 2])
    part = from_arrays(*among((outer, facets), (hollow[0], hollow[1]), c_shape, inside))
    expected = 40 * 60 * 20 - 30 * 50 * 12 + volume(*c_shape) + 2 * 5 * 2
    assert volume(part.vertices, part.facets) == pytest.approx(expected)


def test_weld():
    """Facets each with their own corners, as STL has them; 0.0 and -0.0 are the same place."""
    vertices, facets = box()
    soup = vertices[facets].reshape(-1, 3)
    soup[::2][soup[::2] == 0] = -0.0
    v, f, notes = mend(soup, np.arange(36).reshape(-1, 3))
    assert len(v) == 8
    assert not np.signbit(v).any()
    assert notes == []
    assert volume(v, f) == pytest.approx(BOX)


def test_unused_vertices_go_even_if_they_are_not_numbers():
    vertices, facets = box()
    v, f, _ = mend(np.vstack([[[np.nan, 0, 0]], vertices, [[np.inf, 1e9, 0]]]), facets + 1)
    np.testing.assert_array_equal(v, vertices)
    np.testing.assert_array_equal(f, facets)


def test_duplicates():
    vertices, facets = box()
    v, f, notes = mend(vertices, np.vstack([facets, facets[2:5], facets[[7], ::-1]]))
    assert notes == ["4 duplicate facets dropped"]
    assert len(f) == 12
    assert volume(v, f) == pytest.approx(BOX)


def test_coinciding_corners():
    vertices, facets = box()
    vertices = np.vstack([vertices, vertices[:1], vertices[1:2] + np.array([3e-10, -2e-10, 1e-10])])
    v, f, notes = mend(vertices, np.vstack([facets, [[0, 8, 1], [3, 3, 4], [1, 9, 2]]]))
    assert notes == ["3 facets with coinciding corners dropped"]
    assert len(f) == 12
    assert len(v) == 8


def test_hairline_crack_within_rounding_is_closed():
    """A facet whose short side is 1e-10 mm holds two copies of a corner apart; joined, the box is closed again."""
    vertices, facets = box()
    vertices = np.vstack([vertices, vertices[5] + [1e-10, 0, 0]])
    neighbours = np.flatnonzero((facets == 5).any(axis=1))
    facets[neighbours[0]] = np.where(facets[neighbours[0]] == 5, 8, facets[neighbours[0]])
    a, b = [k for k in facets[neighbours[0]] if k != 8]
    v, f, notes = mend(vertices, np.vstack([facets, [[a, 5, 8], [b, 8, 5]]]))
    assert volume(v, f) == pytest.approx(BOX)
    assert notes == ["2 facets with coinciding corners dropped"]


def test_facet_without_area():
    """A vertex on the neighbour's edge: the neighbour is cut there and the surface is closed without the flat facet."""
    v, f, notes = mend(*split_box())
    assert notes == ["1 facets without area merged into their neighbours, which were recut"]
    assert volume(v, f) == pytest.approx(BOX)
    assert len(v) == 9
    a, b, c = (v[f[:, k]] for k in range(3))
    assert np.linalg.norm(np.cross(b - a, c - a), axis=1).min() > 100
    part = from_arrays(*split_box())
    assert len(part.face_names) == 6
    assert part.notes == tuple(notes)


def test_fan_of_facets_without_area():
    """An edge with three extra vertices on one side, closed by three flat facets, one behind the other."""
    vertices, facets = box()
    top = (facets == [4, 5, 6]).all(axis=1)
    vertices = np.vstack([vertices, *[vertices[4] + t * (vertices[5] - vertices[4]) for t in (0.1, 0.5, 0.8)]])
    cut = [[4, 8, 6], [8, 9, 6], [9, 10, 6], [10, 5, 6]]
    flat = [[4, 5, 10], [4, 10, 9], [4, 9, 8]]
    v, f, notes = mend(vertices, np.vstack([facets[~top], cut, flat]))
    assert notes == ["3 facets without area merged into their neighbours, which were recut"]
    assert volume(v, f) == pytest.approx(BOX)
    a, b, c = (v[f[:, k]] for k in range(3))
    assert np.linalg.norm(np.cross(b - a, c - a), axis=1).min() > 10


def test_facets_without_area_on_all_sides():
    """Vertices on the three sides of each facet of the box in turn, by way of its neighbours: it is cut three times."""
    for one in range(12):
        vertices, facets = box()
        given, a_side = vertices, facets[one]
        for k in range(3):
            start, end = a_side[k], a_side[(k + 1) % 3]
            beyond = next(f for f in facets if {start, end} <= set(f) and not set(a_side) == set(f))
            tip = next(v for v in beyond if v not in (start, end))
            middle = len(given)
            given = np.vstack([given, 0.5 * (vertices[start] + vertices[end])])
            facets = facets[~(facets == beyond).all(axis=1)]
            # the neighbour runs from end to start; the flat facet lies between it and the side
            facets = np.vstack([facets, [[tip, end, middle], [tip, middle, start], [end, start, middle]]])
        v, f, notes = mend(given, facets)
        assert notes == ["3 facets without area merged into their neighbours, which were recut"]
        assert volume(v, f) == pytest.approx(BOX)
        assert len(f) == 18


def test_flat_facet_at_a_border_is_dropped():
    """Its longest side has no neighbour to cut, and without it the border is where it was."""
    vertices, facets = grid(n=1, height=0.0)
    outer = facets[0]  # 0, 2, 3: its side 0-2 is border; 4 halves it
    vertices = np.vstack([vertices, 0.5 * (vertices[0] + vertices[2])])
    halves = [[0, 4, 3], [4, 2, 3], [0, 2, 4]]
    assert outer.tolist() == [0, 2, 3]
    with pytest.warns(ProbekitWarning, match=r"the surface is open \(5 border edges\)"):
        part = from_arrays(vertices, np.vstack([facets[1:], halves]))
    assert part.notes[0] == "1 facets without area dropped"
    assert len(part.facets) == 3
    assert part.face_areas.sum() == pytest.approx(2500)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite(bad):
    vertices, facets = box()
    vertices[3, 1] = bad
    touched = int((facets == 3).any(axis=1).sum())
    with pytest.raises(
        InputError, match=rf"box.stl: .* not finite numbers; found '{touched} of 12 facets, the first is number 2"
    ):
        mend(vertices, facets, file="box.stl")


@pytest.mark.parametrize(("index", "found"), [(8, "index 8"), (-1, "index -1"), (2**40, f"index {2**40}")])
def test_index_out_of_range(index, found):
    vertices, facets = box()
    facets[4, 1] = index
    with pytest.raises(InputError, match=rf"refers to a vertex that does not exist; found '{found}'; expected 0 to 7"):
        mend(vertices, facets)


def test_no_facets():
    with pytest.raises(InputError, match=r"the model has no facets; expected a mesh with at least one triangle"):
        mend(np.eye(3), np.empty((0, 3), dtype=int))


@pytest.mark.parametrize("facets", [[[0, 0, 1]], [[0, 1, 2]], [[0, 1, 2], [2, 1, 3]]])
def test_no_area_at_all(facets):
    line = np.outer(np.arange(4.0), [1, 2, 3])
    with pytest.raises(InputError, match=r"no facet of the model has an area"):
        mend(line, np.array(facets))


@pytest.mark.parametrize("twist", [1, 0])
def test_moebius_strip(twist):
    """A strip of 20 quads closed on itself: with a half turn it has one side only, without it has two."""
    n = 20
    turn = 2 * np.pi * np.arange(n) / n
    tilt = twist * turn / 2
    arm = np.column_stack([np.cos(tilt) * np.cos(turn), np.cos(tilt) * np.sin(turn), np.sin(tilt)])
    ring = 30 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(n)])
    vertices = np.vstack([ring - 5 * arm, ring + 5 * arm])
    at = np.arange(n)
    ahead = (at + 1) % n
    swap = twist * n * (ahead == 0)
    low, high = (ahead + swap) % (2 * n), (ahead + n + swap) % (2 * n)
    facets = np.vstack([np.column_stack([at, low, high]), np.column_stack([at, high, at + n])])
    if twist:
        with pytest.raises(InputError, match=r"only one side: neighbouring facets cannot be made to agree"):
            from_arrays(vertices, facets)
    else:
        with pytest.warns(ProbekitWarning, match=r"the surface is open"):
            assert len(from_arrays(vertices, facets).face_names) == 1


def test_open_surface_warns():
    vertices, facets = box()
    with pytest.warns(
        ProbekitWarning, match=r"the surface is open \(4 border edges\): the winding order of the facets decides"
    ):
        part = from_arrays(vertices, facets[2:])
    assert part.notes[-1].startswith("the surface is open (4 border edges)")


def test_edge_of_three_facets():
    """A fin on a box's edge: said, and left."""
    vertices, facets = box()
    fin = np.vstack([vertices, [[50, -10, 30]]])
    with pytest.warns(ProbekitWarning, match=r"the surface is open"):
        part = from_arrays(fin, np.vstack([facets, [[4, 5, 8]]]))
    assert "1 edges are shared by more than two facets" in part.notes
    assert part.engine.feet(np.array([[50.0, -5, 25]])).distance[0] == pytest.approx(0.0, abs=1e-12)


def test_nominal_cannot_be_changed():
    part = from_arrays(*box())
    with pytest.raises(ValueError, match=r"read-only"):
        part.vertices[0] = 1.0
    with pytest.raises(AttributeError):
        part.name = "other"


@pytest.mark.parametrize(("size", "warns"), [(0.18, True), (1.2, False), (19_000, False), (180_000, True)])
def test_implausible_size(size, warns):
    vertices, facets = box()
    vertices = vertices * (size / np.linalg.norm([100, 60, 20]))
    if warns:
        with pytest.warns(ProbekitWarning, match=rf"the part is {size:.3g} mm across".replace("+", r"\+")):
            from_arrays(vertices, facets)
    else:
        assert pk.nominal.from_arrays(vertices, facets).diagonal == pytest.approx(size)
