"""Verdicts on touches, features and the part: the logic, case by case."""

import itertools

import numpy as np
import pandas as pd
import pytest
import shapes
from scipy import stats

import probekit as pk
from probekit import InputError
from probekit.tolerance import Evaluation, profile
from probekit.verdict import classify, guarded, proved, simple
from probekit.verdict.words import PART_WORDS, TOUCH_WORDS


def found(deviation: list[float], feature: list[str] | str, **columns: object) -> pd.DataFrame:
    """As much of a deviations table as a verdict needs."""
    n = len(deviation)
    table = pd.DataFrame({"touch": np.arange(1, n + 1), "feature": list(feature), "deviation": deviation})
    table["face"] = table["feature"]
    for axis in "xyz":
        table[f"foot_{axis}"] = 0.0
    table.attrs = {"part": "A"}
    return table.assign(**columns)


def words(verdict) -> list[str]:
    return verdict.table["verdict"].tolist()


def test_every_word():
    table = found([0.0, 0.04, 0.046, 0.06, -0.06, np.nan, 0.5], "aaaaaac")
    verdict = classify(table, profile(table, 0.1, features=["a"]), rule=guarded(U=0.005))
    assert words(verdict) == ["within", "within", "undecided", "high", "low", "missed", "unjudged"]
    assert set(words(verdict)) == set(TOUCH_WORDS)
    assert verdict.part == "does not conform"
    row = verdict.features.set_index("feature").loc["a"]
    assert [int(row[w]) for w in TOUCH_WORDS] == [2, 1, 1, 1, 1, 0]
    assert row["touches"] == 6
    assert row["worst"] in (0.06, -0.06)
    assert verdict.table["lower"].tolist()[:5] == [-0.05] * 5
    assert verdict.table["lower"].isna().tolist() == [False] * 5 + [True] * 2
    assert verdict.table["tolerance"].tolist() == ["profile"] * 6 + [""]
    assert verdict.table.attrs == {"part": "A"}
    assert verdict.rule == guarded(U=0.005)
    assert len(verdict.evaluations) == 1


#: deviation -> verdict with limits of 0.05 either way and a guard band of 0.005
CASES = {"within": 0.0, "undecided": 0.05, "high": 0.06, "low": -0.06, "missed": np.nan}


@pytest.mark.parametrize("one", CASES)
@pytest.mark.parametrize("other", CASES)
def test_feature_and_part_words(one, other):
    """Anything outside decides; else doubt or a miss leaves it undecided; else it conforms."""
    table = found([0.0, CASES[one], 0.0, CASES[other]], "aabb")
    verdict = classify(table, profile(table, 0.1), rule=guarded(U=0.005))
    assert words(verdict) == ["within", one, "within", other]

    def expected(*found_words: str) -> str:
        if {"high", "low"} & set(found_words):
            return "does not conform"
        return "undecided" if {"undecided", "missed"} & set(found_words) else "conforms"

    assert verdict.features["verdict"].tolist() == [expected(one), expected(other)]
    assert verdict.part == expected(one, other)
    assert verdict.part in PART_WORDS


def test_miss_without_tolerance_does_not_matter():
    """A missed touch of a feature that no tolerance covers leaves the part as it is."""
    table = found([0.0, 0.01, np.nan, 0.3], "aabb")
    verdict = classify(table, profile(table, 0.1, features=["a"]))
    assert words(verdict) == ["within", "within", "missed", "unjudged"]
    assert verdict.features["verdict"].tolist() == ["conforms", "unjudged"]
    assert verdict.part == "conforms"


def test_miss_with_tolerance_does():
    table = found([0.0, 0.01, np.nan, 0.3], "aaab")
    verdict = classify(table, profile(table, 0.1, features=["a"]))
    assert verdict.features["verdict"].tolist() == ["undecided", "unjudged"]
    assert verdict.part == "undecided"


