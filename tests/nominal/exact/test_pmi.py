"""Tolerances carried by STEP files: our own AP242 file, variants of it, and what the CAD kernel makes of them."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

pytest.importorskip("OCP")

import probekit as pk
from probekit.errors import InputError
from probekit.nominal.exact.kernel import kernel
from probekit.nominal.exact.part21 import Enum, Record, Ref, Typed, read_text
from probekit.nominal.exact.pmi import ModelPmi, read_pmi
from probekit.nominal.exact.pmi_links import AspectLinks
from probekit.nominal.exact.pmi_values import NotUnderstoodError, Units

DATA = Path(__file__).parent / "data"
BRACKET = DATA / "bracket_ap242.step"
PROFILE = "profile of a surface"
ABC = (("A",), ("B",), ("C",))

#: name -> kind, value, outside, datums, modifiers, faces: written down from make_bracket.py by hand.
UNDERSTOOD = {
    "base flat": ("flatness", 0.02, None, (), (), ("base",)),
    "bore square": ("perpendicularity", 0.05, None, (("A",),), ("diameter",), ("bore",)),
    "pin hole place": (
        "position",
        0.1,
        None,
        ABC,
        (
            "maximum material requirement",
            "datum B: maximum material requirement",
            "diameter",
            "projected zone",
        ),
        ("pin_hole",),
    ),
    "skin profile": (PROFILE, 0.2, None, ABC, (), ("skin",)),
    "right profile": (PROFILE, 0.1, 0.03, ABC, (), ("right",)),
    "sides form": (PROFILE, 0.05, None, (), (), ("front", "back")),
    "back profile": (PROFILE, 0.2, None, (("A", "C"), ("B",)), (), ("back",)),
    "skin form": (PROFILE, 0.05, 0.02, (), (), ("skin",)),
    "linked to nothing": (PROFILE, 0.05, None, (), ("linked in a way that is not understood",), ()),
    "all around": (PROFILE, 0.05, None, (), ("all around",), ("front",)),
    "per unit": (PROFILE, 0.05, None, (), ("per unit",), ("right",)),
}
#: Record -> words of the reason.
NOT_UNDERSTOOD = {
    2511: "linked to no face",
    2512: "implausible: its value is 0.08 metre = 80 mm, but the model is in millimetre; not used",
    2513: "implausible: its value is 40 millimetre = 40 mm on a part 97.6 mm across; not used",
    2515: "its kind is not known; not used",
    2517: "a modifier is not understood: AS_YOU_LIKE; not used",
    2601: "deviations from a nominal value that it does not have; not used",
    2603: "not understood",
    2701: "drawn annotation",
}


def read(path: Path, **options: object) -> ModelPmi:
    return read_pmi(path, pk.nominal.load(path), **options)


def variant(folder: Path, *changes: tuple[str, str], source: str | None = None) -> Path:
    """The bracket's file with some text replaced."""
    text = BRACKET.read_text() if source is None else source
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "variant.step"
    path.write_text(text)
    return path


def by_name(pmi: ModelPmi) -> dict[str, tuple]:
    return {t.name: (t.kind, t.value, t.outside, t.datums, t.modifiers, t.faces) for t in pmi.tolerances}


def remarks(pmi: ModelPmi) -> dict[int, str]:
    return {int(re.match(r"#(\d+) ", remark)[1]): remark for remark in pmi.not_understood}


@pytest.fixture(scope="module")
def bracket() -> ModelPmi:
    return read(BRACKET)


@pytest.fixture(scope="module")
def make_bracket() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_bracket", DATA / "make_bracket.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", UNDERSTOOD)
def test_tolerance_is_read(bracket: ModelPmi, name: str) -> None:
    assert by_name(bracket)[name] == UNDERSTOOD[name]


def test_nothing_else_is_read(bracket: ModelPmi) -> None:
    assert set(by_name(bracket)) == set(UNDERSTOOD)
    assert [(d.letter, d.faces, d.source_id) for d in bracket.datums] == [
        ("A", ("base",), "#2111"),
        ("B", ("bore",), "#2112"),
        ("C", ("left",), "#2113"),
        ("T", (), "#2114"),
    ]
    (target,) = bracket.datums[3].targets
    assert (target.name, target.kind, target.point, target.source_id) == ("T1", "point", None, "#2141")
    one = {t.name: t for t in bracket.tolerances}
    assert (one["per unit"].unit, one["per unit"].unit_shape) == ((0.05,), "length")
    assert one["pin hole place"].projected == ((40.0, ("pin_hole",)),)
    assert bracket.schema == "AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF"
    assert bracket.standard == "ASME Y14.5"


