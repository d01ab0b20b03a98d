"""Still pictures of a scene without any graphics hardware: an orthographic depth buffer in NumPy, written as PNG.

The bodies are rastered; the touches are left as places in the picture, and lines as paths, to be drawn over it as
vectors.
"""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from urllib.parse import quote

import numpy as np

from . import bands, colour
from .bodies import Bodies, outlines, seen_path, to_palette
from .glyphs import name_of, symbol
from .model import Scene
from .raster import raster

__all__ = ["Picture", "camera", "choose_directions", "draw", "picture_svg", "sides", "to_png", "views"]

#: Picture coordinates of points in the picture's axes.
Projection = Callable[[np.ndarray], np.ndarray]

_LEVELS = 249  # deviation colours of the palette; odd, so that one is the neutral middle
_BACKGROUND, _LINE, _UNKNOWN, _HATCH = _LEVELS, _LEVELS + 1, _LEVELS + 2, _LEVELS + 3
_CONCERN = 100.0  # a touch that is not within counts so many times in the choice of a direction


@dataclass(frozen=True, eq=False)
class Picture:
    """A still picture.

    Attributes
    ----------
    title : str
        Where it is seen from.
    width, height : int
        Size in CSS pixels; the PNG has half as many again each way.
    png : bytes
        The surface.
    rows : (n,) int
        Rows in `Scene.touches` of the touches that can be seen, farthest first.
    places : (n, 2) float
        Their places in CSS pixels from the top left corner.
    paths : tuple of (str, str)
        What can be seen of the lines: sRGB colour and SVG path data in CSS pixels.
    """

    title: str
    width: int
    height: int
    png: bytes
    rows: np.ndarray
    places: np.ndarray
    paths: tuple[tuple[str, str], ...] = ()


def choose_directions(scene: Scene, most: int = 3) -> np.ndarray:
    """Few directions to look from that together face as many touches as possible.

    Parameters
    ----------
    scene : Scene
        The scene.
    most : int
        At most so many.

    Returns
    -------
    (m, 3) float
        Unit vectors from the part to the viewer, the one that faces most touches first (those not
        within count a hundred times); m is 1 to `most`.
    """
    corners = np.array([[x, y, z] for z in (0.8, -0.8) for y in (-1.0, 1.0) for x in (0.7, -0.7)])
    corners /= np.linalg.norm(corners, axis=1, keepdims=True)
    placed = np.isfinite(scene.direction).all(axis=1)
    normals = scene.direction[placed] if placed.any() else scene.normals
    gain = np.maximum(normals @ corners.T, 0.0)
    gain[:, corners[:, 2] < 0] *= 0.5  # from below, the base hides much of what faces the viewer
    if placed.any() and scene.measured:
        gain[scene.words[placed] != "within"] *= _CONCERN
    best = np.zeros(len(gain))
    chosen: list[int] = []
    while len(chosen) < most:
        score = np.maximum(gain, best[:, None]).sum(axis=0) - best.sum()
        pick = int(np.argmax(score))
        if chosen and score[pick] < 0.01 * gain.max(axis=1).sum():
            break
        chosen.append(pick)
        best = np.maximum(best, gain[:, pick])
    return corners[chosen]


def views(scene: Scene, width: int = 720, height: int = 480, most: int = 3) -> tuple[Picture, ...]:
    """Pictures from up to `most` sides, chosen by `choose_directions`."""
    return tuple(draw(scene, direction, width, height) for direction in choose_directions(scene, most))


def draw(
    scene: Scene,
    direction: np.ndarray,
    width: int = 720,
    height: int = 480,
    *,
    signs: bool = False,
    banded: bool = False,
) -> Picture:
    """Draw one picture, the part filling the frame.

    Parameters
    ----------
    scene : Scene
        The scene.
    direction : (3,) float
        From the part to the viewer; z is up in the picture, or y if the direction is z.
    width, height : int
        Size in CSS pixels.
    signs : bool
        Whether the PNG itself shows the touches, for a picture that is to stand without vectors.
    banded : bool
        Whether deviations are shown as bands of their zone, see `probekit.scene.bands`.

    Returns
    -------
    Picture
    """
    toward = np.asarray(direction, dtype=float) / np.linalg.norm(direction)
    frame = _frame(toward)
    bodies, clear = Bodies.of(scene), Bodies.of(scene, clear=True)
    seen = bodies.vertices @ frame.T
    framed = np.vstack(
        [
            seen[bodies.fixed],
            clear.vertices[clear.fixed] @ frame.T,
            *(line.points.astype(float) @ frame.T for line in scene.lines),
        ]
    )
    pixels = np.array([width, height]) * 3 // 2
    project = _projection(framed, pixels)
    depth, owner, share = raster(project(seen), bodies.facets, *pixels)
    if scene.measured:
        index, palette = _paint(scene, owner, share, banded), _palette(banded)
        index[outlines(scene.vertex_face[scene.facets[:, 0]], owner)] = _LINE
    else:
        ink = np.full((*owner.shape, 3), 255.0)
        bodies.paint(ink, owner, share)
        far, through, part = raster(project(clear.vertices @ frame.T), clear.facets, *pixels)
        clear.paint(ink, np.where(far > depth, through, -1), part)
        index, palette = to_palette(ink)
    paths = tuple(
        (line.colour, path)
        for line in scene.lines
        if (path := seen_path(project(line.points.astype(float) @ frame.T), depth, scene.glyph_size, 1 / 1.5))
    )
    rows, places = _visible(scene, project(scene.anchor.astype(float) @ frame.T), depth, toward)
    if signs:
        index, palette = to_palette(_signed(palette[index].astype(float), scene, project, frame, depth))
    png = to_png(index, palette)
    return Picture(f"seen from {sides(toward)}", width, height, png, rows, places / 1.5, paths)


