"""From deviations and evaluated tolerances to a verdict on every touch, tolerance, feature and the part."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import PLACED_BY, words
from ..errors import FitError, InputError
from ..tolerance.bounds import Bounds, bounds
from ..tolerance.enough import made_zero
from ..tolerance.propagation import carry, own_uncertainty
from ..tolerance.unjudged import Unjudged
from ..uncertainty import Scatter
from .doubts import DOUBTS, REFUTED, UNKNOWN, UNPLACED, doubts_of, why_unsure
from .otherwise import bad_in_both
from .results import Verdict
from .rules import Rule, conformity, narrow, proved, share_of_zone, simple
from .second_look import over_both
from .words import NOT_JUDGED, PART_WORDS, TOUCH_WORDS, part_word, worst_of

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..tolerance import Evaluation

__all__ = ["classify", "judge"]


def classify(
    deviations: pd.DataFrame,
    *evaluations: Evaluation | Unjudged,
    rule: Rule | None = None,
    u: float | None = None,
    scatter: Scatter | None = None,
    alignment: Alignment | None = None,
    looks: Iterable[str] = (),
    accept_flags: Iterable[str] = (),
    placed: bool = True,
    sized: bool = True,
    unmeant: Collection[str] = (),
    misled: Collection[str] = (),
    excess: float = 1.0,
    earlier: Verdict | None = None,
    otherwise: Verdict | None = None,
) -> Verdict:
    """Judge every touch and tolerance.

    Many parameters: a verdict rests on deviations, tolerances, rule and uncertainty, and each is stated by whoever
    answers for it.

    Parameters
    ----------
    deviations : DataFrame
        The deviations table that the tolerances were evaluated on.
    *evaluations : Evaluation or Unjudged
        At least one. What is not judged leaves the part undecided at best.
    rule : Rule, optional
        Decision rule; `probekit.verdict.proved` by default, and simple acceptance where nothing says how uncertain the
        touches are.
    u : float, optional
        Standard uncertainty of a touch by itself [mm]; a column `u` in the table comes first. Without either it is
        taken as zero, and probabilities are 0 or 1.
    scatter : Scatter, optional
        Uncertainty of the touches of the table with what they share, in place of both.
    alignment : Alignment, optional
        What brought the table to where it is. Its covariance counts for every tolerance that has no datum frame of
        its own; see `probekit.tolerance.propagation`.
    looks : iterable of str
        Findings that want a look before the part is accepted, one sentence each. With any the part is undecided at
        best; they are kept in `Verdict.reasons`.
    accept_flags : iterable of str
        Keys of `probekit.verdict.doubts.DOUBTS` that leave nothing undecided, because a person has looked.
    placed : bool
        False: where the whole part lies is in doubt. Nothing that rests on it is then decided, in either way; form and
        size do not.
    sized : bool
        False: the radius of the ball is in doubt. Then no size is decided either.
    unmeant : collection of str
        Names of tolerances that may not ask what is meant. They are not decided, in either way.
    misled : collection of str
        Names of those whose datum frame rests on a touch that does not agree with the others. Nor are they.
    excess : float
        How many times their own uncertainty the touches scatter by, if the data refute it. What is decided otherwise by
        so much more is not decided.
    earlier : Verdict, optional
        Of the first look, where this is the second one by a rule for two (`proved(looks=2)`): the table holds the means
        over all touches at each place (`probekit.touches.repeats.mean_of_repeats`), the scatter is that of the means
        (`Scatter.repeated`). What either look proves counts.
    otherwise : Verdict, optional
        With the part placed otherwise, without what puts its place in doubt: what does not conform in both does not.

    Returns
    -------
    Verdict
        By `proved` a tolerance is decided by the bounds of its actual value. By a guard band one that judges touches
        one by one conforms if all are within, and does not if any is high or low; one that is judged as a whole, by
        its actual value against its width. Else it is undecided, as it is at best with a missed touch, a foot in doubt
        or an uncertainty that is not known. The part is what the worst of its tolerances
        is. A touch that several tolerances cover shows the worst of their words, among equals that with the least
        margin. Touches that no tolerance judges one by one are "unjudged".

    Raises
    ------
    InputError
        If there is no tolerance, one was evaluated on another table, a flag is unknown, or the rule needs to know how
        uncertain the touches are and nothing says it.
    """
    import pandas as pd

    if not evaluations:
        raise InputError(
            "there is no tolerance to judge by", todo="Evaluate one, for instance probekit.tolerance.profile."
        )
    n, ids = len(deviations), deviations["touch"].to_numpy(dtype=object)
    for one in evaluations:
        last = max(one.rows.max(initial=-1), getattr(one, "missed_rows", one.rows).max(initial=-1))
        if last >= n:
            raise InputError(
                f"tolerance '{one.name}' was evaluated on another table", found=f"row {last}", expected=f"< {n}"
            )
        known = getattr(one, "ids", None)
        if known is not None and (other := np.flatnonzero(ids[one.rows] != known)).size:
            raise InputError(
                f"tolerance '{one.name}' was evaluated on another table, or one in another order",
                found=f"touch {ids[one.rows][other[0]]} in row {one.rows[other[0]]}",
                expected=f"touch {known[other[0]]}",
                todo="Judge the table that the tolerance was evaluated on.",
            )
    doubts = doubts_of(deviations, accept_flags)
    stated = Scatter.independent(own_uncertainty(deviations, u)) if scatter is None else scatter
    if len(stated.own) != n:
        raise InputError("the scatter is of another table", found=f"{len(stated.own)} touches", expected=n)
    told = u is not None or bool(stated.u.any())
    rule = rule or (proved() if told else simple())
    if rule.needs_u and not (told or rule.U):
        raise InputError(
            f"the rule {rule.name} needs the uncertainty of the touches",
            expected="u=, scatter=, a column u in the table, or guarded(U=...) [mm]",
            todo="State it, or decide by probekit.verdict.simple().",
        )
    unsure = [why_unsure(one, placed, sized, unmeant, misled) for one in evaluations]
    tried = [
        _judged_or_not(one, deviations, alignment, rule, stated, doubts, unsure=why, excess=excess, otherwise=otherwise)
        for one, why in zip(evaluations, unsure, strict=True)
    ]
    if earlier is not None:
        tried = over_both(tried, earlier, rule, deviations["touch"].to_numpy(dtype=object))
    judged, unjudged = ([one for one in tried if isinstance(one, kind)] for kind in (_Judged, Unjudged))

    table = _by_touch(deviations, stated.u, doubts, judged)
    features = _by_feature(table, judged, unjudged)
    ids = table["touch"].to_numpy()
    said = [text for one in judged for text in one.reasons(ids)] + [one.sentence for one in unjudged]
    reasons = tuple(dict.fromkeys([*looks, *said]))
    rows = [_unjudged_row(one) if isinstance(one, Unjudged) else one.row(ids) for one in tried]
    tolerances = pd.DataFrame(rows, columns=_COLUMNS)
    part = worst_of([*map(part_word, tolerances["word"]), *(["undecided"] if reasons else [])])
    in_it = alignment is None and any(one.of.carried is None for one in judged)
    placement = _placement(deviations) if in_it else ""
    framed = tuple(one.of for one in judged)
    looks_taken = 1 if earlier is None else 2
    words = tuple(one.words for one in judged)
    return Verdict(
        table, tolerances, features, part, framed, rule, reasons, placement, tuple(unjudged), words, looks_taken
    )


def _placement(deviations: pd.DataFrame) -> str:
    """What a verdict without an alignment speaks of."""
    by = set(words(deviations, PLACED_BY)) - {""} if PLACED_BY in deviations else set()
    if not by:
        return "the touches are judged as clamped: no alignment was made"
    return f"aligned by {', '.join(sorted(by))}; the uncertainty of that is not counted, for alignment= was not given"


def judge(evaluation: Evaluation, rule: Rule, u: np.ndarray | float | Scatter = 0.0) -> str:
    """Verdict on one tolerance, the one that `classify` gives it.

    Parameters
    ----------
    evaluation : Evaluation
    rule : Rule
    u : (n,) float or float, or Scatter
        Standard uncertainty of each touch judged, by itself [mm]; or the uncertainty of all touches of the table.

    Returns
    -------
    str
        One of `PART_WORDS`; undecided at best if a touch was missed.
    """
    if not isinstance(u, Scatter):
        carried, size = evaluation.carried, 1 + int(evaluation.rows.max())
        if carried is not None and len(carried.used):
            size = max(size, 1 + int(carried.used.max()))
        own = np.zeros(size)
        own[evaluation.rows] = u
        u = Scatter.independent(own)
    return _judged(evaluation, rule, u, np.full(len(evaluation.rows), "", dtype=object)).word


def _judged_or_not(
    one: Evaluation | Unjudged,
    deviations: pd.DataFrame,
    alignment: Alignment | None,
    rule: Rule,
    scatter: Scatter,
    doubts: np.ndarray,
    *,
    unsure: str,
    excess: float,
    otherwise: Verdict | None,
) -> _Judged | Unjudged:
    """A tolerance judged, in the frame that it is in; not judged where its bounds cannot be found."""
    if isinstance(one, Unjudged):
        return one
    if alignment is not None and one.carried is None and made_zero(one, alignment):
        why = (
            f"the alignment rests on {len(alignment.used)} touches for {len(alignment.free)} degrees of freedom, and "
            "all touches judged are among them: their deviations are zero by construction. Touch more of it"
        )
        return Unjudged(one.name, one.kind, one.features, one.width, why, np.union1d(one.rows, one.missed_rows))
    try:
        framed = one if one.carried is not None else carry(one, deviations, alignment)
        if otherwise is not None and unsure == UNPLACED and one.carried is None:
            both = bad_in_both(_judged(framed, rule, scatter, doubts[one.rows]), otherwise)
            if both is not None:
                return both
        found = _judged(framed, rule, scatter, doubts[one.rows], unsure=unsure)
        if excess > 1 and not unsure:
            more = replace(scatter, own=excess * scatter.own, own_causes=None)
            if _judged(framed, rule, more, doubts[one.rows]).word != found.word:
                return _judged(framed, rule, scatter, doubts[one.rows], unsure=REFUTED)
        return found
    except FitError as error:
        rows = np.union1d(one.rows, one.missed_rows).astype(int)
        why = f"the bounds of its actual value were not found: {error}"
        return Unjudged(one.name, one.kind, one.features, one.width, why, rows)


def _unjudged_row(one: Unjudged) -> tuple:
    nothing = float("nan")
    numbers = (nothing, one.width, nothing, nothing, nothing, {}, nothing, nothing)
    return (one.name, one.kind, *numbers, NOT_JUDGED, (f"{NOT_JUDGED}: {one.reason}",))


#: Columns of `Verdict.tolerances`.
_COLUMNS = ["name", "kind", "actual", "width", "low", "high", "u", "shares", "noise_alone", "p_value", "word", "notes"]


@dataclass(frozen=True, eq=False)
class _Judged:
    """One tolerance, judged. Per touch judged: u with the frame's, words (none if judged as a whole), margin, doubt."""

    of: Evaluation
    word: str
    bounds: Bounds
    u: np.ndarray
    words: np.ndarray
    margin: np.ndarray
    doubt: np.ndarray
    clash: str = ""
    narrow: str = ""

    def row(self, ids: np.ndarray) -> tuple:
        """Its row of `Verdict.tolerances`."""
        one, found = self.of, self.bounds
        numbers = (one.actual, one.width, found.low, found.high, found.u, found.shares, found.noise_alone)
        notes = (*self.reasons(ids), *([self.narrow] if self.narrow else []), *one.notes, *found.notes)
        return (one.name, one.kind, *numbers, found.p_value, self.word, notes)

    def reasons(self, ids: np.ndarray) -> list[str]:
        """What keeps it from conforming though its numbers may not, in sentences that name the touches."""
        said = []
        for text in dict.fromkeys(self.doubt[self.doubt != ""]):
            touches = ids[self.of.rows[self.doubt == text]]
            named = "all its touches" if len(touches) == len(self.of.rows) and len(touches) > 1 else _named(touches)
            said.append(f"{self.of.name}: undecided at best on {named}: {text}{_remedy(text)}")
        return [*said, *([f"{self.of.name}: {self.clash}"] if self.clash else [])]


