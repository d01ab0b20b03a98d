"""Figures of studies: control charts and other panels, the causes of an uncertainty, the blind spot of a plan."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MaxNLocator

from ..errors import InputError
from .drawing import COLOURS, DASHES, GREY, INK, MARKS, Drawing, axes, styled

if TYPE_CHECKING:
    import pandas as pd

    from ..gauge.result import Panel, Series
    from ..uncertainty.shares import Shares

__all__ = ["blind_spot", "budget_bars", "panels"]


def panels(figure: Sequence[Panel], *, said: str = "") -> Drawing:
    """What a gauge study draws, for print: control charts, agreement, detection rates.

    Parameters
    ----------
    figure : sequence of Panel
        The `figure` of a `GaugeResult`.
    said : str
        Its sentence, for those who do not see it.

    Returns
    -------
    Drawing
        At most two panels beside each other.

    Raises
    ------
    InputError
        If there is no panel.
    """
    if not figure:
        raise InputError("there is nothing to draw", expected="the figure of a gauge study")
    across = min(2, len(figure))
    down = -(-len(figure) // across)
    wide = 4.4 * across if across > 1 else 5.6
    drawing, found = axes(wide=wide, high=3.1 * down, rows=down, columns=across, said=said)
    with styled():
        for on, panel in zip(np.ravel(found), figure, strict=False):
            _draw(on, panel)
        for on in drawing.axes[len(figure) :]:
            on.remove()
    return drawing


def _draw(on: Axes, panel: Panel) -> None:
    on.set(title=panel.title, xlabel=panel.x, ylabel=panel.y)
    for k, one in enumerate(panel.series):
        _series(on, k, one)
    for value, name in panel.levels:
        on.axhline(value, color=INK, linestyle=(0, (6, 3)), linewidth=0.9)
        on.annotate(name, (1, value), (-2, 2), xycoords=("axes fraction", "data"), textcoords="offset points",
                    ha="right", fontsize=7.5, path_effects=[withStroke(linewidth=2.5, foreground="white")])  # fmt: skip
    if panel.ticks:
        long, each = sum(map(len, panel.ticks)) > 44, -(-len(panel.ticks) // 14)  # all, every second, ...
        on.set_xticks(range(0, len(panel.ticks), each), panel.ticks[::each])
        if long:
            on.tick_params("x", rotation=30)
            for label in on.get_xticklabels():
                label.set_horizontalalignment("right")
    else:
        on.xaxis.set_major_locator(MaxNLocator(6))
    if on.get_legend_handles_labels()[1]:
        on.legend(loc="upper center", bbox_to_anchor=(0.5, -0.24 if not panel.ticks else -0.34), ncols=3, fontsize=8)


def _series(on: Axes, k: int, one: Series) -> None:
    x, y, colour = np.asarray(one.x, float), np.asarray(one.y, float), COLOURS[k % 6]
    if one.kind == "points":
        on.plot(x, y, linestyle="none", marker=MARKS[k % 6], color=colour, markersize=4, label=one.label)
    elif one.kind == "line":
        alone = np.isfinite(x + y).sum() == 1  # one point makes no line to see
        on.plot(x, y, color=colour, linestyle=DASHES[k % 6], marker=MARKS[k % 6] if alone else "", label=one.label)
    elif one.kind == "band" and one.upper is not None:
        on.fill_between(x, y, np.asarray(one.upper, float), color=colour, alpha=0.18, linewidth=0, label=one.label)
    elif one.kind == "bars":
        wide = 0.6 * float(np.diff(np.unique(x)).min()) if len(np.unique(x)) > 1 else 0.6
        on.bar(x, y, width=wide, color=colour, alpha=0.75, label=one.label)


def budget_bars(shares: Shares, *, most: int = 8) -> Drawing:
    """What each cause gives to an uncertainty, the largest first; assumed ones are hatched.

    Parameters
    ----------
    shares : Shares
        As of `probekit.uncertainty.shares`.
    most : int
        Causes that are drawn; the rest is one bar.

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If there is no cause, or `most` is below one.
    """
    if not shares.causes or most < 1:
        raise InputError("there is nothing to draw", found=f"{len(shares.causes)} causes, at most {most} drawn")
    names, parts, assumed = list(shares.causes[:most]), [*shares.parts[:most]], list(shares.assumed[:most])
    if len(shares.causes) > most:
        names.append(f"{len(shares.causes) - most} more")
        parts.append(float(np.sqrt((np.asarray(shares.parts[most:]) ** 2).sum())))
        assumed.append(False)
    title = f"{shares.result}: u {1e3 * shares.u:.3g} um"
    figure, on = axes(x="standard uncertainty from it [um]", title=title, high=1.1 + 0.3 * len(names))
    with styled():
        place = -np.arange(len(names))
        bars = on.barh(place, 1e3 * np.array(parts), height=0.62, color=COLOURS[0], alpha=0.8, edgecolor="white")
        for bar, guess in zip(bars, assumed, strict=True):
            if guess:
                bar.set(hatch="////", facecolor=COLOURS[5])
        if any(assumed):
            on.barh([place[-1]], [0], color=COLOURS[5], hatch="////", edgecolor="white", label="assumed, not stated")
            on.legend(loc="lower right", borderaxespad=0.2)
        on.set_yticks(place, names)
        on.grid(axis="y", visible=False)
    figure.said = shares.sentence
    return figure


def blind_spot(table: pd.DataFrame, *, title: str = "") -> Drawing:
    """Which hills and dents touches would see: the share of their places, by radius and height.

    Parameters
    ----------
    table : DataFrame
        A row for each height, a column for each radius [mm], as of `probekit.field.blind_spot`.
    title : str

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If a share lies outside 0 to 1.
    """
    share = table.to_numpy(float)
    if not share.size or not ((share >= 0) & (share <= 1)).all():
        raise InputError("shares lie between 0 and 1", found=share.ravel()[:3].tolist())
    figure, on = axes(
        x="radius of the hill or dent [mm]",
        y="its height [mm]",
        title=title or "Seen, of 100 places",
        wide=5.2,
        high=1.6 + 0.34 * len(table),
    )
    with styled():
        drawn = on.imshow(share, cmap="cividis", vmin=0, vmax=1, origin="lower", aspect="auto")
        for (row, column), one in np.ndenumerate(share):
            on.text(column, row, f"{100 * one:.0f}", ha="center", va="center", fontsize=8,
                    color="white" if one < 0.5 else "black")  # fmt: skip
        on.set_xticks(range(share.shape[1]), [f"{one:g}" for one in table.columns])
        on.set_yticks(range(share.shape[0]), [f"{one:g}" for one in table.index])
        on.grid(visible=False)
        figure.colorbar(drawn, ax=on, label="share of the places").outline.set_color(GREY)
    least, most = 100 * share.min(), 100 * share.max()
    figure.said = f"Share of the places at which a hill or dent is seen, from {least:z.0f} % to {most:z.0f} %"
    return figure