@pytest.mark.parametrize("number", NOT_UNDERSTOOD)
def test_what_is_not_understood_is_listed(bracket: ModelPmi, number: int) -> None:
    assert NOT_UNDERSTOOD[number] in remarks(bracket)[number]


def test_nothing_else_is_listed_and_nothing_dropped(bracket: ModelPmi) -> None:
    assert set(remarks(bracket)) == set(NOT_UNDERSTOOD)
    stated = {int(n) for n in re.findall(r"#(\d+)=\(?(?:\w+_TOLERANCE|GEOMETRIC_TOLERANCE)\(", BRACKET.read_text())}
    assert len(stated) == 16  # the file has 15 geometrical tolerances and one of a size
    assert {int(t.source_id[1:]) for t in bracket.tolerances} | remarks(bracket).keys() >= stated


def kernel_reading(path: Path) -> dict[str, tuple[str, float, list[tuple[str, int]], list[str]]]:
    """The same annotations as the CAD kernel reads them: name -> kind, value, datums with their place, faces."""
    caf, tdoc, tcoll, xcaf, sequences, interface, tds = kernel(
        "STEPCAFControl", "TDocStd", "TCollection", "XCAFDoc", "collections", "Interface", "TDataStd"
    )
    document, reader = tdoc.TDocStd_Document(tcoll.TCollection_ExtendedString("t")), caf.STEPCAFControl_Reader()
    reader.SetGDTMode(True)
    reader.SetNameMode(True)
    interface.Interface_Static.SetIVal_s("read.stepcaf.subshapes.name", 1)
    reader.ReadFile(str(path))
    reader.Transfer(document)
    labels = sequences.Sequence_TDF_Label()
    xcaf.XCAFDoc_DocumentTool.DimTolTool_s(document.Main()).GetGeomToleranceLabels(labels)
    out = {}
    for k in range(1, labels.Length() + 1):
        found = xcaf.XCAFDoc_GeomTolerance.Set_s(labels.Value(k)).GetObject()
        shapes, others, datums = (sequences.Sequence_TDF_Label() for _ in range(3))
        xcaf.XCAFDoc_DimTolTool.GetRefShapeLabel_s(labels.Value(k), shapes, others)
        xcaf.XCAFDoc_DimTolTool.GetDatumWithObjectOfTolerLabels_s(labels.Value(k), datums)
        faces = []
        for i in range(1, shapes.Length() + 1):
            name = tds.TDataStd_Name()
            assert shapes.Value(i).FindAttribute(tds.TDataStd_Name.GetID_s(), name)
            faces.append(name.Get().ToExtString())
        objects = [xcaf.XCAFDoc_Datum.Set_s(datums.Value(i)).GetObject() for i in range(1, datums.Length() + 1)]
        placed = [(one.GetName().ToCString(), one.GetPosition()) for one in objects]
        kind = str(found.GetType()).rsplit("_", 1)[1]
        out[found.GetSemanticName().ToCString()] = (kind, found.GetValue(), placed, faces)
    return out


def test_the_kernel_reads_the_same(bracket: ModelPmi) -> None:
    """An independent reader of the file, which we wrote by hand: Open CASCADE 8."""
    kinds = {"ProfileOfSurface": PROFILE, "Flatness": "flatness", "Perpendicularity": "perpendicularity"}
    other, ours = kernel_reading(BRACKET), {t.name: t for t in bracket.tolerances}
    both = other.keys() & ours.keys()
    assert len(both) == 8
    for name in both:
        kind, value, datums, faces = other[name]
        assert kinds.get(kind, kind.lower()) == ours[name].kind
        assert value == pytest.approx(ours[name].value, rel=1e-12)
        assert tuple(faces) == ours[name].faces
        assert datums == [(letter, k + 1) for k, letters in enumerate(ours[name].datums) for letter in letters]
    # what it drops without a word, and we do not:
    assert {"skin form", "per unit", "linked to nothing"} <= ours.keys() - other.keys()


