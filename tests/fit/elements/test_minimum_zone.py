"""Minimum zones: closed forms, brute force, certificates, and what the touches that fix them prove."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from fit.elements.made import touches
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from thorough import some

from probekit.errors import InputError
from probekit.fit import element
from probekit.fit.elements.least_squares import fit_least_squares
from probekit.fit.elements.linear import narrowest
from probekit.fit.elements.shapes import KINDS, derivatives, distances, retract
from probekit.fit.slp import optimality_gap

few = settings(max_examples=25)
seeds = st.integers(0, 100_000)


def width_along(points: np.ndarray, normals: np.ndarray) -> np.ndarray:
    normals = normals[np.linalg.norm(normals, axis=1) > 1e-9]
    return np.ptp(points @ (normals / np.linalg.norm(normals, axis=1)[:, None]).T, axis=0)


@few
@given(seed=seeds, n=st.integers(4, 9), thin=st.sampled_from([1e-4, 0.05, 1.0]))
def test_plane_is_the_best_of_all_pairs_of_edges_and_all_facets(seed, n, thin):
    """Every minimum lies at a plane through three points or along two edges: all of them are tried here."""
    points = np.random.default_rng(seed).normal(size=(n, 3)) * [3, 2, thin]
    facets = [np.cross(points[b] - points[a], points[c] - points[a]) for a, b, c in combinations(range(n), 3)]
    edges = [points[b] - points[a] for a, b in combinations(range(n), 2)]
    pairs = [np.cross(e, f) for e, f in combinations(edges, 2)]
    brute = width_along(points, np.array(facets + pairs)).min()
    found = element(points, "plane", method="minimum_zone")
    assert found.form == pytest.approx(brute, rel=1e-10, abs=1e-14)
    assert found.certificate <= 1e-12


@few
@given(seed=seeds, n=st.integers(3, 12))
def test_line2_is_the_best_of_all_pairs(seed, n):
    points = np.random.default_rng(seed).normal(size=(n, 2)) * [3, 0.1]
    edges = np.array([points[b] - points[a] for a, b in combinations(range(n), 2)])
    brute = width_along(points, edges @ [[0, 1], [-1, 0]]).min()
    assert element(points, "line2", method="minimum_zone").form == pytest.approx(brute, rel=1e-10)


@few
@given(seed=seeds, n=st.integers(4, 8), noise=st.sampled_from([1e-4, 0.05, 0.5]))
def test_circle_is_the_best_of_all_its_possible_centres(seed, n, noise):
    """Centres where the bisectors of two pairs of points cross, or of a triple: all of them are tried here."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * (np.arange(n) + rng.uniform(0, 0.7, n)) / n
    points = (10 + rng.uniform(-noise, noise, n))[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    pairs = list(combinations(range(n), 2))
    best = np.inf
    for (a, b), (c, d) in combinations(pairs, 2):
        matrix = 2 * np.array([points[b] - points[a], points[d] - points[c]])
        if abs(np.linalg.det(matrix)) < 1e-9:
            continue
        square = (points**2).sum(axis=1)
        centre = np.linalg.solve(matrix, [square[b] - square[a], square[d] - square[c]])
        best = min(best, np.ptp(np.linalg.norm(points - centre, axis=1)))
    found = element(points, "circle2", method="minimum_zone")
    assert found.form == pytest.approx(best, abs=1e-9)
    rho = np.linalg.norm(points - found.parameters["centre"], axis=1)
    assert found.form == pytest.approx(np.ptp(rho), abs=1e-12)


@settings(max_examples=4)
@given(seed=seeds)
@pytest.mark.parametrize("kind", some(["line", "sphere", "cylinder", "cone", "torus", "ellipse2", "slot2", "width"]))
def test_no_general_search_from_least_squares_finds_a_narrower_zone(kind, seed):
    """Nelder and Mead's method (scipy) on the largest distance, from the least-squares element."""
    points = touches(kind, 16, seed=seed)
    found = element(points, kind, method="minimum_zone")
    shape = KINDS[kind]
    given = np.column_stack([points, np.zeros(len(points))]) if shape.dims == 2 else points
    shift = given.mean(axis=0)
    given = (given - shift) / 10
    start = fit_least_squares(shape, given)

    def zone(step: np.ndarray) -> float:
        off = distances(shape, retract(shape, start, 0.01 * step), given)
        return 20 * float(np.linalg.norm(off, axis=1).max() if kind == "line" else np.abs(off).max())

    searched = minimize(zone, np.zeros(shape.free), method="Nelder-Mead", options={"maxfev": 1500, "xatol": 1e-9})
    assert found.form <= searched.fun + 1e-9
    assert found.form <= element(points, kind).form + 1e-12
    assert found.certificate <= 1e-8


def ring(radii, heights=None) -> np.ndarray:
    turn = np.arange(len(radii)) * 2 * np.pi / len(radii)
    flat = np.asarray(radii)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    return flat if heights is None else np.column_stack([flat, heights])


def test_closed_forms():
    """Where inner and outer touches take turns about a centre, that centre is the best by symmetry."""
    radii = np.tile([10.0, 10.1], 6)
    circle = element(ring(radii) + np.array([3, -4]), "circle2", method="minimum_zone")
    assert circle.form == pytest.approx(0.1, abs=1e-12)
    assert circle.parameters["centre"] == pytest.approx([3, -4], abs=1e-9)
    assert circle.parameters["radius"] == pytest.approx(10.05, abs=1e-9)

    rings = np.vstack([ring(np.roll(radii, k), np.full(12, 8.0 * k)) for k in range(3)])
    cylinder = element(rings, "cylinder", method="minimum_zone")
    assert cylinder.form == pytest.approx(0.1, abs=1e-9)
    assert cylinder.parameters["direction"] == pytest.approx([0, 0, 1], abs=1e-6)

    octahedron = 10.0 * np.vstack([np.eye(3), -np.eye(3)])
    cube = 10.2 / np.sqrt(3) * np.array([[i, j, k] for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)])
    sphere = element(np.vstack([octahedron, cube]), "sphere", method="minimum_zone")
    assert sphere.form == pytest.approx(0.2, abs=1e-9)

    helix = ring(np.full(36, 0.03), np.zeros(36)) + np.linspace(-20, 20, 36)[:, None] * [0, 0, 1]
    line = element(np.vstack([helix, helix * [-1, -1, 1]]), "line", method="minimum_zone")
    assert line.form == pytest.approx(0.06, abs=1e-9)

    saddle = np.array([[20, 20, 0.01], [-20, -20, 0.01], [20, -20, -0.01], [-20, 20, -0.01]])
    plane = element(saddle, "plane", method="minimum_zone")
    assert plane.form == pytest.approx(0.02, abs=1e-12)
    assert plane.active == (0, 1, 2, 3)

    apart = np.vstack([saddle + np.array([0, 0, 5]), saddle * [1, 1, -1] - [0, 0, 5]])
    width = element(apart, "width", method="minimum_zone", outward=[0, 0, 1])
    assert width.form == pytest.approx(0.02, abs=1e-12)
    assert width.parameters["width"] == pytest.approx(10.0, abs=1e-12)


