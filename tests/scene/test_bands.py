"""Bands of the zone: their edges are the limits, and what is out of the zone is told apart, by everyone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scene import synthetic
from scene.test_colour import DEFICIENT, seen_by

from probekit.scene import bands, build, colour, pictures
from probekit.widgets import state, text


@pytest.fixture(scope="module")
def scene():
    part = synthetic.part()
    return build(part, synthetic.verdict(part))


def test_the_edges_are_the_limits_and_the_tenths():
    share = np.array([-1e-9, 0.0, 0.0999, 0.1001, 0.5, 0.9001, 1.0, 1.0 + 1e-9, -7.0, 7.0])
    np.testing.assert_array_equal(bands.band_of(share), [0, 1, 1, 2, 6, 10, 10, 11, 0, 11])


def test_each_vertex_has_the_band_of_its_deviation_in_the_zone_of_its_face(scene):
    limits = {"skin": (-0.05, 0.05), "wall": (-0.08, 0.02)}  # of tests/scene/synthetic.py
    assert {one.name.split()[-1]: (one.lower, one.upper) for one in scene.legend.limits} == limits
    drawn = state.surface_colours(scene, replace(state.start(scene), colours="bands"))[:-2]
    zones, seen = bands.zones(scene), set()
    for vertex in range(0, len(scene.vertices), 7):
        value, name = float(scene.deviation[vertex]), scene.face_names[scene.vertex_face[vertex]]
        lower, upper = zones[scene.face_names.index(name)]
        assert (lower, upper) in limits.values()
        edges = np.linspace(lower, upper, 11)
        wanted = colour.UNKNOWN if np.isnan(value) else bands.COLOURS[np.searchsorted(edges, value)]
        near = np.abs(edges - value).min() < 1e-7
        assert near or tuple(drawn[vertex]) == tuple(wanted)
        seen.add(tuple(drawn[vertex]))
    assert {tuple(bands.COLOURS[0]), tuple(bands.COLOURS[-1]), colour.UNKNOWN} <= seen


def test_a_face_without_two_limits_has_no_bands(scene):
    one = replace(scene, touches=scene.touches.assign(upper=np.inf))
    assert np.isnan(bands.zones(one)).all()
    assert not len(bands.facets(one, bands.shares(one)))
    drawn = state.surface_colours(one, replace(state.start(one), colours="bands"))[:-2]
    known = np.isfinite(one.deviation)
    assert (drawn[known] == bands.WITHOUT).all()


@pytest.mark.parametrize("kind", DEFICIENT)
def test_the_step_at_a_limit_is_the_largest_for_colour_blind_readers_too(kind):
    steps = np.linalg.norm(np.diff(seen_by(kind, bands.COLOURS), axis=0), axis=1)
    assert min(steps[0], steps[-1]) > 3 * steps[1:-1].max()


def test_the_still_picture_has_the_colours_of_the_bands(scene):
    picture = pictures.draw(scene, np.array([0.0, -1.0, 1.0]), 120, 80, banded=True)
    assert picture.png.find(bands.COLOURS.tobytes()) > 0  # its palette
    assert picture.png != pictures.draw(scene, np.array([0.0, -1.0, 1.0]), 120, 80).png


def test_legend_and_captions_speak_of_bands(scene):
    legend, said = text.legend_html(scene.legend, True), text.captions_html(scene, True)
    assert "a band is 0.01 mm" in legend
    assert all(colour.hex_of(one) in legend for one in bands.COLOURS)
    assert "tenths of the zone" in said
    assert "on the nominal" not in said
