"""The glyphs: a shape for each word, in space and as a flat symbol, so that colour is never needed to read it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from ..geometry import across
from .colour import TARGET_COLOURS, VERDICT_COLOURS, hex_of, is_light
from .model import GlyphMesh

__all__ = [
    "SHAPES",
    "SYMBOLS",
    "TARGET_SHAPES",
    "VERDICT_SHAPES",
    "VERDICT_TEXT",
    "frames",
    "joined",
    "merge",
    "name_of",
    "symbol",
]

#: Shape of each verdict.
VERDICT_SHAPES = {
    "within": "diamond",
    "undecided": "tile",
    "high": "cone out",
    "low": "cone in",
    "missed": "cross",
    "unjudged": "bead",
}

#: Shape of each state of a target in a plan.
TARGET_SHAPES = {"planned": "hoop", "critical": "star", "left out": "two bars"}

_ALL_SHAPES = {**VERDICT_SHAPES, **TARGET_SHAPES}
_ALL_COLOURS = {**VERDICT_COLOURS, **TARGET_COLOURS}

#: What each verdict means, in plain words.
VERDICT_TEXT = {
    "within": "inside its limits",
    "undecided": "too near a limit for its uncertainty, or in doubt: see its remarks",
    "high": "above the upper limit: material left on",
    "low": "below the lower limit: material missing",
    "missed": "no trigger: nothing was measured there",
    "unjudged": "measured, but no tolerance judges it",
}

#: The same shapes seen flat: SVG path data in a box of 24 x 24.
SYMBOLS = {
    "diamond": "M12 3.5 20.5 12 12 20.5 3.5 12Z",
    "tile": "M3.5 6.5H20.5V17.5H3.5Z",
    "cone out": "M12 2 22 21.5H2Z",
    "cone in": "M2 2.5H22L12 22Z",
    "cross": "M2.5 6 6 2.5 12 8.5 18 2.5 21.5 6 15.5 12 21.5 18 18 21.5 12 15.5 6 21.5 2.5 18 8.5 12Z",
    "bead": "M12 6.5A5.5 5.5 0 1 1 12 17.5 5.5 5.5 0 1 1 12 6.5Z",
    "hoop": "M12 2.5A9.5 9.5 0 1 1 12 21.5 9.5 9.5 0 1 1 12 2.5ZM12 7.5A4.5 4.5 0 1 0 12 16.5 4.5 4.5 0 1 0 12 7.5Z",
    "star": "M12 1.5 15 7 21.1 6.8 18 12 21.1 17.3 15 17 12 22.5 9 17 2.9 17.3 6 12 2.9 6.8 9 7Z",
    "two bars": "M3.5 3H9.5V21H3.5ZM14.5 3H20.5V21H14.5Z",
}


def name_of(word: str) -> str:
    """Word without blanks, for ids."""
    return word.replace(" ", "_")


def symbol(word: str, name: str) -> str:
    """Return the flat symbol of a word as an SVG `<symbol>` called `name`, outlined to show on any colour."""
    fill = hex_of(_ALL_COLOURS[word])
    outline = "#1b2330" if is_light(fill) else "#fff"
    return (
        f'<symbol id="{name}" viewBox="0 0 24 24"><path d="{SYMBOLS[_ALL_SHAPES[word]]}" stroke="{outline}" '
        f'fill="{fill}" stroke-width="2" paint-order="stroke"/></symbol>'
    )


def _convex(corners: np.ndarray) -> np.ndarray:
    """(k, 3, 3) facets of the convex hull of `corners`, turned outward."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(corners)
    facet = np.array(corners)[hull.simplices]
    turned = np.einsum(
        "ij,ij->i", np.cross(facet[:, 1] - facet[:, 0], facet[:, 2] - facet[:, 0]), hull.equations[:, :3]
    )
    facet[turned < 0] = facet[turned < 0][:, ::-1]
    return facet


def _box(half: Sequence[float], turn: float = 0.0, lift: float = 0.0) -> np.ndarray:
    """(12, 3, 3) facets of a box, turned about z [rad] and lifted along z."""
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=float) * half
    c, s = np.cos(turn), np.sin(turn)
    return _convex(corners @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) + [0, 0, lift])


def _cone(apex: float, base: float, sides: int = 10) -> np.ndarray:
    """Facets of a cone of unit radius about z, from the height of its base to the height of its apex."""
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.full(sides, base)])
    return _convex(np.vstack([ring, [0, 0, apex]]))


def _bead() -> np.ndarray:
    """Facets of a small round body."""
    octa = np.vstack([np.eye(3), -np.eye(3)])
    between = np.array([a + b for i, a in enumerate(octa) for b in octa[i + 1 :] if a @ b == 0]) / np.sqrt(2)
    return _convex(np.vstack([octa, between]))


