"""What each possible correction would do: set-up, uniform offset, a further move, a re-cut.

The deviations of each tolerance, taken from the middle of its zone (the nominal itself if it is disposed equally), are
split by a robust linear model, d_i = J_i p + c + e_i, with the row J_i of the rigid motions, a uniform offset c (cutter
radius or length) and what is left, e_i. Predictions are to first order in the motion, whose second-order part is motion
squared times curvature: below a micrometre for 0.1 mm on a radius of 10 mm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, MEASURED, array
from ..deviation.projection import distance_function
from ..fit import robust
from ..fit.alignment import Alignment
from ..fit.motion import jacobian, typical_arm
from ..geometry import apply_motion
from ..uncertainty import Scatter
from .pattern import describe
from .promise import CUTTER, readings

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..tolerance import Evaluation
    from ..tolerance.propagation import Carried
    from ..verdict.results import Verdict

__all__ = ["as_clamped", "corrections", "explained", "left_of", "offset_along", "uniform_offset"]

#: A move that changes deviations by less than this part of the strongest one slides along the surface: no correction.
_WEAK = 0.05


def corrections(
    verdict: Verdict,
    nominal: Nominal,
    alignment: Alignment | None,
    *,
    scatter: Scatter | None = None,
    cutter: float | np.ndarray = CUTTER,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Predicted actual value of each tolerance after each correction, and the share of the deviation each explains.

    Parameters
    ----------
    verdict : Verdict
    nominal : Nominal
    alignment : Alignment, optional
        The alignment that the verdict's touches have been through.
    scatter : Scatter, optional
        Uncertainty of the touches of the table; by default that of its column `u`.
    cutter : float or (n,) float
        Scatter of what a cutter leaves, standard deviation [mm], at each touch of the table. A re-cut is predicted with
        it, as the mean of what a next inspection would read.

    Returns
    -------
    table : DataFrame
        One row per correction: `correction`, `size`, `rms` [mm] of the judged touches from the middle of their zones,
        `outside` (touches outside their limits, no guard band), then the predicted actual value [mm] of each
        tolerance under its name.
    shares : DataFrame
        `part`, `rms` [mm] and `share` of the sum of squares of the touches judged that the alignment did not use.

    Both have no rows when no tolerance is a profile: the others do not say where the nominal is.
    """
    import pandas as pd

    table, evaluations = verdict.table, tuple(one for one in verdict.evaluations if one.from_nominal)
    if not evaluations:
        return pd.DataFrame(columns=["correction", "size", "rms", "outside"]), pd.DataFrame(
            columns=["part", "rms", "share"]
        )
    middles = [one.middles for one in evaluations]
    aligned = [one.deviations - middle for one, middle in zip(evaluations, middles, strict=True)]
    rows: list[dict[str, object]] = []
    states: list[tuple[str, list[np.ndarray]]] = []
    if alignment is not None:
        clamped = as_clamped(table, nominal, alignment)
        before = [
            d if one.free else clamped[one.rows] - middle
            for one, d, middle in zip(evaluations, aligned, middles, strict=True)
        ]
        states.append(("set-up", before))
        rows.append(_row("none: the part as it is clamped", "", evaluations, before))
        rows.append(_row("set-up: alignment undone", _motion_size(alignment), evaluations, aligned))
    else:
        rows.append(_row("none", "", evaluations, aligned))
    offsets = [explained(table, one, d, rigid=False, offset=True) for one, d in zip(evaluations, aligned, strict=True)]
    moves = [explained(table, one, d, rigid=True, offset=False) for one, d in zip(evaluations, aligned, strict=True)]
    both = [explained(table, one, d, rigid=True, offset=True) for one, d in zip(evaluations, aligned, strict=True)]
    sizes = "; ".join(f"{one.name} {o[1]:+z.3f} mm" for one, o in zip(evaluations, offsets, strict=True))
    without_offset = [d - e[0] for d, e in zip(aligned, offsets, strict=True)]
    without_both = [d - e[0] for d, e in zip(aligned, both, strict=True)]
    rows.append(_row("and a uniform offset of each tolerance's faces", sizes, evaluations, without_offset))
    rows.append(
        _row(
            "and a rigid move of each tolerance's faces",
            "; ".join(f"{one.name} up to {m[2]:.3f} mm" for one, m in zip(evaluations, moves, strict=True)),
            evaluations,
            [d - e[0] for d, e in zip(aligned, moves, strict=True)],
        )
    )
    rows.append(_row("and both, offset and rigid move", "", evaluations, without_both))
    leaves = np.broadcast_to(cutter, len(table))
    recut = _row(
        "and a re-cut to the middle of the zone where material is left",
        f"removes material only; scatter of the cutter {_span(leaves)}",
        evaluations,
        [np.minimum(d, 0.0) for d in aligned],
    )
    known = Scatter.independent(table["u"].to_numpy(dtype=float)) if scatter is None else scatter
    for one, d in zip(evaluations, aligned, strict=True):
        recut[one.name] = float(readings(one, known, np.minimum(d, 0.0), d > 0, leaves[one.rows]).mean())
    left = np.concatenate([np.where(d > 0, leaves[one.rows], d) for one, d in zip(evaluations, aligned, strict=True)])
    recut["rms"] = float(np.sqrt(np.mean(left**2)))
    rows.append(recut)
    states += [("uniform offset", aligned), ("rigid move of the faces", without_offset), ("left: form", without_both)]
    return pd.DataFrame(rows), _shares(states, evaluations, alignment)


