from __future__ import annotations

import numpy as np
import pytest

from probekit.scene import glyphs
from probekit.verdict.words import TOUCH_WORDS


def volume(facets: np.ndarray) -> float:
    """Signed volume of a closed body, positive if its facets turn outward (divergence theorem)."""
    return float(np.einsum("ij,ij->", facets[:, 0], np.cross(facets[:, 1], facets[:, 2])) / 6)


def test_every_verdict_has_a_shape_of_its_own():
    assert set(glyphs.VERDICT_SHAPES) == set(TOUCH_WORDS) == set(glyphs.VERDICT_TEXT)
    assert len(set(glyphs.VERDICT_SHAPES.values())) == len(TOUCH_WORDS)


def test_no_shape_means_two_things():
    used = [*glyphs.VERDICT_SHAPES.values(), *glyphs.TARGET_SHAPES.values()]
    assert len(set(used)) == len(used)
    assert set(used) == set(glyphs.SHAPES) == set(glyphs.SYMBOLS)


@pytest.mark.parametrize(
    ("shape", "expected"),
    [
        ("diamond", 4 / 3 * 0.9**3),  # octahedron with half diagonal a: 4/3 a^3
        ("tile", 2.2 * 2.2 * 0.6),
        ("cone out", 2.6 / 3 * 10 / 2 * np.sin(2 * np.pi / 10)),  # a third of height times ten-sided base
        ("cone in", 2.6 / 3 * 10 / 2 * np.sin(2 * np.pi / 10)),
        ("hoop", 0.4 * (1.35**2 - 0.7**2) * 20 / 2 * np.sin(2 * np.pi / 20)),  # twenty-sided ring times height
        ("star", 0.9 / 3 * 12 / 2 * 0.8 * 1.6 * np.sin(np.pi / 6)),  # a third of height times twelve triangles
        ("two bars", 2 * 0.68 * 2.4 * 0.6),
    ],
)
def test_bodies_are_closed_and_turn_outward(shape, expected):
    assert volume(glyphs.SHAPES[shape]) == pytest.approx(expected, rel=1e-12)


def test_cones_point_the_way_of_the_deviation():
    """High stands outward: wide at the surface, its point away from it; low points into the material."""

    def width(shape, z):
        level = glyphs.SHAPES[shape].reshape(-1, 3)
        return np.ptp(level[np.isclose(level[:, 2], z)][:, 0])

    assert width("cone out", 0.0) > 1.8 > width("cone out", 2.6) == 0
    assert width("cone in", 2.6) > 1.8 > width("cone in", 0.0) == 0


def test_merge_places_and_turns_each_glyph():
    rng, n = np.random.default_rng(1), 40
    anchor = rng.normal(0, 50, (n, 3))
    direction = rng.normal(size=(n, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    mesh = glyphs.merge(anchor, direction, ["high"] * n, 2.0)
    np.testing.assert_array_equal(np.unique(mesh.facet_touch), np.arange(n))
    np.testing.assert_array_equal(mesh.vertex_touch[mesh.facets[:, 0]], mesh.facet_touch)
    for row in range(n):
        local = mesh.vertices[mesh.vertex_touch == row] - anchor[row]
        height = local @ direction[row]
        assert height.min() == pytest.approx(0, abs=1e-4)
        assert height.max() == pytest.approx(5.2, abs=1e-4)
        np.testing.assert_allclose(local[np.argmax(height)], 5.2 * direction[row], atol=1e-4)
        assert volume(mesh.vertices[mesh.facets[mesh.facet_touch == row]].astype(float)) > 0


def test_a_touch_without_a_place_gets_no_glyph():
    anchor = np.array([[0.0, 0, 0], [np.nan, 0, 0]])
    mesh = glyphs.merge(anchor, np.array([[0.0, 0, 1]] * 2), ["within", "missed"], 1.0)
    assert set(mesh.facet_touch) == {0}


def test_no_touches_give_an_empty_mesh():
    mesh = glyphs.merge(np.zeros((0, 3)), np.zeros((0, 3)), [], 1.0)
    assert mesh.facets.shape == (0, 3)
    assert mesh.colours.shape == (0, 3)
