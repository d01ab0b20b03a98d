"""Corrections for temperature and drift: against closed forms, and against injected drift with noise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2
from uncertainty.worked import budget_of, gains, part

from probekit import InputError, ProbekitWarning
from probekit.uncertainty import at_20_degrees, drift, read, touches
from probekit.uncertainty.when import elapsed

BUDGET = read({"budget": {"repeatability_2s_um": 2.0, "trigger_jitter_ms": 0, "drift_um": 6.0}})
NOISE, PRIOR = 1.0, 6.0 / np.sqrt(3.0)  # um


def measured_of(table: pd.DataFrame) -> pd.DataFrame:
    """A touches table whose contacts lie on the targets."""
    names = ["foot_x", "foot_y", "foot_z", "nx", "ny", "nz"]
    out = table.copy()
    for old, new in zip(names, ["x0", "y0", "z0", "i", "j", "k"], strict=True):
        out[new] = table[old]
    return out.assign(x=table["foot_x"], y=table["foot_y"], z=table["foot_z"])


def run_with_references(rounds: int, seed: int, true: np.ndarray, noise: float = 1e-3, each: int = 1) -> pd.DataFrame:
    """A run whose references, so many for each axis, are touched in each round; drift goes in straight lines.

    `true` (rounds, 3) is the drift at the rounds [mm].
    """
    rng = np.random.default_rng(seed)
    when = np.linspace(0, 1, rounds)
    rows = []
    for k, t in enumerate(when):
        for axis, normal in enumerate(np.tile(np.eye(3), (each, 1))):
            rows.append((f"ref {axis}", t, 10.0 * axis, 0.0, 0.0, *normal))
        if k + 1 < rounds:
            for t_skin in t + np.linspace(0.1, 0.9, 10) * (when[k + 1] - t):
                n = rng.normal(size=3)
                rows.append(("skin", t_skin, *rng.uniform(-50, 50, 3), *(n / np.linalg.norm(n))))
    table = pd.DataFrame(rows, columns=["feature", "time", "x0", "y0", "z0", "i", "j", "k"])
    moved = np.column_stack([np.interp(table["time"], when, true[:, a]) for a in range(3)])
    moved += rng.normal(0, noise, len(table))[:, None] * table[["i", "j", "k"]].to_numpy()
    table[["x", "y", "z"]] = table[["x0", "y0", "z0"]].to_numpy() + moved
    return table.assign(touch=np.arange(len(table)), time=100.0 + 600.0 * table["time"])


def test_a_warm_part_comes_back_to_its_size_at_20_degrees():
    """ISO 1: L20 = L / (1 + a (T - 20)); 160 mm of steel at 28 degrees are 14.72 um longer."""
    table = measured_of(part())
    warm = table.copy()
    position = table[["x", "y", "z"]].to_numpy()
    warm[["x", "y", "z"]] = [7.0, -3.0, 2.0] + position * (1 + 11.5e-6 * 8)
    warm.attrs["recorded"] = "centre"
    got, said = at_20_degrees(warm, 28.0, 11.5)
    back = got[["x", "y", "z"]].to_numpy()
    np.testing.assert_allclose(np.ptp(back, axis=0), np.ptp(position, axis=0), rtol=1e-12)
    grown = np.linalg.norm(np.diff(warm[["x", "y", "z"]].to_numpy()[[12, 20]], axis=0)) - 160.0
    assert grown == pytest.approx(0.01472)
    assert "+92 um per metre" in said
    assert "if they were warm too, and the control does not compensate for it, this takes off too much" in said
    assert got.attrs == warm.attrs
    np.testing.assert_array_equal(warm["x"], 7.0 + position[:, 0] * (1 + 11.5e-6 * 8))  # the table given is not changed
    again, _ = at_20_degrees(warm, 28.0, 11.5, about=(0, 0, 0))
    difference = again[["x", "y", "z"]].to_numpy() - back
    np.testing.assert_allclose(difference, np.broadcast_to(difference[0], difference.shape), atol=1e-12)


def test_the_ball_has_not_grown_with_the_part():
    """Ball centres, 3 mm off the part: scaled with it, each touch of steel at 30 degrees is 0.345 um off."""
    table = measured_of(part())
    contact, normal = table[["x", "y", "z"]].to_numpy(), table[["i", "j", "k"]].to_numpy()
    warm = table.assign(**dict(zip("xyz", (contact * (1 + 11.5e-5) + 3.0 * normal).T, strict=True)))
    got, _ = at_20_degrees(warm, 30.0, 11.5, about=(0, 0, 0), ball=3.0)
    np.testing.assert_allclose(got[["x", "y", "z"]].to_numpy() - 3.0 * normal, contact, atol=1e-12)
    rough, _ = at_20_degrees(warm, 30.0, 11.5, about=(0, 0, 0))
    off = ((rough[["x", "y", "z"]].to_numpy() - 3.0 * normal - contact) * normal).sum(axis=1)
    np.testing.assert_allclose(off, -3.0 * 11.5e-5, rtol=1e-3)


@pytest.mark.parametrize(("temperature", "expansion"), [(301.0, 500.0), (28.0, np.nan), (np.inf, 11.5)])
def test_a_growth_that_cannot_be_is_refused(temperature, expansion):
    with pytest.raises(InputError, match="cannot have grown"):
        at_20_degrees(measured_of(part()), temperature, expansion)


def test_a_corrected_part_keeps_what_thermometer_and_handbook_leave():
    """u = a L u_T and L (T - 20) u_a: the known 14.72 um are gone, 2.1 and 0.85 um remain."""
    table, budget = part(), budget_of("hot")
    corrected = read(
        {
            "budget": {"temperature_within_c": 2.0, "expansion_within_percent": 10.0},
            "part": {"temperature": 28.0, "expansion_um_per_m_c": 11.5},
        }
    )
    distance = gains(table)["distance"]

    def share(scatter, cause):
        return 1e3 * np.linalg.norm(distance @ scatter.factors[:, [c == cause for c in scatter.causes]])

    before, after = touches(table, budget), touches(table, corrected)
    assert share(before, "temperature not corrected") == pytest.approx(160 * 11.5e-3 * 8)
    assert "temperature not corrected" not in after.causes
    assert share(after, "part temperature") == pytest.approx(160 * 11.5e-3 * 2 / np.sqrt(3))
    assert share(after, "expansion coefficient") == pytest.approx(160 * 11.5e-3 * 8 * 0.1 / np.sqrt(3))
    assert not any("not corrected" in note for note in after.notes)


def test_one_reference_touched_again_at_the_end_in_closed_form():
    """Two normal values: the step has weight P / (P + 2 s^2), variance P 2 s^2 / (P + 2 s^2); x, y stay."""
    table = pd.DataFrame(
        {
            "touch": range(12),
            "feature": "top",
            "x0": np.arange(12.0),
            "y0": 0.0,
            "z0": 0.0,
            "i": 0.0,
            "j": 0.0,
            "k": 1.0,
        }
    )
    table.loc[11, "x0"] = 0.0
    table[["x", "y", "z"]] = table[["x0", "y0", "z0"]]
    table.loc[11, "z"] = 0.005
    got = drift(table, BUDGET)
    weight = PRIOR**2 / (PRIOR**2 + 2 * NOISE**2)
    assert got.references == 1
    np.testing.assert_allclose(1e3 * got.shift[-1], [0, 0, 5.0 * weight], atol=1e-9)
    u = 1e3 * np.linalg.norm(got.root[-1], axis=1)
    np.testing.assert_allclose(u, [PRIOR, PRIOR, np.sqrt(2 * NOISE**2 * weight)], rtol=1e-9)
    assert any("column time" in note for note in got.notes)
    corrected, said = got.correct(table)
    np.testing.assert_allclose(corrected["z"].to_numpy()[[0, 11]], [0, 0.005 * (1 - weight)], atol=1e-12)
    assert "touches corrected for drift" in said


def test_injected_drift_is_found_within_its_uncertainty():
    """200 runs with noise: the errors, in their own covariance, follow chi-square (its mean and its 95 % point)."""
    rng, normalised = np.random.default_rng(5), []
    for seed in range(200):
        steps = rng.normal(0, PRIOR * 1e-3 / np.sqrt(3), (3, 3))
        true = np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
        table = run_with_references(4, seed, true)
        got = drift(table, BUDGET)
        assert got.references == 3
        error = got.at(np.array([1.0]))[0] - true[-1]
        spread = got.root[-1] @ got.root[-1].T
        normalised.append(error @ np.linalg.solve(spread, error))
    assert np.mean(normalised) == pytest.approx(3.0, abs=0.6)
    assert np.mean(np.array(normalised) < chi2.ppf(0.95, 3)) > 0.92


@pytest.mark.parametrize("kind", ["walk", "warming up"])
def test_what_references_do_not_see_between_them_stays_uncertain(kind):
    """150 runs with references at their start and end alone: 2 u cover what the correction leaves of every touch.

    A random walk of the budget's variance h^2/3, and a machine that warms up: h (1 - exp(-4t)), 0.4 h from a line.
    """
    covered = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        table = run_with_references(2, seed, np.zeros((2, 3)))
        when = (table["time"].to_numpy() - 100.0) / 600.0
        if kind == "walk":
            steps = rng.normal(size=(len(when), 3)) * np.sqrt(np.diff(when, prepend=0.0) / 3.0)[:, None]
            true = PRIOR * 1e-3 * np.cumsum(steps, axis=0)
        else:
            true = PRIOR * 1e-3 * rng.uniform(-1, 1, 3) * (1 - np.exp(-4 * when))[:, None]
        table[["x", "y", "z"]] += true
        got = drift(table, BUDGET)
        normal = table[["i", "j", "k"]].to_numpy()
        left = np.einsum("na,na->n", got.at(when) - true, normal)
        u = np.hypot(np.linalg.norm(got.factors(when, normal), axis=1), got.own(when, normal))
        covered.append((np.abs(left) <= 2 * u)[(table["feature"] == "skin").to_numpy()])
    assert np.mean(covered, axis=0).min() > 0.95 - 3 * np.sqrt(0.05 * 0.95 / 150)
    bridge = got.own(np.array([0.5]), np.eye(3)[:1]) ** 2
    seen = got.factors(np.array([0.5]), np.eye(3)[:1]), got.factors(np.array([0.0, 1.0]), np.eye(3)[[0, 0]])
    ends = (np.array([0.5, 0.5]) @ seen[1]) ** 2  # a straight line between what is known of the ends
    # closed form of a Brownian bridge in the middle of the run: h^2/3 times 1/4
    assert (seen[0] ** 2).sum() + bridge.item() - ends.sum() == pytest.approx(got.expected**2 / 12.0, rel=1e-9)


def test_correction_takes_the_drift_out_of_what_it_did_not_see_and_narrows_it():
    true = np.array([[0, 0, 0], [0.004, -0.002, 0.006], [0.005, -0.004, 0.011]])
    table = run_with_references(3, 1, true)
    got = drift(table, BUDGET)
    corrected, _ = got.correct(table)
    along = table[["i", "j", "k"]].to_numpy()
    before, after = (
        ((one[["x", "y", "z"]].to_numpy() - table[["x0", "y0", "z0"]].to_numpy()) * along).sum(axis=1)[
            table["feature"] == "skin"
        ]
        for one in (table, corrected)
    )
    assert np.std(before) > 2.5e-3
    assert np.sqrt(np.mean(after**2)) < 1.7e-3
    assert got.largest > 0.009
    assert any("more than the drift" in note for note in got.notes)
    found = table.rename(columns={"x0": "foot_x", "y0": "foot_y", "z0": "foot_z", "i": "nx", "j": "ny", "k": "nz"})
    wide, narrow = touches(found, BUDGET), touches(found, BUDGET, drift=got)
    which = [[c == "drift" for c in scatter.causes] for scatter in (wide, narrow)]
    left = [np.linalg.norm(s.factors[:, w], axis=1)[-5:].mean() for s, w in zip((wide, narrow), which, strict=True)]
    assert left[1] < 0.5 * left[0]


def test_references_that_scatter_more_than_stated_widen_it_and_say_so():
    """With two references for each axis; with one, a scatter cannot be told from a drift, and is taken for one."""
    table = run_with_references(5, 2, np.zeros((5, 3)), noise=6e-3, each=2)
    got, calm = drift(table, BUDGET), drift(run_with_references(5, 2, np.zeros((5, 3)), each=2), BUDGET)
    assert any("times as much as the repeatability" in note for note in got.notes)
    assert not any("times as much" in note for note in calm.notes)
    assert np.linalg.norm(got.root[-1]) > 1.5 * np.linalg.norm(calm.root[-1])


def test_nothing_touched_again_tells_nothing_of_drift():
    table = measured_of(part())
    assert drift(table, BUDGET) is None
    at_once = pd.concat([table, table.iloc[[-1] * 3]], ignore_index=True)  # again, at once: repeats, no reference
    assert drift(at_once.assign(time=np.r_[np.linspace(0, 600, 148), 601, 602, 603]), BUDGET) is None
    assert drift(table.iloc[:0], BUDGET) is None
    assert drift(table.iloc[:1], BUDGET) is None


def test_a_missed_reference_and_a_run_without_noise_are_no_trouble():
    table = run_with_references(3, 4, np.zeros((3, 3)))
    table.loc[[0, 13], ["x", "y", "z"]] = np.nan
    assert np.isfinite(drift(table, BUDGET).shift).all()
    still = read({"budget": {"repeatability_2s_um": 0, "trigger_jitter_ms": 0, "drift_um": 0}})
    quiet = run_with_references(3, 4, np.zeros((3, 3)), noise=0.0)
    np.testing.assert_allclose(drift(quiet, still).shift, 0, atol=1e-9)
    assert elapsed(quiet)[1] == []


def test_one_target_that_reads_millimetres_apart_is_no_drift():
    table = run_with_references(3, 4, np.zeros((3, 3)))
    table.loc[0, "x"] += 0.5  # a chip, or the wrong place
    with pytest.warns(ProbekitWarning, match=r"touches 0, 13, 26 have one target and read 0\.50. mm apart"):
        got = drift(table, BUDGET)
    assert got.references == 2
    assert np.abs(got.shift).max() < 0.003
    assert drift(table.drop(columns=["x0", "y0", "z0"]), BUDGET) is None
