"""Part frames: closed forms on a box and a drilled plate; moved models; what gives no frame; systems by name."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapes
from scipy.spatial.transform import Rotation
from thorough import some

import probekit as pk
from probekit.geometry import apply_motion
from probekit.nominal.frames import datum_feature, frame_from_faces, move_nominal, placement

FOIL = Path(__file__).parents[2] / "data" / "foil"
needs_kernel = pytest.mark.skipif(importlib.util.find_spec("OCP") is None, reason="the CAD kernel is not installed")

X, Y, Z = np.eye(3)
MOTION = np.eye(4)
MOTION[:3, :3] = Rotation.from_rotvec([20.0, -35.0, 50.0], degrees=True).as_matrix()
MOTION[:3, 3] = (12.0, -7.0, 31.0)


def frame(x: np.ndarray, z: np.ndarray, origin: tuple[float, float, float]) -> np.ndarray:
    """Motion into the right-handed frame with these axes and this origin, from the definition of a frame."""
    motion = np.eye(4)
    motion[:3, :3] = [x, np.cross(z, x), z]
    motion[:3, 3] = -motion[:3, :3] @ np.array(origin)
    return motion


# --- datum faces ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("faces", "expected"),
    [
        (("top", "right", "back"), frame(X, Z, (35.0, 26.0, 17.0))),
        (("bottom", "left", "front"), frame(-X, -Z, (-25.0, -14.0, -3.0))),
        (("right", "back", "top"), frame(Y, X, (35.0, 26.0, 17.0))),
        (("top", "right"), frame(X, Z, (35.0, 0.0, 17.0))),  # y stays as in the model
    ],
)
def test_three_planes_of_a_box(faces, expected):
    box = shapes.box(size=(60.0, 40.0, 20.0), centre=(5.0, 6.0, 7.0))  # x -25 to 35, y -14 to 26, z -3 to 17
    found = frame_from_faces(box, *faces)
    np.testing.assert_allclose(found, expected, atol=1e-12)
    assert np.linalg.det(found) == pytest.approx(1.0)


SLOPE = np.radians(10.0)
POINTS = {
    "top": (40.0, 5.0, 12.0),
    "bottom": (50.0, 30.0, 0.0),
    "left": (0.0, 30.0, 6.0),
    "front": (50.0, 0.0, 6.0),
    "ramp": (100.0 - 6.0 * np.tan(SLOPE), 30.0, 6.0),
    "one": (26.0, 15.0, 6.0),
    "two": (84.0, 45.0, 4.0),
    "sink": (87.0, 45.0, 10.0),
    "cross": (30.0, 54.0, 6.0),
    "dimple": (50.0, 30.0, 7.0),
}


@pytest.fixture(scope="module")
def exact_plate(tmp_path_factory) -> pk.nominal.Nominal:
    """A plate of 100 x 60 x 12 from (0, 0, 0), the face at x = 100 leaning in by 10 degrees.

    Bores "one" at (20, 15), "two" at (80, 45) with the counterbore "sink", "cross" along x at y = 52, z = 6; a
    spherical "dimple" about (50, 30, 12).
    """
    pytest.importorskip("OCP")
    import exact_shapes
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakeSphere
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    def bore(point: tuple[float, ...], way: tuple[float, ...], radius: float, length: float):
        return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*point), gp_Dir(*way)), radius, length)

    corner, up, out = gp_Pnt(100, -10, 0), (-np.sin(SLOPE), 0, np.cos(SLOPE)), (np.cos(SLOPE), 0, np.sin(SLOPE))
    body = BRepPrimAPI_MakeBox(100, 60, 12).Shape()
    for tool in (
        bore((20, 15, -5), (0, 0, 1), 6, 30),
        bore((80, 45, 20), (0, 0, -1), 4, 30),
        bore((80, 45, 8), (0, 0, 1), 7, 30),
        bore((-5, 52, 6), (1, 0, 0), 2, 60),
        BRepPrimAPI_MakeSphere(gp_Pnt(50, 30, 12), 5),
        BRepPrimAPI_MakeBox(gp_Ax2(corner, gp_Dir(*up), gp_Dir(*out)), 50, 100, 50),
    ):
        body = BRepAlgoAPI_Cut(body, tool.Shape()).Shape()
    path = exact_shapes.write(body, tmp_path_factory.mktemp("plate") / "plate.step")
    return pk.nominal.load(path, deflection=0.005, faces=POINTS)


@pytest.fixture(scope="module", params=["exact", "facets"])
def plate(request, exact_plate) -> pk.nominal.Nominal:
    """The plate with its exact surfaces, and its facets alone."""
    return exact_plate if request.param == "exact" else replace(exact_plate, brep=None)


TO_TWO = np.array([2.0, 1.0, 0.0]) / np.sqrt(5.0)  # from bore "one" to bore "two": (60, 30)
FRAMES = {
    ("bottom", "one", "two"): frame(TO_TWO, -Z, (20.0, 15.0, 0.0)),
    ("top", "one", "left"): frame(-X, Z, (20.0, 15.0, 12.0)),
    ("top", "left", "one"): frame(-X, Z, (0.0, 15.0, 12.0)),
    ("top", "one", "cross"): frame(X, Z, (20.0, 15.0, 12.0)),
    ("top", "cross", "left"): frame(X, Z, (0.0, 52.0, 12.0)),
    ("top", "ramp", "front"): frame(X, Z, (100.0 - 12.0 * np.tan(SLOPE), 0.0, 12.0)),
    ("one", "top", "left"): frame(-X, Z, (20.0, 15.0, 12.0)),
    ("one", "left", "top"): frame(-X, Z, (20.0, 15.0, 12.0)),
    ("one", "bottom", "two"): frame(TO_TWO, -Z, (20.0, 15.0, 0.0)),
    ("one", "two", "top"): frame(TO_TWO, Z, (20.0, 15.0, 12.0)),
    ("two", "top", "one"): frame(-TO_TWO, Z, (80.0, 45.0, 12.0)),
    ("cross", "top", "left"): frame(Z, -X, (0.0, 52.0, 6.0)),
}


@pytest.mark.parametrize("faces", FRAMES, ids=" ".join)
def test_planes_and_bores_of_a_plate(plate, faces):
    np.testing.assert_allclose(frame_from_faces(plate, *faces), FRAMES[faces], atol=1e-9 if plate.exact else 1e-4)


@pytest.mark.parametrize("faces", [faces for faces in FRAMES if "cross" not in faces], ids=" ".join)
def test_a_moved_model_gives_the_same_frame(plate, faces):
    """Which way along a bore is x is the file's word, or on a mesh the model's axes': "cross" is left out."""
    np.testing.assert_allclose(
        frame_from_faces(move_nominal(plate, MOTION), *faces) @ MOTION,
        FRAMES[faces],
        atol=1e-9 if plate.exact else 1e-4,
    )


