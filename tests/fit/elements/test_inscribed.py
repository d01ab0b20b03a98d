"""Inscribed, circumscribed and tangent elements: closed forms, brute force, and that no small move does better."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from fit.elements.made import touches
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from probekit.errors import InputError
from probekit.fit import element
from probekit.fit.elements.inscribed import smallest_ball

few = settings(max_examples=25)
seeds = st.integers(0, 100_000)


def circle_through(points: np.ndarray) -> tuple[np.ndarray, float]:
    edges = points[1:] - points[0]
    gram = edges @ edges.T
    centre = points[0] + np.linalg.solve(2 * gram, np.diag(gram)) @ edges
    return centre, float(np.linalg.norm(points[0] - centre))


@few
@given(seed=seeds, d=st.sampled_from([2, 3]))
def test_smallest_ball_is_the_best_of_all_subsets(seed, d):
    points = np.random.default_rng(seed).normal(size=(9, d))
    balls = [circle_through(points[list(c)]) for k in range(2, d + 2) for c in combinations(range(9), k)]
    brute = min(r for c, r in balls if np.linalg.norm(points - c, axis=1).max() <= r * (1 + 1e-9))
    _, radius, _, bound = smallest_ball(points)
    assert radius == pytest.approx(brute, rel=1e-10)
    assert bound == pytest.approx(brute, rel=1e-10)
    found = element(points, "circle2" if d == 2 else "sphere", method="minimum_circumscribed")
    assert found.parameters["radius"] == pytest.approx(brute, rel=1e-9)
    assert found.certificate <= 1e-12


@few
@given(seed=seeds)
def test_largest_empty_circle_is_the_best_of_all_acute_triples(seed):
    """A circle held all around touches the corners of a triangle without an obtuse angle: all are tried here."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * (np.arange(9) + rng.uniform(0, 0.8, 9)) / 9
    points = (10 + rng.uniform(-0.5, 0.5, 9))[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    brute = 0.0
    for three in combinations(range(9), 3):
        corners = points[list(three)]
        centre, radius = circle_through(corners)
        sides = sorted(np.sum((corners - np.roll(corners, 1, axis=0)) ** 2, axis=1))
        empty = np.linalg.norm(points - centre, axis=1).min() >= radius * (1 - 1e-9)
        if empty and sides[0] + sides[1] >= sides[2]:
            brute = max(brute, radius)
    found = element(points, "circle2", method="maximum_inscribed", material="outside")
    assert found.parameters["radius"] == pytest.approx(brute, rel=1e-9)
    assert len(found.active) >= 3
    assert found.residuals.max() <= 1e-9  # positive is away from the material: into the bore


@pytest.mark.parametrize("kind", ["circle2", "circle", "sphere", "cylinder", "width"])
@pytest.mark.parametrize("material", ["inside", "outside"])
def test_the_order_of_sizes(kind, material):
    points = touches(kind, seed=3)
    size = "width" if kind == "width" else "radius"
    fits = {
        m: element(points, kind, method=m, material=material)
        for m in ("maximum_inscribed", "minimum_zone", "least_squares", "minimum_circumscribed")
    }
    sizes = {m: fit.parameters[size] for m, fit in fits.items()}
    assert sizes["maximum_inscribed"] < sizes["minimum_zone"] < sizes["minimum_circumscribed"]
    assert sizes["maximum_inscribed"] < sizes["least_squares"] < sizes["minimum_circumscribed"]
    sign = 1.0 if material == "inside" else -1.0
    assert (sign * fits["minimum_circumscribed"].residuals).max() == pytest.approx(0.0, abs=1e-10)
    assert (sign * fits["maximum_inscribed"].residuals).min() == pytest.approx(0.0, abs=1e-10)
    for method in ("maximum_inscribed", "minimum_circumscribed"):
        assert np.abs(fits[method].residuals[list(fits[method].active)]).max() <= 1e-8
        assert fits[method].certificate <= 1e-9


@pytest.mark.parametrize(("method", "sign"), [("minimum_circumscribed", 1.0), ("maximum_inscribed", -1.0)])
@pytest.mark.parametrize("seed", range(4))
def test_no_small_move_of_a_cylinder_does_better(method, sign, seed):
    points = touches("cylinder", 30, seed=seed)
    found = element(points, "cylinder", method=method)
    point, direction = found.parameters["point"], found.parameters["direction"]
    rng = np.random.default_rng(seed)
    for size in (1e-6, 1e-4, 1e-2):
        moved = point + size * rng.normal(size=(300, 3))
        turned = direction + size / 15 * rng.normal(size=(300, 3))
        turned /= np.linalg.norm(turned, axis=1)[:, None]
        rho = np.linalg.norm(np.cross(points[None] - moved[:, None], turned[:, None]), axis=2)
        best = (sign * np.max(sign * rho, axis=1)).min() if sign > 0 else rho.min(axis=1).max()
        assert sign * best >= sign * found.parameters["radius"] - 1e-9


def test_closed_forms():
    """A square of touches with one bump, and a triangle: Euclid."""
    turn = np.arange(4) * np.pi / 2
    square = np.column_stack([np.cos(turn), np.sin(turn)]) * 10
    assert element(square, "circle2", method="minimum_circumscribed").parameters["radius"] == pytest.approx(10)
    assert element(square, "circle2", method="maximum_inscribed").parameters["radius"] == pytest.approx(10)
    # three touches of an isosceles triangle, (9, 0), (0, 10), (0, -10), hold the circle at x = 9 - r: r = 181 / 18 is
    # obtuse (centre left of the base), so the touch at (-10, 0) takes part: centre -0.5, r^2 = 100.25 lies beyond 9.5
    bump = np.array([[9.0, 0.0], [0.0, 10.0], [-10.0, 0.0], [0.0, -10.0]])
    found = element(bump, "circle2", method="maximum_inscribed")
    assert found.parameters["radius"] >= 9.5
    assert np.linalg.norm(bump - found.parameters["centre"], axis=1).min() == pytest.approx(found.parameters["radius"])
    rings = np.vstack([np.column_stack([square, np.full(4, z)]) for z in (-5.0, 0.0, 5.0)])
    for method in ("minimum_circumscribed", "maximum_inscribed"):
        cylinder = element(rings, "cylinder", method=method)
        assert cylinder.parameters["radius"] == pytest.approx(10, abs=1e-9)


def test_half_a_circle_holds_no_inscribed_one():
    turn = np.linspace(0, 2.5, 12)
    with pytest.raises(InputError, match="all around"):
        element(10 * np.column_stack([np.cos(turn), np.sin(turn)]), "circle2", method="maximum_inscribed")


def test_a_few_touches_that_do_not_hold_a_cylinder():
    turn = np.linspace(0, 2.5, 8)
    points = np.column_stack([10 * np.cos(turn), 10 * np.sin(turn), np.tile([0.0, 9.0], 4)])
    with pytest.raises(InputError, match="do not constrain"):
        element(points, "cylinder", method="maximum_inscribed")


@few
@given(seed=seeds, d=st.sampled_from([2, 3]))
def test_tangent_plane_is_the_constrained_least_squares(seed, d):
    """Against scipy's SLSQP on the heights, from many starts; and all touches on the material side."""
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(12, d)) * ([10, 8, 0.2] if d == 3 else [10, 0.2])
    up = np.eye(d)[-1]
    kind, normal = ("plane", "direction") if d == 3 else ("line2", "normal")
    found = element(points, kind, method="tangent", outward=up)
    direction = found.parameters[normal]
    assert direction @ up > 0
    assert found.residuals.max() == pytest.approx(0.0, abs=1e-12)
    total = found.residuals @ found.residuals
    centred = points - points.mean(axis=0)

    def squares(x: np.ndarray) -> float:
        n = np.append(x[:-1], 1.0)
        return float(np.sum((x[-1] - centred @ n) ** 2) / (n @ n))

    for _ in range(5):
        start = np.append(rng.normal(scale=0.05, size=d - 1), 1.0)
        held = {"type": "ineq", "fun": lambda x: x[-1] - centred @ np.append(x[:-1], 1.0)}
        other = minimize(squares, start, constraints=[held], method="SLSQP", options={"ftol": 1e-12})
        if (held["fun"](other.x) > -1e-9).all():
            assert total <= other.fun * (1 + 1e-6)
    random = rng.normal(size=(500, d)) * 0.05 + up
    random /= np.linalg.norm(random, axis=1)[:, None]
    heights = points @ random.T
    assert total <= np.sum((heights.max(axis=0) - heights) ** 2, axis=0).min() * (1 + 1e-12)


def test_tangent_plane_on_a_bump_lies_level():
    """Four corners at 0 and a middle at h: slope g costs sum (h + g c)^2 = 4 h^2 + sum (g c)^2, least level."""
    points = np.array([[10, 10, 0], [-10, 10, 0], [-10, -10, 0], [10, -10, 0], [0, 0, 0.01]])
    found = element(points, "plane", method="tangent", outward=[0, 0, 1])
    assert found.parameters["direction"] == pytest.approx([0, 0, 1], abs=1e-12)
    assert found.active == (4,)
    below = element(points, "plane", method="tangent", outward=[0, 0, -1])
    assert set(below.active) == {0, 1, 2, 3}
