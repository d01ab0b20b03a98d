"""Still pictures of a plan: bodies that hide, bodies that can be seen through, lines among them."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
from scene.planned import planned_scene
from scene.test_pictures import read_png

from probekit.scene import pictures
from probekit.scene.bodies import seen_path, to_palette


def pixels(scene, direction):
    return read_png(pictures.draw(scene, direction, 600, 420).png).astype(float)


def test_the_probe_body_is_there_and_can_be_seen_through():
    """With the body taken away the picture changes where it was, and only by a veil: nothing becomes opaque."""
    scene = planned_scene(at=9)
    without = replace(scene, solids=tuple(one for one in scene.solids if one.name != "probe body"))
    with_body, bare = pixels(scene, [0.3, -1, 0.6]), pixels(without, [0.3, -1, 0.6])
    changed = np.abs(with_body - bare).max(axis=2) > 8
    assert 0.01 < changed.mean() < 0.5
    opaque = pixels(replace(scene, solids=tuple(replace(one, opacity=1.0) for one in scene.solids)), [0.3, -1, 0.6])
    assert len(np.unique(opaque[changed], axis=0)) < len(np.unique(with_body[changed], axis=0))


def test_the_probe_does_not_shrink_the_part():
    """The frame is fitted to what stands still and to the lines, not to the probe."""
    scene = replace(planned_scene(), lines=())
    bare = replace(scene, solids=tuple(one for one in scene.solids if one.motions is None))
    for one, other in zip(pictures.views(scene), pictures.views(bare), strict=True):
        shared = sorted(set(one.rows) & set(other.rows))
        assert len(shared) > 3
        for row in shared:
            np.testing.assert_allclose(one.places[one.rows == row], other.places[other.rows == row])


def test_svg_is_well_formed_and_its_words_without_blanks_name_the_symbols():
    scene = planned_scene()
    svg = pictures.picture_svg(scene, pictures.draw(scene, [-1, -0.5, 1]), link=True)
    root = ET.fromstring(svg)
    space = "{http://www.w3.org/2000/svg}"
    defined = {symbol.get("id") for symbol in root.iter(f"{space}symbol")}
    used = {use.get("href")[1:] for use in root.iter(f"{space}use")}
    assert used <= defined
    assert "picture-left_out" in used
    assert len(root.findall(f"{space}path")) >= 2, "lines that can be seen"


def test_a_line_is_cut_where_a_body_hides_it():
    """A body of depth 5 covers the middle third; the line lies at depth 0, so two pieces are left."""
    depth = np.full((10, 90), -np.inf)
    depth[:, 30:60] = 5.0
    path = seen_path(np.array([[0.0, 5, 0], [90.0, 5, 0]]), depth, 0.1, 0.5)
    assert path == "M0.0 2.5L15.0 2.5M30.0 2.5L45.0 2.5"
    assert seen_path(np.array([[0.0, 5, 9], [90.0, 5, 9]]), depth, 0.1, 1.0) == "M0.0 5.0L90.0 5.0"


def test_any_picture_fits_a_palette():
    rng = np.random.default_rng(2)
    ink = rng.uniform(0, 255, (40, 50, 3))
    index, palette = to_palette(ink)
    assert len(palette) <= 256
    few = rng.uniform(0, 255, (3, 3))[rng.integers(0, 3, (8, 9))]
    index, palette = to_palette(few)
    np.testing.assert_allclose(palette[index], few, atol=1.51)