def _judged(one: Evaluation, rule: Rule, scatter: Scatter, doubt: np.ndarray, *, unsure: str = "") -> _Judged:
    """One path for every kind. `doubt` (n,): of the touches judged.

    Where the uncertainty of the frame is not known a touch is never within; it is high or low by what is known.
    """
    margin = np.minimum(one.uppers - one.deviations, one.deviations - one.lowers)
    found = bounds(one, scatter, 0.95 if rule.level is None else rule.level)
    u, words = found.u_each, np.full(len(one.rows), "", dtype=object)
    by_bounds = rule.level is not None
    if one.judges_touches:
        known = np.where(np.isfinite(u), u, scatter.u[one.rows])
        decided = found if by_bounds else None
        words = rule.decide(one.deviations, one.lowers, one.uppers, known, decided).astype(object)
    elif by_bounds:
        whole = "conforms" if found.high <= one.width else "undecided"
        whole = "does not conform" if found.low > one.width else whole
    else:
        known = found.u if np.isfinite(found.u) else bounds(replace(one, carried=None), scatter).u
        guard = rule.r * max(rule.k * known, 2.0 * rule.U)
        whole = "conforms" if one.actual <= one.width - guard else "undecided"
        whole = "does not conform" if one.actual > one.width + guard else whole
    unknown = ~np.isfinite(u if one.judges_touches else np.full(len(u), found.u)) & rule.needs_u
    doubt = np.where(unknown, np.where(doubt == "", UNKNOWN, doubt + "; " + UNKNOWN), doubt)
    capped = bool((doubt != "").any() or one.missed)
    lone = np.array([DOUBTS["lone"] in text for text in doubt], dtype=bool)
    if one.judges_touches:
        words[lone | ((words == "within") & (doubt != ""))] = "undecided"
        whole = worst_of(map(part_word, words))
    elif lone.any():
        whole = "undecided"
    word = worst_of([whole, "undecided"]) if capped else whole
    if unsure:
        words[words != ""] = word = "undecided"
        doubt = np.full(len(words), unsure, dtype=object)
    least = float(np.nanmax(u, initial=0.0)) if one.judges_touches else found.u
    return _Judged(one, word, found, u, words, margin, doubt, narrow=narrow(one.width, least) if by_bounds else "")


