"""Results that hold numbers of touches and positions alone, joined with the plan that says what was meant."""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from ..columns import APPROACH, NORMAL, TARGET, TURN, array
from ..errors import InputError, ProbekitWarning

__all__ = ["PLANNED", "Planned", "numbers", "reached", "with_plan"]

#: What a plan must hold of each touch.
PLANNED = ("touch", "feature", *TARGET, *NORMAL)

#: A plan: its file, its table, or what gives the table if the results turn out to need it.
Planned = str | Path | pd.DataFrame | Callable[[], pd.DataFrame]

_SHOWN = 12  # touches that a message names


def numbers(ids: Sequence[object]) -> list[str]:
    """Ids of touches as they are compared: a control may write 7 as 007 or 7.000."""
    return [re.sub(r"^0+(?=\d)", "", re.sub(r"\.0*$", "", str(one).strip())) for one in ids]


def reached(plan: pd.DataFrame) -> np.ndarray:
    """(n,) bool, whether the probe reaches the targets of a plan; all, where nobody looked."""
    if "reachable" not in plan:
        return np.ones(len(plan), dtype=bool)
    return plan["reachable"].map(lambda value: str(value).strip().lower() not in ("false", "0")).to_numpy(dtype=bool)


def with_plan(table: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """Results without targets, with those of the plan: joined by the numbers of the touches.

    Parameters
    ----------
    table : DataFrame
        Touches. One that has a target is taken to bring its own: it comes back as it is.
    plan : DataFrame
        Columns touch, feature, x0, y0, z0, i, j, k; of face, tip, turn_x, turn_y, turn_z those that are known;
        `reachable` if reach was looked at.

    Returns
    -------
    DataFrame
        With target, normal, feature and those further columns of the plan, the plan's spelling of the numbers, and the
        probing move (``ai, aj, ak``) against the normal, as programs make it.

    Raises
    ------
    InputError
        If no number is one of the plan, two are the same, or a touch names another feature than the plan has there.

    Warns
    -----
    ProbekitWarning
        For touches that the plan does not have, and planned ones that are not there.
    """
    if np.isfinite(array(table, TARGET)).any():
        return table
    file, own = table.attrs.get("source"), numbers(table["touch"])
    places = {name: row for row, name in enumerate(numbers(plan["touch"]))}
    rows = np.array([places.get(name, -1) for name in own])
    known = rows >= 0
    if not known.any():
        raise InputError(
            "no touch of the results has a number that the plan has",
            file=file,
            column="touch",
            found=_shown(table["touch"]),
            expected=_shown(plan["touch"]),
            todo="Name the plan that the program was made from: plan = ... in [touches]",
        )
    twice = pd.Index(own).duplicated()
    if twice.any():
        raise InputError("a touch stands twice", file=file, column="touch", found=own[int(np.argmax(twice))])
    planned = plan.iloc[rows[known]]
    _same_features(table, planned, known)
    out = table.copy()
    out.attrs = dict(table.attrs)
    out["touch"] = _ids(table["touch"], planned["touch"], known)
    for name in (*TARGET, *NORMAL, *(name for name in (*TURN, "tip") if name in plan and name not in table)):
        out[name] = _filled(planned[name].to_numpy(dtype=float), known, np.nan)
    for name in ("feature", *(["face"] if "face" in plan and "face" not in table else [])):
        before = table[name].to_numpy(dtype=object) if name in table else ""
        out[name] = pd.Series(_filled(planned[name].fillna("").to_numpy(dtype=object), known, before), dtype=str)
    if not set(APPROACH) & set(table.columns):
        out[list(APPROACH)] = 0.0 - out[list(NORMAL)].to_numpy(dtype=float)
    lost = plan["touch"][reached(plan) & ~np.isin(np.arange(len(plan)), rows)]
    for ids, what in (
        (table["touch"][~known], "touches have numbers that the plan does not have, so they have no target"),
        (lost, "planned touches are not in the results"),
    ):
        if len(ids):
            warnings.warn(f"{file or 'the results'}: {len(ids)} {what}: {_shown(ids)}", ProbekitWarning, stacklevel=3)
    return out


def _filled(values: np.ndarray, known: np.ndarray, otherwise: object) -> np.ndarray:
    out = np.empty(len(known), dtype=values.dtype)
    out[:] = otherwise
    out[known] = values
    return out


def _ids(own: pd.Series, planned: pd.Series, known: np.ndarray) -> pd.Series:
    """Numbers as the plan has them; text where one of them is text."""
    ids = own.to_numpy(dtype=object)
    ids[known] = planned.to_numpy(dtype=object)
    whole = all(isinstance(one, int | np.integer) for one in ids)
    return pd.Series([int(one) for one in ids] if whole else [str(one) for one in ids])


def _same_features(table: pd.DataFrame, planned: pd.DataFrame, known: np.ndarray) -> None:
    """Refuse where results and plan name different features; a program may have had to spell the plan's otherwise."""
    own = table["feature"].to_numpy(dtype=object)[known]
    for touch, said, meant in zip(planned["touch"], own, planned["feature"].fillna(""), strict=True):
        plain = [re.sub(r"[^a-z0-9]", "", str(one).casefold()) for one in (said, meant)]
        if plain[0] and not plain[1].startswith(plain[0]):
            raise InputError(
                f"touch {touch} is on another feature in the plan",
                file=table.attrs.get("source"),
                column="feature",
                found=said,
                expected=meant or "none",
                todo="Name the plan that the program was made from: plan = ... in [touches]",
            )


def _shown(ids: Sequence[object]) -> str:
    told = [str(one) for one in ids]
    return ", ".join(told[:_SHOWN]) + (f" and {len(told) - _SHOWN} more" if len(told) > _SHOWN else "")
