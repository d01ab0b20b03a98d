"""What a verdict is, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from ..show import shown
from .rules import Rule
from .words import counted

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["Verdict"]


@shown
@dataclass(frozen=True, eq=False)
class Verdict:
    """Verdict on every touch, tolerance, feature and the part, made once by the decision rule.

    Attributes
    ----------
    table : DataFrame
        The deviations table with, per touch, `tolerance` (name of the one that judged it), `lower` and `upper`
        limit [mm], `margin` to the nearer of them (negative outside) [mm], `share` of the zone that it takes up (1 at a
        limit; `rules.share_of_zone`), by which touches are ranked, `u` standard uncertainty of the touch by
        itself and `u_judged` with that of the frame it was judged in (NaN if not known) [mm], `p_conform` in 0..1 (NaN
        where missed, unjudged or u is not known), `verdict`, one of `TOUCH_WORDS`, and `doubt`: why the touch is
        undecided at best, whatever its deviation.
    tolerances : DataFrame
        One row per tolerance, in the order given: `name, kind`, `actual` value, `width`, bounds `low` and `high` of the
        true value at the touched places, `u` of the touches that rule (NaN if not known), `shares` of its square by
        cause (mapping), `noise_alone` [mm], `p_value` (all of them as in `probekit.tolerance.bounds.Bounds`), `word`,
        one of `PART_WORDS`, `notes` (tuple of str): what decided it besides the numbers, and what has to be known to
        believe the value.
    features : DataFrame
        One row per feature: `feature, touches, within, undecided, high, low, missed, unjudged, worst, verdict`.
    part : str
        One of `PART_WORDS`: the worst of its tolerances.
    evaluations : tuple of Evaluation
        The tolerances that were judged, in the order given.
    rule : Rule
        The decision rule used.
    reasons : tuple of str
        What leaves the part undecided at best, whatever the numbers say: findings that want a look first, feet in
        doubt, uncertainties not known.
    placement : str
        What has to be known of where the touches were judged: as clamped, or without the uncertainty of the alignment.
    """

    table: pd.DataFrame
    tolerances: pd.DataFrame
    features: pd.DataFrame
    part: str
    evaluations: tuple[Evaluation, ...]
    rule: Rule
    reasons: tuple[str, ...] = ()
    placement: str = ""

    @property
    def sentence(self) -> str:
        """The verdict in one line."""
        counts = self.tolerances["word"].value_counts()
        said = ", ".join(counted(counts[word], word) for word in counts.index)
        return f"the part {self.verb}; tolerances: {said}; {self.rule.sentence}" + (
            f"; {self.placement}" if self.placement else ""
        )

    @property
    def verb(self) -> str:
        """The part's word as it follows "the part"."""
        return f"is {self.part}" if self.part == "undecided" else self.part

    def _repr_html_(self) -> str:
        reasons = "".join(f"<li>{escape(reason)}</li>" for reason in self.reasons)
        return (
            f"<p>Part: <b>{escape(self.part)}</b> ({escape(self.rule.sentence)})</p>"
            + (f"<p>{escape(self.placement)}</p>" if self.placement else "")
            + (f"<ul>{reasons}</ul>" if reasons else "")
            + "".join(
                table.to_html(index=False, float_format=lambda v: f"{v:.4f}")
                for table in (self.tolerances.drop(columns="notes"), self.features)
            )
        )
