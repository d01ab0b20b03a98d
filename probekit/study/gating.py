"""The gate of a study: the plan that its results belong to, the probing moves, and what is found before a verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from .. import fit, geometry, plausibility, tolerance, touches
from ..columns import MEASURED, array
from ..errors import FitError, InputError, ProbekitError
from ..limits import tables_of
from ..making import blaming
from ..plan.probe import OVERTRAVEL, STANDOFF
from ..plausibility.check import before_fit, on_alignment
from ..plausibility.own_datums import on_own_datums
from ..plausibility.stated import on_decision, on_places, on_sizes, on_widths
from ..tolerance.meant import contradictions
from .about import another_part
from .aligning import datums_alone, datums_of, own_datums_of
from .asked import targets_made
from .machinery import kinematics_of, tool_length_of
from .model import Study, motion_of

if TYPE_CHECKING:
    import pandas as pd

    from .. import verdict
    from ..nominal import Nominal

__all__ = [
    "WRITTEN",
    "Gate",
    "gate_of",
    "set_up_stated",
    "targets_placed",
    "telling_missing",
    "with_robust",
]

_Made = TypeVar("_Made")

WRITTEN = Path("results", "plan.csv")  # where the plan of a study is written by default


def planned_of(study: Study, part: Nominal, measured: pd.DataFrame) -> tuple[pd.DataFrame | None, str]:
    """The targets that the results should hold, None if the study plans none; and why they cannot be made, or "".

    The file that ``[touches] plan`` names; else the tables ``[[plan]]``, or the plan that was written from them before,
    if it is the same (it knows what the probe does not reach) or if more of the results belong to that one.

    Raises
    ------
    InputError
        If the file that is named cannot be used.
    """
    named = study.settings["touches"].get("plan")
    if named is not None:
        return touches.read_plan(study.file(named)), ""
    tables = study.settings.get("plan")
    if not tables:
        return None, ""
    try:
        made = targets_made(study, part)
    except InputError as error:
        return None, str(error)
    written = study.file(str(WRITTEN))
    lacking, share = plausibility.planned.missing(measured, made)
    if (len(lacking) or share < 1) and written.is_file():
        other = touches.read_plan(written)
        same = plausibility.planned.missing(other, made)[0].size == 0
        if same or plausibility.planned.missing(measured, other)[1] > share:
            return other, ""
    return made, ""


def probing_of(study: Study, planned: pd.DataFrame | None) -> plausibility.Probing:
    """The probing moves: as the plan says, else ``[reach]``, else what the planner takes by default."""
    reach, defaults = study.settings.get("reach", {}), {"standoff": STANDOFF, "overtravel": OVERTRAVEL}
    lengths = {name: float(reach.get(name, default)) for name, default in defaults.items()}
    source = (
        "[reach] of the study" if {"standoff", "overtravel"} & set(reach) else "not stated, so the planner's default"
    )
    if planned is not None and {"standoff", "overtravel"} <= set(planned):
        own = {name: float(planned[name].max()) for name in lengths}
        if np.isfinite(list(own.values())).all():
            lengths, source = own, "the plan"
    return plausibility.Probing(**lengths, source=source)


def targets_placed(study: Study, measured: pd.DataFrame, part: Nominal) -> tuple[pd.DataFrame, list[str]]:
    """The results with targets in the part frame, where they came in the coordinates that ``[machine]`` places.

    Targets are in the part frame by rule; a results file may give them beside the measured positions in the same
    coordinates. They are moved if that, and only that, puts them on the model.
    """
    if not {"translation", "rotation"} & set(study.settings.get("machine", {})):
        return measured, []
    target = measured[["x0", "y0", "z0"]].to_numpy(dtype=float)
    back = geometry.invert_motion(motion_of(study, "machine"))
    moved = geometry.apply_motion(back, target)
    off = [np.nanmedian(np.abs(part.engine.feet(points).distance)) for points in (target, moved)]
    if not off[1] < 0.1 * off[0]:
        return measured, []
    out = measured.copy()
    out[["x0", "y0", "z0"]] = moved
    out[["i", "j", "k"]] = measured[["i", "j", "k"]].to_numpy(dtype=float) @ back[:3, :3].T
    out.attrs = dict(measured.attrs)
    return out, ["the targets of the results are in their own coordinates; they were placed as [machine] states"]


def set_up_stated(study: Study, measured: pd.DataFrame, alignment: fit.alignment.Alignment | None) -> list[str]:
    """How far the part sat from where ``[machine]`` places it, which the alignment takes up."""
    if alignment is None or not {"translation", "rotation"} & set(study.settings.get("machine", {})):
        return []
    point = array(measured, MEASURED)
    point = point[np.isfinite(point).all(axis=1)]
    off = np.linalg.norm(alignment.apply(point) - point, axis=1)
    turn = float(np.linalg.norm(alignment.rotation_deg))
    return [
        f"the part sits up to {off.max():.3f} mm, at the median touch {np.median(off):.3f} mm, from where [machine] "
        f"places it (turned by {turn:.3f} deg), and the alignment takes that up: if translation and rotation were "
        "measured, look why they differ"
    ]


@dataclass(frozen=True, eq=False)
class Gate:
    """What a study knows to test its results by.

    Attributes
    ----------
    study : Study
    part : Nominal
    plan : DataFrame or None
    fault : str
        Why the plan of the study cannot be made; empty if it can.
    probing : Probing
    stylus : Stylus or None
    u : float or None
        Standard uncertainty of a deviation as stated [mm]; None if none is.
    """

    study: Study
    part: Nominal
    plan: pd.DataFrame | None
    fault: str
    probing: plausibility.Probing
    stylus: touches.Stylus | None
    u: float | None

    def before(self, measured: pd.DataFrame) -> tuple[plausibility.finding.Finding, ...]:
        """Findings that need no alignment.

        Raises
        ------
        Refused
            If one is a stop that the study does not accept.
        """
        allowance = self.study.settings.get("deviation", {}).get("allowance", 0.0)
        options = {"plan": self.plan, "stylus": self.stylus, "probing": self.probing, "u": self.u}
        found = before_fit(measured, self.part, allowance=allowance, **options)
        if "plan" in self.study.settings["touches"]:
            found = tuple(_of_named_plan(one) for one in found)
        found += tuple(another_part(self.study, measured))
        if self.fault:
            found += (plausibility.planned.unplanned(self.fault),)
        return _refused(self._accepted(found), measured)

    def completed(self, measured: pd.DataFrame) -> pd.DataFrame:
        """The results with what was planned and is not there, missed; with the plan's numbers where theirs differ."""
        if self.plan is None:
            return measured
        return plausibility.planned.with_missed(plausibility.planned.with_numbers(measured, self.plan), self.plan)

    def residuals(
        self, aligned: pd.DataFrame, alignment: fit.alignment.Alignment | None
    ) -> plausibility.residuals.Residuals | None:
        """Of the touches that the alignment rests on; None without one."""
        if alignment is None:
            return None
        form = self.study.settings.get("gate", {}).get("form", 0.0)
        alone = datums_alone(self.study)
        return plausibility.datum_residuals(aligned, alignment, self.part, u=self.u, form=form, alone=alone)

    def after(
        self,
        measured: pd.DataFrame,
        aligned: pd.DataFrame,
        alignment: fit.alignment.Alignment | None,
        residuals: plausibility.residuals.Residuals | None,
        refused: str = "",
    ) -> tuple[plausibility.finding.Finding, ...]:
        """Findings on the alignment and on what was not stated; raises as `before` does.

        `refused`: why there is no alignment, though the study asks for one.
        """
        stylus = self.study.settings.get("stylus", {})
        found = on_alignment(
            measured,
            self.part,
            aligned=aligned,
            alignment=alignment,
            residuals=residuals,
            stylus=self.stylus,
            qualified=bool({"effective_radius", "qualification"} & set(stylus)),
            probing=self.probing,
            u=self.u,
            kinematics=kinematics_of(self.study),
            length=tool_length_of(self.study),
            counted="budget" in self.study.settings,
            refused=refused,
        )
        found += tuple(self._on_stated(aligned))
        found += tuple(self._on_own_datums(aligned, alignment))
        return _refused(self._accepted(found), measured)

    def _on_own_datums(
        self, aligned: pd.DataFrame, alignment: fit.alignment.Alignment | None
    ) -> list[plausibility.finding.Finding]:
        """Touches of datum features that only the frames of tolerances use."""
        form = self.study.settings.get("gate", {}).get("form", 0.0)
        used = () if alignment is None else np.asarray(alignment.used).tolist()
        return on_own_datums(aligned, self.part, own_datums_of(self.study), used, u=self.u, form=form)

    def _on_stated(self, aligned: pd.DataFrame) -> list[plausibility.finding.Finding]:
        """What is stated though it can hardly be meant."""
        settings = self.study.settings
        tables = tables_of({"tolerance": settings["tolerance"]})
        widths = [
            (one.get("name", where), one["width"], one.get("kind", "profile") == "profile" and "outside" not in one)
            for where, _, one in tables
            if "width" in one
        ]
        found = on_widths(widths, diagonal=self.part.diagonal, probing=self.probing, u=self.u)
        found += on_sizes(_sizes(settings), aligned)
        found += on_places(_places(self.study, aligned, self.part))
        decision = settings.get("decision", {})
        if decision.get("rule") != "simple" and self.u:
            found += on_decision(r=decision.get("r", 1.0), k=settings.get("uncertainty", {}).get("k", 2.0))
        return found

    def _accepted(self, findings: tuple[plausibility.finding.Finding, ...]) -> tuple[plausibility.finding.Finding, ...]:
        gate = self.study.settings.get("gate", {})
        with blaming(self.study.path, "gate"):
            return plausibility.finding.accepted(findings, gate.get("accept", ()), gate.get("reason", ""))


