"""Thousands of linear programs at once, against HiGHS one by one and against numbers known of pure noise."""

import numpy as np
import pytest
from scipy.optimize import linprog

from probekit.errors import FitError
from probekit.uncertainty.programs import least_of_largest


def one_by_one(values: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """min t with values + slope p <= t, by HiGHS."""
    k = slope.shape[1]
    exact = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
    return np.array(
        [
            linprog(
                np.append(1.0, np.zeros(k)),
                A_ub=np.hstack([-np.ones((len(slope), 1)), slope]),
                b_ub=-row,
                bounds=[(None, None)] * (k + 1),
                method="highs",
                options=exact,
            ).fun
            for row in values
        ]
    )


def both(values: np.ndarray, slope: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.hstack([values, -values]), np.vstack([slope, -slope])


def plane(n: int, rng: np.random.Generator) -> np.ndarray:
    return np.column_stack([np.ones(n), rng.uniform(-1, 1, (n, 2))])


def ring(n: int) -> np.ndarray:
    angle = 2 * np.pi * np.arange(n) / n
    return np.column_stack([np.cos(angle), np.sin(angle)])


def rings(n: int, heights: tuple[float, ...]) -> np.ndarray:
    """A cylinder with its radius free, touched evenly: opposite touches balance, so that few rows rule at first."""
    out = np.vstack([np.column_stack([ring(n), np.zeros(n)])] * len(heights))
    at = out * 10 + np.repeat(np.array(heights), n)[:, None] * [0, 0, 1]
    return np.column_stack([out, np.cross(at, out), np.ones(len(at))])


@pytest.mark.parametrize("kind", ["plane", "motion", "ring", "rings", "more columns than rank"])
def test_equal_to_highs(kind):
    rng = np.random.default_rng(4)
    slope = {
        "plane": lambda: plane(30, rng),
        "motion": lambda: rng.normal(size=(60, 6)),
        "ring": lambda: ring(24),
        "rings": lambda: rings(6, (0.0, 5.0, 10.0)),
        "more columns than rank": lambda: plane(20, rng) @ rng.normal(size=(3, 6)),
    }[kind]()
    values = rng.normal(size=(400, len(slope)))
    rows, design = (values, slope) if kind == "ring" else both(values, slope)
    found = least_of_largest(rows, design)
    assert found.value[:25] == pytest.approx(one_by_one(rows[:25], design), abs=1e-12)
    ruling = np.take_along_axis(rows, found.rows, axis=1)
    assert (found.weight * ruling).sum(axis=1) == pytest.approx(found.value, abs=1e-12)
    balance = np.einsum("ti,tik->tk", found.weight, design[found.rows])
    assert np.abs(balance).max() < 1e-12, "the weights of what rules balance every motion"
    assert (found.weight >= 0).all()


@pytest.mark.parametrize(("n", "width"), [(12, 2.64), (30, 3.61), (150, 4.95)])
def test_flatness_of_noise(n, width):
    """Mean width of the minimum zone of n touches with a standard deviation of one (prototype, 4000 runs)."""
    rng = np.random.default_rng(n)
    found = least_of_largest(*both(rng.normal(size=(3000, n)), plane(n, rng)))
    assert 2 * found.value.mean() == pytest.approx(width, abs=0.05)


@pytest.mark.parametrize(("n", "change"), [(8, -1.67), (24, -2.93), (100, -4.24)])
def test_diameter_of_the_largest_cylinder_in_noise(n, change):
    """Evenly spaced touches: mean change of the inscribed diameter (prototype, 4000 runs)."""
    found = least_of_largest(np.random.default_rng(n).normal(size=(4000, n)), ring(n))
    assert -2 * found.value.mean() == pytest.approx(change, abs=0.05)


def test_evenly_spaced_touches_rule_in_pairs():
    """Two opposite touches rule and the place between is free: share of ties 56 % of 8 touches (prototype), 0 of 7."""
    rng = np.random.default_rng(0)
    for n, share in ((8, 0.56), (7, 0.0)):
        weight = least_of_largest(rng.normal(size=(2000, n)), ring(n)).weight
        assert ((weight > 1e-6).sum(axis=1) == 2).mean() == pytest.approx(share, abs=0.04)


def test_what_nothing_holds_is_refused():
    with pytest.raises(FitError, match="as small as one likes"):
        least_of_largest(np.zeros((3, 4)), np.array([[1.0], [2.0], [1.5], [0.5]]))


def grid(seed: int, off: float) -> np.ndarray:
    """Touches on a grid with a gap in it, each `off` its place as rounding leaves it: many threes are in line."""
    x, z = np.meshgrid(np.linspace(6, 94, 6), np.linspace(26, 74, 4), indexing="ij")
    at = np.column_stack([x.ravel(), np.full(x.size, 45.0), z.ravel()])
    at = at[np.hypot(at[:, 0] - 50, at[:, 2] - 55) > 14]
    at += np.random.default_rng(seed).normal(size=at.shape) * off
    at = np.round(at, 12)
    normal = np.tile([0.0, -1.0, 0.0], (len(at), 1))
    return np.hstack([normal, np.cross(at - at.mean(axis=0), normal)])


@pytest.mark.parametrize(("seed", "off"), [(4, 1e-6), (4, 1e-7), (1, 1e-7), (2, 1e-5), (3, 0.0)])
def test_grids_have_an_answer(seed, off):
    """Rows of a grid that are nearly dependent make bases that are nearly singular; HiGHS one by one has the values."""
    values = np.random.default_rng(seed).normal(size=(10000, 22)) * 0.002
    rows, design = both(values, grid(seed, off))
    found = least_of_largest(rows, design)
    assert found.value[:20] == pytest.approx(one_by_one(rows[:20] * 500, design / 40) / 500, abs=1e-9)
    assert (found.value <= np.abs(values).max(axis=1)).all()
    balance = np.einsum("ti,tik->tk", found.weight, design[found.rows] / 40)
    assert np.abs(balance).max() < 1e-5
