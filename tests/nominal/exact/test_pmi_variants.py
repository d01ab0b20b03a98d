"""The same annotations as other writers put them: hand-made variants of the records of our AP242 file.

Entities, their attributes and the words for items are from memory of ISO 10303-41, -47 and -242.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest.importorskip("OCP")

import probekit as pk
from probekit.nominal.exact.pmi import read_pmi
from probekit.nominal.exact.pmi_model import ModelPmi, ModelSize

BRACKET = Path(__file__).parent / "data" / "bracket_ap242.step"
PLACED = "#2141=PLACED_DATUM_TARGET_FEATURE('','point',#4,.T.,'1');"
UNIT = re.search(r"#2404=LENGTH_MEASURE_WITH_UNIT\(LENGTH_MEASURE\(0\.2\),(#\d+)", BRACKET.read_text())[1]
CONTEXT = re.search(r"ADVANCED_BREP_SHAPE_REPRESENTATION\('[^']*',\([^)]*\),(#\d+)\)", BRACKET.read_text())[1]
ITEM = f"(LENGTH_MEASURE_WITH_UNIT()MEASURE_REPRESENTATION_ITEM()MEASURE_WITH_UNIT(LENGTH_MEASURE({{}}),{UNIT})"
NAMED = ITEM + "REPRESENTATION_ITEM('{}'))"
SIZE = (
    "#2602=TOLERANCE_VALUE(#2405,#2405);\n#2603=PLUS_MINUS_TOLERANCE(#2602,#2601);",
    "#2601=DIMENSIONAL_SIZE(#2102,'diameter');",
)


def read(folder: Path, *changes: tuple[str, str]) -> ModelPmi:
    text = BRACKET.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "variant.step"
    path.write_text(text)
    return read_pmi(path, pk.nominal.load(path))


def of(found: ModelPmi, number: int) -> ModelSize:
    return next(one for one in found.sizes if one.source_id == f"#{number}")


def told(found: ModelPmi, number: int) -> str:
    return " ".join(one for one in found.not_understood if one.startswith(f"#{number} "))


def dimension(*items: str, of: str = SIZE[1], tail: str = "") -> tuple[tuple[str, str], ...]:
    """Changes that give the bracket's one dimension other items and limits."""
    numbers = range(2911, 2911 + len(items))
    text = "".join(f"#{n}={one};\n" for n, one in zip(numbers, items, strict=True))
    text += f"#2901=SHAPE_DIMENSION_REPRESENTATION('',({','.join(f'#{n}' for n in numbers)}),$);\n"
    text += f"#2902=DIMENSIONAL_CHARACTERISTIC_REPRESENTATION(#2601,#2901);\n{tail}"
    return ((SIZE[0], text), (SIZE[1], of))


DEVIATIONS = f"#2921={ITEM.format(-0.1)}REPRESENTATION_ITEM(''));\n#2922={NAMED.format(0.3, '')};\n"
DEVIATIONS += "#2602=TOLERANCE_VALUE(#2921,#2922);\n#2603=PLUS_MINUS_TOLERANCE(#2602,#2601);"


def test_types_of_a_record_in_any_order(tmp_path: Path) -> None:
    """ISO 10303-21 sorts them by the alphabet; not every writer does."""
    found = read(
        tmp_path,
        (
            "#2505=(GEOMETRIC_TOLERANCE('right profile','',#2403,#2302)\n"
            "  GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE((#2204))SURFACE_PROFILE_TOLERANCE()\n"
            "  UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE(#2405));",
            "#2505=(SURFACE_PROFILE_TOLERANCE()UNEQUALLY_DISPOSED_GEOMETRIC_TOLERANCE(#2405)\n"
            "GEOMETRIC_TOLERANCE_WITH_DATUM_REFERENCE((#2204))GEOMETRIC_TOLERANCE('right profile',$,#2403,#2302));",
        ),
    )
    one = next(t for t in found.tolerances if t.source_id == "#2505")
    assert (one.value, one.outside, one.faces, len(one.datums)) == (0.1, 0.03, ("right",), 3)


@pytest.mark.parametrize(
    ("text", "unit", "shape"),
    [
        (
            "GEOMETRIC_TOLERANCE_WITH_DEFINED_AREA_UNIT(.SQUARE.,$)GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT(#2901)",
            1,
            "square",
        ),
        (
            "GEOMETRIC_TOLERANCE_WITH_DEFINED_AREA_UNIT(.RECTANGULAR.,#2902)GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT(#2901)",
            2,
            "rectangular",
        ),
        ("GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT(#2901)", 1, "length"),
    ],
)
def test_per_unit(tmp_path: Path, text: str, unit: int, shape: str) -> None:
    sizes = f"#2901={NAMED.format(25.0, 'a')};\n#2902={NAMED.format(10.0, '')};\n#2516="
    found = read(tmp_path, ("GEOMETRIC_TOLERANCE_WITH_DEFINED_UNIT(#2402)", text), ("#2516=", sizes))
    one = next(t for t in found.tolerances if t.name == "per unit")
    assert (one.unit, one.unit_shape) == ((25.0, 10.0)[:unit], shape)
    assert "per unit" in one.modifiers


