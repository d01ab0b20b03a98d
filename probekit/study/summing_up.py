"""What the command line says of an inspection, as text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..show import wrapped
from ..tolerance.unjudged import Unjudged
from ..verdict.words import interval
from .about import about_lines

if TYPE_CHECKING:
    from .inspection import Inspection

__all__ = ["inspection_summary"]


def inspection_summary(found: Inspection) -> str:
    """What a person wants to read first of an inspection.

    Parameters
    ----------
    found : Inspection

    Returns
    -------
    str
        Lines of at most 110 characters.
    """
    verdict, table = found.verdict, found.verdict.table
    lines = [f"{found.part.name}: {verdict.part.upper()}", f"  rule: {verdict.rule.sentence}"]
    lines += [f"  {line}" for line in about_lines(found.about)]
    if verdict.reasons:
        lines += ["", "Undecided at best because", *[f"  - {reason}" for reason in verdict.reasons]]
    if verdict.second_look:
        lines += ["", f"Second look: {verdict.second_look}"]
    lines += ["", "Tolerances"]
    for one, judged in verdict.pairs:
        if isinstance(one, Unjudged):
            lines.append(f"  {one.name:<16} {judged.word}: {one.reason}")
            continue
        where, noise = interval(judged.low, judged.high, judged.noise_alone)
        lines.append(
            f"  {one.name:<16} {judged.word:<16} {one.actual:.4f} of {one.width:.4f} mm, {where}; deviations "
            f"{one.low:+z.4f} to {one.high:+z.4f}; {one.touches} touches"
            + (f", {one.missed} missed" if one.missed else "")
            + (f"; {noise}" if noise else "")
        )
    lines += ["", "Touches: " + ", ".join(verdict.touch_counts.values())]
    worst = table.dropna(subset="share").nlargest(5, "share")
    lines += ["", "Worst touches        deviation   zone               of the zone   verdict"]
    lines += [
        f"  {row.touch!s:>5} {row.feature:<12} {row.deviation:+9.4f}   "
        f"{row.lower:+z.3f} to {row.upper:+z.3f}   {100 * row.share:9.0f} %   {row.verdict}"
        for row in worst.itertuples()
    ]
    if found.surfaces:
        lines += ["", "Between the touches (the verdict above is that of the touches alone)"]
        lines += [f"  {line}" for one in found.surfaces for line in one.lines]
    if found.alignment is not None:
        lines += ["", "Alignment (measured to nominal)", f"  {found.alignment.sentence}"]
    if found.residuals is not None:
        lines += [f"  {found.residuals.sentence}"]
    if found.influence is not None:
        lines += [f"  {found.influence.sentence}"]
    lines += ["", "What next (suggestions only; a qualified person decides)"]
    lines += [f"  {n}. {text}" for n, text in enumerate(found.action.suggestions, 1)]
    lines += ["", f"Caution: {found.action.caution}"]
    if found.notes:
        lines += ["", "Noticed", *[f"  - {note}" for note in found.notes]]
    return wrapped(*lines, width=110) + "\n"
