"""What now: plain-language suggestions, each with its reason, never an order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..fit.alignment import Alignment
from ..geometry import apply_motion, motion_parameters
from ..show import shown
from .bent import bend_of
from .candidates import candidates, promises
from .corrections import corrections, left_of
from .cutters import Cutter, check_faces, scatter_left, tool_offsets
from .noise import MATERIAL, beyond_scatter, moved, proved_outside, stated
from .promise import CUTTER
from .recut import RecutMap, blocked, recut_map, to_cut
from .region_words import first_what_mends_all, on_left, on_missing
from .regions import find_regions
from .scatter_or_form import on_scatter
from .tool_words import on_offset, on_tools
from .undecided import on_doubt

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict

__all__ = ["CAUTION", "Action", "suggest"]

#: Stands under every suggestion.
CAUTION = (
    "These are suggestions from a computation, not orders. A person qualified for this machine decides. Check every "
    "changed offset and program before it runs: sign and axis, dry run above the part, single block, reduced override, "
    "hands clear of the spindle. The rules of the workshop and of the law come first."
)


_NO_RECUT = "no re-cut: concession, repair or scrap"


@shown
@dataclass(frozen=True, eq=False)
class Action:
    """What could be done next.

    Attributes
    ----------
    table, shares : DataFrame
        Predicted actual values after each correction, and how much each explains; see `probekit.action.corrections`.
    regions : DataFrame
        Where material is left or missing; see `probekit.action.regions.find_regions`.
    suggestions : tuple of str
        In order of weight, each with its reason.
    caution : str
    candidates : DataFrame, optional
        What could be done about each tolerance that does not conform, with its actual value, bounds and chance to
        conform; see `probekit.action.candidates.candidates`.
    left : DataFrame, optional
        What an offset and a move of its faces leave of each tolerance, and whether it is systematic (Moran's I); see
        `probekit.action.corrections.left_of`.
    promises : tuple of str
        The candidates as sentences: value, bounds and chance of each.
    recut : RecutMap, optional
        How much stock to remove where, if a re-cut is among the candidates.
    todo : tuple of str
        In few words what is to be done about each region, in the order of `regions`.
    """

    table: pd.DataFrame
    shares: pd.DataFrame
    regions: pd.DataFrame
    suggestions: tuple[str, ...]
    caution: str = CAUTION
    candidates: pd.DataFrame | None = None
    left: pd.DataFrame | None = None
    promises: tuple[str, ...] = ()
    recut: RecutMap | None = None
    todo: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """How many suggestions there are, and the first."""
        first = f": {self.suggestions[0]}" if self.suggestions else ""
        return f"{len(self.suggestions)} suggestion{'s' * (len(self.suggestions) != 1)}{first}"

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{escape(s)}</li>" for s in self.suggestions)
        told = "".join(f"<li>{escape(s)}</li>" for s in self.promises)
        told = f"<p>What each would bring:</p><ul>{told}</ul>" if told else ""
        return (
            f"<ol>{items}</ol><p><i>{escape(self.caution)}</i></p>{told}"
            + (
                ""
                if self.candidates is None
                else self.candidates.to_html(index=False, float_format=lambda v: f"{v:.4f}")
            )
            + self.table.to_html(index=False, float_format=lambda v: f"{v:.4f}")
            + (self.regions.to_html(index=False, float_format=lambda v: f"{v:.3f}") if len(self.regions) else "")
        )


def suggest(
    verdict: Verdict,
    nominal: Nominal,
    *,
    alignment: Alignment | None = None,
    scatter: Scatter | None = None,
    cutter: float = CUTTER,
    cutters: Sequence[Cutter] = (),
) -> Action:
    """Weigh the possible corrections and say what they would bring.

    A correction is suggested if it is more than noise makes, material against its tolerance, and predicted to help.

    Parameters
    ----------
    verdict : Verdict
    nominal : Nominal
    alignment : Alignment, optional
        The alignment that the verdict's touches have been through; its undoing is then weighed as a set-up
        correction.
    scatter : Scatter, optional
        Uncertainty of the touches of the verdict's table with what they share; by default that of its column `u`,
        touch by touch.
    cutter : float
        Scatter of what a cutter leaves where none is named, standard deviation [mm]; 0.005 is assumed.
    cutters : sequence of Cutter
        Which tool and operation cut which faces: offsets are then those of the tools.

    Returns
    -------
    Action

    Raises
    ------
    InputError
        If a cutter names what is neither face nor feature, or two of them name the same.
    """
    check_faces(verdict.table, nominal, cutters)
    known = stated(verdict, scatter)
    proved, left = proved_outside(verdict, known), left_of(verdict)
    leaves, tools = scatter_left(verdict.table, cutters, cutter), tool_offsets(verdict, cutters, known, alignment)
    table, shares = corrections(verdict, nominal, alignment, scatter=known, cutter=leaves)
    taken = to_cut(verdict, proved & (verdict.table["verdict"] == "high").to_numpy())
    regions, why = find_regions(verdict.table, nominal), blocked(verdict, nominal, cutters, taken)
    offered = candidates(verdict, known, taken & (why == ""), leaves, tools)
    cut = offered.loc[offered["candidate"] == "re-cut here", "tolerance"].tolist()
    by_tool = (offered["candidate"] == "tool offset") & (offered["word"] == "conforms")
    mended, todo = offered.loc[by_tool, "tolerance"].tolist(), {}
    said = [
        *on_scatter(verdict, known),
        *on_missing(regions, verdict, proved, todo),
        *first_what_mends_all(
            [*on_offset(verdict, alignment, known, table, left, tools), *on_tools(verdict, tools, left)],
            on_left(regions, verdict, table, proved, why, cutters, cut, mended, todo),
            regions[regions["can_recut"].astype(bool)],
            verdict,
            mended,
        ),
        *on_doubt(verdict),
    ]
    rest, set_up = "", []
    if alignment is not None and len(table):
        rest, set_up = _on_set_up(alignment, verdict, table, shares, known)
    said += set_up
    carry_on = "every judged touch lies within its limits by the decision rule"
    if verdict.part == "conforms" and not said:
        said = [f"Nothing to do: {carry_on}{rest and '; the set-up needs no change: ' + rest}."]
    elif verdict.part == "conforms":
        said.insert(0, f"Carry on: {carry_on}.")
    elif rest:
        said.append(f"The set-up needs no change: {rest}.")
    recut = recut_map(verdict, nominal, scatter=known, cutters=cutters, tolerances=cut) if cut else None
    level = 0.95 if verdict.rule.level is None else verdict.rule.level
    told = promises(offered, level, gaps=recut is not None and bool(recut.gaps))
    few = tuple(todo.get(int(one), _NO_RECUT) for one in regions["region"])
    return Action(
        table, shares, regions, tuple(said), candidates=offered, left=left, promises=told, recut=recut, todo=few
    )


def _on_set_up(
    alignment: Alignment, verdict: Verdict, table: pd.DataFrame, shares: pd.DataFrame, scatter: Scatter
) -> tuple[str, list[str]]:
    """Why the set-up needs no change, or what is suggested."""
    shift, turn = motion_parameters(alignment.inverse, pivot=alignment.pivot)
    significant = beyond_scatter(alignment, scatter)
    where = (
        f"it sits shifted by ({shift[0]:+z.3f}, {shift[1]:+z.3f}, {shift[2]:+z.3f}) mm and turned by "
        f"({turn[0]:+z.4f}, {turn[1]:+z.4f}, {turn[2]:+z.4f}) deg about ({alignment.pivot[0]:g}, "
        f"{alignment.pivot[1]:g}, {alignment.pivot[2]:g}) from where the program takes it to be"
    )
    share = float(shares["share"].iloc[0])
    outside = (int(table["outside"].iloc[0]), int(table["outside"].iloc[1]))
    if significant is False:
        return "the shift and turn found are within what scatter alone produces", []
    largest, part = moved(alignment, verdict)
    if part < MATERIAL:
        text = f"it moves the judged faces by {largest:.4f} mm at most, {100 * part:z.1f} % of its tolerance"
        return f"{text}, which is negligible", []
    if share <= 0:
        return "", [
            f"Set-up: {where}, by its datum touches; but the judged faces lie further from nominal after this than "
            "as clamped. Check the datum features, the allowance and the radius before any offset is moved."
        ]
    if significant is None:
        return "", [
            f"Set-up: {where}, but the touches leave no uncertainty to compare that with. Touch more of the datums "
            "before any offset is moved."
        ]
    bend = bend_of(alignment, verdict, scatter)
    if bend is not None:
        return "", [
            "Form: the touches that the alignment rests on are not on faces of the nominal form. Shift and turn leave "
            f"up to {bend.largest:.3f} mm of them (rms {bend.rms:.3f} mm), and {bend.words}. A bow, a twist or a part "
            f"that its clamps bend looks like this, and a fit takes some of it for a shift: by the fit {where}, which "
            "may be form for the most part. No change of the work offset is suggested by that. Datum faces that do not "
            "bend would tell the set-up; touching again after clamping anew with less force would tell whether it "
            "springs."
        ]
    return "", [
        f"Set-up: the part is not where the program believes; {where}. This is {100 * share:z.0f} % of the sum of "
        f"squared deviations as clamped, and it is already taken out of the verdict ({outside[0]} touches would be "
        f"outside otherwise, {outside[1]} are). Before any further cut, moving the work offset by the same amount "
        f"would put the program back on the part. {_together(alignment, verdict)}"
        f"{_by_itself(alignment, verdict)}A work offset alone takes the shift "
        "and, on many controls, a turn about one axis; the other turns need rotary axes or clamping anew."
    ]


def _by_itself(alignment: Alignment, verdict: Verdict) -> str:
    """A word of caution where the alignment rests on the judged faces alone."""
    judged = {row for one in verdict.evaluations if one.from_nominal for row in one.rows.tolist()}
    if not judged.issuperset(np.asarray(alignment.used).tolist()):
        return ""
    return (
        "The alignment rests on the judged faces themselves, so a bow of theirs that a shift and turn imitate is taken "
        "for one: datum faces of their own would tell. "
    )


def _together(alignment: Alignment, verdict: Verdict) -> str:
    """What the shift alone, without the turn, would leave: much, where the pivot lies far from the part."""
    there = array(verdict.table, CONTACT)
    shift = motion_parameters(alignment.inverse, pivot=alignment.pivot)[0]
    turned = apply_motion(alignment.inverse, there) - there - shift
    off = np.einsum("ij,ij->i", turned, array(verdict.table, FOOT_NORMAL))
    worst = float(np.nanmax(np.abs(off), initial=0.0))
    return "" if worst < 0.001 else f"Shift and turn belong together: the shift alone leaves up to {worst:.3f} mm. "
