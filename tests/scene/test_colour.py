"""Colours against published values, and against simulated colour blindness."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from probekit.scene import colour, glyphs

# Machado, Oliveira & Fernandes, "A physiologically-based model for simulation of color vision deficiency", IEEE TVCG
# 15 (2009) 1291: matrices for severity 1, on linear RGB. Typed from memory; the rows must each add up to 1 (below).
DEFICIENT = {
    "none": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def seen_by(kind: str, srgb: np.ndarray) -> np.ndarray:
    """OKLab of a colour as someone with that deficiency sees it."""
    linear = colour.srgb_to_linear(np.asarray(srgb, dtype=float) / 255) @ DEFICIENT[kind].T
    return colour.srgb_to_oklab(255 * colour.linear_to_srgb(linear))


def luminance(srgb) -> float:
    """Relative luminance, WCAG 2.1."""
    return float(colour.srgb_to_linear(np.asarray(srgb, dtype=float) / 255) @ [0.2126, 0.7152, 0.0722])


def contrast(a, b) -> float:
    """Contrast ratio, WCAG 2.1."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("kind", DEFICIENT)
def test_grey_stays_grey_in_the_simulation(kind):
    np.testing.assert_allclose(DEFICIENT[kind].sum(axis=1), 1.0, atol=2e-6)


@pytest.mark.parametrize(
    ("srgb", "lab"),
    [
        # CSS Color Module Level 4, sample values of the named colours in oklab(); from memory, to three digits
        ((255, 255, 255), (1.0, 0.0, 0.0)),
        ((255, 0, 0), (0.628, 0.225, 0.126)),
        ((0, 255, 0), (0.866, -0.234, 0.179)),
        ((0, 0, 255), (0.452, -0.032, -0.312)),
    ],
)
def test_oklab_of_published_colours(srgb, lab):
    np.testing.assert_allclose(colour.srgb_to_oklab(np.array(srgb)), lab, atol=6e-4)


def test_oklab_and_back_is_exact():
    grid = np.array(list(itertools.product(range(0, 256, 15), repeat=3)), dtype=np.uint8)
    np.testing.assert_array_equal(colour.oklab_to_srgb(colour.srgb_to_oklab(grid)), grid)


@pytest.mark.parametrize("side", [-1, 1])
def test_equal_steps_of_deviation_look_equal(side):
    """The step in OKLab is even along each side; 8-bit rounding alone moves a step of 1/32 by about a tenth."""
    lab = colour.srgb_to_oklab(colour.diverging(side * np.linspace(0, 1, 17)))
    step = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    assert np.ptp(step) < 0.12 * step.mean()
    assert step.mean() > 0.02


def test_ends_are_inside_srgb_so_that_nothing_was_clipped():
    lab = colour.srgb_to_oklab(colour.diverging(np.array([-1.0, 1.0])))
    np.testing.assert_allclose(lab[:, 0], 0.47, atol=0.005)
    np.testing.assert_allclose(np.hypot(lab[:, 1], lab[:, 2]), 0.125, atol=0.005)


@pytest.mark.parametrize("kind", DEFICIENT)
def test_material_missing_and_left_are_told_apart(kind):
    """0.02 in OKLab is about a just noticeable difference (from memory); the signs are ten times that at half range."""
    for size in (0.25, 0.5, 1.0):
        missing, left = (seen_by(kind, colour.diverging(np.array(s * size))) for s in (-1, 1))
        assert np.linalg.norm(missing - left) > 0.2 * size


@pytest.mark.parametrize("colours", [colour.VERDICT_COLOURS, colour.TARGET_COLOURS])
@pytest.mark.parametrize("kind", DEFICIENT)
def test_colours_of_glyphs_are_told_apart(kind, colours):
    for (one, a), (other, b) in itertools.combinations(colours.items(), 2):
        distance = np.linalg.norm(seen_by(kind, a) - seen_by(kind, b))
        assert distance > 0.1, f"{one} and {other} look alike ({distance:.3f}) with {kind} vision"


def test_unknown_differs_from_zero():
    lab = colour.srgb_to_oklab(np.array([colour.UNKNOWN, colour.diverging(np.array(0.0))]))
    assert abs(lab[0, 0] - lab[1, 0]) > 0.1
    np.testing.assert_array_equal(colour.diverging(np.array(np.nan)), colour.UNKNOWN)


@pytest.mark.parametrize("kind", DEFICIENT)
def test_lines_that_share_their_dashes_are_told_apart(kind):
    """The dashes repeat after four poses."""
    inks = np.array(colour.LINE_COLOURS)
    lab = seen_by(kind, inks)
    for one in range(len(inks) - 4):
        assert np.linalg.norm(lab[one] - lab[one + 4]) > 0.1


@pytest.mark.parametrize("word", [*colour.VERDICT_COLOURS, *colour.TARGET_COLOURS])
def test_symbols_show_on_the_surface(word):
    """Fill or outline has 3:1 against the neutral surface (WCAG 2.1, 1.4.11 Non-text contrast)."""
    text = glyphs.symbol(word, "s")
    outline = (27, 35, 48) if '"#1b2330"' in text else (255, 255, 255)
    planned = word in colour.TARGET_COLOURS
    neutral = colour.PART if planned else colour.diverging(np.array(0.0))
    ink = (colour.TARGET_COLOURS if planned else colour.VERDICT_COLOURS)[word]
    assert max(contrast(ink, neutral), contrast(outline, neutral)) > 3


def test_values_beyond_the_range_keep_the_end_colour():
    np.testing.assert_array_equal(colour.diverging(np.array([-7.0, 7.0])), colour.diverging(np.array([-1.0, 1.0])))
