"""The words and numbers beside the picture, as escaped HTML: pure functions, no widgets."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import isfinite, isnan
from numbers import Real
from typing import TYPE_CHECKING

from ..columns import CONTACT, FOOT, FOOT_NORMAL, TARGET
from ..scene import bands
from ..scene.colour import hex_of
from ..scene.glyphs import SYMBOLS, VERDICT_TEXT

if TYPE_CHECKING:
    import pandas as pd

    from ..scene.model import Legend, Scene

__all__ = [
    "BOX",
    "captions_html",
    "exaggeration_label",
    "key_html",
    "legend_html",
    "length",
    "note_html",
    "panel_html",
    "rows_html",
    "symbol",
    "value",
    "vector",
    "words",
]

#: Style of the boxes beside the picture.
BOX = (
    "box-sizing:border-box;background:#fff;color:#1b1d21;border:1px solid #c9ccd1;border-radius:3px;padding:6px 9px;"
    "font-size:13px;line-height:1.4;overflow-wrap:anywhere"
)
_MISSING = "&ndash;"


def value(row: pd.Series, column: str) -> object:
    """Return a cell; None if it is not there, empty or NaN."""
    cell = row.get(column)
    return None if cell is None or cell == "" or (isinstance(cell, Real) and isnan(cell)) else cell


def length(row: pd.Series, column: str, signed: bool = False) -> str:
    """Return a cell as a length [mm]; a dash if there is none."""
    known = value(row, column)
    return _MISSING if known is None else f"{known:{'+' if signed else ''}z.4f} mm"


def _limit(row: pd.Series, column: str) -> str:
    known = value(row, column)
    return "none" if known is None or not isfinite(known) else f"{known:+z.4f} mm"


def _percent(row: pd.Series, column: str) -> str:
    known = value(row, column)
    return _MISSING if known is None else f"{100 * known:z.0f} % (100 % is a limit)"


def _ratio(row: pd.Series) -> str:
    known = value(row, "datum_ratio")
    return _MISSING if known is None else f"{known:+z.1f} standard deviations"


def vector(row: pd.Series, columns: tuple[str, ...], digits: int) -> str:
    """Return the cells as numbers in a row; a dash if one is missing."""
    values = [value(row, c) for c in columns]
    return _MISSING if None in values else ", ".join(f"{round(v, digits) + 0.0:.{digits}f}" for v in values)


def words(row: pd.Series, column: str) -> str:
    """Return a cell as escaped text; a dash if there is none."""
    known = value(row, column)
    return _MISSING if known is None else escape(str(known))


def panel_html(scene: Scene, row: int | None) -> str:
    """All numbers of a touch, or how to choose one.

    Parameters
    ----------
    scene : Scene
        The scene.
    row : int or None
        Row of `Scene.touches`.

    Returns
    -------
    str
        HTML in which every text from the data is escaped.
    """
    if row is None:
        return (
            f'<div role="status" style="{BOX}">No touch chosen. Click a glyph in the picture, or choose a touch from '
            "the list below it.</div>"
        )
    touch = scene.touches.iloc[row]
    word = str(touch["verdict"])
    chance = value(touch, "p_conform")
    lines = [
        ("deviation", f"<b>{length(touch, 'deviation', signed=True)}</b>"),
        ("feature", words(touch, "feature")),
        ("face", words(touch, "face")),
        ("tolerance", words(touch, "tolerance")),
        ("upper limit", _limit(touch, "upper")),
        ("lower limit", _limit(touch, "lower")),
        ("margin", length(touch, "margin", signed=True)),
        ("share of the zone", _percent(touch, "share")),
        ("standard uncertainty", length(touch, "u_judged")),
        ("probability to conform, by itself", _MISSING if chance is None else f"{chance:.4f}"),
        ("target", vector(touch, TARGET, 3)),
        ("measured", vector(touch, ("x", "y", "z"), 3)),
        ("contact", vector(touch, CONTACT, 3)),
        ("foot", vector(touch, FOOT, 3)),
        ("outward normal", vector(touch, FOOT_NORMAL, 4)),
        ("datum residual", length(touch, "datum_residual", signed=True)),
        ("over a good touch's", _ratio(touch)),
        ("without it, up to", length(touch, "datum_moves")),
        ("flags", words(touch, "flag")),
        ("in doubt", words(touch, "doubt")),
        ("reason", words(touch, "reason")),
    ]
    return (
        f'<div role="status" style="{BOX}"><div style="font-size:15px"><b>Touch {escape(str(touch["touch"]))}</b>: '
        f"{symbol(scene.legend, word)} <b>{escape(word)}</b></div>"
        f"<div>{escape(VERDICT_TEXT.get(word, ''))}</div>"
        f"{rows_html(lines)}</div>"
    )


def rows_html(lines: Sequence[tuple[str, str | None]]) -> str:
    """Table of names and texts, without those that have no text; the deviation stands there in any case."""
    shown = [(name, text) for name, text in lines if text not in (None, _MISSING) or name == "deviation"]
    body = "".join(
        f'<tr><th scope="row" style="text-align:left;font-weight:normal;color:#555a62;padding:0 10px 0 0;'
        f'vertical-align:top">{name}</th><td style="text-align:left;padding:0">{text}</td></tr>'
        for name, text in shown
    )
    return f'<table style="border-collapse:collapse;margin-top:4px">{body}</table>'


def symbol(legend: Legend, word: str) -> str:
    """Flat symbol of a verdict in its colour; the word must stand beside it."""
    for entry in legend.verdicts:
        if entry.word == word:
            return (
                f'<svg width="15" height="15" viewBox="0 0 24 24" aria-hidden="true" style="vertical-align:-2px">'
                f'<path d="{SYMBOLS[entry.shape]}" fill="{entry.colour}"/></svg>'
            )
    return ""


def key_html(legend: Legend) -> str:
    """Return the glyph key."""
    return "".join(
        f'<div style="display:flex;gap:7px;padding:1px 0"><span style="flex:none">{symbol(legend, entry.word)}</span>'
        f"<span><b>{escape(entry.word)}</b> ({entry.count}): {escape(entry.text)}</span></div>"
        for entry in legend.verdicts
        if entry.count
    )


def legend_html(legend: Legend, banded: bool = False) -> str:
    """Colour bar with the limits of each tolerance, and the glyph key.

    Parameters
    ----------
    legend : Legend
        The legend of a scene.
    banded : bool
        Whether the surface shows bands of the zone in place of deviations.

    Returns
    -------
    str
        HTML in which every text from the data is escaped.
    """
    return (
        f'<div style="{BOX}">{_bands_html(legend) if banded else _bar_html(legend)}'
        f'<div style="display:flex;gap:7px;padding:4px 0"><span style="flex:none;width:22px;height:14px;background:'
        f'repeating-linear-gradient(45deg, {legend.unknown} 0 4px, #6f757d 4px 5px)"></span>'
        f"<span>no touch near</span></div><div><b>Touches</b></div>{key_html(legend)}</div>"
    )


def _bands_html(legend: Legend) -> str:
    """Below the zone, its tenths and above it, and how wide a band is in each tolerance with two limits."""
    cells = [
        f'<span style="flex:{2 if k in (0, bands.BANDS + 1) else 1};background:{hex_of(ink)};'
        f'border-left:{(0, 2, 1)[min(k, 2)] if k <= bands.BANDS else 2}px solid #1b1d21"></span>'
        for k, ink in enumerate(bands.COLOURS)
    ]
    widths = "".join(
        f"<div>{escape(one.name)}: {_range(one.lower, one.upper)} mm, a band is "
        f"{(one.upper - one.lower) / bands.BANDS:.3g} mm</div>"
        for one in legend.limits
        if isfinite(one.lower) and isfinite(one.upper)
    )
    return (
        '<div><b>Tenths of the zone</b></div><div role="img" aria-label="Bands: below the zone, its tenths, above it" '
        f'style="display:flex;height:15px">{"".join(cells)}</div>'
        '<div style="display:flex;justify-content:space-between"><span>below</span><span>from limit to limit</span>'
        f'<span>above</span></div>{widths}<div style="display:flex;gap:7px;padding:4px 0">'
        f'<span style="flex:none;width:22px;height:14px;background:{hex_of(bands.WITHOUT)}"></span>'
        "<span>no zone with two limits</span></div>"
    )


def _bar_html(legend: Legend) -> str:
    span = legend.span

    def place(value: float) -> float:
        return 100 * min(max((value + span) / (2 * span), 0.0), 1.0)

    stops = ", ".join(f"{colour} {place(value):.2f}%" for value, colour in legend.stops)
    ends = ("&le; " if legend.clipped else "", "&ge; " if legend.clipped else "")
    marks = "".join(
        f'<div style="position:relative;height:9px"><div style="position:absolute;box-sizing:border-box;top:2px;'
        f"height:6px;left:{place(limit.lower):.2f}%;width:{place(limit.upper) - place(limit.lower):.2f}%;"
        f"border:solid #1b1d21;border-width:0 {2 if isfinite(limit.upper) else 0}px 2px "
        f'{2 if isfinite(limit.lower) else 0}px"></div></div>'
        f"<div>{escape(limit.name)}: {_range(limit.lower, limit.upper)}</div>"
        for limit in legend.limits
    )
    return (
        f"<div><b>Deviation</b> [mm]</div>"
        f'<div role="img" aria-label="Colour bar from {-span:g} to {span:g} mm" style="height:15px;'
        f'background:linear-gradient(to right, {stops})"></div>'
        f'<div style="display:flex;justify-content:space-between"><span>{ends[0]}{-span:+g}</span><span>0</span>'
        f"<span>{ends[1]}{span:+g}</span></div>"
        f'<div style="display:flex;justify-content:space-between;color:#555a62"><span>material missing</span>'
        f"<span>material left on</span></div>{marks}"
    )


def _range(lower: float, upper: float) -> str:
    if isfinite(lower) and isfinite(upper):
        return f"{lower:+.4g} to {upper:+.4g}"
    if isfinite(upper):
        return f"at most {upper:+.4g}"
    return f"at least {lower:+.4g}" if isfinite(lower) else "no limits"


def exaggeration_label(factor: float) -> str:
    """How the slider names a factor."""
    return "nominal shape" if factor == 0 else ("true size" if factor == 1 else f"{factor:g} times")


def note_html(scene: Scene, exaggeration: float, hidden: int = 0) -> str:
    """Heading of the view: its title, and what the picture does to the truth."""
    shapes = {0: "Shape: nominal.", 1: "Shape: deviations at true size."}
    shape = shapes.get(exaggeration, f"Shape: deviations drawn {exaggeration:g} times larger than they are.")
    weight = "bold" if exaggeration > 1 else "normal"
    filtered = f" {hidden} {'touch is' if hidden == 1 else 'touches are'} hidden by the filter." if hidden else ""
    return (
        f'<div style="line-height:1.4"><b style="font-size:15px">{escape(scene.title)}</b> '
        f'<span style="font-weight:{weight}">{shape}</span>{filtered}</div>'
    )


def captions_html(scene: Scene, banded: bool = False) -> str:
    """Return what must be said beside the picture."""
    lines = bands.captions(scene) if banded else scene.captions
    return '<div style="line-height:1.4;font-size:12px">' + "<br>".join(escape(c) for c in lines) + "</div>"
