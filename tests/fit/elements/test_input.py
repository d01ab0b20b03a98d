"""Touches that cannot carry an element are refused in words; those that carry it badly are told of."""

from __future__ import annotations

import numpy as np
import pytest
from fit.elements.made import EVERY, KINDS, touches

from probekit.errors import InputError, ProbekitWarning
from probekit.fit import element
from probekit.fit.elements.model import Element
from probekit.fit.elements.shapes import KINDS as SHAPES

NEEDS = {
    "point": 1, "line2": 2, "line": 2, "plane": 3, "circle2": 3, "circle": 3, "sphere": 4, "cylinder": 5, "cone": 6,
    "torus": 7, "ellipse2": 5, "slot2": 5, "width": 4,
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_too_few_and_repeated_touches(kind):
    """Fewest touches by the count of parameters, e.g. ISO 10360-6 and Forbes 1989 (from memory)."""
    assert SHAPES[kind].needs == NEEDS[kind]
    if kind == "point":
        return
    points = touches(kind, 12)[: NEEDS[kind] - 1]
    with pytest.raises(InputError, match=f"too few touches for a {kind}.*expected {NEEDS[kind]} or more"):
        element(points, kind)
    with pytest.raises(InputError, match="some repeated"):
        element(np.repeat(points, 5, axis=0), kind)


@pytest.mark.parametrize("kind", [k for k in KINDS if k not in ("point", "line", "line2")])
@pytest.mark.parametrize("offset", [0.0, 1e4])
def test_touches_on_a_line(kind, offset):
    d = SHAPES[kind].dims
    points = np.linspace(0, 7, 9)[:, None] * np.array([0.3, 0.7, -0.2])[:d] + offset
    with pytest.raises(InputError, match="on one straight line"):
        element(points, kind)


@pytest.mark.parametrize("kind", ["sphere", "cylinder", "cone", "torus", "width"])
def test_touches_in_a_plane(kind):
    rng = np.random.default_rng(0)
    points = rng.normal(size=(20, 2)) @ rng.normal(size=(2, 3)) + 40
    with pytest.raises(InputError, match="in one plane"):
        element(points, kind)


def test_two_touches_for_a_circle_and_no_extent_for_a_line():
    with pytest.raises(InputError, match="too few touches for a circle2; found '2 different'; expected 3"):
        element([[0, 0], [1, 0]], "circle2")
    with pytest.raises(InputError, match="too few"):
        element([[1, 1, 1], [1, 1, 1]], "line")


def test_one_ring_does_not_determine_a_cone_nor_one_end_a_slot():
    turn = np.linspace(0, 6, 14)
    two = [np.column_stack([10 * np.cos(turn), 10 * np.sin(turn), np.full(14, z)]) for z in (0.0, 1e-13)]
    with pytest.raises(InputError):
        element(np.vstack(two), "cone")
    sides = np.column_stack([np.linspace(-5, 5, 10), np.tile([3.0, -3.0], 5)])
    with pytest.raises(InputError, match="do not determine a slot2"):
        element(sides, "slot2")


def test_four_touches_of_a_width_could_be_split_in_several_ways():
    points = np.array([[0, 0, 5], [9, 0, 5], [0, 9, -5], [8, 8, -5.0]])
    with pytest.raises(InputError, match="which of them face each other"):
        element(points, "width")
    assert element(points, "width", outward=[0.2, 0, 1]).parameters["width"] == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "blob"}, "no such kind"),
        ({"method": "best"}, "no such method"),
        ({"kind": "cone", "method": "maximum_inscribed"}, "not defined for a cone"),
        ({"kind": "sphere", "method": "tangent"}, "not defined for a sphere"),
        ({"material": "left"}, "inside or outside"),
        ({"ball": -1.0}, "ball is the effective radius"),
        ({"ball": np.nan}, "ball is the effective radius"),
        ({"outward": [0, 0, 0]}, "outward is a direction"),
        ({"outward": [1, 0]}, "outward is a direction"),
        ({"weights": np.ones(3)}, "weights must be one number per touch"),
        ({"weights": -np.ones(40)}, "weights must be one number per touch"),
        ({"u": np.nan}, "u must be one number per touch"),
        ({"method": "minimum_zone", "weights": np.ones(40)}, "weights have no meaning"),
        ({"kind": "plane", "method": "tangent"}, "which side"),
    ],
)
def test_requests_that_make_no_sense(change, message):
    with pytest.raises(InputError, match=message):
        element(**({"points": touches("sphere"), "kind": "sphere"} | change))


