"""Several tolerances at once: simultaneous and separate requirements, and composite tolerances of two segments.

Rules from memory of ASME Y14.5-2018: composite position 10.5, composite profile 11.6, simultaneous requirements 7.19;
actual values in the sense of Y14.5.1-2019. ISO 1101 and ISO 5458 have no simultaneous requirement by default: there the
drawing must say so (SIM, CZ).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from ..deviation.projection import distance_function
from ..errors import InputError
from ..fit import FREEDOMS
from ..fit.datums.freedom import Freedom
from .cover import Covered
from .enough import require_located, require_unfitted
from .evaluation import Evaluation
from .placement import Free, freedom_of, place
from .position import Position, evaluation_at
from .profile import Profile, other_fits
from .settle import Skin, middles_of, settle

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.datums.frame import DatumFrame
    from ..nominal import Nominal

__all__ = ["composite", "separate", "simultaneous"]


def simultaneous(
    deviations: pd.DataFrame,
    tolerances: Sequence[Profile | Position],
    *,
    free: Free | None = None,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
) -> tuple[Evaluation, ...]:
    """Evaluate tolerances of profile and position at one common placement: the default for one datum frame in Y14.5.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table.
    tolerances : sequence of Profile or Position
        Tolerances that refer to the same datums.
    free : iterable of str, or DatumFrame, optional
        The datum frame, or degrees of freedom that it leaves to all of them together; by default those of the first,
        which must be those of all.
    nominal, pivot
        As for `profile`.

    Returns
    -------
    tuple of Evaluation
        One for each tolerance, at the common placement.

    Raises
    ------
    InputError
        If there is no tolerance, or the freedoms differ.
    FitError
        If the placement does not settle.

    Notes
    -----
    The common placement is the one that makes the largest share of a tolerance, over all zones, as small as can be:
    of a profile |d - m| / (width/2) over all touches, of a position (P - b)/t with the bonus b. All tolerances are
    met together if and only if that is at most one. The actual value of one tolerance is what it needs at that
    placement.
    """
    if not tolerances:
        raise InputError("there is no tolerance to evaluate together")
    named = {tuple(sorted(one.free)) for one in tolerances}
    if free is None and len(named) > 1:
        raise InputError(
            "tolerances with different freedoms do not share a datum frame",
            found="; ".join(", ".join(one) or "none" for one in sorted(named)),
            todo="Evaluate them separately, or give free= for all.",
        )
    if any(getattr(one, "tangent", False) for one in tolerances):
        raise InputError("a tangent plane has a placement of its own", todo="Evaluate it separately.")
    if any(getattr(one, "dynamic", False) for one in tolerances):
        raise InputError("a dynamic profile has an offset of its own", todo="Evaluate it separately.")
    common = freedom_of([f for f in FREEDOMS if f in tolerances[0].free] if free is None else free, pivot)
    surfaces = {k: _Zones(deviations, one) for k, one in enumerate(tolerances) if isinstance(one, Profile)}
    groups = {k: one.group(deviations, nominal) for k, one in enumerate(tolerances) if k not in surfaces}
    held = {k: group.held() for k, group in groups.items()}
    parts = [one.covered for one in surfaces.values()]
    at, normal = (
        np.concatenate([np.zeros((0, 3)), *(getattr(one, what) for one in parts)]) for what in ("contact", "normal")
    )
    if groups:
        middles = [one for several in held.values() for one in middles_of(several, common)]
        require_located(tolerances[0].name, middles, common, at, normal)
        skins = {k: one.skin(nominal, common) for k, one in surfaces.items()}
        motion = settle([*skins.values(), *(one for several in held.values() for one in several)], common)
        placed = {k: skin.shifts(motion)[:, 0] + skin.middle for k, skin in skins.items()}
    else:
        require_unfitted(tolerances[0].name, at, normal, common)
        rows, middle, half = (
            np.concatenate([getattr(one, what) for one in surfaces.values()]) for what in ("rows", "middle", "half")
        )
        settled = place(deviations.iloc[rows], nominal, common, middle, half, name=tolerances[0].name)
        motion, counts = settled.motion, np.cumsum([len(one.rows) for one in surfaces.values()])[:-1]
        placed = dict(zip(surfaces, np.split(settled.deviations, counts), strict=True))
    shares = [float((np.abs(placed[k] - one.middle) / one.half).max()) for k, one in surfaces.items()]
    shares += [one.share(motion) for several in held.values() for one in several]
    fixed_by = " and ".join(one.name for one in tolerances) if len(tolerances) > 1 else ""
    worst = {"share of the tolerance used by the worst of all": max(shares)}
    evaluations = []
    for k in range(len(tolerances)):
        if k in surfaces:
            evaluations.append(surfaces[k].evaluation(placed[k], common, motion, worst, fixed_by, nominal))
        else:
            one = evaluation_at(groups[k], common, motion, fixed_by)
            evaluations.append(replace(one, details={**one.details, **worst}))
    return tuple(evaluations)


class _Zones:
    """Touches of one profile tolerance, and the zone at each."""

    def __init__(self, deviations: pd.DataFrame, tolerance: Profile) -> None:
        self.deviations, self.tolerance = deviations, tolerance
        self.covered: Covered = tolerance.covered(deviations)
        self.rows = self.covered.rows
        self.sides = tolerance.sides(deviations)[self.rows]
        self.middle, self.half = self.sides.mean(axis=1), np.diff(self.sides, axis=1)[:, 0] / 2

    def skin(self, nominal: Nominal | None, free: Freedom) -> Skin:
        """The touches as `settle` takes them."""
        chosen = self.deviations.iloc[self.rows]
        points, deviation = chosen[["x", "y", "z"]].to_numpy(dtype=float), chosen["deviation"].to_numpy(dtype=float)
        if not free:
            return Skin(points, lambda at: (deviation, np.zeros_like(at)), self.middle, self.half)
        if nominal is None:
            raise InputError(
                f"tolerance '{self.tolerance.name}' has free degrees of freedom, so it needs nominal= to project again"
            )
        return Skin(points, distance_function(chosen, nominal), self.middle, self.half)

    def evaluation(
        self,
        deviations: np.ndarray,
        free: Freedom,
        motion: np.ndarray,
        details: dict[str, float],
        fixed_by: str,
        nominal: Nominal | None,
    ) -> Evaluation:
        """The evaluation where the motion puts the touches."""
        given = self.tolerance.width
        return Evaluation.by_touch(
            self.deviations,
            self.rows,
            deviations,
            2 * float(self.half.max()) if given is None else given,
            name=self.tolerance.name,
            kind="profile of a surface",
            limits=self.sides,
            settled=5e-6 if free else 1e-9,
            features=self.covered.names,
            missed_rows=self.covered.missed,
            free=free.names,
            freedom=free,
            motion=motion,
            details=details,
            notes=(
                *((f"simultaneous requirement: one placement for {fixed_by}",) if fixed_by else ()),
                *self.tolerance.around_notes(self.deviations, self.rows, nominal),
            ),
            alternatives=partial(other_fits, self.deviations.iloc[self.rows], nominal, self.middle, self.half),
        )


def separate(
    deviations: pd.DataFrame,
    tolerances: Sequence[Profile | Position],
    *,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
) -> tuple[Evaluation, ...]:
    """Evaluate several tolerances each at its own placement: where the drawing says SEP REQT.

    Parameters
    ----------
    deviations, tolerances, nominal, pivot
        As for `simultaneous`.

    Returns
    -------
    tuple of Evaluation
    """
    return tuple(one.evaluate(deviations, nominal, pivot=pivot) for one in tolerances)


def composite(
    deviations: pd.DataFrame,
    locating: Profile | Position,
    relating: Profile | Position,
    *,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    frame: DatumFrame | None = None,
    refined_in: DatumFrame | None = None,
) -> tuple[Evaluation, Evaluation]:
    """Evaluate a composite profile, or a composite position of a pattern: two segments under one symbol.

    Parameters
    ----------
    deviations : DataFrame
    locating : Profile or Position
        Upper segment: locates the features, as one pattern, in the datum frame.
    relating : Profile or Position
        Lower segment: a finer zone with more freedom. Its datums hold turns only, so all three shifts are free.
    nominal : Nominal, optional
        Needed by profiles.
    pivot : (3,) float
    frame, refined_in : DatumFrame, optional
        Datum frames of the upper and of the lower segment, that the table is in. What they leave, with the play of
        datums at MMB, is free where a segment does not name what is; of the lower one, all shifts besides.

    Returns
    -------
    locating, relating : Evaluation

    Raises
    ------
    InputError
        If the lower segment is not finer, holds a freedom that the upper one leaves, holds a shift, or covers other
        features.
    """
    if not relating.width < locating.width:
        raise InputError(
            "the lower segment of a composite tolerance must be finer", found=relating.width, expected=locating.width
        )
    if type(locating) is not type(relating) or tuple(locating.features) != tuple(relating.features):
        raise InputError("both segments of a composite tolerance are of one kind and cover the same features")
    upper_free = freedom_of(locating.free or frame or (), pivot)
    lower_free = freedom_of(relating.free, pivot)
    if not relating.free and refined_in is not None:
        lower_free = refined_in.freedom.with_shifts()
    needed = {name: Freedom.named(name, pivot) for name in ("tx", "ty", "tz")} | {
        "what the upper one leaves": upper_free
    }
    lacking = [name for name, one in needed.items() if not lower_free.holds(one)]
    if lacking:
        raise InputError(
            "the lower segment of a composite tolerance leaves all shifts free, and what the upper one leaves",
            found=f"held: {', '.join(lacking)}",
        )
    upper = locating.evaluate(deviations, nominal, pivot=pivot, free=upper_free)
    if isinstance(relating, Position):  # of one feature it holds the lean, which is not zero by construction
        lower = evaluation_at(relating.group(deviations, nominal), lower_free, located=False)
    else:
        lower = relating.evaluate(deviations, nominal, pivot=pivot, free=lower_free)
    return (
        replace(upper, notes=(*upper.notes, f"composite, segment 1 of 2: locates; refined by '{lower.name}'")),
        replace(lower, notes=(*lower.notes, f"composite, segment 2 of 2: relates and turns; refines '{upper.name}'")),
    )
