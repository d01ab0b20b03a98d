"""Datum features that lie off as wholes, in a datum frame and in a fit: told from bad touches."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
import trimesh

import probekit as pk
from probekit.deviation import Projection
from probekit.fit import Datum, datum_frame, rigid
from probekit.plausibility import datum_residuals
from probekit.plausibility.apart import Apart
from probekit.plausibility.residuals import on_residuals

U = 0.003
BORES = {"B": (-30.0, 10.0), "D": (30.0, 8.0)}  # x and radius of two bores through a plate
DATUMS = [Datum("A", "plane", "top"), Datum("B", "cylinder", "B"), Datum("C", "cylinder", "D")]


@cache
def plate() -> pk.nominal.Nominal:
    """The top of a plate and the walls of its bores, as facets; bores of 720 sides, so that chords are under 0.1 um."""
    corners = np.array([[-50, -30, 0], [50, -30, 0], [50, 30, 0], [-50, 30, 0]], dtype=float)
    parts = [trimesh.Trimesh(corners, [[0, 1, 2], [0, 2, 3]], process=False)]
    for x, radius in BORES.values():
        turn = np.linspace(0, 2 * np.pi, 721)[:-1]
        ring = np.column_stack([x + radius * np.cos(turn), radius * np.sin(turn)])
        points = np.vstack([np.column_stack([ring, np.full(720, z)]) for z in (-20.0, 0.0)])
        k = np.arange(720)
        after = (k + 1) % 720
        walls = np.vstack([np.column_stack([k, k + 720, after]), np.column_stack([after, k + 720, after + 720])])
        parts.append(trimesh.Trimesh(points, walls, process=False))
    count = np.cumsum([0] + [len(one.vertices) for one in parts])
    facets = np.vstack([one.faces + start for one, start in zip(parts, count[:-1], strict=True)])
    face = np.repeat(np.arange(3), [len(one.faces) for one in parts])
    return pk.nominal.Nominal(np.vstack([one.vertices for one in parts]), facets, face, ("top", "B", "D"))


def touched(seed: int, *, off: float = 0.0, chip: float = 0.0, which: str = "D", few: bool = False) -> pd.DataFrame:
    """Touches of a plate whose bore D lies `off` along x, with a chip under one touch of a feature."""
    rng, rows = np.random.default_rng(seed), []
    top = np.array([(x, y, 0.0) for x in (-45, 0, 45) for y in (-25, 25)])
    rows.append(pd.DataFrame(top, columns=["x", "y", "z"]).assign(feature="top", k=0.0, i=0.0, j=0.0))
    rows[0]["k"] = 1.0
    for name, (x, radius) in BORES.items():
        heights = (-10.0,) if few else (-5.0, -15.0)
        turn = np.concatenate([2 * np.pi * np.arange(4) / 4 + 0.4 + 0.8 * k for k in range(len(heights))])
        at = np.column_stack([x + radius * np.cos(turn), radius * np.sin(turn), np.repeat(heights, 4)])
        one = pd.DataFrame(at, columns=["x", "y", "z"]).assign(feature=name, i=-np.cos(turn), j=-np.sin(turn), k=0.0)
        rows.append(one)
    table = pd.concat(rows, ignore_index=True)
    table[["x0", "y0", "z0"]] = table[["x", "y", "z"]]
    table["x"] += off * (table["feature"] == "D")
    normal, rise = table[["i", "j", "k"]].to_numpy(), rng.normal(scale=U, size=len(table))
    bad = rng.choice(np.flatnonzero(table["feature"] == which))
    rise[bad] += chip
    table[["x", "y", "z"]] += rise[:, None] * normal
    return table.assign(touch=np.arange(len(table)))


def residuals(table: pd.DataFrame, *, fitted: bool = False):
    how = Projection(plate(), stylus=0.0)
    found = how.project(table)
    frame = rigid(found, how, u=U) if fitted else datum_frame(found, DATUMS, nominal=how, u=U).alignment
    alone = () if fitted else ("top", "B", "D")  # in the order of the frame
    return datum_residuals(how.project(frame.apply(table)), frame, plate(), u=U, alone=alone)


@pytest.mark.parametrize("few", [False, True], ids=["8 touches a bore", "4 touches a bore"])
def test_a_datum_that_lies_off_is_no_bad_touch(few):
    """D 0.1 mm off along the line from B: the frame A|B|C does not depend on it, and the verdict need not wait."""
    tried = [residuals(touched(seed, off=0.1, few=few)) for seed in range(10)]
    told = [one for one in tried if one.apart]
    assert len(told) >= (7 if few else 10)  # of few touches one bad touch may tell as much: then it is a look
    for found in told:
        assert [one.feature for one in found.apart] == ["D"], "either explains as much; the frame takes B first"
        assert abs(found.apart[0].shift[0]) == pytest.approx(0.1, abs=4 * U)
        assert found.agree
        assert not found.outliers
        assert [one.level for one in on_residuals(found)] == ["note"]


def test_a_bore_that_lies_off_is_no_scale_of_the_machine():
    """0.1 mm of 60 mm would be 1700 um/m; at 0.025 mm it may be either, and both are named."""
    assert not any(residuals(touched(seed, off=0.1)).pattern for seed in range(10))
    either = [one.pattern for seed in range(10) if (one := residuals(touched(seed, off=0.025))).pattern]
    assert len(either) >= 3
    assert all("a scale of the machine along x of " in one and one.endswith(", or D lying off") for one in either)


def test_a_turn_is_not_told_as_a_shift_of_nothing():
    """It read 'by (+0.000, +0.000, +0.000) mm, 0.050 mm at the touch that is moved most'."""
    turned = "S lies askew to where the others put it, by 0.050 mm at its worst touch"
    assert Apart("S", (0.0, 0.0004, 0.0), 0.05).said == turned
    assert "(+0.000, +0.040, +0.000) mm" in Apart("S", (0.0, 0.04, 0.0), 0.05).said


def test_a_fit_that_mixes_such_features_is_in_doubt_and_says_why():
    found = residuals(touched(1, off=0.1), fitted=True)
    (said,) = on_residuals(found)
    assert (said.level, said.touches) == ("look", ())
    assert said.what.startswith(("datum feature D lies off", "datum feature B lies off"))
    assert "in the order of the drawing" in said.todo
    assert "more of them change nothing" in said.cause


@pytest.mark.parametrize("few", [False, True], ids=["8 touches a bore", "4 touches a bore"])
@pytest.mark.parametrize("which", ["top", "B", "D"])
def test_a_chip_is_not_taken_for_such_a_feature(which, few):
    """Counted: of 20 chips of 0.06 mm none passes as a feature that lies off, whether or not the touch can be named."""
    found = [residuals(touched(seed, chip=0.06, which=which, few=few)) for seed in range(20)]
    assert not any(one.apart for one in found)
    assert sum(one.agree for one in found) <= (0 if which != "top" else 2)


def test_good_frames_are_left_alone():
    found = [residuals(touched(seed)) for seed in range(20)]
    assert not any(one.apart for one in found)
    assert all(one.agree for one in found)