@pytest.mark.parametrize("points", [np.zeros(3), np.zeros((4, 2)), np.zeros((0, 3)), [[0, 0, np.nan]] * 5])
def test_points_of_the_wrong_shape(points):
    with pytest.raises(InputError):
        element(points, "sphere")


@pytest.mark.parametrize(("kind", "arc"), [("circle2", 34.0), ("cylinder", 60.0)])
def test_a_short_arc_warns_with_its_degrees_and_uncertainty(kind, arc):
    turn = np.radians(np.linspace(0, arc, 20))
    rho = 10 + 0.001 * (-1.0) ** np.arange(20)
    points = np.column_stack([rho * np.cos(turn), rho * np.sin(turn), np.arange(20) % 5])
    with pytest.warns(ProbekitWarning, match=f"cover {arc:.0f} deg of arc") as caught:
        found = element(points[:, :2] if kind == "circle2" else points, kind)
    assert caught[0].filename == __file__
    assert f"{found.uncertainties['radius']:.2g} mm" in found.notes[0]


def test_half_an_arc_is_noted_only():
    turn = np.radians(np.linspace(0, 150, 20))
    found = element(10 * np.column_stack([np.cos(turn), np.sin(turn)]), "circle2")
    assert "150 deg" in found.notes[0]
    whole = element(touches("circle2"), "circle2")
    assert whole.notes == ()


def test_a_small_cap_of_a_sphere_warns():
    points = touches("sphere", 400, noise=0.001)
    centre = element(points, "sphere").parameters["centre"]
    cap = points[(points - centre)[:, 2] > 9]
    with pytest.warns(ProbekitWarning, match="opening of the cap"):
        element(cap, "sphere")


@pytest.mark.parametrize(
    "kind", ["line2", "plane", "circle2", "sphere", "cylinder", "cone", "torus", "ellipse2", "slot2"]
)
def test_as_many_touches_as_unknowns_say_nothing_of_form(kind):
    points = touches(kind, NEEDS[kind], noise=0.001, seed=12)
    try:
        found = element(points, kind)
    except InputError:  # by chance these few do not determine it: then it must be told
        assert kind == "slot2"
        return
    assert found.form < 1e-8
    assert any("zero by construction" in note for note in found.notes)
    assert np.isnan(found.covariance).all()


def test_an_ellipse_of_circle_touches_has_no_angle():
    turn = np.linspace(0, 6.2, 12)
    found = element(10 * np.column_stack([np.cos(turn), np.sin(turn)]), "ellipse2")
    assert found.parameters["semi_axes"] == pytest.approx([10, 10])
    assert any("angle has no meaning" in note for note in found.notes)


@pytest.mark.parametrize(("kind", "method"), EVERY)
def test_every_element_is_complete_and_sealed(kind, method):
    points = touches(kind, 24)
    found = element(points, kind, method=method, outward=None if kind == "width" else np.eye(points.shape[1])[-1])
    assert isinstance(found, Element)
    assert len(found.residuals) == 24
    assert found.covariance.shape == (len(found.names),) * 2
    assert np.isfinite(found.covariance).all() == (method == "least_squares")
    assert np.isnan(found.certificate) == (method == "least_squares")
    assert (len(found.active) >= 1) == (method != "least_squares")
    assert all(0 <= row < 24 for row in found.active)
    assert f"{found.form:.4f}" in found.sentence
    with pytest.raises(TypeError):
        found.parameters["radius"] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        found.residuals[0] = 1.0
