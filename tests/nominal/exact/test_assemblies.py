"""Assemblies: parts below others, turned and shifted, chosen by name or path; colours of faces as a choice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("OCP")

import exact_shapes as es
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.Interface import Interface_Static
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopLoc import TopLoc_Location
from OCP.XCAFDoc import XCAFDoc_DocumentTool

import probekit as pk
from probekit.errors import InputError


def motion(shift: tuple[float, float, float], turn: float = 0.0) -> gp_Trsf:
    """A turn about z [deg], then a shift."""
    turned, shifted = gp_Trsf(), gp_Trsf()
    turned.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), np.radians(turn))
    shifted.SetTranslation(gp_Vec(*shift))
    return shifted.Multiplied(turned)


@pytest.fixture(scope="module", params=["MM", "INCH"])
def line(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two stations, one turned by 90 deg; each holds a base and two pins, the second pin 40 mm along x.

    The file is in millimetres, or in inches.
    """
    document = TDocStd_Document(TCollection_ExtendedString("t"))
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())

    def named(label: object, name: str) -> object:
        TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
        return label

    pin = named(tool.AddShape(BRepPrimAPI_MakeCylinder(3.0, 12.0).Shape(), False), "pin")
    base = named(tool.AddShape(BRepPrimAPI_MakeBox(60.0, 20.0, 5.0).Shape(), False), "base")
    station, whole = named(tool.NewShape(), "station"), named(tool.NewShape(), "line")
    for part, place in ((base, motion((0, 0, 0))), (pin, motion((10, 10, 5))), (pin, motion((50, 10, 5)))):
        tool.AddComponent(station, part, TopLoc_Location(place))
    for place in (motion((0, 0, 0)), motion((200, 100, 0), 90.0)):
        tool.AddComponent(whole, station, TopLoc_Location(place))
    tool.UpdateAssemblies()
    writer = STEPCAFControl_Writer()
    writer.SetNameMode(True)
    path = tmp_path_factory.mktemp("line") / "line.step"
    Interface_Static.SetCVal_s("write.step.unit", request.param)
    try:
        writer.Transfer(document)
        writer.Write(str(path))
    finally:
        Interface_Static.SetCVal_s("write.step.unit", "MM")
    return path


def test_each_body_has_a_path(line: Path) -> None:
    part = pk.nominal.load(line, body="*")
    assert part.unit_source.lower() in ("step file: millimetre", "step file: inch")
    one = ("base", "pin_1", "pin_2")
    assert part.brep.bodies == tuple(f"line/station_{k}/{name}" for k in (1, 2) for name in one)


@pytest.mark.parametrize(
    ("body", "middle"),
    [
        ("line/station_1/pin_2", (50.0, 10.0, 11.0)),
        ("station_1/pin_1", (10.0, 10.0, 11.0)),
        # turned by 90 deg, (x, y) becomes (-y, x); then shifted by (200, 100)
        ("line/station_2/pin_2", (190.0, 150.0, 11.0)),
        ("station_2/base", (190.0, 130.0, 2.5)),
    ],
)
def test_a_body_by_its_path_stands_in_its_place(line: Path, body: str, middle: tuple[float, float, float]) -> None:
    part = pk.nominal.load(line, body=body)
    np.testing.assert_allclose(part.bounds.mean(axis=0), middle, atol=0.05)
    assert any(f"body '{body}' was chosen: 1 of the 6 bodies" in note for note in part.notes)


def test_all_below_an_assembly(line: Path) -> None:
    part = pk.nominal.load(line, body="station_2")
    assert len(part.face_names) == 6 + 3 + 3
    np.testing.assert_allclose(part.bounds, [[180, 100, 0], [200, 160, 17]], atol=0.05)


@pytest.mark.parametrize("body", ["pin_1", "base"])
def test_a_name_that_stands_in_several_places_is_refused(line: Path, body: str) -> None:
    listed = f"line/station_1/{body}, line/station_2/{body}"
    with pytest.raises(InputError, match=f"several bodies.*'{body}'.*one of {listed}.*more of its path"):
        pk.nominal.load(line, body=body)


def test_nothing_is_chosen_in_silence(line: Path) -> None:
    with pytest.raises(InputError, match=r"several parts, and none was chosen.*line/station_1/base.*body = "):
        pk.nominal.load(line)


def test_the_store_tells_the_bodies_apart(line: Path, tmp_path: Path) -> None:
    """Each choice is its own model in the store, the first time and the second; a refused one is not kept."""
    middles = {"station_1/pin_1": (10.0, 10.0), "station_2/pin_1": (190.0, 110.0), "station_1/base": (30.0, 10.0)}
    for _ in range(2):
        for body, middle in middles.items():
            part = pk.nominal.load(line, body=body, cache=tmp_path)
            np.testing.assert_allclose(part.bounds.mean(axis=0)[:2], middle, atol=0.05)
        for none in (None, "pin_1"):
            with pytest.raises(InputError, match="several"):
                pk.nominal.load(line, body=none, cache=tmp_path)
    assert len(list(tmp_path.iterdir())) == len(middles)


