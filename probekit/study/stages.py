"""The stages of the main job up to its verdict: results taken in, projected, placed, judged; each hands on by name."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from .. import deviation, fit, touches, uncertainty, verdict
from ..touches.check import check as check_touches
from ..uncertainty import Budget, Scatter
from .about import Known, about_of
from .aligning import align, attempt, unplaced
from .artefact import applied, learned, with_learned
from .deciding import accepted_flags, decision_of
from .doubt import budget_of, corrected, resting_on_form, saying_what_is_assumed, scatter_of, typical_u
from .evaluating import evaluate
from .gating import Gate, gate_of, set_up_stated, targets_placed, telling_missing
from .looking_again import all_touches_of
from .model import Models, Study, nominal_of
from .provenance import qualification_notes
from .readings import Qualified, qualified_of, stylus_of

if TYPE_CHECKING:
    import pandas as pd

    from ..field.artefact import Artefact
    from ..nominal import Nominal
    from ..plausibility.finding import Finding
    from ..uncertainty.drift import Drift

__all__ = ["Judge", "Placed", "Progress", "Projected", "Taken", "placed", "projected", "taken"]

Progress = Callable[[str, float], None]


@dataclass(frozen=True, eq=False)
class Taken:
    """Model and results as they go into the job: read, tested for what cannot be, corrected.

    Attributes
    ----------
    part : Nominal
    measured : DataFrame
        With what was planned and is not there as missed touches.
    about : mapping
        Who, what, when.
    qualified : Qualified or None
    stylus : Stylus or None
    budget : Budget or None
    drift : Drift or None
        What the touches are corrected for.
    gate : Gate
    findings : tuple of Finding
        Of the gate, before any alignment.
    notes : list of str
    """

    part: Nominal
    measured: pd.DataFrame
    about: Known
    qualified: Qualified | None
    stylus: touches.Stylus | None
    budget: Budget | None
    drift: Drift | None
    gate: Gate
    findings: tuple[Finding, ...]
    notes: list[str]


def taken(study: Study, tell: Progress, models: Models | None) -> Taken:
    """Read model and results; `tell` and `models` are those of `probekit.study.run`.

    Raises
    ------
    InputError, plausibility.finding.Refused
    """
    tell("loading the nominal", 0.0)
    part = nominal_of(study, lambda step, done: tell(f"loading the nominal: {step}", 0.2 * done), models)
    tell("reading the touches", 0.2)
    qualified = qualified_of(study)
    measured, notes = all_touches_of(study, part)
    measured, said = targets_placed(study, measured, part)
    about, contradicted = about_of(study, measured)
    measured.attrs |= {name: value for name, value in about.items() if value is not None}
    notes = [*notes, *said, *contradicted, *check_touches(measured, diagonal=part.diagonal, aim=False)]
    notes += qualification_notes(qualified, measured)
    stylus = stylus_of(study, qualified)
    budget = budget_of(study, part, qualified)
    gate = gate_of(study, part, measured, stylus, typical_u(study, budget))
    findings = gate.before(measured)
    measured, budget, drift, said = corrected(study, gate.completed(measured), budget, stylus)
    return Taken(part, measured, about, qualified, stylus, budget, drift, gate, findings, notes + said)


@dataclass(frozen=True, eq=False)
class Projected:
    """The touches on the model as clamped, and how sure each of them is.

    Attributes
    ----------
    how : Projection
    measured : DataFrame
        Corrected, too, for what touches in several poses tell of the machine, if the study wants that.
    deviations : DataFrame
    artefact : Artefact or None
    scatter_in_fits : Scatter or None
        Of the touches in a fit, with the form that a fit to few of them does not see; None without a budget.
    scatter : Scatter or None
        Of each touch for itself, without that form.
    u : float
        Standard uncertainty of a touch that has none of its own [mm].
    rule : Rule
    notes : list of str
    """

    how: deviation.Projection
    measured: pd.DataFrame
    deviations: pd.DataFrame
    artefact: Artefact | None
    scatter_in_fits: Scatter | None
    scatter: Scatter | None
    u: float
    rule: verdict.rules.Rule
    notes: list[str]

    def for_fits(self, deviations: pd.DataFrame) -> pd.DataFrame:
        """A table of deviations with the touches' own share of the uncertainty, which a fit weighs."""
        return deviations if self.scatter_in_fits is None else deviations.assign(u=self.scatter_in_fits.own)

    def for_verdicts(self, deviations: pd.DataFrame) -> pd.DataFrame:
        """A table of deviations with the whole uncertainty of each touch."""
        return deviations if self.scatter is None else deviations.assign(u=self.scatter.u)