def test_record_numbers_and_their_order_do_not_matter(tmp_path: Path, bracket: ModelPmi) -> None:
    text = re.sub(r"#(\d+)", lambda match: f"#{90000 - 7 * int(match[1])}", BRACKET.read_text())
    assert by_name(read(variant(tmp_path, source=text))) == by_name(bracket)


def test_faces_renamed_by_the_user(bracket: ModelPmi) -> None:
    part = pk.nominal.load(BRACKET).rename_faces({"skin": "wing", "front": "flank", "back": "flank"})
    found = {t.name: t.faces for t in read_pmi(BRACKET, part).tolerances}
    assert found["skin profile"] == ("wing",)
    assert found["sides form"] == ("flank",)
    assert found["base flat"] == by_name(bracket)["base flat"][-1]


MM = "( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.) )"
INCH = (
    "(CONVERSION_BASED_UNIT('INCH',#3001) LENGTH_UNIT() NAMED_UNIT(#3002));\n"
    "#3001=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#3003);\n#3002=DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);\n"
    "#3003=(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.))"
)


def test_inch_file(tmp_path: Path) -> None:
    """An inch is 25.4 mm by definition."""
    path = variant(tmp_path, (MM, INCH))
    assert pk.nominal.load(path).bounds[1, 0] == pytest.approx(80 * 25.4)
    found = by_name(read(path))
    assert found["skin profile"][1] == pytest.approx(0.2 * 25.4, rel=1e-12)
    assert found["right profile"][2] == pytest.approx(0.03 * 25.4, rel=1e-12)


def test_inch_tolerance_on_a_millimetre_model_is_converted(tmp_path: Path) -> None:
    """The file states both units and how they convert; an inch is 25.4 mm by definition."""
    unit = INCH.replace("(CONVERSION", "#3004=(CONVERSION", 1)
    path = variant(
        tmp_path,
        ("#2401=LENGTH", f"{unit};\n#2401=LENGTH"),
        ("#2404=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.2),", "#2404=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(.2E0),"),
    )
    path.write_text(re.sub(r"(MEASURE\(.2E0\)),#\d+", r"\1,#3004", path.read_text()).replace("(.2E0)", "(0.2)"))
    found = read(path)
    assert by_name(found)["skin profile"][1] == pytest.approx(5.08, rel=1e-12)
    assert by_name(found)["right profile"][1] == pytest.approx(0.1, rel=1e-12)  # stated in millimetres beside it
    told = "lengths stated in inch were converted (1 inch = 25.4 mm); the geometry is in millimetre"
    assert found.notes == (told, "the file names Y14.5-2018 for its tolerances")


def test_what_the_kernel_writes_in_metres_is_not_used(tmp_path: Path, make_bracket: ModuleType) -> None:
    """A tolerance of 0.08 mm, put into the kernel's document and written by it, comes out as 0.08 m."""
    caf, tdoc, tcoll, interface, xcaf, objects, topexp, topabs = kernel(
        "STEPCAFControl", "TDocStd", "TCollection", "Interface", "XCAFDoc", "XCAFDimTolObjects", "TopExp", "TopAbs"
    )
    document = tdoc.TDocStd_Document(tcoll.TCollection_ExtendedString("t"))
    shapes = xcaf.XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    tolerances = xcaf.XCAFDoc_DocumentTool.DimTolTool_s(document.Main())
    shape = make_bracket.make_shape()
    label = shapes.AddShape(shape, False)
    face = shapes.AddSubShape(label, topexp.TopExp_Explorer(shape, topabs.TopAbs_ShapeEnum.TopAbs_FACE).Current())
    tolerance, kind = tolerances.AddGeomTolerance(), objects.XCAFDimTolObjects_GeomToleranceType
    content = objects.XCAFDimTolObjects_GeomToleranceObject()
    content.SetType(kind.XCAFDimTolObjects_GeomToleranceType_ProfileOfSurface)
    content.SetValue(0.08)
    xcaf.XCAFDoc_GeomTolerance.Set_s(tolerance).SetObject(content)
    tolerances.SetGeomTolerance(face, tolerance)
    writer = caf.STEPCAFControl_Writer()
    interface.Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    writer.SetDimTolMode(True)
    writer.Transfer(document)
    writer.Write(str(tmp_path / "kernel.step"))
    found = read(tmp_path / "kernel.step")
    assert found.tolerances == ()
    assert len(found.not_understood) == 1
    assert "implausible: its value is 0.08 metre = 80 mm, but the model is in millimetre" in found.not_understood[0]


