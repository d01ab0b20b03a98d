"""Why an actual value is what it is: in words, in numbers of other fits, and in one figure."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

from .evaluation import Evaluation

__all__ = ["Explanation", "explain"]

_BINS, _SIZE, _WIDE = 64, 9.0, 640.0
_NEAR, _NAMES = 60.0, 6
_FREEDOM = {
    "tx": "shift along x",
    "ty": "shift along y",
    "tz": "shift along z",
    "rx": "turn about x",
    "ry": "turn about y",
    "rz": "turn about z",
}


@dataclass(frozen=True, eq=False)
class Explanation:
    """Why an actual value is what it is.

    Attributes
    ----------
    lines : tuple of str
        The reasons, one sentence or two each.
    values : dict
        Actual value [mm] that each other fit would have given.
    svg : str
        Strip of the deviations with the zone, the touches that rule marked by a ring and their names.
    """

    lines: tuple[str, ...]
    values: dict[str, float]
    svg: str

    def __str__(self) -> str:
        return "\n".join(self.lines)

    def _repr_html_(self) -> str:
        return f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in self.lines)}</ul>{self.svg}"


def explain(evaluation: Evaluation) -> Explanation:
    """Explain an evaluation.

    Parameters
    ----------
    evaluation : Evaluation

    Returns
    -------
    Explanation
        Its `values` are computed anew by the other fits; the evaluation itself is only read.
    """
    values = dict(evaluation.alternatives()) if evaluation.alternatives is not None else {}
    lines = [evaluation.sentence + ".", _margin(evaluation), _ruling(evaluation), _freedoms(evaluation)]
    lines += [f"{name}: {value:.4f}" for name, value in evaluation.details.items()]
    if values:
        told = "; ".join(f"{name}: {value:.4f} mm" for name, value in values.items())
        lines.append(f"Other fits of the same touches give {told}.")
        if evaluation.conforms and max(values.values()) > evaluation.width:
            lines.append("With the least favourable of them the verdict would be the other one: the fit matters here.")
        elif not evaluation.conforms and min(values.values()) <= evaluation.width:
            lines.append(
                "With the most favourable of them it would conform: the fit, or the datum frame, matters here."
            )
    lines += [note[:1].upper() + note[1:] + "." for note in evaluation.notes]
    return Explanation(tuple(line for line in lines if line), values, _strip(evaluation))


def _margin(one: Evaluation) -> str:
    left = one.width - one.actual
    share = f"{100 * one.actual / one.width:.0f} % of the tolerance is used"
    return f"{share}: {left:.4f} mm are left." if left >= 0 else f"{share}: {-left:.4f} mm too much."


def _ruling(one: Evaluation) -> str:
    if not one.ruling:
        return ""
    listed = ", ".join(str(touch) for touch in one.ruling)
    if not one.by_touch and not one.kind.startswith("profile"):
        return (
            f"The feature judged is that of an envelope which rests on touches {listed}. The others could change a "
            "little and it would stay."
        )
    if len(one.ruling) == 1:
        return f"One touch fixes the value: {listed}. Any other could change a little and the value would stay."
    return (
        f"{len(one.ruling)} touches fix the value together: {listed}. They lie equally far out (in proportion to their "
        "zone); the others could change a little and it would stay."
    )


def _freedoms(one: Evaluation) -> str:
    if not one.free:
        return "No degree of freedom was left: the zone stands where the datum frame puts it."
    words = ", ".join(_words(name) for name in one.free)
    return f"The zone was free to {words}: no other place in these makes the value smaller."


def _words(name: str) -> str:
    if name.startswith("play of "):
        return f"move as far as the play of datum {name[len('play of ') :]} at its material boundary lets the part"
    return _FREEDOM.get(name, f"make {name}")


def _strip(one: Evaluation) -> str:
    """Figure: a strip of deviations along one axis, zone behind, rulers ringed."""
    d = one.deviations if one.by_touch else np.array([one.low, one.high])
    marked = np.empty(0, dtype=int)
    if one.by_touch:  # those that rule are the ones furthest out, in the order of the touches
        out = np.abs(d - one.middles) / (one.uppers - one.lowers)
        marked = np.sort(np.argsort(-out, kind="stable")[: len(one.ruling)])
    ends = np.array([*d, one.lower, one.upper])
    room = 0.08 * max(float(np.ptp(ends)), 1e-6)
    start, end = float(ends.min()) - room, float(ends.max()) + room

    def place(value: np.ndarray | float) -> np.ndarray:
        return (np.asarray(value) - start) / (end - start) * _WIDE

    x = place(d)
    level = _levels(x)
    rise = min(_SIZE, 90.0 / max(int(level.max(initial=0)), 1))
    base = 40.0 + rise * float(level.max(initial=0))
    y = base - rise * level
    left, right = (float(place(v)) for v in (one.lower, one.upper))
    parts = [
        f'<rect x="{left:.1f}" y="22" width="{right - left:.1f}" height="{base - 12:.1f}" fill="currentColor" '
        'fill-opacity="0.08"/>',
        *(
            f'<path d="M{edge:.1f} 22V{base + 10:.1f}" stroke="currentColor" stroke-width="1.5"/>'
            f'<text x="{edge:.1f}" y="{base + 26:.1f}" text-anchor="middle">{value:+.4f}</text>'
            for edge, value in ((left, one.lower), (right, one.upper))
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
    label = f"{one.name}: deviations of {one.touches} touches against the zone {one.lower:+.4f} to {one.upper:+.4f} mm"
    caption = "deviation in mm; shaded: zone; ringed: touches that fix the value"
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
        more = f" and {len(told) - _NAMES} more" if len(told) > _NAMES else ""
        found.append((float(x[bundle].mean()), float(y[bundle].min()), ", ".join(told[:_NAMES]) + more))
    return found


def _levels(x: np.ndarray) -> np.ndarray:
    """Level of each mark in its stack."""
    bins = np.floor(x / _WIDE * _BINS).astype(int)
    level, seen = np.zeros(len(x), dtype=int), {}
    for k, one in enumerate(bins.tolist()):
        level[k] = seen.get(one, 0)
        seen[one] = level[k] + 1
    return level
