"""How sure the touches are, for the page: the budget, and who matters for each tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from html import escape
from typing import TYPE_CHECKING, Any

from .language import mark
from .tables import plain
from .words import NUMERIC_HEAD, captioned

if TYPE_CHECKING:
    from ..field.artefact import Artefact
    from ..uncertainty import Budget
    from ..uncertainty.shares import Shares

__all__ = ["artefact_data", "artefact_section", "between_section", "sure_data", "uncertainty_section"]

_BARS_AT_MOST = 12  # tolerances that get a drawing; the others are told in a line


def uncertainty_section(budget: Budget | None, shares: Sequence[Shares]) -> str:
    """Return the budget with its sources, and bars of who matters by result; nothing without a budget."""
    if budget is None:
        return ""
    said = budget.sentence
    rows = "".join(
        f'<tr><th scope="row">{escape(row.cause)}</th><td>{escape(row.key)}</td><td class="n">{row.value:g}</td>'
        f"<td>{escape(row.unit)}</td><td>{escape(row.source)}</td></tr>"
        for row in budget.rows
    )
    head = f'<thead><tr><th scope="col">{mark("col.cause")}</th><th scope="col">{mark("col.key")}</th>'
    head += f'<th scope="col"{NUMERIC_HEAD}>{mark("col.value")}</th><th scope="col">{mark("col.unit")}</th>'
    head += f'<th scope="col">{mark("col.where from")}</th></tr></thead>'
    caption = "What makes the touches uncertain, as stated in [budget]: largest values and two standard deviations."
    table = captioned(f"{head}<tbody>{rows}</tbody>", caption, 'class="scroll"')
    bars = [one._repr_svg_() if k < _BARS_AT_MOST else "" for k, one in enumerate(shares)]
    drawn = "".join(
        f"<figure>{bar}<figcaption>{escape(one.sentence)}</figcaption></figure>"
        for bar, one in zip(bars, shares, strict=True)
    )
    return (
        f'<section id="uncertainty">{mark("how.sure", "h2")}<p>{escape(said[:1].upper() + said[1:])}.</p>'
        f'<div class="bars">{drawn}</div>{table}</section>'
    )


def between_section(said: Sequence[str]) -> str:
    """Return what is said of the surfaces between their touches; nothing if nothing was asked."""
    if not said:
        return ""
    lines = "".join(f"<p>{escape(line)}</p>" for line in said)
    caution = (
        "An estimate from a model of the surface, not a measurement: the verdict above is that of the touches alone."
    )
    return f'<section id="between">{mark("between", "h2")}{lines}<p class="note">{caution}</p></section>'


def artefact_section(one: Artefact | None) -> str:
    """Return what touches in several poses tell of the machine, with what is left of what was unknown before."""
    if one is None:
        return ""
    head = "".join(
        f'<th scope="col"{NUMERIC_HEAD if 0 < k < 5 else ""}>{name}</th>'
        for k, name in enumerate(("error of the machine", "estimate", "u", "u before", "left", "unit"))
    )
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td class="n">{round(value, 1) + 0.0:.1f}</td>'
        f'<td class="n">{u:.1f}</td><td class="n">{before:.1f}</td><td class="n">{left:z.0f} %</td>'
        f"<td>{escape(unit)}</td></tr>"
        for name, unit, value, u, before, left in one.table.itertuples(index=False)
    )
    caption = "Left is the standard uncertainty after the touches over that before: 100 % is nothing learned."
    table = captioned(f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody>", caption, 'class="scroll"')
    said = one.sentence
    caution = "Nothing is corrected by it unless the study says so by name; the notes below say what was done."
    return (
        f'<section id="artefact"><h2>The part as its own artefact</h2><p>{escape(said[:1].upper() + said[1:])}.</p>'
        f'{table}<p class="note">{caution}</p></section>'
    )


def artefact_data(one: Artefact) -> dict[str, Any]:
    """The same as plain data: sentence, errors with their covariance, and the form of the points [mm]."""
    return {
        "said": one.sentence,
        "consistent": one.consistent,
        "errors": [plain(row) for row in one.table.to_dict("records")],
        "covariance": one.covariance.tolist(),
        "points": [plain(row) for row in one.points.to_dict("records")],
    }


def sure_data(budget: Budget | None = None, shares: Sequence[Shares] = ()) -> dict[str, Any]:
    """The same as plain data for `tables`.

    Parameters
    ----------
    budget : Budget, optional
        What makes the touches uncertain.
    shares : sequence of Shares
        Who matters, for each tolerance.

    Returns
    -------
    dict
        Entries ``budget`` and ``shares``; empty without a budget.
    """
    if budget is None:
        return {}
    told = [
        {
            "result": one.result,
            "u": one.u,
            "assumed_share": one.assumed_share,
            "causes": {name: float(part) for name, part in zip(one.causes, one.parts, strict=True)},
        }
        for one in shares
    ]
    return {"budget": [plain(asdict(row)) for row in budget.rows], "shares": told}