def test_two_parallel_bores_fix_all_but_the_place_along_them(plate):
    expected = frame(TO_TWO, Z, (20.0, 15.0, 0.0))
    np.testing.assert_allclose(frame_from_faces(plate, "one", "two"), expected, atol=1e-9 if plate.exact else 1e-4)


def test_a_centre_serves_like_an_axis_across_the_plane(exact_plate):
    np.testing.assert_allclose(
        frame_from_faces(exact_plate, "bottom", "dimple", "one"), frame(-TO_TWO, -Z, (50.0, 30.0, 0.0)), atol=1e-9
    )
    with pytest.raises(pk.InputError, match="the first face must give a direction; found 'dimple'"):
        frame_from_faces(exact_plate, "dimple", "top", "one")
    with pytest.raises(pk.InputError, match="no plane, axis or centre"):
        datum_feature(replace(exact_plate, brep=None), "dimple")


def test_joined_faces_count_if_they_share_what_they_give(exact_plate):
    joined = exact_plate.rename_faces({"two": "stepped", "sink": "stepped"})
    assert frame_from_faces(joined, "top", "one", "stepped") == pytest.approx(
        frame_from_faces(exact_plate, "top", "one", "two")
    )
    for pair in (("one", "two"), ("top", "bottom"), ("top", "one"), ("left", "front")):
        with pytest.raises(pk.InputError, match="its parts give different ones; found 'pair'"):
            datum_feature(exact_plate.rename_faces(dict.fromkeys(pair, "pair")), "pair")