def without_pmi(text: str) -> str:
    return re.sub(r"#2001=.*ENDSEC;", "ENDSEC;", text, flags=re.DOTALL)


def test_file_without_tolerances_says_so(tmp_path: Path) -> None:
    found = read(variant(tmp_path, source=without_pmi(BRACKET.read_text())))
    assert (found.tolerances, found.datums, found.not_understood) == ((), (), ())
    assert "carries no tolerances as data" in found.sentence
    assert "AP242" in found.sentence


def test_ap214_file(tmp_path: Path, bracket: ModelPmi) -> None:
    """The schema's name, from memory of ISO 10303-214; that edition has the simpler of these entities, too."""
    schema = re.search(r"'AP242[^']*'", BRACKET.read_text())[0]
    ap214 = (schema, "'AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'")
    bare = read(variant(tmp_path, ap214, source=without_pmi(BRACKET.read_text())))
    assert "AUTOMOTIVE_DESIGN" in bare.sentence
    assert "carries no tolerances as data" in bare.sentence
    assert by_name(read(variant(tmp_path, ap214))) == by_name(bracket)


def test_older_datum_references_keep_their_precedence(tmp_path: Path) -> None:
    """DATUM_REFERENCE of ISO 10303-214 and -203 ed. 2, from memory: precedence, datum."""
    older = "#2811=DATUM_REFERENCE(2,#2112);\n#2812=DATUM_REFERENCE(1,#2113);\n#2504=("
    path = variant(tmp_path, ("#2504=(", older))
    path.write_text(
        re.sub(r"('skin profile'.*?REFERENCE\(\()#2204", r"\1#2811,#2812", path.read_text(), flags=re.DOTALL)
    )
    assert by_name(read(path))["skin profile"][3] == (("C",), ("B",))


def test_unequal_zone_depends_on_the_standard(tmp_path: Path) -> None:
    """0.1 with 0.03: outside 0.03 after the symbol U (ASME Y14.5), 0.05 + 0.03 after UZ (ISO 1101); from memory."""
    iso = by_name(read(variant(tmp_path, ("ASME Y14.5-2018", "ISO 1101:2017"))))["right profile"]
    assert iso[2] == pytest.approx(0.08)
    path = variant(tmp_path, ("ASME Y14.5-2018", "none"))
    told, untold = read(path, unequal="added"), read(path)
    assert by_name(told)["right profile"][2] == pytest.approx(0.03)
    one = next(t for t in untold.tolerances if t.name == "right profile")
    assert (one.outside, one.displacement) == (None, 0.03)
    assert "unequally disposed, in a sense that is not understood" in one.modifiers
    assert "names no standard" in remarks(untold)[2505]
    both = variant(tmp_path, ("ASME Y14.5-2018", "ASME Y14.5 or ISO 1101"))
    assert "names no standard" in remarks(read(both))[2505]


@pytest.mark.parametrize(
    ("said", "standard"),
    [
        ("Y14.5M-1994 APPLIES", "ASME Y14.5"),
        ("Y14.5:2009", "ASME Y14.5"),
        ("Y14.41-2003", ""),
        ("ISO 1101", "ISO 1101"),
    ],
)
def test_standard_in_a_note(tmp_path: Path, said: str, standard: str) -> None:
    note = f"#2901=DESCRIPTIVE_REPRESENTATION_ITEM('note','NOTES: {said} TO TOLERANCING');\n#2504=("
    found = read(variant(tmp_path, ("ASME Y14.5-2018", "none"), ("#2504=(", note)))
    assert found.standard == standard


