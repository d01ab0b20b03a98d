"""What now: plain-language suggestions, each with its reason, never an order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

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
from .recut import RecutMap, blocked, dents_beside, recut_map, to_cut
from .regions import find_regions
from .tool_words import on_offset, on_tools, predicted
from .undecided import on_doubt, touches_named

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..tolerance import Evaluation
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
    todo: dict[int, str] = {}
    said = [
        *_on_missing(regions, _proved_of(regions, verdict, proved), todo),
        *_on_left(regions, verdict, table, proved, why, cutters, cut, todo),
        *on_offset(verdict, alignment, known, table, left, tools),
        *on_tools(verdict, tools, left),
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
    told = promises(offered, 0.95 if verdict.rule.level is None else verdict.rule.level)
    few = tuple(todo.get(int(one), _NO_RECUT) for one in regions["region"])
    return Action(
        table, shares, regions, tuple(said), candidates=offered, left=left, promises=told, recut=recut, todo=few
    )


def _proved_of(regions: pd.DataFrame, verdict: Verdict, proved: np.ndarray) -> list[bool]:
    """Of each region, whether any of its touches is beyond its limit by more than noise makes."""
    ids = verdict.table["touch"].to_numpy()[proved]
    return [bool(np.isin(list(one), ids).any()) for one in regions["ids"]]


def _on_missing(regions: pd.DataFrame, sure: Sequence[bool], todo: dict[int, str]) -> list[str]:
    said = []
    for r, proved in zip(regions.itertuples(), sure, strict=True):
        if r.can_recut:
            continue
        if not proved:
            said.append(_no_more_than_noise(r, todo))
            continue
        said.append(
            f"Region {r.region} on {r.face} near {_at(r)} cannot be re-cut: material is missing there, "
            f"{r.deviation:+z.3f} mm at worst, {r.beyond:.3f} mm beyond the limit ({touches_named(r.ids)}). Cutting "
            "does not bring it back: ask for a concession, repair it by an approved process, or scrap the part."
        )
    return said


def _no_more_than_noise(region: Any, todo: dict[int, str]) -> str:
    """A region that noise explains; `todo` is filled."""
    todo[region.region] = "no more than noise makes: touch again first"
    return (
        f"Undecided: region {region.region} on {region.face} near {_at(region)} is {region.beyond:.3f} mm beyond the "
        f"limit, no more than noise makes. Touch there again before anything is done ({touches_named(region.ids)})."
    )


def _on_left(
    regions: pd.DataFrame,
    verdict: Verdict,
    table: pd.DataFrame,
    proved: np.ndarray,
    why: np.ndarray,
    cutters: Sequence[Cutter],
    offered: list[str],
    todo: dict[int, str],
) -> list[str]:
    """Regions worth a re-cut, one by one; of the others, one sentence for each tolerance that it would not help.

    `todo` is filled: region -> what to do, in few words.
    """
    said, in_vain = [], {}
    position = {touch: row for row, touch in enumerate(verdict.table["touch"].tolist())}
    for r in regions[regions["can_recut"].astype(bool)].itertuples():
        rows = [position[touch] for touch in r.ids]
        if not proved[rows].any():
            said.append(_no_more_than_noise(r, todo))
            continue
        if (why[rows] != "").all():
            todo[r.region] = "its tool does not reach: no re-cut"
            said.append(
                f"Region {r.region} on {r.face} near {_at(r)} cannot be re-cut with the tool named for it: "
                f"{r.deviation:+z.3f} mm are left there, but {why[rows[0]]} ({touches_named(r.ids)})."
            )
            continue
        judged = [one for one in verdict.evaluations if one.from_nominal and np.isin(rows, one.rows).any()]
        beyond_help = [one for one in judged if predicted(table, "re-cut", one) > one.width]
        todo[r.region] = "a re-cut alone would not bring it within" if beyond_help else "could be re-cut"
        for one in beyond_help:
            in_vain.setdefault(one.name, (one, []))[1].append(r)
        vain = [one.name for one in judged if one.name not in offered and one not in beyond_help]
        if vain and not beyond_help:
            todo[r.region] = "a re-cut is not offered"
            said.append(
                f"Region {r.region} on {r.face} near {_at(r)} is {r.beyond:.3f} mm beyond the limit "
                f"({touches_named(r.ids)}). A re-cut is not offered: by its prediction "
                f"{', '.join(vain)} would not conform after it."
                f"{_beside(verdict, np.array(rows), why, cutters)}"
            )
        elif not beyond_help:
            said.append(
                f"Region {r.region} on {r.face} near {_at(r)} could be re-cut: material is left there, "
                f"{r.deviation:+z.3f} mm at worst, {r.beyond:.3f} mm beyond the limit, within about {r.reach:.0f} mm "
                f"({touches_named(r.ids)}).{_beside(verdict, np.array(rows), why, cutters)}"
            )
    return said + [_on_vain_recut(one, found, table) for one, found in in_vain.values()]


def _beside(verdict: Verdict, rows: np.ndarray, why: np.ndarray, cutters: Sequence[Cutter]) -> str:
    """What a re-cut of these touches comes near to: dents beside them, and touches that the tool does not reach."""
    text, stay = "", rows[why[rows] != ""]
    if len(stay):
        ids = verdict.table["touch"].iloc[stay].tolist()
        text += f" The material at {touches_named(ids)} stays, for {why[stay[0]]}."
    for touch, away, off in dents_beside(verdict, rows, cutters)[:1]:
        text += (
            f" Material is missing {away:.1f} mm beside it (touch {touch}, {off:+z.3f} mm): no stock is taken there."
        )
    return text


def _on_vain_recut(one: Evaluation, found: list, table: pd.DataFrame) -> str:
    worst = max(found, key=lambda r: r.deviation)
    regions = ("Region " if len(found) == 1 else "Regions ") + ", ".join(str(r.region) for r in found)
    after = predicted(table, "re-cut", one)
    text = (
        f"{one.name}: a re-cut would not bring the part within its limits. Material is left ({regions}, "
        f"{worst.deviation:+z.3f} mm at worst, near {_at(worst)}), but {after:.3f} mm of {one.width:.3f} mm would stay "
        "once it is off, because material is missing elsewhere."
    )
    moved = predicted(table, "rigid move of each", one)
    if moved <= one.width:
        text += (
            f" A move of its faces as a whole would explain it, leaving {moved:.3f} mm: find out first whether the "
            "set-up between the cuts, or the datums, can have moved them."
        )
    return text


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


def _at(region: Any) -> str:
    return f"({region.x:z.1f}, {region.y:z.1f}, {region.z:z.1f})"