@pytest.mark.parametrize("scale", [0.01, 1.0, 100.0])
def test_what_agrees_depends_on_size_and_on_the_file(exact_plate, scale):
    """An axis off another by a part of the size, and by less than the edges of the file leave open."""
    part = scaled(exact_plate, scale)
    parts = {name: part.brep.facet_face[part.facet_face == part.face_index(name)][0] for name in ("two", "sink")}
    faces = list(part.brep.faces)
    surface = faces[parts["sink"]].surface
    faces[parts["sink"]] = replace(
        faces[parts["sink"]], surface=replace(surface, origin=surface.origin + np.array([3e-5 * scale, 0.0, 0.0]))
    )
    loose = replace(part, brep=replace(part.brep, faces=tuple(faces), gap=1e-4 * scale))
    tight = replace(part, brep=replace(part.brep, faces=tuple(faces), gap=1e-7 * scale))
    stepped = {"two": "stepped", "sink": "stepped"}
    assert datum_feature(loose.rename_faces(stepped), "stepped").kind == "axis"
    with pytest.raises(pk.InputError, match="its parts give different ones"):
        datum_feature(tight.rename_faces(stepped), "stepped")
    # two axes 0.03 um to 0.3 mm apart, which is nothing at this size, give no direction
    with pytest.raises(pk.InputError, match=r"the direction of x is not determined|adds nothing"):
        frame_from_faces(loose, "top", "two", "sink")


def scaled(part: pk.nominal.Nominal, scale: float) -> pk.nominal.Nominal:
    """A part of plane, cylindrical, conical and spherical faces, larger or smaller; its edges are left as they are."""
    faces = tuple(
        replace(
            face, surface=replace(face.surface, origin=scale * face.surface.origin, radius=scale * face.surface.radius)
        )
        for face in part.brep.faces
    )
    brep = replace(part.brep, vertices=scale * part.brep.vertices, faces=faces)
    return replace(part, vertices=scale * part.vertices, brep=brep)


@pytest.mark.parametrize(
    ("faces", "message"),
    [
        (("top", "bottom", "left"), "adds nothing to the frame; found 'bottom'"),
        (("top", "one", "one"), "adds nothing to the frame; found 'one'"),
        (("one", "one", "top"), "adds nothing to the frame; found 'one'"),
        (("two", "sink", "top"), "adds nothing to the frame; found 'sink'"),
        (("top", "one"), "the direction of x is not determined"),
        (("one", "top"), "the direction of x is not determined"),
        (("top", "left", "lid"), "no face with that name; found 'lid'"),
    ],
)
def test_choices_that_give_no_frame(plate, faces, message):
    with pytest.raises(pk.InputError, match=message):
        frame_from_faces(plate, *faces)


def test_freeform_and_slot_give_no_datum_on_the_demo_mesh():
    part = pk.nominal.load(
        FOIL / "foil.3mf",
        faces={"skin": (-13.519, -3.169, 45.0), "slot": (30.0, 32.0, -10.0), "bore": (-55.0, 26.0, -10.0),
               "base_top": (50.0, -30.0, 0.0), "side_right": (70.0, 0.0, -10.0)},
    )  # fmt: skip
    for name in ("skin", "slot"):
        with pytest.raises(pk.InputError, match=rf"no plane, axis or centre.*found '{name}'"):
            datum_feature(part, name)
    bored = frame_from_faces(part, "base_top", "bore", "side_right")  # data/README.md: axis at x = -45, y = 26
    np.testing.assert_allclose(bored, frame(X, Z, (-45.0, 26.0, 0.0)), atol=1e-4)


def test_four_sides_of_a_box_are_no_cylinder():
    """Its corners lie on a circle, as those of a cylinder's facets do."""
    box = shapes.box(size=(30.0, 30.0, 20.0)).rename_faces(dict.fromkeys(("left", "right", "front", "back"), "wall"))
    with pytest.raises(pk.InputError, match=r"no plane, axis or centre.*found 'wall'"):
        datum_feature(box, "wall")


# --- the model in other coordinates ---------------------------------------------------------------------------------


def assert_moves_along(part: pk.nominal.Nominal, points: np.ndarray) -> None:
    there = move_nominal(part, MOTION)
    before = pk.deviation.project(points, part)
    after = pk.deviation.project(apply_motion(MOTION, points), there)
    np.testing.assert_allclose(after["deviation"], before["deviation"], rtol=0, atol=1e-8)
    assert (after["face"] == before["face"]).all()
    foot, normal = (before[list(names)].to_numpy() for names in (("foot_x", "foot_y", "foot_z"), ("nx", "ny", "nz")))
    np.testing.assert_allclose(after[["foot_x", "foot_y", "foot_z"]], apply_motion(MOTION, foot), atol=1e-6)
    np.testing.assert_allclose(after[["nx", "ny", "nz"]], normal @ MOTION[:3, :3].T, atol=1e-6)
    assert there.exact == part.exact
    assert there.notes[-1].startswith("moved into another frame: origin at (")


