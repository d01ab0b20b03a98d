"""What now: plain-language suggestions, each with its reason, never an order."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..fit import apply_motion, motion_parameters
from ..fit.alignment import Alignment
from ..show import shown
from ..tolerance.propagation import carry
from .corrections import corrections, uniform_offset
from .regions import find_regions

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..tolerance import Evaluation
    from ..verdict.results import Verdict

__all__ = ["CAUTION", "Action", "suggest"]

_SURE = 0.999  # of a shift and turn that scatter does not explain
_NEGLIGIBLE = 0.05  # part of a tolerance that a set-up may take without a word

#: Stands under every suggestion.
CAUTION = (
    "These are suggestions from a computation, not orders. A person qualified for this machine decides. Check every "
    "changed offset and program before it runs: sign and axis, dry run above the part, single block, reduced override, "
    "hands clear of the spindle. The rules of the workshop and of the law come first."
)


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
    """

    table: pd.DataFrame
    shares: pd.DataFrame
    regions: pd.DataFrame
    suggestions: tuple[str, ...]
    caution: str = CAUTION

    @property
    def sentence(self) -> str:
        """How many suggestions there are, and the first."""
        first = f": {self.suggestions[0]}" if self.suggestions else ""
        return f"{len(self.suggestions)} suggestion{'s' * (len(self.suggestions) != 1)}{first}"

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{escape(s)}</li>" for s in self.suggestions)
        return (
            f"<ol>{items}</ol><p><i>{escape(self.caution)}</i></p>"
            + self.table.to_html(index=False, float_format=lambda v: f"{v:.4f}")
            + (self.regions.to_html(index=False, float_format=lambda v: f"{v:.3f}") if len(self.regions) else "")
        )


def suggest(verdict: Verdict, nominal: Nominal, *, alignment: Alignment | None = None) -> Action:
    """Weigh the possible corrections and say what they would bring.

    Parameters
    ----------
    verdict : Verdict
    nominal : Nominal
    alignment : Alignment, optional
        The alignment that the verdict's touches have been through; its undoing is then weighed as a set-up
        correction.

    Returns
    -------
    Action
    """
    table, shares = corrections(verdict, nominal, alignment)
    regions = find_regions(verdict.table)
    said = [
        *_on_missing(regions),
        *_on_left(regions, verdict, table),
        *_on_offset(verdict, alignment),
        *(_on_set_up(alignment, verdict, table, shares) if alignment is not None and len(table) else []),
        *_on_doubt(verdict),
    ]
    if verdict.part == "conforms":
        said.insert(0, "Carry on: every judged touch lies within its limits by the decision rule.")
    return Action(table, shares, regions, tuple(said))


def _on_missing(regions: pd.DataFrame) -> list[str]:
    return [
        f"Region {r.region} on {r.face} near {_at(r)} cannot be re-cut: material is missing there, {r.deviation:+.3f} "
        f"mm at worst, {r.beyond:.3f} mm beyond the limit ({_touches(r.ids)}). Cutting does not bring it back: ask for "
        "a concession, repair it by an approved process, or scrap the part."
        for r in regions[~regions["can_recut"].astype(bool)].itertuples()
    ]


def _on_left(regions: pd.DataFrame, verdict: Verdict, table: pd.DataFrame) -> list[str]:
    """Regions worth a re-cut, one by one; of the others, one sentence for each tolerance that it would not help."""
    said, in_vain = [], {}
    position = {touch: row for row, touch in enumerate(verdict.table["touch"].tolist())}
    for r in regions[regions["can_recut"].astype(bool)].itertuples():
        rows = [position[touch] for touch in r.ids]
        judged = [one for one in verdict.evaluations if one.from_nominal and np.isin(rows, one.rows).any()]
        beyond_help = [one for one in judged if _predicted(table, "re-cut", one) > one.width]
        for one in beyond_help:
            in_vain.setdefault(one.name, (one, []))[1].append(r)
        if not beyond_help:
            said.append(
                f"Region {r.region} on {r.face} near {_at(r)} could be re-cut: material is left there, "
                f"{r.deviation:+.3f} mm at worst, {r.beyond:.3f} mm beyond the limit, within about {r.reach:.0f} mm "
                f"({_touches(r.ids)})."
            )
    return said + [_on_vain_recut(one, found, table) for one, found in in_vain.values()]


