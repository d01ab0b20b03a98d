"""Tables as tired people make them: each is an error that names the place, or a result that does not sound sure."""

from __future__ import annotations

import pickle

import numpy as np
import pandas as pd
import pytest

import probekit as pk
from probekit import gauge


def crossed(parts=6, operators=3, trials=2, sd=0.002) -> pd.DataFrame:
    """Diameters of about 20 mm that vary by 0.02 mm, read with a scatter of 0.002 mm."""
    rows = [
        (p, o, t, 20 + 0.02 * np.sin(3 * p) + 0.002 * o + sd * np.random.default_rng([p, o, t]).normal())
        for p in range(1, parts + 1)
        for o in range(operators)
        for t in range(1, trials + 1)
    ]
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "value"])
    return table.assign(operator=table["operator"].map(dict(enumerate("ABCDEFG"))))


def one_thing(n=30, mean=20.0, sd=0.002) -> pd.DataFrame:
    return pd.DataFrame({"value": mean + sd * np.random.default_rng(n).normal(size=n)})


def pairs(n=25, sd=0.002) -> pd.DataFrame:
    draw = np.random.default_rng(n)
    reference = np.linspace(10, 60, n)
    table = pd.DataFrame({"reference": reference, "value": reference + draw.normal(0, sd, n)})
    return table.assign(U=0.005, U_reference=0.002, u=0.002, u_reference=0.001, name=[f"bore {k}" for k in range(n)])


def with_cell(table: pd.DataFrame, row: int, column: str, value: object) -> pd.DataFrame:
    return table.assign(**{column: [value if k == row else one for k, one in enumerate(table[column])]})


#: Every study on a table that it takes.
STUDIES = {
    "r_and_r": (gauge.r_and_r, crossed(), {"trial": "trial"}),
    "one_way": (gauge.one_way, crossed(), {"group": "part"}),
    "type_1": (gauge.type_1, one_thing(), {"reference": 20.0, "tolerance": 0.1}),
    "substitution": (gauge.substitution, one_thing(), {"reference": 20.0, "U_reference": 0.001}),
    "linearity": (gauge.linearity, pairs(), {}),
    "stability": (gauge.stability, one_thing(), {}),
    "capability": (gauge.capability, one_thing(60), {"lower": 19.98, "upper": 20.02}),
    "e_n": (gauge.e_n, pairs(), {"name": "name"}),
    "limits_of_agreement": (gauge.limits_of_agreement, pairs(), {"name": "name"}),
    "deming": (gauge.deming, pairs(), {}),
    "theil_sen": (gauge.theil_sen, pairs(), {}),
    "cutter_drift": (gauge.cutter_drift, crossed(parts=12), {"value": "value"}),
}


@pytest.mark.parametrize("name", STUDIES)
def test_every_study_says_what_it_found(name):
    function, table, options = STUDIES[name]
    before = table.copy()
    result = function(table, **options)
    pd.testing.assert_frame_equal(table, before)
    assert repr(result).startswith("<GaugeResult ")
    assert "\n" not in repr(result)
    assert len(repr(result)) < 400
    assert "nan" not in result.sentence
    assert all(isinstance(value, float) for value in result.values.values())
    page = result._repr_html_()
    assert "<svg" in page
    assert "<table" in page
    assert "NaN" not in page.split("</svg>")[0]
    again = pickle.loads(pickle.dumps(result))
    assert list(again.values) == list(result.values)
    np.testing.assert_array_equal(list(again.values.values()), list(result.values.values()))
    with pytest.raises(TypeError):
        result.values["u"] = 0.0


@pytest.mark.parametrize("name", STUDIES)
def test_the_same_table_gives_the_same_bits_also_through_csv(name, tmp_path):
    function, table, options = STUDIES[name]
    table.to_csv(tmp_path / "t.csv", index=False)
    one, other = function(table, **options), function(pd.read_csv(tmp_path / "t.csv"), **options)
    assert list(one.values) == list(other.values)
    np.testing.assert_array_equal(list(one.values.values()), list(other.values.values()))
    assert function(table, **options).sentence == one.sentence


