"""A part that was touched warm, brought to the size it has at 20 degrees Celsius.

symbol   variable      meaning
T        temperature   of the part while it was touched [degree Celsius]
a        expansion     coefficient of expansion [um/(m K)]
c        about         where the part does not move [mm]
r, n     ball          effective radius of the ball, if x is its centre [mm]; outward normal of the target

p = x - r n is on the part, and p20 = c + (p - c) / (1 + 1e-6 a (T - 20)): lengths are stated at 20 degrees (ISO
1:2022; from memory), and the ball has not grown with the part. A known error is corrected, not called uncertain (JCGM
100:2008, 3.2.4; from memory); what the correction leaves is in the budget as `part temperature` and `expansion
coefficient`. The scales of the machine are taken as true.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..columns import MEASURED, NORMAL, array
from ..errors import InputError
from .common import middle

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["at_20_degrees"]


def at_20_degrees(
    measured: pd.DataFrame,
    temperature: float,
    expansion: float,
    *,
    about: Sequence[float] | None = None,
    ball: float = 0.0,
) -> tuple[pd.DataFrame, str]:
    """Correct measured positions for the temperature of the part.

    Parameters
    ----------
    measured : (n rows) DataFrame
        Touches table, positions in the part frame.
    temperature : float
        Of the part [degree Celsius].
    expansion : float
        Coefficient [um/(m K)]: steel 11.5, aluminium 23.
    about : (3,) float, optional
        What stays where it is [mm]; the middle of the touches by default. An alignment takes any other choice out.
    ball : float
        Effective radius [mm], if the positions are centres of the ball: the ball has not grown with the part. The
        table then needs the normals ``i, j, k`` of its targets.

    Returns
    -------
    DataFrame
        The same table with other ``x, y, z``.
    str
        What was done, with the largest change.

    Raises
    ------
    InputError
        If a number is not finite, or so large that it is of another unit.
    """
    growth = 1e-6 * expansion * (temperature - 20.0)
    if not np.isfinite(growth) or abs(growth) > 0.02:
        raise InputError(
            "the part cannot have grown so much",
            found=f"{temperature:g} °C, {expansion:g} um/(m K)",
            expected="degrees Celsius, and um per metre and degree: steel 11.5",
        )
    position = array(measured, MEASURED)
    centre = middle(position) if about is None else np.asarray(about, dtype=float)
    away = ball * np.nan_to_num(array(measured, NORMAL)) if ball else 0.0
    corrected = centre + away + (position - away - centre) / (1.0 + growth)
    out = measured.copy()
    out[list(MEASURED)] = corrected
    out.attrs = dict(measured.attrs)
    change = np.linalg.norm(corrected - position, axis=1)
    largest = 0.0 if np.isnan(change).all() else float(np.nanmax(change))
    at = ", ".join(f"{value:z.1f}" for value in centre)
    return out, (
        f"touches corrected to 20 °C: part at {temperature:g} °C, {expansion:g} um/(m K), so {1e6 * growth:+z.0f} um "
        f"per metre taken off about ({at}); largest change of a position {1e3 * largest:.1f} um. "
        "The scales of the machine are taken as true: if they were warm too, and the control does not compensate for "
        "it, this takes off too much, by what they grew"
    )
