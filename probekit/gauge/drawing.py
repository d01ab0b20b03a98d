"""Panels of plain data as one SVG: axes, points, lines, bands, bars. Colour is never alone: marks and dashes differ."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..scene.colour import LINE_COLOURS, hex_of
from ..scene.round_steps import ticks

if TYPE_CHECKING:
    from .result import Panel, Series

__all__ = ["panels_svg"]

_WIDE, _HIGH = 400, 270  # of a panel [px]
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 14, 30, 46
_HALO = 'paint-order="stroke" stroke="white" stroke-width="3"'  # of text that stands on bars and lines
_DASHES = ("", "7 3", "2 3", "8 3 2 3")
_LETTER = 5.8  # mean width of a letter [px]


def panels_svg(panels: Sequence[Panel], said: str = "") -> str:
    """Panels beside each other, two in a row; nothing for none.

    Parameters
    ----------
    panels : sequence of Panel
    said : str
        What the picture shows, for those who do not see it.
    """
    if not panels:
        return ""
    across = min(2, len(panels))
    drawn, y = [], 0
    for row in range(0, len(panels), across):
        pair = panels[row : row + across]
        legend = max(_legend_rows(panel) for panel in pair)
        for k, panel in enumerate(pair):
            drawn.append(f'<g transform="translate({k * _WIDE},{y})">{_panel(panel)}</g>')
        y += _HIGH + 16 * legend
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {across * _WIDE} {y}" width="{across * _WIDE}" '
        f'height="{y}" style="max-width:100%;height:auto" font-family="sans-serif" font-size="11" '
        f'fill="currentColor" role="img" aria-label="{escape(said, quote=True)}">{"".join(drawn)}</svg>'
    )


def _panel(panel: Panel) -> str:
    x0, x1 = _bounds(panel, "x")
    y0, y1 = _bounds(panel, "y")
    w, h = _WIDE - _LEFT - _RIGHT, _HIGH - _TOP - _BOTTOM

    def at_x(x: np.ndarray | float) -> np.ndarray:
        return _LEFT + w * (np.asarray(x, float) - x0) / (x1 - x0)

    def at_y(y: np.ndarray | float) -> np.ndarray:
        return _TOP + h * (1 - (np.asarray(y, float) - y0) / (y1 - y0))

    out = [f'<text x="{_LEFT}" y="16" font-weight="bold">{escape(panel.title)}</text>']
    out.append(f'<path d="M{_LEFT} {_TOP}V{_TOP + h}H{_LEFT + w}" fill="none" stroke="currentColor"/>')
    for tick in ticks(y0, y1, 5):
        y = float(at_y(tick))
        out.append(f'<path d="M{_LEFT} {y:.1f}h{w}" stroke="currentColor" stroke-opacity="0.12"/>')
        out.append(f'<text x="{_LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{tick:.6g}</text>')
    out += _ticks_below(panel, x0, x1, at_x, _TOP + h + 14, w)
    out.append(f'<text x="{_LEFT + w / 2}" y="{_HIGH - 14}" text-anchor="middle">{escape(panel.x)}</text>')
    middle = _TOP + h / 2
    out.append(
        f'<text x="12" y="{middle}" text-anchor="middle" transform="rotate(-90 12 {middle})">{escape(panel.y)}</text>'
    )
    written: list[float] = []
    for value, name in panel.levels:
        y = float(at_y(value))
        out.append(f'<path d="M{_LEFT} {y:.1f}h{w}" stroke="currentColor" stroke-dasharray="5 3"/>')
        if name:
            place = y - 3
            while any(abs(place - other) < 11 for other in written):
                place += 11
            written.append(place)
            out.append(f'<text x="{_LEFT + w - 2}" y="{place:.1f}" text-anchor="end" {_HALO}>{escape(name)}</text>')
    bottom = float(at_y(min(max(0.0, y0), y1)))
    for k, one in enumerate(panel.series):
        out.append(_series(one, k, at_x(one.x), at_y(one.y), None if one.upper is None else at_y(one.upper), bottom))
    return "".join(out) + _legend(panel)


def _series(one: Series, k: int, x: np.ndarray, y: np.ndarray, upper: np.ndarray | None, bottom: float) -> str:
    colour = hex_of(LINE_COLOURS[k % len(LINE_COLOURS)])
    if one.kind == "points":
        return "".join(_mark(k, a, b, colour) for a, b in zip(x, y, strict=True) if np.isfinite(b))
    if one.kind == "bars":
        width = 0.6 * float(np.diff(np.unique(x)).min()) if len(np.unique(x)) > 1 else 60.0
        return "".join(
            f'<rect x="{a - width / 2:.1f}" y="{min(b, bottom):.1f}" width="{width:.1f}" '
            f'height="{max(abs(b - bottom), 0.5):.1f}" fill="{colour}" fill-opacity="0.65"/>'
            for a, b in zip(x, y, strict=True)
        )
    known = np.isfinite(x) & np.isfinite(y)
    pieces = np.split(np.column_stack([x, y]), np.flatnonzero(~known))  # a line ends where a number is missing
    drawn = ("L".join(f"{a:.1f} {b:.1f}" for a, b in one if np.isfinite(a + b)) for one in pieces)
    path = "".join("M" + one for one in drawn if one)
    if one.kind == "band" and upper is not None:
        back = "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x[::-1], upper[::-1], strict=True))
        return f'<path d="{path}L{back}Z" fill="{colour}" fill-opacity="0.18"/>'
    dash = f' stroke-dasharray="{_DASHES[k % 4]}"' if _DASHES[k % 4] else ""
    alone = _mark(k, float(x[known][0]), float(y[known][0]), colour) if known.sum() == 1 else ""  # no line to see
    return f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="1.6"{dash}/>{alone}'


def _mark(k: int, x: float, y: float, colour: str) -> str:
    shape = (
        "m-3 0a3 3 0 1 0 6 0a3 3 0 1 0 -6 0",
        "m-3 -3h6v6h-6z",
        "m0 -4l4 7h-8z",
        "m0 -4l4 4l-4 4l-4 -4z",
        "m-3 -3l6 6m-6 0l6 -6",
    )[k % 5]
    return f'<path d="M{x:.1f} {y:.1f}{shape}" fill="{colour}" fill-opacity="0.55" stroke="{colour}"/>'


def _bounds(panel: Panel, axis: str) -> tuple[float, float]:
    values = [np.asarray(getattr(one, axis), float) for one in panel.series]
    if axis == "y":
        values += [np.asarray(one.upper, float) for one in panel.series if one.upper is not None]
        values.append(np.array([value for value, _ in panel.levels], float))
        values += [np.zeros(1)] * any(one.kind == "bars" for one in panel.series)
    elif panel.ticks:
        return -0.6, len(panel.ticks) - 0.4
    both = np.concatenate([one[np.isfinite(one)] for one in values])
    low, high = (float(both.min()), float(both.max())) if len(both) else (0.0, 1.0)
    room = 0.05 * (high - low) or 0.5 * abs(high) or 0.5
    return low - room, high + room


def _ticks_below(
    panel: Panel, x0: float, x1: float, at_x: Callable[[float], np.ndarray], y: float, w: float
) -> list[str]:
    size = 11.0
    if not panel.ticks:
        pairs = [(tick, f"{tick:.6g}") for tick in ticks(x0, x1, 5)]
    else:
        need = len(panel.ticks) * (_LETTER * max(map(len, panel.ticks)) + 4) / w
        size = 11.0 if need <= 1 else 9.0  # smaller before any is left out
        every = max(1, int(np.ceil(need * size / 11.0)))
        pairs = [(k, name) for k, name in enumerate(panel.ticks) if k % every == 0]
    return [
        f'<text x="{float(at_x(place)):.1f}" y="{y}" text-anchor="middle" font-size="{size:g}">{escape(name)}</text>'
        for place, name in pairs
    ]


def _places(panel: Panel) -> list[tuple[int, float, int, Series]]:
    """Series with a label: number, x and row of the legend."""
    out, x, row = [], float(_LEFT), 0
    for k, one in enumerate(panel.series):
        if one.label:
            width = 24 + _LETTER * len(one.label)
            if x > _LEFT and x + width > _WIDE:
                x, row = float(_LEFT), row + 1
            out.append((k, x, row, one))
            x += width + 10
    return out


def _legend_rows(panel: Panel) -> int:
    places = _places(panel)
    return 1 + places[-1][2] if places else 0


def _legend(panel: Panel) -> str:
    out = []
    for k, x, row, one in _places(panel):
        y = _HIGH + 16 * row
        ends = np.array([x, x + 16.0])
        if one.kind == "points":
            out.append(_mark(k, x + 8, y - 4, hex_of(LINE_COLOURS[k % len(LINE_COLOURS)])))
        elif one.kind == "line":
            out.append(_series(one, k, ends, np.full(2, y - 4.0), None, y))
        else:
            out.append(
                f'<rect x="{x}" y="{y - 9}" width="16" height="9" fill="{hex_of(LINE_COLOURS[k % len(LINE_COLOURS)])}" '
                'fill-opacity="0.4"/>'
            )
        out.append(f'<text x="{x + 21}" y="{y}">{escape(one.label)}</text>')
    return "".join(out)
