"""What a study may say about the machine, the part's frame, its facets and bodies, and an allowance; what it notes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tolerance.inspected import elsewhere

import probekit as pk

FOIL = Path(__file__).parent.parent / "data" / "foil"

#: The frame of three datum faces whose axes are the model's; data/README.md: bore at x = -45, y = 26, top at z = 0.
AT_THE_BORE = 'frame = ["base_top", "bore", "side_right"]'
BORE = "[machine]\ntranslation = [-45.0, 26.0, 0.0]\n"

SYSTEM = """\
#90001=CARTESIAN_POINT('',(10.,20.,-30.));
#90002=DIRECTION('',(1.,0.,0.));
#90003=DIRECTION('',(0.,1.,0.));
#90004=AXIS2_PLACEMENT_3D('fixture zero',#90001,#90002,#90003);
"""
#: z of that system is the model's x, its x the model's y: a third of a turn about (1, 1, 1).
TURN = (np.ones(3) * 120.0 / np.sqrt(3.0)).tolist()
#: Points of the demo's planned sections, and where they lie in that system.
SECTIONS = (("point = [0, 0, 60]", "point = [0, 90, 0]"), ("point = [0, 0, 5.5]", "point = [0, 35.5, 0]"))


@pytest.fixture
def run(tmp_path):
    """Run a demo study with changes (old text, new text), and with tables before [touches], or keys of [machine]."""

    def one(name: str, *changes: tuple[str, str], tables: str = "") -> pk.study.inspection.Inspection:
        text = (FOIL / name).read_text()
        there = ("[machine]", tables) if tables.startswith("[machine]") else ("[touches]", f"{tables}\n[touches]")
        for old, new in (*changes, there):
            assert old in text
            text = text.replace(old, new, 1)
        path = tmp_path / "study.toml"
        path.write_text(elsewhere(text, FOIL))
        return pk.study.run(pk.study.load(path))

    return one


@pytest.fixture(scope="module")
def plain() -> pk.study.inspection.Inspection:
    return pk.study.run(pk.study.load(FOIL / "study_mesh.toml"))


@pytest.fixture(scope="module")
def exact() -> pk.study.inspection.Inspection:
    pytest.importorskip("OCP")
    return pk.study.run(pk.study.load(FOIL / "study.toml"))


def assert_same_deviations(
    one: pk.study.inspection.Inspection, other: pk.study.inspection.Inspection, within: float = 1e-7
) -> None:
    for a, b in ((one.deviations, other.deviations), (one.verdict.table, other.verdict.table)):
        np.testing.assert_allclose(a["deviation"], b["deviation"], rtol=0, atol=within)
    assert one.verdict.table["verdict"].tolist() == other.verdict.table["verdict"].tolist()


# --- machine and frame ----------------------------------------------------------------------------------------------


def test_touches_in_machine_coordinates(plain, run, tmp_path):
    """The part frame lies in the machine turned and far away; the results file has machine coordinates."""
    where = pk.fit.make_motion((350.0, -120.0, 85.0), (1.0, 2.0, 90.0))
    table = pk.fit.move_touches(plain.measured, where)
    pk.touches.write(table, tmp_path / "machine.csv")
    found = run(
        "study_mesh.toml",
        ('file = "touches.csv"', 'file = "machine.csv"'),
        tables="[machine]\ntranslation = [350.0, -120.0, 85.0]\nrotation = [1.0, 2.0, 90.0]",
    )
    assert_same_deviations(found, plain, within=1e-6)
    assert dict(found.provenance)["settings: machine"].startswith("translation = [350.0")


def test_a_frame_of_datum_faces(plain, run):
    """The model goes into the frame; where the frame lies in the results' coordinates is said under [machine]."""
    found = run("study_mesh.toml", ("[part.faces]", f"{AT_THE_BORE}\n[part.faces]"), tables=BORE)
    np.testing.assert_allclose(found.part.bounds, plain.part.bounds - [-45.0, 26.0, 0.0], atol=1e-4)
    assert_same_deviations(found, plain, within=1e-4)  # as well as the mesh gives the axis of its bore
    assert any("moved into another frame: origin at (-45.0000, 26.0000, 0.0000)" in note for note in found.notes)


def test_a_frame_of_datum_faces_on_exact_surfaces(exact, run):
    found = run("study.toml", ("[part.faces]", f"{AT_THE_BORE}\n[part.faces]"), tables=BORE)
    np.testing.assert_allclose(found.part.bounds, exact.part.bounds - [-45.0, 26.0, 0.0], atol=1e-9)
    assert_same_deviations(found, exact)
    assert found.part.exact


def test_a_coordinate_system_of_the_file(exact, run, tmp_path):
    text = (FOIL / "foil.step").read_text()
    at = text.rindex("ENDSEC;")
    (tmp_path / "fixture.step").write_text(text[:at] + SYSTEM + text[at:])
    found = run(
        "study.toml",
        ('model = "foil.step"', 'model = "fixture.step"\nframe = "fixture zero"'),
        *((f"{point}\nnormal = [0, 0, 1]", f"{there}\nnormal = [0, 1, 0]") for point, there in SECTIONS),
        tables=f"[machine]\ntranslation = [10.0, 20.0, -30.0]\nrotation = {TURN}",
    )
    low, high = exact.part.bounds - [10.0, 20.0, -30.0]
    np.testing.assert_allclose(found.part.bounds, [low[[1, 2, 0]], high[[1, 2, 0]]], atol=1e-9)
    assert_same_deviations(found, exact)


