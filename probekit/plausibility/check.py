"""All findings on a run: before the alignment, and on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import MEASURED, array
from .aim import aimed, beside_target, far_from_target
from .ball import ball_in_set_up, ball_in_sizes, ball_radius
from .clamping import two_clampings
from .finding import Finding
from .lone import lone_touches
from .on_model import targets_on_model
from .planned import Probing, completeness
from .quiet import as_planned, no_scatter
from .repeated import made_again
from .residuals import Residuals, on_residuals
from .runs import mixed_runs, seconds_of
from .scale import one_scale
from .stated import on_allowance, on_digits
from .turning import by_pose

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..nominal import Nominal
    from ..plan.kinematics import Kinematics
    from ..touches import Stylus

__all__ = ["before_fit", "check", "on_alignment"]

_DEFAULT = Probing(3.0, 2.0, "not stated: what probekit.plan.reach takes by default")


def check(
    touches: pd.DataFrame,
    part: Nominal,
    *,
    aligned: pd.DataFrame,
    alignment: Alignment | None,
    residuals: Residuals | None = None,
    plan: pd.DataFrame | None = None,
    stylus: Stylus | None = None,
    qualified: bool = True,
    probing: Probing = _DEFAULT,
    allowance: float | Mapping[str, float] = 0.0,
    u: float | None = None,
    kinematics: Kinematics | None = None,
    length: float = 0.0,
) -> tuple[Finding, ...]:
    """All findings on a run.

    Many parameters: each check compares the touches with something else that is known of the run; what is left out is
    not compared.

    Parameters
    ----------
    touches : DataFrame
        As read, in the part frame.
    part : Nominal
    aligned : DataFrame
        Deviations table after the alignment; without one, as clamped.
    alignment : Alignment or None
    residuals : Residuals, optional
        From `datum_residuals`.
    plan : DataFrame, optional
        The targets that were planned.
    stylus : Stylus, optional
    qualified : bool
        Whether its effective radius comes from a qualification.
    probing : Probing
    allowance : float or mapping
        As in `probekit.deviation.project` [mm].
    u : float, optional
        Standard uncertainty of a deviation [mm]; None if none is stated.
    kinematics : Kinematics, optional
        Rotary axes as the control believes them to be: touches that tell their angles are then tested by pose.
    length : float
        From the spindle nose to the ball centre, which matters for heads [mm].

    Returns
    -------
    tuple of Finding
    """
    before = before_fit(touches, part, plan=plan, stylus=stylus, probing=probing, allowance=allowance, u=u)
    after = on_alignment(
        touches,
        part,
        aligned=aligned,
        alignment=alignment,
        residuals=residuals,
        stylus=stylus,
        qualified=qualified,
        probing=probing,
        u=u,
        kinematics=kinematics,
        length=length,
    )
    return before + after


def before_fit(
    touches: pd.DataFrame,
    part: Nominal,
    *,
    plan: pd.DataFrame | None = None,
    stylus: Stylus | None = None,
    probing: Probing = _DEFAULT,
    allowance: float | Mapping[str, float] = 0.0,
    u: float | None = None,
) -> tuple[Finding, ...]:
    """Findings that need no alignment: targets on the model, touches near their targets, the ball, the plan.

    Parameters
    ----------
    touches, part, plan, stylus, probing, allowance, u
        As in `check`.

    Returns
    -------
    tuple of Finding
    """
    recorded = touches.attrs.get("recorded")
    ball = None if stylus is None else stylus.effective_radius
    radius = 0.0 if recorded == "contact" or ball is None else ball
    off = targets_on_model(touches, part, radius=ball or 0.0, allowance=allowance)
    found = [*off, *completeness(touches, plan), *mixed_runs(touches, plan)]
    if not any(one.level == "stop" for one in off):
        touch = aimed(touches, part, allowance)
        near = len(touch.ids) and np.median(touch.beside) <= probing.standoff + probing.overtravel
        by_ball = ball_radius(touch, part, recorded=recorded, radius=radius, ball=ball) if near else []
        by_ball = by_ball or ball_in_set_up(touch, recorded=recorded, radius=radius, u=u)
        by_ball = by_ball or ball_in_sizes(touch, recorded=recorded, radius=radius, u=u)
        found += by_ball
        if not any(one.level == "stop" for one in by_ball):
            found += [*far_from_target(touch, probing, radius=radius, u=u), *as_planned(touch, radius)]
    return tuple([*found, *_without_target(touches, part, probing, radius)])


def on_alignment(
    touches: pd.DataFrame,
    part: Nominal,
    *,
    aligned: pd.DataFrame,
    alignment: Alignment | None,
    residuals: Residuals | None = None,
    stylus: Stylus | None = None,
    qualified: bool = True,
    probing: Probing = _DEFAULT,
    u: float | None = None,
    kinematics: Kinematics | None = None,
    length: float = 0.0,
    counted: bool = False,
    refused: str = "",
) -> tuple[Finding, ...]:
    """Findings on the alignment, on touches beside their targets, on rotary axes, and on what was not stated.

    Many parameters: as `check`.

    Parameters
    ----------
    touches, part, aligned, alignment, residuals, stylus, qualified, probing, u, kinematics, length
        As in `check`.
    counted : bool
        Whether the uncertainty counts what an effective radius that is not qualified may be off by.
    refused : str
        Why there is no alignment, where one was asked for.

    Returns
    -------
    tuple of Finding
    """
    found = []
    if alignment is None:
        what = "no alignment was made: deviations include the set-up error, and nothing separates it from them"
        todo = "Add [alignment] with the datum features"
        if refused:
            what, todo = f"{what}; {refused}", "Touch what it lacks, or name in [alignment] what the touches do fix"
        found.append(Finding("look", what.rstrip("."), todo=todo, name="no alignment"))
    quiet = no_scatter(aligned, u)
    if residuals is not None:
        found += [one for one in on_residuals(residuals) if not (quiet and one.name == "uncertainty")]
    scaled = [] if alignment is None else one_scale(aligned, alignment.used, u)
    if scaled:  # which explains the datum touches as well, better than a chip or their form
        cause = "the scale of all positions that is found beside this"
        found = [replace(one, cause=cause, todo="") if one.name == "datum residuals" else one for one in found]
    return tuple(
        [
            *found,
            *beside_target(aimed(touches, part), probing, alignment, u=u),
            *_far(aligned),
            *([] if kinematics is None else by_pose(aligned, kinematics, alignment, length=length, u=u)),
            *on_allowance(aligned, u),
            *on_digits(touches, u),
            *([] if counted else made_again(aligned, u)),  # a budget takes them for references of the drift
            *lone_touches(aligned, () if alignment is None else alignment.used, probing, u),
            *scaled,
            *([] if refused else two_clampings(aligned, _when(touches), u)),
            *quiet,
            *_unstated(touches, stylus, qualified, u, counted),
        ]
    )


def _when(touches: pd.DataFrame) -> np.ndarray | None:
    """(n,) when each touch was made, as far as the table tells [s]; None: in the order of the rows."""
    return None if (time := seconds_of(touches)) is None or not np.isfinite(time).all() else time


def _far(aligned: pd.DataFrame) -> list[Finding]:
    """Touches that `max_distance` flagged."""
    far = aligned["flag"].astype(str).str.split().map(lambda words: "far" in words).to_numpy(dtype=bool)
    if not far.any():
        return []
    size = np.nanmax(np.abs(aligned["deviation"].to_numpy(dtype=float)[far]))
    return [
        Finding(
            "look",
            f"{int(far.sum())} touches are further from the model than max_distance",
            found=f"up to {size:.3f} mm",
            cause="a touch on another face, a wrong row, or material far off",
            todo="Look at the touches; correct the rows, or touch there again",
            touches=tuple(aligned["touch"].to_numpy(dtype=object)[far].tolist()),
            name="far from model",
        )
    ]


def _without_target(touches: pd.DataFrame, part: Nominal, probing: Probing, radius: float) -> list[Finding]:
    """Touches without a target: only their distance from the model can be looked at."""
    measured = array(touches, MEASURED)
    lone = np.isnan(touches["x0"].to_numpy(dtype=float)) & np.isfinite(measured).all(axis=1)
    if not lone.any():
        return []
    height = part.engine.feet(measured[lone]).distance - radius
    reach = probing.standoff + probing.overtravel
    bad = np.abs(height) > reach
    ids = touches["touch"].to_numpy(dtype=object)[lone]
    found = [
        Finding(
            "note",
            f"{int(lone.sum())} touches have no target, so nobody knows whether they are where they were meant to be",
            name="targets",
        )
    ]
    if bad.any():
        found.append(
            Finding(
                "stop",
                f"{int(bad.sum())} of {int(lone.sum())} touches without a target are further from the model than any "
                "probing move could go",
                found=f"median {np.median(np.abs(height[bad])):.3f} mm",
                expected=f"at most {reach:g} mm: {probing.sentence}",
                cause="another frame, work offset or length offset" if bad.mean() > 0.5 else "a digit or a sign lost",
                todo="Find the mistake and correct it in the file or the frame; do not move anything by these numbers",
                touches=tuple(ids[bad].tolist()),
                name="far from target",
            )
        )
    return found


def _unstated(
    touches: pd.DataFrame, stylus: Stylus | None, qualified: bool, u: float | None, counted: bool
) -> list[Finding]:
    """What nobody stated, and what stands in for it."""
    found = []
    own = touches["u"].to_numpy(dtype=float) if "u" in touches else np.full(len(touches), np.nan)
    if u is None and not np.isfinite(own).any():
        found.append(
            Finding(
                "note",
                "no uncertainty is stated: the limits alone decide, and the datum touches are tested against their own "
                "scatter",
                todo="Say [uncertainty] u",
                name="uncertainty",
            )
        )
    elif (u == 0 and not np.isfinite(own).any()) or (own == 0).any():
        found.append(
            Finding(
                "note",
                "the uncertainty is stated as zero: no measurement has none, and no guard band is kept",
                todo="State the standard uncertainty of a deviation",
                name="uncertainty",
            )
        )
    if touches.attrs.get("recorded") == "centre" and stylus is not None and not qualified:
        found.append(
            Finding(
                "look" if u and not counted else "note",
                f"the probe is not qualified: half the ball diameter, {stylus.effective_radius:g} mm, stands in for "
                "the effective radius"
                + ("; u does not hold what that is off by, twice of which goes into each size" if not counted else ""),
                expected=""
                if counted
                else "a pre-travel of some micrometres to some hundredths, less than half the "
                "ball (common practice, no source)",
                todo="Qualify it: [stylus] effective_radius or qualification"
                + ("" if counted else "; or give a [budget], which counts a radius that is not known"),
                name="stylus",
            )
        )
    return found
