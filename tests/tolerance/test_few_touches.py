"""Bores of few touches: the corners of a box lie on three cylinders, and scatter must not choose which one is judged.

Bounds: with n touches at each of the two ends and scatter s, the centre there has a standard deviation of s sqrt(2/n)
along either direction (closed form, least squares); envelopes rest on single touches and scatter by some s.
"""

import json
import shutil

import numpy as np
import pandas as pd
import pytest
from thorough import some
from tolerance.touched import table

import probekit as pk
from probekit import cli
from probekit.demo import demo_folder
from probekit.errors import FitError, InputError
from probekit.fit.elements import element
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

SCATTER = 0.003
PATTERNS = [(2, 3, False), (2, 3, True), (2, 4, False), (2, 4, True), (3, 3, False), (2, 5, False)]
SHAPES = [(8.0, 0.5), (20.0, 0.5), (20.0, 2.0), (60.0, 0.25)]


def rings(levels, n, staggered, diameter, length):
    """Places (m, 3) and outward normals of the material of a bore about z."""
    places, normals = [], []
    for k, z in enumerate(np.linspace(0.0, length, levels)):
        angle = 2 * np.pi * np.arange(n) / n + (np.pi / n if staggered and k % 2 else 0.0) + 0.3
        unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n)])
        places.append(diameter / 2 * unit + [0, 0, z])
        normals.append(-unit)
    return np.vstack(places), np.vstack(normals)


def bore(pattern, diameter, length, seed):
    places, normals = rings(*pattern, diameter, length)
    off = np.random.default_rng(seed).normal(scale=SCATTER, size=len(places))
    return table(places + off[:, None] * normals, normals, deviation=off, foot=places)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize(("diameter", "ratio"), some(SHAPES))
def test_the_bore_that_was_touched_is_judged(pattern, diameter, ratio):
    end = 2 * 5 * SCATTER * np.sqrt(2 / pattern[1])  # twice five standard deviations
    for seed in range(2):
        found = bore(pattern, diameter, ratio * diameter, seed)
        limits = (diameter - 0.1, diameter + 0.1)
        for method in ("least_squares", "maximum_inscribed"):
            assert pk.tolerance.position(found, 0.05, method=method).actual < end
            size = pk.tolerance.size(found, limits, method=method).details["largest size"]
            assert size == pytest.approx(diameter, abs=6 * SCATTER)
            lean = pk.tolerance.orientation_of_axis(found, 0.05, kind="perpendicularity", method=method)
            assert lean.actual < 1.5 * end
        assert pk.tolerance.cylindricity(found, 0.05).actual < 6 * SCATTER


@pytest.mark.parametrize("pattern", [(2, 3, False), (2, 3, True), (2, 4, False)])
def test_an_element_without_a_start_says_that_it_is_ambiguous(pattern):
    for seed in range(5):
        places = bore(pattern, 20.0, 10.0, seed)[["x", "y", "z"]].to_numpy()
        alone = element(places, "cylinder", material="outside")
        leans = abs(alone.parameters["direction"][2]) < 0.99
        assert alone.ambiguous or not leans
        if alone.ambiguous:
            assert "ambiguous" in alone.sentence
            assert any(note.startswith("ambiguous") for note in alone.notes)
            rms = float(np.sqrt(np.mean(alone.residuals**2)))
            assert alone.ambiguous[0]["rms"] >= rms * (1 - 1e-9)
        start = {"point": [0.0, 0.0, 0.0], "direction": [0.0, 0.0, 1.0], "radius": 10.0}
        told = element(places, "cylinder", material="outside", start=start)
        assert abs(told.parameters["direction"][2]) > 0.999
        assert not told.ambiguous


def test_patterns_that_hold_a_cylinder_are_not_called_ambiguous():
    for pattern in ((2, 4, True), (2, 5, True), (3, 4, False)):
        for seed in range(5):
            places = bore(pattern, 20.0, 10.0, seed)[["x", "y", "z"]].to_numpy()
            assert not element(places, "cylinder", material="outside").ambiguous


def test_a_cube_of_touches_is_ambiguous_as_a_plane_and_as_a_line():
    corners = np.array([[x, y, z] for x in (0, 9.0) for y in (0, 9.0) for z in (0, 9.0)])
    assert element(corners, "plane").ambiguous
    assert element(corners, "line").ambiguous
    flat = corners * [1, 1, 1e-3]
    assert not element(flat, "plane").ambiguous


def test_an_element_that_leaves_its_start_is_refused():
    places, _ = rings(3, 8, False, 20.0, 30.0)
    start = {"point": [0.0, 0.0, 0.0], "direction": [1.0, 0.0, 0.2], "radius": 10.0}
    with pytest.raises(FitError, match="left the one it was to start from"):
        element(places, "cylinder", material="outside", start=start)
    with pytest.raises(InputError, match="is incomplete"):
        element(places, "cylinder", start={"radius": 10.0})
    with pytest.raises(InputError, match="has no start"):
        element(places, "plane", start={"point": [0, 0, 0]})


@pytest.mark.parametrize("wobble", [0.0, 0.002, 0.2])
def test_touched_at_one_depth_the_position_is_bounded_and_the_orientation_refused(wobble):
    found = bore((1, 7, False), 20.0, 0.0, 0)
    up = np.random.default_rng(1).uniform(-wobble, wobble, len(found))
    for column in ("z", "cz", "foot_z"):
        found[column] += up
    judged = pk.tolerance.position(found, 0.05, length=(-10.0, 10.0))
    assert judged.actual < 0.03
    assert any("too little to tell its direction" in note for note in judged.notes)
    with pytest.raises(InputError, match="too close together along the axis"):
        pk.tolerance.orientation_of_axis(found, 0.05, kind="perpendicularity")


