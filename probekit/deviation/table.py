"""The deviations table: what a projection adds to the touches.

Columns: `cx, cy, cz` contact point; `foot_x, foot_y, foot_z`; `nx, ny, nz` outward unit normal at the foot; `face`;
`deviation` [mm], positive where material is left on; `flag`, empty or words of `FLAG_WORDS`. On exact surfaces also
`foot_by`, how the foot was found: "formula", "newton", "edge", "kernel", or "facet" where nothing settled and the foot
on the facets was kept. And how the touch was measured (`probekit.columns.BY_TOUCH`): `radius` [mm] compensated for, 0
for contact points; `allowance` [mm] at its foot; `bound`, the face it was projected on, "" for the whole model;
`compensate` and `along`, the words of `Projection`.
"""

from __future__ import annotations

from itertools import compress
from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import CONTACT, FOOT, FOOT_NORMAL, MEASURED, NORMAL, array, has
from ..errors import InputError
from ..nominal.exact import HOW, ExactFeet
from ..nominal.feet import AMBIGUOUS, AT_BOUNDARY, AT_EDGE, FAR, MISSED, OTHER_SIDE, TOO_TIGHT
from ..touches import Stylus
from ..touches.lobing import in_probe_frame
from ..touches.table import recorded_of
from .measuring import Radii, Way, allowances_of, faces_bound, measure
from .tight import held_off, too_tight

if TYPE_CHECKING:
    import pandas as pd

    from .projection import Projection

__all__ = ["FLAG_WORDS", "deviations_table", "flag_names", "one_radius", "other_ball"]

_SAME = 1e-6  # radii that differ by no more are one [mm]

#: Words of the column `flag`, by bit.
FLAG_WORDS = {
    AT_EDGE: "edge",
    AT_BOUNDARY: "boundary",
    AMBIGUOUS: "ambiguous",
    FAR: "far",
    MISSED: "missed",
    OTHER_SIDE: "other side",
    TOO_TIGHT: "too tight",
}

_BITS = range(1 << len(FLAG_WORDS))
_ALL_FLAGS = [" ".join(compress(FLAG_WORDS.values(), ((bits & bit) > 0 for bit in FLAG_WORDS))) for bits in _BITS]


def flag_names(flags: np.ndarray) -> np.ndarray:
    """(n,) words of flags (n,), the bits of `probekit.nominal.feet`."""
    return np.array(_ALL_FLAGS, dtype=object)[flags]


def deviations_table(how: Projection, touches: pd.DataFrame | np.ndarray) -> pd.DataFrame:
    """See `probekit.deviation.Projection.project`."""
    table = _as_table(touches, how)
    points = array(table, MEASURED)
    radii, compensating = _radii(table, how)
    faces = faces_bound(table, how.nominal) if how.named else None
    word = how.compensate if compensating else "foot"
    n, every = len(table), allowances_of(how.allowance, how.nominal)
    way = Way.of(table, np.full(n, word, dtype=object), np.full(n, how.along, dtype=object), faces)
    offsets = np.append(every, 0.0)  # face -1, of a missed touch, has none
    contact, feet, deviation, radius = measure(
        points,
        how.nominal,
        way,
        radii,
        lambda face: offsets[face],
        smooth=how.normal == "smooth",
        ambiguity=how.ambiguity,
    )
    flags = feet.flags
    if how.max_distance is not None:
        with np.errstate(invalid="ignore"):
            flags = flags | np.where(np.abs(deviation) > how.max_distance, FAR, 0).astype(np.uint8)
    tight = too_tight(feet, how.nominal, np.nan_to_num(radius), offsets[feet.face])
    tight |= held_off(points, feet, how.nominal, deviation, np.nan_to_num(radius), faces, every)
    flags = flags | np.where(tight, TOO_TIGHT, 0).astype(np.uint8)
    face = feet.face if faces is None else np.where(feet.face < 0, faces, feet.face)  # a missed touch keeps its own
    new: dict[str, Any] = {}
    for names, values in ((CONTACT, contact), (FOOT, feet.foot), (FOOT_NORMAL, feet.normal)):
        new |= {name: values[:, k] for k, name in enumerate(names)}
    new["face"] = _coded(face, how.nominal.face_names)
    new["deviation"] = deviation
    if isinstance(feet, ExactFeet):
        new["foot_by"] = _coded(feet.how, HOW)
    new["flag"] = _coded(flags, _ALL_FLAGS)
    new["radius"] = radius
    new["allowance"] = offsets[feet.face]
    new["bound"] = _coded(np.zeros(n, int) if faces is None else faces + 1, ("", *how.nominal.face_names))
    new["compensate"] = _coded(np.zeros(n, int), (word,))
    new["along"] = _coded(np.zeros(n, int), (how.along,))
    return _with(table, new)


