"""A history as text for a terminal, and as one HTML page in the style of the others."""

from __future__ import annotations

from html import escape
from pathlib import Path
from string import Template

import numpy as np
import pandas as pd

from ..files import store
from ..gauge.drawing import panels_svg
from ..gauge.result import GaugeResult
from ..report.page import asset, checksum
from ..report.words import frame
from ..settle.pages import sealed
from ..verdict.words import counted
from .telling import History

__all__ = ["history_page", "history_text"]

_CAUTION = (
    "A history says what has been, not what will be. A person qualified for the process decides on cutters, offsets "
    "and touches."
)
_HEADS = {
    "does_not": "does not conform",
    "ppk_low": "Ppk at least",
    "ppk": "Ppk",
    "slope_low": "from [um]",
    "slope_high": "to [um]",
    "signals": "chart signals",
    "change_before": "change before part",
    "told_by": "told by touch",
    "said": "what is said of it",
    "at": "archived (UTC)",
    "nearest": "nearest to a limit",
    "key": "serial",
}
_CHARTS_SHOWN = 24


def history_text(found: History, *, touches: int = 15) -> str:
    """What a person wants to read first of a history, as lines for a terminal.

    Parameters
    ----------
    found : History
    touches : int
        Touches shown at most, those that could be spared first.

    Returns
    -------
    str
    """
    lines = [found.sentence, ""]
    for title, table in _tables(found, touches).items():
        if len(table):
            lines += [title, *(f"  {line}" for line in table.to_string(index=False, na_rep="-").splitlines()), ""]
    if found.notes:
        lines += ["Noticed", *(f"  - {note}" for note in found.notes), ""]
    return "\n".join([*lines, f"Caution: {_CAUTION}"])


def history_page(found: History, to: str | Path) -> Path:
    """Write a history as one HTML file that needs nothing but a browser.

    Parameters
    ----------
    found : History
    to : str or Path
        The file.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    style = asset("page.css") + asset("history.css")
    charts = [
        f"<figure><h3>{escape(name)}</h3>{_drawn(one)}<figcaption>{escape(one.sentence)}</figcaption></figure>"
        for name, one in list(found.studies.items())[:_CHARTS_SHOWN]
    ]
    more = len(found.studies) - len(charts)
    charts += [f"<p>{more} more charts are not drawn: the tables have their numbers.</p>"] * (more > 0)
    tables = [frame(table, escape(title)) for title, table in _tables(found, None).items() if len(table)]
    text = Template(asset("history.html")).substitute(
        policy=f"default-src 'none'; style-src '{checksum(style)}'; img-src data:; base-uri 'none'; form-action 'none'",
        style=style,
        title=escape(found.title),
        sentence=escape(found.sentence),
        cards="".join(_card(row) for row in found.tolerances.itertuples()),
        notes="".join(f"<li>{escape(note)}</li>" for note in found.notes) or "<li>nothing</li>",
        charts="".join(charts) or "<p>Nothing is drawn yet: there are too few readings.</p>",
        tables="".join(tables),
        caution=escape(_CAUTION),
    )
    store(to, sealed(text).encode("utf-8"))
    return Path(to)


def _drawn(one: GaugeResult) -> str:
    """Its panels, each by itself so that they stand below each other on a narrow screen.

    The policy of the page forbids attributes of style; its style sheet says the same.
    """
    each = (panels_svg((panel,), f"{panel.title}: {one.sentence}") for panel in one.figure)
    return "".join(each).replace(' style="max-width:100%;height:auto"', "")


def _card(row: object) -> str:
    """One tolerance: its name, how many parts conform, the largest actual value, and the index with its lower end."""
    all_good = row.conforms == row.parts  # type: ignore[attr-defined]
    low = row.ppk_low  # type: ignore[attr-defined]
    index = "" if np.isnan(low) else f"Ppk {row.ppk:.2f}, at least {low:.2f} (95 %)"  # type: ignore[attr-defined]
    said = index or row.said  # type: ignore[attr-defined]
    counts = ((row.does_not, "does not conform"), (row.undecided, "undecided"))  # type: ignore[attr-defined]
    word = "all conform" if all_good else ", ".join(counted(int(n), word) for n, word in counts if n)
    return (
        f'<div class="card {"good" if all_good else "bad"}"><span class="word">{escape(word)}</span>'
        f"<h3>{escape(str(row.name))}</h3>"  # type: ignore[attr-defined]
        f'<p class="big">{row.conforms} of {row.parts} part{"" if row.parts == 1 else "s"}</p>'  # type: ignore[attr-defined]
        f'<p class="of">largest {row.largest:.4f} of {row.width:.4f} mm; {escape(said)}</p></div>'  # type: ignore[attr-defined]
    )


def _tables(found: History, touches: int | None) -> dict[str, pd.DataFrame]:
    """Title -> table as it is shown: words for heads, numbers with the digits that mean something."""
    earned = found.touches
    if touches is not None and len(earned) > touches:
        spare = earned["word"].str.startswith("could").to_numpy()
        earned = earned.iloc[np.lexsort((-earned["ruled"].to_numpy(), ~spare))[:touches]]
        title = f"Which touches earn their time ({touches} of {len(found.touches)}; all are in the page)"
    else:
        title = "Which touches earn their time (sd and left in um)"
    um = earned.assign(sd=1e3 * earned["sd"], left=1e3 * earned["left"], nearest=earned["nearest"])
    shown = {
        "Tolerances (mm)": _digits(found.tolerances, mean=4, largest=4, width=4, ppk=2, ppk_low=2, signals=0),
        "Drift of what cutters leave on (um a part)": _digits(
            found.drifts, slope=3, slope_low=3, slope_high=3, p=None, change_before=0
        ),
        "Set-up: where the part sits": _digits(found.setups, mean=4, sd=4, slope=5, p=None, signals=0),
        title: _digits(um, sd=1, left=1, nearest=2),
        "Left out": found.chosen.left_out,
        "Parts": found.chosen.parts if touches is None else found.chosen.parts.tail(10),
    }
    return {name: table.rename(columns=_HEADS) for name, table in shown.items()}


def _digits(table: pd.DataFrame, **digits: int | None) -> pd.DataFrame:
    """A table whose numbers are text with so many decimals; None for two digits that count."""
    out = {}
    for name, places in digits.items():
        form = "{:.2g}" if places is None else f"{{:.{places}f}}"
        out[name] = ["" if pd.isna(one) else form.format(one) for one in table[name]]
    return table.assign(**out)
