"""The words and numbers beside the picture of a plan, as escaped HTML: pure functions, no widgets."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from ..columns import NORMAL, TARGET
from .text import BOX, key_html, length, rows_html, symbol, value, vector, words

if TYPE_CHECKING:
    from ..scene.model import Scene

__all__ = ["legend_html", "note_html", "panel_html"]


def panel_html(scene: Scene, row: int | None) -> str:
    """All that the plan says of a target, or how to choose one."""
    if row is None:
        return (
            f'<div role="status" style="{BOX}">No target chosen. Click a sign in the picture, or choose a touch from '
            "the list below it; the probe then stands there.</div>"
        )
    target = scene.touches.iloc[row]
    word, order, angle = str(target["state"]), value(target, "order"), value(target, "approach_angle")
    text = next(entry.text for entry in scene.legend.verdicts if entry.word == word)
    lines = [
        ("order of touching", None if order is None else f"<b>no. {order:g}</b>"),
        ("pose", words(target, "pose")),
        ("tip", words(target, "tip_name")),
        ("normal", None if angle is None else f"{angle:.1f}&deg; from the tool axis"),
        ("clearance", length(target, "clearance")),
        ("feature", words(target, "feature")),
        ("face", words(target, "face")),
        ("target", vector(target, TARGET, 3)),
        ("outward normal", vector(target, NORMAL, 4)),
        ("reason", words(target, "reason")),
    ]
    return (
        f'<div role="status" style="{BOX}"><div style="font-size:15px"><b>Touch {escape(str(target["touch"]))}</b>: '
        f"{symbol(scene.legend, word)} <b>{escape(word)}</b></div><div>{escape(text)}</div>{rows_html(lines)}</div>"
    )


def legend_html(scene: Scene) -> str:
    """Key of the signs, of the lines and of the bodies."""
    lines = "".join(
        _item(
            f'<line x1="1" x2="33" y1="6" y2="6" stroke-width="2" stroke="{one.colour}" '
            f'stroke-dasharray="{" ".join(f"{14 * part:g}" for part in one.dash) or "none"}"/>',
            one.name,
            one.text,
        )
        for one in scene.lines
    )
    solids = "".join(
        _item(
            '<rect x="9" y="1" width="16" height="10" stroke="#2b2f36" '
            f'fill="{one.colour}" fill-opacity="{one.opacity}"/>',
            one.name,
            one.text,
        )
        for one in scene.solids
    )
    heads = (
        ("Targets", key_html(scene.legend)),
        ("Lines: ways, by pose", lines),
        ("Bodies", solids),
    )
    return f'<div style="{BOX}">{"".join(f"<div><b>{head}</b></div>{body}" for head, body in heads if body)}</div>'


def _item(drawn: str, name: str, text: str) -> str:
    return (
        '<div style="display:flex;gap:7px;padding:1px 0;align-items:baseline">'
        f'<svg width="34" height="12" aria-hidden="true" style="flex:none">{drawn}</svg>'
        f"<span><b>{escape(name)}</b>: {escape(text)}</span></div>"
    )


def note_html(scene: Scene, _exaggeration: float, hidden: int = 0) -> str:
    """Heading of the view: its title, and how many targets can be touched."""
    total = len(scene.touches)
    left = next(entry.count for entry in scene.legend.verdicts if entry.word == "left out")
    filtered = f" {hidden} {'target is' if hidden == 1 else 'targets are'} hidden by the filter." if hidden else ""
    return (
        f'<div style="line-height:1.4"><b style="font-size:15px">{escape(scene.title)}</b> '
        f"Planned: {total - left} of {total} targets, {left} left out.{filtered}</div>"
    )
