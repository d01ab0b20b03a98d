"""Gauge studies against published data: results quoted by open packages and test suites, unless a test says otherwise.

The books, papers and manuals themselves were not at hand. Where what is quoted is not right, the test says so.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from probekit import gauge

DATA = Path(__file__).parent / "data"


def read(name: str, **options) -> pd.DataFrame:
    return pd.read_csv(DATA / f"{name}.csv", comment="#", **options)


def squares(result) -> pd.Series:
    return result.tables["analysis of variance"].set_index("source")["ss"]


def variances(result) -> pd.Series:
    return result.table.set_index("source")["variance"]


class TestAIAG:
    """AIAG, Measurement Systems Analysis, 4th ed.: 10 parts, 3 appraisers, 3 trials."""

    def study(self, **options):
        return gauge.r_and_r(read("aiag_msa4_grr"), operator="appraiser", trial="trial", **options)

    def test_sums_of_squares(self):
        """Computed from the quoted data: 88.361934, 3.167262, 0.358982, 2.758933."""
        found = squares(self.study(pool_above=1))
        for source, value in (
            ("part", 88.361934),
            ("operator", 3.167262),
            ("interaction", 0.358982),
            ("repeatability", 2.758933),
        ):
            assert found[source] == pytest.approx(value, abs=5e-7)

    def test_pooled(self):
        """Variances 0.0400, 0.0515, 1.086, 0.0914; GRR 27.86 % of the total; ndc 4.86, which is 4."""
        result = self.study()
        found = variances(result)
        assert found["repeatability"] == pytest.approx(0.0399733, abs=5e-8)
        assert found["reproducibility"] == pytest.approx(0.0514553, abs=5e-8)
        assert found["part"] == pytest.approx(1.0864466, abs=5e-8)
        assert found["grr"] == pytest.approx(0.0914285, abs=6e-8)
        assert result.values["share"] == pytest.approx(0.278607, abs=5e-7)
        assert result.values["ndc_exact"] == pytest.approx(4.8605, abs=5e-5)
        assert result.values["ndc"] == 4
        assert set(result.tables["analysis of variance"]["against"]) == {"repeatability", ""}

    def test_not_pooled(self):
        """Computed: 0.0459822, negative interaction set to zero, 0.0521229, 1.0886721."""
        result = self.study(pool_above=1)
        found = variances(result)
        assert found["repeatability"] == pytest.approx(0.0459822, abs=5e-8)
        assert found["interaction"] == 0
        assert found["operator"] == pytest.approx(0.0521229, abs=5e-8)
        assert found["part"] == pytest.approx(1.0886721, abs=5e-8)
        assert any("interaction came out negative" in note for note in result.notes)
        against = result.tables["analysis of variance"].set_index("source")["against"]
        assert dict(against) == {
            "part": "interaction", "operator": "interaction", "interaction": "repeatability", "repeatability": "",
        }  # fmt: skip

    def test_average_and_range(self):
        """EV 0.202, AV 0.230, GRR 0.306, PV 1.105, TV 1.146, 26.68 %, ndc 5."""
        result = self.study(method="range")
        v = result.values
        found = [v["repeatability"], v["reproducibility"], v["grr"], v["part"], v["total"]]
        np.testing.assert_allclose(found, [0.202, 0.230, 0.306, 1.105, 1.146], atol=6e-4)
        assert 100 * v["share"] == pytest.approx(26.68, abs=0.01)
        assert v["ndc"] == 5

    def test_mixed_model_equals_the_pooled_analysis(self):
        """As it must where the table is complete and the interaction is zero."""
        pooled, mixed = variances(self.study()), variances(self.study(method="mixed"))
        np.testing.assert_allclose(mixed, pooled, rtol=1e-4, atol=1e-9)

    def test_a_study_of_three_operators_proves_nothing(self):
        """The published 27.9 % is one number; with 2 degrees of freedom for operators, 15 to 80 % are possible."""
        v = self.study().values
        assert v["share_low"] < 0.2
        assert v["share_high"] > 0.6
        assert "does not prove" in self.study().sentence


class TestCano2012:
    """E. L. Cano, J. M. Moguerza, A. Redchuk, Six Sigma with R, ch. 5; part and operator against the interaction."""

    def study(self, **options):
        return gauge.r_and_r(read("grr_cano2012"), value="time1", part="prototype", trial="run", **options)

    def test_complete(self):
        table = self.study(pool_above=1).tables["analysis of variance"].set_index("source")
        np.testing.assert_allclose(table["ss"], [1.2007, 0.0529, 0.0834, 0.3854], atol=6e-5)
        np.testing.assert_allclose(table["f"][:3], [28.797, 1.270, 0.974], atol=6e-4)
        np.testing.assert_allclose(table["p"][:3], [0.00422, 0.37415, 0.44619], atol=6e-6)

    def test_pooled(self):
        result = self.study()
        found = result.table.set_index("source")
        names = ["grr", "repeatability", "reproducibility", "operator", "part", "total"]
        np.testing.assert_allclose(
            found.loc[names, "variance"], [0.0219, 0.0213, 0.0006, 0.0006, 0.0643, 0.0862], atol=6e-5
        )
        np.testing.assert_allclose(found.loc[names, "% of variance"][:5], [25.38, 24.71, 0.67, 0.67, 74.62], atol=6e-3)
        sd = [0.14792656, 0.14597518, 0.02394813, 0.02394813, 0.25365123, 0.29363449]
        np.testing.assert_allclose(found.loc[names, "sd"], sd, atol=6e-9)
        np.testing.assert_allclose(found.loc[names, "% of total sd"][:5], [50.38, 49.71, 8.16, 8.16, 86.38], atol=6e-3)
        assert result.values["ndc"] == 2


CERTIFIED = {  # between: df, SS, MS, F; within: df, SS, MS; R squared; residual sd
    "SiRstv": (4, 5.11462616e-2, 1.27865654e-2, 1.18046237440255, 20, 2.1663656e-1, 1.0831828e-2,
               1.90999039051129e-1, 1.04076068334656e-1),
    "AtmWtAg": (1, 3.638341875e-9, 3.638341875e-9, 1.59467335677930e1, 46, 1.04951729166667e-8, 2.28155932971014e-10,
                2.57426544538321e-1, 1.51048314446410e-5),
    "SmLs01": (8, 1.68, 0.21, 21.0, 180, 1.8, 0.01, 4.82758620689655e-1, 0.1),
}  # fmt: skip


@pytest.mark.parametrize("name", CERTIFIED)
def test_nist_analysis_of_variance(name):
    """NIST StRD, certified, to nine digits."""
    result = gauge.one_way(read(f"nist_anova_{name}"), value="response", group="treatment")
    between, within = result.table.iloc[0], result.table.iloc[1]
    found = [between["df"], between["ss"], between["ms"], between["f"], within["df"], within["ss"], within["ms"]]
    found += [result.values["r_squared"], result.values["within"]]
    np.testing.assert_allclose(found, CERTIFIED[name], rtol=1e-9)


def test_nist_analysis_of_variance_far_from_zero():
    """NIST StRD, SmLs07: 10^12 + 0.4. Double precision keeps four digits of it; we lose none of those that are left.

    The exact result of the numbers as they are stored is computed in fractions.
    """
    table = read("nist_anova_SmLs07")
    result = gauge.one_way(table, value="response", group="treatment")
    np.testing.assert_allclose(result.table["ms"], [0.21, 0.01], rtol=1e-4)  # certified
    exact = [Fraction(value) for value in table["response"]]
    groups = [[x for x, g in zip(exact, table["treatment"], strict=True) if g == k] for k in range(1, 10)]
    mean = [sum(group) / len(group) for group in groups]
    grand = sum(exact) / len(exact)
    between = sum(len(g) * (m - grand) ** 2 for g, m in zip(groups, mean, strict=True)) / 8
    within = sum((x - m) ** 2 for g, m in zip(groups, mean, strict=True) for x in g) / 180
    np.testing.assert_allclose(result.table["ms"], [float(between), float(within)], rtol=1e-9)


@pytest.mark.parametrize(("whole", "digits"), [(1_000_000, 5e-9), (10_000_000, 5e-8)])
def test_nist_numerical_accuracy(whole, digits):
    """NIST StRD, NumAcc3 and NumAcc4, certified: mean .2, standard deviation 0.1 exactly, as far as doubles hold it."""
    readings = [whole + 0.2, *[whole + 0.1, whole + 0.3] * 500]
    v = gauge.type_1(pd.DataFrame({"value": readings}), whole + 0.2, 10.0).values
    assert v["mean"] == pytest.approx(whole + 0.2, rel=1e-14)
    assert v["sd"] == pytest.approx(0.1, rel=digits)


def test_nist_norris():
    """NIST StRD, certified, to nine digits; the line of the bias is that of the readings less one."""
    v = gauge.linearity(read("nist_norris"), value="y", reference="x").values
    assert v["intercept"] == pytest.approx(-0.262323073774029, rel=1e-9)
    assert v["slope"] + 1 == pytest.approx(1.00211681802045, rel=1e-12)
    assert v["u_intercept"] == pytest.approx(0.232818234301152, rel=1e-9)
    assert v["u_slope"] == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert v["sd"] == pytest.approx(0.884796396144373, rel=1e-9)


def test_zener_voltage():
    """JCGM 100, H.5: ten days of five readings. Mean 10.000097, s of daily means 57 uV, within 85 uV, F 2.25."""
    mean = [
        10.000172,
        10.000116,
        10.000013,
        10.000144,
        10.000106,
        10.000031,
        10.000060,
        10.000125,
        10.000163,
        10.000041,
    ]
    sd = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]
    unit = stats.zscore(np.arange(5.0), ddof=1)  # five readings with the daily mean and standard deviation
    rows = [(day, m + 1e-6 * s * one) for day, (m, s) in enumerate(zip(mean, sd, strict=True)) for one in unit]
    result = gauge.one_way(pd.DataFrame(rows, columns=["day", "value"]), group="day")
    v = result.values
    assert v["mean"] == pytest.approx(10.000097, abs=5e-7)
    assert v["u_mean"] * np.sqrt(10) == pytest.approx(57e-6, abs=5e-7)
    assert v["within"] == pytest.approx(85e-6, abs=5e-7)
    assert v["f"] == pytest.approx(2.25, abs=0.02)


def flow_width() -> pd.DataFrame:
    return read("montgomery_flow_width").melt("subgroup", value_name="value").sort_values("subgroup", kind="stable")


def test_flow_width():
    """Montgomery, example 6.1: grand mean 1.5056104, mean range 0.325208, Cp 1.192058, Cpk 1.178682, d2 2.326."""
    chart = gauge.stability(flow_width(), subgroup="subgroup").values
    assert chart["centre"] == pytest.approx(1.5056104, abs=5e-8)
    assert chart["spread_centre"] == pytest.approx(0.325208, abs=5e-7)
    assert chart["signals"] == 0
    found = gauge.capability(flow_width(), lower=1.0, upper=2.0, subgroup="subgroup").values
    rounded = 2.326 / 2.32592894
    assert found["within"] == pytest.approx(0.1398143 * rounded, rel=1e-6)
    assert found["cp"] * rounded == pytest.approx(1.192058, abs=1e-6)
    assert found["cpk"] * rounded == pytest.approx(1.178682, abs=1e-6)


def rings() -> pd.DataFrame:
    table = read("capability_pistonrings")
    return table[table["sample"] <= 25]


def test_piston_rings_chart():
    """Centre 74.00118, sigma 0.009785039, limits 73.98805 and 74.0143."""
    chart = gauge.stability(rings(), value="diameter", subgroup="sample").values
    assert chart["centre"] == pytest.approx(74.00118, abs=5e-6)
    assert chart["sigma"] == pytest.approx(0.009785039, rel=5e-5)  # quoted with d2 of 2.326
    assert chart["lower"] == pytest.approx(73.98805, abs=5e-6)
    assert chart["upper"] == pytest.approx(74.0143, abs=5e-5)
    assert chart["signals"] == 0


@pytest.mark.parametrize(
    ("limits", "quoted"),
    [
        (
            (73.95, 74.05),
            {
                "cp": (1.703, 1.491, 1.915),
                "cpl": (1.743, 1.555, 1.932),
                "cpu": (1.663, 1.483, 1.844),
                "cpk": (1.663, 1.448, 1.878),
            },
        ),
        ((73.99, 74.01), {"cp": (0.3407, 0.2983, 0.3830), "cpk": (0.3006, 0.2312, 0.3700)}),
    ],
)
def test_piston_rings_capability(limits, quoted):
    """Quoted with intervals that count all readings; a mean range has fewer degrees of freedom."""
    options = {"value": "diameter", "subgroup": "sample", "lower": limits[0], "upper": limits[1]}
    v = gauge.capability(rings(), freedom="all", **options).values
    for name, three in quoted.items():
        assert [v[name], v[f"{name}_low"], v[f"{name}_high"]] == pytest.approx(
            three, abs=6e-4 if three[0] > 1 else 7e-5
        )
    right = gauge.capability(rings(), **options).values
    assert right["cpk"] == v["cpk"]
    assert right["cpk_low"] < v["cpk_low"]


def test_piston_rings_about_the_target():
    """Cpm 1.691 (1.480, 1.902) and 0.3382; the quoting package lacks a square in the freedom of Boyles."""
    options = {"value": "diameter", "subgroup": "sample", "freedom": "all"}
    v = gauge.capability(rings(), lower=73.95, upper=74.05, **options).values
    assert v["cpm"] == pytest.approx(1.691, abs=5e-4)
    off = ((v["mean"] - 74.0) / v["within"]) ** 2
    for df, quoted in ((125 * (1 + off) / (1 + 2 * off), True), (125 * (1 + off) ** 2 / (1 + 2 * off), False)):
        low, high = v["cpm"] * np.sqrt(stats.chi2.ppf([0.025, 0.975], df) / df)
        assert (abs(low - 1.480) < 6e-4 and abs(high - 1.902) < 6e-4) == quoted
        assert ([low, high] == pytest.approx([v["cpm_low"], v["cpm_high"]], rel=1e-9)) != quoted
    assert gauge.capability(rings(), lower=73.99, upper=74.01, **options).values["cpm"] == pytest.approx(
        0.3382, abs=5e-5
    )


def test_bottle_strength():
    """Montgomery, 8.2.2: mean 262.9, s 38.127, recomputed. The published table is sorted, so nothing is told of Cpk."""
    result = gauge.capability(read("montgomery_bottle_strength"), lower=200.0)
    assert result.values["mean"] == pytest.approx(262.9, abs=5e-2)
    assert result.values["overall"] == pytest.approx(38.127, abs=5e-4)
    assert result.values["ppk"] == pytest.approx((262.9 - 200) / (3 * 38.127), abs=1e-3)
    assert "cpk" not in result.values
    assert any("sorted" in note for note in result.notes)


def test_bland_altman():
    """First readings of both meters: mean -2.1, s 38.8 l/min; with 2 s, limits -79.7 and 75.5 (paper, from memory).

    Standard errors from memory: 9.4 of the mean, 16.3 of a limit, by s sqrt(3/n); ours are exact, so only near them.
    """
    table = read("agreement_bland_altman_1986")
    options = {"value": "wright_1", "reference": "mini_1", "name": "subject"}
    v = gauge.limits_of_agreement(table, part=2 * stats.norm.cdf(2) - 1, **options).values
    assert v["mean"] == pytest.approx(-2.117647, abs=5e-7)
    assert v["sd"] == pytest.approx(38.765130, abs=5e-7)
    assert [v["lower"], v["upper"]] == pytest.approx([-79.6479, 75.4126], abs=5e-5)
    assert (v["mean_high"] - v["mean_low"]) / 2 == pytest.approx(stats.t.ppf(0.975, 16) * 9.4, rel=5e-3)
    assert (v["upper_high"] - v["upper_low"]) / 2 == pytest.approx(stats.t.ppf(0.975, 16) * 16.3, rel=0.1)


@pytest.mark.parametrize(
    ("value", "reference", "u", "intercept", "slope"),
    [
        ("aes", "aas", 1.0, 0.544, 0.845),
        ("aas", "aes", 1.0, -0.299, 1.089),
        ("aes", "aas", "se.aes", 0.005, 0.890),
        ("aas", "aes", "se.aas", -0.167, 0.631),
    ],
)
def test_ripley_and_thompson_without_errors_in_x(value, reference, u, intercept, slope):
    """Analyst 112 (1987) 377-383: least squares and weighted least squares, each way round."""
    table = read("deming_ripley_thompson_1987")
    v = gauge.deming(table, value=value, reference=reference, u=u, u_reference=0.0).values
    assert [v["intercept"], v["slope"]] == pytest.approx([intercept, slope], abs=6e-4)


def test_ripley_and_thompson_with_both_errors():
    """Maximum likelihood: 0.106448 + 0.973 x, mean scaled squared residual 1.27 (over all 30 points)."""
    table = read("deming_ripley_thompson_1987")
    v = gauge.deming(table, value="aes", reference="aas", u="se.aes", u_reference="se.aas").values
    assert v["intercept"] == pytest.approx(0.106448, abs=1e-5)
    assert v["slope"] == pytest.approx(0.973, abs=2e-5)
    assert v["scaled"] * 28 / 30 == pytest.approx(1.27, abs=5e-3)
    odr_fit = pytest.importorskip("odrpack").odr_fit
    x, y = table["aas"].to_numpy(), table["aes"].to_numpy()
    weights = {"weight_x": 1 / table["se.aas"].to_numpy() ** 2, "weight_y": 1 / table["se.aes"].to_numpy() ** 2}
    other = odr_fit(lambda x, b: b[0] + b[1] * x, x, y, np.array([0.0, 1.0]), **weights)
    np.testing.assert_allclose([v["intercept"], v["slope"]], other.beta, rtol=1e-5)
    np.testing.assert_allclose([v["u_intercept"], v["u_slope"]], np.sqrt(np.diag(other.cov_beta)), rtol=1e-4)


def test_sen():
    """P. K. Sen 1968: slope 4, intercept 6, interval 26/7 to 35/8 with 93 %."""
    v = gauge.theil_sen(read("theil_sen_sen1968"), value="y", reference="t", level=0.93).values
    assert [v["slope"], v["intercept"]] == pytest.approx([4, 6])
    assert [v["slope_low"], v["slope_high"]] == pytest.approx([26 / 7, 35 / 8])
