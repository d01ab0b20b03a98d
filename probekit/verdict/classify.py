"""From deviations and evaluated tolerances to a verdict on every touch, feature and the part."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from .results import PART_WORDS, Verdict
from .rules import Rule, conformity, simple

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["classify", "judge"]


def classify(
    found: pd.DataFrame,
    *evaluations: Evaluation,
    rule: Rule | None = None,
    u: float | None = None,
    looks: Iterable[str] = (),
) -> Verdict:
    """Judge every touch against the tolerances that cover it.

    Parameters
    ----------
    found : DataFrame
        The deviations table that the tolerances were evaluated on.
    *evaluations : Evaluation
        At least one. A touch that several cover is judged by the one that leaves it the least margin.
    rule : Rule, optional
        Decision rule; simple acceptance by default.
    u : float, optional
        Standard uncertainty of a deviation [mm]; a column `u` in the table comes first. Without either it is taken
        as zero, and probabilities are 0 or 1.
    looks : iterable of str
        Findings that want a look before the part is accepted, one sentence each. With any the part is undecided at
        best; they are kept in `Verdict.reasons`.

    Returns
    -------
    Verdict
        A part conforms if every judged touch is within; it does not if any is high or low; else it is undecided.
        A missed touch leaves its feature undecided at best. Touches no tolerance covers are "unjudged".
        A tolerance that does not judge touches one by one (position, size) judges the features its touches are on,
        by its actual value: see `judge`; its touches stay "unjudged" unless another tolerance judges them.

    Raises
    ------
    InputError
        If there is no tolerance, or one was evaluated on another table.
    """
    import pandas as pd

    if not evaluations:
        raise InputError(
            "there is no tolerance to judge by", todo="Evaluate one, for instance probekit.tolerance.profile."
        )
    rule = rule or simple()
    n = len(found)
    lower, upper = np.full(n, np.nan), np.full(n, np.nan)
    judged, margin = found["deviation"].to_numpy(dtype=float).copy(), np.full(n, np.inf)
    tolerance = np.full(n, "", dtype=object)
    for one in evaluations:
        last = max(one.rows.max(initial=-1), one.missed_rows.max(initial=-1))
        if last >= n:
            raise InputError(
                f"tolerance '{one.name}' was evaluated on another table",
                found=f"row {last}",
                expected=f"< {n}",
            )
        if not one.by_touch:
            continue
        left = np.minimum(one.uppers - one.deviations, one.deviations - one.lowers)
        tighter = left < margin[one.rows]
        rows = one.rows[tighter]
        margin[rows], tolerance[rows], judged[rows] = left[tighter], one.name, one.deviations[tighter]
        lower[rows], upper[rows] = one.lowers[tighter], one.uppers[tighter]
        tolerance[one.missed_rows] = one.name
    uncertainty = _uncertainty(found, u)
    words = rule.decide(judged, lower, upper).astype(object)
    words[np.isfinite(judged) & np.isnan(lower)] = "unjudged"
    table = found.assign(
        deviation=judged,
        tolerance=tolerance,
        lower=lower,
        upper=upper,
        u=uncertainty,
        p_conform=conformity(judged, lower, upper, uncertainty),
        verdict=pd.Series(words, index=found.index, dtype="str"),
    )
    table.attrs = dict(found.attrs)
    features = _by_feature(table, _by_value(table, evaluations, rule))
    judged_features = features["verdict"][features["verdict"] != "unjudged"]
    reasons = tuple(dict.fromkeys(looks))
    part = _worst_of([*judged_features, *(["undecided"] if reasons else [])])
    return Verdict(table, features, part, evaluations, rule, reasons)


def judge(evaluation: Evaluation, rule: Rule) -> str:
    """Verdict on one tolerance as a whole.

    Parameters
    ----------
    evaluation : Evaluation
    rule : Rule
        Its guard band counts at both limits of the zone: the value conforms up to width - 2 w, and does not from
        width + 2 w.

    Returns
    -------
    str
        "conforms", "undecided" or "does not conform"; undecided at best if a touch was missed.
    """
    if evaluation.actual > evaluation.width + 2 * rule.guard:
        return "does not conform"
    if evaluation.actual > evaluation.width - 2 * rule.guard or evaluation.missed:
        return "undecided"
    return "conforms"


def _by_value(table: pd.DataFrame, evaluations: tuple[Evaluation, ...], rule: Rule) -> dict[object, str]:
    """Worst verdict on each feature by the tolerances that judge it as a whole."""
    names, found = table["feature"].to_numpy(dtype=object), {}
    for one in evaluations:
        if not one.by_touch:
            word = judge(one, rule)
            for feature in dict.fromkeys(names[[*one.rows, *one.missed_rows]]):
                found[feature] = _worst_of([word, found.get(feature, word)])
    return found


def _uncertainty(found: pd.DataFrame, u: float | None) -> np.ndarray:
    given = 0.0 if u is None else float(u)
    if not (np.isfinite(given) and given >= 0):
        raise InputError("the standard uncertainty must be zero or more", found=u, expected="mm")
    if "u" not in found:
        return np.full(len(found), given)
    column = found["u"].to_numpy(dtype=float)
    return np.where(np.isfinite(column), column, given)


def _by_feature(table: pd.DataFrame, by_value: dict[object, str]) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for feature, part in table.groupby("feature", sort=False):
        counts = part["verdict"].value_counts()
        row = {"feature": feature, "touches": len(part)}
        row |= {word: int(counts.get(word, 0)) for word in ("within", "undecided", "high", "low", "missed", "unjudged")}
        size = part["deviation"].abs()
        row["worst"] = float(part["deviation"].iloc[size.argmax()]) if size.notna().any() else float("nan")
        words = [by_value[feature]] if feature in by_value else []
        if (part["tolerance"] != "").any():
            if row["high"] or row["low"]:
                words.append("does not conform")
            else:
                words.append("undecided" if row["undecided"] or row["missed"] else "conforms")
        row["verdict"] = _worst_of(words) if words else "unjudged"
        rows.append(row)
    return pd.DataFrame(rows)


def _worst_of(words: Iterable[str]) -> str:
    """The worst of these words; undecided if there is none."""
    return max(words, key=PART_WORDS.index, default="undecided")
