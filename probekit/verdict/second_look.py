"""The second look: what was undecided is touched again, once, and judged by both looks.

Each look has its half of the risk (Bonferroni), so that over both a wrong word has at most the whole of it. A touch is
within if either look proves it, and beyond its limits if either look proves that; a tolerance judged as a whole
likewise. Where the looks prove opposite things nothing is proved: the part, the clamping or the machine has changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError
from ..tolerance.unjudged import Unjudged
from .words import part_word, worst_of

if TYPE_CHECKING:
    from .results import Verdict
    from .rules import Rule

__all__ = ["TIMES", "open_touches", "over_both", "sentence_on"]

TIMES = 4  # repeats of each undecided touch at the second look

_CLASH = "the two looks prove opposite things: look for drift, dirt, or a part that moved between them"


def over_both(tried: Sequence[Any], earlier: Verdict, rule: Rule, ids: np.ndarray) -> list[Any]:
    """What was judged at the second look, with what the first one proved.

    Parameters
    ----------
    tried : sequence
        Tolerances as `classify` judged them, or `Unjudged`.
    earlier : Verdict
        Of the first look.
    rule : Rule
    ids : (n,)
        Touches of the table.

    Raises
    ------
    InputError
        If the rule is not for two looks, or the first look was by another rule, had another look before it, or was at
        other tolerances.
    """
    if rule.looks < 2 or earlier.rule != rule or earlier.looks_taken != 1:
        raise InputError(
            "a second look needs a rule for two, the same at both, and comes once",
            found=f"{earlier.rule.name} and {rule.name}; looks taken before: {earlier.looks_taken}",
            expected="proved(looks=2)",
        )
    names = [(one if isinstance(one, Unjudged) else one.of).name for one in tried]
    if names != earlier.tolerances["name"].tolist():
        raise InputError("the two looks are at different tolerances", found=", ".join(names))
    first, number = [], 0
    for one, row in earlier.pairs:
        first.append(None if isinstance(one, Unjudged) else (one, row.word, earlier.touch_words[number]))
        number += first[-1] is not None
    known = earlier.table["touch"].to_numpy(dtype=object)
    return [
        one if isinstance(one, Unjudged) or was is None else _both(one, was, known, ids)
        for one, was in zip(tried, first, strict=True)
    ]


def _both(one: Any, was: tuple[Any, str, np.ndarray], known: np.ndarray, ids: np.ndarray) -> Any:
    evaluation, word, words = was
    if not one.of.judges_touches:
        if one.word == word or (one.doubt != "").any():
            return one
        decided = [said for said in (word, one.word) if said != "undecided"]
        return replace(one, word=decided[0]) if len(decided) == 1 else replace(one, word="undecided", clash=_CLASH)
    before = dict(zip(known[evaluation.rows].tolist(), words.tolist(), strict=True))
    combined, clash = one.words.copy(), False
    for k, (touch, now) in enumerate(zip(ids[one.of.rows].tolist(), one.words.tolist(), strict=True)):
        then = before.get(touch, "undecided")
        if one.doubt[k] != "" or then in (now, "undecided"):
            continue
        combined[k] = then if now == "undecided" else "undecided"
        clash |= now != "undecided"
    whole = worst_of(map(part_word, combined))
    if one.of.missed or (one.doubt != "").any() or clash:
        whole = worst_of([whole, "undecided"])
    return replace(one, words=combined, word=whole, clash=_CLASH if clash else "")


def open_touches(verdict: Verdict) -> np.ndarray:
    """(n,) bool, touches that a second look would decide: undecided by their numbers alone.

    All touches of a tolerance that is judged as a whole and is undecided. None after a second look, or by a rule for
    one look.
    """
    table = verdict.table
    open_ = np.zeros(len(table), dtype=bool)
    if verdict.rule.looks < 2 or verdict.looks_taken > 1:
        return open_
    for one, row in verdict.pairs:
        if isinstance(one, Unjudged) or row.word == "conforms":
            continue
        if not one.judges_touches:
            open_[one.rows] |= row.word == "undecided"
    doubt = table["doubt"].to_numpy(dtype=object)
    return (open_ | (table["verdict"].to_numpy(dtype=object) == "undecided")) & (doubt == "")


def sentence_on(verdict: Verdict) -> str:
    """What is left to a second look, in one line; empty if nothing, or if more than touches is undecided."""
    rows = np.flatnonzero(open_touches(verdict))
    if verdict.part != "undecided" or verdict.reasons or not len(rows):
        return ""
    if (verdict.table["verdict"].to_numpy(dtype=object) == "missed").any():
        return ""
    ids = verdict.table["touch"].to_numpy(dtype=object)[rows]
    shown = ", ".join(map(str, ids[:12])) + (f" and {len(ids) - 12} more" if len(ids) > 12 else "")
    one = len(ids) == 1
    return (
        f"undecided for touch{'' if one else 'es'} {shown} only: touch {'it' if one else 'each'} again {TIMES} times "
        f"({TIMES * len(ids)} touches)"
    )
