"""Gauge studies against closed forms, tables that everybody has, other libraries, and simulated processes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from thorough import count

import probekit as pk
from probekit import gauge
from probekit.gauge import spreads
from probekit.gauge.run_rules import RULES, broken

N = count(80, 200)  # simulated studies: a 95 % interval is right in 190 of 200, with a standard deviation of 3.1


@pytest.mark.parametrize(
    ("n", "d2", "d3", "c4"),
    [(2, 1.128, 0.853, 0.7979), (3, 1.693, 0.888, 0.8862), (5, 2.326, 0.864, 0.9400), (10, 3.078, 0.797, 0.9727)],
)
def test_factors_of_the_handbooks(n, d2, d3, c4):
    """ASTM E2587 and every book on control charts, from memory."""
    assert spreads.range_mean(n) == pytest.approx(d2, abs=5.1e-4)
    assert spreads.range_sd(n) == pytest.approx(d3, abs=5.1e-4)
    assert spreads.c4(n) == pytest.approx(c4, abs=5.1e-5)


def test_ranges_by_another_library():
    """The studentized range with a known sigma is the range."""
    other = stats.studentized_range(4, np.inf)
    grid = np.linspace(0, 10, 2001)
    sf = other.sf(grid)
    assert spreads.range_mean(4) == pytest.approx(np.trapezoid(sf, grid), abs=1e-5)
    assert spreads.range_mean(2) == pytest.approx(2 / np.sqrt(np.pi), abs=1e-12)  # closed form


def test_factors_of_average_and_range():
    """AIAG: K1 0.8862 and 0.5908, K2 0.7071 and 0.5231, K3 0.3146 for ten parts."""
    assert 1 / spreads.range_mean(2) == pytest.approx(0.8862, abs=5.1e-5)
    assert 1 / spreads.range_mean(3) == pytest.approx(0.5908, abs=1.1e-4)
    assert 1 / spreads.range_root(2, 1) == pytest.approx(0.7071, abs=5.1e-5)
    assert 1 / spreads.range_root(3, 1) == pytest.approx(0.5231, abs=1.1e-4)
    assert 1 / spreads.range_root(10, 1) == pytest.approx(0.3146, abs=1.1e-4)


def test_freedom_of_ranges_is_what_simulation_shows():
    rng = np.random.default_rng(0)
    x = rng.normal(size=(20_000, 30))
    moving = np.abs(np.diff(x, axis=1)).mean(axis=1)
    assert spreads.moving_freedom(30) == pytest.approx(1 / (2 * (moving.std() / moving.mean()) ** 2), rel=0.05)
    for spread, freedom in (
        (np.ptp(x.reshape(-1, 6, 5), axis=2), spreads.range_freedom(5, 6)),
        (x.reshape(-1, 6, 5).std(axis=2, ddof=1), spreads.sd_freedom(5, 6)),
    ):
        mean = spread.mean(axis=1)
        assert freedom == pytest.approx(1 / (2 * (mean.std() / mean.mean()) ** 2), rel=0.05)


def test_the_interval_of_a_ratio_is_that_of_a_tolerance_limit():
    """Mean plus k s bounds 90 % of a normal population with 95 % confidence, n = 10, k = 2.355 (tables, memory)."""
    low, _ = spreads.ratio_interval(2.355, 10, 9, 0.90)
    assert low == pytest.approx(stats.norm.ppf(0.90), abs=1e-3)


def simulated(rng, parts=10, operators=6, trials=3, sd=(1.0, 0.5, 0.3, 0.4)) -> pd.DataFrame:
    p, o, t = (one.ravel() for one in np.meshgrid(*map(np.arange, (parts, operators, trials)), indexing="ij"))
    value = sd[0] * rng.normal(size=parts)[p] + sd[1] * rng.normal(size=operators)[o]
    value = value + sd[2] * rng.normal(size=(parts, operators))[p, o] + sd[3] * rng.normal(size=len(p))
    return pd.DataFrame({"part": p, "operator": o, "trial": t, "value": value})


@pytest.mark.parametrize(("pool", "sd"), [(1.0, (1.0, 0.5, 0.3, 0.4)), (0.0, (1.0, 0.5, 0.0, 0.4))])
def test_intervals_of_a_study_hold_the_truth_as_often_as_they_say(pool, sd):
    """Share of the whole study in the total, and repeatability; the interval of the share errs on the safe side."""
    rng = np.random.default_rng(5)
    share = np.sqrt((sd[1] ** 2 + sd[2] ** 2 + sd[3] ** 2) / sum(one**2 for one in sd))
    inside = np.zeros(2)
    for _ in range(N):
        result = gauge.r_and_r(simulated(rng, sd=sd), pool_above=pool)
        row = result.table.set_index("source").loc["repeatability"]
        inside += [
            result.values["share_low"] <= share <= result.values["share_high"],
            row["low"] <= sd[3] <= row["high"],
        ]
    assert 0.905 * N <= inside.min()
    assert inside[1] <= 0.99 * N


def test_variances_are_right_on_average():
    rng = np.random.default_rng(6)
    found = np.mean(
        [gauge.r_and_r(simulated(rng, operators=8), pool_above=1).table["variance"].to_numpy() for _ in range(N)],
        axis=0,
    )
    truth = [0.16, 0.25, 0.09, 0.34, 0.50, 1.0, 1.5]  # repeatability, operator, interaction, together, GRR, part, total
    np.testing.assert_allclose(found, truth, rtol=0.1)


def test_the_mixed_model_finds_the_same_with_readings_missing():
    """A tenth of the readings taken out of a large study."""
    rng = np.random.default_rng(7)
    table = simulated(rng, parts=12, operators=5)
    whole = gauge.r_and_r(table, pool_above=1).table["variance"].to_numpy()
    mixed = gauge.r_and_r(table, method="mixed").table["variance"].to_numpy()
    np.testing.assert_allclose(mixed, whole, rtol=2e-3)  # complete, and no variance negative: the same
    some = gauge.r_and_r(table.sample(frac=0.9, random_state=1), method="mixed")
    np.testing.assert_allclose(some.table["variance"], whole, rtol=0.25)
    assert some.values["share_low"] < some.values["share"] < some.values["share_high"]


def test_one_way_by_another_library():
    rng = np.random.default_rng(8)
    groups = [rng.normal(k * 0.3, 1.0, n) for k, n in enumerate((4, 7, 5, 9))]
    table = pd.DataFrame([(k, one) for k, group in enumerate(groups) for one in group], columns=["group", "value"])
    other = stats.f_oneway(*groups)
    found = gauge.one_way(table).values
    assert [found["f"], found["p"]] == pytest.approx([other.statistic, other.pvalue], rel=1e-10)


def test_indices_of_a_type_1_study_by_hand():
    y = np.array([10.001, 10.003, 9.999, 10.002, 10.000, 10.004, 10.001, 9.998])
    v = gauge.type_1(pd.DataFrame({"value": y}), 10.0, 0.1).values
    s = y.std(ddof=1)
    assert v["cg"] == pytest.approx(0.2 * 0.1 / (6 * s))
    assert v["cgk"] == pytest.approx((0.1 * 0.1 - (y.mean() - 10)) / (3 * s))
    least = gauge.type_1(pd.DataFrame({"value": y}), 10.0, v["least_tolerance"]).values
    assert least["cgk"] == pytest.approx(1.33)
    assert v["p_bias"] == pytest.approx(stats.ttest_1samp(y, 10.0).pvalue, rel=1e-9)
    low, high = stats.ttest_1samp(y, 10.0).confidence_interval()
    assert [v["bias_low"] + 10, v["bias_high"] + 10] == pytest.approx([low, high], rel=1e-12)


def test_indices_are_covered_as_often_as_they_say():
    """Cg, Cgk of a study; Cp, Cpk, Ppk of a process, and what handbooks' intervals of Cpk do: too rarely."""
    rng = np.random.default_rng(9)
    names = ("cg", "cgk", "cp", "cpk", "pp", "ppk", "handbook cpk")
    inside = dict.fromkeys(names, 0)
    truth = {"cg": 0.2 / 0.6, "cgk": (0.1 - 0.03) / 0.3, "cp": 1.0, "cpk": 0.9, "pp": 1.0, "ppk": 0.9}
    for _ in range(N):
        v = gauge.type_1(pd.DataFrame({"value": 5.03 + 0.1 * rng.normal(size=25)}), 5.0, 1.0).values
        process = pd.DataFrame({"value": 5.03 + 0.1 * rng.normal(size=40), "hour": np.repeat(np.arange(20), 2)})
        options = {"lower": 4.7, "upper": 5.3, "subgroup": "hour"}
        v = {**v, **gauge.capability(process, **options).values}
        other = gauge.capability(process, freedom="all", **options).values
        for name in names[:-1]:
            inside[name] += v[f"{name}_low"] <= truth[name] <= v[f"{name}_high"]
        inside["handbook cpk"] += other["cpk_low"] <= 0.9 <= other["cpk_high"]
    assert all(inside[name] >= 0.905 * N for name in names[:-1]), inside
    assert inside["handbook cpk"] < 0.90 * N, inside


