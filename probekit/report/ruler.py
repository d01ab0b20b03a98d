"""The ruler: the colour scale as an axis of deviation, with the limits and every touch where it belongs on it."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING
from urllib.parse import quote

import numpy as np

from ..scene.round_steps import round_down
from .language import mark
from .words import length, number

if TYPE_CHECKING:
    from ..scene.model import Limits, Scene

__all__ = ["ruler"]

_BINS = 72  # symbols that fall in one bin are stacked
_SYMBOL, _ROOM, _BASE = 12.0, 72.0, 16.0
_ALL_MARKS, _SOME_MARKS, _TALL = 500, 60, 84.0  # more touches than that are bars, and marks of the worst
_WIDEST = 2.5  # the axis ends at this many spans of the colours; what lies beyond is drawn at the end


def ruler(scene: Scene) -> str:
    """Return the ruler as HTML: one lane per tolerance above one common axis.

    Parameters
    ----------
    scene : Scene
        The scene.

    Returns
    -------
    str
    """
    span = scene.legend.span
    deviation = scene.touches["deviation"].to_numpy(dtype=float, na_value=np.nan)
    largest = float(np.nanmax(np.abs(deviation))) if np.isfinite(deviation).any() else span
    end = float(min(max(1.05 * largest, span), _WIDEST * span))
    judged_by = (
        scene.touches["tolerance"].fillna("").to_numpy()
        if "tolerance" in scene.touches
        else np.full(len(deviation), "")
    )
    lanes = [
        _lane(scene, np.flatnonzero(judged_by == limit.name), deviation, end, limit) for limit in scene.legend.limits
    ]
    other = np.flatnonzero(~np.isin(judged_by, [limit.name for limit in scene.legend.limits]) & np.isfinite(deviation))
    if len(other):
        lanes.append(_lane(scene, other, deviation, end, None))
    beyond = int((np.abs(deviation) > end).sum())
    note = f'<p class="small">{beyond} beyond the ruler, drawn at its end.</p>' if beyond else ""
    return f'<div class="ruler">{"".join(lanes)}{_axis(scene, end)}{note}</div>'


def _percent(value: float | np.ndarray, end: float) -> np.ndarray:
    """Place along the ruler, 3 % kept free at both ends."""
    return 50 + 47 * np.clip(np.asarray(value, dtype=float) / end, -1, 1)


def _lane(scene: Scene, rows: np.ndarray, deviation: np.ndarray, end: float, limit: Limits | None) -> str:
    rows = rows[np.isfinite(deviation[rows])]
    place = _percent(deviation[rows], end)
    level = _stack(place)
    highest = int(level.max(initial=0))
    size = _SYMBOL if highest < 9 else 0.75 * _SYMBOL
    rise = min(0.8 * size, _ROOM / max(highest, 1))
    height = _BASE + size / 2 + rise * highest
    if limit is None:
        head, zone = mark("no.tolerance", "b"), ""
    else:
        left, right = _percent(np.array([limit.lower, limit.upper]), end)
        ends = [(x, v) for x, v in ((left, limit.lower), (right, limit.upper)) if np.isfinite(v)]
        zone = f'<rect class="zone" x="{left:.2f}%" y="0" width="{right - left:.2f}%" height="100%"/>' + "".join(
            f'<line class="limit" x1="{x:.2f}%" x2="{x:.2f}%" y1="0" y2="100%"/>' for x, _ in ends
        )
        head = (
            f'<b>{escape(limit.name)}</b> <span class="small">{mark("fact.limits")} {length(limit.lower)} '
            f'{mark("to")} {length(limit.upper)} <span class="unit">mm</span></span>'
        )
    words, ids = scene.touches["verdict"].to_numpy(), scene.touches["touch"].to_numpy()
    bars = ""
    if len(scene.touches) > _ALL_MARKS:
        bars, height = _bars(place, words[rows], scene), _TALL
        rows, place, level, rise = _worst(scene, rows, place)
    marks = "".join(
        f'<a href="#touch={quote(str(ids[row]), safe="")}" data-row="{row}" tabindex="-1" '
        f'aria-label="touch {escape(str(ids[row]))}, {words[row]}"><use href="#s-{words[row]}" '
        f'x="{x:.2f}%" y="{height - _BASE / 2 - size / 2 - up * rise:.1f}" width="{size:g}" height="{size:g}" '
        f'transform="translate({-size / 2:g} 0)"/></a>'
        for row, x, up in zip(rows, place, level, strict=True)
    )
    label = f"{len(rows)} touches along the deviation axis" + (f", {escape(limit.name)}" if limit else "")
    return (
        f'<div class="lane"><p>{head}</p><svg width="100%" height="{height:.0f}" role="group" aria-label="{label}">'
        f'{zone}<line class="null" x1="50%" x2="50%" y1="0" y2="100%"/>{bars}{marks}</svg></div>'
    )


def _bars(place: np.ndarray, words: np.ndarray, scene: Scene) -> str:
    """Touches counted by bin, stacked by word; the highest bar fills the lane."""
    bins = np.floor(place / 100 * _BINS).astype(int)
    most = max(int(np.bincount(bins, minlength=1).max(initial=0)), 1)
    base, out = np.zeros(_BINS + 1), []
    for entry in scene.legend.verdicts:
        count = np.bincount(bins[words == entry.word], minlength=_BINS + 1)
        for k in np.flatnonzero(count):
            tall = count[k] / most * (_TALL - _BASE - _SYMBOL)
            out.append(
                f'<rect x="{100 * k / _BINS:.2f}%" width="{90 / _BINS:.2f}%" y="{_TALL - _BASE - base[k] - tall:.1f}" '
                f'height="{tall:.1f}" fill="{entry.colour}"/>'
            )
            base[k] += tall
    return "".join(out)


def _worst(scene: Scene, rows: np.ndarray, place: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Rows that keep a mark: those not within, the worst of them; they stand below the bars."""
    share = np.nan_to_num(scene.touches["share"].to_numpy(dtype=float, na_value=np.nan)[rows])
    keep = np.flatnonzero(scene.words[rows] != "within")
    keep = np.sort(keep[np.argsort(-share[keep], kind="stable")][:_SOME_MARKS])
    return rows[keep], place[keep], np.zeros(len(keep), dtype=int), 0.0