def projected(study: Study, given: Taken) -> Projected:
    """Deviations of the results from the model, as clamped.

    Raises
    ------
    InputError
    """
    stylus = given.stylus if given.measured.attrs.get("recorded") == "centre" else None
    how = deviation.Projection(given.part, stylus, **study.settings.get("deviation", {}))
    artefact = learned(study, given.part, how, given.budget)
    measured, notes = applied(study, given.measured, artefact)
    found = how.project(measured)
    in_fits = with_learned(study, scatter_of(study, found, given.budget, given.drift), found, artefact)
    scatter = None if in_fits is None else in_fits.less(uncertainty.common.FORM)
    u, rule = decision_of(study.settings, study.path, told="u" in measured or scatter is not None)
    return Projected(how, measured, found, artefact, in_fits, scatter, u, rule, notes)


@dataclass(frozen=True, eq=False)
class Placed:
    """The touches after the alignment.

    Attributes
    ----------
    alignment : Alignment or None
    deviations : DataFrame
        In its frame; as clamped where there is none.
    resting : tuple
        Ids of the touches that a datum frame rests on.
    why_not : str
        Why the touches do not carry the alignment that the study asks for; empty where they do.
    notes : list of str
    """

    alignment: fit.alignment.Alignment | None
    deviations: pd.DataFrame
    resting: tuple
    why_not: str
    notes: list[str]


def placed(study: Study, given: Taken, found: Projected) -> Placed:
    """Align the touches as the study asks.

    Raises
    ------
    InputError, FitError
        If the alignment cannot be made for a reason that is not one of the touches.
    """
    if "alignment" not in study.settings:
        return Placed(None, found.deviations, (), "", [])
    around = partial(telling_missing, given.findings)
    made, why_not = attempt(study, found.for_fits(found.deviations), found.how, found.u, around)
    if made is None:
        return Placed(None, found.deviations, (), why_not, [])
    alignment, said, resting = made
    if found.scatter_in_fits is not None:
        alignment = fit.alignment.with_shared(alignment, found.scatter_in_fits)
    notes = [*said, *resting_on_form(given.budget, said), *set_up_stated(study, found.measured, alignment)]
    return Placed(alignment, found.how.project(alignment.apply(found.measured)), resting, "", notes)


@dataclass(frozen=True, eq=False)
class Judge:
    """How a study judges deviations in a frame.

    Attributes
    ----------
    study : Study
    projected : Projected
    why_not : str
        Why there is no alignment: what rests on it is not judged then.
    earlier : Verdict or None
        Of the first look.
    """

    study: Study
    projected: Projected
    why_not: str
    earlier: verdict.results.Verdict | None

    def __call__(
        self,
        alignment: fit.alignment.Alignment | None,
        deviations: pd.DataFrame,
        findings: tuple[Finding, ...],
        *,
        looks: Iterable[str] = (),
        placed: bool = True,
        sized: bool = True,
        unmeant: Collection[str] = (),
        misled: Collection[str] = (),
        excess: float = 1.0,
        otherwise: verdict.results.Verdict | None = None,
    ) -> verdict.results.Verdict:
        """The verdict on deviations after an alignment; the rest is that of `verdict.classify`.

        `findings`: those of the gate; what the study accepts of them leaves no touch undecided.
        """
        given = self.projected
        evaluations = evaluate(self.study, given.for_fits(deviations), given.how, given.u)
        found = verdict.classify(
            given.for_verdicts(deviations),
            *unplaced(evaluations, self.why_not),
            rule=given.rule,
            u=given.u,
            scatter=given.scatter,
            alignment=alignment,
            earlier=self.earlier,
            looks=looks,
            placed=placed,
            sized=sized,
            unmeant=unmeant,
            misled=misled,
            excess=excess,
            otherwise=otherwise,
            accept_flags=accepted_flags(self.study.settings, findings),
        )
        return saying_what_is_assumed(found, given.scatter_in_fits)

    def by(
        self, other: Study, findings: tuple[Finding, ...]
    ) -> tuple[fit.alignment.Alignment, verdict.results.Verdict]:
        """Alignment and verdict as `other` aligns, which is this study but for that."""
        given = self.projected
        alignment = align(other, given.for_fits(given.deviations), given.how, given.u)[0]
        return alignment, self(alignment, given.how.project(alignment.apply(given.measured)), findings)