def clear_touches(part: pk.nominal.Nominal, n: int = 400) -> np.ndarray:
    """Touches a little off the inside of facets."""
    rng = np.random.default_rng(3)
    points, normals = shapes.sample(part, n, rng, inner=0.6)
    return points + rng.uniform(-0.05, 0.3, (n, 1)) * normals


@pytest.mark.parametrize("make", [shapes.saddle, shapes.ball, shapes.box])
def test_facets_move_along(make):
    assert_moves_along(make(), clear_touches(make()))


@needs_kernel
@pytest.mark.parametrize(
    "name", some(["rational", "filleted", "turned_cluster", "revolved", "lofted", "offset_skin", "creased_skin"])
)
def test_exact_surfaces_move_along(name, tmp_path):
    import exact_shapes

    part = pk.nominal.load(exact_shapes.write(exact_shapes.SHAPES[name](), tmp_path / "part.step"))
    assert_moves_along(part, clear_touches(part))


# --- coordinate systems of the file ---------------------------------------------------------------------------------

SYSTEMS = """\
#90001=CARTESIAN_POINT('',(1.,-2.,0.5));
#90002=DIRECTION('',(0.,-3.,4.));
#90003=DIRECTION('',(2.,0.,1.));
#90004=AXIS2_PLACEMENT_3D('fixture zero',#90001,#90002,#90003);
#90005=AXIS2_PLACEMENT_3D('plain',#90001,$,$);
#90006=AXIS2_PLACEMENT_3D('plain',#90001,#90002,$);
"""


def with_systems(folder: Path, unit: str) -> pk.nominal.Nominal:
    """A box of 100 mm whose file has two named coordinate systems besides, in the file's unit."""
    import exact_shapes
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

    path = exact_shapes.write(BRepPrimAPI_MakeBox(100, 100, 100).Shape(), folder / "box.step", unit=unit)
    text = path.read_text()
    assert text.count("ENDSEC;") == 2
    at = text.rindex("ENDSEC;")
    path.write_text(text[:at] + SYSTEMS + text[at:])
    return pk.nominal.load(path)


@needs_kernel
@pytest.mark.parametrize(("unit", "millimetres"), [("MM", 1.0), ("INCH", 25.4), ("M", 1000.0)])
def test_a_system_by_name(tmp_path, unit, millimetres):
    """ISO 10303-42: z is the axis, x the part of the reference direction normal to it; default: the model's."""
    part = with_systems(tmp_path, unit)
    assert np.ptp(part.bounds, axis=0) == pytest.approx([100.0, 100.0, 100.0])
    origin = tuple(millimetres * np.array([1.0, -2.0, 0.5]))
    z = np.array([0.0, -0.6, 0.8])
    x = np.array([2.0, 0.0, 1.0]) - 0.8 * z  # less its part along z, (2, 0, 1) . z = 0.8
    expected = frame(x / np.linalg.norm(x), z, origin)
    np.testing.assert_allclose(placement(part, "fixture zero"), expected, atol=1e-9)
    np.testing.assert_allclose(placement(part, "plain"), frame(X, Z, origin), atol=1e-9)  # the first of that name
    moved = move_nominal(part, placement(part, "plain"))
    np.testing.assert_allclose(moved.bounds[0], part.bounds[0] - origin, atol=1e-9)


@needs_kernel
def test_systems_that_are_not_there(tmp_path):
    with pytest.raises(
        pk.InputError, match=r"box\.step: the STEP file has no .*found 'zero'; expected one of fixture zero, plain"
    ):
        placement(with_systems(tmp_path, "MM"), "zero")
    with pytest.raises(pk.InputError, match="a file with named coordinate systems; this one has none"):
        placement(pk.nominal.load(FOIL / "foil.step"), "zero")


def test_a_mesh_has_no_named_systems():
    with pytest.raises(pk.InputError, match="only a STEP file carries coordinate systems by name"):
        placement(shapes.box(), "zero")