def test_quantiles_of_a_normal_process_are_its_sigmas():
    rng = np.random.default_rng(10)
    table = pd.DataFrame({"value": rng.normal(5, 0.1, 4000)})
    normal = gauge.capability(table, lower=4.6, upper=5.4).values
    fitted = gauge.capability(table, lower=4.6, upper=5.4, distribution="norm").values
    own = gauge.capability(table, lower=4.6, upper=5.4, distribution="empirical").values
    assert fitted["ppk"] == pytest.approx(normal["ppk"], rel=1e-3)
    assert own["ppk"] == pytest.approx(normal["ppk"], rel=0.1)
    assert fitted["outside"] == pytest.approx(normal["outside"], rel=0.02)


def test_quantiles_of_a_known_skew_process():
    """Log-normal: its quantiles of 0.135 and 99.865 % are exp(-3 s) and exp(3 s), its median 1."""
    rng = np.random.default_rng(11)
    table = pd.DataFrame({"value": rng.lognormal(0, 0.4, 3000)})
    v = gauge.capability(table, upper=4.0, distribution="lognorm").values
    assert v["ppk"] == pytest.approx((4 - 1) / (np.exp(1.2) - 1), rel=0.05)
    assert v["ppk_low"] < (4 - 1) / (np.exp(1.2) - 1) < v["ppk_high"]
    assert v["outside"] == pytest.approx(stats.norm.sf(np.log(4) / 0.4), rel=0.3)


