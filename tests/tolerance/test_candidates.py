"""Envelopes that are not unique: the candidate most favourable to the position; oval bores and slots, closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from thorough import count
from tolerance.touched import around, table

from probekit.tolerance import pattern, position
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

TRUE = {"at": (0, 0, 0), "direction": (0, 0, 1)}


def oval(n=8, *, lobe=0.04, phase=0.0, centre=(0.0, 0.0), bore=True, feature="hole"):
    """A bore (boss) of 20 with two lobes of 0.04 along x, touched at three depths."""
    angle = 2 * np.pi * np.arange(n) / n + phase
    return around(10.0 + lobe * np.cos(2 * angle), n=n, bore=bore, centre=centre, phase=phase, feature=feature)


@pytest.mark.parametrize("n", [4, 8, 16])
@pytest.mark.parametrize("bore", [True, False])
def test_a_centred_oval_is_in_its_place(n, bore):
    """Two touches hold the envelope, which slides along the other axis of the oval; about the centre it is as large."""
    one = position(oval(n, bore=bore), 0.03, **TRUE)
    assert one.actual < 2e-3
    # about a boss the smallest is held by two touches as well, but grows when it slides: it is unique
    assert any("its envelope is not unique" in note for note in one.notes) == bore


def test_only_what_slides_is_taken_up():
    """Off by 0.03 across the way it slides and by 0.01 along it: 0.06 is left."""
    one = position(oval(centre=(0.01, 0.03)), 0.1, **TRUE)
    assert one.actual == pytest.approx(0.06, abs=2e-3)


def test_no_further_than_the_touches_allow():
    """Off by far more than the oval leaves: on the way there it stops where a third touch holds it."""
    free = position(oval(centre=(0.2, 0.0)), 0.1, **TRUE).actual
    # the touch at 0 deg leaves (10.04 - 9.96) on one side, those at 45 deg (10 - 9.96) / cos 45 = 0.057
    assert free == pytest.approx(2 * (0.2 - 0.04 * np.sqrt(2)), abs=3e-3)


def test_a_unique_envelope_stays():
    rng = np.random.default_rng(0)
    angle = 2 * np.pi * np.arange(9) / 9
    one = position(around(10 + 0.02 * np.cos(3 * angle) + rng.normal(scale=0.002, size=9), n=9, bore=True), 0.1, **TRUE)
    assert not any("not unique" in note for note in one.notes)


def test_each_of_a_pattern():
    parts = []
    for name, x in (("h1", -25.0), ("h2", 25.0)):
        part = oval(feature=name)
        for lead in ("", "c", "foot_"):
            part[f"{lead}x"] += x
        parts.append(part)
    found = pd.concat(parts, ignore_index=True).assign(touch=range(1, 49))
    one = pattern(found, 0.05, features=("h1", "h2"), at=((-25, 0, 0), (25, 0, 0)), direction=(0, 0, 1))
    assert one.actual < 2e-3
    assert sum("not unique" in note for note in one.notes) == 2


def test_least_material_and_middle_planes():
    least = position(oval(), 0.05, modifier="L", limits=(19.8, 20.2), **TRUE)
    assert least.details["by the axis"] < 2e-3
    # a slot whose sides are touched twice each, opposite: the middle plane tilts between the touches of neither
    points = np.array([[x, y, z] for y in (-4.0, 4.0) for x in (-9.0, 9.0) for z in (0.0, 8.0)])
    found = table(points, -np.sign(points[:, 1:2]) * [0, 1.0, 0])
    assert position(found, 0.1, of="middle plane", at=(0, 0, 0), direction=(0, 1, 0)).actual == pytest.approx(
        0, abs=1e-6
    )


def test_bounds_of_an_oval_at_the_limit():
    """Off across the way it slides, by the limit: accepted in at most 5 % of runs with noise (three errors)."""
    accepted, runs, u = 0, count(16, 40), 0.003
    for seed in range(runs):
        found = oval(centre=(0.0, 0.03))
        noise = np.random.default_rng(seed).normal(scale=u, size=(len(found), 1)) * found[["nx", "ny", "nz"]].to_numpy()
        for lead in ("", "c"):
            found[[f"{lead}x", f"{lead}y", f"{lead}z"]] += noise
        one = position(found, 0.06, **TRUE)
        accepted += bounds(one, Scatter.independent(np.full(len(found), u))).high <= 0.06
    assert accepted / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
