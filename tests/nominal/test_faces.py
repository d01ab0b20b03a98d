"""Faces by dihedral angle: counts known from the shape, names that do not depend on order, names by pointing."""

from __future__ import annotations

import numpy as np
import pytest
from reference.meshes import box, cylinder, l_shape, slot, sphere, split_box

import probekit as pk
from probekit.errors import InputError
from probekit.nominal import from_arrays, name_faces
from probekit.nominal.faces import group_facets


@pytest.mark.parametrize(
    ("mesh", "faces"),
    [(box(), 6), (cylinder(), 3), (l_shape(), 8), (slot(), 10), (sphere(), 1), (split_box(), 6)],
    ids=["box", "cylinder", "L", "slot", "sphere", "T-junction"],
)
def test_counts(mesh, faces):
    """A cylinder of 48 sides turns 7.5 degrees at each; a box 90."""
    part = from_arrays(*mesh)
    assert len(part.face_names) == faces
    assert set(part.facet_face) == set(range(faces))
    assert len(set(part.face_names)) == faces


@pytest.mark.parametrize(("angle", "faces"), [(7.4, 50), (7.6, 3), (89.0, 3), (91.0, 1)])
def test_angle(angle, faces):
    assert len(from_arrays(*cylinder(), angle=angle).face_names) == faces


def test_areas_and_order():
    """Largest first, ties by place: the areas are those of a box of 100 x 60 x 20 mm."""
    part = from_arrays(*box())
    np.testing.assert_allclose(part.face_areas, [6000, 6000, 2000, 2000, 1200, 1200], rtol=1e-12)
    assert part.face_names == ("face_1", "face_2", "face_3", "face_4", "face_5", "face_6")
    middle = [part.vertices[part.facets[part.facet_face == k]].mean(axis=(0, 1)) for k in range(6)]
    assert middle[0][2] < middle[1][2]
    assert middle[2][1] < middle[3][1]
    assert middle[4][0] < middle[5][0]


@pytest.mark.parametrize("mesh", [box(), l_shape(), slot(), cylinder()], ids=["box", "L", "slot", "cylinder"])
def test_names_do_not_depend_on_order(mesh):
    vertices, facets = mesh
    part = from_arrays(vertices, facets)
    rng = np.random.default_rng(1)
    for _ in range(5):
        moved_vertex, moved_facet = rng.permutation(len(vertices)), rng.permutation(len(facets))
        corner = np.argsort(moved_vertex)[facets][moved_facet]
        turned = np.take_along_axis(corner, (np.arange(3) + rng.integers(3, size=(len(facets), 1))) % 3, axis=1)
        other = from_arrays(vertices[moved_vertex], turned)
        assert other.face_names == part.face_names
        names = {tuple(np.sort(part.facets[f])): part.facet_face[f] for f in range(len(facets))}
        back = {tuple(v): i for i, v in enumerate(part.vertices)}
        for facet, face in zip(other.facets, other.facet_face, strict=True):
            assert names[tuple(sorted(back[tuple(v)] for v in other.vertices[facet]))] == face


def test_two_digits_where_there_are_ten_faces():
    assert from_arrays(*slot()).face_names[:2] == ("face_01", "face_02")


def test_crowded_edges_separate():
    """Two boxes that share one edge: four facets meet there, and nothing is grouped across it."""
    vertices, facets = box(10, 10, 10)
    part = from_arrays(np.vstack([vertices, vertices + np.array([10, 10, 0])]), np.vstack([facets, facets + 8]))
    assert len(part.face_names) == 12
    assert "1 edges are shared by more than two facets" in part.notes


def test_flat_facets_do_not_join_faces():
    """A facet without area lies on the box's edge: it belongs to one side, and the sides stay apart."""
    vertices, facets = split_box()
    group = group_facets(vertices, facets)
    assert group.max() == 5
    assert len(group) == 14


def test_name_by_point_and_by_old_name():
    part = from_arrays(*box(), faces={"top": [50, 31, 20], "front": (50, 0.0, 11)})
    assert part.face_names == ("face_1", "top", "front", "face_4", "face_5", "face_6")
    again = name_faces(part, {"lid": "top", "base": np.array([50.0, 31.0, -0.5])})
    assert again.face_names == ("base", "lid", "front", "face_4", "face_5", "face_6")
    np.testing.assert_array_equal(again.facet_face, part.facet_face)
    assert part.face_names[1] == "top", "the first is not changed"