def _by_touch(deviations: pd.DataFrame, own: np.ndarray, doubts: np.ndarray, judged: list[_Judged]) -> pd.DataFrame:
    """The table with, for each touch, the worst word that a tolerance has for it, and where that comes from."""
    import pandas as pd

    n = len(deviations)
    deviation = deviations["deviation"].to_numpy(dtype=float).copy()
    lower, upper, margin = np.full((3, n), np.nan)
    u, doubt, rank = own.copy(), doubts.copy(), np.full(n, -1)
    tolerance, words = np.full(n, "", dtype=object), np.full(n, "unjudged", dtype=object)
    words[~np.isfinite(deviation)] = "missed"
    for one in judged:
        if not one.of.judges_touches:
            continue
        rows = one.of.rows
        own_rank = np.array([PART_WORDS.index(part_word(word)) for word in one.words], dtype=int)
        worse = own_rank > rank[rows]
        worse |= (own_rank == rank[rows]) & (one.margin < margin[rows])
        rows = rows[worse]
        rank[rows], words[rows], margin[rows] = own_rank[worse], one.words[worse], one.margin[worse]
        deviation[rows], u[rows], doubt[rows] = one.of.deviations[worse], one.u[worse], one.doubt[worse]
        lower[rows], upper[rows] = one.of.lowers[worse], one.of.uppers[worse]
        tolerance[rows] = tolerance[one.of.missed_rows] = one.of.name
    table = deviations.assign(
        deviation=deviation,
        tolerance=tolerance,
        lower=lower,
        upper=upper,
        margin=margin,
        share=share_of_zone(deviation, lower, upper),
        u=own,
        u_judged=u,
        p_conform=conformity(deviation, lower, upper, u),
        verdict=pd.Series(words, index=deviations.index, dtype="str"),
        doubt=pd.Series(doubt, index=deviations.index, dtype="str"),
    )
    table.attrs = dict(deviations.attrs)
    return table