#: The shortest series that breaks each rule at its last point and none before (in sigma).
PATTERNS = {
    1: [0.1, -0.2, 3.1],
    2: [-0.1, *[0.2, 0.1] * 4, 0.3],
    3: [-0.5, -0.3, -0.1, 0.1, 0.3, 0.5],
    4: [0.1, -0.1] * 7,
    5: [2.1, 0.0, 2.2],
    6: [1.1, 1.2, 0.0, 1.3, 1.2],
    7: [0.1, -0.1, -0.2, 0.3, 0.2] * 3,
    8: [1.5, -1.5, -1.2, 1.3, 1.1, -1.4, 1.2, -1.1],
}


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_is_broken_by_its_pattern_and_not_one_point_before(rule):
    z = np.array(PATTERNS[rule])
    found = broken(z, [rule])[rule]
    assert found[-1]
    assert not found[:-1].any()
    np.testing.assert_array_equal(broken(-z, [rule])[rule], found)
    np.testing.assert_array_equal(broken(np.stack([z, 0 * z]), [rule])[rule][0], found)


def test_average_run_length():
    """Beyond 3 sigma: once in 370 points of a normal process with known limits (every book)."""
    z = np.random.default_rng(12).normal(size=(200, 5000))
    assert 1 / broken(z, [1])[1].mean() == pytest.approx(370.4, rel=0.05)


def test_the_chance_of_a_false_alarm_is_what_charts_do():
    rng = np.random.default_rng(13)
    charts = [gauge.stability(pd.DataFrame({"value": rng.normal(size=40)})).values for _ in range(200)]
    share = np.mean([one["signals"] > 0 for one in charts])
    assert share == pytest.approx(charts[0]["false_alarm"], abs=0.1)


def test_e_n_by_hand():
    table = pd.DataFrame({"value": [10.004, 20.0], "U": 0.003, "reference": [10.0, 20.0], "U_reference": 0.004})
    result = gauge.e_n(table)
    np.testing.assert_allclose(result.table["E_n"], [0.8, 0.0], atol=1e-9)
    assert result.values["outside"] == 0


def test_deming_is_not_flattened_by_errors_of_the_reference():
    """Slope 1 on average, where least squares finds less; and covered by its interval as often as it says."""
    rng = np.random.default_rng(14)
    slopes, inside = [], 0
    for _ in range(N):
        true = rng.uniform(0, 0.2, 30)
        table = pd.DataFrame({"reference": true + rng.normal(0, 0.03, 30), "value": true + rng.normal(0, 0.02, 30)})
        v = gauge.deming(table, u=0.02, u_reference=0.03).values
        slopes.append((v["slope"], stats.linregress(table["reference"], table["value"]).slope))
        inside += v["slope_low"] <= 1 <= v["slope_high"]
    assert np.mean(slopes, axis=0)[0] == pytest.approx(1, abs=0.05)
    assert np.mean(slopes, axis=0)[1] < 0.85
    assert inside >= 0.905 * N


