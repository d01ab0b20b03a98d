"""How sure the touches of a study are: its budget, the corrections that it asks for, and what touches share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from .. import nominal, uncertainty
from ..columns import words
from ..touches import Stylus
from ..uncertainty.budget import Budget
from ..uncertainty.causes import RANGE_OF_25
from ..uncertainty.drift import Drift
from ..uncertainty.shares import Shares
from .model import Study
from .readings import Qualified

if TYPE_CHECKING:
    import pandas as pd

    from ..tolerance import Evaluation

__all__ = ["budget_of", "corrected", "saying_what_is_assumed", "scatter_of", "shares_of", "typical_u"]

_MOSTLY = 0.5  # of u^2: more than this assumed, and the verdict rests on assumed values


def budget_of(study: Study, part: nominal.Nominal, qualified: Qualified | None) -> Budget | None:
    """The budget of a study, with what the study knows by itself; None without a table ``[budget]``.

    Raises
    ------
    InputError
        See `probekit.uncertainty.read`.
    """
    if "budget" not in study.settings:
        return None
    budget = uncertainty.read(study.settings, file=study.path)
    if "touch" in (pace := study.settings.get("pace", {})):
        budget = budget.stating("touch_feed_mm_min", pace["touch"], "[pace] touch")
    chord = 0.0 if part.exact else 1e3 * max(_judged_chords(study, part), default=0.0)
    budget = budget.stating("chord_um", chord, "exact surfaces" if part.exact else "estimated from the facets")
    left = np.nan if qualified is None else qualified[0].scatter
    if np.isfinite(left):
        text = f"{qualified[0].touches} touches of the qualification: what its map leaves"  # type: ignore[index]
        budget = budget.stating("direction_range_um", 1e3 * RANGE_OF_25 * float(left), text)
    return budget


def typical_u(study: Study, budget: Budget | None) -> float | None:
    """Standard uncertainty of a touch as stated [mm], without what depends on its place; None if none is."""
    return study.settings.get("uncertainty", {}).get("u") if budget is None else budget.each


def corrected(
    study: Study, measured: pd.DataFrame, budget: Budget | None, stylus: Stylus | None
) -> tuple[pd.DataFrame, Budget | None, Drift | None, list[str]]:
    """The touches, corrected for temperature and drift where the study says so.

    Returns
    -------
    DataFrame
        Touches.
    Budget or None
        With the drift that references show, where that is more than stated and is not corrected.
    Drift or None
        What the touches are corrected for.
    list of str
        What was done.
    """
    part, notes = study.settings.get("part", {}), []
    temperature, expansion = part.get("temperature"), part.get("expansion_um_per_m_c")
    if temperature is not None and temperature != 20 and (budget is None or budget.corrected):
        expansion = uncertainty.read({"budget": {}, "part": part}, file=study.path).expansion  # or it says what lacks
        ball = stylus.effective_radius if stylus is not None and measured.attrs.get("recorded") == "centre" else 0.0
        measured, said = uncertainty.at_20_degrees(measured, temperature, expansion, ball=ball)
        notes.append(said if budget is not None else f"{said}; a [budget] would count what this leaves uncertain")
    if budget is None:
        return measured, None, None, notes
    found = uncertainty.drift(measured, budget)
    if found is None:
        if budget.drift_corrected:
            notes.append("drift_corrected: no target was touched again at another time, so no drift is corrected")
        return measured, budget, None, notes
    if budget.drift_corrected:
        measured, said = found.correct(measured)
        return measured, budget, found, [*notes, said, *found.notes]
    notes.append(f"{found.sentence}; it is not corrected")
    if 1e3 * found.largest > budget.value("drift_um"):
        rows = tuple(
            replace(
                row, value=1e3 * found.largest, u=1e3 * found.largest / np.sqrt(3), source="references touched again"
            )
            if row.key == "drift_um"
            else row
            for row in budget.rows
        )
        budget = replace(budget, rows=rows)
    return measured, budget, None, [*notes, *found.notes]


def scatter_of(
    study: Study, deviations: pd.DataFrame, budget: Budget | None, drift: Drift | None
) -> uncertainty.Scatter | None:
    """What the touches of a study share, with the form that a fit to them does not see; None without a budget."""
    if budget is None:
        return None
    touched = {
        str(name) for column in ("feature", "face") if column in deviations for name in words(deviations, column)
    }
    named = [name for name in _datum_features(study) if name in touched]
    return uncertainty.touches(deviations, budget, datums=named, drift=drift)


def shares_of(evaluations: Iterable[Evaluation], scatter: uncertainty.Scatter) -> tuple[Shares, ...]:
    """Who matters for the result of each tolerance: its size or place, or the touch that rules it."""
    return tuple(
        uncertainty.shares(scatter, _gain(one, len(scatter.own)), _named(one)) for one in evaluations if len(one.rows)
    )


def saying_what_is_assumed(evaluations: Sequence[Evaluation], scatter: uncertainty.Scatter | None) -> list[Evaluation]:
    """The evaluations; those that rest mostly on assumed values say so in their notes."""
    if scatter is None:
        return list(evaluations)
    out = []
    for one, who in zip(evaluations, shares_of(evaluations, scatter), strict=True):
        guessed = [name for name, assumed in zip(who.causes, who.assumed, strict=True) if assumed]
        text = f"on assumed values: {100 * who.assumed_share:.0f} % of u² was not stated ({', '.join(guessed[:3])})"
        out.append(replace(one, notes=(*one.notes, text)) if who.assumed_share > _MOSTLY else one)
    return out


def _gain(one: Evaluation, n: int) -> np.ndarray:
    """Change of what a tolerance judges with the deviation of each touch of the table."""
    gain = np.zeros(n)
    if not one.judges_touches and one.gradient is not None:
        gain[one.rows] = one.gradient
    else:
        gain[one.rows[int(np.argmax(np.abs(one.deviations)))]] = 1.0
    return gain


def _named(one: Evaluation) -> str:
    return one.name if not one.judges_touches and one.gradient is not None else f"{one.name}, the touch furthest off"


def _datum_features(study: Study) -> list[str]:
    """Features that the frame of a study rests on."""
    alignment = study.settings.get("alignment", {})
    named = list(alignment.get("features", []))
    for one in study.settings.get("datum", []):
        given = one.get("features", [])
        named += [given] if isinstance(given, str) else list(given)
    return list(dict.fromkeys(named))


def _judged_chords(study: Study, part: nominal.Nominal) -> list[float]:
    """Chord errors [mm] of the faces that tolerances name; of all faces where none is named."""
    errors = dict(zip(part.face_names, part.chord_errors, strict=True))
    named = {name for one in study.settings["tolerance"] for name in one.get("features", []) if name in errors}
    return [float(errors[name]) for name in (named or errors)]