def _sizes(settings: dict[str, Any]) -> list[tuple[str, tuple[str, ...], tuple[float, float]]]:
    """Name, features and limits of what has limits of size; of a pattern, or of each feature, one by one."""
    found = []
    for _, _, one in tables_of({"tolerance": settings["tolerance"]}):
        if "limits" not in one:
            continue
        named = one.get("features", [])
        named = [named] if isinstance(named, str) else named
        alone = one.get("each") or one.get("pattern")
        for features in [(name,) for name in named] if alone else [tuple(named)]:
            name = one.get("name", one.get("kind", "profile"))
            found.append((f"{name}, {features[0]}" if one.get("each") else name, features, tuple(one["limits"])))
    return found


def _places(
    study: Study, aligned: pd.DataFrame, part: Nominal
) -> list[tuple[str, str, str, tuple[float, ...], tuple[float, ...], float]]:
    """Basic dimensions that the nominal contradicts, as `on_places` takes them."""
    datums, chords = datums_of(study), dict(zip(part.face_names, part.chord_errors.tolist(), strict=True))
    read = [
        one
        for where, _, table in tables_of({"tolerance": study.settings["tolerance"]})
        for one in tolerance.read_tolerance(table, file=study.path, where=where)
    ]
    off = [two for one in read for each in _segments(one) for two in contradictions(each, aligned, datums, chords)]
    return [(one.name, one.feature, one.key, one.stated, one.nominal, one.off) for one in off]


