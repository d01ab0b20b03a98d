"""Ball compensation inside the fit: as if touches were moved where normals are known, exact where they are not."""

from __future__ import annotations

import numpy as np
import pytest
from fit.elements.made import KINDS, methods_of, surface, touches, turned

from probekit.errors import InputError
from probekit.fit import element

BALL = 2.5
SIZES = {
    "circle2": {"radius": 10}, "circle": {"radius": 10}, "sphere": {"radius": 10}, "cylinder": {"radius": 10},
    "cone": {"half_angle": np.degrees(0.35)}, "torus": {"major": 30, "minor": 8}, "ellipse2": {"semi_axes": [10, 6]},
    "slot2": {"length": 20, "radius": 5}, "width": {"width": 15},
}  # fmt: skip


@pytest.mark.parametrize("material", ["inside", "outside"])
@pytest.mark.parametrize("kind", SIZES)
def test_the_surface_is_found_exactly_from_ball_centres(kind, material):
    """Centres made a ball's radius from the surface along its true normals, without noise: the surface comes back."""
    side = 1 if material == "inside" else -1
    points = touches(kind, 24, noise=0.0, seed=4, ball=side * BALL)
    for method in {"least_squares", "minimum_zone"}:
        found = element(points, kind, method=method, ball=BALL, material=material)
        assert found.form < 1e-9
        for name, value in SIZES[kind].items():
            assert found.parameters[name] == pytest.approx(value, abs=1e-8)


def test_cone_keeps_its_apex():
    rng = np.random.default_rng(1)
    points, normals = surface("cone", 24, rng)
    frame, shift = turned(rng), np.array([5.0, 6.0, 7.0])
    found = element((points + BALL * normals) @ frame.T + shift, "cone", ball=BALL)
    assert found.parameters["apex"] == pytest.approx(shift, abs=1e-8)
    assert found.parameters["direction"] == pytest.approx(frame[:, 2], abs=1e-10)


def test_an_ellipse_of_ball_centres_made_smaller_is_not_the_surface():
    """Ball centres about an ellipse do not lie on one: fitted as one and made smaller by the ball, 30 um are wrong."""
    points = touches("ellipse2", 24, noise=0.0, seed=4, ball=BALL)
    naive = element(points, "ellipse2")
    assert naive.form > 0.03
    assert np.abs(naive.parameters["semi_axes"] - BALL - [10, 6]).max() > 0.01
    assert element(points, "ellipse2", ball=BALL).form < 1e-9


@pytest.mark.parametrize("method", methods_of("plane"))
def test_plane_is_that_of_compensated_touches(method):
    points = touches("plane", seed=1)
    up = np.linalg.svd(points - points.mean(axis=0))[2][2]
    centres = element(points, "plane", method=method, outward=up)
    surface_plane = element(points, "plane", method=method, outward=up, ball=BALL)
    moved = element(points - BALL * centres.parameters["direction"], "plane", method=method, outward=up)
    for name in ("point", "direction"):
        assert surface_plane.parameters[name] == pytest.approx(moved.parameters[name], abs=1e-10)
    assert surface_plane.residuals == pytest.approx(moved.residuals, abs=1e-10)


@pytest.mark.parametrize("method", methods_of("sphere"))
@pytest.mark.parametrize(("material", "side"), [("inside", -1), ("outside", 1)])
def test_sphere_is_the_sphere_of_centres_less_the_ball(method, material, side):
    points = touches("sphere", seed=1)
    plain = element(points, "sphere", method=method, material=material)
    found = element(points, "sphere", method=method, material=material, ball=BALL)
    assert found.parameters["radius"] == pytest.approx(plain.parameters["radius"] + side * BALL, abs=1e-10)
    assert found.parameters["centre"] == pytest.approx(plain.parameters["centre"], abs=1e-10)
    assert found.residuals == pytest.approx(plain.residuals, abs=1e-9)


@pytest.mark.parametrize(("material", "grows"), [("inside", 1.0), ("outside", -1.0)])
def test_residuals_are_positive_away_from_the_material(material, grows):
    """One touch stands out from a cylinder's axis: material left on a boss, missing from a bore."""
    points, normals = surface("cylinder", 30, np.random.default_rng(0))
    points[7] += 0.1 * normals[7]
    found = element(points, "cylinder", material=material)
    assert grows * found.residuals[7] > 0.05


@pytest.mark.parametrize("kind", ["plane", "line2", "point", "line"])
def test_a_ball_needs_a_side(kind):
    with pytest.raises(InputError, match="side"):
        element(touches(kind), kind, ball=1.0)


def test_point_and_line2_with_a_side():
    moved = element(touches("point"), "point", ball=1.0, outward=[0, 0, 3]).parameters["point"]
    assert moved == pytest.approx(touches("point").mean(axis=0) - [0, 0, 1])
    points = np.column_stack([np.arange(5.0), np.full(5, 4.0)])
    found = element(points, "line2", ball=1.0, outward=[0, 1])
    assert found.parameters["point"] == pytest.approx([2, 3])
    assert found.parameters["normal"] == pytest.approx([0, 1])


def test_a_ball_that_leaves_nothing():
    with pytest.raises(InputError, match="nothing is left"):
        element(touches("sphere"), "sphere", ball=11.0)


def test_every_kind_is_covered():
    assert set(SIZES) | {"plane", "line2", "point", "line"} == set(KINDS)
