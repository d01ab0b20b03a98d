"""Datums whose simulator is not unique: named, and broken by least squares; closed forms of bores and planes."""

import numpy as np
import pandas as pd
import pytest
from fit.datums.test_boundaries import joined
from tolerance.touched import table

from probekit.fit import Datum, datum_frame

A, B = Datum("A", "plane", "bottom"), Datum("B", "cylinder", "b")


def four(right=0.03, left=0.01, aside=-0.02, *, boss=False):
    """A bore (boss) of 12 touched at 0, 90, 180, 270 deg in two depths; how much larger it is at each of these."""
    angle = np.tile([0.0, 90.0, 180.0, 270.0], 2) * np.pi / 180
    grown = np.tile([right, aside, left, aside], 2)
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(8)])
    feet = 6 * unit + np.repeat([2.0, 12.0], 4)[:, None] * [0, 0, 1]
    normal = unit if boss else -unit
    return table(feet + grown[:, None] * unit, normal, deviation=grown if boss else -grown, foot=feet, feature="b")


@pytest.mark.parametrize("boss", [False, True])
def test_two_touches_rule_and_the_others_place_it(boss):
    """Across y it is held; along x it slides: it stands where what is left on both sides is even, at 0.01."""
    narrow = 0.02 if boss else -0.02
    frame = datum_frame(
        joined(four(aside=narrow, right=-0.01 if boss else 0.03, left=-0.03 if boss else 0.01, boss=boss)), [A, B]
    )
    assert frame.motion[0, 3] == pytest.approx(-0.01, abs=2e-4)
    assert frame.motion[1, 3] == pytest.approx(0.0, abs=2e-4)
    assert frame.table["size"].iloc[1] == pytest.approx(12 + 2 * narrow, abs=2e-4)
    assert any("datum B: its mating envelope is not unique" in note for note in frame.notes)


def test_a_unique_envelope_says_nothing_and_stays():
    angle = np.tile(2 * np.pi * np.arange(5) / 5, 2)
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(10)])
    grown = np.random.default_rng(3).normal(scale=0.003, size=10)
    feet = 6 * unit + np.repeat([2.0, 12.0], 5)[:, None] * [0, 0, 1]
    odd = table(feet + grown[:, None] * unit, -unit, deviation=-grown, foot=feet, feature="b")
    frame = datum_frame(joined(odd), [A, B])
    assert not any("not unique" in note for note in frame.notes)


def test_the_place_does_not_depend_on_where_the_part_lies():
    """Shifted by hundredths, as set up anew, the touches are the same, and so is the place of the envelope."""
    found, places = joined(four()), []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        moved, shift = found.copy(), rng.uniform(-0.05, 0.05, 3)
        moved[["x", "y", "z"]] += shift
        places.append(datum_frame(moved, [A, B]).motion[:3, 3] + shift)
    assert np.ptp(places, axis=0).max() < 3e-4


def test_scatter_moves_it_no_more_than_least_squares():
    """Even touches tie with noise as well: the place along x scatters by what its touches do, and u says so."""
    ends, stated = [], []
    for seed in range(60):
        part = four()
        noise = np.random.default_rng(seed).normal(scale=0.003, size=(8, 1)) * part[["nx", "ny", "nz"]].to_numpy()
        part[["x", "y", "z"]] += noise
        frame = datum_frame(joined(part), [A, B], u=0.003)
        ends.append(frame.motion[0, 3] + 0.01)
        stated.append(frame.uncertainty[0])
    assert np.std(ends) < 0.003
    assert np.mean(np.abs(ends) <= 2 * np.array(stated)) >= 0.88


def test_a_plane_that_could_rock_says_on_what_it_rests():
    at = np.array([[x, y, -1e-4 * x * x] for x in (-20.0, -7, 8, 20) for y in (-15.0, 0, 15)])
    found = pd.concat([table(at, (0, 0, 1.0), foot=at * [1, 1, 0], deviation=at[:, 2], feature="p")])
    found["touch"] = np.arange(1, 13)
    notes = datum_frame(found, [Datum("A", "plane", "p")]).notes
    assert any("could rock" in note for note in notes) == (
        len(datum_frame(found, [Datum("A", "plane", "p")]).table["contact"].iloc[0]) < 3
    )
