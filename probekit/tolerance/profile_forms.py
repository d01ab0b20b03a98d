"""Profile in its further forms: of a line, in several segments, of several features at once, per unit of surface.

All are built on the zone of `probekit.tolerance.profile`. Rules from memory of ASME Y14.5-2018: profile of a line 11.3,
composite profile 11.6, per unit basis, simultaneous requirements 7.19; actual values in the sense of Y14.5.1-2019.
ISO 1101 and ISO 5458 have no simultaneous requirement by default: there the drawing must say so (SIM, CZ).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..fit import FREEDOMS
from .boundaries import boundary_limits
from .cover import cover, direction_of, positive, sections_of
from .evaluation import Evaluation
from .placement import check_free, place
from .profile import limits, other_fits, profile, zone_evaluation

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from .spec import Profile

__all__ = ["composite", "line_profile", "per_unit", "separate", "simultaneous"]


def line_profile(
    found: pd.DataFrame,
    width: float,
    *,
    section: str | Iterable[float] = "z",
    apart: float = 0.5,
    outside: float | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    free: Iterable[str] = (),
    dynamic: bool = False,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
    name: str = "line profile",
) -> Evaluation:
    """Evaluate profile of a line: each section by itself.

    Parameters
    ----------
    found : DataFrame
        Deviations table.
    width, outside, features, between, dynamic, nominal, pivot, name
        As for `profile`.
    section : str or (3,) float
        A column that names the curve or plane of each touch, an axis "x", "y" or "z" square to the sections, or the
        direction of one.
    apart : float
        Touches whose heights differ by less than this from the next lie on one section [mm].
    free : iterable of str
        Motions left to the zone of each section. For sections square to z and no datum: tx, ty, rz.

    Returns
    -------
    Evaluation
        Its actual value is that of the worst section; `details` has the value of each.

    Raises
    ------
    InputError
        As `profile`, or if there is no such section.
    """
    sides, free = limits(width, outside), check_free(free)
    covered = cover(found, features, between, name=name)
    sections = sections_of(found, covered.rows, section, apart=apart)
    deviations, details = np.empty(len(covered.rows)), {}
    middle, half = sum(sides) / 2, positive(width) / 2
    for label, part in sections.items():
        placed = place(
            found.iloc[covered.rows[part]],
            nominal,
            free,
            middle,
            half,
            pivot=np.asarray(pivot, dtype=float),
            name=name,
            offset=dynamic,
        )
        deviations[part] = placed.deviations
        details[label] = 2.0 * float(np.abs(placed.deviations - middle).max())
    thin = [f"{label} ({len(part)})" for label, part in sections.items() if len(part) <= len(free) + dynamic]
    notes = (f"{len(sections)} sections, each with its own zone; only the touched sections are judged",)
    if thin:
        notes += ("sections with so few touches that their zone fits them whatever they are: " + ", ".join(thin),)
    return zone_evaluation(
        found,
        covered.rows,
        covered.missed,
        deviations,
        np.tile(sides, (len(covered.rows), 1)),
        settled=5e-6 if free or dynamic else 1e-9,
        name=name,
        features=covered.names,
        width=width,
        free=free,
        kind="profile of a line",
        details=details,
        notes=notes,
    )


def simultaneous(
    found: pd.DataFrame,
    tolerances: Sequence[Profile],
    *,
    free: Iterable[str] | None = None,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
) -> tuple[Evaluation, ...]:
    """Evaluate several profile tolerances at one common placement: the default for one datum frame in Y14.5.

    Parameters
    ----------
    found : DataFrame
        Deviations table.
    tolerances : sequence of Profile
        Profile tolerances that refer to the same datums, by `probekit.tolerance.Profile`.
    free : iterable of str, optional
        Degrees of freedom that the datum frame leaves to all of them together; by default those of the first, which
        must be those of all.
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
    The common placement is the one that makes the largest share |d - m| / (width/2), over all touches and zones, as
    small as can be: a minimax of scaled deviations. All tolerances are met together if and only if that is at most
    one. The actual value of one tolerance is what it needs at that placement.
    """
    if not tolerances:
        raise InputError("there is no tolerance to evaluate together")
    freedoms = {tuple(sorted(one.free)) for one in tolerances} if free is None else {tuple(sorted(check_free(free)))}
    if len(freedoms) > 1:
        raise InputError(
            "tolerances with different freedoms do not share a datum frame",
            found="; ".join(", ".join(one) or "none" for one in sorted(freedoms)),
            todo="Evaluate them apart, or give free= for all.",
        )
    if any(one.dynamic for one in tolerances):
        raise InputError("a dynamic profile has an offset of its own", todo="Evaluate it apart.")
    common = tuple(f for f in FREEDOMS if f in next(iter(freedoms)))
    parts = [cover(found, one.features or None, one.between, name=one.name) for one in tolerances]
    sides = [_sides(found, one)[part.rows] for one, part in zip(tolerances, parts, strict=True)]
    rows, zone = np.concatenate([part.rows for part in parts]), np.concatenate(sides)
    middle, half = zone.mean(axis=1), np.diff(zone, axis=1)[:, 0] / 2
    pivot = np.asarray(pivot, dtype=float)
    placed = place(found.iloc[rows], nominal, common, middle, half, pivot=pivot, name=tolerances[0].name)
    share = float((np.abs(placed.deviations - middle) / half).max())
    fixed_by = " and ".join(one.name for one in tolerances)
    evaluations, start = [], 0
    for one, part, own in zip(tolerances, parts, sides, strict=True):
        deviations = placed.deviations[start : start + len(part.rows)]
        start += len(part.rows)
        evaluations.append(
            zone_evaluation(
                found,
                part.rows,
                part.missed,
                deviations,
                own,
                settled=5e-6 if common else 1e-9,
                name=one.name,
                features=part.names,
                width=one.width,
                free=common,
                motion=placed.motion,
                details={"share of the tolerance used by the worst of all": share},
                notes=(f"simultaneous requirement: one placement for {fixed_by}",) if len(tolerances) > 1 else (),
                alternatives=partial(
                    other_fits, found.iloc[part.rows], nominal, own.mean(axis=1), np.diff(own, axis=1)[:, 0] / 2
                ),
            )
        )
    return tuple(evaluations)


def separate(
    found: pd.DataFrame,
    tolerances: Sequence[Profile],
    *,
    nominal: Nominal | None = None,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
) -> tuple[Evaluation, ...]:
    """Evaluate several profile tolerances each at its own placement: where the drawing says SEP REQT.

    Parameters
    ----------
    found, tolerances, nominal, pivot
        As for `simultaneous`.

    Returns
    -------
    tuple of Evaluation
    """
    return tuple(
        profile(
            found,
            one.width,
            outside=one.outside,
            boundaries=one.boundaries,
            features=one.features or None,
            between=one.between,
            free=one.free,
            dynamic=one.dynamic,
            nominal=nominal,
            pivot=pivot,
            name=one.name,
        )
        for one in tolerances
    )


def composite(
    found: pd.DataFrame,
    locating: Profile,
    relating: Profile,
    *,
    nominal: Nominal,
    pivot: Iterable[float] = (0.0, 0.0, 0.0),
) -> tuple[Evaluation, Evaluation]:
    """Evaluate a composite profile tolerance: two segments under one symbol.

    Parameters
    ----------
    found : DataFrame
    locating : Profile
        Upper segment: locates the features in the datum frame.
    relating : Profile
        Lower segment: a finer zone with more freedom. Its datums hold turns only, so all three shifts are free.
    nominal : Nominal
    pivot : (3,) float

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
    needed = dict.fromkeys((*locating.free, "tx", "ty", "tz"))
    lacking = [f for f in needed if f not in relating.free]
    if lacking:
        raise InputError(
            "the lower segment of a composite tolerance leaves all shifts free, and what the upper one leaves",
            found=f"held: {', '.join(lacking)}",
        )
    if tuple(locating.features) != tuple(relating.features):
        raise InputError("both segments of a composite tolerance cover the same features")
    upper, lower = separate(found, (locating, relating), nominal=nominal, pivot=pivot)
    return (
        replace(upper, notes=(*upper.notes, f"composite, segment 1 of 2: locates; refined by '{lower.name}'")),
        replace(lower, notes=(*lower.notes, f"composite, segment 2 of 2: relates and turns; refines '{upper.name}'")),
    )


