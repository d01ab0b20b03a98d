"""STEP files as the trade has them: public models with tolerances as data, and what other writers do differently."""

from __future__ import annotations

import hashlib
import re
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from thorough import some

pytest.importorskip("OCP")

import exact_shapes as es
import real_models as real
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCone
from OCP.Geom import Geom_BSplineCurve
from OCP.gp import gp_Pnt
from OCP.Standard import Standard_DomainError
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Face

import probekit as pk
from probekit.errors import InputError
from probekit.nominal.exact import step
from probekit.nominal.exact.convert_splines import edge_curves
from probekit.nominal.exact.kernel import kernel
from probekit.nominal.exact.pmi import read_pmi


def changed(source: Path, *changes: tuple[str, str]) -> Path:
    """A file with some text replaced, beside its source."""
    text = source.read_text()
    for old, new in changes:
        assert re.search(old, text)
        text = re.sub(old, new, text)
    path = source.with_name("changed.step")
    path.write_text(text)
    return path


@pytest.fixture
def box(tmp_path: Path) -> Path:
    return es.write(BRepPrimAPI_MakeBox(10.0, 20.0, 30.0).Shape(), tmp_path / "box.step")


@pytest.mark.parametrize("name", some(real.NAMES))
def test_a_real_model_loads_and_measures_right(name: str, tmp_path: Path) -> None:
    """Touches h off points that the kernel evaluates on faces: the deviation is h, but where another face is nearer."""
    path = real.unpack(name, tmp_path)
    assert hashlib.sha256(path.read_bytes()).hexdigest().startswith(real.COUNTS[name]["sha256_16"])
    part = pk.nominal.load(path)
    assert any("shape depends on none" in note for note in part.notes)
    assert all(face.colour is not None for face in part.brep.faces)
    rng = np.random.default_rng(7)
    points, normals = real.surface_points(path, 400, rng)
    h = rng.choice([-1.0, 1.0], len(points)) * rng.uniform(0.001, 0.05, len(points))
    found = part.engine.feet(points + h[:, None] * normals)
    assert (np.abs(found.distance) <= np.abs(h) + 1e-8).all()
    right = np.abs(found.distance - h) < 1e-8
    assert right.mean() > 0.97
    assert (np.linalg.norm(found.foot - points, axis=1)[right] < 1e-6).mean() > 0.97


#: Column of the counts -> kind.
KINDS = {"surface_profile": "profile of a surface", "line_profile": "profile of a line"}
KINDS |= {"circular_runout": "circular run-out", "total_runout": "total run-out"}


@pytest.mark.parametrize("name", real.NAMES)
def test_every_tolerance_of_a_real_model_is_read(name: str, tmp_path: Path) -> None:
    """As many of each kind as the text has records, none dropped; every size read or listed."""
    path, counts = real.unpack(name, tmp_path), real.COUNTS[name]
    found = read_pmi(path, pk.nominal.load(path))
    kinds = Counter(one.kind for one in found.tolerances)
    stated = {KINDS.get(column, column): int(counts[column]) for column in list(counts)[4:-2]}
    assert kinds == {kind: count for kind, count in stated.items() if count}
    assert len(found.tolerances) == int(counts["geometric_tolerances"])
    assert len(found.datums) == int(counts["datums"])
    text = path.read_text()
    of_datums = text.count("DIMENSIONAL_SIZE_WITH_DATUM_FEATURE")  # counted under another name
    lengths = [one for one in found.sizes if not one.ends and not one.degrees]
    assert len(lengths) == int(counts["dimensional_size"]) + of_datums
    assert len([one for one in found.sizes if one.ends]) == text.count("AL_LOCATION(") + text.count("ANGULAR_LOCATION(")
    assert all(one.faces or one.targets for one in found.datums)  # by their features or, in two files, by themselves
    targets = [one for datum in found.datums for one in datum.targets]
    assert len(targets) == text.count("DATUM_TARGET(") + text.count("PLACED_DATUM_TARGET_FEATURE(")
    assert sum(len(one.projected) for one in found.tolerances) == text.count("PROJECTED_ZONE_DEFINITION(")
    assert sum(bool(one.unit) for one in found.tolerances) == text.count("TOLERANCE_WITH_DEFINED_UNIT(")
    assert sum(bool(one.fit) for one in found.sizes) == text.count("LIMITS_AND_FITS(")
    assert not [one for one in found.not_understood if "not used" in one or one.endswith("not understood")]
    said = {"ctc_02", "ftc_06", "ftc_10", "stc_07"}  # by the word "Y14.5" in the text of the file
    assert found.standard == ("ASME Y14.5" if name[5:11] in said else "")
    factor = 25.4 if counts["unit_of_tolerances"] == "inch" else 1.0
    for one in found.tolerances:  # round numbers in the unit of the drawing
        assert one.value / factor == pytest.approx(round(one.value / factor, 4), abs=1e-9)


