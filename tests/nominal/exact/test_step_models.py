"""STEP files as nominals: units, bodies, names, colours, facets, sides, groups of faces, motions, rows with nothing."""

from __future__ import annotations

import numpy as np
import pytest
from thorough import some

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepBuilderAPI import BRepBuilderAPI_GTransform, BRepBuilderAPI_MakeFace, BRepBuilderAPI_Sewing
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakeSphere
from OCP.gp import gp_GTrsf, gp_Mat, gp_Pnt, gp_XYZ
from scipy.spatial.transform import Rotation

import probekit as pk
from probekit.errors import InputError, ProbekitWarning
from probekit.nominal.exact import HOW
from probekit.nominal.faces import unique_names
from probekit.nominal.feet import AMBIGUOUS, AT_BOUNDARY, AT_EDGE, MISSED


def box(*size):
    return BRepPrimAPI_MakeBox(*map(float, size)).Shape()


@pytest.fixture(scope="module")
def block(tmp_path_factory):
    """A box of 10 x 20 x 30 mm."""
    return pk.nominal.load(es.write(box(10, 20, 30), tmp_path_factory.mktemp("block") / "block.step"))


@pytest.fixture(scope="module")
def assembly(tmp_path_factory):
    """A block and, twice, a pin: turned and shifted."""
    pin = BRepPrimAPI_MakeCylinder(3.0, 12.0).Shape()
    bodies = [
        es.Body("block", box(10, 20, 30), {0: "left"}, {0: (1.0, 0.0, 0.0)}, (0.0, 0.5, 0.0), (es.place(0, 0, 0),)),
        es.Body("pin", pin, {0: "shaft"}, places=(es.place(100, 0, 0), es.place(100, 50, 7, 0.5))),
    ]
    return es.write_document(bodies, tmp_path_factory.mktemp("assembly") / "assembly.step")


@pytest.mark.parametrize(
    ("unit", "said"), [("MM", "MILLIMETRE"), ("INCH", "INCH"), ("M", "METRE"), ("CM", "CENTIMETRE")]
)
def test_any_unit_comes_out_in_millimetres(unit, said, tmp_path):
    path = es.write(es.plate(), tmp_path / "part.step", unit=unit)
    assert said.removeprefix("MILLI").removeprefix("CENTI") in path.read_text(encoding="latin-1").upper()
    part = pk.nominal.load(path)
    np.testing.assert_allclose(part.bounds[1] - part.bounds[0], [160, 120, part.bounds[1, 2] - part.bounds[0, 2]])
    assert "STEP file: " in part.unit_source
    assert part.unit_source.lower().endswith(said.lower())
    np.testing.assert_allclose(part.engine.feet(np.array([[73.0, 50.0, 0.0]])).distance, -1.0, atol=1e-9)


def test_a_unit_given_beside_the_file_is_refused(tmp_path):
    path = es.write(box(1, 2, 3), tmp_path / "part.step")
    with pytest.raises(InputError, match="states its own unit"):
        pk.nominal.load(path, unit="mm")


def test_an_assembly_is_flattened_each_part_in_its_place(assembly):
    part = pk.nominal.load(assembly, body="*")
    assert part.brep.bodies == ("assembly/block", "assembly/pin_1", "assembly/pin_2")
    assert len(part.face_names) == 6 + 3 + 3
    touch = np.array([[103.0, 0.0, 6.0], [100.0, 53.0, 13.0], [100.0, 50.0, 7.0], [-2.0, 10.0, 15.0]])
    found = part.engine.feet(touch)
    np.testing.assert_allclose(found.distance, [0, 0, 0, 2], atol=1e-12)
    assert [part.face_names[k] for k in found.face] == ["shaft_1", "shaft_2", "face_12", "left"] or (
        [part.face_names[k] for k in found.face][:2] == ["shaft_1", "shaft_2"]
    )


def test_one_body_by_name(assembly):
    part = pk.nominal.load(assembly, body="pin_2")
    np.testing.assert_allclose(part.bounds.mean(axis=0), [100, 50, 13], atol=0.05)
    assert part.face_names == ("shaft", "face_2", "face_3")
    assert any("body 'pin_2' was chosen: 1 of the 3 bodies" in note for note in part.notes)
    every = "assembly/block, assembly/pin_1, assembly/pin_2"
    with pytest.raises(InputError, match=f"no body with that name.*'pin'.*one of {every}"):
        pk.nominal.load(assembly, body="pin")
    with pytest.raises(InputError, match=f"several parts, and none was chosen.*one of {every}.*--body"):
        pk.nominal.load(assembly)