def _segments(one: tolerance.spec.Tolerance | tolerance.Composite) -> tuple[tolerance.spec.Tolerance, ...]:
    """The segments of a composite tolerance, the lower one with the shifts that it leaves free; any other by itself."""
    if not isinstance(one, tolerance.Composite):
        return (one,)
    lower = one.relating
    return one.locating, replace(lower, free=tuple(dict.fromkeys([*lower.free, "tx", "ty", "tz"])))


def _of_named_plan(one: plausibility.finding.Finding) -> plausibility.finding.Finding:
    """A plan that the study names by its file is meant to be that of the results."""
    if one.name != "another plan" or one.level != "note":
        return one
    cause = "the plan of another study or of another version, or one that was edited after the run"
    return replace(one, level="look", cause=cause, todo="Name in [touches] plan the plan that was run")


def gate_of(
    study: Study, part: Nominal, measured: pd.DataFrame, stylus: touches.Stylus | None, u: float | None
) -> Gate:
    """The gate of a study for some results.

    Raises
    ------
    InputError
        If the plan cannot be used.
    """
    planned, fault = planned_of(study, part, measured)
    return Gate(study, part, planned, fault, probing_of(study, planned), stylus, u)


def _refused(
    findings: tuple[plausibility.finding.Finding, ...], measured: pd.DataFrame
) -> tuple[plausibility.finding.Finding, ...]:
    plausibility.finding.refuse(findings, file=measured.attrs.get("source"))
    return findings


