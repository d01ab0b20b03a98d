"""Figures of an explanation, as SVG: deviations on a strip, or axes and centres within their zone.

Strokes and fills take the colour of the text around them.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .evaluation import Evaluation, Shifts

__all__ = ["figure"]

_BINS, _SIZE, _WIDE = 64, 9.0, 640.0
_NEAR, _NAMES = 60.0, 6
_DISC = 300.0


def figure(one: Evaluation) -> str:
    """The figure of an evaluation: axes and centres in a round zone as a disc, all else as a strip."""
    return _disc(one) if one.shifts and len(one.shifts[0].zone) > 1 else _strip(one)


def _disc(one: Evaluation) -> str:
    """The zones seen along their direction, the true positions brought together, and the axes from end to end."""
    u, v, names = _view(one.shifts[0])
    half = max(max(each.allowed / 2, float(np.linalg.norm(each.off, axis=1).max())) for each in one.shifts)
    half = 1.15 * max(half, 1e-6)
    middle, scale = _DISC / 2 + 20, _DISC / 2 / half

    def place(off: np.ndarray) -> np.ndarray:
        return middle + scale * np.column_stack([off @ u, -(off @ v)])

    end = middle + _DISC / 2
    parts = [
        f'<circle cx="{middle:g}" cy="{middle:g}" r="{scale * allowed / 2:.1f}" stroke="currentColor" '
        'stroke-width="1.5" fill="currentColor" fill-opacity="0.06"/>'
        for allowed in sorted({round(each.allowed, 9) for each in one.shifts})
    ]
    parts.append(
        f'<path d="M{2 * middle - end:g} {middle:g}H{end:g}M{middle:g} {2 * middle - end:g}V{end:g}" '
        f'stroke="currentColor" stroke-width="0.7" stroke-dasharray="6 2 1 2"/>'
        f'<text x="{end + 4:g}" y="{middle + 4:g}">{names[0]}</text>'
        f'<text x="{middle:g}" y="{2 * middle - end - 5:g}" text-anchor="middle">{names[1]}</text>'
    )
    labels: list[tuple[float, float, str, str]] = []
    for each in one.shifts:
        at = place(each.off)
        way = "L".join(f"{x:.1f} {y:.1f}" for x, y in at)
        parts.append(f'<path d="M{way}" stroke="currentColor" stroke-width="1.2" fill="none"/>')
        parts.append(f'<circle cx="{at[0, 0]:.1f}" cy="{at[0, 1]:.1f}" r="3.2"/>')
        parts += [
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="none" stroke="currentColor" stroke-width="1.3"/>'
            for x, y in at[1:]
        ]
        side = 1 if at[-1, 0] >= at[0, 0] else -1  # away from its own line
        anchor = "start" if side > 0 else "end"
        labels.append((float(at[-1, 0]) + 8 * side, float(at[-1, 1]) + 4, anchor, each.label))
    parts += [
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(names)}</text>'
        for x, y, anchor, names in _together(labels, 2 * middle + 20)
    ]
    widths = " and ".join(f"{w:.4f}" for w in sorted({round(each.allowed, 4) for each in one.shifts}))
    label = f"{one.name}: {one.kind} in the zone of {widths} mm"
    ends = "dot: lower end, ring: upper end of the axis" if any(len(each.off) > 1 for each in one.shifts) else "dot: it"
    cross = "true position" if one.kind.startswith("position") else "middle of the zone"
    captions = (f"seen along the zone; circle: zone, {widths} mm across", f"cross: {cross}; {ends}")
    below = "".join(
        f'<text x="{middle:g}" y="{end + 20 + 16 * k:g}" text-anchor="middle">{text}</text>'
        for k, text in enumerate(captions)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-20 0 {2 * middle + 40:g} {end + 46:g}" '
        f'width="{2 * middle + 40:g}" role="img" aria-label="{escape(label)}" font-size="11" '
        f'font-family="system-ui, sans-serif" fill="currentColor"><title>{escape(label)}</title>{"".join(parts)}'
        f"{below}</svg>"
    )


def _together(labels: list[tuple[float, float, str, str]], right: float) -> list[tuple[float, float, str, str]]:
    """Labels (x, y, anchor, text), those that would lie on one another as one, and none beyond -20 or the right."""
    bundles: list[list[tuple[float, float, str, str]]] = []
    for one in labels:
        near = (b for b in bundles if b[0][2] == one[2] and abs(b[0][1] - one[1]) < 13 and abs(b[0][0] - one[0]) < 28)
        if (bundle := next(near, None)) is None:
            bundles.append([one])
        else:
            bundle.append(one)
    found = []
    for bundle in bundles:
        (x, y, anchor, _), names = bundle[0], _names([one[3] for one in bundle])
        long = 6.2 * len(names)
        if anchor == "start" and x + long > right:
            x, anchor = x - 16, "end"
        elif anchor == "end" and x - long < -20:
            x, anchor = x + 16, "start"
        found.append((x, y, anchor, names))
    return found


def _names(told: list[str]) -> str:
    more = f" and {len(told) - _NAMES} more" if len(told) > _NAMES else ""
    return ", ".join(told[:_NAMES]) + more


def _view(one: Shifts) -> tuple[np.ndarray, np.ndarray, tuple[str, str]]:
    """Two directions (3,) square to the zone, right-handed when it is seen against `along`, and their names."""
    first = (int(np.argmax(np.abs(one.along))) + 1) % 3
    u = np.eye(3)[first] - one.along[first] * one.along
    u /= np.linalg.norm(u)
    v = np.cross(one.along, u)
    return u, v, (_name(u), _name(v))


def _name(direction: np.ndarray) -> str:
    for k, axis in enumerate("xyz"):
        if abs(direction[k]) > 1 - 1e-9:
            return ("+" if direction[k] > 0 else "\N{MINUS SIGN}") + axis
    return "({:z.2f}, {:z.2f}, {:z.2f})".format(*direction)


def _strip(one: Evaluation) -> str:
    """Figure: a strip of deviations along one axis, zone behind, rulers ringed."""
    d = np.array([one.low, one.high])
    if one.judges_touches:
        d = one.deviations
    elif one.shifts:
        d = np.concatenate([each.off @ each.zone[0] for each in one.shifts])
    lower, upper = (one.lower, one.upper) if not one.shifts else (-one.upper, one.upper)
    marked = np.empty(0, dtype=int)
    if one.judges_touches:  # those that rule are the ones furthest out, in the order of the touches
        out = np.abs(d - one.middles) / (one.uppers - one.lowers)
        marked = np.sort(np.argsort(-out, kind="stable")[: len(one.ruling)])
    ends = np.array([*d, lower, upper])
    room = 0.08 * max(float(np.ptp(ends)), 1e-6)
    start, end = float(ends.min()) - room, float(ends.max()) + room

    def place(value: np.ndarray | float) -> np.ndarray:
        return (np.asarray(value) - start) / (end - start) * _WIDE

    x = place(d)
    level = _levels(x)
    rise = min(_SIZE, 90.0 / max(int(level.max(initial=0)), 1))
    base = 40.0 + rise * float(level.max(initial=0))
    y = base - rise * level
    left, right = (float(place(v)) for v in (lower, upper))
    parts = [
        f'<rect x="{left:.1f}" y="22" width="{right - left:.1f}" height="{base - 12:.1f}" fill="currentColor" '
        'fill-opacity="0.08"/>',
        *(
            f'<path d="M{edge:.1f} 22V{base + 10:.1f}" stroke="currentColor" stroke-width="1.5"/>'
            f'<text x="{edge:.1f}" y="{base + 26:.1f}" text-anchor="middle">{value:+z.4f}</text>'
            for edge, value in ((left, lower), (right, upper))
        ),
        f'<path d="M0 {base + 10:.1f}H{_WIDE:g}" stroke="currentColor" stroke-width="1"/>',
    ]
    parts += [f'<circle cx="{a:.1f}" cy="{b:.1f}" r="{0.36 * _SIZE:.1f}"/>' for a, b in zip(x, y, strict=True)]
    parts += [
        f'<circle cx="{x[k]:.1f}" cy="{y[k]:.1f}" r="{0.72 * _SIZE:.1f}" fill="none" stroke="currentColor" '
        'stroke-width="1.5"/>'
        for k in marked
    ]
    parts += [
        f'<path d="M{at:.1f} 18V{top - 0.72 * _SIZE:.1f}" stroke="currentColor" stroke-width="0.7" '
        f'stroke-dasharray="2 2"/><text x="{at:.1f}" y="14" text-anchor="middle">{escape(names)}</text>'
        for at, top, names in _labels(x[marked], y[marked], one.ruling)
    ]
    label = f"{one.name}: deviations of {one.touches} touches against the zone {lower:+z.4f} to {upper:+z.4f} mm"
    caption = "deviation in mm; shaded: zone; ringed: touches that fix the value"
    if one.shifts:
        label = f"{one.name}: shift from the true position against the zone {lower:+z.4f} to {upper:+z.4f} mm"
        caption = "shift from the true position in mm at each place judged; shaded: zone"
    elif not one.judges_touches:
        label = f"{one.name}: {one.low:+z.4f} to {one.high:+z.4f} mm against the zone {lower:+z.4f} to {upper:+z.4f} mm"
        caption = "smallest and largest, in mm from the middle of the zone; shaded: zone"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-30 0 {_WIDE + 60:g} {base + 52:.0f}" '
        f'width="{_WIDE + 60:g}" role="img" aria-label="{escape(label)}" font-size="11" '
        f'font-family="system-ui, sans-serif" fill="currentColor"><title>{escape(label)}</title>{"".join(parts)}'
        f'<text x="{_WIDE / 2:g}" y="{base + 44:.1f}" text-anchor="middle">{caption}</text></svg>'
    )


def _labels(x: np.ndarray, y: np.ndarray, names: tuple[int | str, ...]) -> list[tuple[float, float, str]]:
    """Place, top and text of a label for each bundle of marks less than `_NEAR` apart."""
    bundles: list[list[int]] = []
    for k in np.argsort(x, kind="stable").tolist():
        if bundles and x[k] - x[bundles[-1][-1]] < _NEAR:
            bundles[-1].append(k)
        else:
            bundles.append([k])
    found = []
    for bundle in bundles:
        told = [str(names[k]) for k in sorted(bundle)]
        found.append((float(x[bundle].mean()), float(y[bundle].min()), _names(told)))
    return found


def _levels(x: np.ndarray) -> np.ndarray:
    """Level of each mark in its stack."""
    bins = np.floor(x / _WIDE * _BINS).astype(int)
    level, seen = np.zeros(len(x), dtype=int), {}
    for k, one in enumerate(bins.tolist()):
        level[k] = seen.get(one, 0)
        seen[one] = level[k] + 1
    return level