@pytest.mark.parametrize("name", STUDIES)
@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("20,003", r"row 6 has no finite number.*found '20,003'.*decimal point"),
        ("20.003 mm", r"row 6 has no finite number.*found '20.003 mm'"),
        (np.nan, r"row 6 has no reading"),
        ("", r"row 6 has no reading"),
        (np.inf, r"row 6 has no finite number"),
    ],
)
def test_a_cell_that_is_no_number(name, cell, said):
    function, table, options = STUDIES[name]
    with pytest.raises(pk.InputError, match=said):
        function(with_cell(table, 5, "value", cell), **options)


@pytest.mark.parametrize("name", STUDIES)
def test_numbers_kept_as_text_are_the_same_numbers(name):
    function, table, options = STUDIES[name]
    text = table.assign(value=[repr(float(one)) for one in table["value"]])
    assert function(text, **options).sentence == function(table, **options).sentence


@pytest.mark.parametrize("name", STUDIES)
def test_a_column_by_another_name(name):
    function, table, options = STUDIES[name]
    with pytest.raises(pk.InputError, match=r"no column 'value'.*'Value'"):
        function(table.rename(columns={"value": "Value"}), **options)


@pytest.mark.parametrize("name", STUDIES)
def test_readings_that_do_not_scatter(name):
    if name == "e_n":
        pytest.skip("one result needs no scatter")
    function, table, options = STUDIES[name]
    same = table["reference"] if "reference" in table else 20.0
    if name in ("deming", "theil_sen"):
        table = table.assign(reference=30.0)
    with pytest.raises(pk.InputError, match=r"equal|the same|scatter|no line"):
        function(table.assign(value=same), **options)


@pytest.mark.parametrize("name", STUDIES)
def test_too_few(name):
    function, table, options = STUDIES[name]
    if name == "e_n":
        table = table.iloc[:0]
    with pytest.raises(pk.InputError, match=r"too few|needs|has the same|not complete|no line|all readings"):
        function(table.iloc[:3], **options)


@pytest.mark.parametrize("name", STUDIES)
def test_a_column_of_units(name):
    function, table, options = STUDIES[name]
    assert function(table.assign(unit="mm"), **options).sentence
    with pytest.raises(pk.InputError, match=r"not all in millimetres.*found 'mm, inch'"):
        function(table.assign(unit=["mm"] * (len(table) - 1) + ["inch"]), **options)


@pytest.mark.parametrize("name", STUDIES)
@pytest.mark.parametrize("many", [1, 4])
def test_inches_among_millimetres(name, many):
    function, table, options = STUDIES[name]
    value = table["value"].to_numpy().copy()
    value[-many:] /= 25.4
    with pytest.raises(pk.InputError, match=r"inch|same unit"):
        function(table.assign(value=value), **options)


@pytest.mark.parametrize("name", ["type_1", "substitution", "linearity", "capability", "e_n", "deming", "theil_sen"])
def test_all_in_inches(name):
    function, table, options = STUDIES[name]
    with pytest.raises(pk.InputError, match=r"inch|same unit"):
        function(table.assign(value=table["value"] / 25.4), **options)


def test_deviations_about_zero_are_not_taken_for_inches():
    """Numbers that vary by more than their size say nothing of units."""
    for seed in range(60):
        draw = np.random.default_rng(seed)
        table = crossed().assign(value=draw.normal(0, 0.01, 36))
        assert gauge.r_and_r(table).sentence


