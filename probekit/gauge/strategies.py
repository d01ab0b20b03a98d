"""How far a result depends on the way the part was aligned."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..columns import CONTACT, array
from ..deviation import Projection
from ..errors import FitError, InputError
from ..fit import rigid
from ..geometry import apply_motion
from .readings import positive
from .result import GaugeResult, Panel, Series, percent
from .touching import number_of

if TYPE_CHECKING:
    from ..fit.alignment import Alignment

__all__ = ["alignment_strategies"]

_MATTERS = 0.10  # of the tolerance (common practice, no source)


def alignment_strategies(
    deviations: pd.DataFrame,
    how: Projection,
    strategies: Mapping[str, Mapping[str, Any] | None],
    evaluate: Callable[[pd.DataFrame], object],
    *,
    width: float | None = None,
) -> GaugeResult:
    """A value after each of several alignments of the same touches.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    how : Projection
        That made it.
    strategies : mapping
        Name -> arguments of `probekit.fit.rigid` (``features``, ``free``, ``method``, ...); None leaves the part as
        clamped.
    evaluate : callable
        From a deviations table to an `Evaluation` or a number [mm].
    width : float, optional
        Tolerance that the value is compared with [mm].

    Returns
    -------
    GaugeResult
        `table`: by strategy the value, how far it moves the touches on average and at most from the first one [mm], and
        why there is none. `values`: `smallest, largest, span` [mm], `of_width`.

    Raises
    ------
    InputError
        If there are fewer than two strategies, or fewer than two give a value.

    Notes
    -----
    A strategy that the touches do not determine has a row with the reason, and no value. Which one is right is told by
    the drawing, not by the smallest value: an alignment on what is judged always flatters it.
    """
    if len(strategies) < 2:
        raise InputError("there is nothing to compare", found=f"{len(strategies)} strategy", expected="two or more")
    rows, first = [], None
    points = array(deviations, CONTACT)
    points = points[np.isfinite(points).all(axis=1)]
    for name, options in strategies.items():
        try:
            alignment: Alignment | None = None if options is None else rigid(deviations, how, **options)
            aligned = deviations if alignment is None else how.project(alignment.apply(deviations))
            value = number_of(evaluate(aligned))
        except (FitError, InputError) as error:
            rows.append((name, np.nan, np.nan, np.nan, str(error)))
            continue
        motion = np.eye(4) if alignment is None else alignment.motion
        first = motion if first is None else first
        moved = np.linalg.norm(apply_motion(motion, points) - apply_motion(first, points), axis=1)
        rows.append((name, value, moved.mean(), moved.max(), ""))
    out = pd.DataFrame(rows, columns=["strategy", "value", "moved", "moved at most", "reason"])
    known = out["value"].dropna()
    if len(known) < 2:
        failed = out[out["reason"] != ""]
        raise InputError(
            "fewer than two strategies give a value",
            found=f"{failed['strategy'].iloc[0]}: {failed['reason'].iloc[0]}",
            todo="Let each of them hold what its touches do not fix.",
        )
    low, high = out.loc[known.idxmin()], out.loc[known.idxmax()]
    between = float(high["value"] - low["value"])
    values = {"smallest": float(low["value"]), "largest": float(high["value"]), "span": between}
    ends = (f"{one['value']:.4f} mm ({one['strategy']})" for one in (low, high))
    said = f"{len(known)} alignments give {' to '.join(ends)}"
    if width is not None:
        values["of_width"] = between / positive(width, "width of the tolerance")
        said += f": {percent(values['of_width'])} of the tolerance depend on the choice"
        if low["value"] <= width < high["value"]:
            said += "; they do not agree whether it conforms"
        elif values["of_width"] > _MATTERS:
            said += "; state with the value which one it was"
    notes = tuple(f"{row.strategy}: no value, {row.reason}" for row in out.itertuples() if row.reason)
    bars = Series("bars", np.arange(len(known), dtype=float), known.to_numpy())
    levels = ((float(width), "tolerance"),) if width is not None else ()
    ticks = tuple(out.loc[known.index, "strategy"].astype(str))
    figure = (Panel("value by alignment", "", "value [mm]", (bars,), levels, ticks),)
    return GaugeResult("sensitivity to the alignment", said, out, values, figure, {}, notes)
