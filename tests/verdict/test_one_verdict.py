"""One verdict, made once: whoever shows it shows the same word. And feet in doubt prove nothing."""

import json
import re

import numpy as np
import pandas as pd
import pytest
import shapes
from thorough import some
from tolerance.touched import around, table

from probekit import InputError, report, scene
from probekit.deviation import project
from probekit.deviation.table import FLAG_WORDS
from probekit.tolerance import profile, size
from probekit.verdict import classify, guarded, judge, simple
from probekit.verdict.doubts import DOUBTS
from probekit.verdict.words import PART_WORDS, TOUCH_WORDS, WORST_FIRST


def near_its_limit():
    """Actual value 0.98 of the width, U = 6 um: within the guard band."""
    nominal = shapes.plane_patch()
    touches = pd.DataFrame({"touch": [1, 2, 3], "feature": "top", "x": [0.0, 9, 3], "y": [0.0, 2, 8]})
    touches["z"] = [0.0, 0.098, -0.01]
    found = project(touches, nominal, stylus=0.0)
    return nominal, classify(found, profile(found, 0.2, name="skin"), rule=guarded(U=0.006), u=U)


U = 0.003


def test_undecided_is_undecided_everywhere(tmp_path):
    """The page said "met" in green and the JSON "conforms": true beside an undecided part."""
    nominal, verdict = near_its_limit()
    assert (verdict.part, verdict.tolerances["word"].tolist()) == ("undecided", ["undecided"])
    content = report.tables(verdict, to_json=tmp_path / "r.json")
    assert content["tolerances"][0]["word"] == "undecided"
    assert content["tolerances"][0]["u"] == pytest.approx(0.006)  # of a width
    assert content["tolerances"][0]["high"] == pytest.approx(0.196 + 1.6449 * 0.006, abs=1e-6)
    assert '"conforms"' not in (tmp_path / "r.json").read_text(encoding="utf-8")
    page = report.page(scene.build(nominal, verdict), verdict, to=tmp_path / "r.html").read_text(encoding="utf-8")
    card = re.search(r'<article class="card (\w+)">.*?</article>', page, re.S)
    assert card.group(1) == "open"
    assert '<span class="word"><span data-w="word.undecided">undecided</span></span>' in card.group()
    assert "Of 1 tolerances: 1 undecided." in page
    assert "at the touched places" in card.group().lower()
    assert "noise alone would give" in card.group().lower()
    assert "±" not in card.group()
    for name in ("proved", "guarded", "simple"):
        assert f"<li><b>{name}</b>: " in page, "each rule is named with what it means"
    assert not re.search(r"\bmet\b|is <strong>conforms", page[: page.index("<script")])
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["part"] == "undecided"


@pytest.mark.parametrize("high", [0.015, 0.0195, 0.0215, 0.024, 0.035])
def test_a_zone_that_is_not_uniform_is_judged_in_one_way(high):
    """The guard band of a narrow place was taken as a share of the widest: two verdicts on one tolerance."""
    found = table(np.zeros((4, 3)), [0, 0, 1.0], deviation=[high, 0.0, 0.0, 0.0])
    one = profile(found, boundaries=([-0.02, -0.1, -0.1, -0.1], [0.02, 0.1, 0.1, 0.1]))
    rule = guarded(U=0.003)
    verdict = classify(found, one, rule=rule)
    expected = "conforms" if high <= 0.017 else "undecided" if high <= 0.023 else "does not conform"
    assert verdict.part == verdict.tolerances["word"].iloc[0] == judge(one, rule) == expected


@pytest.mark.parametrize("seed", some(range(20)))
def test_the_part_is_its_worst_tolerance(seed):
    rng = np.random.default_rng(seed)
    found = table(np.zeros((6, 3)), [0, 0, 1.0], deviation=rng.normal(scale=0.05, size=6)).assign(
        feature=list("aabbcc"), face=""
    )
    tolerances = [profile(found, w, features=list(f)) for w, f in ((0.2, "ab"), (0.15, "bc"), (0.3, "a"))]
    verdict = classify(found, *tolerances, rule=guarded(U=0.01))
    words = verdict.tolerances["word"].tolist()
    assert words == [judge(one, guarded(U=0.01)) for one in tolerances]
    assert verdict.part == max(words, key=PART_WORDS.index)
    assert verdict.part == max(verdict.features["verdict"], key=PART_WORDS.index)


def test_margin_is_that_to_the_nearer_limit():
    found = table(np.zeros((4, 3)), [0, 0, 1.0], deviation=[0.04, -0.04, 0.09, np.nan])
    verdict = classify(found, profile(found, 0.1, outside=0.08))
    assert verdict.table["margin"].tolist()[:3] == pytest.approx([0.04, -0.02, -0.01])
    assert np.isnan(verdict.table["margin"].iloc[3])


def test_where_the_part_lies_in_doubt_nothing_that_rests_on_it_is_decided():
    """A part undecided for its place beside a tolerance that "does not conform" were two verdicts on one page."""
    found = pd.concat(
        [around(10.0, n=8, bore=True), table(np.zeros((3, 3)), [0, 0, 1.0], deviation=[0.0, 0.3, np.nan])],
        ignore_index=True,
    ).assign(touch=range(27))
    skin, bore = profile(found, 0.1, features=["a"]), size(found, (19.9, 20.1), features=["hole"])
    assert classify(found, skin, bore).part == "does not conform"
    verdict = classify(found, skin, bore, looks=["a datum touch is off"], placed=False)
    assert verdict.part == "undecided"
    assert verdict.tolerances["word"].tolist() == ["undecided", "conforms"]
    assert verdict.table["verdict"].tolist()[24:] == ["undecided", "undecided", "missed"]
    assert verdict.features["verdict"].tolist() == ["conforms", "undecided"]
    assert classify(found, size(found, (19.0, 19.5), features=["hole"]), placed=False).part == "does not conform"
    wrong = classify(found, size(found, (19.0, 19.5), features=["hole"]), sized=False)
    assert wrong.part == "undecided"
    assert any("radius of the ball" in why for why in wrong.reasons)