def test_feature_all_missed():
    table = found([0.0, np.nan, np.nan], "abb")
    verdict = classify(table, profile(table, 0.1, features=["a", "b"]))
    assert verdict.features["verdict"].tolist() == ["conforms", "undecided"]
    assert np.isnan(verdict.features["worst"].iloc[1])
    assert verdict.part == "undecided"


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_least_margin_judges(order):
    """Of several tolerances over a touch the one it is furthest out of, or least inside of, whatever the order."""
    table = found([0.04, -0.04, 0.0, 0.3], "aaab")
    tolerances = [
        profile(table, 0.2, features=["a", "b"], name="wide"),  # -0.10 .. 0.10
        profile(table, 0.1, features=["a"], name="even"),  # -0.05 .. 0.05
        profile(table, 0.1, features=["a"], outside=0.08, name="outward"),  # -0.02 .. 0.08
    ]
    verdict = classify(table, *(tolerances[k] for k in order))
    assert verdict.table["tolerance"].tolist() == ["even", "outward", "outward", "wide"]
    assert words(verdict) == ["within", "low", "within", "high"]
    assert verdict.table["upper"].tolist() == pytest.approx([0.05, 0.08, 0.08, 0.1])
    assert verdict.table["lower"].tolist() == pytest.approx([-0.05, -0.02, -0.02, -0.1])


def test_own_placement_of_a_tolerance_is_judged():
    """The deviations after the placement left to the tolerance are the ones that count."""
    table = found([0.08, 0.1, 0.12], "aaa")
    one = profile(table, 0.05)
    placed = Evaluation(**{**one.__dict__, "deviations": np.array([-0.02, 0.0, 0.02]), "free": ("tz",), "actual": 0.04})
    verdict = classify(table, placed)
    assert words(verdict) == ["within"] * 3
    assert verdict.table["deviation"].tolist() == [-0.02, 0.0, 0.02]
    assert table["deviation"].tolist() == [0.08, 0.1, 0.12]


def test_column_u_comes_first():
    table = found([0.04, 0.04, 0.04], "aaa", u=[0.01, np.nan, 0.0])
    verdict = classify(table, profile(table, 0.1), u=0.02)
    assert verdict.table["u"].tolist() == [0.01, 0.02, 0.0]
    expected = [stats.norm.cdf(1) - stats.norm.cdf(-9), stats.norm.cdf(0.5) - stats.norm.cdf(-4.5), 1.0]
    assert verdict.table["p_conform"].tolist() == pytest.approx(expected)


def test_u_for_all_and_none():
    table = found([0.04, 0.06], "aa")
    assert classify(table, profile(table, 0.1), u=0.01).table["u"].tolist() == [0.01, 0.01]
    sharp = classify(table, profile(table, 0.1))
    assert sharp.table["u"].tolist() == [0, 0]
    assert sharp.table["p_conform"].tolist() == [1, 0]


@pytest.mark.parametrize("u", [None, 0.01])
def test_probability_is_unknown_where_missed_or_unjudged(u):
    table = found([0.0, np.nan, 0.0], "aab")
    verdict = classify(table, profile(table, 0.1, features=["a"]), u=u)
    assert verdict.table["p_conform"].isna().tolist() == [False, True, True]


def test_default_rule_is_proof_or_simple_acceptance_where_no_uncertainty_is_known():
    table = found([0.05, 0.0], "aa")
    verdict = classify(table, profile(table, 0.1))
    assert verdict.rule == simple()
    assert verdict.part == "conforms"
    verdict = classify(table, profile(table, 0.1), u=0.001)
    assert verdict.rule == proved(0.95)
    assert verdict.part == "undecided"


def test_index_of_the_table_does_not_matter():
    """Two runs put together repeat row labels."""
    table = found([0.0, 0.02, -0.06, 0.01], "aabb")
    table.index = [0, 1, 0, 1]
    verdict = classify(table, profile(table, 0.1))
    assert words(verdict) == ["within", "within", "low", "within"]
    assert verdict.features["worst"].tolist() == [0.02, -0.06]
    assert verdict.table.index.tolist() == [0, 1, 0, 1]


def test_no_tolerance():
    with pytest.raises(InputError, match="no tolerance to judge by"):
        classify(found([0.0], "a"))


