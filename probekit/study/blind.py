"""The blind spot of a study: what hills and dents its touches would never feel, before any of them is made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..field import nodes
from ..field.defects import radius_seen, seen
from ..field.nodes import Nodes
from ..nominal import Nominal
from ..plan.targets.gaps import nearest
from .asked import targets_made
from .doubt import budget_of, typical_u
from .model import Study, nominal_of, runnable

__all__ = ["NODES", "SEED", "WHITE", "blind_spot", "blind_spots", "profiles_planned"]

WHITE = 0.005  # form finer than the touches, if the study does not say [mm]
NODES, SEED = 800, 1
_U = 0.003  # of a touch, if the study says nothing of it [mm]; common practice, no source


def blind_spot(
    at: Nodes, places: np.ndarray, normals: np.ndarray, u: float, width: float, hill: Mapping[str, float] | None
) -> str:
    """What hills and dents touches at these places feel, in words."""
    if hill is not None:
        radius, height = float(hill["radius"]), float(hill["height"])
        share = seen(at, places, normals, radius, height, u)
        return (
            f"A single hill or dent of {radius:g} mm radius and {height:g} mm is felt at "
            f"{100 * share:.0f} of 100 places"
        )
    half, sure = (radius_seen(at, places, normals, width, u, share) for share in (0.5, 0.95))
    if not np.isfinite(half):
        return (
            f"A single hill or dent as high as the zone is wide ({width:g} mm) can lie on it unfelt, whatever its size"
        )
    large = f"; from {sure:.2g} mm it is felt at 95 of 100" if np.isfinite(sure) else "; parts of it have no touch"
    return (
        f"A single hill or dent as high as the zone is wide ({width:g} mm) is felt at half of all places if its radius "
        f"is {half:.2g} mm{large}: smaller ones hide between the touches"
    )


def _largest_gap(at: Nodes, targets: pd.DataFrame) -> str:
    """Where the touches of a plan leave most room, in words."""
    away = nearest(at.places, at.normals, array(targets, TARGET), array(targets, NORMAL)).min(axis=1)
    x, y, z = at.places[int(away.argmax())]
    far = f"{away.max():.2g} mm from the nearest touch" if np.isfinite(away.max()) else "on a side that has no touch"
    return f'The largest gap is round ({x:.1f}, {y:.1f}, {z:.1f}), {far}; [[plan]] how = "fill_gaps" fills such gaps'


def blind_spots(
    part: Nominal, tolerances: list[Mapping[str, Any]], targets: pd.DataFrame, u: float | None
) -> list[str]:
    """What hills and dents the touches of a plan would feel, for each profile tolerance of a study.

    Parameters
    ----------
    part : Nominal
    tolerances : list of mapping
        The tables ``[[tolerance]]``.
    targets : DataFrame
        Those that will be touched.
    u : float or None
        Standard uncertainty of a touch, finer form left aside; None: 0.003 [mm].

    Returns
    -------
    list of str
        A line for each; none for a tolerance that covers no touch.
    """
    lines, each = [], float(np.hypot(_U if u is None else u, WHITE))
    for one, on in _covered(tolerances, targets):
        faces = [name for name in part.face_names if name in set(on["face"])]
        at = nodes(part, NODES // 2, np.random.default_rng(SEED), faces=faces)
        told = blind_spot(at, array(on, TARGET), array(on, NORMAL), each, float(one["width"]), None)
        lines.append(f"{one.get('name', 'profile')}: {told}. {_largest_gap(at, on)}")
    return lines


def _covered(
    tolerances: list[Mapping[str, Any]], targets: pd.DataFrame
) -> Iterator[tuple[Mapping[str, Any], pd.DataFrame]]:
    """Each profile of a surface, with the targets that it covers."""
    for one in tolerances:
        if one.get("kind", "profile") != "profile" or "width" not in one:
            continue
        named = one.get("features") or []
        named = [named] if isinstance(named, str) else named
        on = targets if not named else targets[targets["feature"].isin(named) | targets["face"].isin(named)]
        if len(on):
            yield one, on


def profiles_planned(study: Study) -> Iterator[tuple[str, Nominal, pd.DataFrame, float, float, float]]:
    """Name, part, targets, width, u and margin of each profile that a study plans touches for [mm].

    Raises
    ------
    InputError
        If the study plans no touches for a profile.
    """
    wanted = runnable(study)[0]
    if not wanted.settings.get("plan"):
        raise InputError("the study plans no touches", file=study.path, todo="Add [[plan]] tables.")
    part = nominal_of(wanted)
    targets = targets_made(wanted, part)
    u = typical_u(wanted, budget_of(wanted, part, None))
    margin = 0.5 * float(wanted.settings.get("stylus", {}).get("ball_diameter", 0.0))
    covered = list(_covered(wanted.settings["tolerance"], targets))
    if not covered:
        raise InputError("no profile of a surface covers a target of the plan", file=study.path)
    for one, on in covered:
        yield one.get("name", "profile"), part, on, float(one["width"]), _U if u is None else u, margin
