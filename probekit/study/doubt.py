"""How sure the touches of a study are: its budget, the corrections that it asks for, and what touches share."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import nominal, uncertainty
from ..columns import REPEATS, words
from ..limits import tables_of
from ..tolerance.propagation import FRAME, OWN
from ..touches import Stylus
from ..uncertainty.budget import Budget
from ..uncertainty.causes import RANGE_OF_25
from ..uncertainty.drift import Drift
from ..uncertainty.shares import Shares
from ..verdict.rules import narrow
from .model import Study
from .readings import Qualified

if TYPE_CHECKING:
    import pandas as pd

    from ..verdict.results import Verdict

__all__ = [
    "budget_of",
    "corrected",
    "narrow_zones",
    "resting_on_form",
    "saying_what_is_assumed",
    "scatter_of",
    "shares_of",
    "typical_u",
]

_MOSTLY = 0.5  # of u^2: more than this assumed, and the verdict rests on assumed values
_NOTHING = 1e-9  # of u^2: less is none


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
    found = uncertainty.touches(deviations, budget, datums=named, drift=drift)
    return found.repeated(deviations[REPEATS].to_numpy(dtype=float)) if REPEATS in deviations else found


def narrow_zones(study: Study, part: nominal.Nominal) -> list[str]:
    """Tolerances whose zones are narrower than 4 u by the budget of the study, before anything is touched."""
    budget = budget_of(study, part, None)
    if budget is None or study.settings.get("decision", {}).get("rule", "proved") != "proved":
        return []
    tables = tables_of({"tolerance": study.settings["tolerance"]})
    said = [(one.get("name", where), narrow(one["width"], budget.each)) for where, _, one in tables if "width" in one]
    return [f"tolerance '{name}': {text}" for name, text in said if text]


def resting_on_form(budget: Budget | None, notes: list[str]) -> list[str]:
    """What a datum that its touches fix exactly rests on: the form that the budget grants it."""
    if budget is None or not any("zero by construction" in note for note in notes):
        return []
    row = next(one for one in budget.rows if one.key == "form_um")
    said = "assumed" if row.assumed else f"stated: {row.source}"
    return [
        f"a datum that its touches fix exactly is as sure as the budget says only if it is true to form within "
        f"{row.value:g} um ({said}, form_um)"
    ]


def shares_of(judged: Verdict, scatter: uncertainty.Scatter) -> tuple[Shares, ...]:
    """Who matters for each tolerance: for the touches that rule it, in the frame that it is judged in.

    `scatter` is that of `scatter_of`, with the form that a fit does not see.
    """
    return tuple(_who(row, scatter) for row in judged.tolerances.itertuples() if np.isfinite(row.u))


def saying_what_is_assumed(judged: Verdict, scatter: uncertainty.Scatter | None) -> Verdict:
    """The verdict; tolerances that rest mostly on assumed values say so in their notes."""
    if scatter is None:
        return judged
    notes = []
    for row in judged.tolerances.itertuples():
        if not np.isfinite(row.u):
            notes.append(row.notes)
            continue
        who = _who(row, scatter)
        guessed = [name for name, assumed in zip(who.causes, who.assumed, strict=True) if assumed]
        text = f"on assumed values: {100 * who.assumed_share:z.0f} % of u² was not stated ({', '.join(guessed[:3])})"
        notes.append((*row.notes, text) if who.assumed_share > _MOSTLY else row.notes)
    return replace(judged, tolerances=judged.tolerances.assign(notes=notes))


def _who(row: Any, scatter: uncertainty.Scatter) -> Shares:
    """The causes of one tolerance; what the touches' own scatter does through the frame is told by its own causes."""
    own = {name: float((part**2).mean()) for name, part in (scatter.own_causes or {}).items()}
    whole, shares = sum(own.values()), dict(row.shares)
    mixed = sum(shares.pop(name, 0.0) for name in (FRAME, OWN)) if whole > 0 else 0.0
    for name, square in own.items():
        shares[name] = shares.get(name, 0.0) + mixed * square / max(whole, 1e-300)
    order = sorted((name for name in shares if shares[name] > _NOTHING), key=lambda name: -shares[name])
    parts = row.u * np.sqrt(np.array([shares[name] for name in order]))
    return Shares(row.name, tuple(order), parts, tuple(name in scatter.assumed for name in order))


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
