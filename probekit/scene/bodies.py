"""Part, fixtures and probe as one mesh for the still pictures, and what can be seen of the lines among them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..geometry import apply_motion
from .model import Scene

__all__ = ["Bodies", "outlines", "seen_path", "to_palette"]

_STEP = 6.0  # lines are looked at in pieces of at most so many pixels
_OUTLINE = (52, 58, 68)


@dataclass(frozen=True, eq=False)
class Bodies:
    """All bodies of a scene, where they stand.

    Attributes
    ----------
    vertices : (v, 3) float64
        In the part frame [mm].
    facets : (f, 3) int
    facet_patch : (f,) int
        Which facets belong together without a line between them.
    colours : (v, 3) float
        sRGB in 0..255.
    fixed : (v,) bool
        False for bodies that stand elsewhere at another touch.
    opacity : (f,) float
        1 hides what is behind it.
    """

    vertices: np.ndarray
    facets: np.ndarray
    facet_patch: np.ndarray
    colours: np.ndarray
    fixed: np.ndarray
    opacity: np.ndarray

    @classmethod
    def of(cls, scene: Scene, *, clear: bool = False) -> Bodies:
        """Those that hide what is behind them, the part first; or those that can be seen through.

        Solids with motions stand where they do as long as no touch is chosen.
        """
        vertices, facets, colours = [scene.vertices.astype(float)], [scene.facets], [scene.colours.astype(float)]
        patches, shares = [scene.vertex_face[scene.facets[:, 0]]], [np.ones(len(scene.facets))]
        fixed = [np.ones(len(scene.vertices), dtype=bool)]
        if clear:
            vertices, facets, colours, patches, shares, fixed = (
                [one[0][:0]] for one in (vertices, facets, colours, patches, shares, fixed)
            )
        for number, solid in enumerate(scene.solids):
            motion = solid.standing(scene.at)
            if motion is None or (solid.opacity < 1) != clear:
                continue
            count = sum(len(one) for one in vertices)
            own = np.arange(len(solid.vertices)).reshape(-1, 3)
            vertices.append(apply_motion(motion, solid.vertices))
            facets.append(own + count)
            colours.append(solid.colours.astype(float))
            patches.append(np.full(len(own), len(scene.face_names) + number))
            shares.append(np.full(len(own), solid.opacity))
            fixed.append(np.full(len(solid.vertices), solid.motions is None))
        return cls(*(np.concatenate(one) for one in (vertices, facets, patches, colours, fixed, shares)))

    def paint(self, ink: np.ndarray, owner: np.ndarray, share: np.ndarray) -> None:
        """Lay the bodies over a picture, in place.

        Parameters
        ----------
        ink : (h, w, 3) float
            sRGB in 0..255.
        owner : (h, w) int
            Facet of each pixel, -1 for none.
        share : (h, w, 3) float
            Barycentric coordinates in it.
        """
        covered = owner >= 0
        facet = owner[covered]
        own = (self.colours[self.facets[facet]] * share[covered][..., None]).sum(axis=1)
        opacity = self.opacity[facet, None]
        ink[covered] = opacity * own + (1 - opacity) * ink[covered]
        ink[outlines(self.facet_patch, owner)] = _OUTLINE


def to_palette(ink: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(h, w) uint8 index and (n, 3) uint8 palette, n at most 256, that come near a picture (h, w, 3) of 0..255."""
    step = 2
    while True:
        levels = np.rint(ink / step).astype(int) @ [1, 1000, 1_000_000]
        shades, number = np.unique(levels, return_inverse=True)
        if len(shades) <= 256:
            break
        step += 1
    palette = np.stack([shades % 1000, shades // 1000 % 1000, shades // 1_000_000], axis=1) * step
    return number.reshape(levels.shape).astype(np.uint8), np.minimum(palette, 255).astype(np.uint8)


def outlines(facet_patch: np.ndarray, owner: np.ndarray) -> np.ndarray:
    """(h, w) bool, the pixels on both sides of a border between patches, or of an outline; `owner` as in `paint`."""
    patch = np.where(owner >= 0, facet_patch[owner] + 1, 0) if len(facet_patch) else np.zeros(owner.shape, dtype=int)
    line = np.zeros(owner.shape, dtype=bool)
    for axis in (0, 1):
        change = np.diff(patch, axis=axis) != 0
        lead = [slice(None), slice(None)]
        lead[axis] = slice(1, None)
        line[tuple(lead)] |= change
        lead[axis] = slice(None, -1)
        line[tuple(lead)] |= change
    return line


def seen_path(ends: np.ndarray, depth: np.ndarray, slack: float, scale: float) -> str:
    """SVG path data of what can be seen of straight pieces.

    Parameters
    ----------
    ends : (2 s, 3) float
        Ends in pairs: x right and y down [px], depth toward the viewer [mm].
    depth : (h, w) float
        Depth of the bodies, -inf where there is none.
    slack : float
        Lines behind a body by no more than this are seen [mm].
    scale : float
        The path's units per pixel.
    """
    height, width = depth.shape
    start, end = ends[0::2], ends[1::2]
    count = np.maximum(1, np.ceil(np.linalg.norm((end - start)[:, :2], axis=1) / _STEP)).astype(int)
    piece = np.repeat(np.arange(len(start)), count)
    number = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    middle = start[piece] + ((number + 0.5) / count[piece])[:, None] * (end - start)[piece]
    column, row = np.floor(middle[:, :2]).astype(int).T
    inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    seen = inside.copy()
    seen[inside] = middle[inside, 2] > depth[row[inside], column[inside]] - slack
    first = seen & ~(np.roll(seen, 1) & (number > 0))
    last = seen & ~(np.roll(seen, -1) & (number + 1 < count[piece]))
    begin, stop = np.flatnonzero(first), np.flatnonzero(last)
    way = end - start
    a = (start[piece[begin]] + (number[begin] / count[piece[begin]])[:, None] * way[piece[begin]])[:, :2] * scale
    b = (start[piece[stop]] + ((number[stop] + 1) / count[piece[stop]])[:, None] * way[piece[stop]])[:, :2] * scale
    return "".join(f"M{x:.1f} {y:.1f}L{u:.1f} {v:.1f}" for (x, y), (u, v) in zip(a, b, strict=True))