def _on_vain_recut(one: Evaluation, found: list, table: pd.DataFrame) -> str:
    worst = max(found, key=lambda r: r.deviation)
    regions = ("Region " if len(found) == 1 else "Regions ") + ", ".join(str(r.region) for r in found)
    after = _predicted(table, "re-cut", one)
    text = (
        f"{one.name}: a re-cut would not bring the part within its limits. Material is left ({regions}, "
        f"{worst.deviation:+.3f} mm at worst, near {_at(worst)}), but {after:.3f} mm of {one.width:.3f} mm would stay "
        "once it is off, because material is missing elsewhere."
    )
    moved = _predicted(table, "rigid move of each", one)
    if moved <= one.width:
        text += (
            f" A move of its faces as a whole would explain it, leaving {moved:.3f} mm: find out first whether the "
            "set-up between the cuts, or the datums, can have moved them."
        )
    return text


def _predicted(table: pd.DataFrame, correction: str, one: Evaluation) -> float:
    """Actual value of a tolerance that the table of corrections predicts [mm]."""
    return float(table.loc[table["correction"].str.contains(correction, regex=False), one.name].iloc[0])


def _on_offset(verdict: Verdict, alignment: Alignment | None) -> list[str]:
    said = []
    for one in verdict.evaluations:
        if one.touches < 5 or not one.from_nominal:
            continue
        middle = (one.lower + one.upper) / 2
        carried = one.carried or carry(one, verdict.table, alignment).carried
        offset, u = uniform_offset(one.deviations - one.middles, carried)
        if not np.isfinite(u) or abs(offset) < max(3.0 * u, 0.05 * one.width):
            continue
        common = f"{one.name}: the faces share a uniform offset of {offset:+.3f} mm (u {u:.4f} mm)"
        left, missing = "material is left all over", "material is missing all over"
        if middle:
            common += f" from the middle of the zone, {middle:+.3f} mm"
            left, missing = (f"{word} material is left than the middle of the zone has" for word in ("more", "less"))
        if offset > 0:
            said.append(
                f"{common}: {left}, as a cutter leaves it that is smaller (worn) or shorter than "
                "its entries in the control say. If so, lowering the radius entry (where its side cut) or the length "
                f"entry (where its end cut) by {offset:.3f} mm before a re-cut or the next part would take it off."
            )
        else:
            said.append(
                f"{common}: {missing}, as after a cutter that is larger or longer than its entries "
                f"in the control say. Raising the radius or length entry by {-offset:.3f} mm helps the next part, not "
                "this one."
            )
    return said


def _on_set_up(alignment: Alignment, verdict: Verdict, table: pd.DataFrame, shares: pd.DataFrame) -> list[str]:
    shift, turn = motion_parameters(alignment.inverse, pivot=alignment.pivot)
    significant = _beyond_scatter(alignment)
    where = (
        f"it sits shifted by ({shift[0]:+.3f}, {shift[1]:+.3f}, {shift[2]:+.3f}) mm and turned by "
        f"({turn[0]:+.4f}, {turn[1]:+.4f}, {turn[2]:+.4f}) deg about ({alignment.pivot[0]:g}, {alignment.pivot[1]:g}, "
        f"{alignment.pivot[2]:g}) from where the program takes it to be"
    )
    share = float(shares["share"].iloc[0])
    outside = (int(table["outside"].iloc[0]), int(table["outside"].iloc[1]))
    if significant is False:
        return ["The set-up needs no change: the shift and turn found are within what scatter alone produces."]
    largest, part = _moved(alignment, verdict)
    if part < _NEGLIGIBLE:
        return [
            f"The set-up needs no change: it moves the judged faces by {largest:.4f} mm at most, "
            f"{100 * part:.1f} % of its tolerance, which is negligible."
        ]
    if share <= 0:
        return [
            f"Set-up: {where}, by its datum touches; but the judged faces lie further from nominal after this than "
            "as clamped. Check the datum features, the allowance and the radius before any offset is moved."
        ]
    doubt = "" if significant else " The touches leave no uncertainty to compare it with: touch more of the datums."
    return [
        f"Set-up: the part is not where the program believes; {where}. This is {100 * share:.0f} % of the sum of "
        f"squared deviations as clamped, and it is already taken out of the verdict ({outside[0]} touches would be "
        f"outside otherwise, {outside[1]} are). Before any further cut, moving the work offset by the same amount "
        "would put the program back on the part. A work offset alone takes the shift and, on many controls, a turn "
        "about one axis; the other turns need rotary axes or clamping anew." + doubt
    ]


