"""What touches share, for tables with and without the columns that say it; kernels against the full matrix."""

from __future__ import annotations

import io
import time

import numpy as np
import pandas as pd
import pytest
from uncertainty.worked import budget_of, part

from probekit import InputError
from probekit.uncertainty import read, touches
from probekit.uncertainty.kernel import DIRECTION, LEFT, PLACE, by_direction, by_place

HOT = read({"budget": {}})  # everything assumed


def some(n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    place, normal = rng.uniform(-100, 100, (n, 3)) * [1, 0.6, 0.3], rng.normal(size=(n, 3))
    normal[:, 2] = np.abs(normal[:, 2])
    return place, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def table_of(n: int) -> pd.DataFrame:
    place, normal = some(n)
    columns = dict(zip(["foot_x", "foot_y", "foot_z", "nx", "ny", "nz"], np.hstack([place, normal]).T, strict=True))
    return pd.DataFrame({"touch": np.arange(n), "feature": "skin", "deviation": 0.0, **columns})


@pytest.mark.parametrize("n", [1, 2, 60, 1200])
def test_kernels_are_those_of_the_full_matrix(n):
    """Against the n x n matrix of the formula; what the factors leave out is kept as own, so that each u is exact."""
    place, normal = some(n)
    apart = ((place[:, None] - place[None]) ** 2).sum(axis=2)
    stylus = np.arange(n) % 2
    wanted = {
        "place": (4.0 * np.exp(-apart / 2 / PLACE**2) * (normal @ normal.T), by_place(place, normal, 2.0)),
        "direction": (
            4.0 * np.exp((normal @ normal.T - 1) / DIRECTION) * (stylus[:, None] == stylus[None]),
            by_direction(normal, stylus, 2.0),
        ),
    }
    for full, (factors, rest) in wanted.values():
        made = factors @ factors.T
        np.testing.assert_allclose(np.diag(made) + rest**2, np.diag(full), rtol=1e-12)
        np.testing.assert_allclose(made, full, atol=4.0 * LEFT * 1.001)
        assert factors.shape[1] <= min(n, 450)


def test_five_thousand_touches_take_seconds():
    start = time.perf_counter()
    scatter = touches(table_of(5000), HOT)
    assert time.perf_counter() - start < 20  # 2 s alone; the machine is shared
    assert scatter.factors.shape[1] < 700
    assert np.isfinite(scatter.u).all()
    np.testing.assert_allclose(scatter.u[:50].mean(), touches(table_of(5000).iloc[:50], HOT).u.mean(), rtol=0.3)


@pytest.mark.parametrize("n", [0, 1])
def test_no_touch_and_one_touch(n):
    scatter = touches(table_of(2).iloc[:n], HOT)
    assert scatter.u.shape == (n,)
    assert (scatter.u > 0.002).all()


def test_a_table_that_went_through_csv_gives_the_same():
    table = part().assign(time=np.linspace(0, 600, 148))
    again = pd.read_csv(io.StringIO(table.to_csv(index=False)))
    merged = table.merge(again[["touch", "time"]], on="touch", suffixes=("", "_2"))
    first = touches(table, budget_of("worn"), datums=("A",))
    for other in (again, merged):
        got = touches(other, budget_of("worn"), datums=("A",))
        assert set(got.causes) == set(first.causes)
        np.testing.assert_allclose(got.covariance(), first.covariance(), rtol=0, atol=1e-4 * first.u.max() ** 2)
        np.testing.assert_allclose(got.u, first.u, rtol=1e-9)


def test_time_of_each_touch_comes_from_its_column_in_any_form():
    table = part()
    seconds = np.linspace(100.0, 700.0, len(table))[::-1]
    dates = pd.Timestamp("2026-03-01 08:00") + pd.to_timedelta(seconds, unit="s")
    drift = {}
    for name, column in {
        "numbers": seconds,
        "dates": dates,
        "text": dates.strftime("%Y-%m-%dT%H:%M:%S.%f"),
        "text of numbers": seconds.astype(str),
        "durations": pd.to_timedelta(seconds, unit="s"),
        "times of the day": dates.strftime("%H:%M:%S.%f"),
        "categories": pd.Categorical(dates.strftime("%Y-%m-%d %H:%M:%S.%f")),
    }.items():
        scatter = touches(table.assign(time=column), HOT)
        assert not [note for note in scatter.notes if "time" in note]
        drift[name] = scatter.factors[:, [k for k, one in enumerate(scatter.causes) if one == "drift"]]
        np.testing.assert_allclose(drift[name], drift["numbers"], atol=1e-9)
    normal = table[["nx", "ny", "nz"]].to_numpy()
    np.testing.assert_allclose(
        drift["numbers"], 7e-3 / np.sqrt(3) * np.linspace(1, 0, 148)[:, None] * normal, atol=1e-12
    )


@pytest.mark.parametrize("column", [None, ["x"] * 148, [np.nan] * 148, [1.0] * 147 + [np.nan]])
def test_without_times_the_order_of_the_table_is_taken_and_said(column):
    table = part() if column is None else part().assign(time=column)
    scatter = touches(table, HOT)
    assert any("order" in note and "time" in note for note in scatter.notes)
    assert "drift" in scatter.causes


def test_all_at_one_time_do_not_drift():
    assert "drift" not in touches(part().assign(time=5.0), HOT).causes


def test_each_stylus_has_its_own_radius_and_its_own_error_by_direction():
    table = part().assign(tip=lambda t: np.where(t["feature"] == "B", 1, 0))
    scatter = touches(table, HOT)
    assert scatter.causes.count("effective radius") == 2
    only = scatter.less(*set(scatter.causes) - {"effective radius", "probe by direction"})
    b = (table["feature"] == "B").to_numpy()
    assert np.abs(only.factors[b] @ only.factors[~b].T).max() < 1e-15
    lost = table.assign(tip=table["tip"].where(table["touch"] > 3))  # a stylus that is not known is one of its own
    assert touches(lost, HOT).causes.count("effective radius") == 3


def test_pivot_and_index_count_against_the_pose_of_the_datums():
    table = part()
    scatter = touches(table, HOT, datums=("A", "B", "C"))
    of = {name: [k for k, one in enumerate(scatter.causes) if one == name] for name in ("pivot", "index")}
    assert len(of["pivot"]) == 6  # two further poses
    level = (table["angle_a"] == 0).to_numpy()
    for columns in of.values():
        assert not scatter.factors[level][:, columns].any()
        assert scatter.factors[~level][:, columns].any()
    turned = touches(table.drop(columns="angle_a"), HOT, datums=("A", "B", "C"))  # poses from the turn
    np.testing.assert_array_equal(turned.factors, scatter.factors)
    tilted = touches(table, HOT, datums=("skin",))  # datums in a tilted pose: then the level ones are off
    assert tilted.factors[level][:, [k for k, one in enumerate(tilted.causes) if one == "pivot"]].any()


def test_one_pose_has_no_error_of_pose_and_a_table_without_poses_says_so():
    one = touches(part().assign(angle_a=30.0), HOT)
    assert "pivot" not in one.causes
    bare = touches(part().drop(columns=["angle_a", "turn_x", "turn_y", "turn_z"]), HOT)
    assert "pivot" not in bare.causes
    assert any("one pose" in note for note in bare.notes)
    assert not any("one pose" in note for note in one.notes)


def test_angles_that_are_read_back_are_those_of_the_same_poses():
    """A position is never read quite alike: touches of one pose share its pivot and index none the less."""
    angles, rng = part()["angle_a"], np.random.default_rng(4)
    as_told = touches(part(), HOT, datums=("A", "B", "C"))
    read_back = part().assign(angle_a=(angles + rng.normal(0.0, 5e-4, len(angles)) - 360.0).round(4))
    found = touches(read_back, HOT, datums=("A", "B", "C"))
    np.testing.assert_allclose(found.covariance(), as_told.covariance(), atol=1e-15)


def test_the_column_u_takes_the_place_of_the_own_part_and_keeps_what_is_common():
    table = part().assign(u=lambda t: np.where(t["touch"] <= 12, 0.05, np.nan))
    with_u, without = touches(table, HOT), touches(part(), HOT)
    first = np.arange(148) < 12
    np.testing.assert_allclose(with_u.own[first], 0.05, rtol=1e-3)
    np.testing.assert_array_equal(with_u.own[~first], without.own[~first])
    np.testing.assert_array_equal(with_u.factors, without.factors)
    with pytest.raises(InputError, match="negative"):
        touches(table.assign(u=-0.001), HOT)


def test_form_that_few_touches_do_not_see_counts_on_datums_only():
    scatter = touches(part(), HOT, datums=("A",))
    a = (part()["feature"] == "A").to_numpy()
    np.testing.assert_allclose(scatter.own_causes["form not seen"], np.where(a, 0.010 / np.sqrt(12), 0.0))
    without = scatter.less("form not seen")
    np.testing.assert_allclose(without.own, touches(part(), HOT).own, rtol=1e-12)
    with pytest.raises(InputError, match="no touch is on this datum"):
        touches(part(), HOT, datums=("Q",))


def test_a_touch_without_a_foot_is_taken_where_it_was_aimed():
    table = part()
    for k, name in enumerate(("x0", "y0", "z0", "i", "j", "k")):
        table[name] = table[["foot_x", "foot_y", "foot_z", "nx", "ny", "nz"][k]]
    lost = table.copy()
    lost.loc[[3, 100], ["foot_x", "foot_y", "foot_z", "nx", "ny", "nz"]] = np.nan
    np.testing.assert_allclose(touches(lost, HOT).u, touches(table, HOT).u, rtol=1e-9)
    neither = touches(lost.drop(columns=["x0", "y0", "z0"]), HOT)
    assert np.isfinite(neither.u).all()
    assert not neither.factors[3].any()


def test_what_is_assumed_and_what_is_not_corrected_is_handed_on():
    hot = touches(part(), budget_of("hot"))
    assert any("not corrected" in note and "+92 um per metre" in note for note in hot.notes)
    assert hot.assumed == ()
    nothing = touches(part(), HOT)
    assert {"probe repeatability", "scales", "part temperature"} <= set(nothing.assumed)
    assert any("20 ± 10 °C is assumed" in note for note in nothing.notes)
    assert nothing.of(np.arange(3)).assumed == nothing.assumed


@pytest.mark.parametrize(
    ("changes", "options", "message"),
    [
        ({"angle_a": "x"}, {}, "angle_a.*no number"),
        ({"u": "x"}, {}, "'u'.*no number"),
        ({"u": np.inf}, {}, "finite, or left empty"),
        ({"nz": 5.0}, {}, "no unit vector"),
        ({}, {"about": (1.0, 2.0)}, "three numbers"),
        ({}, {"about": (1.0, 2.0, np.nan)}, "three numbers"),
    ],
)
def test_a_table_that_cannot_be_is_refused(changes, options, message):
    with pytest.raises(InputError, match=message):
        touches(part().assign(**changes), HOT, **options)


@pytest.mark.parametrize(
    "changes",
    [
        {"tip": ["a", "b"] * 74},
        {"tip": pd.array([1, None] * 74, dtype="Int64")},
        {"feature": np.nan},
        {"angle_a": np.nan},
    ],
)
def test_odd_columns_that_can_be_are_taken(changes):
    assert np.isfinite(touches(part().assign(**changes), HOT).u).all()


def test_a_part_far_from_its_origin_is_no_more_uncertain():
    """Coordinates of an aircraft: nothing on a part of 200 mm depends on where its origin is."""
    far = part().assign(foot_x=lambda t: t["foot_x"] + 5000.0, foot_y=lambda t: t["foot_y"] - 12000.0)
    np.testing.assert_allclose(touches(far, HOT).u, touches(part(), HOT).u, rtol=1e-6)
