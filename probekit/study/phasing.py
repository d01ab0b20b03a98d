"""The phases of a program that decides: the tables ``[[phase]]`` of a study, and the route through them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..errors import InputError
from ..making import blaming, made
from ..plan.probe import OVERTRAVEL, STANDOFF
from ..plan.route.joining import joined
from ..program.deciding.asked import Asked, CutAgain, Phase, bearings

if TYPE_CHECKING:
    from ..plan.route.route import Route
    from .model import Study

__all__ = ["by_phase", "empty_phases", "phases_of", "routed"]

_ENOUGH = 2.0  # clearances from here on count as equally good [mm]; as `probekit.plan.reach`
_ABOVE = 5.0  # least clearance of the planes on which moves are rapid [mm]; as `probekit.plan.order`


def phases_of(study: Study) -> tuple[Phase, ...]:
    """The tables ``[[phase]]`` of a study; none if it has none.

    Raises
    ------
    InputError
        If one cannot be used; it names file, table and key.
    """
    found = []
    given = study.settings.get("phase", [])
    for number, table in enumerate(given, 1):
        where = f"phase {number}" if len(given) > 1 else "phase"
        asked = tuple(
            made(Asked, one, f"{where}.estimate, {place}", file=study.path)
            for place, one in enumerate(table.get("estimate", ()), 1)
        )
        own = {**table, "estimate": asked}
        if "recut" in table:
            own["recut"] = made(CutAgain, table["recut"], f"{where}.recut", file=study.path)
        found.append(made(Phase, own, where, file=study.path))
    if found:
        with blaming(study.path, "phase"):
            bearings(found)
    return tuple(found)


def by_phase(targets: pd.DataFrame, phases: Sequence[Phase], study: Study) -> pd.Series:
    """The number of the phase, from 0, in which each target is touched.

    Raises
    ------
    InputError
        If a phase names a feature that is not planned, has nothing to touch, or a feature belongs to none.
    """
    planned = list(dict.fromkeys(targets["feature"]))
    of = {feature: number for number, phase in enumerate(phases) for feature in phase.features}
    strange = [feature for feature in of if feature not in planned]
    if strange:
        raise InputError(
            "a phase names a feature that no [[plan]] touches",
            file=study.path,
            column="phase.features",
            found=strange[0],
            expected=", ".join(planned),
        )
    rest = len(phases) - 1 if not phases[-1].features else None
    lost = [feature for feature in planned if feature not in of]
    if lost and rest is None:
        raise InputError(
            "a feature is touched in no phase",
            file=study.path,
            column="phase.features",
            found=", ".join(lost),
            expected="each feature in one phase",
            todo="Name it in one, or leave features out of the last phase, which then takes all others.",
        )
    found = targets["feature"].map(lambda feature: of.get(feature, rest)).astype(int)
    for number, phase in enumerate(phases):
        if not (found == number).any():
            raise InputError(
                f"phase '{phase.name}' has nothing to touch", file=study.path, column="phase.features", found="none"
            )
    return found


def routed(
    targets: pd.DataFrame,
    phases: Sequence[Phase],
    options: Mapping[str, Any],
    reach: Callable[..., pd.DataFrame],
    order: Callable[..., Route],
    margin: float,
    *,
    by_hand: bool,
) -> tuple[pd.DataFrame, Route]:
    """Targets with what reach found of each, and one route through all phases.

    Parameters
    ----------
    targets : DataFrame
        With a column `phase`.
    phases : sequence of Phase
    options : mapping
        ``standoff`` and ``overtravel`` of ``[reach]``, if stated.
    reach, order : callable
        `probekit.plan.reach` and `order` with all that does not change from phase to phase; they take the margin, and
        the first standoff and overtravel, the second a height.
    margin : float
        [mm]
    by_hand : bool
        Whether a person enters the shifts, which may then have the wrong sign.

    Many parameters: a phase is planned as a whole study is, at distances of its own.

    Notes
    -----
    Margin, standoff and overtravel of a phase are those of the study and its set-up error together: they are kept even
    where the part lies off by all of it.
    """
    standoff, overtravel = options.get("standoff", STANDOFF), options.get("overtravel", OVERTRAVEL)
    judged, routes, margins = [], [], []
    for number, error in enumerate(bearings(phases, by_hand=by_hand)):
        own = targets[targets["phase"] == number].reset_index(drop=True)
        margins.append(margin + error)
        distances = {"margin": margins[-1], "enough": max(_ENOUGH, margins[-1])}
        found = reach(own, standoff=standoff + error, overtravel=overtravel + error, **distances)
        judged.append(found)
        routes.append(order(found, margin=margins[-1], above=max(_ABOVE, margins[-1])))
    height = max(one.height for one in routes)
    for number, one in enumerate(routes):
        if one.height != height:
            routes[number] = order(
                judged[number], margin=margins[number], above=max(_ABOVE, margins[number]), height=height
            )
    route = joined(routes)
    numbers = {pose: number for number, pose in enumerate(route.poses)}
    for number, found in enumerate(judged):
        own = np.array([*(numbers[pose] for pose in routes[number].poses), -1])
        judged[number] = found.assign(direction=own[found["direction"].to_numpy(int)])
    whole = pd.concat(judged, ignore_index=True)
    whole.attrs = dict(judged[0].attrs) | {"poses": route.poses}
    return whole, route


def empty_phases(phases: Sequence[Phase], route: Route) -> list[str]:
    """Names of phases none of whose targets can be touched."""
    left = set(route.targets["phase"]) if len(route.targets) else set()
    return [phase.name for number, phase in enumerate(phases) if number not in left]
