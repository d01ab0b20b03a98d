"""One style for all figures, and how they are shown and saved: whatever the reader's own settings, the same bytes."""

from __future__ import annotations

import io
import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ..errors import InputError
from ..files import store
from ..scene.colour import LINE_COLOURS, hex_of

__all__ = ["BAND", "COLOURS", "DASHES", "GREY", "INK", "MARKS", "Drawing", "axes", "image", "save", "styled"]

#: Series by number: a colour, a dash and a mark, so that colour is never alone.
COLOURS = tuple(hex_of(colour) for colour in LINE_COLOURS)
DASHES = ("-", (0, (5, 2)), (0, (1.2, 1.4)), (0, (6, 1.6, 1.2, 1.6)), (0, (2.5, 1.2)), (0, (8, 2)))
MARKS = ("o", "s", "^", "D", "v", "P")
INK, GREY, BAND = "#22262b", "#777c83", "#e8ecef"

_STYLE: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],  # comes with matplotlib: no other machine has another
    "font.size": 9.0,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,
    "grid.color": "#dfe2e6",
    "grid.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "legend.frameon": False,
    "legend.fontsize": 8.5,
    "figure.facecolor": "white",
    "figure.dpi": 100.0,
    "figure.constrained_layout.use": True,
    "savefig.dpi": 200.0,
    "svg.hashsalt": "probekit",
    "svg.fonttype": "path",
}
_NOT_OF_STYLE = ("backend", "webagg", "toolbar", "interactive", "date")
_UNDATED: dict[str, dict[str, Any]] = {
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


@contextmanager
def styled() -> Iterator[None]:
    """Within it, matplotlib draws in the style of this room, whatever the reader has set; afterwards as before."""
    plain: Any = {key: value for key, value in matplotlib.rcParamsDefault.items() if not key.startswith(_NOT_OF_STYLE)}
    with matplotlib.rc_context(plain | _STYLE):
        yield


class Drawing(Figure):
    """A figure of matplotlib that shows itself in a notebook, and says in words what it shows.

    Attributes
    ----------
    said : str
        What it shows, for those who do not see it.
    """

    said: str = ""

    def _repr_mimebundle_(self, **_: object) -> dict[str, str]:
        """SVG and words; without pyplot, and in the style of this room."""
        return {"image/svg+xml": image(self, "svg").decode(), "text/plain": self.said or repr(self)}


def axes(
    *,
    x: str = "",
    y: str = "",
    title: str = "",
    wide: float = 6.4,
    high: float = 3.2,
    rows: int = 1,
    columns: int = 1,
    projection: str | None = None,
    said: str = "",
) -> tuple[Drawing, Any]:
    """An empty figure in the style of this room, and its axes.

    Many parameters: they are the words and sizes of one picture, of which most are left as they are.

    Parameters
    ----------
    x, y, title : str
        Labels of the axes, and what they show.
    wide, high : float
        Size [inch].
    rows, columns : int
        Axes below and beside each other.
    projection : str, optional
        Of matplotlib: "polar", "3d".
    said : str
        What it shows, for those who do not see it.

    Returns
    -------
    (Drawing, Axes)
        With several rows or columns an array of axes; labels are then those of each.

    Raises
    ------
    InputError
        If a size is not usable.
    """
    if not (np.isfinite([wide, high]).all() and 0 < wide < 100 and 0 < high < 100 and min(rows, columns) >= 1):
        raise InputError("a figure of that size cannot be drawn", found=(wide, high, rows, columns), expected="inches")
    with styled():
        figure = Drawing(figsize=(wide, high))
        FigureCanvasAgg(figure)
        figure.said = said
        found = figure.subplots(rows, columns, subplot_kw={"projection": projection} if projection else None)
        for one in np.ravel(found):
            one.set_xlabel(x)
            one.set_ylabel(y)
            one.set_title(title)
    return figure, found


def keyed(on: Axes, *, beside: bool = True) -> None:
    """A legend, beside the axes so that it hides nothing; none where nothing is named."""
    if on.get_legend_handles_labels()[1]:
        where: dict[str, Any] = {"loc": "upper left", "bbox_to_anchor": (1.01, 1.0)} if beside else {"loc": "best"}
        on.legend(handlelength=2.8, borderaxespad=0.0, **where)


def image(figure: Figure, kind: str) -> bytes:
    """A figure as a file of this kind: the same bytes for the same figure, however often it was drawn before.

    Each drawing moves the axes a little, as their labels ask for room; so a copy is drawn, and the figure is left.
    """
    out = io.BytesIO()
    metadata = dict(_UNDATED[kind])
    if said := getattr(figure, "said", ""):
        metadata["Title"] = said
    with styled():
        try:
            figure = pickle.loads(pickle.dumps(figure))
        except (AttributeError, TypeError, pickle.PicklingError):
            pass  # a function of the caller's is in it: it is drawn itself
        figure.draw_without_rendering()  # only now are the ticks known that need room
        figure.savefig(out, format=kind, metadata=metadata)
    return out.getvalue()


def save(figure: Figure, to: str | Path) -> Path:
    """Write a figure: the same bytes for the same figure.

    Parameters
    ----------
    figure : Figure
        What a function of this room gave, or any figure of matplotlib.
    to : str or Path
        Its ending says the kind: svg, pdf or png (200 dots to the inch).

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the ending is another.
    """
    path = Path(to)
    kind = path.suffix.removeprefix(".").lower()
    if kind not in _UNDATED:
        raise InputError(
            "a figure of that kind cannot be written", file=path, found=path.suffix, expected=", ".join(_UNDATED)
        )
    store(path, image(figure, kind))
    return path