def uniform_offset(deviations: np.ndarray, carried: Carried | None = None) -> tuple[float, float]:
    """The offset that a whole face shares: robust mean (Huber) of its deviations.

    Parameters
    ----------
    deviations : (n,) float
        [mm].
    carried : Carried, optional
        What the uncertainty of the frame they are in does to each, as `Evaluation.carried`. It moves all of them
        together, so that more touches do not make it less.

    Returns
    -------
    offset, u : float
        Standard uncertainty [mm]; NaN if that of the frame is not known.
    """
    deviations = np.asarray(deviations, dtype=float)
    values, scale, weight = _robust(np.ones((len(deviations), 1)), deviations)
    own = float(scale / np.sqrt(max(weight.sum(), 1.0)))
    common = 0.0 if carried is None else float(carried.along(weight / weight.sum()))
    return float(values[0]), float(np.hypot(own, common))


def offset_along(deviations: np.ndarray, slope: np.ndarray) -> tuple[float, float]:
    """Robust c of deviations = c slope (n,), and its standard uncertainty as they scatter [mm]; slope 0 is left out."""
    there = slope != 0
    values, scale, weight = _robust(slope[there, None], np.asarray(deviations, dtype=float)[there])
    return float(values[0]), float(scale / np.sqrt(max(float(weight @ slope[there] ** 2), 1e-300)))


def left_of(verdict: Verdict) -> pd.DataFrame:
    """What an offset and a rigid move of its faces leave of each tolerance, and whether it is systematic.

    Returns
    -------
    DataFrame
        `tolerance`, `touches`, `rms` [mm], `moran`, `p` and, in words, `left`; of tolerances from the nominal.
    """
    import pandas as pd

    rows = []
    for one in (one for one in verdict.evaluations if one.from_nominal):
        off = one.deviations - one.middles
        off = off - explained(verdict.table, one, off, rigid=True, offset=True)[0]
        found, p, words = describe(verdict.table.iloc[one.rows], off)
        rows.append((one.name, one.touches, float(np.sqrt(np.mean(off**2))), found, p, words))
    return pd.DataFrame(rows, columns=["tolerance", "touches", "rms", "moran", "p", "left"])


def as_clamped(table: pd.DataFrame, nominal: Nominal, alignment: Alignment) -> np.ndarray:
    """(n,) deviation of each touch as clamped, the alignment undone [mm]; NaN where nothing was measured."""
    points = array(table, MEASURED)
    return distance_function(table, nominal)(apply_motion(alignment.inverse, points))[0]


