"""What a verdict is, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from ..show import shown
from .rules import Rule
from .second_look import sentence_on
from .words import NOT_JUDGED, counted

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation
    from ..tolerance.unjudged import Unjudged

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
        one of `TOLERANCE_WORDS`, `notes` (tuple of str): what decided it besides the numbers, and what has to be known
        to believe the value. Of a tolerance that is not judged the numbers are NaN, and the first note is the reason.
    features : DataFrame
        One row per feature: `feature, touches, within, undecided, high, low, missed, unjudged, worst, verdict`.
    part : str
        One of `PART_WORDS`: the worst of its tolerances.
    evaluations : tuple of Evaluation
        The tolerances that were judged, in the order given.
    unjudged : tuple of Unjudged
        Those that were not: the touches do not fix them, or their datum frame. With any the part is undecided at best.
    touch_words : tuple of (n,) str
        Of each evaluation the words of the touches it judges, "" where it judges as a whole.
    looks_taken : int
        2 if what was undecided at a first look was touched again.
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
    unjudged: tuple[Unjudged, ...] = ()
    touch_words: tuple[np.ndarray, ...] = field(default=(), repr=False)
    looks_taken: int = 1

    def __post_init__(self) -> None:
        words = self.tolerances["word"].tolist()
        lost = len(words) != len(self.evaluations) + len(self.unjudged) or words.count(NOT_JUDGED) != len(self.unjudged)
        if lost or (self.part == "conforms" and (self.reasons or set(words) != {"conforms"})):
            raise ValueError(f"a part that {self.part} cannot have tolerances that are {', '.join(words)}")

    @property
    def pairs(self) -> list[tuple[Evaluation | Unjudged, Any]]:
        """Each tolerance with its row of `tolerances`, in the order given."""
        judged, others = iter(self.evaluations), iter(self.unjudged)
        return [
            (next(others if row.word == NOT_JUDGED else judged), row) for row in self.tolerances.itertuples(index=False)
        ]

    @property
    def touch_counts(self) -> dict[str, str]:
        """What to say of the touches, by their words: "3 high"; of those that no zone judges, which are judged else."""
        verdicts = self.table["verdict"]
        said = {word: f"{n} {word}" for word, n in verdicts.value_counts().items()}
        lone, covered, whole = (verdicts == "unjudged").to_numpy(), np.zeros(len(verdicts), dtype=bool), 0
        for one in self.evaluations:
            if not one.judges_touches and lone[one.rows].any():
                covered[one.rows] = True
                whole += 1
        both, rest = int((lone & covered).sum()), int((lone & ~covered).sum())
        if both:
            words = [f"{both} judged as a whole by {whole} tolerance{'s' if whole > 1 else ''}"]
            said["unjudged"] = ", ".join(words + ([f"{rest} unjudged"] if rest else []))
        return said

    @property
    def sentence(self) -> str:
        """The verdict in one line."""
        counts = self.tolerances["word"].value_counts()
        said = ", ".join(counted(counts[word], word) for word in counts.index)
        return (
            f"the part {self.verb}; tolerances: {said}; {self.rule.sentence}"
            + (f"; {self.placement}" if self.placement else "")
            + (f"; {self.second_look}" if self.second_look else "")
        )

    @property
    def second_look(self) -> str:
        """What is left to a second look, by a rule for two, in one line; empty if nothing is."""
        return sentence_on(self)

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
                for table in (self.tolerances.drop(columns=["notes", "shares"]), self.features)
            )
        )