def test_each_part_has_its_own_unit(tmp_path: Path) -> None:
    """Two boxes of 10 units, 100 mm apart: the second in centimetres, by its own context in the file."""
    places = {"fine": motion((0, 0, 0)), "coarse": motion((100, 0, 0))}
    bodies = [es.Body(name, BRepPrimAPI_MakeBox(10.0, 10.0, 10.0).Shape(), places=(at,)) for name, at in places.items()]
    text = es.write_document(bodies, tmp_path / "units.step").read_bytes()
    millimetre = b"SI_UNIT(.MILLI.,.METRE.)"
    before, found, after = text.rpartition(millimetre)
    assert found
    assert millimetre in before
    path = tmp_path / "mixed.step"
    path.write_bytes(before + millimetre.replace(b"MILLI", b"CENTI") + after)
    for body, size in (("fine", 10.0), ("coarse", 100.0)):
        part = pk.nominal.load(path, body=body)
        np.testing.assert_allclose(np.ptp(part.bounds, axis=0), size, atol=1e-9)
        assert part.unit_source == "STEP file: millimetre, centimetre"
    # a unit that says not of what is refused wherever it stands: the kernel would take the numbers for millimetres
    before, _, after = text.partition(b"( LENGTH_UNIT() NAMED_UNIT(*) " + millimetre + b" )")
    path.write_bytes(before + b"SI_UNIT(*,.CENTI.,.METRE.)" + after)
    with pytest.raises(InputError, match="unit"):
        pk.nominal.load(path, body="coarse")


def test_names_are_found_as_people_type_them(tmp_path: Path) -> None:
    """A letter and its accent apart, as some systems write them; blanks round a name; long names are listed short."""
    bodies = [
        es.Body(name, BRepPrimAPI_MakeBox(10.0 + k, 10.0, 10.0).Shape(), places=(motion((20.0 * k, 0, 0)),))
        for k, name in enumerate(("co\u0302te", "x" * 500))
    ]
    path = es.write_document(bodies, tmp_path / "names.step")
    assert np.ptp(pk.nominal.load(path, body=" côte ").bounds, axis=0)[0] == pytest.approx(10.0)
    assert np.ptp(pk.nominal.load(path, body="x" * 500).bounds, axis=0)[0] == pytest.approx(11.0)
    with pytest.raises(InputError, match=r"expected one of assembly/côte, assembly/x{100,120}\.\.\.$"):
        pk.nominal.load(path, body="cote")


def test_marks_in_a_name_hide_no_second_part(tmp_path: Path) -> None:
    """Names as people give them: "plate#1" and "plate#2" are two parts, not two bodies of one."""
    bodies = [es.Body(f"plate#{k}", BRepPrimAPI_MakeBox(10.0, 20.0, 5.0 * k).Shape()) for k in (1, 2)]
    path = es.write_document(bodies, tmp_path / "plates.step")
    with pytest.raises(InputError, match="several parts, and none was chosen"):
        pk.nominal.load(path)
    assert pk.nominal.load(path, body="plate_2").bounds[1, 2] == pytest.approx(10.0)


@pytest.fixture(scope="module")
def coloured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A green box with two red faces, one of them named."""
    red = {0: (1.0, 0.0, 0.0), 3: (1.0, 0.0, 0.0)}
    shape = BRepPrimAPI_MakeBox(10.0, 20.0, 30.0).Shape()
    body = es.Body("block", shape, {0: "left"}, red, (0.0, 1.0, 0.0))
    return es.write_document([body], tmp_path_factory.mktemp("coloured") / "coloured.step")


def test_faces_by_their_colour(coloured: Path) -> None:
    part = pk.nominal.load(coloured, faces={"datums": "colour #ff0000", "rest": "colour #00FF00"})
    assert sorted(set(part.face_names)) == ["datums", "rest"]
    listed = pk.nominal.list_faces(pk.nominal.load(coloured))
    assert dict(zip(listed.face, listed.colour, strict=True))["left"] == "#ff0000"
    assert sorted(listed.colour) == ["#00ff00"] * 4 + ["#ff0000"] * 2
    assert "#ff0000" in pk.nominal.face_list.faces_text(listed)


@pytest.mark.parametrize("said", ["colour #0000ff", "colour red"])
def test_a_colour_that_no_face_has(coloured: Path, said: str) -> None:
    with pytest.raises(InputError, match=r"no face of the model has that colour.*one of #00ff00, #ff0000"):
        pk.nominal.load(coloured, faces={"a": said})