def _by_feature(table: pd.DataFrame, judged: list[_Judged], unjudged: list[Unjudged]) -> pd.DataFrame:
    """One row per feature, with the worst that tolerances make of its touches; undecided if one is not judged."""
    import pandas as pd

    names, said = table["feature"].to_numpy(dtype=object), {}
    for one in judged:
        words = [part_word(word) for word in one.words] if one.of.judges_touches else [one.word] * len(one.of.rows)
        for feature, word in zip(names[one.of.rows], words, strict=True):
            said.setdefault(feature, set()).add(word)
        for feature in names[one.of.missed_rows]:
            said.setdefault(feature, set()).add("undecided")
    for feature in (name for other in unjudged for name in names[other.rows]):
        said.setdefault(feature, set()).add("undecided")
    rows = []
    for feature, part in table.groupby("feature", sort=False):
        counts, size = part["verdict"].value_counts(), part["deviation"].abs()
        rows.append(
            {
                "feature": feature,
                "touches": len(part),
                **{word: int(counts.get(word, 0)) for word in TOUCH_WORDS},
                "worst": float(part["deviation"].iloc[size.argmax()]) if size.notna().any() else float("nan"),
                "verdict": worst_of(said[feature]) if feature in said else "unjudged",
            }
        )
    return pd.DataFrame(rows)


def _named(touches: np.ndarray, most: int = 8) -> str:
    shown = ", ".join(map(str, touches[:most])) + (f" and {len(touches) - most} more" if len(touches) > most else "")
    return f"touch {shown}" if len(touches) == 1 else f"touches {shown}"


def _remedy(text: str) -> str:
    """How a flag is accepted by somebody who has looked."""
    flags = [f'"{flag}"' for flag, said in DOUBTS.items() if said in text]
    return f" (accept_flags = [{', '.join(flags)}] accepts it, once somebody has looked)" if flags else ""
