"""What a gauge study gives back: the sentence for a report, its table, its numbers, what to draw, what to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..show import shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GaugeResult", "Panel", "Series", "percent", "span"]


@shown
@dataclass(frozen=True, eq=False)
class Series:
    """Something drawn in a panel, as plain data.

    Attributes
    ----------
    kind : {"points", "line", "band", "bars"}
    x, y : (n,) float
    label : str
        For the legend; "" for none.
    upper : (n,) float, optional
        Upper edge of a band, whose lower edge is `y`.
    """

    kind: Literal["points", "line", "band", "bars"]
    x: np.ndarray
    y: np.ndarray
    label: str = ""
    upper: np.ndarray | None = None


@shown
@dataclass(frozen=True, eq=False)
class Panel:
    """One pair of axes, as plain data.

    Attributes
    ----------
    title, x, y : str
        What it shows, and what its axes are.
    series : tuple of Series
    levels : tuple of (float, str)
        Horizontal lines and what they are.
    ticks : tuple of str
        Words below x = 0, 1, 2, ... in place of numbers.
    """

    title: str
    x: str
    y: str
    series: tuple[Series, ...]
    levels: tuple[tuple[float, str], ...] = ()
    ticks: tuple[str, ...] = ()


@shown
@dataclass(frozen=True, eq=False)
class GaugeResult:
    """Result of a gauge study.

    Attributes
    ----------
    study : str
        Which study, and by which method.
    sentence : str
        For a report.
    table : DataFrame
        The table that the sentence speaks of.
    values : mapping of str to float
        Every number by name, unrounded; the function that made it lists the names.
    figure : tuple of Panel
        What to draw; `_repr_svg_` draws it.
    tables : mapping of str to DataFrame
        Further tables, by what they are.
    notes : tuple of str
        What has to be known to believe it.
    """

    study: str
    sentence: str
    table: pd.DataFrame
    values: Mapping[str, float]
    figure: tuple[Panel, ...] = ()
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("values", "tables"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def __reduce__(self) -> tuple[object, ...]:  # a mapping proxy cannot be pickled
        mappings = dict(self.values), self.figure, dict(self.tables)
        return (type(self), (self.study, self.sentence, self.table, *mappings, self.notes))

    def _repr_svg_(self) -> str:
        from .drawing import panels_svg

        return panels_svg(self.figure, self.sentence)

    def _repr_html_(self) -> str:
        shown = "".join(
            (f"<p>{escape(name)}</p>" if name else "")
            + table.to_html(index=False, max_rows=30, na_rep="", float_format=lambda v: f"{v:.7g}")
            for name, table in {"": self.table, **self.tables}.items()
        )
        notes = "".join(f"<li>{escape(note)}</li>" for note in self.notes)
        return f"<p>{escape(self.sentence)}</p>{self._repr_svg_()}{shown}" + (f"<ul>{notes}</ul>" if notes else "")


def span(low: float, high: float, digits: int = 3) -> str:
    """An interval in words: "0.12 to 0.34", "at least 0.12" if it has no upper end."""
    if np.isinf(high):
        return f"at least {low:.{digits}g}"
    return f"{low:.{digits}g} to {high:.{digits}g}"


def percent(share: float) -> str:
    """A share as a per cent that never rounds to a certainty it is not."""
    if 0 < share < 0.001:
        return "under 0.1 %"
    if 0.999 < share < 1:
        return "over 99.9 %"
    return f"{100 * share:.3g} %"