def test_values_in_plain_records(tmp_path: Path) -> None:
    """A simple MEASURE_REPRESENTATION_ITEM has name, value and unit; deviations may be plain measures."""
    item = f"MEASURE_REPRESENTATION_ITEM('nominal value',LENGTH_MEASURE(12.),{UNIT})"
    tail = f"#2921=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(-0.1),{UNIT});\n"
    tail += f"#2922=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(0.3),{UNIT});\n"
    tail += "#2602=TOLERANCE_VALUE(#2921,#2922);\n#2603=PLUS_MINUS_TOLERANCE(#2602,#2601);"
    one = of(read(tmp_path, *dimension(item, tail=tail)), 2601)
    assert (one.nominal, one.limits) == (12.0, pytest.approx((11.9, 12.3)))


@pytest.mark.parametrize(
    ("classes", "fit"), [("'H','hole','7',''", "H7 hole"), ("'G6','hole','',''", "G6 hole"), ("'h7',$,$,$", "h7")]
)
def test_limits_by_a_fit(tmp_path: Path, classes: str, fit: str) -> None:
    tail = f"#2602=LIMITS_AND_FITS({classes});\n#2603=PLUS_MINUS_TOLERANCE(#2602,#2601);"
    found = read(tmp_path, *dimension(NAMED.format(12.0, "nominal value"), tail=tail))
    one = of(found, 2601)
    assert (one.nominal, one.limits, one.fit) == (12.0, None, fit)
    assert not [one for one in found.not_understood if "FITS" in one or "PLUS_MINUS" in one]


def test_one_limit_alone(tmp_path: Path) -> None:
    """TYPE_QUALIFIER('maximum'): at most."""
    item = ITEM.format(12.0) + "QUALIFIED_REPRESENTATION_ITEM((#2915))REPRESENTATION_ITEM(''))"
    one = of(read(tmp_path, *dimension(item, tail="#2915=TYPE_QUALIFIER('maximum');")), 2601)
    assert (one.nominal, one.limits, one.modifiers) == (None, None, ("only upper limit 12",))


@pytest.mark.parametrize(
    "of_what",
    [
        "#2601=DIMENSIONAL_LOCATION('linear distance',$,#2101,#2103);",
        "#2601=DIRECTED_DIMENSIONAL_LOCATION('linear distance','',#2101,#2103);",
        "#2601=(DIMENSIONAL_LOCATION()DIRECTED_DIMENSIONAL_LOCATION()"
        "SHAPE_ASPECT_RELATIONSHIP('linear distance','',#2101,#2103));",
    ],
)
def test_a_distance(tmp_path: Path, of_what: str) -> None:
    found = read(tmp_path, *dimension(NAMED.format(12.0, "nominal value"), of=of_what, tail=DEVIATIONS))
    one = of(found, 2601)
    assert (one.of, one.nominal, one.limits) == ("linear distance", 12.0, pytest.approx((11.9, 12.3)))
    assert (one.ends, one.faces, one.degrees) == ((("base",), ("left",)), ("base", "left"), False)
    assert not told(found, 2603)


@pytest.mark.parametrize("radians", [False, True])
def test_an_angle(tmp_path: Path, radians: bool) -> None:
    """30 deg, in radians or by a conversion of 0.0174532925 rad."""
    unit = "#2931=(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.));\n"
    unit += "#2932=(CONVERSION_BASED_UNIT('DEGREE',#2933)NAMED_UNIT(#2934)PLANE_ANGLE_UNIT());\n"
    unit += "#2933=PLANE_ANGLE_MEASURE_WITH_UNIT(PLANE_ANGLE_MEASURE(0.0174532925199433),#2931);\n"
    unit += "#2934=DIMENSIONAL_EXPONENTS(0.,0.,0.,0.,0.,0.,0.);\n"
    value, number = (0.523598775598299, 2931) if radians else (30.0, 2932)
    item = f"(MEASURE_REPRESENTATION_ITEM()MEASURE_WITH_UNIT(PLANE_ANGLE_MEASURE({value}),#{number})"
    item += "PLANE_ANGLE_MEASURE_WITH_UNIT()REPRESENTATION_ITEM('nominal value'))"
    where = "#2601=ANGULAR_LOCATION('',$,#2101,#2103,.SMALL.);"
    one = of(read(tmp_path, *dimension(item, of=where, tail=unit)), 2601)
    assert (one.of, one.degrees, one.limits) == ("angle", True, None)
    assert one.nominal == pytest.approx(30.0, abs=1e-9)
    assert one.ends == (("base",), ("left",))