def test_several_faces_joined():
    part = from_arrays(*box(), faces={"ends": [[0, 31, 11], "face_6"], "sides": ["face_3", [50, 60, 11]]})
    assert part.face_names == ("face_1", "face_2", "sides", "ends")
    np.testing.assert_allclose(part.face_areas, [6000, 6000, 4000, 2400])
    assert part.engine.feet(np.array([[-1.0, 31, 11], [101.0, 31, 11]])).face.tolist() == [3, 3]


def test_joined_faces_have_no_edge_between_them():
    apart = from_arrays(*box())
    joined = apart.rename_faces({"face_2": "skin", "face_4": "skin"})
    point = np.array([[50.0, 61.0, 21.0]])
    assert apart.engine.feet(point).flags[0] == pk.nominal.facets.AT_EDGE
    assert joined.engine.feet(point).flags[0] == 0


@pytest.mark.parametrize(
    ("names", "message"),
    [
        ({"top": [50, 31, 20.5], "lid": [51, 30, 20]}, r"two names claim the same face: 'top' and 'lid' both refer to"),
        ({"top": [50, 31, 40]}, r"names face 'top' is not on the model; found '\[50, 31, 40\], 20.000 mm away"),
        ({"top": [50, 2, 22]}, r"'top' is off the model, and more than one face is near it; found .* 2.000 mm away"),
        ({"top": [50, 0, 20]}, r"names face 'top' lies on an edge; found \[50, 0, 20\]; expected a point inside"),
        ({"top": [50, 31]}, r"names face 'top' is not a position.*expected \[x, y, z\] in mm"),
        ({"top": [50, 31, float("nan")]}, r"names face 'top' is not a position"),
        ({"top": "lid"}, r"no face with that name; found 'lid'; expected one of face_1, face_2"),
        ({"top": ["face_1", "lid"]}, r"no face with that name; found 'lid'"),
    ],
)
def test_bad_names(names, message):
    with pytest.raises(InputError, match=message):
        from_arrays(*box(), faces=names)


def test_a_point_above_a_face_names_it_within_a_stated_limit():
    """The height of a freeform is not known by heart; what was taken is said."""
    part = from_arrays(*box(), faces={"top": [50, 31, 25], "front": [50, 0, 10]})
    assert part.engine.feet(np.array([[50.0, 31, 21]])).face[0] == part.face_names.index("top")
    assert [note for note in part.notes if "names face" in note] == [
        "the point that names face 'top' lies 5 mm off the model; the face beneath was taken"
    ]


@pytest.mark.parametrize("scale", [0.01, 1.0, 100.0])
def test_what_is_off_the_model_depends_on_its_size(scale):
    vertices, facets = box()
    for off, said in ((0.002, 0), (0.05, 1)):
        part = from_arrays(scale * vertices, facets, faces={"top": [scale * 50, scale * 31, scale * (20 + off)]})
        assert sum("names face" in note for note in part.notes) == said
    with pytest.raises(InputError, match="names face 'top'"):
        from_arrays(scale * vertices, facets, faces={"top": [scale * 50, scale * 31, scale * 60]})


def test_rename_unknown():
    with pytest.raises(InputError, match=r"no face with that name; found 'hub'; expected one of face_1"):
        from_arrays(*box()).rename_faces({"hub": "top"})


def test_faces_given():
    vertices, facets = box()
    face = np.repeat([0, 1], 6)
    part = from_arrays(vertices, facets, facet_face=face, face_names=("caps", "walls"))
    np.testing.assert_array_equal(part.facet_face, face)
    given = np.repeat(np.array([0, 1], dtype=np.int32), 6)
    from_arrays(vertices, facets, facet_face=given)
    given[0] = 0  # the caller's arrays stay the caller's
    vertices[0] = facets[0] = 0


@pytest.mark.parametrize(
    ("face", "names", "message"),
    [
        (np.zeros(11, dtype=int), None, "facets do not match; found '11 entries, 12 facets"),
        (np.full(12, 1), None, "faces do not match their names"),
        (np.zeros(12, dtype=int), ("one", "two"), "faces do not match their names; found '2 names, faces 0 to 0"),
        (np.repeat([0, 1], 6), ("one",), "faces do not match their names; found '1 names, faces 0 to 1"),
        (np.repeat([0, 1], 6), ("one", "one"), "expected different names"),
        (np.repeat([-1, 0], 6), ("one", "two"), "faces do not match their names"),
    ],
)
def test_faces_given_wrongly(face, names, message):
    with pytest.raises(InputError, match=message):
        from_arrays(*box(), facet_face=face, face_names=names)


def test_faces_given_for_a_mesh_that_needs_mending():
    vertices, facets = split_box()
    with pytest.raises(InputError, match=r"Repair the mesh first"):
        from_arrays(vertices, facets, facet_face=np.zeros(14, dtype=int))