def test_damage_is_told_by_what_bears_shape(box: Path) -> None:
    """A property may be of what it likes; a face needs its surface, an edge its curve, a unit its prefix."""
    lone = "#9001=PROPERTY_DEFINITION('','',#9002);\n#9002=DIRECTION('',(0.,0.,1.));\n"
    part = pk.nominal.load(changed(box, ("ENDSEC;\nEND-ISO", lone + "ENDSEC;\nEND-ISO")))
    assert len(part.face_names) == 6
    assert any("PropertyDefinition" in note and "shape depends on none" in note for note in part.notes)
    for change in (
        (r"(ADVANCED_FACE\('',\(#\d+\)),#\d+", r"\1,#1"),
        (r"(EDGE_CURVE\('',#\d+,#\d+),#\d+", r"\1,#1"),
        (r"(AXIS2_PLACEMENT_3D\('',)#\d+", r"\1#1"),
        (r"SI_UNIT\(\.MILLI\.,\.METRE\.\)", "SI_UNIT(.MILLI.,.YARD.)"),
    ):
        with pytest.raises(InputError, match=r"changed\.step: the STEP file is damaged"):
            pk.nominal.load(changed(box, change))


def test_a_name_that_is_unset_is_no_damage(box: Path) -> None:
    path = changed(box, (r"= (ADVANCED_FACE|CARTESIAN_POINT|EDGE_CURVE|PLANE)\('',", r"= \1($,"))
    np.testing.assert_allclose(pk.nominal.load(path).bounds[1], [10, 20, 30])


INCH = (
    r"\1 = (CONVERSION_BASED_UNIT('{name}',#9001) LENGTH_UNIT() NAMED_UNIT(#9002));\n#9001={measure};\n"
    "#9002=DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);\n#9003=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.))"
)
UNIT = r"(#\d+) = \( ?LENGTH_UNIT\(\) NAMED_UNIT\(\*\) SI_UNIT\(\.MILLI\.,\.METRE\.\) ?\)"


@pytest.mark.parametrize("name", ["INCH", "inch", "in", "Zoll", ""])
@pytest.mark.parametrize("keyword", ["LENGTH_MEASURE_WITH_UNIT", "MEASURE_WITH_UNIT"])
def test_a_unit_by_any_conversion(box: Path, name: str, keyword: str) -> None:
    """An inch is 25.4 mm by definition, whatever the file calls it and however it writes the factor."""
    unit = INCH.format(name=name, measure=f"{keyword}(LENGTH_MEASURE(25.4),#9003)")
    part = pk.nominal.load(changed(box, (UNIT, unit)))
    np.testing.assert_allclose(part.bounds[1], [254, 508, 762])
    assert part.unit_source == f"STEP file: {name or '25.4 millimetre'}"


SEVERAL = "(LENGTH_MEASURE_WITH_UNIT()\n MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#9003))"


@pytest.mark.parametrize(
    "measure",
    [
        SEVERAL,
        "( MEASURE_WITH_UNIT ( LENGTH_MEASURE ( 25.4 ) , #9003 ) LENGTH_MEASURE_WITH_UNIT ( ) )",
        "(LENGTH_MEASURE_WITH_UNIT()MEASURE_REPRESENTATION_ITEM()MEASURE_WITH_UNIT(LENGTH_MEASURE(2.54E1),#9003)"
        "REPRESENTATION_ITEM($))",
    ],
)
def test_a_factor_of_several_types_at_once(box: Path, measure: str) -> None:
    """Legal, in any order of the types; the kernel would take the numbers as millimetres."""
    part = pk.nominal.load(changed(box, (UNIT, INCH.format(name="inch", measure=measure))))
    np.testing.assert_allclose(part.bounds[1], [254, 508, 762])