def test_a_position_says_over_which_length_it_is():
    found = bore((2, 5, True), 20.0, 8.0, 0)
    assert any(note.startswith("over the 8.000 mm of its length") for note in pk.tolerance.position(found, 0.1).notes)
    told = pk.tolerance.position(found, 0.1, length=(-10.0, 10.0))
    assert not any(note.startswith("over the") for note in told.notes)


def test_through_a_study_on_the_command_line(tmp_path):
    """The demo's bore, touched 2 x 4 at equal angles: its position was 24 m to 5685 m."""
    folder = demo_folder() / "foil"
    touches = pk.touches.read(folder / "touches.csv")
    table_ = pd.DataFrame(touches)[touches["feature"] != "bore"][["feature", "x0", "y0", "z0", "i", "j", "k"]]
    places, normals = rings(2, 4, False, 20.0, 10.0)
    own = pd.DataFrame({"feature": "bore"}, index=range(8))
    own[["x0", "y0", "z0"]], own[["i", "j", "k"]] = places + np.array([-45.0, 26.0, -14.0]), normals
    table_ = pd.concat([table_, own], ignore_index=True)
    off = 2.991 + np.random.default_rng(3).normal(scale=SCATTER, size=(len(table_), 1))
    table_[["x", "y", "z"]] = table_[["x0", "y0", "z0"]].to_numpy() + off * table_[["i", "j", "k"]].to_numpy()
    table_.insert(0, "touch", np.arange(1, len(table_) + 1))
    written = tmp_path / "touches.csv"
    written.write_text("# unit: mm\n# recorded: centre\n" + table_.to_csv(index=False), encoding="utf-8")
    text = (folder / "study_mesh.toml").read_text(encoding="utf-8")
    start, end = text.index("[[tolerance]]"), text.index("[uncertainty]")
    wanted = (
        '[[tolerance]]\nkind = "position"\nfeatures = ["bore"]\nwidth = 0.1\nat = [-45, 26, 0]\n'
        "direction = [0, 0, 1]\n\n"
        '[[tolerance]]\nkind = "size"\nmethod = "maximum_inscribed"\nfeatures = ["bore"]\nlimits = [19.9, 20.1]\n\n'
    )
    text = text[:start] + wanted + text[end:]
    shutil.copy(folder / "foil.3mf", tmp_path)
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    assert cli.main(["inspect", str(path), "--to", str(tmp_path / "out")]) in (0, 1)
    results = json.loads(next((tmp_path / "out").glob("*.json")).read_text(encoding="utf-8"))
    position, size = results["evaluations"]
    assert position["actual"] < 0.1
    assert size["actual"] < 0.1


def test_an_envelope_that_scatter_lets_lean_has_the_bounds_of_least_squares_as_well():
    """2 x 3 touches over 3 mm of a bore that leans by 0.02: one ring holds the envelope, which leans less in the other.

    Over 20 mm the lean is 0.1333, which least squares finds in the mean. Of 60 parts of a plate exactly at the limit 8
    were accepted by the envelope alone, 1 with both (simulated; 5 % are promised).
    """
    places, normals = rings(2, 3, True, 10.0, 3.0)
    scatter = Scatter(np.full(6, SCATTER), np.zeros((6, 0)), (), {"probe repeatability": np.full(6, SCATTER)})
    leans = {"maximum_inscribed": [], "least_squares": []}
    for seed in range(24):
        lean = 0.02 * normals[:, 0] * (places[:, 2] / 3.0 - 0.5)
        off = lean + np.random.default_rng(seed).normal(scale=SCATTER, size=6)
        found = table(places + off[:, None] * normals, normals, deviation=off, foot=places)
        high = {}
        for method, values in leans.items():
            options = {"kind": "perpendicularity", "length": (0.0, 20.0), "method": method}
            one = pk.tolerance.orientation_of_axis(found, 0.1, **options)
            values.append(one.actual)
            high[method] = bounds(one, scatter).high
        assert high["maximum_inscribed"] >= high["least_squares"] - 1e-9
    by = {method: np.mean(values) for method, values in leans.items()}
    assert by["maximum_inscribed"] < 0.1333 - 0.005  # why it is needed
    assert by["least_squares"] == pytest.approx(0.1333, abs=0.025)


def test_an_envelope_that_slides_towards_its_true_position_has_the_bounds_of_least_squares_as_well():
    """2 x 4 touches over 3 mm: of all places of an envelope that is not unique the most favourable is the actual value.

    Scatter makes such places where the bore has none. Of 60 parts of a plate exactly at the limit 25 were accepted by
    the envelope alone, 5 with both (simulated; 5 % are promised).
    """
    places, normals = rings(2, 4, True, 10.0, 3.0)
    scatter = Scatter(np.full(8, SCATTER), np.zeros((8, 0)), (), {"probe repeatability": np.full(8, SCATTER)})
    less = 0
    for seed in range(12):
        shift = 0.02 * normals[:, 0] * (places[:, 2] / 3.0 + 0.5)
        off = shift + np.random.default_rng(seed).normal(scale=SCATTER, size=8)
        found = table(places + off[:, None] * normals, normals, deviation=off, foot=places)
        options = {"at": (0.0, 0.0, 0.0), "direction": (0.0, 0.0, 1.0), "length": (-8.0, 12.0)}
        by = [pk.tolerance.position(found, 0.3, method=way, **options) for way in (None, "least_squares")]
        high = [bounds(one, scatter).high for one in by]
        assert high[0] >= high[1] - 1e-9
        less += by[0].actual < by[1].actual - 0.005
    assert less > 6  # why it is needed