@pytest.mark.parametrize("deviation", [[0.0] * 5, [0.0] * 4 + [np.nan]])
def test_tolerance_of_another_table(deviation):
    longer = found(deviation, "aaaaa")
    with pytest.raises(InputError, match="'profile' was evaluated on another table; found 'row 4'; expected < 3"):
        classify(found([0.0] * 3, "aaa"), profile(longer, 0.1))


def test_tolerance_of_the_same_touches_in_another_order():
    """Its limits and its deviations stand by row: they would be those of other touches."""
    table = found([0.0, 0.2, 0.0], "aaa")
    with pytest.raises(InputError, match="in another order; found 'touch 3 in row 0'; expected touch 1"):
        classify(table.iloc[::-1], profile(table, 0.1))


@pytest.mark.parametrize("u", [-0.1, np.nan, np.inf])
def test_uncertainty_that_cannot_be(u):
    table = found([0.0], "a")
    with pytest.raises(InputError, match="standard uncertainty must be zero or more"):
        classify(table, profile(table, 0.1), u=u)


def test_negative_uncertainty_in_the_column():
    table = found([0.0, 0.0], "aa", u=[0.1, -0.1])
    with pytest.raises(InputError, match="cannot be negative"):
        classify(table, profile(table, 0.1))


@pytest.mark.parametrize(
    ("deviation", "part", "capped"),
    [(0.0, "conforms", "undecided"), (0.05, "undecided", "undecided"), (0.06, "does not conform", "does not conform")],
)
def test_findings_that_want_a_look_leave_the_part_undecided_at_best(deviation, part, capped):
    """They never make a bad part better, and stand in the verdict, each once."""
    table = found([0.0, deviation], "aa")
    one, rule, looks = profile(table, 0.1), guarded(U=0.005), ("touch 2 is <far>", "touch 2 is <far>")
    assert (classify(table, one, rule=rule).part, classify(table, one, rule=rule).reasons) == (part, ())
    verdict = classify(table, one, rule=rule, looks=looks)
    assert (verdict.part, verdict.reasons) == (capped, ("touch 2 is <far>",))
    assert "<li>touch 2 is &lt;far&gt;</li>" in verdict._repr_html_()


def test_words_for_a_notebook():
    table = found([0.0, 0.06], ["a", "<b>"])
    html = classify(table, profile(table, 0.1))._repr_html_()
    assert "Part: <b>does not conform</b> (simple acceptance" in html
    assert "&lt;b&gt;" in html


def test_what_an_exactly_fixed_alignment_made_zero_is_not_judged():
    """Six touches, 3-2-1, one 0.04 mm off: the alignment takes it up, and nothing is left to judge."""
    box = shapes.box()
    places = [(-20, -15, 10), (20, -15, 10), (0, 15, 10), (-20, -20, 0), (20, -20, 0), (-30, 0, 0)]
    names = ["top"] * 3 + ["front"] * 2 + ["left"]
    at = np.array(places, dtype=float)
    at[0, 2] += 0.04
    more = np.array([(10.0, 5.0, 10.0), (30.0, 5.0, 2.0), (30.0, -5.0, -2.0)])
    table = pd.DataFrame({"touch": range(1, 10), "feature": [*names, "top", "right", "right"]})
    table[["x", "y", "z"]] = np.vstack([at, more])
    how = pk.deviation.Projection(box, stylus=0.0)
    first = table.iloc[:6]
    alignment = pk.fit.rigid(how.project(first), how, u=0.002)
    aligned = how.project(alignment.apply(first))
    verdict = classify(aligned, profile(aligned, 0.02, features=["top"], name="top"), u=0.002, alignment=alignment)
    assert np.abs(aligned["deviation"]).max() < 1e-9
    assert verdict.tolerances["word"].tolist() == ["not judged"]
    assert verdict.part == "undecided"
    aligned = how.project(alignment.apply(table))
    other = profile(aligned, 0.4, features=["right"], name="right")
    assert classify(aligned, other, u=0.002, alignment=alignment).part == "conforms", "another feature is judged"