class TestRepeatability:
    def test_one_operator(self):
        with pytest.raises(pk.InputError, match=r"all readings have the same operator.*found 'A'.*one_way"):
            gauge.r_and_r(crossed(operators=1))

    def test_one_part(self):
        with pytest.raises(pk.InputError, match=r"all readings have the same part"):
            gauge.r_and_r(crossed(parts=1, operators=4, trials=3))

    def test_one_trial(self):
        with pytest.raises(pk.InputError, match="read once by each operator"):
            gauge.r_and_r(crossed(trials=1))
        with pytest.raises(pk.InputError, match="no part was read twice"):
            gauge.r_and_r(crossed(trials=1), method="mixed")

    def test_a_missing_cell_is_named(self):
        table = crossed().query("not (part == 4 and operator == 'B' and trial == 2)")
        with pytest.raises(pk.InputError, match=r"part 4 by operator B has 1 readings, most others 2.*mixed"):
            gauge.r_and_r(table)
        assert "35 readings" in gauge.r_and_r(table, method="mixed").sentence

    def test_a_reading_twice(self):
        table = pd.concat([crossed(), crossed().iloc[[7]]])
        with pytest.raises(pk.InputError, match=r"name a reading twice, again in row 37; found '2, A, 2'"):
            gauge.r_and_r(table, trial="trial")

    @pytest.mark.parametrize("name", ["a", "A ", " A"])
    def test_an_operator_spelt_otherwise(self, name):
        with pytest.raises(pk.InputError, match="differ in blanks, capitals or type only"):
            gauge.r_and_r(with_cell(crossed(), 0, "operator", name))

    def test_a_part_as_text_and_as_number(self):
        with pytest.raises(pk.InputError, match="differ in blanks, capitals or type only"):
            gauge.r_and_r(with_cell(crossed(), 0, "part", "1"))

    def test_an_operator_without_name(self):
        with pytest.raises(pk.InputError, match="row 3 does not say which it is"):
            gauge.r_and_r(with_cell(crossed(), 2, "operator", None))

    def test_few_parts_are_said(self):
        assert any("2 parts: few" in note for note in gauge.r_and_r(crossed(parts=2)).notes)

    def test_coarse_steps_are_said(self):
        coarse = crossed(sd=0.0004).assign(value=lambda t: t["value"].round(2))
        assert any("too coarse" in note for note in gauge.r_and_r(coarse).notes)

    def test_rows_in_any_order(self):
        mixed = crossed().sample(frac=1, random_state=3)
        one, other = gauge.r_and_r(crossed()), gauge.r_and_r(mixed)
        assert one.values["grr"] == pytest.approx(other.values["grr"], rel=1e-12)
        assert set(one.table["source"]) == set(other.table["source"])

    def test_a_method_that_is_not(self):
        with pytest.raises(pk.InputError, match="anova, range or mixed"):
            gauge.r_and_r(crossed(), method="ANOVA")


def test_a_drift_in_a_type_1_study_is_said():
    table = one_thing().assign(value=lambda t: t["value"] + np.linspace(0, 0.02, 30))
    assert any("they drift" in note for note in gauge.type_1(table, 20.0, 0.1).notes)


def test_few_readings_prove_nothing():
    good = gauge.type_1(one_thing(5, sd=0.0016), 20.0, 0.1)
    assert good.values["cg"] > 1.33
    assert "not proved" in good.sentence


def test_a_chart_of_sorted_readings():
    with pytest.raises(pk.InputError, match="sorted by size"):
        gauge.stability(one_thing().sort_values("value"))
    result = gauge.capability(one_thing(60).sort_values("value"), lower=19.98, upper=20.02)
    assert "Cpk" not in result.sentence
    rounded = one_thing(60).round(3).sort_values("value")
    assert not any("coarse" in note for note in gauge.capability(rounded, lower=19.98, upper=20.02).notes)
    assert any("sorted" in note for note in result.notes)


def test_a_chart_out_of_the_order_of_time():
    table = one_thing().assign(time=np.arange(30.0))
    assert gauge.stability(table, order="time").sentence
    with pytest.raises(pk.InputError, match="4 after 9"):
        gauge.stability(with_cell(table, 10, "time", 4.0), order="time")


def test_subgroups_that_differ_or_come_in_pieces():
    table = one_thing(30).assign(day=np.repeat(np.arange(10), 3))
    with pytest.raises(pk.InputError, match=r"subgroups differ in size.*found '9 has 2'"):
        gauge.stability(table.iloc[:-1], subgroup="day")
    with pytest.raises(pk.InputError, match="a subgroup comes in pieces"):
        gauge.stability(with_cell(table, 29, "day", 0), subgroup="day")


def test_limits_the_wrong_way_round():
    with pytest.raises(pk.InputError, match="limits are not usable"):
        gauge.capability(one_thing(60), lower=20.02, upper=19.98)
    with pytest.raises(pk.InputError, match="limits are not usable"):
        gauge.capability(one_thing(60))
    with pytest.raises(pk.InputError, match="target is not within"):
        gauge.capability(one_thing(60), lower=19.98, upper=20.02, target=25.0)