@pytest.mark.parametrize(
    ("stated", "limits"),
    [
        ("nominal", (11.9, 12.1)),
        ("limits", (11.95, 12.2)),
    ],
)
def test_size_with_limits(tmp_path: Path, stated: str, limits: tuple[float, float]) -> None:
    """Deviations from a nominal value, or both limits; names of items from memory."""
    item = "(LENGTH_MEASURE_WITH_UNIT()MEASURE_REPRESENTATION_ITEM()MEASURE_WITH_UNIT(LENGTH_MEASURE({}),#{})"
    item += "REPRESENTATION_ITEM('{}'))"
    unit = re.search(r"#2404=LENGTH_MEASURE_WITH_UNIT\(LENGTH_MEASURE\(0\.2\),#(\d+)", BRACKET.read_text())[1]
    if stated == "nominal":
        items = {2911: item.format(12.0, unit, "nominal value")}
        tail = f"#2921={item.format(-0.1, unit, '')};\n#2922={item.format(0.1, unit, '')};\n"
        tail += "#2602=TOLERANCE_VALUE(#2921,#2922);"
    else:
        items = {2911: item.format(11.95, unit, "lower limit"), 2912: item.format(12.2, unit, "upper limit")}
        tail = "#2602=DIRECTION('',(0.,0.,1.));"
    text = "".join(f"#{n}={one};\n" for n, one in items.items())
    text += f"#2901=SHAPE_DIMENSION_REPRESENTATION('',({','.join(f'#{n}' for n in items)}),$);\n"
    text += f"#2902=DIMENSIONAL_CHARACTERISTIC_REPRESENTATION(#2601,#2901);\n{tail}"
    changes = [("#2602=TOLERANCE_VALUE(#2405,#2405);", text)]
    if stated == "limits":
        changes.append(("#2603=PLUS_MINUS_TOLERANCE(#2602,#2601);", ""))
    (size,) = read(variant(tmp_path, *changes)).sizes
    assert size.limits == pytest.approx(limits, rel=1e-12)
    assert (size.of, size.modifiers, size.source_id) == ("diameter", (), "#2601")
    assert size.faces == ("bore",)


@pytest.mark.parametrize(
    ("old", "new", "number", "reason"),
    [
        ("LENGTH_MEASURE(0.2)", "LENGTH_MEASURE(-0.2)", 2504, "implausible"),
        ("LENGTH_MEASURE(0.2)", "LENGTH_MEASURE(0.)", 2504, "implausible"),
        ("LENGTH_MEASURE(0.2)", "LENGTH_MEASURE(1.E999)", 2504, "implausible"),
        ("LENGTH_MEASURE(0.2)", "DESCRIPTIVE_MEASURE('0.2')", 2504, "not a number"),
        ("'skin profile','',#2404", "'skin profile','',$", 2504, "not stated as a measure"),
        ("'skin profile','',#2404", "'skin profile','',#2301", 2504, "not stated as a measure"),
        (
            "#2504=(GEOMETRIC_TOLERANCE('skin profile','',#2404,#2301)",
            "#2504=(GEOMETRIC_TOLERANCE()",
            2504,
            "attributes",
        ),
        (
            "#2201=DATUM_REFERENCE_COMPARTMENT('','',#4,.F.,#2111,$)",
            "#2201=DATUM_REFERENCE_COMPARTMENT('','',#4,.F.,$,$)",
            2504,
            "names no datums",
        ),
        ("(#2201,#2202,#2203)", "()", 2504, "datum system is empty"),
        ("DATUM('','',#4,.F.,'A')", "DATUM('','',#4,.F.,$)", 2504, "not a datum with a letter"),
        ("DATUM('','',#4,.F.,'A')", "DATUM('','',#4,.F.,' ')", 2111, "no letter"),
        (
            "((#2204))SURFACE_PROFILE_TOLERANCE()",
            "((#2204,#2205))SURFACE_PROFILE_TOLERANCE()",
            2504,
            "one datum system",
        ),
        (
            ".MAXIMUM_MATERIAL_REQUIREMENT.)))",
            ".AS_YOU_LIKE.)))",
            2503,
            "datum modifier is not understood: AS_YOU_LIKE",
        ),
        ("'cylindrical or circular'", "'as you like'", 2522, "form is not understood: 'as you like'"),
    ],
)
def test_faulty_record_is_listed_and_not_used(tmp_path: Path, old: str, new: str, number: int, reason: str) -> None:
    found = read(variant(tmp_path, (old, new)))
    assert reason in remarks(found)[number]
    assert f"#{number}" not in {t.source_id for t in found.tolerances if number != 2522}
    assert "base flat" in by_name(found)  # and the rest is read


def test_broken_syntax_is_refused_with_its_line(tmp_path: Path) -> None:
    broken = variant(tmp_path, ("#2502=PERPENDICULARITY", "#2502=PERPENDICULARITY_TOLERANCE(;\n#2518=PERPENDICULARITY"))
    with pytest.raises(pk.InputError, match=r"damaged.*Line \d+"):
        read(broken)