def per_unit(
    found: pd.DataFrame,
    width: float,
    *,
    size: float,
    along: Iterable[float] | None = None,
    outside: float | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    free: Iterable[str] = FREEDOMS,
    nominal: Nominal | None = None,
    name: str = "profile per unit",
) -> Evaluation:
    """Evaluate profile per unit area or per unit length.

    Parameters
    ----------
    found : DataFrame
    width, outside, features, between, nominal, name
        As for `profile`; the width holds within each window.
    size : float
        Diameter of the round window, or length of the window along a line [mm].
    along : (3,) float, optional
        Direction of a line: windows of that length along it, in place of round ones.
    free : iterable of str
        Freedoms of the zone in each window; all by default.

    Returns
    -------
    Evaluation
        The largest actual value over the windows. It does not judge touches one by one.

    Raises
    ------
    InputError
        If the size is not positive, or no window holds two touches or more than its freedoms can fit.

    Notes
    -----
    A window is tried about each touch and, along a line, from each touch on. Only touches are seen: the true value
    between them, or in a window placed otherwise, may be larger.
    """
    free, reach = check_free(free), positive(size, "the size of a window")
    covered = cover(found, features, between, name=name)
    sides, middle = limits(width, outside), sum(limits(width, outside)) / 2
    if along is None:
        gaps = np.linalg.norm(covered.contact[:, None] - covered.contact[None], axis=2)
        inside = gaps <= reach / 2
    else:
        height = covered.contact @ direction_of(along, "of the line")
        inside = (height[None] >= height[:, None]) & (height[None] <= height[:, None] + reach)
    windows = [w for w in dict.fromkeys(tuple(np.flatnonzero(row).tolist()) for row in inside) if len(w) > 1]
    if not windows:
        raise InputError(
            f"tolerance '{name}': no window holds two touches", found=f"{reach:g} mm", todo="Touch denser."
        )
    best = (-1.0, (), np.empty(0))
    for window in windows:
        part = found.iloc[covered.rows[list(window)]]
        placed = place(part, nominal, free, middle, width / 2, pivot=np.zeros(3), name=name)
        value = 2.0 * float(np.abs(placed.deviations - middle).max())
        best = max(best, (value, window, placed.deviations), key=lambda one: one[0])
    value, window, deviations = best
    off = np.abs(deviations - middle)
    counts = sorted(len(w) for w in windows)
    notes = (
        f"{len(windows)} windows of {reach:g} mm with {counts[0]} to {counts[-1]} touches each; only touches are seen, "
        "so the true largest value may be larger",
    )
    return Evaluation(
        name=name,
        features=covered.names,
        width=float(width),
        lower=sides[0],
        upper=sides[1],
        actual=value,
        high=float(deviations.max()),
        low=float(deviations.min()),
        rows=covered.rows,
        deviations=found["deviation"].to_numpy(dtype=float)[covered.rows],
        ruling=tuple(covered.ids[list(window)][off >= off.max() - 5e-6].tolist()),
        missed_rows=covered.missed,
        free=free,
        motion=np.eye(4),
        kind="profile of a surface per unit " + ("area" if along is None else "length"),
        by_touch=False,
        notes=notes,
        details={"windows": float(len(windows)), "touches in the worst window": float(len(window))},
    )


def _sides(found: pd.DataFrame, one: Profile) -> np.ndarray:
    """(n, 2) limits of a profile tolerance at every row."""
    if one.boundaries is not None:
        return boundary_limits(found, one.boundaries)
    return np.tile(limits(one.width, one.outside), (len(found), 1))
