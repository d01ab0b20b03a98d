"""The main job: touches judged against the nominal, as a study file says."""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from .. import action, cache, fit, nominal, plausibility, scene, verdict
from ..action.suggest import Action
from ..errors import ProbekitWarning
from ..scene.build import with_residuals
from ..scene.states import with_states
from ..show import shown
from ..uncertainty import Budget, Scatter
from ..uncertainty.shares import Shares
from .about import Known
from .aligning import align, by_fit
from .between import Between, between, drawn_between
from .deciding import looks_of
from .doubt import shares_of
from .gating import with_robust
from .leaving_out import influence
from .looking_again import first_look
from .machinery import cutters_of
from .model import Models, Study, runnable
from .provenance import facet_notes, provenance_of, stamp_of
from .sectioning import sectioned, sections_of
from .stages import Judge, Placed, Progress, Projected, placed, projected, taken

if TYPE_CHECKING:
    import pandas as pd

    from ..field.artefact import Artefact
    from ..verdict.influence import Influence

__all__ = ["Inspection", "run"]


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
    plausibility.finding.Refused
        If something in the results cannot be, so that a verdict would answer a wrong question.
    """
    tell = progress or (lambda _step, _done: None)
    if earlier is None and (first := first_look(study)) is not None:
        earlier = run(first, progress=progress, models=models).verdict
    study, notes = runnable(study, lambda step, done: tell(f"loading the nominal: {step}", 0.2 * done))
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ProbekitWarning)
        given = taken(study, tell, models)
        lines = sections_of(study, given.part)
        tell("projecting", 0.3)
        found = projected(study, given)
        tell("aligning", 0.5)
        where = placed(study, given, found)
        tell("judging", 0.6)
        judge, gate = Judge(study, found, where.why_not, earlier), given.gate
        residuals = gate.residuals(where.deviations, where.alignment)
        findings = given.findings
        findings += gate.after(found.measured, where.deviations, where.alignment, residuals, where.why_not)
        gated = findings
        findings, otherwise = with_robust(study, gated, lambda method: judge.by(by_fit(study, method), gated))
        sure = bool(where.why_not) or not any(one.doubts_place for one in findings)
        sized = not any(one.doubts_ball for one in findings)
        excess = max((one.excess for one in findings if one.level == "look"), default=1.0)
        aligned = plausibility.lone.flagged(where.deviations, findings)
        unmeant = {name for one in findings for name in one.doubts_question}
        misled = {name for one in findings for name in one.doubts_frame}
        said = {"looks": looks_of(findings), "placed": sure, "sized": sized, "excess": excess}
        said |= {"unmeant": unmeant, "misled": misled}
        judged = judge(where.alignment, aligned, findings, otherwise=otherwise, **said)
        left_out = _influence(study, judged, found, where)
        next_step = _action(judged, given.part, where.alignment, findings, found.scatter, cutters_of(study))
        asked = study.settings.get("surface")
        surfaces = () if asked is None else between(asked, given.part, judged, found.scatter, study.path.parent)
        tell("building the view", 0.8)
        drawn = scene.build(given.part, judged, title=given.part.name, cache=cache.folder())
        drawn = with_residuals(drawn, residuals, left_out)
        drawn = with_states(drawn_between(drawn, surfaces), judged, given.part, where.alignment)
        drawn = sectioned(drawn, lines, given.part)
    notes += [*given.notes, *found.notes, *where.notes]
    notes += [one.sentence for one in findings if one.level == "note"] + facet_notes(given.part, judged.evaluations)
    notes += [f"nominal: {note}" for note in given.part.notes]
    notes += [] if given.budget is None or found.scatter is None else [given.budget.sentence, *found.scatter.notes]
    notes += [str(w.message) for w in caught if issubclass(w.category, ProbekitWarning)]
    _pass_on(caught)
    tell("done", 1.0)
    return Inspection(
        part=given.part,
        measured=found.measured,
        deviations=found.deviations,
        alignment=where.alignment,
        verdict=judged,
        action=next_step,
        scene=drawn,
        notes=tuple(dict.fromkeys(notes)),
        provenance=provenance_of(study, given.part, found.measured, given.qualified, found.rule, found.u, given.budget),
        findings=findings,
        residuals=residuals,
        influence=left_out,
        about=given.about,
        stamp=stamp_of(study, found.measured),
        budget=given.budget,
        scatter=found.scatter,
        shares=() if found.scatter_in_fits is None else shares_of(judged, found.scatter_in_fits),
        surfaces=surfaces,
        artefact=found.artefact,
    )


def _influence(study: Study, judged: verdict.results.Verdict, found: Projected, where: Placed) -> Influence | None:
    """What set-up and verdict would be without each touch that the alignment rests on."""
    return influence(
        judged,
        found.for_fits(found.deviations),
        where.alignment,
        where.resting,
        lambda table: align(study, table, found.how, found.u)[0],
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
