"""Why a value is what it is, and the verdict on tolerances that do not judge touches one by one."""

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
import shapes
from tolerance.touched import around, table

from probekit.deviation import project
from probekit.tolerance import flatness, orientation_of_axis, position, profile, runout, size
from probekit.tolerance.explain import explain
from probekit.tolerance.figures import _together, figure
from probekit.verdict import classify, guarded, judge, simple

TRUE = {"at": (0, 0, 0), "direction": (0, 0, 1)}


def sheet(z) -> tuple[pd.DataFrame, object]:
    xy = np.array([[-20, -15], [20, -15], [20, 15], [-20, 15], [0, 0], [5, 5], [-9, 3], [4, -8], [11, 2]], dtype=float)
    nominal = shapes.plane_patch()
    touches = pd.DataFrame({"touch": [f"<{k}>" for k in range(len(z))], "feature": "top"})
    touches[["x", "y"]], touches["z"] = xy[: len(z)], z
    return project(touches, nominal, stylus=0.0), nominal


def test_other_fits_are_computed():
    """Tilted and raised: held 2 x 0.06; any free fit sees the twist only, minimax 0.02 and least squares no less."""
    found, nominal = sheet(0.03 + np.array([0.03, 0.01, 0.03, 0.01, 0.01, 0.01, 0.01, 0.01, 0.01]) - 0.0)
    one = profile(found, 0.05, nominal=nominal)
    told = explain(one)
    assert told.values["zone held where the datum frame puts it"] == pytest.approx(0.12)
    minimax = told.values["minimax over all six freedoms"]
    assert minimax == pytest.approx(profile(found, 0.05, free=("tz", "rx", "ry"), nominal=nominal).actual, abs=4e-6)
    assert told.values["least squares over all six freedoms"] >= minimax - 4e-6
    assert "the fit, or the datum frame, matters here" in str(told)
    assert "No degree of freedom was left" in str(told)
    assert "240 % of the tolerance is used: 0.0700 mm too much." in str(told)
    assert str(one.explain()) == str(told)


def test_the_figure_is_sound_and_marks_those_that_rule():
    found, nominal = sheet([0.01, -0.01, 0.01, -0.01, 0.0])
    told = profile(found, 0.05, free=("tz", "rx", "ry"), nominal=nominal).explain()
    root = ElementTree.fromstring(told.svg)
    words = [text.text for text in root.findall(".//{*}text")]
    assert {"<0>, <2>", "<1>, <3>", "-0.0250", "+0.0250"} <= set(words)
    assert len(root.findall(".//{*}circle")) == 5 + 4
    assert "<0>" not in told._repr_html_()
    assert "4 touches fix the value together" in str(told)


def test_the_figure_of_a_position_shows_the_axis_in_its_zone():
    """Axis at (0.03, -0.01) at z = 0 that leans by 0.002 per mm along x: ends of touches at z = 0 and 20, by hand.

    A zone of 0.2 is 1/1.15 of the drawing of 300 units; y is up, so that it is drawn with its sign turned.
    """
    hole = around(5.0, centre=(0.03, -0.01), slant=(0.002, 0.0), n=36, bore=True)
    one = position(hole, 0.2, method="least_squares", **TRUE)
    (shift,) = one.shifts
    assert shift.off == pytest.approx(np.array([[0.03, -0.01, 0], [0.07, -0.01, 0]]), abs=2e-5)
    assert 2 * np.linalg.norm(shift.off, axis=1).max() == pytest.approx(one.actual, abs=1e-12)
    root = ElementTree.fromstring(one.explain().svg)
    zone, dot, ring = root.findall(".//{*}circle")
    middle, scale = float(zone.get("cx")), float(zone.get("r")) / 0.1
    assert scale == pytest.approx(150 / 0.115, rel=1e-3)
    for mark, (x, y) in ((dot, (0.03, -0.01)), (ring, (0.07, -0.01))):
        at = [(float(mark.get("cx")) - middle) / scale, -(float(mark.get("cy")) - middle) / scale]
        assert at == pytest.approx([x, y], abs=1e-4)
    words = [text.text for text in root.findall(".//{*}text")]
    assert "+x" in words
    assert "seen along the zone; circle: zone, 0.2000 mm across" in words


@pytest.mark.parametrize("down", [(0, 0, 1), (0, 0, -1)])
def test_the_figure_of_a_leaning_axis(down):
    """0.002 per mm over 20 mm is 0.04, shared out to both sides of the middle of the zone."""
    hole = around(5.0, slant=(0.0, 0.002), n=36, bore=True)
    one = orientation_of_axis(hole, 0.1, kind="perpendicularity", direction=down, method="least_squares")
    assert one.actual == pytest.approx(0.04, abs=2e-5)
    assert np.abs(one.shifts[0].off) == pytest.approx(np.array([[0, 0.02, 0]] * 2), abs=2e-5)
    assert "cross: middle of the zone" in one.explain().svg


def test_axes_at_one_place_share_a_label():
    """Four holes off by the same: names on one spot cannot be read. One that is far off keeps its own."""
    one = position(around(5.0, centre=(0.03, -0.01), n=36, bore=True), 0.2, method="least_squares", **TRUE)
    (shift,) = one.shifts
    away = replace(shift, label="h5", off=-shift.off)
    several = tuple(replace(shift, label=f"h{k}") for k in range(1, 5))
    words = [text.text for text in ElementTree.fromstring(figure(replace(one, shifts=(*several, away)))).iter()]
    assert "h1, h2, h3, h4" in words
    assert "h5" in words
    assert "h1" not in words