@pytest.mark.parametrize(
    ("limits", "plain", "excess", "word"),
    [
        ((19.99, 20.01), "conforms", 10.0, "undecided"),
        ((20.01, 20.03), "does not conform", 10.0, "undecided"),
        ((19.9, 20.1), "conforms", 10.0, "conforms"),
        ((20.2, 20.3), "does not conform", 10.0, "does not conform"),
        ((19.99, 20.01), "conforms", 1.2, "conforms"),
    ],
)
def test_an_uncertainty_that_the_data_refute_decides_nothing_near_a_limit(limits, plain, excess, word):
    found = around(10.0, n=8, bore=True)
    bore = size(found, limits, features=["hole"])
    assert classify(found, bore, u=0.001).part == plain
    verdict = classify(found, bore, u=0.001, excess=excess)
    assert verdict.part == word
    assert any("scatter far more than the uncertainty" in why for why in verdict.reasons) == (word == "undecided")


def test_words_stand_in_one_place():
    from probekit.scene.colour import VERDICT_COLOURS
    from probekit.scene.glyphs import VERDICT_SHAPES, VERDICT_TEXT

    assert set(WORST_FIRST) == set(TOUCH_WORDS) == set(VERDICT_SHAPES) == set(VERDICT_TEXT) == set(VERDICT_COLOURS)


class TestDoubt:
    def job(self, flag="", how="newton", **options):
        found = table(np.zeros((3, 3)), [0, 0, 1.0], deviation=[0.0, 0.01, 0.3]).assign(
            feature=list("aab"), face=list("aab")
        )
        found = found.assign(flag=["", flag, flag], foot_by=["newton", how, how])
        return classify(found, profile(found, 0.1, features=["a"], name="skin"), **options)

    @pytest.mark.parametrize("flag", ["far", "ambiguous", "other side", "too tight", "boundary far", "edge ambiguous"])
    def test_a_foot_in_doubt_is_undecided_at_best(self, flag):
        """Such a touch was within, and the part conformed."""
        verdict = self.job(flag)
        assert verdict.table["verdict"].tolist() == ["within", "undecided", "unjudged"]
        assert verdict.part == "undecided"
        word = next(one for one in DOUBTS if one in flag)
        assert DOUBTS[word] in verdict.table["doubt"].iloc[1]
        assert verdict.reasons[0].startswith("skin: undecided at best on touch 2: ")
        assert f'accept_flags = ["{word}"]' in verdict.reasons[0]
        assert verdict.tolerances["notes"].iloc[0] == verdict.reasons
        assert self.job(flag, accept_flags=[word]).part == "conforms"

    def test_a_foot_that_did_not_settle(self):
        verdict = self.job(how="facet")
        assert (verdict.part, verdict.table["doubt"].iloc[1]) == ("undecided", DOUBTS["unsettled"])
        assert self.job(how="facet", accept_flags="unsettled").part == "conforms"
        assert self.job("far", how="facet", accept_flags=["unsettled"]).part == "undecided"

    @pytest.mark.parametrize("flag", ["", "edge", "boundary", "edge boundary"])
    def test_on_an_edge_the_distance_is_still_that_to_the_nominal(self, flag):
        verdict = self.job(flag)
        assert (verdict.part, verdict.reasons, set(verdict.table["doubt"])) == ("conforms", (), {""})

    def test_beyond_the_rim_no_touch_outside_comes_out_within(self):
        """Brute force: whatever the flag on the rim of a patch, the deviation is the distance to the patch."""
        rng, nominal = np.random.default_rng(5), shapes.plane_patch(size=20.0, n=4)
        points = rng.uniform([-12, -12, -0.3], [12, 12, 0.3], size=(400, 3))
        found = project(points, nominal)
        nearest = np.column_stack([np.clip(points[:, :2], -10, 10), np.zeros(400)])
        distance = np.linalg.norm(points - nearest, axis=1)
        assert found["flag"].astype(str).str.contains("boundary").sum() > 50
        size = np.abs(found["deviation"].to_numpy())
        assert size == pytest.approx(distance, abs=1e-12)
        assert (size >= np.abs(points[:, 2]) - 1e-12).all()

    def test_what_is_judged_as_a_whole(self):
        hole = around(10.0, n=8, bore=True)
        hole["flag"] = ["other side"] + [""] * (len(hole) - 1)
        one = size(hole, (19.9, 20.1))
        assert classify(hole.assign(flag=""), one).part == "conforms"
        verdict = classify(hole, one)
        assert verdict.tolerances["word"].tolist() == ["undecided"]
        assert verdict.features["verdict"].tolist() == ["undecided"]
        assert classify(hole, one, accept_flags=["other side"]).part == "conforms"

    def test_a_foot_in_doubt_excuses_nothing(self):
        found = table(np.zeros((1, 3)), [0, 0, 1.0], deviation=0.3).assign(flag="far")
        assert classify(found, profile(found, 0.1), rule=simple()).part == "does not conform"

    def test_an_unknown_flag_is_refused(self):
        with pytest.raises(InputError, match="expected one of far"):
            self.job(accept_flags=["edge"])

    def test_every_flag_of_a_projection_is_weighed(self):
        assert set(FLAG_WORDS.values()) <= {*DOUBTS, "edge", "boundary", "missed"}