def _stack(place: np.ndarray) -> np.ndarray:
    """Level of each symbol in its stack, in the order given, for places [%]."""
    bins = np.floor(place / 100 * _BINS).astype(int)
    order = np.argsort(bins, kind="stable")
    _, first, inverse = np.unique(bins[order], return_index=True, return_inverse=True)
    level = np.empty(len(place), dtype=int)
    level[order] = np.arange(len(place)) - first[inverse]
    return level


def _axis(scene: Scene, end: float) -> str:
    """Colour scale with ticks."""
    raw = end / 3.2
    step = round_down(raw * 1.0000001)
    count = int(end / step + 1e-9)
    digits = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
    stops = "".join(
        f'<stop offset="{_percent(value, end):.2f}%" stop-color="{colour}"/>' for value, colour in scene.legend.stops
    )
    ticks = "".join(
        f'<line class="tick" x1="{x:.2f}%" x2="{x:.2f}%" y1="14" y2="20"/>'
        f'<text class="q{" minor" if k % 2 else ""}" data-mm="{k * step:.7g}" '
        f'data-n="{digits}" data-inch="{digits + 2}" x="{x:.2f}%" y="33" text-anchor="middle">'
        f"{number(k * step, digits, signed=True)}</text>"
        for k in range(-count, count + 1)
        for x in [float(_percent(k * step, end))]
    )
    return (
        '<svg class="axis" width="100%" height="38" role="img" aria-label="Colour of each deviation"><defs>'
        f'<linearGradient id="ramp" x1="0" x2="1">{stops}</linearGradient></defs>'
        f'<rect x="0" y="0" width="100%" height="14" fill="url(#ramp)"/>{ticks}</svg>'
        '<p class="ends"><span>\N{BLACK LEFT-POINTING TRIANGLE} '
        f"{mark('missing')}</span>"
        f'<span><span class="more">{mark("ruler.in")} </span><span class="unit">mm</span></span>'
        f"<span>{mark('left.on')} \N{BLACK RIGHT-POINTING TRIANGLE}</span></p>"
    )