def telling_missing(findings: tuple[plausibility.finding.Finding, ...], make: Callable[[], _Made]) -> _Made:
    """What `make` makes; if the touches do not carry it, the error names those planned that are not in the results."""
    try:
        return make()
    except ProbekitError as error:
        for one in findings:
            if one.name == "missing touches":
                error.add_note(f"{one.sentence[:1].upper()}{one.sentence[1:]}.")
        raise


def with_robust(
    study: Study,
    findings: tuple[plausibility.finding.Finding, ...],
    otherwise: Callable[[str], tuple[fit.alignment.Alignment, verdict.results.Verdict]],
) -> tuple[tuple[plausibility.finding.Finding, ...], verdict.results.Verdict | None]:
    """The findings; where the datum touches do not agree, with what a robust fit would give, and its verdict.

    The verdict only where a few bad touches are all that puts the place of the part in doubt: else a robust fit may be
    as wrong as the other.

    Parameters
    ----------
    study : Study
    findings : tuple of Finding
    otherwise : callable
        Alignment and verdict by another method of fit; of a datum frame, by a fit of its datum features.
    """
    wanted = study.settings.get("alignment", {})
    bad = [one for one in findings if one.level == "look" and one.name == "datum residuals"]
    doubted = any(one.touches or one.excess > 1 for one in bad)  # a robust fit is no better where features lie off
    if not doubted or wanted.get("method", "least_squares") in ("huber", "tukey"):
        return findings, None
    found = None
    try:
        alignment, found = otherwise("tukey")
        said = _robust(alignment, found)
    except (FitError, InputError):
        said = "A robust fit for comparison did not converge"
    few = all(one.name == "datum residuals" and one.touches and one.excess == 1 for one in findings if one.doubts_place)
    told = tuple(
        replace(one, todo=f"{one.todo}. {said}") if one.level == "look" and one.name == "datum residuals" else one
        for one in findings
    )
    return told, _without(found, findings) if found is not None and few else None


def _without(
    found: verdict.results.Verdict, findings: tuple[plausibility.finding.Finding, ...]
) -> verdict.results.Verdict:
    """The verdict, in which the bad datum touches themselves decide nothing: they may lie on a chip."""
    bad = {str(one) for finding in findings if finding.doubts_place for one in finding.touches}
    words = found.table["verdict"].where(~found.table["touch"].map(str).isin(bad), "undecided")
    return replace(found, table=found.table.assign(verdict=words))


def _robust(alignment: fit.alignment.Alignment, found: verdict.results.Verdict) -> str:
    counts = found.table["verdict"].value_counts()
    said = ", ".join(f"{counts[word]} {word}" for word in ("high", "low", "undecided", "missed") if counts.get(word))
    shift = ", ".join(f"{v:+z.4f}" for v in alignment.translation)
    turn = ", ".join(f"{v:+z.4f}" for v in alignment.rotation_deg)
    return (
        f"A robust fit for comparison (Tukey), which a few bad touches do not affect, gives ({shift}) mm and "
        f"({turn}) deg; with "
        f"it, the verdict would be: {found.part}, {said or 'all touches within'}"
    )