def one_radius(deviations: pd.DataFrame) -> tuple[np.ndarray, float]:
    """Measured points as if one ball had touched all: what differs from the mean radius is compensated for.

    Fits of elements know one ball. What a radius differs from the mean is taken off along the foot's normal, or the
    target's where the touches are not projected. The error is that difference times 1 - cos of the angle between that
    normal and the element's: 10 um and 2 degrees give 6 nm.

    Parameters
    ----------
    deviations : (n rows) DataFrame
        Deviations table.

    Returns
    -------
    (n, 3) float, float
        Points [mm] and their one radius [mm].

    Raises
    ------
    InputError
        If the table does not tell the radius of a touch.
    """
    points = array(deviations, MEASURED)
    if "radius" not in deviations:
        raise InputError(
            "the table does not state the ball radius of its touches",
            column="radius",
            todo="Project the touches: probekit.deviation.Projection(nominal, stylus=...).project(touches).",
        )
    radius = array(deviations, ["radius"])[:, 0]
    hit = np.isfinite(points).all(axis=1)
    lost = np.flatnonzero(hit & ~np.isfinite(radius))
    if len(lost):
        raise InputError(
            f"{len(lost)} touches do not state their ball radius",
            column="radius",
            found=f"touch {deviations['touch'].iloc[lost[0]]} without a number",
            expected="mm, 0 for contact points",
        )
    if not hit.any():
        return points, 0.0
    mean = float(radius[hit].mean())
    spread = np.where(hit, radius - mean, 0.0)
    if np.abs(spread).max() < 1e-12:
        return points, mean
    outward = FOOT_NORMAL if has(deviations, FOOT_NORMAL) else NORMAL
    return points - spread[:, None] * array(deviations, outward), mean


def _radii(table: pd.DataFrame, how: Projection) -> tuple[Radii, bool]:
    """Radius by direction for each touch, and whether any is more than zero."""
    stylus = how.stylus
    _check_recorded(table, stylus)
    if stylus is None:
        own = array(table, ["radius"])[:, 0] if "radius" in table else np.zeros(len(table))
        lost = np.flatnonzero(~(own >= 0) & np.isfinite(array(table, MEASURED)).all(axis=1))
        if len(lost):
            raise InputError(
                "a touch does not state its ball radius",
                column="radius",
                found=f"touch {table['touch'].iloc[lost[0]]}: {own[lost[0]]:g}",
                expected="mm, zero or more",
            )
        return (lambda _directions: own), bool((own > 0).any())
    if isinstance(stylus, Stylus) and stylus.map is not None:
        by_direction = stylus.map
        return (lambda directions: by_direction.radius(in_probe_frame(table, directions))), True
    radius = float(stylus.effective_radius if isinstance(stylus, Stylus) else stylus)
    if not (np.isfinite(radius) and radius >= 0):
        raise InputError("the effective radius of the stylus is not usable", found=radius, expected="mm, zero or more")
    _check_stated(table, radius)
    return (lambda directions: np.full(len(directions), radius)), radius > 0


def other_ball(radii: np.ndarray, radius: float) -> np.ndarray:
    """Rows of radii (n,) [mm] that are of another ball than one of this radius; NaN tells none."""
    return np.flatnonzero(np.abs(radii - radius) > _SAME)


def _check_stated(table: pd.DataFrame, radius: float) -> None:
    """Refuse a table whose touches state another radius than the stylus: of two runs that were merged one is then off.

    A radius of 0 states none: it is what a table of contact points has.
    """
    stated = array(table, ["radius"])[:, 0] if "radius" in table else np.zeros(len(table))
    other = other_ball(np.where(stated > 0, stated, np.nan), radius)
    if len(other):
        named = table["touch"].iloc[other[0]] if "touch" in table else other[0]
        raise InputError(
            "a touch states another ball radius than that of the stylus",
            column="radius",
            found=f"touch {named}: {stated[other[0]]:g}" + (f", and {len(other) - 1} more" if len(other) > 1 else ""),
            expected=f"{radius:g} mm",
            todo="Leave out the stylus to use the radius of each touch, or the column to use that of the stylus.",
        )


def _check_recorded(table: pd.DataFrame, stylus: Stylus | float | None) -> None:
    recorded, source = table.attrs.get("recorded"), table.attrs.get("source")
    recorded = None if recorded is None else recorded_of(recorded, file=source)
    if recorded == "contact" and stylus is not None:
        raise InputError(
            "the touches are contact points: there is no ball radius to compensate for",
            file=source,
            todo='Leave out stylus=, or set attrs["recorded"] = "centre" if they are ball centres.',
        )
    if stylus is not None or "radius" in table or recorded == "contact":
        return
    raise InputError(
        "the touches are ball centres, and no stylus was given"
        if recorded == "centre"
        else "the table does not say whether its positions are ball centres or contact points",
        file=source,
        expected="stylus=, a Stylus or its effective radius in mm; 0 for contact points",
    )


def _as_table(touches: pd.DataFrame | np.ndarray, how: Projection) -> pd.DataFrame:
    import pandas as pd

    if isinstance(touches, pd.DataFrame):
        missing = [c for c in MEASURED if c not in touches]
        if missing:
            raise InputError(
                "the touches table lacks measured positions", column=missing[0], expected="columns x, y, z"
            )
        return touches
    points = np.asarray(touches, dtype=float)
    if points.ndim != 2 or points.shape[1] != 3:
        raise InputError(
            "positions must be an array of three columns", found=f"shape {points.shape}", expected="(n, 3)"
        )
    table = pd.DataFrame({"touch": np.arange(1, len(points) + 1), "feature": ""})
    table[list(MEASURED)] = points
    return table if how.stylus is not None else table.assign(radius=0.0)


def _coded(codes: np.ndarray, names: tuple[str, ...] | list[str]) -> Any:
    import pandas as pd

    return pd.Categorical.from_codes(codes, categories=list(names))


def _with(table: pd.DataFrame, new: dict[str, Any]) -> pd.DataFrame:
    import pandas as pd

    added = pd.DataFrame(new, index=table.index, copy=False)
    out = pd.concat([table.drop(columns=[c for c in table.columns if c in new]), added], axis=1)
    out.attrs = dict(table.attrs)
    return out
