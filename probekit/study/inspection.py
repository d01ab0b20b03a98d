"""The main job: touches judged against the nominal, as a study file says."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from .. import (
    action,
    deviation,
    fit,
    nominal,
    plausibility,
    scene,
    touches,
    uncertainty,
    verdict,
)
from ..action.suggest import Action
from ..errors import ProbekitWarning
from ..scene.build import with_residuals
from ..scene.states import with_states
from ..show import shown
from ..uncertainty import Budget, Scatter
from ..uncertainty.shares import Shares
from .about import Known, about_of
from .aligning import align, attempt, by_fit, unplaced
from .artefact import applied, learned, with_learned
from .between import Between, between, drawn_between
from .deciding import accepted_flags, decision_of, looks_of
from .doubt import budget_of, corrected, resting_on_form, saying_what_is_assumed, scatter_of, shares_of, typical_u
from .evaluating import evaluate
from .gating import gate_of, set_up_stated, targets_placed, telling_missing, with_robust
from .leaving_out import influence
from .looking_again import all_touches_of, first_look
from .machinery import cutters_of
from .model import Models, Study, nominal_of, runnable
from .provenance import facet_notes, provenance_of, qualification_notes, stamp_of
from .readings import qualified_of, stylus_of

if TYPE_CHECKING:
    import pandas as pd

    from ..field.artefact import Artefact
    from ..verdict.influence import Influence

__all__ = ["Inspection", "run"]

Progress = Callable[[str, float], None]


@shown
@dataclass(frozen=True, eq=False)
class Inspection:
    """Everything that the run of a study found, step by step.

    Attributes
    ----------
    part : Nominal
    measured : DataFrame
        The touches as read; corrected for temperature and drift where the study says so, and then a note does.
    deviations : DataFrame
        Deviations as clamped, before any alignment.
    alignment : Alignment or None
    verdict : Verdict
        Its table holds the deviations after the alignment.
    action : Action
    scene : Scene
    notes : tuple of str
        What was noticed on the way: warnings and repairs.
    provenance : tuple of (str, str)
        Files with checksums, versions, settings.
    findings : tuple of Finding
        What the gate before the verdict found: looks, notes, and what the study accepts.
    residuals : Residuals or None
        Of the touches that the alignment rests on.
    influence : Influence or None
        What set-up and verdict would be without each of them.
    about : mapping
        Who, what, when: each of `probekit.study.about.ABOUT`, None where nothing is known.
    stamp : str
        Study and touches, by the first characters of their checksums.
    budget : Budget or None
        What makes the touches uncertain, if the study states it in ``[budget]``.
    scatter : Scatter or None
        How uncertain each touch is by it, and what it shares with the others.
    shares : tuple of Shares
        Who matters for each tolerance by it.
    surfaces : tuple of Between
        What may be said between the touches, if the study asks for it in ``[surface]``.
    artefact : Artefact or None
        What touches in several poses tell of the machine, if the study names them in ``[artefact]``.
    """

    part: nominal.Nominal
    measured: pd.DataFrame
    deviations: pd.DataFrame
    alignment: fit.alignment.Alignment | None
    verdict: verdict.results.Verdict
    action: Action
    scene: scene.model.Scene
    notes: tuple[str, ...]
    provenance: tuple[tuple[str, str], ...]
    findings: tuple[plausibility.finding.Finding, ...] = ()
    residuals: plausibility.residuals.Residuals | None = None
    influence: Influence | None = None
    about: Known = field(default_factory=dict)
    stamp: str = ""
    budget: Budget | None = None
    scatter: Scatter | None = None
    shares: tuple[Shares, ...] = ()
    surfaces: tuple[Between, ...] = ()
    artefact: Artefact | None = None

    @property
    def sentence(self) -> str:
        """The verdict, after what alignment, in one line."""
        aligned = "" if self.alignment is None else f"; aligned by {self.alignment.sentence}"
        return f"{self.part.name}: {self.verdict.sentence}{aligned}"

    def _repr_html_(self) -> str:
        alignment = self.alignment._repr_html_() if self.alignment is not None else ""
        return self.verdict._repr_html_() + alignment + self.action._repr_html_()


def run(
    study: Study,
    *,
    progress: Progress | None = None,
    earlier: verdict.results.Verdict | None = None,
    models: Models | None = None,
) -> Inspection:
    """Do the whole job: load, project, align, evaluate, judge, suggest.

    Parameters
    ----------
    study : Study
    progress : callable, optional
        Told the name of each step as it begins, and the part of the job done so far (0 to 1).
    earlier : Verdict, optional
        Of the first look, where ``[touches] again`` names the touches of the second; by default that look is judged
        first.
    models : mapping, optional
        Models that runs before this one have loaded, see `model.nominal_of`; this one is added.

    Returns
    -------
    Inspection

    Raises
    ------
    InputError, FitError
        From the step that could not go on.
    plausibility.Refused
        If something in the results cannot be, so that a verdict would answer a wrong question.
    """
    tell = progress or (lambda _step, _done: None)
    if earlier is None and (first := first_look(study)) is not None:
        earlier = run(first, progress=progress, models=models).verdict
    study, notes = runnable(study, lambda step, done: tell(f"loading the nominal: {step}", 0.2 * done))
    settings = study.settings
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ProbekitWarning)
        tell("loading the nominal", 0.0)
        part = nominal_of(study, lambda step, done: tell(f"loading the nominal: {step}", 0.2 * done), models)
        tell("reading the touches", 0.2)
        qualified = qualified_of(study)
        measured, repeated = all_touches_of(study, part)
        measured, said = targets_placed(study, measured, part)
        about, contradicted = about_of(study, measured)
        measured.attrs |= {name: value for name, value in about.items() if value is not None}
        notes += repeated + said + contradicted + touches.check(measured, diagonal=part.diagonal, aim=False)
        notes += qualification_notes(qualified, measured)
        known = stylus_of(study, qualified)
        budget = budget_of(study, part, qualified)
        gate = gate_of(study, part, measured, known, typical_u(study, budget))
        findings = gate.before(measured)
        measured, budget, drift, said = corrected(study, gate.completed(measured), budget, known)
        notes += said
        tell("projecting", 0.3)
        choices = dict(settings.get("deviation", {}))
        stylus = known if measured.attrs.get("recorded") == "centre" else None
        how = deviation.Projection(part, stylus, **choices)
        artefact = learned(study, part, how, budget)
        measured, said = applied(study, measured, artefact)
        notes += said
        deviations = how.project(measured)
        fitted_scatter = with_learned(study, scatter_of(study, deviations, budget, drift), deviations, artefact)
        scatter = None if fitted_scatter is None else fitted_scatter.less(uncertainty.common.FORM)
        tell("aligning", 0.5)
        alignment, aligned, resting, unplaced_by = None, deviations, (), ""
        u, rule = decision_of(settings, study.path, told="u" in measured or scatter is not None)
        fitted = deviations if fitted_scatter is None else deviations.assign(u=fitted_scatter.own)
        if "alignment" in settings:
            made, unplaced_by = attempt(study, fitted, how, u, partial(telling_missing, findings))
            if made is not None:
                alignment, said, resting = made
                alignment = (
                    alignment if fitted_scatter is None else fit.alignment.with_shared(alignment, fitted_scatter)
                )
                notes += said + resting_on_form(budget, said)
                aligned = how.project(alignment.apply(measured))
        notes += set_up_stated(study, measured, alignment)
        tell("judging", 0.6)

        def judge(
            other: fit.alignment.Alignment | None,
            moved: pd.DataFrame,
            looks: Iterable[str] = (),
            *,
            placed: bool = True,
        ) -> verdict.results.Verdict:
            alone = moved if fitted_scatter is None else moved.assign(u=fitted_scatter.own)
            whole = moved if scatter is None else moved.assign(u=scatter.u)
            evaluations = unplaced(evaluate(study, alone, how, u), unplaced_by)
            options: dict[str, Any] = {"rule": rule, "u": u, "scatter": scatter, "alignment": other, "earlier": earlier}
            options["accept_flags"] = accepted_flags(settings, findings)
            found = verdict.classify(whole, *evaluations, looks=looks, placed=placed, **options)
            return saying_what_is_assumed(found, fitted_scatter)

        def otherwise(method: str) -> tuple[fit.alignment.Alignment, verdict.results.Verdict]:
            other = align(by_fit(study, method), fitted, how, u)[0]
            return other, judge(other, how.project(other.apply(measured)))

        residuals = gate.residuals(aligned, alignment)
        findings += gate.after(measured, aligned, alignment, residuals, unplaced_by)
        findings = with_robust(study, findings, otherwise)
        aligned = plausibility.lone.flagged(aligned, findings)
        placed = bool(unplaced_by) or not any(one.doubts_place for one in findings)
        judged = judge(alignment, aligned, looks_of(findings), placed=placed)
        left_out = influence(judged, fitted, alignment, resting, lambda table: align(study, table, how, u)[0])
        next_step = _action(judged, part, alignment, findings, scatter, cutters_of(study))
        asked = settings.get("surface")
        surfaces = () if asked is None else between(asked, part, judged, scatter, study.path.parent)
        tell("building the view", 0.8)
        drawn = with_residuals(scene.build(part, judged, title=part.name), residuals, left_out)
        drawn = drawn_between(drawn, surfaces)
        drawn = with_states(drawn, judged, part, alignment)
    notes += [one.sentence for one in findings if one.level == "note"] + facet_notes(part, judged.evaluations)
    notes += [f"nominal: {note}" for note in part.notes]
    notes += [] if budget is None or scatter is None else [budget.sentence, *scatter.notes]
    notes += [str(w.message) for w in caught if issubclass(w.category, ProbekitWarning)]
    _pass_on(caught)
    tell("done", 1.0)
    return Inspection(
        part,
        measured,
        deviations,
        alignment,
        judged,
        next_step,
        drawn,
        tuple(dict.fromkeys(notes)),
        provenance_of(study, part, measured, qualified, rule, u, budget),
        findings,
        residuals,
        left_out,
        about,
        stamp_of(study, measured),
        budget,
        scatter,
        () if fitted_scatter is None else shares_of(judged, fitted_scatter),
        surfaces,
        artefact,
    )


def _action(
    judged: verdict.results.Verdict,
    part: nominal.Nominal,
    alignment: fit.alignment.Alignment | None,
    findings: tuple[plausibility.finding.Finding, ...],
    scatter: Scatter | None,
    cutters: tuple[action.Cutter, ...],
) -> Action:
    """What next: to look, first; and nothing else where the place of the part is in doubt."""
    wanted = action.suggest(judged, part, alignment=alignment, scatter=scatter, cutters=cutters)
    first = tuple(f"Look first: {text}" for text in looks_of(findings))
    if judged.unjudged:
        names = ", ".join(one.name for one in judged.unjudged)
        first += (f"Not judged: {names}. Touch what is lacking, as the reasons say, and inspect again.",)
    if any(one.doubts_place for one in findings):
        held = (
            "No correction is suggested before that, because every deviation depends on the assumed position of "
            "the part."
        )
        none = None if wanted.candidates is None else wanted.candidates.iloc[:0]
        return replace(wanted, suggestions=(*first, held), candidates=none, promises=(), recut=None)
    return replace(wanted, suggestions=(*first, *wanted.suggestions))


def _pass_on(caught: list[warnings.WarningMessage]) -> None:
    """Issue again what was caught, so that a caller sees it, too."""
    for one in caught:
        warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
