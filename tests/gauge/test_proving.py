"""Checks on the virtual machine, against rates in closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapes
from machine.probing_text import probing_text, targets_at
from scipy import stats

import probekit as pk
from probekit import gauge
from probekit.gauge.proving import _paired

PART = shapes.box()
SIGMA, LIMIT = 0.002, 0.006


def scenarios(**changes) -> gauge.Scenarios:
    """Twelve touches on the top; the fault is material left on all over it."""
    x, y = (one.ravel() for one in np.meshgrid([-24.0, -8.0, 8.0, 24.0], [-12.0, 0.0, 12.0]))
    at = targets_at(np.column_stack([x, y, np.full(12, 10.0)]), np.tile([0.0, 0.0, 1.0], (12, 1)), "top")
    given = {
        "program": probing_text(at),
        "how": pk.deviation.Projection(PART, stylus=3.0),
        "probe": 6.0,
        "good": lambda _: PART,
        "faults": {"thick": lambda size, _: pk.machine.AsMade(PART, offset={"top": size})},
        "sizes": {"thick": (0.003, 0.005, 0.02)},
        "errors": (pk.machine.errors.Repeatability(SIGMA),),
    }
    return gauge.Scenarios(**given | changes)


def one_touch(table: pd.DataFrame) -> bool:
    return bool(table["deviation"].iloc[0] > LIMIT)


def any_touch(table: pd.DataFrame) -> bool:
    return bool(table["deviation"].max() > LIMIT)


@pytest.fixture(scope="module")
def proved():
    return gauge.prove(any_touch, scenarios(), runs=60, seed=3)


def test_rates_are_those_of_the_normal_distribution(proved):
    """Of twelve independent touches one is beyond the limit with the chance 1 - Phi^12."""
    table = proved.table
    assert list(table["fault"]) == ["good", "thick", "thick", "thick"]
    for row in table.itertuples():
        truth = 1 - stats.norm.cdf((LIMIT - row[2]) / SIGMA) ** 12
        assert row.low - 1e-9 <= truth <= row.high + 1e-9
        exact = stats.beta.ppf([0.025], row.alarms, row.parts - row.alarms + 1) if row.alarms else [0.0]
        assert row.low == pytest.approx(exact[0], abs=1e-9)
    assert proved.values["smallest thick"] == 0.005  # 56 % at 0.003, 98.8 % at 0.005
    assert "from 0.005 on" in proved.sentence


def test_the_same_seed_gives_the_same_parts():
    once, again = (gauge.prove(any_touch, scenarios(), runs=10, seed=3) for _ in range(2))
    pd.testing.assert_frame_equal(once.table, again.table)
    assert once.sentence == again.sentence
    a, b, c = (
        next(scenarios(sizes={"thick": sizes}).tables("thick", 0.005, 1, seed))["deviation"].to_numpy()
        for sizes, seed in (((0.005,), 1), ((0.003, 0.005), 1), ((0.005,), 2))
    )
    np.testing.assert_array_equal(a, b)
    assert (a != c).any()


def test_a_larger_fault_stands_on_the_same_part():
    small, large = (next(scenarios().tables("thick", size, 1, 5))["deviation"].to_numpy() for size in (0.003, 0.02))
    np.testing.assert_allclose(large - small, 0.017, atol=2e-4)  # the results have four decimals


def test_few_parts_prove_nothing():
    """Ten of ten found: at least 69 %, not 90."""
    result = gauge.prove(any_touch, scenarios(sizes={"thick": (0.05,)}), runs=10)
    assert result.table["rate"].iloc[1] == 1
    assert np.isnan(result.values["smallest thick"])
    assert "not proved to be found" in result.sentence
    assert result.table["high"].iloc[0] > 0.3


def test_two_checks_on_the_same_parts():
    result = gauge.compare(any_touch, one_touch, scenarios(sizes={"thick": (0.004,)}), runs=60)
    of = result.table.set_index("fault").loc["thick"]
    assert of["other alone"] == 0  # one touch is one of the twelve
    assert of["one alone"] == of["one"] - of["other"]
    assert of["p"] == pytest.approx(2 * 0.5 ** of["one alone"])
    assert "thick: one marks more" in result.sentence
    same = gauge.compare(any_touch, any_touch, scenarios(sizes={"thick": (0.004,)}), runs=10)
    assert same.values["p thick"] == 1
    assert "no difference proved" in same.sentence


def test_the_interval_of_a_difference_covers_it():
    """Pairs that are marked by one alone with 20 %, by the other alone with 10 %."""
    rng, inside = np.random.default_rng(1), 0
    for _ in range(500):
        kind = rng.choice(4, 60, p=[0.2, 0.1, 0.3, 0.4])
        *_, low, high, _ = _paired((kind == 0) | (kind == 2), (kind == 1) | (kind == 2), 0.95)
        inside += low <= 0.1 <= high
    assert 0.92 * 500 <= inside <= 0.98 * 500


def test_an_evaluation_is_judged_by_its_width():
    def thin(table: pd.DataFrame) -> object:
        return pk.tolerance.profile(table, 0.02, features=["top"])

    result = gauge.prove(thin, scenarios(sizes={"thick": (0.001, 0.03)}), runs=40)
    assert list(result.table["alarms"]) == [0, 0, 40]
    assert result.values["smallest thick"] == 0.03


def test_a_check_without_an_answer_finds_nothing():
    def moody(table: pd.DataFrame) -> bool:
        if table["deviation"].iloc[0] > 0:
            raise pk.FitError("no")
        return True

    result = gauge.prove(moody, scenarios(sizes={"thick": (0.05,)}), runs=10)
    assert result.table["failed"].iloc[1] == 10
    assert result.table["alarms"].iloc[1] == 0
    assert any("gave no answer" in note for note in result.notes)


def test_a_check_cannot_change_what_the_next_one_sees():
    def spoils(table: pd.DataFrame) -> bool:
        table["deviation"] = 1.0
        return False

    result = gauge.compare(spoils, any_touch, scenarios(sizes={"thick": (0.001,)}), runs=10)
    assert result.table["other"].sum() < 10


@pytest.mark.parametrize("answer", [1.0, "good", None, 1])
def test_an_answer_that_is_none(answer):
    with pytest.raises(pk.InputError, match="True, False or an Evaluation"):
        gauge.prove(lambda _: answer, scenarios(), runs=10)


def test_scenarios_that_cannot_be():
    with pytest.raises(pk.InputError, match="do not name the same"):
        scenarios(sizes={"thin": (0.1,)})
    for sizes in ((), (0.0, 0.1), (0.1, 0.1), (-0.1,)):
        with pytest.raises(pk.InputError, match="sizes of a fault are not usable"):
            scenarios(sizes={"thick": sizes})
    with pytest.raises(pk.InputError, match="number of parts is not usable"):
        gauge.prove(any_touch, scenarios(), runs=5)
    with pytest.raises(pk.InputError, match=r"the machine stopped on part 1 with thick -?\d"):
        gauge.prove(any_touch, scenarios(sizes={"thick": (10.0,)}), runs=10)


def test_prints_in_one_line(proved):
    for one in (proved, scenarios()):
        assert len(repr(one)) < 400
        assert "\n" not in repr(one)
    assert "<svg" in proved._repr_html_()
