"""Planned sections on the page, as still pictures: the shape with whiskers, and the deviation over arc length."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..scene.round_steps import round_down, ticks
from ..scene.sections import plane_of
from . import plots
from .language import mark
from .words import length, symbol

if TYPE_CHECKING:
    from ..scene.model import Scene, Section

__all__ = ["section_figures"]

_TIMES = "\N{MULTIPLICATION SIGN}"
_WIDE, _HIGH = 360.0, 190.0
_LEFT, _RIGHT, _TOP, _LOW = 56.0, 10.0, 12.0, 36.0
_ROOM = 26.0  # around a shape, for whiskers and arc lengths [px]
_LONGEST = 0.16  # a whisker, of the section's size
_OUTLINE = 400  # points of a shape
_MARKED = 300  # touches up to which each has its symbol and its row; of more those outside their limits, the worst


def section_figures(scene: Scene) -> str:
    """Return the planned sections, each with its pictures and its numbers; nothing if there is none."""
    if not scene.sections:
        return ""
    drawn = "".join(_figure(scene, one) for one in scene.sections)
    return (
        f'<section id="sections">{mark("sections", "h2")}<p class="small">{mark("sections.note")}</p>'
        f'<div class="sections">{drawn}</div></section>'
    )


def _figure(scene: Scene, one: Section) -> str:
    shape, times = _shape(scene, one)
    along, steep = _along(scene, one)
    deviation, unit = _deviation(scene, one), '<span class="unit">mm</span>'
    said = [f"{mark('touches')} {len(one.rows)}"]
    if len(one.rows):
        span = f"{length(float(deviation.min()))} {mark('to')} {length(float(deviation.max()))} {unit}"
        said += [f"{mark('col.deviation')} {span}"]
    source = mark("section.exact")
    if not one.exact:
        source = f"{mark('section.facets')} {length(one.chord_error, 'a')} {unit}"
    said += [
        f"{mark('plot.arc')} {length(one.curve.length, 'p', 1)} {unit}",
        source,
        f"{mark('section.within')} {length(one.within, 'p', 2)} {unit}",
    ]
    said += [f"{mark('section.bars')} U = 2 u"] * bool(np.nansum(_doubt(scene, one)))
    said += [f"{mark('section.whiskers')} {_TIMES} {times:g}"] * bool(shape)
    said += [f"{mark('section.steep')} {_TIMES} {float(f'{steep:.2g}'):g}"] * (steep > 0)
    said += [f"{mark('section.untouched')} {one.untouched}"] * (one.untouched > 0)
    none = "" if len(one.rows) else f"<p>{mark('section.none')}</p>"
    return (
        f'<figure class="section"><h3>{escape(one.name)}</h3><div class="pictures">{shape}{along}</div>{none}'
        f"<figcaption>{plots.DOT.join(said)}</figcaption>{_table(scene, one)}</figure>"
    )


def _deviation(scene: Scene, one: Section) -> np.ndarray:
    return scene.touches["deviation"].to_numpy(dtype=float, na_value=np.nan)[one.rows]


def _doubt(scene: Scene, one: Section) -> np.ndarray:
    """(n,) U = 2 u of the touches [mm]; 0 where none is stated."""
    if "u_judged" not in scene.touches:
        return np.zeros(len(one.rows))
    return 2.0 * np.nan_to_num(scene.touches["u_judged"].to_numpy(dtype=float, na_value=np.nan)[one.rows])


def _kept(scene: Scene, one: Section) -> np.ndarray:
    """Places in `Section.rows` of the touches with a symbol of their own: all, or the worst of those outside."""
    if len(one.rows) <= _MARKED:
        return np.arange(len(one.rows))
    share = scene.touches["share"].to_numpy(dtype=float, na_value=np.nan)[one.rows]
    outside = np.flatnonzero(scene.words[one.rows] != "within")
    return np.sort(outside[np.argsort(-np.nan_to_num(share[outside]), kind="stable")][:_MARKED])


def _marks(scene: Scene, one: Section, x: np.ndarray, y: np.ndarray) -> str:
    """Symbols of the touches at their places [px], as links."""
    ids, words, kept = scene.touches["touch"].astype(str).to_numpy(), scene.words, _kept(scene, one)
    return "".join(
        plots.symbol_at(x[k], y[k], words[row], 10.0, touch=ids[row], label=f"touch {ids[row]}, {words[row]}")
        for k in kept.tolist()
        for row in [one.rows[k]]
    )


def _names(scene: Scene, one: Section, x: np.ndarray, y: np.ndarray, top: float, bottom: float) -> str:
    """Names of the marked touches that are not within."""
    ids, words = scene.touches["touch"].astype(str).to_numpy(), scene.words
    wanted = [(float(x[k]), float(y[k]), ids[one.rows[k]]) for k in _kept(scene, one) if words[one.rows[k]] != "within"]
    put = plots.names_apart(wanted, top, bottom)
    return "".join(plots.text(a, b, name, kind="id") for a, b, name in put)


def _along(scene: Scene, one: Section) -> tuple[str, float]:
    """The deviation over arc length, and how many times as long it is drawn as the arc."""
    deviation, doubt = _deviation(scene, one), _doubt(scene, one)
    ends = [limit for zone in one.zones for limit in (zone.lower, zone.upper) if np.isfinite(limit)]
    shown = np.concatenate([[0.0], ends, deviation - doubt, deviation + doubt])
    room = 0.1 * float(np.ptp(shown)) or 0.01
    span, low, high = one.curve.length, float(shown.min()) - room, float(shown.max()) + room
    axes = plots.Axes((0.0, span), (low, high), _LEFT, _WIDE - _RIGHT, _TOP, _HIGH - _LOW)
    parts = []
    for zone in one.zones:
        a, b = axes.at_x(zone.start), axes.at_x(zone.end)
        upper, lower = axes.at_y(min(zone.upper, high)), axes.at_y(max(zone.lower, low))
        parts.append(
            f'<rect class="band" x="{a:.1f}" y="{upper:.1f}" width="{b - a:.1f}" height="{lower - upper:.1f}"/>'
        )
        for limit in (zone.lower, zone.upper):
            if np.isfinite(limit):
                parts.append(plots.line("limit", (a, axes.at_y(limit)), (b, axes.at_y(limit))))
    parts.append(plots.line("null", (axes.left, axes.at_y(0.0)), (axes.right, axes.at_y(0.0))))
    marked = sorted({0.0, *ends}) if ends else ticks(low, high)
    kept = [v for k, v in enumerate(marked) if not k or axes.at_y(marked[k - 1]) - axes.at_y(v) > 11]
    parts += [plots.value(_LEFT - 5, axes.at_y(v) + 4, v, 3, signed=True, anchor="end") for v in kept]
    for s in ticks(0.0, span):
        parts.append(plots.line("tick", (axes.at_x(s), axes.bottom), (axes.at_x(s), axes.bottom + 4)))
        parts.append(plots.value(axes.at_x(s), axes.bottom + 15, s, 1))
    parts.append(plots.named((axes.left + axes.right) / 2, _HIGH - 5, "plot.arc", unit=True))
    x, y = axes.at_x(one.stations), axes.at_y(deviation)
    if len(one.rows) > _MARKED:
        parts.append(plots.line("thin", *zip(x, y, strict=True)))
    parts.append(_marks(scene, one, x, y))
    parts += [
        plots.bar(a, axes.at_y(d - half), axes.at_y(d + half))
        for a, d, half in zip(x, deviation, doubt, strict=True)
        if half > 0
    ]
    parts.append(_names(scene, one, x, y, _TOP, axes.bottom))
    steep = (axes.bottom - axes.top) / (high - low) / ((axes.right - axes.left) / span)
    return plots.svg(parts, _WIDE, _HIGH, "plot.label", links=True), steep if len(one.rows) else 0.0


def _shape(scene: Scene, one: Section) -> tuple[str, float]:
    """The section itself with whiskers along the normals, and how many times too long they are; nothing for a curve
    that is not plane.
    """
    curve, deviation = one.curve, _deviation(scene, one)
    found = plane_of(curve.points)
    if found is None or not len(one.rows):
        return "", 1.0
    across, names = found
    outline = curve.at(np.linspace(0.0, curve.length, _OUTLINE))[0] @ across.T
    low, size = outline.min(axis=0), float(np.ptp(outline, axis=0).max())
    longest = float(np.abs(deviation).max())
    times = round_down(_LONGEST * size / longest) if longest > 0 else 1.0
    feet, normals = (array(scene.touches, columns)[one.rows] @ across.T for columns in (FOOT, FOOT_NORMAL))
    lean = np.linalg.norm(normals, axis=1, keepdims=True)
    tips = feet + times * deviation[:, None] * normals / np.where(lean > 0, lean, 1.0)
    everything = np.vstack([outline, tips])
    low, high = everything.min(axis=0), everything.max(axis=0)
    scale = min((_WIDE - 2 * _ROOM) / max(high[0] - low[0], 1e-9), 250.0 / max(high[1] - low[1], 1e-9))
    tall = scale * (high[1] - low[1]) + 2 * _ROOM + 14
    off = np.array([(_WIDE - scale * (high[0] - low[0])) / 2, tall - _ROOM - 14])

    def put(points: np.ndarray) -> np.ndarray:
        return off + (points - low) * [scale, -scale]

    line, foot, tip = put(outline), put(feet), put(tips)
    parts = [plots.line("curve", *map(tuple, line))]
    parts += [plots.line("thin", tuple(a), tuple(b)) for a, b in zip(foot, tip, strict=True)]
    parts += [*_stations(one, across, put), _marks(scene, one, *tip.T), _names(scene, one, *tip.T, 0.0, tall - 16)]
    bar = round_down(0.3 * size)
    ends = (_WIDE - 12 - scale * bar, tall - 6.0), (_WIDE - 12.0, tall - 6.0)
    parts += [plots.line("limit", *ends), plots.value(ends[0][0] - 5, tall - 2, bar, 1, unit=True, anchor="end")]
    if len(names[0]) == 1:  # axes of the part
        said = f"\N{RIGHTWARDS ARROW} {names[0]}   \N{UPWARDS ARROW} {names[1]}"
        parts.append(plots.text(8, tall - 2, said, anchor="start"))
    return plots.svg(parts, _WIDE, round(tall, 1), "section.shape", links=True), times


def _stations(one: Section, across: np.ndarray, put: Callable[[np.ndarray], np.ndarray]) -> list[str]:
    """Arc lengths as they stand below the other picture, inside the shape, each at its place on the curve."""
    curve, parts = one.curve, []
    for s in ticks(0.0, curve.length):
        if curve.closed and s > 0.97 * curve.length:
            continue
        point, segment = curve.at(np.array([s]))
        inward = -(one.outward[segment[0]] @ across.T)
        inward /= max(float(np.linalg.norm(inward)), 1e-9)
        x, y = put(point @ across.T)[0]
        parts.append(f'<circle class="station" cx="{x:.1f}" cy="{y:.1f}" r="2.6"/>')
        parts.append(plots.value(x + 14 * inward[0], y - 12 * inward[1] + 4, float(s), 1))
    return parts


def _table(scene: Scene, one: Section) -> str:
    """The touches of a section by arc length, folded."""
    if not len(one.rows):
        return ""
    ids, words, kept = scene.touches["touch"].astype(str).to_numpy(), scene.words, _kept(scene, one)
    deviation, doubt = _deviation(scene, one), _doubt(scene, one)
    heads = "".join(
        f'<th scope="col"{kind}>{mark(key)}</th>'
        for key, kind in (("plot.arc", ' class="n"'), ("col.touch", ""), ("col.deviation", ' class="n"'))
    )
    heads += f'<th scope="col" class="n">U</th><th scope="col">{mark("col.verdict")}</th>'
    rows = "".join(
        f'<tr><td class="n">{length(one.stations[k], "p", 2)}</td><th scope="row">{escape(ids[one.rows[k]])}</th>'
        f'<td class="n">{length(deviation[k])}</td><td class="n">{length(doubt[k] or None, "a")}</td>'
        f'<td class="v">{symbol(words[one.rows[k]])} {mark("word." + words[one.rows[k]])}</td></tr>'
        for k in kept.tolist()
    )
    few = f" {len(kept)} / {len(one.rows)}" if len(kept) < len(one.rows) else ""
    table = f'<table aria-label="{escape(one.name)}"><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>'
    return (
        f'<details class="small"><summary>{mark("section.table")}{few}</summary>'
        f'<div class="scroll narrow" tabindex="0" role="region" aria-label="{escape(one.name)}">{table}</div></details>'
    )
