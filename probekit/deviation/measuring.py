"""Signed distance of ball centres or contact points from the nominal, each measured in its own way."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import BY_TOUCH, FOOT, MEASURED, NORMAL, TARGET, array, has, words
from ..errors import InputError
from ..nominal.feet import AT_EDGE, Feet, joined
from ..touches import compensate as compensated
from ..touches.compensation import directions_from
from .sides import known_directions, on_known_side

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["Way", "allowances_of", "faces_bound", "measure", "measured_from"]

#: (n,) radius for outward directions (n, 3) of the part frame [mm].
Radii = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class Way:
    """How each touch of a table is measured.

    Attributes
    ----------
    by_foot : (n,) bool
        Whether compensation is along the foot's normal; so also where there is nothing to compensate for.
    to_target : (n,) bool
        Whether the deviation is that from the target, along the target's normal.
    faces : (n,) int or None
        Face each touch is bound to, -1 for any; None if none is bound.
    outward : (n, 3) float
        Outward directions of compensation where that is not by the foot.
    target, target_normal : (n, 3) float
        Where the deviation is measured along the target's normal.
    known : (n, 3) float
        Outward directions that tell the side of a thin wall; NaN where nothing does.
    """

    by_foot: np.ndarray
    to_target: np.ndarray
    faces: np.ndarray | None
    outward: np.ndarray
    target: np.ndarray
    target_normal: np.ndarray
    known: np.ndarray

    @classmethod
    def of(cls, table: pd.DataFrame, compensate: np.ndarray, along: np.ndarray, faces: np.ndarray | None) -> Way:
        """The way of a table, with the directions and targets that it asks for.

        Raises
        ------
        InputError
            If a direction or a target is needed and missing.
        """
        n = len(table)
        outward, target, normal = np.full((3, n, 3), np.nan)
        for word in ("target", "approach"):
            rows = np.flatnonzero(compensate == word)
            if len(rows):
                outward[rows] = directions_from(table.iloc[rows], by=word)
        rows = np.flatnonzero(along == "target")
        if len(rows):
            target[rows], normal[rows] = _targets(table.iloc[rows])
        known = np.where((along == "target")[:, None], np.nan, known_directions(table))
        return cls(compensate == "foot", along == "target", faces, outward, target, normal, known)


def measure(
    points: np.ndarray,
    nominal: Nominal,
    way: Way,
    radii: Radii,
    allowance: Callable[[np.ndarray], np.ndarray],
    *,
    smooth: bool = False,
    ambiguity: float | None = None,
) -> tuple[np.ndarray, Feet, np.ndarray, np.ndarray]:
    """Contact points (n, 3), feet, deviations (n,) and radii compensated for (n,) of measured points (n, 3) [mm].

    `allowance` takes the faces of the feet (n,) and gives the machining allowance there (n,) [mm].
    """
    by_foot = way.by_foot
    queries, radius = points, np.zeros(len(points))
    if not by_foot.all():
        outward = np.where(by_foot[:, None], np.nan, way.outward)
        radius = np.where(by_foot, 0.0, radii(outward))
        rows = np.flatnonzero(~by_foot & np.isfinite(points).all(axis=1))
        queries = points.copy()
        queries[rows] = compensated(points[rows], radius[rows], outward[rows])
    feet = _feet(queries, nominal, way.faces, smooth=smooth, ambiguity=ambiguity)
    height = np.where(by_foot, radii(feet.normal), 0.0)
    feet = on_known_side(feet, queries, way.known, nominal, way.faces, radius=height, smooth=smooth)
    towards = _towards(queries, feet, smooth)
    radius = np.where(by_foot, radii(towards), radius)
    own = np.where(by_foot, radius, 0.0)
    deviation = feet.distance - own
    contact = np.where(own[:, None] != 0, queries - own[:, None] * towards, queries)
    if way.to_target.any():
        flat = way.to_target
        aside = np.einsum("ij,ij->i", contact - way.target, way.target_normal)
        deviation = np.where(flat, aside, deviation)
        feet = replace(
            feet,
            foot=np.where(flat[:, None], way.target, feet.foot),
            normal=np.where(flat[:, None], way.target_normal, feet.normal),
        )
    extra = allowance(feet.face)
    if extra.any():
        deviation = deviation - extra
        feet = replace(feet, foot=feet.foot + extra[:, None] * feet.normal)
    return contact, feet, deviation, radius


def measured_from(
    deviations: pd.DataFrame, nominal: Nominal, *, smooth: bool = False
) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """See `probekit.deviation.Projection.measure`."""
    missing = [name for name in (*MEASURED, *FOOT, *BY_TOUCH) if name not in deviations]
    if missing:
        raise InputError(
            "the table does not say how its touches are measured",
            found=f"no column {', '.join(missing)}",
            expected="a deviations table",
            todo="Project the touches first: probekit.deviation.Projection(nominal, stylus=...).project(touches).",
        )
    way = Way.of(
        deviations,
        words(deviations, "compensate"),
        words(deviations, "along"),
        _faces_named(deviations, "bound", nominal),
    )
    radius, extra = array(deviations, ["radius"])[:, 0], array(deviations, ["allowance"])[:, 0]
    extra = np.nan_to_num(extra)

    def at(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        _, feet, deviation, _ = measure(points, nominal, way, lambda _out: radius, lambda _face: extra, smooth=smooth)
        return deviation, feet.normal

    return at


def allowances_of(allowance: float | Mapping[str, float], nominal: Nominal) -> np.ndarray:
    """Machining allowance of each face (k,) [mm].

    Raises
    ------
    InputError
        If one is not a number, or a face does not exist.
    """
    values = np.zeros(len(nominal.face_names))
    of_all = {"": allowance} if not isinstance(allowance, Mapping) else None
    for name, value in (of_all or allowance).items():
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not np.isfinite(value):
            raise InputError("the machining allowance is not a number", found=value, expected="mm, for all or by face")
        values[slice(None) if of_all else nominal.face_index(name)] = value
    return values


def faces_bound(table: pd.DataFrame, nominal: Nominal) -> np.ndarray | None:
    """(n,) face each touch is to be projected on, -1 for any; None if no touch says one.

    By the column `bound` of an earlier projection; else by `face`, else by a `feature` that is a face; what is left by
    the face its target lies inside of.

    Raises
    ------
    InputError
        If a face is named that the nominal does not have.
    """
    if "bound" in table:
        return _faces_named(table, "bound", nominal)
    faces = np.full(len(table), -1, dtype=np.int32)
    if "face" in table and (words(table, "face") != "").any():
        faces = _faces_named(table, "face", nominal)
    elif "feature" in table and set(table["feature"].unique()) & set(nominal.face_names):
        faces = _codes(words(table, "feature"), nominal)
    elif not (has(table, TARGET) and table["x0"].notna().any()):
        return None
    loose = np.flatnonzero(faces < 0)
    if len(loose) and has(table, TARGET):
        at = nominal.engine.feet(array(table, TARGET)[loose])
        faces[loose] = np.where(at.flags & AT_EDGE, -1, at.face)  # a target on the edge between two means neither
    return faces


def _faces_named(table: pd.DataFrame, column: str, nominal: Nominal) -> np.ndarray:
    named = words(table, column)
    for name in dict.fromkeys(named):
        if name:
            nominal.face_index(str(name))
    return _codes(named, nominal)


def _codes(named: np.ndarray, nominal: Nominal) -> np.ndarray:
    import pandas as pd

    code, names = pd.factorize(named)
    known = {name: i for i, name in enumerate(nominal.face_names)}
    return np.array([known.get(str(name), -1) for name in names] or [-1], dtype=np.int32)[code]


def _towards(points: np.ndarray, feet: Feet, smooth: bool) -> np.ndarray:
    """Unit vector from foot to ball centre, outward; `normal` unless that is an interpolated one."""
    if not smooth:
        return feet.normal
    clear = np.abs(feet.distance) > 1e-9
    safe = np.where(clear, feet.distance, 1.0)[:, None]
    return np.where(clear[:, None], (points - feet.foot) / safe, feet.normal)


def _feet(
    points: np.ndarray, nominal: Nominal, faces: np.ndarray | None, *, smooth: bool, ambiguity: float | None
) -> Feet:
    """Feet on the whole model, or row by row on the face asked for (-1: any)."""
    if faces is None or not (faces >= 0).any():
        return nominal.engine.feet(points, smooth=smooth, ambiguity=ambiguity)
    free, bound = np.flatnonzero(faces < 0), np.flatnonzero(faces >= 0)
    parts = [(bound, nominal.engine.feet_on(points[bound], faces[bound], smooth=smooth))]
    if len(free):
        parts.append((free, nominal.engine.feet(points[free], smooth=smooth, ambiguity=ambiguity)))
    return joined(parts)


def _targets(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    if not has(table, (*TARGET, *NORMAL)):
        raise InputError(
            'along="target" needs targets',
            expected="columns x0, y0, z0, i, j, k",
            todo='Use along="foot" without targets.',
        )
    target, normal = array(table, TARGET), array(table, NORMAL)
    bad = ~(np.isfinite(target).all(axis=1) & np.isfinite(normal).all(axis=1))
    if bad.any():
        raise InputError(
            f'along="target" needs a target in every row; {int(bad.sum())} have none',
            found=f"touch {table['touch'].iloc[int(np.flatnonzero(bad)[0])]} without target",
        )
    length = np.linalg.norm(normal, axis=1)
    bad = np.abs(length - 1) > 1e-6
    if bad.any():
        first = int(np.flatnonzero(bad)[0])
        raise InputError(
            f'along="target" needs normals of unit length; {int(bad.sum())} are not',
            found=f"touch {table['touch'].iloc[first]} with a normal of length {length[first]:g}",
        )
    return target, normal