@pytest.mark.parametrize("kind", ["line2", "plane", "circle2", "circle", "sphere", "cylinder", "cone", "width"])
def test_the_touches_said_to_fix_a_zone_do(kind):
    """Alone they give the same zone; so no other element can hold all touches in a narrower one."""
    points = touches(kind, 60, seed=5)
    found = element(points, kind, method="minimum_zone")
    active = list(found.active)
    assert found.residuals[active] == pytest.approx(
        np.where(found.residuals[active] > 0, 0.5, -0.5) * found.form, abs=1e-8
    )
    assert np.abs(found.residuals).max() <= 0.5 * found.form + 1e-9
    if len(active) > KINDS[kind].needs and kind != "circle":
        alone = element(points[active], kind, method="minimum_zone")
        assert alone.form == pytest.approx(found.form, rel=1e-6)
    rest = np.setdiff1d(np.arange(60), np.random.default_rng(1).permutation(np.setdiff1d(np.arange(60), active))[:20])
    if kind != "circle":  # its plane is that of all touches
        assert element(points[rest], kind, method="minimum_zone").form == pytest.approx(found.form, rel=1e-6)


@pytest.mark.parametrize("kind", ["plane", "circle2", "sphere", "cylinder", "cone", "torus", "ellipse2", "slot2"])
def test_certificate_is_zero_at_the_minimum_zone_and_true_elsewhere(kind):
    """At the least-squares element the same certificate is positive, and no less than what there was to gain."""
    points = touches(kind, seed=2)
    best = element(points, kind, method="minimum_zone")
    assert best.certificate <= 1e-10
    shape = KINDS[kind]
    given = np.column_stack([points, np.zeros(len(points))]) if shape.dims == 2 else points
    given = given - given.mean(axis=0)
    state = fit_least_squares(shape, given / 10)
    distance, slope = derivatives(shape, state, given / 10)
    gap = 10 * optimality_gap(np.concatenate([distance, -distance]), np.vstack([slope, -slope]), np.ptp(distance))
    gained = np.abs(10 * distance).max() - 0.5 * best.form
    assert gap >= gained - 1e-6 > 0


@pytest.mark.parametrize("seed", range(4))
def test_a_wide_cylinder_of_touches_about_a_line_settles(seed):
    """Distances from a line curve strongly where touches are close to it: the proof must be reached all the same."""
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.normal(size=(60, 2)), rng.uniform(-20, 20, 60)])
    found = element(points, "line", method="minimum_zone")
    assert found.certificate <= 1e-8
    assert found.form < element(points, "line").form


def test_narrowest_reports_a_bound_that_no_direction_beats():
    points = np.random.default_rng(4).normal(size=(400, 3)) * [30, 20, 0.1] + 1000
    _, width, bound = narrowest([points])
    assert width - bound <= 1e-9
    directions = np.random.default_rng(5).normal(size=(3000, 3)) * [1e-3, 1e-3, 1]
    assert width_along(points, directions).min() >= bound


def test_flatness_of_a_bowed_plate_with_every_touch_on_the_hull():
    """A paraboloid z = (x^2 + y^2) / 2 R over a disc of radius 100: its zone is the sag 100^2 / 2 R, level."""
    t = np.arange(1000) * np.pi * (3 - np.sqrt(5))
    r = 100 * np.sqrt(np.arange(1000) / 999)
    edge = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    x, y = np.append(r * np.cos(t), 100 * np.cos(edge)), np.append(r * np.sin(t), 100 * np.sin(edge))
    found = element(np.column_stack([x, y, (x * x + y * y) / 2e5]), "plane", method="minimum_zone")
    assert found.form == pytest.approx(0.05, abs=1e-12)


def test_a_strip_narrower_than_the_ring_is_noted():
    """A zigzag of 0.02: the strip has that width, and every ring is wider."""
    points = np.column_stack([np.linspace(-10, 10, 9), 0.01 * (-1.0) ** np.arange(9)])
    with pytest.warns(UserWarning, match="deg of arc"):
        found = element(points, "circle2", method="minimum_zone")
    assert found.certificate == pytest.approx(found.form - 0.02, abs=1e-9)
    assert any("straight strip" in note for note in found.notes)


def test_a_width_needs_both_sides():
    with pytest.raises(InputError):
        element(touches("plane", 12, noise=0.0), "width", method="minimum_zone")
