"""From deviations and evaluated tolerances to a verdict on every touch, feature and the part."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from .results import Verdict
from .rules import Rule, conformity, simple

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["classify"]


def classify(
    found: pd.DataFrame,
    *evaluations: Evaluation,
    rule: Rule | None = None,
    u: float | None = None,
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

    Returns
    -------
    Verdict
        A part conforms if every judged touch is within; it does not if any is high or low; else it is undecided.
        A missed touch leaves its feature undecided at best. Touches no tolerance covers are "unjudged".

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
        left = np.minimum(one.upper - one.deviations, one.deviations - one.lower)
        tighter = left < margin[one.rows]
        rows = one.rows[tighter]
        margin[rows], tolerance[rows], judged[rows] = left[tighter], one.name, one.deviations[tighter]
        lower[rows], upper[rows] = one.lower, one.upper
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
    features = _by_feature(table)
    judged_features = features["verdict"][features["verdict"] != "unjudged"]
    return Verdict(table, features, _worst(judged_features), evaluations, rule)


def _uncertainty(found: pd.DataFrame, u: float | None) -> np.ndarray:
    given = 0.0 if u is None else float(u)
    if not (np.isfinite(given) and given >= 0):
        raise InputError("the standard uncertainty must be zero or more", found=u, expected="mm")
    if "u" not in found:
        return np.full(len(found), given)
    column = found["u"].to_numpy(dtype=float)
    return np.where(np.isfinite(column), column, given)


def _by_feature(table: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for feature, part in table.groupby("feature", sort=False):
        counts = part["verdict"].value_counts()
        row = {"feature": feature, "touches": len(part)}
        row |= {word: int(counts.get(word, 0)) for word in ("within", "undecided", "high", "low", "missed", "unjudged")}
        size = part["deviation"].abs()
        row["worst"] = float(part["deviation"].iloc[size.argmax()]) if size.notna().any() else float("nan")
        if not (part["tolerance"] != "").any():
            row["verdict"] = "unjudged"
        elif row["high"] or row["low"]:
            row["verdict"] = "does not conform"
        else:
            row["verdict"] = "undecided" if row["undecided"] or row["missed"] else "conforms"
        rows.append(row)
    return pd.DataFrame(rows)


def _worst(words: pd.Series) -> str:
    for word in ("does not conform", "undecided"):
        if (words == word).any():
            return word
    return "conforms" if len(words) else "undecided"
