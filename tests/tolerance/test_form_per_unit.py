"""Flatness and straightness per unit against windows laid everywhere, each solved as a linear program (HiGHS)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog
from tolerance.touched import table

import probekit as pk
from probekit.errors import InputError
from probekit.tolerance import Form


def width_by_program(points: np.ndarray) -> float:
    """Narrowest width between two planes z = a x + b y + c (or lines z = a x + c) about points, along z."""
    n, k = points.shape
    flat = np.hstack([points[:, :-1], np.ones((n, 1))])
    rows = np.vstack([np.hstack([flat, -np.ones((n, 1))]), np.hstack([-flat, -np.ones((n, 1))])])
    right = np.concatenate([points[:, -1], -points[:, -1]])
    solved = linprog([0.0] * k + [1.0], rows, right, bounds=[(None, None)] * k + [(0, None)])
    return 2.0 * float(solved.fun)


def sheet(seed: int, n: int = 40):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 60, (n, 2))
    height = 0.03 * np.sin(xy[:, 0] / 6) + 0.02 * np.cos(xy[:, 1] / 9) + rng.normal(scale=0.002, size=n)
    return np.column_stack([xy, height])


@pytest.mark.parametrize("seed", range(3))
def test_flatness_per_unit_is_that_of_the_worst_of_all_discs(seed):
    points = sheet(seed)
    one = Form(of="flatness", width=0.05, unit=25.0).evaluate(table(points, (0, 0, 1)))
    worst, held = 0.0, set()
    for x in np.arange(-5, 65, 0.5):
        for y in np.arange(-5, 65, 0.5):
            inside = np.hypot(points[:, 0] - x, points[:, 1] - y) <= 12.5
            key = inside.tobytes()
            if inside.sum() > 3 and key not in held:
                held.add(key)
                worst = max(worst, width_by_program(points[inside]))
    assert one.actual >= worst - 2e-6
    assert one.actual == pytest.approx(worst, rel=0.02)  # discs every half millimetre miss few sets of touches
    whole = Form(of="flatness", width=0.05).evaluate(table(points, (0, 0, 1)))
    assert one.actual < whole.actual
    assert one.kind == "flatness per unit area"
    assert "within each 25 mm across" in Form(of="flatness", width=0.05, unit=25.0).sentence


def test_straightness_per_unit_length():
    rng = np.random.default_rng(4)
    along = np.sort(rng.uniform(0, 100, 30))
    height = 0.04 * np.sin(along / 8) + rng.normal(scale=0.001, size=30)
    points = np.column_stack([along, np.zeros(30), height])
    one = Form(of="straightness", width=0.03, unit=25.0).evaluate(table(points, (0, 0, 1)))
    starts = [(along >= start) & (along <= start + 25.0) for start in np.arange(0, 100, 0.05)]
    worst = max(width_by_program(points[inside][:, [0, 2]]) for inside in starts if inside.sum() > 2)
    assert one.actual == pytest.approx(worst, abs=5e-6)
    assert one.actual < Form(of="straightness", width=0.03).evaluate(table(points, (0, 0, 1))).actual


def test_a_window_as_large_as_the_face_gives_the_flatness_of_the_whole():
    points = table(sheet(5), (0, 0, 1))
    whole = Form(of="flatness", width=0.05).evaluate(points)
    assert Form(of="flatness", width=0.05, unit=200.0).evaluate(points).actual == pytest.approx(whole.actual, abs=1e-6)


def test_too_few_touches_in_any_window():
    with pytest.raises(InputError, match="no window holds"):
        Form(of="flatness", width=0.05, unit=2.0).evaluate(table(sheet(6), (0, 0, 1)))
    with pytest.raises(InputError, match="no window holds"):
        Form(of="straightness", width=0.05, unit=0.5).evaluate(table(sheet(6)[:5], (0, 0, 1)))
    with pytest.raises(InputError, match="no meaning"):
        Form(of="cylindricity", width=0.05, unit=2.0)


def test_a_verdict_takes_it():
    evaluation = Form(of="flatness", width=0.2, unit=25.0).evaluate(table(sheet(7), (0, 0, 1)))
    assert pk.verdict.judge(evaluation, pk.verdict.guarded(), 0.001) == "conforms"
