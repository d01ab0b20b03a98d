"""The still pictures, read back by a reader of our own that follows ISO/IEC 15948."""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ET
import zlib

import numpy as np
import pytest
from scene import synthetic

from probekit import scene
from probekit.scene import colour, pictures, raster


def read_png(data: bytes) -> np.ndarray:
    """(h, w, 3) of a PNG with a palette and no filter; checks every chunk's CRC."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    at, chunks = 8, {}
    while at < len(data):
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + size]
        assert struct.unpack(">I", data[at + 8 + size : at + 12 + size])[0] == zlib.crc32(kind + body)
        chunks[kind] = body
        at += 12 + size
    width, height, depth, kind = struct.unpack(">IIBB", chunks[b"IHDR"][:10])
    assert (depth, kind) == (8, 3)
    lines = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), np.uint8).reshape(height, width + 1)
    assert not lines[:, 0].any()
    return np.frombuffer(chunks[b"PLTE"], np.uint8).reshape(-1, 3)[lines[:, 1:]]


def test_png_holds_the_pixels():
    palette = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255]], dtype=np.uint8)
    index = np.random.default_rng(0).integers(0, 3, (7, 11)).astype(np.uint8)
    np.testing.assert_array_equal(read_png(pictures.to_png(index, palette)), palette[index])


def test_seen_from_above_the_outline_is_the_part(built):
    """From +z the patch is its 100 x 70 rectangle: its filled share of the frame follows from the fit to 92 %."""
    picture = pictures.draw(built, [0, 0, 1], 400, 400)
    pixels = read_png(picture.png)
    filled = (pixels != 255).any(axis=2)
    assert filled.sum() / filled.size == pytest.approx(0.92**2 * 0.7, rel=0.02)
    assert "+z" in picture.title


def test_a_touch_is_drawn_where_its_deviation_shows(built):
    """The pixel under a touch has the colour of that touch's deviation."""
    picture = pictures.draw(built, [0, 0, 1], 600, 420)
    pixels = read_png(picture.png)
    deviation = built.touches["deviation"].to_numpy()
    checked = 0
    for row, (x, y) in zip(picture.rows, picture.places, strict=True):
        if built.touches["face"].iloc[row] != "skin":
            continue
        expected = colour.srgb_to_oklab(colour.diverging(deviation[row] / built.legend.span))
        here = colour.srgb_to_oklab(pixels[int(y * 1.5), int(x * 1.5)])
        assert np.linalg.norm(here - expected) < 0.06
        checked += 1
    assert checked > 30


def test_a_cube_hides_its_back():
    """Touches on the far side are not shown; seen from a corner three of six faces are."""
    nominal = synthetic.part()
    whole = scene.build(nominal, synthetic.verdict(nominal))
    below = pictures.draw(whole, [0.0, 1.0, 0.05])
    assert not (whole.touches["face"].iloc[below.rows] == "wall").any(), "the wall faces -y"


def test_nearer_surface_wins():
    """Two parallel squares one above the other: from above only the upper colour shows."""
    square = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    corner = np.concatenate([square, square + np.array([0, 0, 1.0])])
    facets = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]])
    flipped = np.column_stack([corner[:, 0] * 20, 20 - corner[:, 1] * 20, corner[:, 2]])
    _, owner, share = raster.raster(flipped, facets, 20, 20)
    assert set(np.unique(owner)) == {2, 3}
    np.testing.assert_allclose(share.sum(axis=2), 1, atol=1e-5)
    _, owner, _ = raster.raster(flipped, facets[::-1], 20, 20)
    assert set(np.unique(owner)) == {0, 1}, "the order of the facets plays no part"


def test_svg_is_well_formed_and_links_touches(built):
    picture = pictures.views(built, 300, 200)[0]
    root = ET.fromstring(pictures.picture_svg(built, picture, link=True))
    links = root.findall("{http://www.w3.org/2000/svg}a")
    assert len(links) == len(picture.rows) > 20
    assert links[0].get("href") == f"#touch={built.touches['touch'].iloc[picture.rows[0]]}"


def test_chosen_directions_face_every_touch(built):
    seen = built.direction @ pictures.choose_directions(built).T
    assert (seen.max(axis=1) > 0.2).mean() > 0.95