def explained(
    table: pd.DataFrame, one: Evaluation, deviations: np.ndarray, *, rigid: bool, offset: bool
) -> tuple[np.ndarray, float, float]:
    """Part of the deviations that a rigid move, an offset or both explain (n,), the offset and the largest move of a
    touch [mm].
    """
    chosen = table.iloc[one.rows]
    columns = []
    points = array(chosen, CONTACT)
    centre = points.mean(axis=0)
    length = typical_arm(points, centre)
    if rigid:
        slope = jacobian(np.zeros(6), points, array(chosen, FOOT_NORMAL), centre)
        slope[:, 3:] /= length
        columns.append(slope)
    if offset:
        columns.append(np.ones((len(points), 1)))
    design = np.hstack(columns)
    values, _, _ = _robust(design, deviations)
    largest = 0.0
    if rigid:
        moved = values[:3] + np.cross(values[3:6] / length, points - centre)
        largest = float(np.linalg.norm(moved, axis=1).max())
    return design @ values, float(values[-1]) if offset else 0.0, largest


def _robust(design: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
    """Huber regression by reweighting: coefficients, scale, weights. Directions the data hardly fix get nothing."""
    weight, scale = np.ones(len(values)), 0.0
    solution = np.zeros(design.shape[1])
    for _ in range(50):
        root = np.sqrt(weight)
        new = np.linalg.lstsq(root[:, None] * design, root * values, rcond=_WEAK)[0]
        settled = np.abs(new - solution).max() < 1e-9
        solution, residual = new, values - design @ new
        scale = max(robust.scale_of(residual, min(design.shape[1], len(values) // 2)), 1e-9)
        weight = robust.weights_of(residual / scale, "huber")
        if settled:
            break
    return solution, scale, weight


def _row(
    correction: str, size: str, evaluations: tuple[Evaluation, ...], deviations: list[np.ndarray]
) -> dict[str, object]:
    """One row of the table, of deviations from the middle of each zone."""
    together = np.concatenate(deviations)
    row: dict[str, object] = {
        "correction": correction,
        "size": size,
        "rms": float(np.sqrt(np.mean(together**2))),
        "outside": sum(
            int((np.abs(d) > (one.uppers - one.lowers) / 2).sum())
            for one, d in zip(evaluations, deviations, strict=True)
        ),
    }
    for one, d in zip(evaluations, deviations, strict=True):
        row[one.name] = one.value_of(d)
    return row


def _span(values: np.ndarray) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"


def _motion_size(alignment: Alignment) -> str:
    turn = float(np.linalg.norm(alignment.rotation_deg))
    return f"{float(np.linalg.norm(alignment.translation)):.3f} mm, {turn:.3f} deg"


def _shares(
    states: list[tuple[str, list[np.ndarray]]], evaluations: tuple[Evaluation, ...], alignment: Alignment | None
) -> pd.DataFrame:
    """Sums of squares lost from each state to the next, over touches that the alignment did not use."""
    import pandas as pd

    used = set() if alignment is None else set(alignment.used.tolist())
    keep = [np.array([r not in used for r in one.rows.tolist()], dtype=bool) for one in evaluations]
    if not any(k.any() for k in keep):
        keep = [np.ones(len(one.rows), dtype=bool) for one in evaluations]
    chosen = [np.concatenate([d[k] for d, k in zip(state, keep, strict=True)]) for _, state in states]
    squares = np.array([float(d @ d) for d in chosen])
    lost = np.append(squares[:-1] - squares[1:], squares[-1])
    total = max(squares[0], 1e-300)
    return pd.DataFrame(
        {
            "part": [name for name, _ in states],
            "rms": np.sign(lost) * np.sqrt(np.abs(lost) / len(chosen[0])),
            "share": lost / total,
        }
    )