def test_link_to_an_edge_is_listed(tmp_path: Path) -> None:
    text = BRACKET.read_text()
    edge = re.search(r"(#\d+)\s*=\s*EDGE_CURVE", text)[1]
    found = read(variant(tmp_path, ("#2315=", f"#2317=GEOMETRIC_ITEM_SPECIFIC_USAGE('','',#2301,#10,{edge});\n#2315=")))
    assert f"it is linked to {edge}, which is not a face" in remarks(found)[2504]
    assert by_name(found)["skin profile"][4:] == (("linked in a way that is not understood",), ("skin",))


def test_all_over(tmp_path: Path) -> None:
    found = read(variant(tmp_path, ("'skin profile','',#2404,#2301", "'skin profile','',#2404,#4")))
    *_, modifiers, faces = by_name(found)["skin profile"]
    assert modifiers == ("all over",)
    assert len(faces) == 8


def test_aspects_that_go_round_in_circles() -> None:
    """Not by a file: the kernel's process ends when it reads such a one."""
    records = [Record(n, {"SHAPE_ASPECT": ()}) for n in (1, 2)]
    records += [
        Record(n, {"SHAPE_ASPECT_RELATIONSHIP": ("", "", Ref(a), Ref(b))}) for n, a, b in ((3, 1, 2), (4, 2, 1))
    ]
    records += [
        Record(5, {"GEOMETRIC_ITEM_SPECIFIC_USAGE": ("", "", Ref(2), None, Ref(6))}),
        Record(6, {"ADVANCED_FACE": ()}),
    ]
    assert AspectLinks({one.id: one for one in records}).of(1) == ((6,), ())


@pytest.mark.parametrize(
    "unit",
    [
        {"CONVERSION_BASED_UNIT": ("x", Ref(2)), "LENGTH_UNIT": ()},  # of itself
        {"CONVERSION_BASED_UNIT": ("x", Ref(9)), "LENGTH_UNIT": ()},
        {"LENGTH_UNIT": ()},
        {"SI_UNIT": (Enum("ATTO"), Enum("METRE"))},
        {"SI_UNIT": (Enum("MILLI"), Enum("GRAM"))},
    ],
)
def test_faulty_unit(unit: dict[str, tuple]) -> None:
    """Not by a file: some of these end the kernel's process when it reads them."""
    measure = {"LENGTH_MEASURE_WITH_UNIT": (Typed("LENGTH_MEASURE", (1.0,)), Ref(1))}
    units = Units({1: Record(1, unit), 2: Record(2, measure)}, 100.0)
    with pytest.raises(NotUnderstoodError, match=r"#[19] is not a unit of length that is known"):
        units.length(Ref(2), "its value")


def test_a_context_in_a_faulty_unit_has_none() -> None:
    """It ended in an error of our own; the geometry in that context cannot be placed, which is told there."""
    context = {"GEOMETRIC_REPRESENTATION_CONTEXT": (3,), "GLOBAL_UNIT_ASSIGNED_CONTEXT": ((Ref(2),),)}
    unit = {"LENGTH_UNIT": (), "CONVERSION_BASED_UNIT": ("x", Ref(9))}
    units = Units({1: Record(1, context), 2: Record(2, unit)}, 100.0)
    assert units.of_context(1) is None
    assert units.only is None


def test_hostile_name_is_kept_but_shown_safely(tmp_path: Path) -> None:
    path = variant(tmp_path, ("'unknown to the standard'", r"'a\X2\000A\X0\[part]''\\ " + "x" * 500 + "'"))
    remark = remarks(read(path))[2515]
    assert "\n" not in remark
    assert r"a\n[part]" in remark
    assert len(remark) < 200