@pytest.mark.parametrize(
    ("changes", "tables", "message"),
    [
        ((), "[machine]\ntranslation = [1.0, 2.0]", r"key 'machine\.translation': this needs three numbers"),
        ((), '[machine]\nrotation = [1, 2, "x"]', r"key 'machine\.rotation': this needs three numbers"),
        ((), "[machine]\nshift = [1, 2, 3]", r"key 'machine\.shift': unknown key"),
        ((("[part.faces]", 'frame = ["bore"]\n[part.faces]'),), "", r"key 'part\.frame': a frame needs two"),
        ((("[part.faces]", 'frame = ["bore", 1]\n[part.faces]'),), "", r"no face with that name; found 1"),
        ((("[part.faces]", 'frame = "zero"\n[part.faces]'),), "", r"foil\.3mf: only a STEP file carries"),
        ((("[part.faces]", "deflection = 0.01\n[part.faces]"),), "", r"foil\.3mf: deflection= and body= are for STEP"),
        (
            (("max_distance = 2.0", "allowance = {hull = 0.5}"),),
            "",
            r"no face with that name; found 'hull'; expected one of skin",
        ),
        (
            (("max_distance = 2.0", 'allowance = {skin = "0.5"}'),),
            "",
            r"key 'deviation\.allowance': 'skin': this must be a number",
        ),
    ],
)  # fmt: skip
def test_what_it_may_not_say(run, changes, tables, message):
    with pytest.raises(pk.InputError, match=message):
        run("study_mesh.toml", *changes, tables=tables)


# --- facets, bodies, allowance --------------------------------------------------------------------------------------


def test_deflection_changes_the_facets_but_not_the_deviations(exact, run):
    coarse = run("study.toml", ("[part.faces]", "deflection = 0.2\n[part.faces]"))
    assert len(coarse.part.facets) < 0.5 * len(exact.part.facets)
    assert_same_deviations(coarse, exact)


def test_a_body_by_name(exact, run):
    assert exact.part.brep.bodies == ("Foil J61 (invented)",)
    found = run("study.toml", ("[part.faces]", 'body = "Foil J61 (invented)"\n[part.faces]'))
    assert_same_deviations(found, exact)
    with pytest.raises(pk.InputError, match=r"no body with that name; found 'fin'; expected one of Foil J61"):
        run("study.toml", ("[part.faces]", 'body = "fin"\n[part.faces]'))


@pytest.mark.parametrize("name", ["study.toml", "study_mesh.toml"])
def test_an_allowance_on_the_skin_alone(plain, run, name, request):
    """It lowers the deviations of the skin alone; the datum features, and so the alignment, stay as they were."""
    before = request.getfixturevalue("exact") if name == "study.toml" else plain
    found = run(name, ("max_distance = 2.0", "allowance = {skin = 0.03}"))
    np.testing.assert_allclose(found.alignment.motion, before.alignment.motion, atol=1e-12)
    table, old = found.verdict.table, before.verdict.table
    lower = np.where(table["feature"] == "skin", 0.03, 0.0)
    np.testing.assert_allclose(table["deviation"], old["deviation"] - lower, rtol=0, atol=1e-12)
    offset, _ = pk.action.uniform_offset(table.loc[table["feature"] == "skin", "deviation"].dropna().to_numpy())
    assert offset == pytest.approx(0.0, abs=0.002)  # data/README.md: a worn cutter left 0.030 mm
    assert "allowance = {'skin': 0.03}" in dict(found.provenance)["settings: deviation"]


# --- what is said about the nominal ---------------------------------------------------------------------------------


def test_facets_are_noted_with_an_estimate_and_exact_surfaces_are_not(plain, exact):
    said = [note for note in plain.notes if note.startswith("deviations are from facets, not from the exact surface")]
    assert len(said) == 1
    assert "of the tightest tolerance (base top, 0.05 mm)" in said[0]
    assert "use the STEP model or a finer mesh" not in said[0]
    told = float(said[0].split("are off by about ")[1].split(" mm")[0])
    assert 0.0015 < told < 0.006  # data/README.md: less than 0.003 mm
    assert not [note for note in exact.notes if "facets" in note]
    assert dict(plain.provenance)["deviations from"] == f"{len(plain.part.facets)} facets"
    assert dict(exact.provenance)["deviations from"] == (
        "exact surfaces (2 spline, 9 plane, 3 cylinder); facets only seed the search"
    )


def test_a_coarse_mesh_is_advised_against(exact, run, tmp_path):
    """The STEP model's facets at 0.1 mm, handed on as an STL."""
    import trimesh

    coarse = pk.nominal.load(FOIL / "foil.step", deflection=0.1)
    trimesh.Trimesh(coarse.vertices, coarse.facets, process=False).export(tmp_path / "coarse.stl")
    found = run("study_mesh.toml", ('model = "foil.3mf"', 'model = "coarse.stl"\nunit = "mm"'))
    said = [note for note in found.notes if note.startswith("deviations are from facets")]
    assert said[0].endswith("; use the STEP model or a finer mesh")
    off = (found.verdict.table["deviation"] - exact.verdict.table["deviation"]).abs().max()
    assert 0.02 < off < 0.2


def test_the_page_and_the_notes_on_it_say_so(plain, tmp_path):
    page = pk.study.write(plain, tmp_path)["report"].read_text()
    assert "deviations are from facets, not from the exact surface" in page
