"""The blind spot of a study: what hills and dents its touches would never feel, before any of them is made."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..field import nodes
from ..field.belief import WHITE
from ..field.nodes import Nodes
from ..field.words import blind_spot_said
from ..nominal import Nominal
from ..plan.targets.gaps import nearest
from .asked import targets_made
from .doubt import budget_of, typical_u
from .model import Study, nominal_of, runnable

__all__ = ["NODES", "SEED", "blind_spots", "profiles_planned"]

NODES, SEED = 800, 1
_U = 0.003  # of a touch, if the study says nothing of it [mm]; common practice, no source


def _largest_gap(at: Nodes, targets: pd.DataFrame) -> str:
    """Where the touches of a plan leave most room, in words."""
    away = nearest(at.places, at.normals, array(targets, TARGET), array(targets, NORMAL)).min(axis=1)
    x, y, z = at.places[int(away.argmax())]
    far = f"{away.max():.2g} mm from the nearest touch" if np.isfinite(away.max()) else "on a side that has no touch"
    return f'The largest gap is round ({x:z.1f}, {y:z.1f}, {z:z.1f}), {far}; [[plan]] how = "fill_gaps" fills such gaps'


def blind_spots(
    part: Nominal,
    tolerances: list[Mapping[str, Any]],
    targets: pd.DataFrame,
    u: float | None,
    asked: Mapping[str, Any] | None = None,
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
    asked : mapping, optional
        The table ``[surface]``: its `hill` and its `white` count before the touches as they do after them.

    Returns
    -------
    list of str
        A line for each; none for a tolerance that covers no touch.
    """
    asked = asked or {}
    lines, each = [], float(np.hypot(_U if u is None else u, float(asked.get("white", WHITE))))
    for one, on in _covered(tolerances, targets):
        faces = [name for name in part.face_names if name in set(on["face"])]
        at = nodes(part, NODES // 2, np.random.default_rng(SEED), faces=faces, between=one.get("between"))
        told = blind_spot_said(at, array(on, TARGET), array(on, NORMAL), each, float(one["width"]), asked.get("hill"))
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
        for axis, (low, high) in one.get("between", {}).items():
            if axis not in ("x", "y", "z"):
                raise InputError("limits along a surface are those of an axis", found=axis, expected="x, y or z")
            on = on[on[f"{axis}0"].between(low, high)]
        if len(on):
            yield one, on


def profiles_planned(
    study: Study, only: str | None = None
) -> Iterator[tuple[str, Nominal, pd.DataFrame, float, float, float, float]]:
    """Name, part, targets, width, u, finer form and margin of each profile that a study plans touches for [mm].

    Raises
    ------
    InputError
        If the study plans no touches for a profile, or a profile ends within its faces.
    """
    wanted = runnable(study)[0]
    if not wanted.settings.get("plan"):
        raise InputError("the study plans no touches", file=study.path, todo="Add [[plan]] tables.")
    part = nominal_of(wanted)
    targets = targets_made(wanted, part)
    u = typical_u(wanted, budget_of(wanted, part, None))
    margin = 0.5 * float(wanted.settings.get("stylus", {}).get("ball_diameter", 0.0))
    white = float(wanted.settings.get("surface", {}).get("white", WHITE))
    covered = list(_covered(wanted.settings["tolerance"], targets))
    if not covered:
        raise InputError("no profile of a surface covers a target of the plan", file=study.path)
    names = [one.get("name", "profile") for one, _ in covered]
    if only is not None and only not in names:
        raise InputError(
            "no such profile covers a target of the plan", file=study.path, found=only, expected=", ".join(names)
        )
    for one, on in covered:
        name = one.get("name", "profile")
        if only not in (None, name):
            continue
        if "between" in one:
            raise InputError(
                f"{name}: other ways of placing touches cover whole faces, and this profile ends within them",
                file=study.path,
                column="tolerance.between",
                todo="Compare another profile (--only), or split the face in the model.",
            )
        yield name, part, on, float(one["width"]), _U if u is None else u, white, margin
