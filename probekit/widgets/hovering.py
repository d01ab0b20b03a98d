"""What is under the pointer, and how it is read out: pure functions, no widgets."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..scene.glyphs import VERDICT_TEXT
from . import state
from .text import length, value

if TYPE_CHECKING:
    from ..scene.model import Scene
    from .state import State

__all__ = ["FACETS_AT_MOST", "Under", "said_html", "under"]

#: A browser tries all facets at each movement of the pointer; with more than these it is not asked to unless told.
FACETS_AT_MOST = 150_000

_HOW = "Move the pointer over the part to read it out."
_OFF = "Reading out under the pointer is switched off."


@dataclass(frozen=True)
class Under:
    """What is under the pointer.

    Attributes
    ----------
    row : int or None
        The touch there, as a row of `Scene.touches`; what follows is then empty.
    face : str
        The face of the surface there.
    place : tuple of 3 float
        Where on the nominal [mm], without exaggeration.
    value : float or None
        What the colour there stands for [mm], interpolated on the facet; None where no touch is near.
    """

    row: int | None
    face: str = ""
    place: tuple[float, ...] = ()
    value: float | None = None


def under(
    scene: Scene, now: State, part: Literal["glyphs", "surface"], facet: int | None, point: np.ndarray
) -> Under | None:
    """What a ray met; None if it met nothing. The arguments are those of `state.touch_at`."""
    row = state.touch_at(scene, now, part, facet, point)
    if row is not None:
        return Under(row)
    if facet is None or part == "glyphs" or facet >= len(scene.facets):
        return None
    corners = scene.facets[facet]
    share = _shares(state.drawn_at(scene, now, corners), np.asarray(point, dtype=float))
    known = {
        "touches": scene.deviation,
        "bands": scene.deviation,
        "mean": scene.field_mean,
        "doubt": scene.field_doubt,
    }[now.colours]
    found = np.nan if known is None else float(share @ known[corners])
    return Under(
        None,
        scene.face_names[int(scene.vertex_face[corners[0]])],
        tuple((share @ scene.vertices[corners].astype(float)).tolist()),
        found if np.isfinite(found) else None,
    )


def _shares(corners: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(3,) by how much each corner (3, 3) of a facet counts at a point of it; they add up to 1."""
    sides = np.column_stack([corners[1] - corners[0], corners[2] - corners[0]])
    second, third = np.linalg.lstsq(sides, point - corners[0], rcond=None)[0]
    shares = np.clip([1.0 - second - third, second, third], 0.0, 1.0)
    return shares / shares.sum()


def said_html(scene: Scene, now: State, found: Under | None, on: bool = True) -> str:
    """One line, in which every text from the data is escaped: the numbers of a touch, or a place on the surface."""
    if not on or found is None:
        words = _HOW if on else _OFF
    elif found.row is not None:
        words = _touch(scene, found.row)
    else:
        words = f"{escape(found.face)} at {', '.join(f'{v + 0.0:.2f}' for v in np.round(found.place, 2))} mm"
        words += f": {_value(now, found.value)}" if scene.measured else ""
    return f'<div style="line-height:1.4;min-height:1.4em;overflow-wrap:anywhere">{words}</div>'


def _touch(scene: Scene, row: int) -> str:
    touch = scene.touches.iloc[row]
    word, share = str(touch[scene.sign]), value(touch, "share")
    parts = [f"<b>{escape(word)}</b>"]
    if value(touch, "deviation") is not None:
        parts.insert(0, length(touch, "deviation", signed=True))
        parts += [] if share is None else [f"share of the zone {100 * share:z.0f} % (100 % is a limit)"]
    elif scene.measured:
        parts.append(escape(str(value(touch, "reason") or VERDICT_TEXT.get(word, ""))))
    return f"Touch {escape(str(touch['touch']))}: {', '.join(part for part in parts if part)}"


def _value(now: State, known: float | None) -> str:
    """A value between the touches, to 3 digits: it is nothing that was measured."""
    if known is None:
        return "no touch near" if now.colours in ("touches", "bands") else "nothing is estimated here"
    if now.colours in ("touches", "bands"):
        return f"{known:+z.3f} mm, interpolated"
    if now.colours == "mean":
        return f"{known:+z.3f} mm, estimated between the touches if smooth there"
    return f"standard deviation of the estimate {known:.3f} mm"
