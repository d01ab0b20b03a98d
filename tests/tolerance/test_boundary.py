"""Position of a feature that is not round as a boundary, against brute force of an oval bore and closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import trimesh
from scipy.optimize import minimize
from thorough import some
from tolerance.inspected import inspected
from tolerance.touched import table

import probekit as pk
from probekit.tolerance import Boundary
from probekit.tolerance.bounds import bounds
from probekit.uncertainty import Scatter

WIDE, HIGH, DEEP = 12.0, 8.0, 20.0  # half axes of the oval and the depth [mm]


@pytest.fixture(scope="module")
def oval():
    """A tube whose bore is an ellipse of half axes 12 along x and 8 along y, as a mesh."""
    mesh = trimesh.creation.annulus(1.0, 2.0, DEEP, sections=360)
    flat = np.abs(mesh.face_normals[:, 2]) > 0.5
    inner = np.linalg.norm(mesh.triangles_center[:, :2], axis=1) < 1.5
    face = np.where(flat, 2, np.where(inner, 0, 1))
    return pk.nominal.Nominal(mesh.vertices * [WIDE, HIGH, 1.0], mesh.faces, face, ("bore", "outside", "ends"))


def touched(oval, *, n=9, shift=(0.0, 0.0), grown=0.0, scatter=0.0, seed=0, csv=None):
    """Deviations of an oval that is `grown` larger all round and off by `shift`."""
    angle = np.tile(2 * np.pi * np.arange(n) / n + 0.2, 2)
    height = np.repeat([-6.0, 6.0], n)
    at = np.column_stack([WIDE * np.cos(angle), HIGH * np.sin(angle), height])
    normal = -np.column_stack([np.cos(angle) / WIDE, np.sin(angle) / HIGH, np.zeros(2 * n)])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    place = at - grown * normal + [*shift, 0.0]
    place += np.random.default_rng(seed).normal(scale=scatter, size=(2 * n, 1)) * normal if scatter else 0.0
    found = pd.DataFrame({"touch": np.arange(1, 2 * n + 1), "feature": "bore"})
    found[["x0", "y0", "z0"]], found[["i", "j", "k"]], found[["x", "y", "z"]] = at, normal, place
    found = pk.deviation.Projection(oval, stylus=0.0).project(found)
    if csv is not None:
        found.to_csv(csv, index=False)
        found = pd.read_csv(csv)
    return found


def off_ellipse(points):
    """Signed distances of points (n, 2) from the ellipse, inside positive, by a fine polygon."""
    angle = np.linspace(0, 2 * np.pi, 40_001)
    line = np.column_stack([WIDE * np.cos(angle), HIGH * np.sin(angle)])
    near = np.array([np.hypot(*(line - p).T).min() for p in points])
    return np.where((points / [WIDE, HIGH]) ** 2 @ [1, 1] < 1, near, -near)


@pytest.mark.parametrize("n", [4, 5, 9, 40])
@pytest.mark.parametrize(("modifier", "within"), [("M", (-0.1, 0.1)), ("L", (-0.1, 0.1)), ("M", (-0.2, 0.0))])
def test_value_against_brute_force(oval, tmp_path, n, modifier, within):
    found = touched(oval, n=n, shift=(0.12, -0.07), grown=0.04, csv=tmp_path / "deviations.csv")
    one = Boundary(width=0.2, modifier=modifier, within=within, features="bore").evaluate(found)
    d = off_ellipse(found[["x", "y"]].to_numpy())
    beyond = (d - within[1]).max() if modifier == "M" else (within[0] - d).max()
    assert one.actual == pytest.approx(max(2 * beyond, 0.0), abs=2e-3)  # the mesh is 1 um off the ellipse
    assert one.details["room to the boundary"] == pytest.approx(0.1 - beyond, abs=1e-3)


def test_a_part_shifted_by_what_its_size_leaves_passes():
    """Two planes 0.1 apart from a slot that is 0.3 too wide on each side and off by 0.25: d = -0.05 and -0.55."""
    points = np.array([[0, 5.55, 0], [9, 5.55, 0], [0, -5.05, 0], [9, -5.05, 0.0]])
    found = table(points, [[0, -1, 0], [0, -1, 0], [0, 1, 0], [0, 1, 0.0]], deviation=[-0.55, -0.55, -0.05, -0.05])
    one = Boundary(width=0.0, within=(-0.6, 0.0)).evaluate(found)
    assert (one.actual, one.width) == (0.0, 0.0)
    assert one.details["room to the boundary"] == pytest.approx(0.05)
    assert set(one.ruling) == {3, 4}
    least = Boundary(width=0.1, within=(-0.5, 0.0), modifier="L")
    assert least.evaluate(found).actual == pytest.approx(0.1)
    assert "BOUNDARY" in least.frame
    assert "0.1\u24c1" in least.frame


@pytest.mark.parametrize("n", some([4, 7, 30]))
def test_freedom_of_the_frame_is_used(oval, n):
    found = touched(oval, n=n, shift=(0.12, -0.07), grown=-0.15)
    spec = Boundary(width=0.2, within=(-0.1, 0.1), features="bore", free=("tx", "ty"))
    one = spec.evaluate(found, oval)
    points = found[["x", "y"]].to_numpy()
    brute = min(
        minimize(lambda q: off_ellipse(points + q).max(), start, method="Nelder-Mead", options={"xatol": 1e-6}).fun
        for start in ((-0.12, 0.07), (0.0, 0.0))
    )
    assert one.actual == pytest.approx(2 * (brute - 0.1), abs=3e-3)
    assert one.actual <= Boundary(width=0.2, within=(-0.1, 0.1), features="bore").evaluate(found).actual + 1e-9


def test_gradient_and_bounds(oval):
    """A pushed touch that rules raises the value by twice as much; at the limit few are accepted or rejected."""
    spec = Boundary(width=0.1, within=(-0.1, 0.0), features="bore")
    found = touched(oval, n=7, grown=-0.05)  # d = 0.05 all round: exactly at the limit
    one = spec.evaluate(found)
    assert np.abs(one.gradient).sum() == pytest.approx(2.0)
    accepted = rejected = 0
    runs, u = 200, 0.003
    for seed in range(runs):
        noisy = touched(oval, n=7, grown=-0.05, scatter=u, seed=seed)
        reach = bounds(spec.evaluate(noisy), Scatter.independent(np.full(len(noisy), u)))
        accepted += reach.high <= 0.1
        rejected += reach.low > 0.1
    assert max(accepted, rejected) / runs <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"width": -0.1}, "must be positive, or zero"),
        ({"within": (0.1, -0.1)}, "two rising deviations"),
        ({"modifier": ""}, "unknown value"),
    ],
)
def test_what_cannot_be(options, match):
    with pytest.raises(pk.InputError, match=match):
        Boundary(**{"width": 0.1, "within": (-0.1, 0.1), **options})


def test_in_a_study(tmp_path):
    study = """
[[tolerance]]
kind = "position of a boundary"
name = "slot"
features = ["slot"]
width = 0.1
within = [-0.05, 0.05]
"""
    one = inspected(tmp_path, study)["slot"]
    assert one["actual"] == 0.0
    assert 0 < one["details"]["room to the boundary"] < 0.11