def test_names_and_colours_of_faces(tmp_path):
    names = {0: "left", 1: "Fläche Ω", 3: "top", 4: "top"}
    body = es.Body("block", box(10, 20, 30), names, {0: (1.0, 0.0, 0.0)}, (0.0, 0.5, 0.0))
    path = es.write_document([body], tmp_path / "part.step")
    part = pk.nominal.load(path)
    assert part.face_names == ("left", "Fläche Ω", "face_3", "top_1", "top_2", "face_6")
    colours = [face.colour for face in part.brep.faces]
    np.testing.assert_allclose(colours[0], (1, 0, 0), atol=1e-6)
    np.testing.assert_allclose(colours[1:], [(0, 0.5, 0)] * 5, atol=5e-3)


def test_names_in_the_encoding_of_the_standard(tmp_path):
    r"""ISO 10303-21, 6.4.3: \X2\ and four hexadecimal digits for each character, \X0\ at the end."""
    path = es.write_document([es.Body("block", box(1, 2, 3), {0: "left"})], tmp_path / "part.step")
    text = path.read_text(encoding="latin-1").replace("'left'", r"'Fl\X2\00E4\X0\che \X2\03A9\X0\'")
    path.write_text(text, encoding="latin-1")
    assert pk.nominal.load(path).face_names[0] == "Fläche Ω"


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["a", "b"], ["a", "b"]),
        (["a", "a", "b"], ["a_1", "a_2", "b"]),
        (["a", "a", "a_1"], ["a_2", "a_3", "a_1"]),
        (["a_1", "a", "a", "a_1"], ["a_1_1", "a_2", "a_3", "a_1_2"]),
    ],
)
def test_unique_names(names, expected):
    assert unique_names(names) == expected
    assert len(set(expected)) == len(names)


def test_a_name_like_a_number_of_ours(tmp_path):
    body = es.Body("block", box(10, 20, 30), {0: "face_3"})
    part = pk.nominal.load(es.write_document([body], tmp_path / "part.step"))
    assert len(set(part.face_names)) == 6
    assert "face_3_1" in part.face_names


def off_surface(part):
    """Largest distance of the facets from the exact surface, at many places on each [mm]."""
    worst = 0.0
    for weights in np.random.default_rng(1).dirichlet((1, 1, 1), 12):
        points = np.einsum("k,nkc->nc", weights, part.vertices[part.facets])
        worst = max(worst, float(np.abs(part.engine.feet(points).distance).max()))
    return worst


@pytest.mark.parametrize("deflection", some([0.2, 0.02]))
@pytest.mark.parametrize("name", ["plate", "filleted", "sphere", "pyramids"])
def test_facets_keep_to_the_deflection(name, deflection, tmp_path):
    path = es.make(name, tmp_path).path
    part = pk.nominal.load(path, deflection=deflection)
    assert part.brep.deflection >= deflection
    assert off_surface(part) <= 1.05 * part.brep.deflection
    kept = part.brep.deflection == deflection
    assert kept != any("off the exact surface" in note for note in part.notes)
    if name in ("plate", "filleted", "sphere"):
        assert kept


@pytest.mark.parametrize("deflection", [0.0, -1.0, np.nan, np.inf, 1e6])
def test_a_senseless_deflection_is_refused(deflection, tmp_path):
    path = es.write(box(10, 20, 30), tmp_path / "part.step")
    with pytest.raises(InputError, match="deflection is not usable"):
        pk.nominal.load(path, deflection=deflection)


def test_an_inside_out_body_is_turned(tmp_path):
    path = es.write(es.plate(), tmp_path / "part.step")
    usual = pk.nominal.load(path)
    points = es.touches(es.read(path), 200, seed=6)
    expected = usual.engine.feet(points)
    turned = pk.nominal.load(es.write(es.plate().Reversed(), tmp_path / "turned.step"))
    found = turned.engine.feet(points)
    np.testing.assert_allclose(found.distance, expected.distance, rtol=0, atol=1e-9)
    inside = es.kernel_inside(points, es.read(path))
    clear = np.abs(found.distance) > 1e-6
    assert ((found.distance < 0) == inside)[clear].mean() > 0.99