def test_an_angle_whose_factor_is_of_several_types(tmp_path: Path) -> None:
    """The half angle of a cone in degrees: a circle of 10 at one end, of 20 at the other, 30 apart."""
    cone = es.write(BRepPrimAPI_MakeCone(10.0, 20.0, 30.0).Shape(), tmp_path / "cone.step")
    angle = float(np.arctan2(10, 30))
    unit = (
        r"\1 = (CONVERSION_BASED_UNIT('degree',#9001) NAMED_UNIT(#9002) PLANE_ANGLE_UNIT());\n"
        f"#9001=(MEASURE_WITH_UNIT(PLANE_ANGLE_MEASURE({np.pi / 180!r}),#9003)PLANE_ANGLE_MEASURE_WITH_UNIT());\n"
        "#9002=DIMENSIONAL_EXPONENTS(0.,0.,0.,0.,0.,0.,0.);\n"
        "#9003=(NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.))"
    )
    path = changed(
        cone,
        (r"(#\d+) = \( ?NAMED_UNIT\(\*\) PLANE_ANGLE_UNIT\(\) SI_UNIT\(\$,\.RADIAN\.\) ?\)", unit),
        (r"(CONICAL_SURFACE\('',#\d+,[^,]+),[^)]+\)", rf"\1,{float(np.degrees(angle))!r})"),
    )
    part = pk.nominal.load(path)
    (face,) = (one for one in part.brep.faces if one.kind == "cone")
    middle = face.surface.origin + 15 * np.array([0, 0, 1.0]) + 15 * np.array([1.0, 0, 0])
    assert part.engine.feet(middle[None]).distance[0] == pytest.approx(0.0, abs=1e-9)


def test_a_unit_of_nothing_is_refused(box: Path) -> None:
    bare = changed(box, (UNIT, INCH.format(name="inch", measure="").partition(" LENGTH_UNIT")[0] + ")"))
    with pytest.raises(InputError, match=r"damaged|without saying what it converts"):
        pk.nominal.load(bare)


@pytest.mark.parametrize("beyond", [1e-14, 1e-12])
def test_a_knot_that_is_the_end_but_for_its_last_digits(beyond: float) -> None:
    """A polyline as a B-spline; an edge that ends just beyond its middle corner is one piece, and straight."""
    import OCP.collections as arrays

    poles, knots, many = arrays.Array1_gp_Pnt(1, 3), arrays.Array1_double(1, 3), arrays.Array1_int(1, 3)
    for k, (point, knot, m) in enumerate(
        zip([(0, 0, 0), (50, 0, 0), (50, 50, 0)], (0.0, 50.8, 99.0), (2, 1, 2), strict=True)
    ):
        poles.SetValue(k + 1, gp_Pnt(*map(float, point)))
        knots.SetValue(k + 1, knot)
        many.SetValue(k + 1, m)
    curve = Geom_BSplineCurve(poles, knots, many, 1)
    (edge,) = edge_curves(BRepBuilderAPI_MakeEdge(curve, 0.0, 50.8 * (1 + beyond)).Edge())
    np.testing.assert_allclose(edge.evaluate(np.array([0.0, 25.4]))[0], [[0, 0, 0], [25, 0, 0]], atol=1e-9)


@pytest.mark.parametrize("raised", [Standard_DomainError, ValueError, TypeError])
def test_whatever_fails_names_the_file(box: Path, monkeypatch: pytest.MonkeyPatch, raised: type[Exception]) -> None:
    """The kernel's errors share no base in its binding, and its broken shapes fail anywhere in our own code."""

    def fail(*_: object) -> None:
        raise raised("inside")

    part = pk.nominal.load(box)
    monkeypatch.setattr(step, "_walk", fail)
    for call in (lambda: pk.nominal.load(box), lambda: step.face_shapes(box, part.brep)):
        with pytest.raises(InputError, match=rf"box\.step: .*cannot interpret.*{raised.__name__}.*inside"):
            call()


def faceted(shape: object) -> TopoDS_Face:
    """The first face of a shape as facets alone, without surface or parameters."""
    BRepMesh_IncrementalMesh(shape, 0.1)
    mesh = pytest.importorskip("OCP.BRep").BRep_Tool.Triangulation_s(
        TopoDS.Face(es.parts(shape, es.FACE)[0]), TopLoc_Location()
    )
    mesh.RemoveUVNodes()
    face = TopoDS_Face()
    BRep_Builder().MakeFace(face, mesh)
    return face


