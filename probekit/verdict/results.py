"""What a verdict is, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from .rules import Rule

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["PART_WORDS", "TOUCH_WORDS", "Verdict"]

#: What a touch can be, best first.
TOUCH_WORDS = ("within", "undecided", "high", "low", "missed", "unjudged")

#: What a feature or a part can be.
PART_WORDS = ("conforms", "undecided", "does not conform")


@dataclass(frozen=True, eq=False)
class Verdict:
    """Verdict on every touch, feature and the part.

    Attributes
    ----------
    table : DataFrame
        The deviations table with, per touch, `tolerance` (name of the one that judged it), `lower` and `upper`
        limit [mm], `u` standard uncertainty [mm], `p_conform` in 0..1 (NaN where missed or unjudged) and `verdict`,
        one of `TOUCH_WORDS`.
    features : DataFrame
        One row per feature: `feature, touches, within, undecided, high, low, missed, unjudged, worst, verdict`.
    part : str
        One of `PART_WORDS`.
    evaluations : tuple of Evaluation
        The tolerances that were judged, in the order given.
    rule : Rule
        The decision rule used.
    reasons : tuple of str
        What leaves the part undecided at best, whatever the tolerances say: findings that want a look first.
    """

    table: pd.DataFrame
    features: pd.DataFrame
    part: str
    evaluations: tuple[Evaluation, ...]
    rule: Rule
    reasons: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        reasons = "".join(f"<li>{escape(reason)}</li>" for reason in self.reasons)
        return (
            f"<p>Part: <b>{escape(self.part)}</b> ({escape(self.rule.sentence)})</p>"
            + (f"<ul>{reasons}</ul>" if reasons else "")
            + self.features.to_html(index=False, float_format=lambda v: f"{v:.4f}")
        )