@pytest.mark.parametrize("backward", [False, True])
def test_an_open_skin_keeps_its_own_side(backward, tmp_path):
    """Of an open surface nobody can tell the inside: the order of the file does."""
    face = BRepBuilderAPI_MakeFace(es.rational_surface(), 1e-6).Face()
    sewing = BRepBuilderAPI_Sewing()
    sewing.Add(face)
    sewing.Perform()
    shell = sewing.SewedShape()
    path = es.write(shell.Reversed() if backward else shell, tmp_path / "skin.step")
    with pytest.warns(ProbekitWarning, match="the surface is open"):
        part = pk.nominal.load(path)
    found = part.engine.feet(np.array([[50.0, 40.0, 45.0], [-3.0, 40.0, 25.0]]))
    assert (found.distance[0] > 0) != backward
    assert found.flags[0] == 0
    assert found.flags[1] & AT_BOUNDARY


def test_a_solid_beside_loose_surfaces(tmp_path):
    face = BRepBuilderAPI_MakeFace(es.rational_surface(), 1e-6).Face()
    path = es.write(es.compound([box(10, 20, 30), face]), tmp_path / "part.step")
    part = pk.nominal.load(path)
    assert len(part.face_names) == 6
    assert any("loose surfaces were left out" in note for note in part.notes)
    with pytest.warns(ProbekitWarning, match="the surface is open"):
        skin = pk.nominal.load(path, body=part.brep.bodies[1])
    assert len(skin.face_names) == 1


def test_rows_with_nothing_come_back_empty(block):
    points = np.array([[5.0, 10.0, 31.0], [np.nan, 0.0, 0.0], [0.0, np.inf, 0.0], [-1.0, 10.0, 15.0]])
    found = block.engine.feet(points, ambiguity=0.001)
    np.testing.assert_array_equal(found.flags, [0, MISSED, MISSED, 0])
    np.testing.assert_array_equal(found.face[[1, 2]], [-1, -1])
    np.testing.assert_array_equal(found.how[[1, 2]], [0, 0])
    assert np.isnan(found.foot[[1, 2]]).all()
    assert np.isnan(found.distance[[1, 2]]).all()
    assert np.isnan(found.uv[[1, 2]]).all()
    np.testing.assert_allclose(found.distance[[0, 3]], [1, 1])
    assert np.isnan(block.engine.curvatures(found)[[1, 2]]).all()
    empty = block.engine.feet(np.zeros((0, 3)), ambiguity=0.001)
    assert empty.foot.shape == (0, 3)
    assert block.engine.curvatures(empty).shape == (0, 2)


def test_feet_on_edges_and_corners_of_a_box(block):
    """Distances to a box in closed form."""
    rng = np.random.default_rng(9)
    points = rng.uniform(-8, [18, 28, 38], (3000, 3))
    size = np.array([10.0, 20, 30])
    outside = np.linalg.norm(np.maximum(np.maximum(-points, points - size), 0), axis=1)
    inside = np.minimum(points, size - points).min(axis=1)
    found = block.engine.feet(points)
    np.testing.assert_allclose(found.distance, np.where(outside > 0, outside, -inside), rtol=0, atol=1e-11)
    beyond = ((points < 0) | (points > size)).sum(axis=1)
    np.testing.assert_array_equal(found.flags & AT_EDGE > 0, beyond > 1)
    np.testing.assert_array_equal(found.how == HOW.index("edge"), beyond > 1)
    away = (points - found.foot)[outside > 0.01]
    np.testing.assert_allclose(
        found.normal[outside > 0.01], away / np.linalg.norm(away, axis=1, keepdims=True), atol=1e-9
    )


def test_a_foot_on_an_edge_is_flagged_wherever_it_is_found(block):
    """Touches on the edge itself, which either face may claim as its inside."""
    points = np.array([[10.0, 7.0, 30.0], [10.0, 20.0, 11.0], [0.0, 0.0, 0.0], [5.0, 7.0, 30.0]])
    found = block.engine.feet(points)
    np.testing.assert_allclose(found.distance, 0, atol=1e-12)
    np.testing.assert_array_equal(found.flags & AT_EDGE > 0, [True, True, True, False])
    np.testing.assert_allclose(np.linalg.norm(found.normal, axis=1), 1, atol=1e-12)


def test_ambiguous_touches(block):
    points = np.array([[5.0, 10.0, 5.0], [5.0, 10.0, 12.0], [5.0, 10.0, 14.0005], [5.0, 3.0, 3.0005]])
    found = block.engine.feet(points, ambiguity=0.01)
    np.testing.assert_array_equal(found.flags & AMBIGUOUS > 0, [True, True, True, True])
    found = block.engine.feet(np.array([[4.0, 10.0, 15.0], [5.0, 3.0, 3.0005], [5.0, 2.9, 3.0]]), ambiguity=0.01)
    np.testing.assert_array_equal(found.flags & AMBIGUOUS > 0, [False, True, False])


