"""Lines, histograms with limits, and places coloured by a value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

from ..errors import InputError
from ..scene.colour import diverging
from .drawing import BAND, COLOURS, DASHES, GREY, INK, MARKS, Drawing, axes, keyed, styled

__all__ = ["histogram", "lines", "places"]

Pairs = Mapping[str, tuple[Sequence[float] | np.ndarray, Sequence[float] | np.ndarray]]


def lines(
    series: Pairs,
    *,
    x: str,
    y: str,
    marks: Pairs | None = None,
    levels: Mapping[str, float] | None = None,
    title: str = "",
    log: str = "",
    size: tuple[float, float] = (6.4, 3.0),
) -> Drawing:
    """Lines, and points by themselves, over one pair of axes; each has a colour and a dash or a mark of its own.

    Parameters
    ----------
    series : mapping of str to (x, y)
        Lines by name, two sequences of the same length each; a line ends where a number is missing.
    x, y : str
        Labels of the axes, with units.
    marks : mapping of str to (x, y), optional
        Points by name.
    levels : mapping of str to float, optional
        Horizontal lines by what they are.
    title : str
    log : str
        Axes with a logarithmic scale: "x", "y" or "xy".
    size : (float, float)
        Width and height [inch].

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If there is nothing to draw, or x and y are not of one length.
    """
    if not series and not marks:
        raise InputError("there is nothing to draw", expected="a line or points by name")
    figure, on = axes(x=x, y=y, title=title, wide=size[0], high=size[1])
    with styled():
        for k, (name, (xs, ys)) in enumerate(series.items()):
            on.plot(*_pair(name, xs, ys), color=COLOURS[k % 6], linestyle=DASHES[k % 6], label=name)
        for k, (name, (xs, ys)) in enumerate((marks or {}).items(), start=len(series)):
            look = {"markerfacecolor": "white", "markeredgecolor": COLOURS[k % 6], "markeredgewidth": 1.3}
            on.plot(*_pair(name, xs, ys), marker=MARKS[k % 6], linestyle="none", label=name, **look)
        for name, value in (levels or {}).items():
            on.axhline(value, color=INK, linewidth=0.9, linestyle=(0, (6, 3)))
            on.annotate(name, (1.0, value), (-2, 2), xycoords=("axes fraction", "data"), textcoords="offset points",
                        ha="right", va="bottom", fontsize=8)  # fmt: skip
        for axis, scale in ((on.xaxis, on.set_xscale), (on.yaxis, on.set_yscale)):
            if axis.axis_name in log:
                scale("log")
                low, high = axis.get_data_interval()
                axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if high < 300 * low else (1.0,)))
                axis.set_major_formatter(StrMethodFormatter("{x:g}"))  # 100, as in the text, rather than a power of ten
                axis.set_minor_formatter(NullFormatter())
        keyed(on)
    figure.said = f"{title or y} over {x}: {', '.join([*series, *(marks or {})])}"
    return figure


def _pair(name: str, xs: Sequence[float] | np.ndarray, ys: Sequence[float] | np.ndarray) -> tuple[np.ndarray, ...]:
    one, two = np.asarray(xs, dtype=float), np.asarray(ys, dtype=float)
    if one.ndim != 1 or one.shape != two.shape:
        raise InputError("x and y are not of one length", column=name, found=f"{one.shape} and {two.shape}")
    return one, two


def histogram(
    values: Sequence[float] | np.ndarray,
    *,
    lower: float | None = None,
    upper: float | None = None,
    x: str = "deviation [mm]",
    bins: int | None = None,
    title: str = "",
) -> Drawing:
    """How often which value, with the limits, and what lies beyond them counted.

    Parameters
    ----------
    values : (n,) float
        Missing ones are left out and counted.
    lower, upper : float, optional
        Limits.
    x : str
        What the values are, with their unit.
    bins : int, optional
        Number of bars; by default that of Freedman and Diaconis.
    title : str

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If there is no value, or the limits are exchanged.
    """
    given = np.asarray(values, dtype=float).ravel()
    known = given[np.isfinite(given)]
    if not len(known):
        raise InputError("there is no value to draw", found=f"{len(given)} values, all missing")
    if lower is not None and upper is not None and not lower < upper:
        raise InputError("the limits are exchanged", found=(lower, upper), expected="lower, then upper")
    figure, on = axes(x=x, y="touches", title=title, high=2.8)
    edges = np.histogram_bin_edges(known, bins="fd" if bins is None else bins)
    if bins is None and len(edges) > 61:  # one far value stretches the rule to thousands of bars
        edges = np.histogram_bin_edges(known, bins=60)
    beyond = int((known < lower).sum()) if lower is not None else 0
    beyond += int((known > upper).sum()) if upper is not None else 0
    with styled():
        on.hist(known, bins=edges, color=COLOURS[0], alpha=0.75, edgecolor="white", linewidth=0.5)
        if lower is not None and upper is not None:
            on.axvspan(lower, upper, color=BAND, zorder=0)
        for name, limit in (("lower limit", lower), ("upper limit", upper)):
            if limit is not None:
                on.axvline(limit, color=INK, linestyle=(0, (6, 3)), linewidth=1.1)
                on.annotate(f"{name} {limit:g}", (limit, 1.0), (3, -2), xycoords=("data", "axes fraction"),
                            textcoords="offset points", rotation=90, va="top", fontsize=8)  # fmt: skip
        on.grid(axis="x", visible=False)
    missing = len(given) - len(known)
    figure.said = (
        f"{len(known)} values, mean {known.mean():.4g}, standard deviation {known.std(ddof=min(1, len(known) - 1)):.4g}"
    )
    figure.said += f"; {beyond} beyond the limits" if lower is not None or upper is not None else ""
    figure.said += f"; {missing} missing" if missing else ""
    with styled():
        on.annotate(figure.said, (0, 1), (0, 4), xycoords="axes fraction",
                    textcoords="offset points", fontsize=8, color=GREY)  # fmt: skip
        if title:
            on.set_title(title, pad=16)
    return figure


def places(
    x: Sequence[float] | np.ndarray,
    y: Sequence[float] | np.ndarray,
    value: Sequence[float] | np.ndarray,
    *,
    most: float,
    title: str = "",
    unit: str = "mm",
    labels: tuple[str, str] = ("x [mm]", "y [mm]"),
    dot: float = 40.0,
) -> Drawing:
    """Places seen from above, coloured by a signed value: blue below zero, pale at zero, rust above.

    Parameters
    ----------
    x, y : (n,) float
        Places [mm].
    value : (n,) float
        Their values; a place without one is an empty ring.
    most : float
        Value at either end of the scale; what lies beyond has the colour of the end.
    title, unit : str
    labels : (str, str)
        Of the axes.
    dot : float
        Size of a place [square points].

    Returns
    -------
    Drawing

    Raises
    ------
    InputError
        If lengths differ, or `most` is not above zero.
    """
    one, two = _pair("places", x, y)
    values = _pair("value", x, value)[1]
    if not (np.isfinite(most) and most > 0):
        raise InputError("the end of the scale must be above zero", found=most)
    flat = float(np.clip(np.ptp(two) / max(np.ptp(one), 1e-9), 0.25, 1.0)) if len(one) > 1 else 1.0
    wide = 4.6 if flat > 0.8 else 6.4
    figure, on = axes(x=labels[0], y=labels[1], title=title, wide=wide, high=0.9 + (wide - 1.7) * flat)
    scale = ListedColormap(diverging(np.linspace(-1, 1, 201)) / 255.0)
    known = np.isfinite(values)
    with styled():
        drawn = on.scatter(one[known], two[known], c=values[known], s=dot, cmap=scale, vmin=-most, vmax=most,
                           marker="s", edgecolors=GREY, linewidths=0.3)  # fmt: skip
        on.scatter(one[~known], two[~known], s=dot, facecolors="none", edgecolors=GREY)
        on.set_aspect("equal")
        bar = figure.colorbar(drawn, ax=on, label=unit)
        if not (values[known] < 0).any():
            bar.ax.set_ylim(0.0, most)
    least, top = (values[known].min(), values[known].max()) if known.any() else (np.nan, np.nan)
    figure.said = f"{title or 'values'} at {len(values)} places, from {least:.4g} to {top:.4g} {unit}"
    return figure
