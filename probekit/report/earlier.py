"""Earlier parts on the page: for each tolerance a run chart of their actual values, with this part at its end."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..scene.round_steps import ticks
from ..show import shown
from . import plots
from .language import mark
from .words import length

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["EarlierParts", "earlier_section"]

_WIDE, _HIGH = 360.0, 170.0
_LEFT, _RIGHT, _TOP, _LOW = 56.0, 12.0, 22.0, 34.0
_DRAWN = 60  # parts of a chart, the last ones
_CHARTS = 30  # tolerances that get one


@shown
@dataclass(frozen=True, eq=False)
class EarlierParts:
    """What is known of parts before this one, of the same revision of study, model and plan.

    Attributes
    ----------
    table : DataFrame
        In the order of the parts, a row per part and tolerance: `name` of the tolerance, `part`, `word`, `actual`,
        `width` [mm].
    parts : int
        How many.
    left_out : tuple of (str, int)
        Why records were left out, and how many.
    notes : tuple of str
        What has to be known to believe it.
    """

    table: pd.DataFrame
    parts: int
    left_out: tuple[tuple[str, int], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """How many parts, and how many records were left out, in one line."""
        left = ", ".join(f"{count} {why}" for why, count in self.left_out)
        return f"{self.parts} earlier parts of the same study, model and plan" + (f"; left out: {left}" if left else "")


def earlier_section(earlier: EarlierParts | None, verdict: Verdict) -> str:
    """Return the run charts; nothing without an archive."""
    if earlier is None:
        return ""
    charts = [
        _chart(earlier.table[earlier.table["name"] == one.name], one, row.word)
        for one, row in verdict.pairs
        if np.isfinite(row.actual)
    ]
    left = "".join(f"<li>{escape(f'{count} {why}')}</li>" for why, count in earlier.left_out)
    left = f'<p class="small left">{mark("earlier.left")}</p><ul class="small">{left}</ul>' if left else ""
    notes = "".join(f'<p class="small">{escape(note[:1].upper() + note[1:])}.</p>' for note in earlier.notes)
    more = f'<p class="small">{mark("earlier.more")} {len(charts) - _CHARTS}</p>' if len(charts) > _CHARTS else ""
    drawn = f'<div class="sections">{"".join(charts[:_CHARTS])}</div>' if earlier.parts else ""
    return (
        f'<section id="earlier">{mark("earlier", "h2")}<p>{mark("earlier.count")} <b>{earlier.parts}</b>. '
        f"{mark('earlier.same')}</p>{_key() if drawn else ''}{drawn}{more}{left}{notes}</section>"
    )


def _key() -> str:
    """What the marks mean."""
    words = ("conforms", "does not conform", "undecided")
    each = "".join(
        f'<li><svg class="plot" width="16" height="16" viewBox="0 0 16 16" aria-hidden="true">'
        f"{plots.part_mark(8, 8, word)}</svg> {mark('word.' + word)}</li>"
        for word in words
    )
    return f'<ul class="marks small">{each}</ul>'


def _chart(table: pd.DataFrame, one: Evaluation, word: str) -> str:
    """One tolerance: the actual values in order, this part last, its width, and in words where this part stands."""
    actual = table["actual"].to_numpy(dtype=float, na_value=np.nan)
    known = actual[np.isfinite(actual)]
    unit, said = '<span class="unit">mm</span>', [f"{mark('earlier.here')} {length(one.actual, 'a')}"]
    said[0] += f' {mark("of")} {length(one.width, "a")} <span class="unit">mm</span>, {mark("word." + word)}'
    out = int((table["word"] == "does not conform").sum())
    if len(known):
        said += [
            f"{mark('earlier.span')} {length(float(known.min()), 'a')} {mark('to')} {length(float(known.max()), 'a')} "
            f"{unit}, {mark('earlier.median')} {length(float(np.median(known)), 'a')} {unit}, "
            f"{mark('word.does not conform')} {out} {mark('of')} {len(table)}",
            f"{mark('earlier.smaller')} {int((known < one.actual).sum())} {mark('of')} {len(known)}",
        ]
    said += [f"{mark('earlier.without')} {len(actual) - len(known)}"] * (len(known) < len(actual))
    said += [f"{mark('earlier.last')} {_DRAWN}"] * (len(table) > _DRAWN)
    return (
        f'<figure class="section"><h3>{escape(one.name)}</h3>{_drawn(table.tail(_DRAWN), one, word)}'
        f"<figcaption>{plots.DOT.join(said)}</figcaption></figure>"
    )


def _drawn(table: pd.DataFrame, one: Evaluation, word: str) -> str:
    actual = np.append(table["actual"].to_numpy(dtype=float, na_value=np.nan), one.actual)
    width = np.append(table["width"].to_numpy(dtype=float, na_value=np.nan), one.width)
    words = [*table["word"], word]
    high = 1.12 * float(np.nanmax(np.concatenate([actual, width])))
    axes = plots.Axes((0.0, len(actual) + 1.0), (0.0, high), _LEFT, _WIDE - _RIGHT, _TOP, _HIGH - _LOW)
    x = [axes.at_x(k) for k in range(1, len(actual) + 1)]
    half = (x[1] - x[0]) / 2 if len(x) > 1 else 20.0
    parts = []
    runs = np.split(np.arange(len(width)), np.flatnonzero(np.diff(width) != 0) + 1)  # a bonus may make widths differ
    for run in runs:
        if np.isfinite(limit := float(width[run[0]])):
            ends = (x[run[0]] - half, axes.at_y(limit)), (x[run[-1]] + half, axes.at_y(limit))
            parts.append(
                f'<rect class="band" x="{ends[0][0]:.1f}" y="{ends[0][1]:.1f}" width="{ends[1][0] - ends[0][0]:.1f}" '
                f'height="{axes.bottom - ends[0][1]:.1f}"/>{plots.line("limit", *ends)}'
            )
    parts.append(plots.line("tick", (axes.left, axes.bottom), (axes.right, axes.bottom)))
    parts += [plots.value(_LEFT - 5, axes.at_y(v) + 4, float(v), 3, anchor="end") for v in ticks(0.0, high)]
    places = [(a, axes.at_y(v)) for a, v in zip(x, actual, strict=True) if np.isfinite(v)]
    parts.append(plots.line("thin", *places))
    parts.append(plots.line("here", (x[-1], axes.top), (x[-1], axes.bottom)))
    parts += [
        plots.part_mark(a, axes.at_y(v), of, large=k == len(x) - 1)
        for k, (a, v, of) in enumerate(zip(x, actual, words, strict=True))
        if np.isfinite(v)
    ]
    parts.append(plots.named(min(x[-1], _WIDE - 30), axes.top - 8, "earlier.here"))
    parts.append(f'<text x="{_LEFT - 5:g}" y="{_TOP - 8:g}" text-anchor="end"><tspan class="unit">mm</tspan></text>')
    parts.append(plots.named((axes.left + axes.right) / 2, _HIGH - 12, "earlier.axis"))
    return plots.svg(parts, _WIDE, _HIGH, "earlier.label")
