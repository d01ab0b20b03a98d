"""What the gate before the verdict found, for the page and for other programs."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from .language import mark
from .tables import plain
from .words import NUMERIC_HEAD, captioned, length, number

if TYPE_CHECKING:
    from ..plausibility.finding import Finding
    from ..plausibility.residuals import Residuals
    from ..verdict.influence import Influence

__all__ = ["accepted", "gate_data", "residuals_section"]

_SHOWN = 12  # touches with the largest residuals in the table of the page


def accepted(findings: Iterable[Finding]) -> str:
    """Return what the study accepts though it was found, beside the verdict."""
    said = [one.sentence for one in findings if one.accepted]
    items = "".join(f"<p>{escape(text[:1].upper() + text[1:])}.</p>" for text in said)
    return f'<div class="caution" role="note"><h3>Accepted by the study</h3>{items}</div>' if said else ""


def residuals_section(residuals: Residuals | None, influence: Influence | None = None) -> str:
    """Return the residuals of the touches that the alignment rests on, the largest first, and what would be without."""
    if residuals is None:
        return ""
    moved = {} if influence is None else dict(zip(map(str, influence.touches), influence.moved, strict=True))
    rows = "".join(
        f'<tr><th scope="row">{escape(str(residuals.touches[k]))}</th>'
        f'<td class="n">{length(float(residuals.values[k]))}</td><td class="n">{_ratio(residuals.ratios[k])}</td>'
        f'<td class="n">{_moved(moved.get(str(residuals.touches[k])))}</td></tr>'
        for k in np.argsort(-np.abs(residuals.values))[:_SHOWN]
    )
    numeric = (
        f'<th scope="col"{NUMERIC_HEAD}>{mark(f"col.{name}")}</th>' for name in ("residual", "ratio", "without it")
    )
    head = f'<thead><tr><th scope="col">{mark("col.datum touch")}</th>{"".join(numeric)}</tr></thead>'
    caption = (
        f"The largest residuals of the datum touches; ratio: over the standard deviation of a good touch, at most "
        f"{residuals.limit:.1f} by size; without it: the most that a deviation on the part would change by."
    )
    table = captioned(f"{head}<tbody>{rows}</tbody>", caption, 'class="scroll narrow"')
    said = [residuals.sentence, *([] if influence is None else [influence.sentence])]
    text = "".join(f"<p>{escape(one[:1].upper() + one[1:])}.</p>" for one in said)
    return f'<section id="residuals">{mark("datum.touches", "h2")}{text}{table}</section>'


def gate_data(
    findings: Iterable[Finding] = (), residuals: Residuals | None = None, influence: Influence | None = None
) -> dict[str, Any]:
    """What the gate found, as plain data for `tables`.

    Parameters
    ----------
    findings : iterable of Finding
    residuals : Residuals, optional
        Of the touches that the alignment rests on.
    influence : Influence, optional
        What set-up and verdict would be without each of them.

    Returns
    -------
    dict
        Entries ``findings``, ``residuals`` and ``influence``.
    """
    names = ("level", "name", "what", "found", "expected", "cause", "todo", "touches", "accepted", "sentence")
    numbers = ("rms", "largest", "touch", "u", "chi_square", "chi_limit", "freedoms", "limit", "outliers", "agree")
    return {
        "findings": [{name: plain(getattr(one, name)) for name in names} for one in findings],
        "residuals": None
        if residuals is None
        else {name: plain(getattr(residuals, name)) for name in (*numbers, "touches", "values", "ratios", "sentence")},
        "influence": None
        if influence is None
        else {
            "sentence": influence.sentence,
            "touches": [
                {
                    "touch": plain(influence.touches[k]),
                    "shift": plain(influence.motion[k, :3]),
                    "turn_rad": plain(influence.motion[k, 3:]),
                    "moved": plain(influence.moved[k]),
                    "share_of_U": plain(influence.share_of_U[k]),
                    "changes": [dict(zip(("tolerance", "now", "then"), one, strict=True)) for one in changes],
                }
                for k, changes in enumerate(influence.changes)
            ],
        },
    }


def _moved(value: float | None) -> str:
    return "\N{EN DASH}" if value is None or not np.isfinite(value) else length(float(value))


def _ratio(value: float) -> str:
    return number(float(value), 1, signed=True) if np.isfinite(value) else "\N{EN DASH}"