def _hoop(inner: float, outer: float, height: float, sides: int = 20) -> np.ndarray:
    """Facets of a flat ring that stands on the surface."""
    angle = np.arange(sides + 1) * 2 * np.pi / sides
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(sides + 1)])
    outline = [ring * r + [0, 0, h] for r, h in ((inner, 0), (outer, 0), (outer, height), (inner, height), (inner, 0))]
    bands = []
    for lower, upper in itertools.pairwise(outline):
        bands += [np.stack([lower[:-1], lower[1:], upper[1:]], axis=1)]
        bands += [np.stack([lower[:-1], upper[1:], upper[:-1]], axis=1)]
    return np.vstack(bands)


def _star(points: int, inner: float, outer: float, height: float) -> np.ndarray:
    """Facets of a star that stands on the surface and rises to a point above its middle."""
    angle = np.arange(2 * points) * np.pi / points
    radius = np.where(np.arange(2 * points) % 2 == 0, outer, inner)
    rim = np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(2 * points)])
    following = np.roll(rim, -1, axis=0)
    top, bottom = (np.broadcast_to([0.0, 0.0, z], rim.shape) for z in (height, 0.0))
    return np.vstack([np.stack([rim, following, top], axis=1), np.stack([following, rim, bottom], axis=1)])


#: Facets (k, 3, 3) of each shape, z outward from the material, foot at the origin, half width about one.
SHAPES: dict[str, np.ndarray] = {
    "diamond": _convex(np.vstack([np.eye(3), -np.eye(3)]) * 0.9),
    "tile": _box((1.1, 1.1, 0.3), lift=0.3),
    "cone out": _cone(apex=2.6, base=0.0),
    "cone in": _cone(apex=0.0, base=2.6),
    "cross": np.vstack(
        [
            _box((1.5, 0.3, 0.3), np.pi / 4, 0.9),
            _box((1.5, 0.3, 0.3), -np.pi / 4, 0.9),
            _box((0.3, 0.3, 1.4), np.pi / 4, 0.9),
        ]
    ),
    "bead": 0.55 * _bead(),
    "hoop": _hoop(inner=0.7, outer=1.35, height=0.4),
    "star": _star(6, inner=0.8, outer=1.6, height=0.9),
    "two bars": np.vstack([_box((0.34, 1.2, 0.3), lift=0.3) + np.array([x, 0, 0]) for x in (-0.72, 0.72)]),
}


def frames(direction: np.ndarray) -> np.ndarray:
    """(n, 3, 3) right-handed frames whose third row is `direction` (n, 3)."""
    return np.concatenate([across(direction), direction[:, None]], axis=1)


def merge(anchor: np.ndarray, direction: np.ndarray, verdicts: Sequence[str], size: float) -> GlyphMesh:
    """All glyphs as one mesh.

    Parameters
    ----------
    anchor : (n, 3) float
        Foot of each touch [mm]; a row with NaN gets no glyph.
    direction : (n, 3) float
        Outward unit normal there.
    verdicts : sequence of n str
        Verdict words, or those of a plan.
    size : float
        Half width of a glyph [mm].

    Returns
    -------
    GlyphMesh
    """
    words = np.asarray(verdicts, dtype=str)
    placed = np.isfinite(anchor).all(axis=1) & np.isfinite(direction).all(axis=1)
    corners, owners, colours = [], [], []
    light = np.array([0.35, 0.2, 0.91])
    for word, shape in _ALL_SHAPES.items():
        rows = np.flatnonzero(placed & (words == word))
        facet = SHAPES[shape]
        normal = np.cross(facet[:, 1] - facet[:, 0], facet[:, 2] - facet[:, 0])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        shade = 0.78 + 0.22 * np.clip(normal @ light, 0, 1)
        body = np.einsum("kcx,nxy->nkcy", facet, frames(direction[rows])) * size + anchor[rows, None, None]
        corners.append(body.reshape(-1, 3))
        owners.append(np.repeat(rows, len(facet) * 3))
        colour = np.rint(shade[:, None] * np.array(_ALL_COLOURS[word])).astype(np.uint8)
        colours.append(np.tile(np.repeat(colour, 3, axis=0), (len(rows), 1)))
    vertices = np.vstack(corners).astype(np.float32)
    owner = np.concatenate(owners).astype(np.int32)
    return GlyphMesh(
        vertices=vertices,
        facets=np.arange(len(vertices), dtype=np.int32).reshape(-1, 3),
        facet_touch=owner[::3].copy(),
        vertex_touch=owner,
        colours=np.vstack(colours),
    )


def joined(*meshes: GlyphMesh) -> GlyphMesh:
    """Glyphs of the same touches, each in one of the meshes, as one mesh."""
    first = np.cumsum([0, *(len(one.vertices) for one in meshes[:-1])])
    return GlyphMesh(
        vertices=np.concatenate([one.vertices for one in meshes]),
        facets=np.concatenate([one.facets + shift for one, shift in zip(meshes, first, strict=True)]).astype(np.int32),
        facet_touch=np.concatenate([one.facet_touch for one in meshes]),
        vertex_touch=np.concatenate([one.vertex_touch for one in meshes]),
        colours=np.concatenate([one.colours for one in meshes]),
    )