def test_faces_joined_under_one_name(tmp_path):
    path = es.make("filleted", tmp_path).path
    part = pk.nominal.load(path)
    kinds = np.array([face.kind for face in part.brep.faces])
    round_ones = [name for name, kind in zip(part.face_names, kinds, strict=True) if kind != "plane"]
    joined = part.rename_faces(dict.fromkeys(round_ones, "rounds"))
    assert joined.exact
    assert len(joined.face_names) == 1 + (kinds == "plane").sum()
    points = es.touches(es.read(path), 400, seed=7)
    before, after = part.engine.feet(points, ambiguity=0.01), joined.engine.feet(points, ambiguity=0.01)
    np.testing.assert_array_equal(before.distance, after.distance)
    renamed = np.array([joined.face_names.index("rounds" if n in round_ones else n) for n in part.face_names])
    np.testing.assert_array_equal(renamed[before.face], after.face)
    # an edge inside the joined face is none, and the next face as near is none
    assert (after.flags & AT_EDGE > 0).sum() < (before.flags & AT_EDGE > 0).sum()
    assert (after.flags & AMBIGUOUS > 0).sum() < (before.flags & AMBIGUOUS > 0).sum()
    index = joined.face_index("rounds")
    alone, facets = joined.engine.of_face(index)
    theirs, _ = es.kernel_distances(
        points[:150],
        es.compound(f for f, k in zip(es.parts(es.read(path), es.FACE), kinds, strict=True) if k != "plane"),
    )
    found = alone.feet(points[:150])
    np.testing.assert_allclose(np.abs(found.distance), theirs, rtol=0, atol=1e-6)
    assert (found.face == index).all()
    assert (joined.facet_face[facets] == index).all()


def test_motion_changes_no_distance(tmp_path):
    shape = es.plate()
    points = es.touches(shape, 300, seed=8)
    fixed = pk.nominal.load(es.write(shape, tmp_path / "fixed.step")).engine.feet(points)
    axis, angle, shift = (0.3, -0.5, 0.8), 1.1, (250.0, -400.0, 90.0)
    turn = Rotation.from_rotvec(angle * np.array(axis) / np.linalg.norm(axis))
    moved = pk.nominal.load(es.write(es.moved(shape, axis, angle, shift), tmp_path / "moved.step"))
    found = moved.engine.feet(turn.apply(points) + shift)
    np.testing.assert_allclose(found.distance, fixed.distance, rtol=0, atol=1e-7)
    clear = np.abs(fixed.distance) > 1e-3
    np.testing.assert_allclose(found.foot[clear], (turn.apply(fixed.foot) + shift)[clear], rtol=0, atol=1e-3)


def test_curvatures_of_an_ellipsoid(tmp_path):
    """Gaussian and mean curvature from the implicit form x^2/a^2 + y^2/b^2 + z^2/c^2 = 1.

    R. Goldman, Curvature formulas for implicit curves and surfaces, CAGD 22 (2005), sec. 4, from memory.
    """
    axes = np.array([30.0, 20.0, 12.0])
    stretch = gp_GTrsf(gp_Mat(*(float(v) for v in np.diag(axes).ravel())), gp_XYZ(0, 0, 0))
    shape = BRepBuilderAPI_GTransform(BRepPrimAPI_MakeSphere(gp_Pnt(0, 0, 0), 1.0).Shape(), stretch, True).Shape()
    part = pk.nominal.load(es.write(shape, tmp_path / "ellipsoid.step"), deflection=0.05)
    assert part.brep.faces[0].kind == "spline"
    rng = np.random.default_rng(10)
    direction = rng.normal(size=(300, 3))
    on = axes * direction / np.linalg.norm(direction, axis=1, keepdims=True)
    found = part.engine.feet(on)
    np.testing.assert_allclose(found.distance, 0, atol=1e-10)
    gradient = 2 * on / axes**2
    np.testing.assert_allclose(
        found.normal, gradient / np.linalg.norm(gradient, axis=1, keepdims=True), rtol=0, atol=1e-7
    )
    hessian = np.diag(2 / axes**2)
    size = np.linalg.norm(gradient, axis=1)
    adjoint = np.diag(np.linalg.det(hessian) / np.diag(hessian))
    gauss = np.einsum("ni,ij,nj->n", gradient, adjoint, gradient) / size**4
    mean = (np.einsum("ni,ij,nj->n", gradient, hessian, gradient) - size**2 * np.trace(hessian)) / (2 * size**3)
    curvature = part.engine.curvatures(found)
    np.testing.assert_allclose(curvature.prod(axis=1), gauss, rtol=1e-6)
    np.testing.assert_allclose(curvature.mean(axis=1), mean, rtol=1e-6)
    assert (curvature < 0).all(), "it curves away from the outside everywhere"