def test_datum_target_with_place_and_size(tmp_path: Path) -> None:
    """A placement and a diameter as items of a representation of a property of the target."""
    placed = PLACED.replace("'point'", "'circle'")
    placed += "\n#2143=SHAPE_ASPECT_RELATIONSHIP('',$,#2141,#2114);"
    placed += "\n#2144=PROPERTY_DEFINITION('','',#2141);\n#2145=SHAPE_DEFINITION_REPRESENTATION(#2144,#2146);"
    placed += f"\n#2146=SHAPE_REPRESENTATION_WITH_PARAMETERS('',(#2147,#2152),{CONTEXT});"
    placed += "\n#2147=AXIS2_PLACEMENT_3D('orientation',#2148,#2149,#2150);\n#2148=CARTESIAN_POINT('',(10.,20.,0.));"
    placed += "\n#2149=DIRECTION('',(0.,0.,1.));\n#2150=DIRECTION('',(0.,1.,0.));"
    placed += f"\n#2152={NAMED.format(5.0, 'target diameter')};"
    found = read(tmp_path, (PLACED, placed))
    (one,) = next(datum for datum in found.datums if datum.letter == "T").targets
    assert (one.name, one.kind, one.point, one.along) == ("T1", "circle", (10.0, 20.0, 0.0), (0.0, 1.0, 0.0))
    assert one.sizes == (("target diameter", 5.0),)
    assert not [one for one in found.not_understood if "TARGET" in one]


def test_faces_by_a_representation_of_a_property(tmp_path: Path) -> None:
    """The older way from an aspect to its faces."""
    text = BRACKET.read_text()
    usage = re.search(r"#\d+=GEOMETRIC_ITEM_SPECIFIC_USAGE\('[^']*','[^']*',#2301,#10,(#\d+)\);", text)
    older = "#2951=PROPERTY_DEFINITION('','',#2301);\n#2952=SHAPE_DEFINITION_REPRESENTATION(#2951,#2953);\n"
    older += f"#2953=FACE_SHAPE_REPRESENTATION('',({usage[1]}),{CONTEXT});"
    found = read(tmp_path, (usage[0], older))
    assert next(t for t in found.tolerances if t.name == "skin profile").faces == ("skin",)


@pytest.mark.parametrize(
    ("record", "standard"),
    [
        ("#2961=PRODUCT('ASME Y14.5','','',());", "ASME Y14.5"),
        ("#2961=PRODUCT_DEFINITION_FORMATION('ASME Y14.5:2009','',#2962);", "ASME Y14.5"),
        ("#2961=TEXT_LITERAL('','DIN EN ISO 1101:2017-09',#2962,'left',.RIGHT.,#2963);", "ISO 1101"),
        (r"#2961=DESCRIPTIVE_REPRESENTATION_ITEM('','NOTES:\X\0A\X2\00DC\X0\ ASME Y14.5M-1994\X\0A');", "ASME Y14.5"),
        ("#2961=GENERAL_PROPERTY('','ISO 8015','fundamental');", "ISO 1101"),
        ("#2961=PRODUCT('Y14.5','','',());\n#2964=DOCUMENT('','ISO 1101','',#2962);", ""),
        ("#2961=DOCUMENT('','ASME Y14.41-2003','',#2962);", ""),
    ],
)
def test_the_standard_wherever_it_is_stated(tmp_path: Path, record: str, standard: str) -> None:
    found = read(tmp_path, ("ASME Y14.5-2018", "none"), ("#2504=(", f"{record}\n#2504=("))
    assert found.standard == standard


def test_texts_are_kept_for_the_reader(tmp_path: Path) -> None:
    """The lines of one note together; what stands in frames is data, not text."""
    notes = "#2971=DESCRIPTIVE_REPRESENTATION_ITEM('Text.1','UNLESS OTHERWISE SPECIFIED');\n"
    notes += "#2972=DESCRIPTIVE_REPRESENTATION_ITEM('Text.1','ALL SURFACES PROFILE 0.5');\n"
    notes += f"#2973=REPRESENTATION('',(#2971,#2972),{CONTEXT});\n"
    notes += r"#2974=DESCRIPTIVE_REPRESENTATION_ITEM('equivalent unicode string','FCF\\w0.5\\wA\\wB\\wC');" + "\n"
    found = read(tmp_path, ("#2504=(", notes + "#2504=("))
    assert found.texts == ("UNLESS OTHERWISE SPECIFIED ALL SURFACES PROFILE 0.5",)


@pytest.mark.parametrize(
    "keyword", ["DRAUGHTING_MODEL_ITEM_ASSOCIATION", "DRAUGHTING_MODEL_ITEM_ASSOCIATION_WITH_PLACEHOLDER"]
)
def test_an_annotation_that_stands_for_data_is_no_loss(tmp_path: Path, keyword: str) -> None:
    more = ",#2991" if keyword.endswith("HOLDER") else ""
    drawn = "#2981=DRAUGHTING_CALLOUT('shown',(#2991));\n#2982=DRAUGHTING_CALLOUT('lost',(#2992));\n"
    drawn += f"#2983={keyword}('','',#2504,#2999,#2981{more});\n#2504=("
    found = read(tmp_path, ("#2504=(", drawn))
    assert told(found, 2982).endswith("without readable data behind it")
    assert not told(found, 2981)


def test_a_letter_that_two_datums_have_is_told(tmp_path: Path) -> None:
    found = read(tmp_path, ("DATUM('','',#4,.F.,'T')", "DATUM('','',#4,.F.,'A')"))
    assert "several datums have the letter 'A': #2111, #2114" in told(found, 2111)
