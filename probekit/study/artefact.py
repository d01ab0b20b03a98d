"""The part as its own artefact: what a study asks for in ``[artefact]``, before the cut and after the touches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..making import blaming
from .doubt import budget_of
from .looking_again import with_touches
from .machinery import kinematics_of, tool_length_of
from .measured import touches_of
from .model import Study

if TYPE_CHECKING:
    from ..deviation import Projection
    from ..field.artefact import Artefact
    from ..field.artefact_plan import Proposal
    from ..field.unknowns import Unknowns
    from ..nominal import Nominal
    from ..uncertainty import Scatter
    from ..uncertainty.budget import Budget
    from .prepared import Plan

__all__ = ["CAUSE", "FILE", "applied", "learned", "proposed", "with_learned"]

#: File of the touches that are proposed, in the results folder of `probekit plan`.
FILE = "artefact.csv"
#: What touches share after a correction by it.
CAUSE = "machine, as learned from the part"

_TOUCHES, _POSES = 40, 4
_OFF = 1e-3  # between the targets of a plan and of its results [mm]
_INSTEAD = {"squareness": ("squareness",), "rotary": ("pivot",)}  # causes of the budget that a correction replaces
_PRIORS = {"squareness_um_per_m": "squareness", "place_um": "place", "tilt_um_per_m": "tilt"}


def proposed(planned: Plan) -> Proposal | None:
    """Touches that would tell most of the machine; None if the study does not ask for it.

    Parameters
    ----------
    planned : Plan
        Its targets are the points, in all poses that the study allows.

    Raises
    ------
    InputError
        If the study states no budget, the machine has no rotary axis, or a feature is not planned.
    """
    study = planned.study
    wanted = study.settings.get("artefact")
    if wanted is None or planned.again:
        return None
    from .. import plan as planning
    from ..field.artefact_plan import propose
    from .posing import poses_of

    budget = _budget(study, planned.part)
    known = _unknowns(study, wanted, budget)
    targets = planned.targets[planned.targets["reachable"].to_numpy(bool)]
    targets = _of_features(study, wanted, targets)
    options = study.settings.get("reach", {})
    distances = {key: options[key] for key in ("max_angle", "standoff", "overtravel") if key in options}
    with blaming(study.path, "reach"):
        every = planning.reach(
            targets.reset_index(drop=True),
            planned.part,
            planned.probe,
            kinematics=planned.kinematics,
            poses=poses_of(options, planned.probe, planned.kinematics),
            obstacles=planned.obstacles,
            margin=planned.margin,
            **distances,
        )
    kept = every[["touch", "feature", "face", *TARGET, *NORMAL]]
    return propose(
        kept,
        every["directions"].tolist(),
        every.attrs["poses"],
        known,
        budget,
        touches=wanted.get("touches", _TOUCHES),
        most_poses=wanted.get("poses", _POSES),
    )


def learned(study: Study, part: Nominal, how: Projection, budget: Budget | None) -> Artefact | None:
    """What the touches of ``[artefact] file`` tell; None if the study names none.

    Parameters
    ----------
    study : Study
    part : Nominal
    how : Projection
        As the touches that are judged.
    budget : Budget, optional

    Raises
    ------
    InputError
        If the study states no budget, the touches cannot be read, or they say nothing of the machine.
    """
    wanted = study.settings.get("artefact", {})
    if "file" not in wanted:
        if "apply" in wanted:
            raise InputError(
                "nothing can be corrected by touches that are not named",
                file=study.path,
                column="artefact.apply",
                found="no [artefact] file",
                todo="Name the results of artefact.csv in [artefact] file.",
            )
        return None
    from ..field.artefact import estimate

    known = _unknowns(study, wanted, budget or _budget(study, part))
    files = {key: wanted[key] for key in ("file", "moves") if key in wanted}
    plan = wanted.get("plan", f"results/{FILE}")
    table = touches_of(with_touches(study, **files, plan=plan), part)
    table = _with_angles(table, study, plan, known)
    with blaming(study.path, "artefact.file"):
        return estimate(how.project(table), known, budget or _budget(study, part))


def applied(study: Study, measured: pd.DataFrame, one: Artefact | None) -> tuple[pd.DataFrame, list[str]]:
    """The touches, corrected for what the study names in ``[artefact] apply``, and what is to be said of it.

    Parameters
    ----------
    study : Study
    measured : DataFrame
        Touches that are judged.
    one : Artefact, optional
    """
    if one is None:
        return measured, []
    from ..field.artefact import angles_of
    from ..field.unknowns import really_at

    groups = _groups(study, one)
    notes = [f"artefact: {text}" for text in one.notes]
    if not groups:
        asked = study.settings["artefact"].get("apply")
        said = (
            "not applied, because its touches are not explained" if asked else "not applied: [artefact] apply is empty"
        )
        return measured, [*notes, f"the part as its own artefact: {said}"]
    known = one.unknowns
    value = np.zeros(len(known.each))
    value[known.of(groups)] = one.value[known.of(groups)]
    points, usable = array(measured, ("x", "y", "z")), np.isfinite(array(measured, ("x", "y", "z"))).all(axis=1)
    with blaming(study.path, "artefact.apply"):
        angles = angles_of(measured, known)
    moved = points.copy()
    moved[usable] = really_at(points[usable], angles[usable], known, known.errors(value))
    out = measured.assign(**{name: moved[:, k] for k, name in enumerate("xyz")})
    out.attrs = dict(measured.attrs)
    largest = 1e3 * float(np.linalg.norm(moved - points, axis=1)[usable].max(initial=0.0))
    return out, [*notes, f"CORRECTED by the part as its own artefact: {', '.join(groups)}, by up to {largest:.2g} um"]


def with_learned(
    study: Study, scatter: Scatter | None, deviations: pd.DataFrame, one: Artefact | None
) -> Scatter | None:
    """The uncertainty of touches that are corrected: what the estimate leaves, in place of what the budget says.

    Parameters
    ----------
    study : Study
    scatter : Scatter, optional
        By the budget.
    deviations : DataFrame
        Of the corrected touches.
    one : Artefact, optional
    """
    groups = () if one is None else _groups(study, one)
    if scatter is None or one is None or not groups:
        return scatter
    from ..field.artefact import angles_of
    from ..field.unknowns import effects

    place, normal, known = array(deviations, TARGET), array(deviations, NORMAL), one.unknowns
    effect = effects(place, normal, angles_of(deviations, known), known)
    shared = one.factors(np.nan_to_num(effect), groups)
    heads = any(axis.moves == "head" for axis in known.kinematics.axes)  # where theirs meet is never learned
    gone = [cause for group in groups for cause in _INSTEAD[group] if not (heads and cause == "pivot")]
    return scatter.less(*gone).with_causes(shared, (CAUSE,) * shared.shape[1])


def _groups(study: Study, one: Artefact) -> tuple[str, ...]:
    """What is to be corrected: nothing where the touches are not explained."""
    asked = study.settings.get("artefact", {}).get("apply", ())
    asked = (asked,) if isinstance(asked, str) else tuple(asked)
    return asked if one.consistent else ()


def _unknowns(study: Study, wanted: dict[str, Any], budget: Budget) -> Unknowns:
    from ..field.unknowns import TILT, unknowns

    stated = {name: float(wanted[key]) for key, name in _PRIORS.items() if key in wanted}
    with blaming(study.path, "artefact"):
        return unknowns(kinematics_of(study), budget, length=tool_length_of(study), **{"tilt": TILT, **stated})


def _budget(study: Study, part: Nominal) -> Budget:
    budget = budget_of(study, part, None)
    if budget is None:
        raise InputError(
            "what a part tells of a machine is weighed by a budget, and the study has none",
            file=study.path,
            column="artefact",
            expected="a table [budget]",
        )
    return budget


def _of_features(study: Study, wanted: dict[str, Any], targets: pd.DataFrame) -> pd.DataFrame:
    named = wanted.get("features", [])
    named = [named] if isinstance(named, str) else named
    for name in named:
        if name not in set(targets["feature"]):
            raise InputError(
                "no target of the plan is on this feature", file=study.path, column="artefact.features", found=name
            )
    return targets[targets["feature"].isin(named)] if named else targets


def _with_angles(table: pd.DataFrame, study: Study, plan: str, known: Unknowns) -> pd.DataFrame:
    """The touches with the angles of the plan, where the results do not tell them."""
    names = [f"angle_{letter.lower()}" for letter in known.kinematics.letters]
    if all(name in table for name in names):
        return table
    from .. import touches

    planned = touches.read_plan(study.file(plan)).set_index("touch")
    aimed, own = array(planned.reindex(table["touch"]), TARGET), array(table, TARGET)
    off = np.linalg.norm(aimed - own, axis=1)
    if (off > _OFF).any():
        row = int(np.argmax(off > _OFF))
        raise InputError(
            "the plan that tells the poses is not that of these touches",
            file=study.file(plan),
            found=f"touch {table['touch'].iloc[row]}, {off[row]:.3f} mm from its target in the results",
            expected=f"within {_OFF:g} mm",
            todo="Name the plan that the program was made from in [artefact] plan.",
        )
    attrs = dict(table.attrs)
    out = table.assign(**{name: planned[name].reindex(table["touch"]).to_numpy() for name in names if name in planned})
    out.attrs = attrs
    return out
