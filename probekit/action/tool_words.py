"""What the faces of a tolerance, or of a tool, say of the tool's entries: in words, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from .noise import MATERIAL, offset_of

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..tolerance import Evaluation
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict
    from .cutters import ToolOffset

__all__ = ["on_offset", "on_tools", "predicted"]

_BALL = "A wrong effective radius of the ball looks the same: a qualification shows which it is. "


def predicted(table: pd.DataFrame, correction: str, one: Evaluation) -> float:
    """Actual value of a tolerance that the table of corrections predicts [mm]."""
    return float(table.loc[table["correction"].str.contains(correction, regex=False), one.name].iloc[0])


def on_offset(
    verdict: Verdict,
    alignment: Alignment | None,
    scatter: Scatter,
    table: pd.DataFrame,
    left_over: pd.DataFrame,
    tools: Sequence[ToolOffset],
) -> list[str]:
    """What a tolerance says of tools where none is named: one offset of all its faces."""
    said, rest = [], dict(zip(left_over["tolerance"], left_over["left"], strict=True))
    for at, one in enumerate(verdict.evaluations):
        if one.touches < 5 or not one.from_nominal or any(tool.slopes[at].any() for tool in tools):
            continue
        middle = (one.lower + one.upper) / 2
        offset, u, significant = offset_of(one, verdict, scatter, alignment)
        if not significant or abs(offset) < MATERIAL * one.width:
            continue
        common = f"{one.name}: the faces share a uniform offset of {offset:+z.3f} mm (u {u:.4f} mm)"
        left, missing = "material is left all over", "material is missing all over"
        if middle:
            common += f" from the middle of the zone, {middle:+z.3f} mm"
            left, missing = (f"{word} material is left than the middle of the zone has" for word in ("more", "less"))
        after = predicted(table, "uniform offset", one)
        if after >= one.actual:
            said.append(
                f"{common}. A change of the tool's entry by as much is not offered: {after:.3f} mm of {one.width:.3f} "
                f"mm would be left after it, {one.actual:.3f} mm are now; what rules is elsewhere."
            )
        elif offset > 0:
            said.append(
                f"{common}: {left}, as a cutter leaves it that is smaller (worn) or shorter than "
                "its entries in the control say. If so, lowering the radius entry (where its side cut) or the length "
                f"entry (where its end cut) by {offset:.3f} mm before a re-cut or the next part would take it off. "
                f"{_BALL}Of what is left: {rest[one.name]}."
            )
        else:
            said.append(
                f"{common}: {missing}, as after a cutter that is larger or longer than its entries "
                f"in the control say. Raising the radius or length entry by {-offset:.3f} mm helps the next part, not "
                f"this one. {_BALL}Of what is left: {rest[one.name]}."
            )
    return said


def on_tools(verdict: Verdict, tools: Sequence[ToolOffset], left_over: pd.DataFrame) -> list[str]:
    """What the faces of each tool say of its entry."""
    said, rest = [], dict(zip(left_over["tolerance"], left_over["left"], strict=True))
    for tool in tools:
        named, faces = tool.named[0].upper() + tool.named[1:], "; ".join(f"{n} {v:+z.3f} mm" for n, v, _ in tool.seen)
        if tool.disagree and tool.significant:
            said.append(
                f"{named}: its faces disagree ({tool.disagree}), so no change of its {tool.entry} is offered: one "
                "entry serves them all. The allowance of a single operation in the milling program could be changed."
            )
        for at, (one, slope) in enumerate(zip(verdict.evaluations, tool.slopes, strict=True)):
            if not tool.helps(at, one.width):
                continue
            off = one.deviations - one.middles
            after = one.value_of(off - tool.value * slope)
            kind = ("is left on", "lowering") if tool.value > 0 else ("is missing", "raising")
            text = (
                f"{named}: {tool.value:+z.3f} mm (u {tool.u:.4f} mm) of material {kind[0]} ({faces}), counted "
                f"{tool.along}."
            )
            if after >= one.actual:
                said.append(
                    f"{text} A change of its {tool.entry} is not offered for {one.name}: {after:.3f} mm of "
                    f"{one.width:.3f} mm would be left after it, {one.actual:.3f} mm are now; what rules is elsewhere."
                )
                continue
            when = (
                "before a re-cut or the next part would take it off" if tool.value > 0 else "helps the next part only"
            )
            said.append(
                f"{text} If its entry is the cause, {kind[1]} the {tool.entry} by {abs(tool.value):.3f} mm {when}; a "
                f"smaller entry cuts deeper. {_BALL}{one.name}: {after:.3f} mm of {one.width:.3f} mm by the touches, "
                f"{one.actual:.3f} mm now. Of what is left: {rest[one.name]}."
            )
    return said