def sides(toward: np.ndarray) -> str:
    """The sides of the part that a viewer in that direction sees, in words."""
    named = zip("xyz", toward, strict=True)
    return " ".join(("+" if v > 0 else "\N{MINUS SIGN}") + axis for axis, v in named if abs(v) > 0.05)


def camera(points: np.ndarray, direction: np.ndarray, pixels: np.ndarray) -> tuple[np.ndarray, Projection]:
    """How a picture of these points is seen from a direction: axes of the picture as rows, and the projection.

    Parameters
    ----------
    points : (n, 3) float
        What must be in the picture [mm].
    direction : (3,) float
        From the part to the viewer.
    pixels : (2,) int
        Width and height of the PNG.
    """
    frame = _frame(np.asarray(direction, dtype=float) / np.linalg.norm(direction))
    return frame, _projection(points @ frame.T, pixels)


def _frame(toward: np.ndarray) -> np.ndarray:
    up = np.array([0.0, 0.0, 1.0]) if abs(toward[2]) < 0.99 else np.array([0.0, 1.0, 0.0])
    right = np.cross(up, toward)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(toward, right), toward])


def _projection(framed: np.ndarray, pixels: np.ndarray) -> Projection:
    low, high = framed.min(axis=0), framed.max(axis=0)
    scale = 0.92 * float(np.min(pixels / np.maximum(high - low, 1e-9)[:2]))

    def project(points: np.ndarray) -> np.ndarray:
        """(n, 3) picture coordinates: x right, y down [px of the PNG], depth toward the viewer [mm]."""
        flat = (points[:, :2] - (low + high)[:2] / 2) * [scale, -scale] + pixels / 2
        return np.column_stack([flat, points[:, 2]])

    return project


def _paint(scene: Scene, owner: np.ndarray, share: np.ndarray, banded: bool) -> np.ndarray:
    """(h, w) uint8 palette index of each pixel."""
    covered = owner >= 0
    facet, weights = owner[covered], share[covered]
    total, near = (np.zeros(len(facet), dtype=np.result_type(scene.deviation, weights)) for _ in range(2))
    for k in range(3):  # corner by corner, to bound the memory
        value = scene.deviation[scene.facets[facet, k]]
        known = np.isfinite(value)
        total += np.where(known, value, 0) * weights[:, k]
        near += known * weights[:, k]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.nan_to_num(total / near)
    if banded:
        lower, upper = bands.zones(scene)[scene.vertex_face[scene.facets[facet, 0]]].T
        within = (mean - lower) / (upper - lower)
        band = bands.band_of(np.nan_to_num(within))
        level = np.where(np.isfinite(within), band, len(bands.COLOURS)).astype(np.uint8)
    else:
        level = np.rint((np.clip(mean / scene.legend.span, -1, 1) + 1) / 2 * (_LEVELS - 1)).astype(np.uint8)
    row, column = (np.arange(size, dtype=np.int32) for size in owner.shape)
    hatch = np.where((np.add.outer(row, column) % 12 < 3)[covered], np.uint8(_HATCH), np.uint8(_UNKNOWN))
    index = np.full(owner.shape, _BACKGROUND, dtype=np.uint8)
    index[covered] = np.where(near >= 0.5, level, hatch)
    return index


