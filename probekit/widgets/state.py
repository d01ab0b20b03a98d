"""What a view is showing, and from it the figure data: pure functions, no widgets.

A `State` holds all that a user can change in the picture besides the camera. Each callback of a widget makes a new
state; each function here turns a scene and a state into the arrays that are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..errors import InputError
from ..geometry import across
from ..scene import bands
from ..scene.between import doubt_span
from ..scene.colour import UNKNOWN, diverging, is_light, sequential

if TYPE_CHECKING:
    from ..scene.model import Scene

__all__ = [
    "RING_FACETS",
    "Hit",
    "State",
    "checked_size",
    "clicked",
    "drawn_at",
    "exaggerations",
    "glyph_positions",
    "hatch_segments",
    "neighbour",
    "rim_colours",
    "rim_positions",
    "ring_colours",
    "ring_positions",
    "row_of",
    "shown",
    "start",
    "stood_still",
    "surface_colours",
    "surface_positions",
    "touch_at",
    "with_row",
    "with_verdicts",
]

_RING_SIDES = 48
#: Drawn deviations stay below this part of the diagonal.
_DRAWN_AT_MOST = 0.12


@dataclass(frozen=True)
class State:
    """What a user has chosen.

    Attributes
    ----------
    row : int or None
        Chosen touch, as a row of `Scene.touches`.
    verdicts : frozenset of str
        Verdict words whose touches are shown.
    exaggeration : float
        Deviations are drawn so many times their size; 0 draws the nominal shape.
    colours : {"touches", "bands", "mean", "doubt"}
        What the surface is coloured by: the deviations of touches near by, the same in tenths of the zone, what is
        estimated between them, or how unsure that is.
    """

    row: int | None = None
    verdicts: frozenset[str] = frozenset()
    exaggeration: float = 0.0
    colours: Literal["touches", "bands", "mean", "doubt"] = "touches"


@dataclass(frozen=True)
class Hit:
    """What a mouse button found under the pointer.

    Attributes
    ----------
    row : int or None
        The touch there.
    eye : tuple of 3 float
        Where the camera stood at that moment, seen from the point it turns about [mm].
    """

    row: int | None
    eye: tuple[float, ...]


def start(scene: Scene) -> State:
    """Return the state of a fresh view: every touch shown, none chosen, the nominal shape."""
    return State(verdicts=frozenset(entry.word for entry in scene.legend.verdicts))


def checked_size(width: int, height: int) -> None:
    """Refuse a picture without size.

    Raises
    ------
    InputError
        If `width` or `height` is not a positive whole number.
    """
    for name, size in (("width", width), ("height", height)):
        if isinstance(size, bool) or not isinstance(size, int | np.integer) or size <= 0:
            raise InputError(f"{name} must be a positive whole number of pixels", found=size)


def row_of(scene: Scene, touch: object) -> int:
    """Return the first row of a touch id.

    Raises
    ------
    InputError
        If no touch has that id.
    """
    ids = scene.touches["touch"].tolist()
    try:
        return ids.index(touch)
    except ValueError:
        raise InputError(
            "no touch has this id",
            found=touch,
            expected="one of " + ", ".join(repr(i) for i in ids[:8]) + (" ..." if len(ids) > 8 else ""),
        ) from None


def with_row(scene: Scene, state: State, row: int | None) -> State:
    """Choose a touch (None: none); its verdict becomes visible if it was filtered out."""
    if row is None:
        return replace(state, row=None)
    return replace(state, row=row, verdicts=state.verdicts | {scene.words[row]})


def with_verdicts(scene: Scene, state: State, verdicts: frozenset[str]) -> State:
    """Show the touches of these verdicts only; a chosen touch that is hidden by this is let go."""
    hidden = state.row is not None and scene.words[state.row] not in verdicts
    return replace(state, verdicts=verdicts, row=None if hidden else state.row)


def shown(scene: Scene, state: State) -> np.ndarray:
    """(n,) bool, the touches that the filter lets through."""
    return np.isin(scene.words.astype(str), sorted(state.verdicts))


def neighbour(scene: Scene, state: State, step: Literal[-1, 1]) -> State:
    """Choose the next (1) or previous (-1) touch that is shown, round and round."""
    rows = np.flatnonzero(shown(scene, state))
    if not len(rows):
        return state
    here = state.row if state.row is not None else (-1 if step > 0 else len(scene.touches))
    ahead = rows[rows > here] if step > 0 else rows[rows < here][::-1]
    return with_row(scene, state, int(ahead[0]) if len(ahead) else int(rows[0 if step > 0 else -1]))


def _deviations(scene: Scene) -> np.ndarray:
    """(n,) deviation of each touch [mm], 0 where there is none."""
    if not scene.measured:
        return np.zeros(len(scene.touches))
    return np.nan_to_num(scene.touches["deviation"].to_numpy(dtype=float, na_value=np.nan))


def _diagonal(scene: Scene) -> float:
    return float(np.linalg.norm(np.ptp(scene.vertices, axis=0)))


def exaggerations(scene: Scene) -> tuple[float, ...]:
    """Factors to offer: 0, then 1-2-5 steps from 1 until the largest deviation is drawn as 12 % of the diagonal."""
    largest = float(np.abs(_deviations(scene)).max(initial=0.0))
    factors = [float(m * 10**p) for p in range(6) for m in (1, 2, 5)]
    room = _DRAWN_AT_MOST * _diagonal(scene)
    return (0.0, *(f for f in factors if largest > 0 and f * largest <= room))


def _margin(scene: Scene) -> np.ndarray:
    """(2, 3) corners of a box that no exaggeration leaves.

    They are appended to every position array. Nothing is drawn there; they keep the bounding sphere, which the
    renderer computes once and then culls and picks by, large enough for every state.
    """
    room = _DRAWN_AT_MOST * _diagonal(scene) + 4 * scene.glyph_size
    return np.array([scene.vertices.min(axis=0) - room, scene.vertices.max(axis=0) + room])


def surface_positions(scene: Scene, state: State) -> np.ndarray:
    """(v + 2, 3) float32 vertices of the surface, moved along their normals by the exaggerated deviation [mm].

    Vertices without a deviation stay on the nominal. The last two rows are never drawn.
    """
    return np.vstack([drawn_at(scene, state, np.arange(len(scene.vertices))), _margin(scene)]).astype(np.float32)


def drawn_at(scene: Scene, state: State, vertices: np.ndarray) -> np.ndarray:
    """(n, 3) float64, where some vertices of the surface are drawn [mm]."""
    height = state.exaggeration * np.nan_to_num(scene.deviation[vertices].astype(float))
    return scene.vertices[vertices].astype(float) + scene.normals[vertices].astype(float) * height[:, None]


def surface_colours(scene: Scene, state: State) -> np.ndarray:
    """(v + 2, 3) uint8 sRGB colours of the surface; the last two rows are never drawn."""
    colours = scene.colours
    if state.colours == "bands":
        share = bands.shares(scene)
        colours = np.where(np.isfinite(scene.deviation)[:, None], bands.WITHOUT, UNKNOWN)
        colours = np.where(np.isfinite(share)[:, None], bands.COLOURS[bands.band_of(np.nan_to_num(share))], colours)
    elif state.colours == "mean" and scene.field_mean is not None:
        colours = diverging(scene.field_mean / scene.legend.span)
    elif state.colours == "doubt" and scene.field_doubt is not None:
        colours = sequential(scene.field_doubt / doubt_span(scene))
    return np.vstack([colours, np.zeros((2, 3), dtype=np.uint8)]).astype(np.uint8)


def _places(scene: Scene, state: State) -> np.ndarray:
    """(n, 3) where each touch is drawn [mm]; NaN if it has no place. A missed one rides on the surface as drawn."""
    if not scene.measured:
        return scene.anchor
    height = _deviations(scene)
    missed = scene.touches["deviation"].isna().to_numpy() & np.isfinite(scene.anchor).all(axis=1)
    for row in np.flatnonzero(missed):
        nearest = np.argmin(((scene.vertices - scene.anchor[row]) ** 2).sum(axis=1))
        height[row] = np.nan_to_num(scene.deviation[nearest])
    return scene.anchor + scene.direction * (state.exaggeration * height)[:, None]


def glyph_positions(scene: Scene, state: State) -> np.ndarray:
    """(m + 2, 3) float32 vertices of the glyphs [mm]; those of hidden touches shrink to a point.

    The last two rows are never drawn.
    """
    owner = scene.glyphs.vertex_touch
    moved = scene.glyphs.vertices + (_places(scene, state) - scene.anchor)[owner]
    moved = np.where(shown(scene, state)[owner, None], moved, scene.anchor[owner])
    return np.vstack([moved, _margin(scene)]).astype(np.float32)


def rim_positions(scene: Scene, state: State) -> np.ndarray:
    """(m + 2, 3) float32 vertices of the rims of the glyphs [mm]: the glyphs, larger by a quarter of a half width.

    Only what faces away is drawn of them, so that a rim shows around each glyph. The last two rows are never drawn.
    """
    at = glyph_positions(scene, state)[:-2].astype(float)
    owner, count = scene.glyphs.vertex_touch, len(scene.touches)
    share = np.maximum(np.bincount(owner, minlength=count), 1)
    middle = np.column_stack([np.bincount(owner, at[:, k], count) / share for k in range(3)])[owner]
    far = np.linalg.norm(at - middle, axis=1, keepdims=True)
    wide = np.where(far > 1e-3 * scene.glyph_size, 0.25 * scene.glyph_size / np.maximum(far, 1e-12), 0.0)
    return np.vstack([at + wide * (at - middle), _margin(scene)]).astype(np.float32)


def rim_colours(scene: Scene) -> np.ndarray:
    """(m, 3) uint8 sRGB: dark around light glyphs, white around dark ones, as in the flat symbols."""
    light = {one.word: is_light(one.colour) for one in scene.legend.verdicts}
    dark = np.array([light.get(word, False) for word in scene.words], dtype=bool)[scene.glyphs.vertex_touch]
    return np.where(dark[:, None], [27, 35, 48], [255, 255, 255]).astype(np.uint8)


#: (k, 3) facets of the ring around the chosen touch: three circles of vertices, an inner and an outer band.
RING_FACETS = np.concatenate(
    [
        np.concatenate([np.column_stack([a, b, a + n]), np.column_stack([b, b + n, a + n])])
        for n in (_RING_SIDES,)
        for band in (0, n)
        for a, b in [(band + np.arange(n), band + (np.arange(n) + 1) % n)]
    ]
).astype(np.uint32)


def ring_colours() -> np.ndarray:
    """(3 n, 3) uint8 sRGB: dark inside, light outside, so that the ring shows on any colour."""
    circles = np.repeat([20, 20, 255], _RING_SIDES)
    return np.repeat(circles[:, None], 3, axis=1).astype(np.uint8)


def ring_positions(scene: Scene, state: State) -> np.ndarray:
    """(3 n + 2, 3) float32 vertices of the ring in the tangent plane of the chosen touch [mm]; a point if none is."""
    margin = _margin(scene)
    count = 3 * _RING_SIDES
    place = None if state.row is None else _places(scene, state)[state.row]
    if place is None or not np.isfinite(place).all():
        return np.vstack([np.repeat(margin.mean(axis=0)[None], count, axis=0), margin]).astype(np.float32)
    normal = scene.direction[state.row].astype(float)
    angle = np.linspace(0, 2 * np.pi, _RING_SIDES, endpoint=False)[:, None]
    circle = np.hstack([np.cos(angle), np.sin(angle)]) @ across(normal)
    centre = place + 0.5 * scene.glyph_size * normal
    rings = [centre + radius * scene.glyph_size * circle for radius in (2.2, 2.7, 3.1)]
    return np.vstack([*rings, margin]).astype(np.float32)


def hatch_segments(scene: Scene, lines: int = 90) -> np.ndarray:
    """Hatching of the surface where no touch is near, so that grey need not be told from colour.

    Parameters
    ----------
    scene : Scene
        The scene.
    lines : int
        Number of parallel planes across the part that cut the hatched facets.

    Returns
    -------
    (2 s, 3) float32
        Ends of the line segments, in pairs [mm].
    """
    if not scene.measured:
        return np.zeros((0, 3), dtype=np.float32)
    facets = scene.facets[np.isnan(scene.deviation[scene.facets]).any(axis=1)]
    across = np.array([0.62, 0.48, 0.62])
    height = scene.vertices.astype(float) @ (across / np.linalg.norm(across))
    pitch = (float(np.ptp(height)) or 1.0) / lines
    corner = height[facets] / pitch
    first, last = np.ceil(corner.min(axis=1, initial=np.inf)), np.floor(corner.max(axis=1, initial=-np.inf))
    count = np.maximum(last - first + 1, 0).astype(int) if len(facets) else np.zeros(0, dtype=int)
    which = np.repeat(np.arange(len(facets)), count)
    level = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    low, high = corner[which], np.roll(corner[which], -1, axis=1)
    crossed = (low < level[:, None]) != (high < level[:, None])  # none or two of the three edges
    kept = crossed.any(axis=1)
    which, level, low, high, crossed = which[kept], level[kept], low[kept], high[kept], crossed[kept]
    row, edge = np.nonzero(crossed)
    share = ((level[row] - low[row, edge]) / (high[row, edge] - low[row, edge]))[:, None]
    begin = scene.vertices[facets[which[row], edge]]
    end = scene.vertices[facets[which[row], (edge + 1) % 3]]
    return (begin + share * (end - begin)).astype(np.float32).reshape(-1, 3)


def touch_at(
    scene: Scene, state: State, part: Literal["glyphs", "surface"], facet: int | None, point: np.ndarray
) -> int | None:
    """Touch under a ray.

    Parameters
    ----------
    scene, state : Scene, State
        What is drawn.
    part : {"glyphs", "surface"}
        What the ray met first.
    facet : int or None
        The facet it met; None if it met nothing.
    point : (3,) float
        Where it met it, in the part frame [mm].

    Returns
    -------
    int or None
        Row of the touch: that of the glyph, or of a glyph shown within two glyph sizes of the point on the surface.
    """
    if facet is None:
        return None
    if part == "glyphs":
        return int(scene.glyphs.facet_touch[facet]) if facet < len(scene.glyphs.facet_touch) else None
    far = np.linalg.norm(_places(scene, state) - np.asarray(point, dtype=float), axis=1)
    far[~shown(scene, state) | np.isnan(far)] = np.inf
    nearest = int(np.argmin(far)) if len(far) else 0
    return nearest if len(far) and far[nearest] <= 2 * scene.glyph_size else None


def clicked(press: Hit | None, release: Hit) -> int | None:
    """Touch that was clicked.

    A click event also ends an orbit drag. It counts only if the button went down and up on the same touch, and the
    camera turned or moved by less than 5 % of its distance between (about three pixels of an unsteady hand).
    """
    if press is None or press.row != release.row:
        return None
    return release.row if stood_still(press.eye, release.eye) else None


def stood_still(before: tuple[float, ...], after: tuple[float, ...]) -> bool:
    """Whether a camera, seen from the point it turns about, moved by less than 5 % of its distance."""
    return bool(np.linalg.norm(np.subtract(before, after)) < 0.05 * np.linalg.norm(before))