def test_poles_of_a_spline_sphere(tmp_path):
    """On, above and round the poles, where the parameters of a rational sphere degenerate."""
    part = pk.nominal.load(es.make("ball_spline", tmp_path).path, deflection=0.05)
    centre, radius = np.array([1.0, 2.0, 3.0]), 15.0
    rng = np.random.default_rng(11)
    beside = np.column_stack(
        [rng.normal(size=(400, 2)) * np.repeat([0, 1e-9, 1e-6, 1e-3], 100)[:, None], np.zeros(400)]
    )
    points = centre + beside + [0, 0, radius] * np.where(np.arange(400) % 2, 1.0, -1.0)[:, None]
    points[:, 2] += rng.choice([0.0, 1e-3, -1e-3, 1.0, -1.0], 400)
    expected = np.linalg.norm(points - centre, axis=1) - radius
    found = part.engine.feet(points)
    np.testing.assert_allclose(found.distance, expected, rtol=0, atol=1e-9)
    outward = (points - centre) / np.linalg.norm(points - centre, axis=1, keepdims=True)
    np.testing.assert_allclose(found.normal, outward, rtol=0, atol=1e-3)
    assert (found.how != HOW.index("facet")).all()


def test_apex_of_a_cone(tmp_path):
    for name in ("cone", "cone_spline"):
        part = pk.nominal.load(es.make(name, tmp_path).path)
        axis = np.array([0.2, 0.3, 1.0]) / np.linalg.norm([0.2, 0.3, 1.0])
        apex = np.array([5.0, -3.0, 2.0]) + 30 * axis
        rng = np.random.default_rng(12)
        beyond = apex + 2.0 * axis + rng.normal(0, 0.3, (50, 3))
        found = part.engine.feet(beyond)
        np.testing.assert_allclose(found.foot, np.tile(apex, (50, 1)), atol=1e-6)
        np.testing.assert_allclose(found.distance, np.linalg.norm(beyond - apex, axis=1), atol=1e-6)
        below = apex - 5.0 * axis
        half_angle = np.arctan2(15.0, 30.0)
        np.testing.assert_allclose(part.engine.feet(below[None]).distance, -5.0 * np.sin(half_angle), atol=1e-9)


def test_seam_of_a_cylinder(tmp_path):
    part = pk.nominal.load(es.make("cylinder", tmp_path).path)
    axis, start = np.array([0.2, 0.3, 1.0]) / np.linalg.norm([0.2, 0.3, 1.0]), np.array([5.0, -3.0, 2.0])
    seam = part.brep.faces[0].surface.axes[0]
    across = np.cross(axis, seam)
    rng = np.random.default_rng(13)
    angle = rng.choice([0, 1e-12, -1e-12, 1e-6, -1e-6, 1e-3, -1e-3], 600)
    radius = 12.0 + rng.choice([-3, -0.001, 0, 0.001, 3], 600)
    height = rng.uniform(1, 34, 600)
    points = start + height[:, None] * axis
    points += radius[:, None] * (np.cos(angle)[:, None] * seam + np.sin(angle)[:, None] * across)
    found = part.engine.feet(points)
    inside = np.minimum(12.0 - radius, np.minimum(height, 35 - height))
    np.testing.assert_allclose(found.distance, np.where(radius > 12, radius - 12, -inside), rtol=0, atol=1e-10)
    assert not (found.flags[np.abs(radius - 12) < 0.01] & AT_EDGE).any(), "a seam is no edge"


def test_same_result_however_many_at_once(tmp_path):
    part = pk.nominal.load(es.make("plate", tmp_path).path)
    points = es.touches(es.read(tmp_path / "plate.step"), 9000, seed=14)
    whole = part.engine.feet(points)
    pieces = [part.engine.feet(some) for some in np.array_split(points, 7)]
    clear = np.abs(whole.distance) > 1e-6  # on an edge either normal is right
    for name in ("foot", "distance", "normal"):
        parts = np.concatenate([getattr(piece, name) for piece in pieces])
        np.testing.assert_allclose(getattr(whole, name)[clear], parts[clear], rtol=0, atol=1e-7)
    again = part.engine.feet(points)
    for name in type(whole).__dataclass_fields__:
        np.testing.assert_array_equal(getattr(whole, name), getattr(again, name))
