"""Profile of a surface.

The zone lies between two surfaces offset from the nominal along its normals: `outside` on the side of more material,
`width - outside` on the other (ASME Y14.5-2018, clause 11; the part outside is what stands after the symbol for an
unequally disposed profile there). It is written as the limits lower <= d <= upper of the deviation d, with
upper = outside and lower = outside - width.

The actual value is the smallest width of a zone, grown and shrunk evenly from the middle of the specified one, to
which the touches conform (ASME Y14.5.1-2019, actual value by growing zone; from memory): 2 max |d - m| with
m = (lower + upper)/2. For equal disposition that is twice the largest deviation. It is at most `width` exactly when
every touch lies within the limits. With degrees of freedom left to the zone, it is the smallest value that any
motion in them can reach: a minimax placement.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from ..deviation import distance_function
from ..errors import InputError
from ..fit import FREEDOMS, make_motion, minimax_motion
from ..fit.motion import free_basis, free_of
from .evaluation import Evaluation

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["limits", "profile"]


def limits(width: float, outside: float | None = None) -> tuple[float, float]:
    """Limits (lower, upper) of the deviation that a profile zone sets [mm].

    Parameters
    ----------
    width : float
        Tolerance [mm].
    outside : float, optional
        How much of it lies outside the material [mm]: half by default, all for one-sided outside, 0 for one-sided
        inside. Values beyond 0..width shift the whole zone to one side.

    Raises
    ------
    InputError
        If the width is not positive, or a number is not finite.
    """
    if not (np.isfinite(width) and width > 0):
        raise InputError("the width of a profile zone must be positive", found=width, expected="mm, more than zero")
    upper = width / 2 if outside is None else float(outside)
    if not np.isfinite(upper):
        raise InputError("the part of the zone outside the material is not a number", found=outside)
    return upper - width, upper


def profile(
    found: pd.DataFrame | np.ndarray,
    width: float,
    *,
    outside: float | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    free: Iterable[str] = (),
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    name: str = "profile",
) -> Evaluation:
    """Evaluate profile of a surface.

    Parameters
    ----------
    found : DataFrame or (n,) array
        Deviations table, or bare deviations [mm].
    width : float
        Tolerance [mm].
    outside : float, optional
        Part of the zone outside the material [mm]; see `limits`.
    features : iterable of str, optional
        Features, or faces, that it covers together; all touches by default.
    between : mapping, optional
        Limits along the surface: axis "x", "y" or "z" -> (from, to) [mm]. Judged by the target's coordinates, or by
        the foot's where there is no target.
    free : iterable of str
        Degrees of freedom that the zone may still take up, of tx, ty, tz, rx, ry, rz: none when a full datum frame
        holds it, all six (`probekit.fit.FREEDOMS`) without a datum frame.
    nominal : Nominal, optional
        Needed when `free` is not empty, for the touches are then projected again.
    pivot : (3,) float
        Point about which the free turns are taken [mm].
    name : str

    Returns
    -------
    Evaluation

    Raises
    ------
    InputError
        If the width is not positive, no touch is covered, a feature is unknown, or the nominal is missing.
    FitError
        If the best placement does not settle.

    Notes
    -----
    ASME Y14.5.1-2019; see the head of this module for the formula and what of it is from memory.
    """
    lower, upper = limits(width, outside)
    if not hasattr(found, "columns"):
        deviation = np.asarray(found, dtype=float)
        covered, ids, names = np.ones(len(deviation), dtype=bool), np.arange(1, len(deviation) + 1), ()
        free = tuple(free)
        if free or features is not None or between is not None:
            raise InputError(
                "features, limits and free placement need a deviations table, not bare deviations",
                todo="Use probekit.deviation.project(touches, nominal).",
            )
    else:
        deviation, ids = found["deviation"].to_numpy(dtype=float), found["touch"].to_numpy()
        covered, names = _covered(found, features, between)
    rows = np.flatnonzero(covered & np.isfinite(deviation))
    missed = np.flatnonzero(covered & ~np.isfinite(deviation))
    if not len(rows):
        raise InputError(f"tolerance '{name}' covers no touch that triggered", found=f"{len(missed)} missed touches")
    middle, motion = (lower + upper) / 2, np.eye(4)
    chosen = deviation[rows]
    free = (free,) if isinstance(free, str) else tuple(free)
    if free:
        chosen, motion = _best_placement(found.iloc[rows], nominal, free, middle, np.asarray(pivot, dtype=float), name)
    off = np.abs(chosen - middle)
    actual = 2.0 * float(off.max())
    ruling = rows[off >= off.max() - (5e-6 if free else 1e-9)]  # a minimax placement settles to some nanometres
    return Evaluation(
        name=name,
        features=names,
        width=float(width),
        lower=lower,
        upper=upper,
        actual=actual,
        high=float(chosen.max()),
        low=float(chosen.min()),
        rows=rows,
        deviations=chosen,
        ruling=tuple(ids[ruling].tolist()),
        missed_rows=missed,
        free=free,
        motion=motion,
    )


def _covered(
    found: pd.DataFrame, features: Iterable[str] | None, between: Mapping[str, tuple[float, float]] | None
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Which rows a tolerance covers, and the features it names."""
    covered = np.ones(len(found), dtype=bool)
    names: tuple[str, ...] = ()
    if features is not None:
        names = (features,) if isinstance(features, str) else tuple(features)
        by_feature, by_face = found["feature"].to_numpy(dtype=object), found["face"].to_numpy(dtype=object)
        for one in names:
            if not ((by_feature == one).any() or (by_face == one).any()):
                known = sorted({str(f) for f in [*by_feature, *by_face] if isinstance(f, str) and f})
                raise InputError("no touch is on that feature", found=one, expected="one of " + ", ".join(known))
        covered = np.isin(by_feature.astype(str), names) | np.isin(by_face.astype(str), names)
    for axis, span in (between or {}).items():
        if axis not in ("x", "y", "z") or len(tuple(span)) != 2 or not span[0] < span[1]:
            raise InputError(
                "limits along a surface are an axis with two rising values",
                found=f"{axis}: {span}",
                expected="z: (10, 60)",
            )
        along = found[f"foot_{axis}"].to_numpy(dtype=float)
        if f"{axis}0" in found:
            target = found[f"{axis}0"].to_numpy(dtype=float)
            along = np.where(np.isfinite(target), target, along)
        covered &= (along >= span[0]) & (along <= span[1])
    return covered, names


def _best_placement(
    chosen: pd.DataFrame, nominal: Nominal | None, free: tuple[str, ...], middle: float, pivot: np.ndarray, name: str
) -> tuple[np.ndarray, np.ndarray]:
    """Deviations after the placement with the smallest largest distance from the zone's middle; its motion."""
    if nominal is None:
        raise InputError(f"tolerance '{name}' has free degrees of freedom, so it needs nominal= to project again")
    which = free_of([f for f in FREEDOMS if f not in free] if set(free) <= set(FREEDOMS) else free)
    points = chosen[["x", "y", "z"]].to_numpy(dtype=float)
    centre = points.mean(axis=0) if which[:3].all() else pivot
    length = max(float(np.sqrt(np.mean(np.sum((points - centre) ** 2, axis=1)))), 1e-6)
    measure = distance_function(chosen, nominal)
    solved = minimax_motion(points, measure, free_basis(which, length), pivot=centre, middle=middle)
    return solved.residuals + middle, make_motion(
        solved.parameters[:3], np.degrees(solved.parameters[3:]), pivot=centre
    )
