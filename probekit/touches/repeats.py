"""Touches made again at the same places: their means."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import MEASURED, NORMAL, REPEATS, TARGET, array
from ..errors import InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["mean_of_repeats"]

_SAME = 0.02  # mm, and 1e-3 of a normal: targets as near as this are one, as rounded in a file


def mean_of_repeats(first: pd.DataFrame, again: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The touches of a run, those that were made again by the mean of all.

    Parameters
    ----------
    first : DataFrame
        Touches table of the whole run.
    again : DataFrame
        Touches table of the second run, in the same coordinates: each place of it is one of the first, as often as it
        was touched again.

    Returns
    -------
    DataFrame
        The first table, with the column `times`: how many touches each position is the mean of.
    list of str
        How the repeats lie from the first touches.

    Raises
    ------
    InputError
        If the two were recorded differently, or a place of the second run is not one of the first.
    """
    for what in ("recorded", "unit"):
        if first.attrs.get(what) != again.attrs.get(what):
            raise InputError(
                "the touches made again are recorded in another way than the first ones",
                file=again.attrs.get("source"),
                column=what,
                found=again.attrs.get(what),
                expected=first.attrs.get(what),
            )
    place, new = (np.hstack([array(table, TARGET), 20.0 * array(table, NORMAL)]) for table in (first, again))
    measured, others = array(first, MEASURED).copy(), array(again, MEASURED)
    away = np.linalg.norm(np.nan_to_num(place, nan=np.inf)[None] - new[:, None], axis=2)
    row = away.argmin(axis=1)
    lost = ~(away[np.arange(len(again)), row] <= _SAME)
    if lost.any():
        raise InputError(
            "a place that was touched again is not one of the first run",
            file=again.attrs.get("source"),
            found=f"touch {again['touch'].iloc[int(lost.argmax())]}",
            todo="Give the results of the program that was written for again.csv, of this part in this clamping.",
        )
    hit = np.isfinite(others).all(axis=1)
    once = np.isfinite(measured).all(axis=1)
    total, times = np.where(once[:, None], measured, 0.0), once.astype(int)
    np.add.at(total, row[hit], others[hit])
    np.add.at(times, row[hit], 1)
    made = np.unique(row)
    out = first.copy()
    found = times > 0
    mean = np.full(total.shape, np.nan)
    mean[found] = total[found] / times[found, None]
    out[list(MEASURED)], out[REPEATS] = mean, np.maximum(times, 1)
    if "reason" in out:
        out.loc[out.index[found & ~once], "reason"] = ""
    out.attrs = dict(first.attrs) | {f"again_{key}": again.attrs.get(key, "") for key in ("source", "sha256")}
    both = made[once[made] & (times[made] > 1)]
    if not len(both):
        return out, [f"touched again: {len(made)} touches"]
    later = (total[both] - measured[both]) / (times[both] - 1)[:, None]
    off = np.einsum("ij,ij->i", later - measured[both], array(first, NORMAL)[both])
    worst = int(np.abs(off).argmax())
    return out, [
        f"touched again: {len(made)} touches, {int(hit.sum())} times in all; along their normals the repeats lie "
        f"{off.mean():+z.4f} mm from the first touches in the mean, and {off[worst]:+z.4f} mm at most (touch "
        f"{first['touch'].iloc[both[worst]]})"
    ]
