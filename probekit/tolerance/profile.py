"""Profile of a surface.

The zone lies between two surfaces offset from the nominal along its normals: `outside` on the side of more material,
`width - outside` on the other (ASME Y14.5-2018, clause 11; the part outside is what stands after the symbol for an
unequally disposed profile there). It is written as the limits lower <= d <= upper of the deviation d, with
upper = outside and lower = outside - width. A zone that is not uniform lies between two boundaries, each a distance
from the nominal that varies over the surface.

The actual value is the smallest width of a zone, grown and shrunk evenly from the middle of the specified one, to
which the touches conform (ASME Y14.5.1-2019, actual value by growing zone; from memory): 2 max |d - m| with
m = (lower + upper)/2. For equal disposition that is twice the largest deviation. It is at most `width` exactly when
every touch lies within the limits. With degrees of freedom left to the zone, it is the smallest value that any
motion in them can reach: a minimax placement. A dynamic profile (Y14.5-2018, 11.10, from memory) leaves the offset
of the zone free as well: it holds the form, not the size. Of a zone that is not uniform, the zone is grown in
proportion at each place, and the actual value is given in terms of its largest width (a convention of ours).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from ..deviation.projection import distance_function
from ..errors import InputError, ProbekitWarning
from ..fit import FREEDOMS, apply_motion, rigid
from ..fit.datums.freedom import Freedom
from .boundaries import Boundaries, boundary_limits
from .cover import covered_rows, positive
from .evaluation import Evaluation
from .placement import Free, freedom_of, place

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["limits", "other_fits", "profile"]


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
    positive(width, "the width of a profile zone")
    upper = width / 2 if outside is None else float(outside)
    if not np.isfinite(upper):
        raise InputError("the part of the zone outside the material is not a number", found=outside)
    return upper - width, upper


def profile(
    found: pd.DataFrame | np.ndarray,
    width: float | None = None,
    *,
    outside: float | None = None,
    boundaries: Boundaries | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    free: Free = (),
    dynamic: bool = False,
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
        Tolerance [mm]. Left out when `boundaries` are given.
    outside : float, optional
        Part of the zone outside the material [mm]; see `limits`.
    boundaries : pair or mapping, optional
        A zone that is not uniform: its lower and upper boundary; see `probekit.tolerance.boundaries.boundary_limits`.
    features : iterable of str, optional
        Features, or faces, that it covers together; all touches by default.
    between : mapping, optional
        Limits along the surface: axis "x", "y" or "z" -> (from, to) [mm]. Judged by the target's coordinates, or by
        the foot's where there is no target.
    free : iterable of str, or DatumFrame
        Degrees of freedom that the zone may still take up, of tx, ty, tz, rx, ry, rz: none when a full datum frame
        holds it, all six (`probekit.fit.FREEDOMS`) without a datum frame. Or the datum frame that the table is in:
        what its datums leave, and the play of those at MMB.
    dynamic : bool
        Leave a uniform offset of the zone free as well: form only.
    nominal : Nominal, optional
        Needed when `free` is not empty, for the touches are then projected again.
    pivot : (3,) float
        Point about which free turns that are named are taken [mm]; a datum frame has its own.
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
    free, bare = freedom_of(free, pivot), not hasattr(found, "columns")
    if bare and (free or features is not None or between is not None or boundaries is not None):
        raise InputError(
            "features, limits and free placement need a deviations table, not bare deviations",
            todo="Use probekit.deviation.project(touches, nominal).",
        )
    if boundaries is None:
        if width is None:
            raise InputError("a profile tolerance needs width= or boundaries=")
        sides = np.tile(limits(width, outside), (len(found), 1))
    else:
        if width is not None or outside is not None:
            raise InputError("a zone between two boundaries takes no width= and no outside=")
        sides = boundary_limits(found, boundaries)
    if bare:
        import pandas as pd

        deviation, names = np.asarray(found, dtype=float), ()
        covered = np.ones(len(deviation), dtype=bool)
        found = pd.DataFrame({"touch": np.arange(1, len(deviation) + 1), "deviation": deviation})
        found[["x", "y", "z"]] = 0.0
    else:
        covered, names = covered_rows(found, features, between)
    good = np.isfinite(found["deviation"].to_numpy(dtype=float))
    rows, missed = np.flatnonzero(covered & good), np.flatnonzero(covered & ~good)
    if not len(rows):
        raise InputError(f"tolerance '{name}' covers no touch that triggered", found=f"{len(missed)} missed touches")
    middle, half = sides[rows].mean(axis=1), np.diff(sides[rows], axis=1)[:, 0] / 2
    chosen = found.iloc[rows]
    placed = place(chosen, nominal, free, middle, half, name=name, offset=dynamic)
    details = {"offset": placed.offset} if dynamic else {}
    notes = (f"dynamic: the zone is offset by {placed.offset:+.4f} mm, so that only the form is judged",) * dynamic
    loose = free.motions.shape[1] + dynamic
    if len(rows) <= loose and np.abs(placed.deviations - middle).max() < 5e-6:
        notes += (f"{len(rows)} touches and a zone free in {loose} ways: zero by construction, and has no meaning",)
    return Evaluation.by_touch(
        found,
        rows,
        placed.deviations,
        float(np.diff(sides[rows], axis=1).max()) if width is None else width,
        name=name,
        kind="profile of a surface",
        limits=sides[rows],
        settled=5e-6 if free or dynamic else 1e-9,
        features=names,
        missed_rows=missed,
        free=free.names,
        freedom=free,
        motion=placed.motion,
        details=details,
        notes=notes,
        alternatives=None if bare else partial(other_fits, chosen, nominal, middle, half),
    )


def other_fits(chosen: pd.DataFrame, nominal: Nominal | None, middle: np.ndarray, half: np.ndarray) -> dict[str, float]:
    """Actual value [mm] that other placements of the zone would have given: held, least squares, minimax."""
    share = half.max() / half

    def value(deviations: np.ndarray) -> float:
        return 2.0 * float((share * np.abs(deviations - middle)).max())

    values = {"zone held where the datum frame puts it": value(chosen["deviation"].to_numpy(dtype=float))}
    if nominal is None or len(chosen) < 3:
        return values
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ProbekitWarning)  # what the touches do not fix does not matter here
        fitted = rigid(chosen, nominal, undetermined="hold")
    points = apply_motion(fitted.motion, chosen[["x", "y", "z"]].to_numpy(dtype=float))
    values["least squares over all six freedoms"] = value(distance_function(chosen, nominal)(points)[0])
    every = Freedom.named(FREEDOMS)
    placed = place(chosen, nominal, every, middle, half, name="another fit")
    values["minimax over all six freedoms"] = value(placed.deviations)
    floating = place(chosen, nominal, every, middle, half, offset=True, name="another fit")
    values["minimax over all six freedoms and a uniform offset"] = value(floating.deviations)
    return values