def test_a_wild_reading_does_not_move_the_robust_line():
    x = np.linspace(10, 20, 15)
    table = pd.DataFrame({"reference": x, "value": 0.01 + 1.001 * x})
    table.loc[14, "value"] += 1.0
    v = gauge.theil_sen(table).values
    assert [v["slope"], v["intercept"], v["wild"]] == pytest.approx([1.001, 0.01, 1], abs=1e-6)


def test_uncertainty_by_a_calibrated_part():
    """Readings in cycles that differ: a single reading scatters by both; U is right in 95 % of readings to come."""
    rng = np.random.default_rng(15)
    hits, blind = 0, 0
    for _ in range(N):
        day = np.repeat(np.arange(12), 3)
        off = 0.004 + 0.003 * rng.normal(size=12)[day] + 0.001 * rng.normal(size=36)
        table = pd.DataFrame({"value": 50 + off, "day": day})
        v = gauge.substitution(table, 50.0, 0.0, cycle="day").values
        one = 0.004 + 0.003 * rng.normal() + 0.001 * rng.normal()
        hits += abs(one + v["correction"]) <= v["U"]
        v = gauge.substitution(table[table["day"] < 3], 50.0, 0.0).values  # taken as independent
        blind += abs(one + v["correction"]) <= v["U"]
    assert 0.905 * N <= hits <= 0.995 * N
    assert blind < 0.90 * N


def test_budget_of_a_calibrated_part_by_hand():
    table = pd.DataFrame({"value": [10.001, 10.003, 10.002, 10.000, 10.004]})
    v = gauge.substitution(table, 10.0, 0.002, u_part=0.001, u_bias=0.0005).values
    s = np.sqrt(2.5) * 1e-3
    assert v["u"] == pytest.approx(np.sqrt(0.001**2 + s**2 + s**2 / 5 + 0.001**2 + 0.0005**2))
    assert v["U_uncorrected"] == pytest.approx(v["U"] + 0.002)


