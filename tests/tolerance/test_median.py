"""Straightness of an axis and flatness of a middle plane at a material condition: pins in bowed holes, closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from thorough import count
from tolerance.inspected import inspected
from tolerance.touched import around, table

from probekit import InputError
from probekit.errors import TouchesError
from probekit.tolerance import Median, Size, straightness_of_axis
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

MIDDLE = "flatness of a middle plane"


def bowed(size=10.0, bow=0.05, *, n=8, bore=False, scatter=0.0, seed=0):
    """A cylinder whose axis rises by `bow` along x from both ends to the middle, touched in three depths."""
    parts = []
    for k, (z, off) in enumerate(((0.0, 0.0), (10.0, bow), (20.0, 0.0))):
        parts.append(around(size / 2, n=n, heights=(z,), centre=(off, 0.0), bore=bore, phase=0.0 * k))
    found = pd.concat(parts, ignore_index=True)
    found["touch"] = np.arange(1, len(found) + 1)
    if scatter:
        noise = np.random.default_rng(seed).normal(scale=scatter, size=(len(found), 1))
        noise = noise * found[["nx", "ny", "nz"]].to_numpy()
        found[["x", "y", "z"]] += noise
        found[["cx", "cy", "cz"]] += noise
    return found


@pytest.mark.parametrize("n", [4, 8, 24])
@pytest.mark.parametrize("bore", [False, True])
def test_a_gauge_of_the_virtual_condition_decides(n, bore):
    """Round sections of 10, bowed by h: the smallest cylinder about them (largest within) is h larger (smaller)."""
    one = Median(of="straightness of an axis", width=0.04, modifier="M", limits=(9.98, 10.02)).evaluate(
        bowed(bore=bore, n=n)
    )
    assert one.details["form of the median"] == pytest.approx(0.05, abs=1e-6)
    assert one.details["envelope"] == pytest.approx(9.95 if bore else 10.05, abs=2e-4)
    assert one.details["virtual condition"] == (pytest.approx(9.94) if bore else pytest.approx(10.06))
    assert one.width == pytest.approx(0.06, abs=1e-6)
    assert one.width - one.actual == pytest.approx(0.01, abs=2e-4)
    assert one.actual == pytest.approx(0.05, abs=2e-4)  # the bow itself, as the axis has it


def test_least_material_and_a_size_that_fails():
    """A bore of 10, bowed by 0.05, 0.02 from its largest size at L: 0.06 is allowed, 0.05 used; the same of a boss."""
    for bore in (True, False):
        spec = Median(of="straightness of an axis", width=0.04, modifier="L", limits=(9.98, 10.02))
        one = spec.evaluate(bowed(bore=bore))
        assert (one.width, one.actual) == (pytest.approx(0.06, abs=1e-6), pytest.approx(0.05, abs=2e-4))
        bad = spec.evaluate(bowed(size=10.1 if bore else 9.9, bore=bore))
        assert any("it fails by itself" in note for note in bad.notes)
        assert bad.width - bad.actual == pytest.approx(-0.09, abs=3e-4)


def test_regardless_of_size_it_is_the_median_alone():
    assert straightness_of_axis(bowed(bow=0.03), 0.1).actual == pytest.approx(0.03, abs=1e-6)
    assert straightness_of_axis(bowed(bow=0.03), 0.1).width == 0.1


def slot(gap=8.0, bow=0.04, *, slot=True, n=(5, 3), scatter=0.0, seed=0):
    """Two planes `gap` apart, across y, whose middle rises by `bow` towards the middle of the length."""
    x, z = (part.ravel() for part in np.meshgrid(np.linspace(-20, 20, n[0]), np.linspace(-5, 5, n[1])))
    rise = bow * (1 - (x / 20) ** 2)
    parts = []
    for side in (1.0, -1.0):
        noise = np.random.default_rng(seed + int(side > 0)).normal(scale=scatter, size=len(x)) if scatter else 0.0
        normal = np.array([0.0, -side if slot else side, 0.0])
        at = np.column_stack([x, side * gap / 2 + rise, z]) + np.reshape(noise, (-1, 1)) * normal
        foot = np.column_stack([x, np.full(len(x), side * gap / 2), z])
        parts.append(table(at, normal, deviation=(at - foot) @ normal, foot=foot))
    out = pd.concat(parts, ignore_index=True)
    out["touch"] = np.arange(1, len(out) + 1)
    return out


@pytest.mark.parametrize("internal", [True, False])
def test_middle_plane_of_a_bent_slot_or_web(internal):
    """A web of 8 bent by 0.04 fits between planes 8.04 apart; a slot takes a plate of 7.96."""
    found = slot(slot=internal)
    assert Median(of=MIDDLE, width=0.1).evaluate(found).actual == pytest.approx(0.04, abs=1e-6)
    one = Median(of=MIDDLE, width=0.03, modifier="M", limits=(7.95, 8.05)).evaluate(found)
    assert one.details["envelope"] == pytest.approx(7.96 if internal else 8.04, abs=1e-6)
    assert one.width == pytest.approx(0.08, abs=1e-6)
    assert one.actual == pytest.approx(0.04, abs=1e-6)
    assert "\u24c2" in Median(of=MIDDLE, width=0.03, modifier="M", limits=(7.95, 8.05)).frame


def test_gradient_is_that_of_a_touch_pushed():
    spec = Median(of="straightness of an axis", width=0.04, modifier="M", limits=(9.9, 10.1))
    found = bowed(n=5, scatter=0.004)
    one = spec.evaluate(found)
    for k in range(len(found)):
        pushed = found.copy()
        step = 1e-6 * found.loc[k, ["nx", "ny", "nz"]].to_numpy(float)
        for names in (["x", "y", "z"], ["cx", "cy", "cz"]):
            pushed.loc[k, names] = found.loc[k, names].to_numpy(float) + step
        again = spec.evaluate(pushed)
        change = ((again.actual - again.width) - (one.actual - one.width)) / 1e-6
        assert change == pytest.approx(one.gradient[k], abs=0.02), k


@pytest.mark.parametrize("modifier", ["M", "L"])
def test_bounds_hold_at_the_limit(modifier):
    """A slot whose envelope just clears: accepted, and rejected, in at most 5 % of runs (three standard errors)."""
    gap = 8.0
    limit = (7.98, 8.5) if modifier == "M" else (7.5, 8.02)  # the envelopes of a bend of 0.04: 7.96 and 8.04
    spec = Median(of=MIDDLE, width=0.02, modifier=modifier, limits=limit)
    accepted = rejected = 0
    runs, u = count(16, 200), 0.003
    for seed in range(runs):
        one = spec.evaluate(slot(gap, scatter=u, seed=2 * seed))
        reach = bounds(one, Scatter.independent(np.full(len(one.rows), u)))
        accepted += reach.high <= one.width
        rejected += reach.low > one.width
    assert max(accepted, rejected) / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


@pytest.mark.filterwarnings("ignore::probekit.ProbekitWarning")  # of an arc: that it says little of its centre
@pytest.mark.parametrize(("degrees", "times"), [(300.0, 0.54), (90.0, 3.36)])
def test_centres_of_arcs_are_as_uncertain_as_least_squares_says(degrees, times):
    """Closed form: covariance of a circle's centre u^2 (X'X)^-1, X = [cos, sin, 1]; on a quarter sd 3.4 u."""
    u, angle = 0.003, np.radians(np.linspace(0.0, degrees, 7))
    unit = np.column_stack([np.cos(angle), np.sin(angle), 0.0 * angle])
    design = np.column_stack([unit[:, :2], np.ones(7)])
    worst = float(np.sqrt(np.linalg.eigvalsh(np.linalg.inv(design.T @ design)[:2, :2]).max()))
    assert worst == pytest.approx(times, abs=0.01)
    feet = np.vstack([10.0 * unit + [0.0, 0.0, z] for z in (0.0, 10.0, 20.0, 30.0)])
    normal, us = np.tile(unit, (4, 1)), []
    for seed in range(5):
        off = np.random.default_rng(seed).normal(scale=u, size=28)
        found = table(feet + off[:, None] * normal, normal, deviation=off, foot=feet)
        us.append(bounds(straightness_of_axis(found, 1e-3), Scatter.independent(np.full(28, u))).u)
    assert np.median(us) == pytest.approx(2.0 * worst * u, rel=0.1)


def test_rule_one_is_left_to_it():
    """The size of a bowed boss fails by rule one, and conforms with independency, which a note asks for."""
    found = bowed(size=10.0, bow=0.05)
    assert Size(limits=(9.98, 10.02)).evaluate(found).actual > 0.04
    assert Size(limits=(9.98, 10.02), independency=True).evaluate(found).actual <= 0.04
    spec = Median(of="straightness of an axis", width=0.04, modifier="M", limits=(9.98, 10.02))
    assert any("independency = true" in note for note in spec.evaluate(found).notes)


def test_what_cannot_be():
    with pytest.raises(InputError, match="needs the limits of size"):
        Median(of=MIDDLE, width=0.1, modifier="M")
    with pytest.raises(InputError, match="no meaning where of is"):
        Median(of=MIDDLE, width=0.1, axis=(0, 0, 1))
    few = slot().iloc[[0, 1, 20]]
    with pytest.raises(TouchesError, match="fewer than three pairs"):
        Median(of=MIDDLE, width=0.1).evaluate(few)


def test_in_a_study(tmp_path):
    study = """
[[tolerance]]
kind = "straightness of an axis"
name = "axis"
features = ["bore"]
width = 0.03
modifier = "M"
limits = [19.95, 20.05]
apart = 3.0
"""
    one = inspected(tmp_path, study)["axis"]
    assert one["kind"] == "straightness of an axis at maximum material condition"
    assert 0 <= one["actual"] < one["width"]