def test_a_process_that_is_not_normal_or_not_stable_is_said():
    draw = np.random.default_rng(4)
    skew = pd.DataFrame({"value": draw.lognormal(0, 0.6, 200)})
    result = gauge.capability(skew, upper=8.0)
    assert "not normal" in result.sentence
    jump = one_thing(60).assign(value=lambda t: t["value"] + np.repeat([0, 0.02], 30))
    assert any("not shown to be stable" in note for note in gauge.capability(jump, lower=19.9, upper=20.1).notes)


def test_a_distribution_that_does_not_fit():
    draw = np.random.default_rng(4)
    two = pd.DataFrame({"value": np.concatenate([draw.normal(5, 0.1, 100), draw.normal(7, 0.1, 100)])})
    with pytest.raises(pk.InputError, match="does not describe the readings"):
        gauge.capability(two, upper=8.0, distribution="lognorm")
    with pytest.raises(pk.InputError, match="the distribution is not known"):
        gauge.capability(two, upper=8.0, distribution="linregress")
    with pytest.raises(pk.InputError, match="too few readings for their own quantiles"):
        gauge.capability(two, upper=8.0, distribution="empirical")


def test_an_uncertainty_of_nothing():
    with pytest.raises(pk.InputError, match="row 3 has no uncertainty"):
        gauge.e_n(with_cell(with_cell(pairs(), 2, "U", 0.0), 2, "U_reference", 0.0))
    with pytest.raises(pk.InputError, match="standard uncertainty is not usable"):
        gauge.deming(pairs(), u=-0.001)


def test_a_thing_twice():
    for function in (gauge.e_n, gauge.limits_of_agreement):
        with pytest.raises(pk.InputError, match="twice, again in row 2"):
            function(with_cell(pairs(), 1, "name", "bore 0"), name="name")


def test_uncertainties_that_are_too_small_are_said():
    result = gauge.e_n(pairs(sd=0.02))
    assert "too small, or there is a bias" in result.sentence


def test_a_column_computed_from_the_other():
    with pytest.raises(pk.InputError, match="looks computed from the other"):
        gauge.limits_of_agreement(pairs().assign(value=lambda t: t["reference"] + 0.01))


class TestCutter:
    def drifting(self, slope=0.001, n=12, **columns) -> pd.DataFrame:
        draw = np.random.default_rng(7)
        rows = [(k, slope * k + draw.normal(0, 0.001)) for k in range(1, n + 1) for _ in range(4)]
        return pd.DataFrame(rows, columns=["part", "deviation"]).assign(**columns)

    def test_a_part_comes_back(self):
        with pytest.raises(pk.InputError, match="a part comes back after another"):
            gauge.cutter_drift(with_cell(self.drifting(), 47, "part", 1))

    def test_numbers_fall(self):
        with pytest.raises(pk.InputError, match="numbers of parts must rise"):
            gauge.cutter_drift(self.drifting().iloc[::-1])

    def test_few_parts(self):
        with pytest.raises(pk.InputError, match="too few parts of this cutter"):
            gauge.cutter_drift(self.drifting(n=5))

    def test_a_new_cutter_begins_anew(self):
        old, new = self.drifting(slope=0.01, tool="T1"), self.drifting(tool="T2").assign(part=lambda t: t["part"] + 12)
        result = gauge.cutter_drift(pd.concat([old, new]), tool="tool", upper=0.05)
        assert result.values["parts"] == 12
        assert result.values["slope"] == pytest.approx(0.001, abs=2e-4)

    def test_beyond_the_limit_now(self):
        assert "change the cutter now" in gauge.cutter_drift(self.drifting(), upper=0.005).sentence

    def test_a_curved_drift_foretells_nothing(self):
        bent = self.drifting().assign(deviation=lambda t: t["deviation"] + 1e-4 * t["part"] ** 2)
        result = gauge.cutter_drift(bent, upper=1.0)
        assert "no forecast" in result.sentence
        assert np.isnan(result.values["change_before"])


def test_every_study_is_tried_here_or_in_a_file_of_its_own():
    elsewhere = {"chance_to_miss", "bootstrap", "alignment_strategies", "fewer_touches"}
    elsewhere |= {"Scenarios", "prove", "compare"}
    assert set(STUDIES) | elsewhere == set(gauge.__all__)