def test_a_drift_is_foretold():
    """The last part that is let through is beyond the limit in at most 5 % of cases, by the drift that was put in."""
    beyond, last = [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        table = pd.DataFrame(
            {"part": np.arange(1, 31), "deviation": 0.001 * np.arange(1, 31) + rng.normal(0, 0.002, 30)}
        )
        last.append(gauge.cutter_drift(table, upper=0.045).values["change_before"] - 1)
        beyond.append(stats.norm.sf((0.045 - 0.001 * last[-1]) / 0.002))
    assert np.nanmean(beyond) < 0.055
    assert np.nanmean(last) > 39  # 41.7 if the drift were known


class TestTouches:
    def plate(self, n: int, seed: int = 0) -> pd.DataFrame:
        """Points on a plate of 100 x 60 mm: a grid of squares, or random."""
        if seed:
            x, y = np.random.default_rng(seed).uniform(0, 1, (2, n)) * np.array([[100], [60]])
        else:
            step = np.sqrt(6000 / n)
            x, y = (one.ravel() for one in np.meshgrid(np.arange(step / 2, 100, step), np.arange(step / 2, 60, step)))
        return pd.DataFrame({"x0": x, "y0": y, "z0": 0.0, "i": 0.0, "j": 0.0, "k": 1.0})

    def test_random_touches_miss_as_often_as_the_closed_form_says(self):
        """(1 - p)^n, p the area where a hill (1 - t^2)^3 of 1 mm is above 0.5 mm, less what hangs over the border."""
        surface = self.plate(1500)
        radius = 20.0 * np.sqrt(1 - 0.5 ** (1 / 3))
        missed, needed = [], []
        for seed in range(1, 16):
            result = gauge.chance_to_miss(self.plate(20, seed), surface, diameters=[40.0], heights=[1.0], limit=0.5)
            missed.append(result.values["missed"])
            needed.append(result.table["random touches needed"].iloc[0])
        p = np.pi * radius**2 / 6000
        # near a border a part of the disc is off the plate: exact by sampling, and more than without borders
        rng = np.random.default_rng(3)
        centre = rng.uniform(0, 1, (4000, 2)) * [100, 60]
        inside = np.array([
            ((c + radius * disc > 0) & (c + radius * disc < [100, 60])).all(axis=1).mean()
            for c, disc in zip(centre, _discs(rng, 4000), strict=True)
        ])  # fmt: skip
        expected = ((1 - p * inside) ** 20).mean()
        assert expected > (1 - p) ** 20
        assert np.mean(missed) == pytest.approx(expected, rel=0.05)
        many = np.arange(1, 2000)
        exact = many[np.argmax([((1 - p * inside) ** n).mean() <= 0.05 for n in many])]
        assert needed[0] == pytest.approx(exact, rel=0.1)
        assert exact > pk.plan.count.touches_for_defect(p, 0.05)  # which knows of no borders

    def test_a_grid_misses_what_fits_between_its_touches_only(self):
        surface, grid = self.plate(6000, seed=1), self.plate(60)  # spacing 10: a spot of 10 sqrt(2) mm is always hit
        factor = 1 / np.sqrt(1 - 0.01 ** (1 / 3))
        options = {"heights": [1.0], "limit": 0.01}
        always = gauge.chance_to_miss(grid, surface, diameters=[1.02 * np.sqrt(2) * 10 * factor], **options)
        assert always.values["missed"] == 0
        small = gauge.chance_to_miss(grid, surface, diameters=[6.0 * factor], **options).values["missed"]
        assert small == pytest.approx(1 - np.pi * 9 / 100, abs=0.02)  # closed form: 60 discs that do not meet

    def test_a_surface_of_few_points_is_said(self):
        result = gauge.chance_to_miss(self.plate(60), self.plate(600), diameters=[8.0], heights=[1.0], limit=0.5)
        assert any("are rough" in note for note in result.notes)

    def test_a_low_defect_is_found_by_noise_only(self):
        result = gauge.chance_to_miss(self.plate(60), self.plate(600), diameters=[30.0], heights=[0.01], limit=0.02)
        assert result.values["missed"] == 1
        assert np.isinf(result.table["random touches needed"].iloc[0])
        assert any("not above the limit" in note for note in result.notes)

    def test_touches_beside_the_surface(self):
        inches = self.plate(60) / [25.4, 25.4, 1, 1, 1, 1] + [300, 0, 0, 0, 0, 0]
        with pytest.raises(pk.InputError, match="lie beside the surface"):
            gauge.chance_to_miss(inches, self.plate(600), diameters=[5.0], heights=[0.1], limit=0.05)
        with pytest.raises(pk.InputError, match="too few points to stand for a surface"):
            gauge.chance_to_miss(self.plate(60), self.plate(60), diameters=[5.0], heights=[0.1], limit=0.05)

    def deviations(self, n: int) -> pd.DataFrame:
        rng = np.random.default_rng(n)
        return pd.DataFrame({"touch": np.arange(n), "feature": "top", "deviation": rng.normal(0, 0.01, n)})

    def test_the_bootstrap_of_a_mean(self):
        """Standard error s / sqrt(n)."""
        table = self.deviations(50)
        v = gauge.bootstrap(table, lambda t: t["deviation"].mean(), draws=2000).values
        width = 2 * 1.96 * table["deviation"].std(ddof=0) / np.sqrt(50)
        assert v["high"] - v["low"] == pytest.approx(width, rel=0.06)

    def test_the_bootstrap_of_an_extreme_promises_nothing(self):
        """Plain draws would call the range certain; the surface has more than was touched."""
        result = gauge.bootstrap(self.deviations(40), lambda t: np.ptp(t["deviation"]))
        assert np.isnan(result.values["high"])
        assert "still grows with touches" in result.sentence

    def test_a_check_that_fails_on_few_touches(self):
        def fussy(table: pd.DataFrame) -> float:
            if len(table) < 30:
                raise pk.FitError("too few")
            return 1.0

        with pytest.raises(pk.FitError, match="gave no value"):
            gauge.bootstrap(self.deviations(40), fussy)
        with pytest.raises(pk.InputError, match="gives an Evaluation or a number"):
            gauge.bootstrap(self.deviations(40), lambda _: "good")

    def test_draws_follow_the_generator(self):
        def draw(seed):
            return gauge.bootstrap(
                self.deviations(40), lambda t: t["deviation"].mean(), draws=30, rng=np.random.default_rng(seed)
            ).values["low"]

        assert draw(1) == draw(1) != draw(2)


def _discs(rng: np.random.Generator, n: int):
    for _ in range(n):
        turn, away = rng.uniform(0, 2 * np.pi, 200), np.sqrt(rng.uniform(0, 1, 200))
        yield np.column_stack([away * np.cos(turn), away * np.sin(turn)])
