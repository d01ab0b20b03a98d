"""Documents of others, in the ways that the published schema allows, and documents that mean harm."""

import base64

import numpy as np
import pytest

import probekit as pk

HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<QIFDocument xmlns="http://qifstandards.org/xsd/qif3" versionQIF="3.0.0" idMax="99">
<QPId>8c4f1d1e-0000-4000-8000-000000000001</QPId>
<StandardsDefinitions n="1"><Standard id="1"><Organization><StandardsOrganizationEnum>ASME</StandardsOrganizationEnum>
</Organization><Designator>Y14.5</Designator></Standard></StandardsDefinitions>
<FileUnits><PrimaryUnits>{angle}<LinearUnit><SIUnitName>meter</SIUnitName><UnitName>{unit}</UnitName>
<UnitConversion><Factor>{factor}</Factor></UnitConversion></LinearUnit></PrimaryUnits></FileUnits>
"""
FEATURES = """<Features>
<FeatureDefinitions n="2"><PlaneFeatureDefinition id="10"/><PointFeatureDefinition id="11"/></FeatureDefinitions>
<FeatureNominals n="2"><PlaneFeatureNominal id="12"><Name>deck</Name><FeatureDefinitionId>10</FeatureDefinitionId>
<Location>0 0 1</Location><Normal>0 0 1</Normal></PlaneFeatureNominal>
<PointFeatureNominal id="13"><Name>P1</Name><FeatureDefinitionId>11</FeatureDefinitionId><Location>1 2 3</Location>
<Normal>0 0 1</Normal></PointFeatureNominal></FeatureNominals>
<FeatureItems n="2"><PlaneFeatureItem id="14"><FeatureNominalId>12</FeatureNominalId><FeatureName>deck</FeatureName>
<DeterminationMode><Checked/></DeterminationMode></PlaneFeatureItem>
<PointFeatureItem id="15"><FeatureNominalId>13</FeatureNominalId><FeatureName>P1</FeatureName>
<DeterminationMode><Checked/></DeterminationMode></PointFeatureItem></FeatureItems></Features>
<Characteristics><FormalStandardId>1</FormalStandardId>
<CharacteristicDefinitions n="1"><FlatnessCharacteristicDefinition id="20"><ToleranceValue>0.004</ToleranceValue>
</FlatnessCharacteristicDefinition></CharacteristicDefinitions>
<CharacteristicNominals n="1"><FlatnessCharacteristicNominal id="21"><CharacteristicDefinitionId>20
</CharacteristicDefinitionId><FeatureNominalIds n="1"><Id>12</Id></FeatureNominalIds></FlatnessCharacteristicNominal>
</CharacteristicNominals>
<CharacteristicItems n="1"><FlatnessCharacteristicItem id="22"><Name>flat deck</Name><CharacteristicNominalId>21
</CharacteristicNominalId></FlatnessCharacteristicItem></CharacteristicItems></Characteristics>
"""
RESULTS = """<Results><MeasurementResultsSet n="1"><MeasurementResults id="30">
<MeasuredFeatures n="2"><PlaneFeatureMeasurement id="31"><FeatureItemId>14</FeatureItemId>{points}
</PlaneFeatureMeasurement><PointFeatureMeasurement id="32"><FeatureItemId>15</FeatureItemId><Location>1.0001 2 3.001
</Location></PointFeatureMeasurement></MeasuredFeatures>
<MeasuredPointSets n="1"><MeasuredPointSet id="33" count="4">{where}{places}{compensated}{radius}</MeasuredPointSet>
</MeasuredPointSets>
<MeasuredCharacteristics><CharacteristicMeasurements n="1"><FlatnessCharacteristicMeasurement id="34"><Status>
<CharacteristicStatusEnum>PASS</CharacteristicStatusEnum></Status><CharacteristicItemId>22</CharacteristicItemId>
<Value combinedUncertainty="0.0001">0.0025</Value></FlatnessCharacteristicMeasurement></CharacteristicMeasurements>
</MeasuredCharacteristics>
<InspectionStatus><InspectionStatusEnum>PASS</InspectionStatusEnum></InspectionStatus></MeasurementResults>
</MeasurementResultsSet></Results>
"""
PLACES = "<Points>0 0 1  1 0 1  1 1 1.001  0 1 1</Points>"
WHOLE = '<PointList n="1"><WholePointSetId>33</WholePointSetId></PointList>'


def document(
    *,
    unit="inch",
    factor="0.0254",
    angle="",
    points=WHOLE,
    where="",
    places=PLACES,
    compensated="<Compensated>true</Compensated>",
    radius="",
):
    return (
        HEAD.format(unit=unit, factor=factor, angle=angle)
        + FEATURES
        + RESULTS.format(points=points, where=where, places=places, compensated=compensated, radius=radius)
        + "</QIFDocument>"
    )


def read(tmp_path, text, name="other.qif"):
    file = tmp_path / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return pk.qif.read(file)


def test_a_document_in_inches_comes_in_millimetres(tmp_path):
    found = read(tmp_path, document())
    deck = found.touches[found.touches["feature"] == "deck"]
    np.testing.assert_allclose(deck[["x", "y", "z"]].to_numpy()[2], [25.4, 25.4, 25.4254])
    single = found.touches[found.touches["feature"] == "P1"]
    np.testing.assert_allclose(single[["x", "y", "z"]].to_numpy()[0], [25.40254, 50.8, 76.2254])
    np.testing.assert_allclose(found.targets[["x0", "y0", "z0"]].to_numpy(), [[25.4, 50.8, 76.2]])
    (value,) = found.values.itertuples()
    assert (value.name, value.kind, value.features, value.status) == ("flat deck", "Flatness", "deck", "PASS")
    np.testing.assert_allclose([value.value, value.u, value.tolerance], [0.0635, 0.00254, 0.1016])


def test_binary_points_are_those_of_the_text(tmp_path):
    places = np.array([[0, 0, 1], [1, 0, 1], [1, 1, 1.001], [0, 1, 1]], dtype=float)
    wanted = read(tmp_path, document()).touches[["x", "y", "z"]].to_numpy()
    for kind, size, count in (("<f8", 8, 12), ("<f8", 24, 4), ("<f4", 4, 12), ("<f4", 12, 4)):
        packed = base64.b64encode(places.astype(kind).tobytes()).decode()
        text = f'<BinaryPoints count="{count}" sizeElement="{size}">{packed}</BinaryPoints>'
        got = read(tmp_path, document(places=text)).touches[["x", "y", "z"]].to_numpy()
        np.testing.assert_allclose(got, wanted, rtol=2e-7 if kind == "<f4" else 0)


@pytest.mark.parametrize(("ends", "own"), [("1 2", [0, 1]), ("3 4", [2, 3]), ("2 2", [1])])
def test_a_range_of_a_set_belongs_to_its_feature_alone(tmp_path, ends, own):
    """Ends are natural numbers by the schema, which begin at 1, and both belong to the range."""
    part = f'<PointList n="1"><RangePointSetId range="{ends}">33</RangePointSetId></PointList>'
    found = read(tmp_path, document(points=part))
    features = [one for one in found.touches["feature"] if one != "P1"]
    assert [n for n, one in enumerate(features) if one == "deck"] == own


def test_centres_of_the_ball_keep_its_radius(tmp_path):
    text = document(compensated="<Compensated>false</Compensated>", radius="<ProbeRadius>0.1</ProbeRadius>")
    text = text.replace(text[text.index("<PointFeatureMeasurement") : text.index("</MeasuredFeatures>")], "")
    text = text.replace('<MeasuredFeatures n="2">', '<MeasuredFeatures n="1">')
    found = read(tmp_path, text)
    assert found.touches.attrs["recorded"] == "centre"
    np.testing.assert_allclose(found.touches["radius"], 2.54)


def test_contacts_mixed_with_centres_are_refused(tmp_path):
    with pytest.raises(pk.InputError, match="mixes contact points with centres"):
        read(tmp_path, document(compensated="<Compensated>false</Compensated>"))


def test_what_cannot_be_used_is_named_and_not_guessed(tmp_path):
    short = read(tmp_path, document(places="<Points>0 0 1 1 0 1 1 1 1</Points>"))
    assert "says 4 points and holds 3" in " ".join(short.notes)
    assert set(short.touches["feature"]) == {"P1"}
    foreign = document().replace('<Value combinedUncertainty="0.0001">', '<Value linearUnit="furlong">')
    with pytest.raises(pk.InputError, match="not valid by the schema"):
        read(tmp_path, foreign)


def test_points_that_no_feature_takes_are_named(tmp_path):
    found = read(tmp_path, document(points=WHOLE.replace("33", "77")))
    assert "no feature takes the 4 points of set 33" in " ".join(found.notes)
    assert found.touches["feature"].tolist().count("") == 4


def test_a_further_unit_is_converted_by_what_the_document_says(tmp_path):
    more = (
        '<OtherUnits n="1"><LinearUnit><SIUnitName>meter</SIUnitName><UnitName>um</UnitName>'
        "<UnitConversion><Factor>0.000001</Factor></UnitConversion></LinearUnit></OtherUnits>"
    )
    text = document().replace("</PrimaryUnits>", "</PrimaryUnits>" + more)
    text = text.replace('<Value combinedUncertainty="0.0001">0.0025', '<Value linearUnit="um">63.5')
    assert read(tmp_path, text).values["value"].iloc[0] == pytest.approx(0.0635)


@pytest.mark.parametrize(("unit", "scale"), [("inch", 25.4), ("um", 0.001), ("ell", None)])
def test_a_point_is_in_the_unit_that_it_names(tmp_path, unit, scale):
    """AttrPoint of the schema: linearUnit is the unit of this point, else the primary one."""
    more = (
        '<OtherUnits n="1"><LinearUnit><SIUnitName>meter</SIUnitName><UnitName>um</UnitName>'
        "<UnitConversion><Factor>0.000001</Factor></UnitConversion></LinearUnit></OtherUnits>"
    )
    text = document().replace("</PrimaryUnits>", "</PrimaryUnits>" + more)
    for place in ("<Location>1.0001", "<Location>1 2 3"):
        text = text.replace(place, place.replace("Location", f'Location linearUnit="{unit}"'))
    text = text.replace("<Value combined", f'<Value linearUnit="{unit}" combined')
    if scale is None:
        with pytest.raises(pk.InputError, match=r"key-sequence \['ell'\]"):
            read(tmp_path, text)
        return
    found = read(tmp_path, text)
    point = found.touches.loc[found.touches["feature"] == "P1", ["x", "y", "z"]].to_numpy()
    aim = found.targets.loc[found.targets["feature"] == "P1", ["x0", "y0", "z0"]].to_numpy()
    np.testing.assert_allclose(point, [[1.0001 * scale, 2 * scale, 3.001 * scale]])
    np.testing.assert_allclose(aim, [[scale, 2 * scale, 3 * scale]])
    assert found.values["value"].iloc[0] == pytest.approx(0.0025 * scale)


HOSTILE = {
    "an entity from a file": '<!DOCTYPE QIFDocument [<!ENTITY x SYSTEM "file:///etc/hostname">]>',
    "entities that grow": '<!DOCTYPE QIFDocument [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>',
    "a document type alone": '<!DOCTYPE QIFDocument SYSTEM "http://example.invalid/x.dtd">',
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_document_type_is_refused(tmp_path, what):
    text = document().replace('encoding="UTF-8"?>', 'encoding="UTF-8"?>' + HOSTILE[what])
    with pytest.raises(pk.InputError, match="document type"):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("spoiled", "said"),
    [
        (lambda text: text[: len(text) // 2], "not well-formed"),
        (lambda _: "touch,feature\n1,a\n", "not well-formed"),
        (lambda _: "", "not well-formed"),
        (lambda text: text.replace("/xsd/qif3", "/xsd/qif2"), "no document of QIF 3.0"),
        (lambda _: "<html/>", "no document of QIF 3.0"),
        (lambda _: "<a>" * 5000 + "</a>" * 5000, "not well-formed|too deep"),
        (lambda text: text.replace('count="4"', 'count="many"'), "not valid by the schema"),
        (lambda text: text.replace("<Points>0 0", "<Points>zero 0"), "not valid by the schema"),
        (lambda text: text[: text.index("<FileUnits>")] + text[text.index("</FileUnits>") + 12 :], "in what unit"),
        (
            lambda text: text.replace("<Factor>0.0254", "<Factor>0.0254</Factor><Offset>1</Offset><!--").replace(
                "</Factor></UnitConversion>", "--></UnitConversion>"
            ),
            "a unit cannot be used",
        ),
    ],
)
def test_what_is_no_document_of_qif_is_refused_by_name(tmp_path, spoiled, said):
    with pytest.raises(pk.InputError, match=said) as caught:
        read(tmp_path, spoiled(document()))
    assert "other.qif" in str(caught.value)


def test_a_file_too_large_or_not_there_is_refused(tmp_path):
    with pytest.raises(pk.InputError, match="not there"):
        pk.qif.read(tmp_path / "none.qif")
    (tmp_path / "big.qif").write_bytes(b" " * 2000)
    with pytest.raises(pk.InputError, match="too large"):
        pk.qif.read(tmp_path / "big.qif", largest=1000)