def _signed(ink: np.ndarray, scene: Scene, project: Projection, frame: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """(h, w, 3) the picture with the glyphs in it where they are not behind the part, each with a white rim."""
    if not len(scene.glyphs.facets):
        return ink
    corners = project(scene.glyphs.vertices.astype(float) @ frame.T)
    far, owner, share = raster(corners, scene.glyphs.facets, ink.shape[1], ink.shape[0])
    seen = (owner >= 0) & (far > depth)
    rim = seen.copy()
    for axis in (0, 1):
        rim[tuple(slice(1, None) if k == axis else slice(None) for k in (0, 1))] |= np.diff(seen, axis=axis)
        rim[tuple(slice(None, -1) if k == axis else slice(None) for k in (0, 1))] |= np.diff(seen, axis=axis)
    colours = scene.glyphs.colours[scene.glyphs.facets[owner[seen]]].astype(float)
    ink = np.where(rim[..., None], 255.0, ink)
    ink[seen] = (colours * share[seen][..., None]).sum(axis=1)
    return ink


def _visible(scene: Scene, at: np.ndarray, depth: np.ndarray, toward: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and places of the touches in front of the surface, farthest first."""
    height, width = depth.shape
    placed = np.flatnonzero(np.isfinite(at).all(axis=1) & (scene.direction @ toward > 0.05))
    column, row = np.floor(at[placed, :2]).astype(int).T
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    placed, column, row = placed[inside], column[inside], row[inside]
    shown = placed[at[placed, 2] > depth[row, column] - 2 * scene.glyph_size]
    shown = shown[np.argsort(at[shown, 2], kind="stable")]
    return shown, at[shown, :2]


def _palette(banded: bool) -> np.ndarray:
    """(n, 3) uint8 colours of the picture."""
    ramp = colour.diverging(np.linspace(-1, 1, _LEVELS))
    if banded:
        ramp[: len(bands.COLOURS) + 1] = [*bands.COLOURS, bands.WITHOUT]
    hatch = tuple(c - 18 for c in colour.UNKNOWN)
    return np.vstack([ramp, [(255, 255, 255), (52, 58, 68), colour.UNKNOWN, hatch]]).astype(np.uint8)


def to_png(index: np.ndarray, palette: np.ndarray) -> bytes:
    """PNG file of a picture with a palette.

    Parameters
    ----------
    index : (h, w) uint8
        Palette index per pixel, top row first.
    palette : (n, 3) uint8
        At most 256 sRGB colours.

    Notes
    -----
    Layout: ISO/IEC 15948 (PNG), colour type 3, no filter.
    """

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    height, width = index.shape
    lines = np.zeros((height, width + 1), dtype=np.uint8)
    lines[:, 1:] = index
    return b"".join(
        [
            b"\x89PNG\r\n\x1a\n",
            chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)),
            chunk(b"PLTE", palette.astype(np.uint8).tobytes()),
            chunk(b"IDAT", zlib.compress(lines.tobytes(), 7)),
            chunk(b"IEND", b""),
        ]
    )


def picture_svg(
    scene: Scene, picture: Picture, *, name: str = "picture", link: bool = False, size: float | None = None
) -> str:
    """One picture with its touches drawn over it, as an SVG element that can stand alone.

    Parameters
    ----------
    scene : Scene
        The scene the picture was drawn from.
    picture : Picture
        The picture.
    name : str
        Prefix of the ids inside, to keep several pictures on one page apart.
    link : bool
        Make each symbol a link to `#touch=<id>`.
    size : float
        Size of the symbols in CSS pixels; by default 18, less for many touches.

    Returns
    -------
    str
    """
    size = size or float(np.clip(18.0 * np.sqrt(150.0 / max(len(picture.rows), 1)), 9.0, 18.0))
    words, ids = scene.words, scene.touches["touch"].to_numpy()
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {picture.width} {picture.height}" '
        f'role="{"group" if link else "img"}" '
        f'aria-label="The part {picture.title}, with {len(picture.rows)} touches"><defs>'
    ]
    parts += [symbol(entry.word, f"{name}-{name_of(entry.word)}") for entry in scene.legend.verdicts]
    image = base64.b64encode(picture.png).decode("ascii")
    parts.append(
        f'</defs><image width="{picture.width}" height="{picture.height}" href="data:image/png;base64,{image}"/>'
    )
    parts += [f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="1.3"/>' for ink, path in picture.paths]
    for row, (x, y) in zip(picture.rows, picture.places, strict=True):
        mark = (
            f'<use href="#{name}-{name_of(words[row])}" x="{x - size / 2:.1f}" y="{y - size / 2:.1f}" '
            f'width="{size:g}" height="{size:g}"/>'
        )
        target = quote(str(ids[row]), safe="")
        label = f"touch {escape(str(ids[row]))}, {words[row]}"
        parts.append(f'<a href="#touch={target}" tabindex="-1" aria-label="{label}">{mark}</a>' if link else mark)
    return "".join([*parts, "</svg>"])
