"""An axis is judged over the length of its feature, not over what was touched; closed forms of a leaning bore."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import trimesh

import probekit as pk

RADIUS, LENGTH, LEAN = 10.0, 25.0, 0.1


@pytest.fixture(scope="module")
def tube():
    """A tube with a bore along z from 0 to 25, as a mesh whose vertices lie on it."""
    mesh = trimesh.creation.annulus(RADIUS, 16.0, LENGTH, sections=256)
    corners = mesh.vertices + np.array([0, 0, LENGTH / 2])
    flat = np.abs(mesh.face_normals[:, 2]) > 0.5
    inner = np.linalg.norm(mesh.triangles_center[:, :2], axis=1) < 13.0
    face = np.where(flat, np.where(mesh.face_normals[:, 2] > 0, 2, 3), np.where(inner, 0, 1))
    return pk.nominal.Nominal(corners, mesh.faces, face, ("bore", "outside", "top", "bottom"))


def touched(tube, low, high, *, scatter=0.0, lean=LEAN, seed=0, csv=None):
    """Deviations of a bore whose axis leans by `lean` over the whole length, touched from `low` to `high`."""
    height, angle = np.meshgrid(np.linspace(low, high, 4), 2 * np.pi * np.arange(9) / 9 + 0.1, indexing="ij")
    unit = np.column_stack([np.cos(angle.ravel()), np.sin(angle.ravel()), np.zeros(angle.size)])
    target = RADIUS * unit + np.outer(height.ravel(), [0, 0, 1])
    noise = np.random.default_rng(seed).normal(scale=scatter, size=angle.size) if scatter else 0.0
    shift = np.zeros_like(target)
    shift[:, 0] = lean * (height.ravel() - LENGTH / 2) / LENGTH
    place = target + shift - unit * np.reshape(noise, (-1, 1))
    table = pd.DataFrame({"touch": np.arange(1, angle.size + 1), "feature": "bore"})
    table[["x0", "y0", "z0"]], table[["i", "j", "k"]], table[["x", "y", "z"]] = target, -unit, place
    table = pk.deviation.Projection(tube, stylus=0.0).project(table)
    if csv is not None:
        table.to_csv(csv, index=False)
        table = pd.read_csv(csv)
    return table


def lean_of(table, nominal, **options):
    tolerance = pk.tolerance.Orientation(
        of="perpendicularity", feature="axis", width=0.06, direction=(0, 0, 1), **options
    )
    return tolerance.evaluate(table, nominal)


def place_of(table, nominal, at=(0, 0, 0), **options):
    spec = pk.tolerance.Position(width=0.06, at=at, direction=(0, 0, 1), **options)
    return spec.evaluate(table, nominal)


@pytest.mark.parametrize("method", ["least_squares", "maximum_inscribed"])
def test_a_bore_touched_over_half_its_length_is_judged_over_all_of_it(tube, tmp_path, method):
    table = touched(tube, 2.0, 14.0, csv=tmp_path / "touches.csv")
    chord = RADIUS * (1 - np.cos(np.pi / 256))
    lean, place = lean_of(table, tube, method=method), place_of(table, tube, method=method)
    assert lean.actual == pytest.approx(LEAN, abs=6 * chord)
    assert place.actual == pytest.approx(LEAN, abs=6 * chord)  # twice the half of it at either end
    assert min(place.actual, lean.actual) > 0.06
    for one in (lean, place):
        assert any("full length of 25.000 mm, of which 12.000 mm were touched" in note for note in one.notes)
    # the same touches without the model: what was touched, and the note that says so
    assert lean_of(table, None, method=method).actual == pytest.approx(LEAN * 12 / 25, abs=3 * chord)
    assert any("that were touched" in note for note in place_of(table, None, method=method).notes)


def test_what_the_drawing_says_comes_before_the_model(tube):
    table = touched(tube, 2.0, 14.0)
    assert place_of(table, tube, length=(30.0, 50.0)).actual == pytest.approx(2 * LEAN * 37.5 / 25, rel=0.02)
    assert lean_of(table, tube, length=(0.0, 10.0)).actual == pytest.approx(LEAN * 10 / 25, rel=0.02)


def test_touches_near_both_ends_leave_nothing_to_say(tube):
    table = touched(tube, 0.2, 24.8)
    assert not any("length" in note for note in place_of(table, tube).notes)


def test_the_doubt_grows_as_far_as_the_axis_is_carried_on(tube):
    """Closed form of least squares: sd of the axis at z is u sqrt(2/n) sqrt(1 + (z - mean)^2 / var) either way."""
    u, low, high = 0.002, 2.0, 8.0
    options = {"at": (-LEAN / 2, 0, 0), "method": "least_squares"}  # off by nothing at the bottom, by LEAN at the top
    said = place_of(touched(tube, low, high), tube, **options)
    level = np.linspace(low, high, 4)
    expected = 2 * u * np.sqrt(2 / 36 * (1 + (LENGTH - level.mean()) ** 2 / level.var()))
    assert u * float(np.linalg.norm(said.gradient)) == pytest.approx(expected, rel=0.02)
    drawn = [place_of(touched(tube, low, high, scatter=u, seed=seed), tube, **options).actual for seed in range(60)]
    assert np.std(drawn) == pytest.approx(expected, rel=0.3)
    assert any("hardly known" in note for note in said.notes)


def test_a_bore_that_runs_out_into_a_blend_ends_where_the_cylinder_ends():
    """Mesh of one smooth face: bore, then a quarter round of 5 mm, then the flat top."""
    turn = np.linspace(0, np.pi / 2, 24)
    profile = [(10.0, 0.0), (10.0, 10.0), (10.0, 20.0)]
    profile += [(15 - 5 * np.cos(t), 20 + 5 * np.sin(t)) for t in turn[1:]]
    profile += [(30.0, 25.0), (30.0, 0.0), (10.0, 0.0)]
    mesh = trimesh.creation.revolve(np.array(profile), sections=256)
    mesh.fix_normals()
    nominal = pk.nominal.Nominal(mesh.vertices, mesh.faces, np.zeros(len(mesh.faces), int), ("skin",))
    table = touched(nominal, 2.0, 14.0)
    assert lean_of(table, nominal).actual == pytest.approx(LEAN * 20 / 25, rel=0.03)


def of_sides(tube, ends, seed):
    """A perfect bore with 2 um of noise, from four sides in the middle and from `ends` [deg] at 2 and 23 mm."""
    places = [(12.5, a) for a in (30, 150, 210, 330)] + [(z, a) for z in (2.0, 23.0) for a in ends]
    height, angle = np.array([z for z, _ in places]), np.radians([a for _, a in places])
    unit = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(len(places))])
    target = RADIUS * unit + np.outer(height, [0, 0, 1])
    table = pd.DataFrame({"touch": np.arange(1, len(places) + 1), "feature": "bore"})
    table[["x0", "y0", "z0"]], table[["i", "j", "k"]] = target, -unit
    table[["x", "y", "z"]] = target + np.random.default_rng(seed).normal(scale=0.002, size=(len(unit), 1)) * unit
    return pk.deviation.Projection(tube, stylus=0.0).project(table)


@pytest.mark.parametrize("judged", [place_of, lean_of])
def test_an_axis_that_its_touches_leave_to_tilt_is_refused(tube, judged):
    """A circle shifted by d across two opposed touches leaves them by d^2 / (2 r): 2 um are worth 0.2 mm at r = 10."""
    for seed in (0, 3, 4):
        with pytest.raises(pk.InputError, match=r"do not fix the direction of an axis.*leave it to tilt.*all round"):
            judged(of_sides(tube, (0, 180), seed), tube)
        assert judged(of_sides(tube, (0, 120, 240), seed), tube).actual < 0.03