def test_part_in_two_places(tmp_path: Path, make_bracket: ModuleType) -> None:
    """A tolerance of a part holds wherever the part stands in an assembly; one body can be chosen."""
    caf, tdoc, tcoll, xcaf, tds, gp, toploc = kernel(
        "STEPCAFControl", "TDocStd", "TCollection", "XCAFDoc", "TDataStd", "gp", "TopLoc"
    )
    topexp, topabs, interface = kernel("TopExp", "TopAbs", "Interface")
    document = tdoc.TDocStd_Document(tcoll.TCollection_ExtendedString("t"))
    tool = xcaf.XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    shape = make_bracket.make_shape()
    part, assembly = tool.AddShape(shape, False), tool.NewShape()
    explorer = topexp.TopExp_Explorer(shape, topabs.TopAbs_ShapeEnum.TopAbs_FACE)
    for name in make_bracket.FACES:
        tds.TDataStd_Name.Set_s(tool.AddSubShape(part, explorer.Current()), tcoll.TCollection_ExtendedString(name))
        explorer.Next()
    for x in (0.0, 200.0):
        move = gp.gp_Trsf()
        move.SetTranslation(gp.gp_Vec(x, 0, 0))
        tool.AddComponent(assembly, part, toploc.TopLoc_Location(move))
    tool.UpdateAssemblies()
    writer = caf.STEPCAFControl_Writer()
    interface.Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    writer.SetNameMode(True)
    writer.Transfer(document)
    path = tmp_path / "two.step"
    writer.Write(str(path))
    path.write_text(make_bracket.add_pmi(path.read_text()))
    both = pk.nominal.load(path, body="*")
    assert both.diagonal > 280
    assert by_name(read_pmi(path, both, body="*"))["skin profile"][-1] == ("skin_1", "skin_2")
    body = both.brep.bodies[0]
    one = pk.nominal.load(path, body=body)
    assert by_name(read_pmi(path, one, body=body))["skin profile"][-1] == ("skin",)
    with pytest.raises(InputError, match=r"expected 8 faces\. Name the body"):
        read_pmi(path, one, body="*")


def test_wrong_model(tmp_path: Path) -> None:
    part = pk.nominal.load(BRACKET)
    other = variant(tmp_path, ("skin form", "other"))
    with pytest.raises(InputError, match="was not loaded from this file"):
        read_pmi(other, part)
    with pytest.raises(InputError, match="was not loaded from this file"):
        read_pmi(BRACKET, pk.nominal.load(Path(__file__).parents[3] / "data" / "foil" / "foil.3mf"))
    with pytest.raises(InputError, match="unknown meaning"):
        read_pmi(BRACKET, part, unequal="guess")


def test_part_21_values(tmp_path: Path) -> None:
    """Encodings of ISO 10303-21, from memory; the strings by Python's own codecs."""
    path = tmp_path / "a.step"
    path.write_bytes(
        rb"ISO-10303-21;HEADER;FILE_SCHEMA(('S''1 {1 2}'));ENDSEC;DATA;/* #9=X('); */"
        rb"#1=A('it''s; \X2\00E40171\X0\ \X4\0001F600\X0\ \S\d \X\e9 \\\PB\\S\1',$,*,(1,-2.5E-3,.T.),L(3.),#2);"
        b"#2 = (B() C(\n'x\r\ny'));#3=CARTESIAN_POINT('',(0.,0.));#4=D(;#5=D(#6;#2=E();ENDSEC;END-ISO-10303-21;"
    )
    text = read_text(path)
    assert text.schema == "S'1"
    assert text.records[1].parts == {
        "A": (
            "it's; \u00e4\u0171 \U0001f600 \u00e4 \u00e9 \\\u0105",  # ISO 8859-2
            None,
            None,
            (1, -0.0025, Enum("T")),
            Typed("L", (3.0,)),
            Ref(2),
        )
    }
    assert text.records[2].parts == {"B": (), "C": ("xy",)}
    assert set(text.records) == {1, 2}
    assert text.unparsed == {4: "D", 5: "D", 2: "E"}


@pytest.mark.parametrize("tail", ["#1=A('", "#1=A(/*", "#1=A()", "#1=A('" + "#1='" * 50001, "#1=A(" + "/*" * 50000])
def test_statement_that_does_not_end(tmp_path: Path, tail: str) -> None:
    path = tmp_path / "a.step"
    path.write_text("ISO-10303-21;\nDATA;\n" + tail)
    with pytest.raises(InputError, match="line 2: a statement of the STEP file is not closed"):
        read_text(path)


def test_brackets_without_end_are_refused_not_followed(tmp_path: Path) -> None:
    path = tmp_path / "a.step"
    path.write_text("ISO-10303-21;DATA;#1=A(" + "(" * 100_000 + ")" * 100_000 + ");#2=B();ENDSEC;END-ISO-10303-21;")
    text = read_text(path)
    assert text.unparsed == {1: "A"}
    assert set(text.records) == {2}