def _beyond_scatter(alignment: Alignment) -> bool | None:
    """Whether shift and turn, all together, are more than their scatter makes in 1 of 1000 cases; None if not known.

    Hotelling's test with the freedoms of the residuals: x' C^-1 x > r F(r, n - r), where C has rank r.
    """
    from scipy.special import fdtri

    values = np.concatenate([alignment.translation, alignment.rotation_deg])
    if not np.isfinite(alignment.covariance).all():
        return None
    size = np.sqrt(np.diag(alignment.covariance))
    free = size > 0
    if not free.any():
        return None
    scaled = alignment.covariance[np.ix_(free, free)] / np.outer(size[free], size[free])
    spectrum, axes = np.linalg.eigh(scaled)
    held = spectrum > 1e-9 * spectrum[-1]
    along = (axes.T @ (values[free] / size[free]))[held]
    rank = int(held.sum())
    limit = rank * float(fdtri(rank, max(len(alignment.used) - rank, 1), _SURE))
    return bool(np.sum(along**2 / spectrum[held]) > limit)


def _moved(alignment: Alignment, verdict: Verdict) -> tuple[float, float]:
    """How far the set-up moves a judged touch along its normal, at most [mm], and as part of its tolerance."""
    table = verdict.table
    contact = array(table, CONTACT)
    away = apply_motion(alignment.inverse, contact) - contact
    along = np.abs(np.einsum("ij,ij->i", away, array(table, FOOT_NORMAL)))
    moved = [(float(along[one.rows].max()), one.width) for one in verdict.evaluations if one.from_nominal]
    return max((m for m, _ in moved), default=np.inf), max((m / width for m, width in moved), default=np.inf)


def _on_doubt(verdict: Verdict) -> list[str]:
    said = []
    open_, doubtful = verdict.table["verdict"] == "undecided", verdict.table["doubt"] != ""
    undecided = verdict.table.loc[open_ & ~doubtful, "touch"].tolist()
    doubted = verdict.table.loc[open_ & doubtful, "touch"].tolist()
    missed = verdict.table.loc[verdict.table["verdict"] == "missed", "touch"].tolist()
    if undecided:
        said.append(
            f"Undecided: {_touches(undecided)}, too near a limit to decide with this "
            "uncertainty. Touch there again, with more touches or a smaller uncertainty."
        )
    if doubted:
        why = "; ".join(dict.fromkeys(verdict.table.loc[open_ & doubtful, "doubt"]))
        said.append(
            f"In doubt: {_touches(doubted)}: {why}. Resolve that first: until then the deviation proves nothing."
        )
    if missed:
        said.append(
            f"Missed: {_touches(missed)}. Find out why there was no trigger (wrong place, too little overtravel, "
            "material far off) before anything else moves there, then touch again."
        )
    return said


def _touches(ids: tuple | list, most: int = 8) -> str:
    shown = ", ".join(str(i) for i in ids[:most]) + (f" and {len(ids) - most} more" if len(ids) > most else "")
    return f"touch {shown}" if len(ids) == 1 else f"touches {shown}"


def _at(region: object) -> str:
    return f"({region.x:.1f}, {region.y:.1f}, {region.z:.1f})"
