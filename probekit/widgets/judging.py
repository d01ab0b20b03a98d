"""One tolerance among several that are tried: what is asked, the verdict on it, its words and signs. No widgets here.

Every number comes from `probekit.tolerance.profile` and `probekit.verdict`; nothing is judged here.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..scene import glyphs
from ..scene.colour import VERDICT_COLOURS, hex_of
from ..scene.model import GlyphMesh, Legend, VerdictEntry
from ..tolerance import profile
from ..uncertainty import Scatter
from ..verdict import classify, guarded, proved, simple
from .text import BOX, key_html, rows_html

if TYPE_CHECKING:
    import pandas as pd

    from ..verdict.results import Verdict

__all__ = ["RULES", "Asked", "judged", "judged_html", "signs", "start"]

#: The decision rules that can be tried, by name.
RULES = {"proved": proved, "guarded": guarded, "simple": simple}


@dataclass(frozen=True)
class Asked:
    """A profile tolerance and how it is decided.

    Attributes
    ----------
    width : float
        Of the zone [mm].
    outside : float
        The part of it outside the material [mm].
    rule : str
        One of `RULES`.
    u : float
        Standard uncertainty of a touch by itself [mm].
    features : tuple of str, optional
        Whose touches are judged; None: all.
    """

    width: float
    outside: float
    rule: str = "proved"
    u: float = 0.0
    features: tuple[str, ...] | None = None


def start(deviations: pd.DataFrame, width: float, u: float | None) -> Asked:
    """What is asked at first: equal disposition, proof if there is an uncertainty, that of the table if none is given.

    Parameters
    ----------
    deviations : DataFrame
    width : float
        [mm]
    u : float, optional
        [mm]
    """
    if u is None:
        own = deviations["u"].to_numpy(float) if "u" in deviations else np.zeros(1)
        u = float(np.nanmedian(own)) if np.isfinite(own).any() else 0.0
    return Asked(width, width / 2, "proved" if u > 0 else "simple", u)


def judged(deviations: pd.DataFrame, asked: Asked) -> Verdict:
    """The verdict on what is asked.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table; its own column `u` gives way to the uncertainty that is asked about.
    asked : Asked

    Raises
    ------
    InputError
        For a zone that cannot be, features without touches, or a rule that needs an uncertainty and gets none.
    """
    table = deviations.drop(columns="u", errors="ignore")
    spec = {"outside": asked.outside, "features": asked.features, "name": "profile"}
    found = profile(table, asked.width, **spec)
    scatter = Scatter.independent(np.full(len(table), asked.u))
    return classify(table, found, rule=RULES[asked.rule](), scatter=scatter, u=asked.u or None)


def signs(verdict: Verdict, size: float) -> GlyphMesh:
    """The sign of each touch, that of its word.

    Parameters
    ----------
    verdict : Verdict
    size : float
        Half width of a sign [mm].
    """
    table = verdict.table
    return glyphs.merge(array(table, FOOT), array(table, FOOT_NORMAL), table["verdict"].to_numpy(), size)


def judged_html(verdict: Verdict | None, asked: Asked, error: str) -> str:
    """The verdict in words and numbers; or why there is none.

    Parameters
    ----------
    verdict : Verdict or None
        The last one.
    asked : Asked
    error : str
        Why there is none on what is asked; empty if there is.
    """
    if error or verdict is None:
        kept = " The picture shows the verdict before." if verdict is not None else ""
        return f'<div role="status" style="{BOX}"><b>No verdict:</b> {escape(error)}{kept}</div>'
    one = verdict.tolerances.iloc[0]
    lines = [
        ("zone", f"{asked.outside - asked.width:+z.4f} to {asked.outside:+z.4f} mm"),
        ("actual value", f"<b>{one['actual']:.4f} mm</b> of {one['width']:.4f}"),
        ("true value at the touched places", _between(one["low"], one["high"])),
        ("noise alone would give", _length(one["noise_alone"])),
    ]
    counts = verdict.table["verdict"].value_counts()
    entries = tuple(
        VerdictEntry(word, hex_of(VERDICT_COLOURS[word]), shape, glyphs.VERDICT_TEXT[word], int(counts.get(word, 0)))
        for word, shape in glyphs.VERDICT_SHAPES.items()
    )
    key = key_html(Legend(0.0, False, (), "", (), entries))
    notes = "".join(f"<li>{escape(str(note))}</li>" for note in (*one["notes"], *verdict.reasons))
    return (
        f'<div role="status" style="{BOX}"><div style="font-size:15px"><b>{escape(str(one["word"]))}</b></div>'
        f"<div>{escape(verdict.sentence)}</div>"
        f'{rows_html(lines)}<ul style="margin:4px 0 4px 18px">{notes}</ul>{key}'
        "<div>Tried, not decided: the drawing and the agreement with the customer say which zone and rule hold.</div>"
        "</div>"
    )


def _length(value: float) -> str:
    return f"{value:.4f} mm" if np.isfinite(value) else "not known"


def _between(low: float, high: float) -> str:
    return f"{low:.4f} to {high:.4f} mm" if np.isfinite(low) and np.isfinite(high) else "not known"