def test_facets_beside_a_solid_are_left_out(tmp_path: Path) -> None:
    shape = BRepPrimAPI_MakeBox(10.0, 20.0, 30.0).Shape()
    with written_as_facets():
        both = es.write(es.compound([shape, shell_of(faceted(shape))]), tmp_path / "both.step")
    assert "TESSELLATED_SOLID" in both.read_text()  # of the box, beside its exact faces
    part = pk.nominal.load(both)
    assert len(part.face_names) == 6
    (said,) = (note for note in part.notes if "1 bodies were left out: they are facets only" in note)
    assert said.endswith((": one without a name", "'"))


@pytest.mark.parametrize("unit", ["MM", "INCH", "M"])
def test_a_model_of_facets_alone_is_a_mesh_with_faces(tmp_path: Path, unit: str) -> None:
    """A cylinder of radius 5 and height 12, stood elsewhere: three faces; points h off have -h to h, by its facets."""
    shape = es.moved(es.BRepPrimAPI_MakeCylinder(5.0, 12.0).Shape(), (1, 2, 3), 0.7, (40.0, -20.0, 7.0))
    with written_as_facets():
        path = es.write(shell_of(*faceted_all(shape)), tmp_path / "alone.step", unit=unit)
    assert "TESSELLATED_SHELL" in path.read_text()
    assert "ADVANCED_FACE" not in path.read_text()
    part = pk.nominal.load(path)
    assert part.brep is None
    assert part.face_names == ("face_1", "face_2", "face_3")
    assert part.unit_source.startswith("STEP file")
    assert any("facets alone" in note for note in part.notes)
    assert read_pmi(path, part).tolerances == ()
    rng = np.random.default_rng(1)
    points = es.touches(shape, 60, 1, (0.3,))
    expected, _ = es.kernel_distances(points, shape)
    found = part.engine.feet(points)
    np.testing.assert_allclose(np.abs(found.distance), expected, atol=0.12)  # the facets are 0.1 mm off
    inside = es.kernel_inside(points, shape)
    sure = expected > 0.15
    assert ((found.distance < 0) == inside)[sure].all()
    corner = part.vertices[rng.permutation(len(part.vertices))[:20]]
    np.testing.assert_allclose(es.kernel_distances(corner, shape)[0], 0.0, atol=1e-5)  # nodes are on the surface


@contextmanager
def written_as_facets() -> Iterator[None]:
    """Let the kernel write facets, in AP242."""
    interface, control = kernel("Interface", "STEPControl")
    control.STEPControl_Writer()  # settings exist once there is one
    set_text = interface.Interface_Static.SetCVal_s
    set_text("write.step.tessellated", "On")
    set_text("write.step.schema", "AP242DIS")
    try:
        yield
    finally:
        set_text("write.step.tessellated", "OnNoBRep")
        set_text("write.step.schema", "AP214IS")


def faceted_all(shape: object) -> list[TopoDS_Face]:
    """All faces of a shape as facets alone."""
    BRepMesh_IncrementalMesh(shape, 0.1)
    found = []
    for one in es.parts(shape, es.FACE):
        location = TopLoc_Location()
        mesh = pytest.importorskip("OCP.BRep").BRep_Tool.Triangulation_s(TopoDS.Face(one), location).Copy()
        mesh.RemoveUVNodes()
        face = TopoDS_Face()
        BRep_Builder().MakeFace(face, mesh)
        face.Location(location)
        face.Orientation(one.Orientation())
        found.append(face)
    return found


def shell_of(*faces: TopoDS_Face) -> object:
    from OCP.TopoDS import TopoDS_Shell

    shell, builder = TopoDS_Shell(), BRep_Builder()
    builder.MakeShell(shell)
    for face in faces:
        builder.Add(shell, face)
    return shell


def test_a_face_without_facets_is_not_left_to_its_neighbours(tmp_path: Path) -> None:
    """A cone ten times as wide as its edges: the kernel makes no facets of it."""
    cone = es.write(BRepPrimAPI_MakeCone(5.0, 0.0, 10.0).Shape(), tmp_path / "cone.step")
    wide = changed(cone, (r"(CONICAL_SURFACE\('',#\d+),5\.", r"\1,50."))
    with pytest.raises(InputError, match=r"changed\.step: the CAD kernel makes no facets of face 2; found 'a face of"):
        pk.nominal.load(wide)


def test_the_kernel_is_looked_for_once() -> None:
    """It was imported anew thousands of times in one load."""

    def seconds(call: Callable[[], object]) -> float:
        start = time.perf_counter()
        for _ in range(2000):
            call()
        return time.perf_counter() - start

    kernel("gp", "BRep")
    assert seconds(lambda: kernel("gp", "BRep")) < 0.1  # was about 1 s
