"""What earlier parts tell: closed forms, what is refused, and a part that is not one of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from benchmarks import bench_earlier, bench_field

from probekit.errors import InputError
from probekit.field import learn, learn_prior, surface, touch_first
from probekit.field.kernel import six
from probekit.field.nodes import Nodes

AREA, ZONE = bench_earlier.AREA, 0.05


@pytest.fixture(scope="module")
def table():
    return bench_earlier.earlier_parts(25, 40, np.random.default_rng(3))


@pytest.fixture(scope="module")
def learned(table):
    return learn_prior(table, bench_earlier.noise(40), area=AREA, zone=ZONE)


def touched(common, seed: int, count: int = 15):
    rng = np.random.default_rng(seed)
    where = bench_field.even(count, np.random.default_rng(8))
    y = common(where) + bench_earlier.own(rng)(where) + bench_earlier.noise(count).draw(1, rng)[0]
    return *bench_field.saddle(where), y


def believed(common, seed: int, learned, count: int = 15):
    places, normals, y = touched(common, seed, count)
    return learn(places, normals, y, bench_earlier.noise(count), area=AREA, zone=ZONE, earlier=learned)


def test_the_pattern_is_the_mean_of_the_parts(table, learned):
    """At the targets it is their mean, as sure as the mean of so many is; between them it is near the truth."""
    mean = table.groupby("touch")["deviation"].mean().to_numpy()
    at, covariance = learned.pattern(learned.mean.points)
    u = np.sqrt(table.groupby("touch")["deviation"].var().to_numpy() / 25)
    assert (np.abs(at - mean) < 2.0 * u).all()
    assert np.sqrt(np.diag(covariance)).mean() < 1.5 * u.mean()
    where = bench_field.even(60, np.random.default_rng(4))
    between, unsure = learned.pattern(six(*bench_field.saddle(where)))
    off = between - bench_earlier.pattern(where)
    sure = np.sqrt(np.diag(unsure) + 0.0015**2)
    assert np.mean(np.abs(off - off.mean()) < 2 * sure) > 0.85
    assert off.std() < 0.4 * bench_earlier.pattern(where).std()
    assert "25 earlier parts" in learned.sentence
    assert "assumed" in learned.sentence


def test_a_node_on_a_touch_at_an_old_target_is_one_place(learned):
    """With form finer than the touches, three points at one place have one pattern, of no covariance below 0."""
    rows = np.flatnonzero(learned.mean.grid[:, 3] > 0)
    best = rows[learned.mean.weight[rows].argmax()]
    weight = np.eye(len(learned.mean.weight))[best]
    fine = replace(learned, mean=replace(learned.mean, weight=weight))
    points = np.vstack([learned.mean.points, learned.mean.points[:5], learned.mean.points[:5]])
    mean, covariance = fine.pattern(points)
    assert np.linalg.eigvalsh(covariance).min() > -1e-9 * np.trace(covariance)
    np.testing.assert_allclose(mean[-5:], mean[:5], atol=1e-9)


def test_parts_of_the_population_are_taken_for_what_they_are(learned):
    """The chance that stands for likeness is uniform over such parts (Kolmogorov and Smirnov)."""
    from scipy import stats

    alike = [believed(bench_earlier.pattern, 50 + k, learned).alike for k in range(16)]
    assert stats.kstest(alike, "uniform").pvalue > 0.01


def test_a_stranger_is_noticed_and_judged_by_its_touches_alone(learned):
    stranger = believed(bench_earlier.other, 1, learned, 30)
    alone = believed(bench_earlier.other, 1, None, 30)
    assert stranger.earlier is None
    assert "not like the earlier parts" in stranger.sentence
    np.testing.assert_array_equal(stranger.weight, alone.weight)
    np.testing.assert_array_equal(stranger.deviation, alone.deviation)


def test_few_touches_get_a_number_where_earlier_parts_have_shown_the_form(learned):
    """Fifteen touches: alone there is no number; the estimate between them is nearer to the truth by much."""
    rng = np.random.default_rng(2)
    where = bench_field.even(200, rng)
    at = Nodes(*bench_field.saddle(where), np.zeros(200, dtype=int), AREA)
    truth = bench_earlier.pattern(where) + bench_earlier.own(np.random.default_rng(70))(where)
    said = {}
    for name, prior in (("earlier", learned), ("alone", None)):
        said[name] = surface(believed(bench_earlier.pattern, 70, prior), at, (-ZONE, ZONE), rng)
    assert np.isfinite(said["earlier"].probability)
    assert np.isnan(said["alone"].probability)
    assert "25 earlier parts" in said["earlier"].sentence
    assert "if its form is smooth between the touches" in said["earlier"].sentence
    error = {name: np.sqrt(np.mean((one.mean - truth) ** 2)) for name, one in said.items()}
    assert error["earlier"] < 0.6 * error["alone"]
    inside = np.abs(said["earlier"].mean - truth) < 1.96 * said["earlier"].u
    assert 0.85 < inside.mean() <= 1.0


def test_first_touches_go_where_parts_come_near_their_limits(learned):
    where = bench_field.even(300, np.random.default_rng(2))
    at = Nodes(*bench_field.saddle(where), np.zeros(300, dtype=int), AREA)
    chosen = touch_first(learned, at, (-0.02, 0.03), count=10)
    assert len(chosen.drop_duplicates(["x0", "y0"])) == 10
    near = np.abs(bench_earlier.pattern(chosen[["x0", "y0"]].to_numpy()))
    assert near.mean() > np.abs(bench_earlier.pattern(where)).mean()
    assert (chosen["gain"] > 0).all()
    with pytest.raises(InputError, match="more touches than places"):
        touch_first(learned, at, (-0.02, 0.03), count=301)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t[t["part"].isin([f"P{k}" for k in range(19)])], "too few earlier parts"),
        (lambda t: t.drop(columns="part"), "lacks a column"),
        (lambda t: pd.concat([t, t.iloc[[45]]]), "part P1 has touch 6 twice"),
        (lambda t: t.assign(x0=t["x0"].where((t["part"] != "P7") | (t["touch"] != 3), t["x0"] + 0.3)), "elsewhere"),
        (lambda t: t.assign(deviation=t["deviation"].where(t["touch"] > 30)), "touches that all earlier parts have"),
    ],
)
def test_tables_that_would_be_misunderstood_are_refused(table, change, words):
    with pytest.raises(InputError, match=words):
        learn_prior(change(table), bench_earlier.noise(40), area=AREA, zone=ZONE)


def test_few_earlier_parts_do_not_say_their_own_spread(learned):
    """Drawn fields have the tails of Student's t with one part less as degrees: quantiles of scipy's."""
    from scipy import stats

    from probekit.field.surface import _stretched

    rng = np.random.default_rng(5)
    drawn = _stretched(rng.normal((1.0, 2.0, 3.0), 1.0, (40_000, 3)), 19, rng)
    np.testing.assert_allclose(drawn.mean(axis=0), (1.0, 2.0, 3.0), atol=0.03)
    for share in (0.9, 0.99):
        np.testing.assert_allclose(
            np.quantile(drawn, share, axis=0) - drawn.mean(axis=0), stats.t.ppf(share, 19), rtol=0.04
        )
    where = bench_field.even(60, rng)
    at = Nodes(*bench_field.saddle(where), np.zeros(60, dtype=int), AREA)
    belief = believed(bench_earlier.pattern, 70, learned)
    many = replace(belief, earlier=replace(learned, parts=10_000))
    few, sure = (surface(one, at, (-ZONE, ZONE), np.random.default_rng(6), fields=2000) for one in (belief, many))
    assert np.median(few.u / sure.u) == pytest.approx(np.sqrt(24 / 22), abs=0.03)


@pytest.mark.parametrize(
    ("process", "shift", "least", "most"),
    [("mix", 0.0, 0.0, 0.03), ("heavy", 0.0, 0.0, 0.06), ("waves", 0.016, 0.7, 1.0)],
)
def test_parts_that_differ_in_size_are_no_strangers_and_a_moved_process_is(process, shift, least, most):
    """1 in 100 is meant to be an alarm. By chi square 0.125 of the parts were one where their forms differ in size."""
    (row,) = bench_earlier.alarms(process, parts=50, populations=4, earlier=24, counts=(60,), shifts=(shift,))
    assert least <= row["unlike"] <= most


def test_squares_that_differ_as_chi_squares_do_leave_their_freedom(learned):
    """Size 1, no differences: the degrees are those of the contrasts; sizes that vary by v leave 2 / v at most."""
    assert replace(learned, differ=0.0)._freedom(14) == pytest.approx(14.0)
    assert replace(learned, differ=0.25)._freedom(10**9) == pytest.approx(8.0)