def test_labels_stay_within_the_figure():
    placed = [(330.0, 50.0, "start", "a long name"), (10.0, 90.0, "end", "another name")]
    assert [(x, anchor) for x, _, anchor, _ in _together(placed, 360.0)] == [(314.0, "end"), (26.0, "start")]


def test_a_middle_plane_is_drawn_on_a_strip():
    """Walls of a slot at y = -4.9 and 5.1: the middle is 0.1 off at each of eight places; the zone is +-0.15."""
    x, z = (part.ravel() for part in np.meshgrid([0.0, 10.0], [0.0, -5.0]))
    walls = [table(np.column_stack([x, np.full(4, y), z]), (0, -np.sign(y), 0)) for y in (5.1, -4.9)]
    slot = pd.concat(walls, ignore_index=True).assign(touch=range(8))
    one = position(slot, 0.3, of="middle plane", at=(0, 0, 0), direction=(0, 1, 0))
    assert one.shifts[0].off == pytest.approx(np.tile([0, 0.1, 0], (8, 1)), abs=1e-9)
    root = ElementTree.fromstring(one.explain().svg)
    assert len(root.findall(".//{*}circle")) == 8
    words = [text.text for text in root.findall(".//{*}text")]
    assert {"-0.1500", "+0.1500", "shift from the true position in mm at each place judged; shaded: zone"} <= set(words)


def test_details_have_their_units():
    hole = around(5.0, slant=(0.001, 0.0), n=36, bore=True)
    told = str(position(hole, 0.2, modifier="M", limits=(9.9, 10.1), **TRUE).explain())
    assert "virtual condition: 9.7000 mm" in told
    lean = orientation_of_axis(hole, 0.1, kind="perpendicularity", direction=(0, 0, 1), method="least_squares")
    assert "angle [deg]: 0.0573\n" in str(lean.explain())


def test_form_and_size_explain_themselves():
    found, _ = sheet([0.01, -0.01, 0.01, -0.01, 0, 0.002, -0.001, 0.003, 0])
    told = flatness(found, 0.1).explain()
    assert told.values["minimum zone"] == pytest.approx(0.02, abs=1e-6)
    assert told.values["least squares"] >= told.values["minimum zone"]
    hole = around(5 + 0.01 * np.cos(3 * np.arange(12) * np.pi / 6), bore=True)
    assert "maximum inscribed size (9.98" in str(size(hole, (9.9, 10.1)).explain())
    assert "least squares" in position(hole, 0.1, **TRUE).explain().values
    assert runout(hole, 0.1).explain().values["total (all together)"] == pytest.approx(0.02, abs=1e-6)
    ElementTree.fromstring(position(hole, 0.1, **TRUE).explain().svg)


@pytest.mark.parametrize(
    ("actual", "word"),
    [(0.079, "conforms"), (0.081, "undecided"), (0.119, "undecided"), (0.121, "does not conform")],
)
def test_guard_band_counts_on_both_sides(actual, word):
    """Width 0.1, w = 0.01: a zone shrunk by w on each side is 0.08 wide, one grown is 0.12."""
    one = position(around(5.0, n=16, bore=True, centre=(actual / 2, 0)), 0.1, **TRUE)
    assert one.actual == pytest.approx(actual, abs=1e-6)
    assert judge(one, guarded(U=0.01)) == word
    assert judge(one, simple()) == ("conforms" if actual <= 0.1 else "does not conform")
    if word == "conforms":
        assert judge(replace(one, missed_rows=np.array([0])), simple()) == "undecided"


def test_verdict_on_feature_and_part():
    good, bad = (around(5.0, n=16, bore=True, centre=(off, 0), feature=f) for f, off in (("good", 0.0), ("bad", 0.08)))
    loose = around(7.0, n=4, feature="loose")
    found = pd.concat([good, bad, loose], ignore_index=True)
    evaluations = [position(found, 0.1, features=[f], **TRUE) for f in ("good", "bad")]
    verdict = classify(found, *evaluations)
    words = dict(zip(verdict.features["feature"], verdict.features["verdict"], strict=True))
    assert words == {"good": "conforms", "bad": "does not conform", "loose": "unjudged"}
    assert verdict.part == "does not conform"
    assert set(verdict.table["verdict"]) == {"unjudged"}
    assert classify(found, evaluations[0]).part == "conforms"
    mixed = classify(found, evaluations[0], size(found, (10.1, 10.2), features=["good"]))
    assert mixed.part == "does not conform", "the worst of two counts"
    touched = classify(found.assign(deviation=0.0), evaluations[1], profile(found, 0.1))
    assert touched.part == "does not conform", "touches within do not excuse a position"


def test_touch_limits_reach_the_verdict():
    found, _ = sheet([0.01, 0.03, 0.03, 0.01])
    one = profile(found, boundaries=([-0.02] * 4, [0.02, 0.02, 0.05, 0.05]))
    verdict = classify(found, one)
    assert verdict.table["verdict"].tolist() == ["within", "high", "within", "within"]
    assert verdict.table["upper"].tolist() == [0.02, 0.02, 0.05, 0.05]
