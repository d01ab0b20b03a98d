"""Deviations: compensate the ball, find the foot of each touch on the nominal, sign it, flag what needs a look.

Columns added to the touches table: `cx, cy, cz` contact point; `foot_x, foot_y, foot_z`; `nx, ny, nz` outward unit
normal at the foot; `face`; `deviation` [mm], positive where material is left on; `flag`, empty or words of
`FLAG_WORDS`. On exact surfaces also `foot_by`, how the foot was found: "formula", "newton", "edge", "kernel", or
"facet" where nothing settled and the foot on the facets was kept.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from itertools import compress
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ..errors import InputError
from ..nominal.exact import HOW, ExactFeet
from ..nominal.facets import AMBIGUOUS, AT_BOUNDARY, AT_EDGE, FAR, MISSED, OTHER_SIDE, TOO_TIGHT, Feet
from ..touches import RadiusMap, Stylus, directions_from
from ..touches import compensate as compensated
from ..touches.lobing import in_probe_frame
from .sides import known_directions, on_known_side
from .tight import too_tight

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["FLAG_WORDS", "distance_function", "project"]

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


def project(
    touches: pd.DataFrame | np.ndarray,
    nominal: Nominal,
    *,
    stylus: Stylus | float | None = None,
    compensate: Literal["foot", "target", "approach"] = "foot",
    along: Literal["foot", "target"] = "foot",
    normal: Literal["facet", "smooth"] = "facet",
    named: bool = True,
    max_distance: float | None = None,
    ambiguity: float = 0.001,
    allowance: float | Mapping[str, float] = 0.0,
) -> pd.DataFrame:
    """Project touches on the nominal.

    Parameters
    ----------
    touches : DataFrame or (n, 3) array
        Touches table, or bare positions [mm].
    nominal : Nominal
    stylus : Stylus or float, optional
        The stylus, or its effective radius [mm]. Needed when ball centres were recorded; must be left out when
        contact points were. If it has a radius map, the radius is that of the direction the ball is taken off along, as
        the probe sees it (columns ``turn_x, turn_y, turn_z``, if the table has them).
    compensate : {"foot", "target", "approach"}
        Direction along which the ball is taken off: the normal at the foot of the centre (exact for a smooth part),
        the target's normal, or against the approach. See `probekit.touches.compensate` for the error of each.
    along : {"foot", "target"}
        Deviation to the nearest point of the nominal, or from the target along the target's normal.
    normal : {"facet", "smooth"}
        Normal reported: the facet's own, or interpolated over the face. Does not change the deviation.
    named : bool
        A touch that names its face (column `face`, or a `feature` that is a face), or else has a target inside one,
        is projected on that face only. False: every touch on the whole model.
    max_distance : float, optional
        Deviations larger than this are flagged "far" [mm].
    ambiguity : float
        A foot is flagged "ambiguous" when another face is at most this much further away [mm]; looked for only
        where the touch is not bound to a face.
    allowance : float or mapping
        Machining allowance still on the part at this stage: the nominal is taken offset outward by this much along its
        normals, on all faces or by name of face; faces not named have none [mm]. Negative for an undersize.

    Returns
    -------
    DataFrame
        The deviations table; rows, order and index of the touches, nothing dropped. Its `attrs["projection"]` holds
        the settings, so that `probekit.fit` projects in the same way.

    Raises
    ------
    InputError
        If the stylus is missing or superfluous, a face does not exist, a target is needed and missing, or an allowance
        is not a number.
    """
    table = _as_table(touches)
    for word, value, allowed in (
        ("compensate", compensate, ("foot", "target", "approach")),
        ("along", along, ("foot", "target")),
        ("normal", normal, ("facet", "smooth")),
    ):
        if value not in allowed:
            raise InputError(f"{word}= is not known", found=value, expected="one of " + ", ".join(allowed))
    settings = {
        "radius": _radius(table, stylus),
        "map": stylus.map.plain() if isinstance(stylus, Stylus) and stylus.map else None,
        "compensate": compensate,
        "along": along,
        "normal": normal,
        "max_distance": max_distance,
        "ambiguity": ambiguity,
        "allowance": _allowance(allowance, nominal),
        "by": _bound_by(table, nominal) if named else "nothing",
    }
    points = _columns(table, "x", "y", "z")
    faces = _faces(table, nominal, settings["by"])
    contact, feet, deviation = _measure(points, table, nominal, settings, faces)
    flags = feet.flags
    if max_distance is not None:
        with np.errstate(invalid="ignore"):
            flags = flags | np.where(np.abs(deviation) > max_distance, FAR, 0).astype(np.uint8)
    extra = np.append(settings["allowance"] or np.zeros(len(nominal.face_names)), 0.0)[feet.face]
    flags = flags | np.where(too_tight(feet, nominal, settings["radius"], extra), TOO_TIGHT, 0).astype(np.uint8)
    face = feet.face if faces is None else np.where(feet.face < 0, faces, feet.face)  # a missed touch keeps its own
    return _with_columns(table, nominal, contact, feet, face, deviation, flags, settings)


def distance_function(
    found: pd.DataFrame, nominal: Nominal, *, smooth: bool = False
) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Deviation of moved touches, for fits: same compensation, same faces as when `found` was made.

    Parameters
    ----------
    found : (n rows) DataFrame
        Deviations table made by `project`.
    nominal : Nominal
    smooth : bool
        Give normals interpolated over each face in place of the gradient, which is constant on a facet.

    Returns
    -------
    callable
        Takes moved measured points (n, 3) [mm]; returns deviations (n,) [mm] and their gradient over those points,
        unit vectors (n, 3).

    Raises
    ------
    InputError
        If `found` was not made by `project`.
    """
    settings = found.attrs.get("projection")
    if settings is None:
        raise InputError(
            "these touches were not projected", todo="Use probekit.deviation.project(touches, nominal) first."
        )
    settings = {**settings, "ambiguity": None, "normal": "smooth" if smooth else "facet"}
    faces = _faces(found, nominal, settings["by"])

    def measure(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        _, feet, deviation = _measure(points, found, nominal, settings, faces)
        return deviation, feet.normal

    return measure


def _measure(
    points: np.ndarray, table: pd.DataFrame, nominal: Nominal, settings: dict[str, Any], faces: np.ndarray | None
) -> tuple[np.ndarray, Feet, np.ndarray]:
    """Contact points (n, 3), feet and deviations (n,) of measured points (n, 3)."""
    radius, by_foot = settings["radius"], settings["compensate"] == "foot"
    queries = points
    if radius and not by_foot:
        directions = directions_from(table, by=settings["compensate"])
        queries = compensated(points, _radii(table, directions, settings), directions)
    smooth = settings["normal"] == "smooth"
    feet = _feet(queries, nominal, faces, smooth=smooth, ambiguity=settings["ambiguity"])
    if settings["along"] == "foot":
        height = radius if by_foot else 0.0
        feet = on_known_side(feet, queries, known_directions(table), nominal, faces, radius=height, smooth=smooth)
    contact, deviation = queries, feet.distance
    if radius and by_foot:
        towards = _towards(points, feet, settings)
        radii = _radii(table, towards, settings)
        deviation = feet.distance - radii
        contact = points - radii[:, None] * towards
    if settings["along"] == "target":
        target, normal = _targets(table)
        deviation = np.einsum("ij,ij->i", contact - target, normal)
        feet = replace(feet, foot=target, normal=normal, distance=deviation)
    if any(settings["allowance"]):
        extra = np.append(settings["allowance"], 0.0)[feet.face]  # face -1, of a missed touch, has none
        deviation = deviation - extra
        feet = replace(feet, foot=feet.foot + extra[:, None] * feet.normal)
    return contact, feet, deviation


def _radii(table: pd.DataFrame, directions: np.ndarray, settings: dict[str, Any]) -> np.ndarray:
    """(n,) effective radius for outward directions (n, 3) of the part frame [mm]."""
    if settings["map"] is None:
        return np.full(len(directions), settings["radius"])
    return RadiusMap(**settings["map"]).radius(in_probe_frame(table, directions))


def _allowance(allowance: float | Mapping[str, float], nominal: Nominal) -> tuple[float, ...]:
    """Offset of each face [mm]; empty if there is none."""
    values = np.zeros(len(nominal.face_names))
    by_face = allowance if isinstance(allowance, Mapping) else dict.fromkeys(nominal.face_names, allowance)
    for name, value in by_face.items():
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not np.isfinite(value):
            raise InputError("the machining allowance is not a number", found=value, expected="mm, for all or by face")
        values[nominal.face_index(name)] = value
    return tuple(values.tolist()) if values.any() else ()


def _towards(points: np.ndarray, feet: Feet, settings: dict[str, Any]) -> np.ndarray:
    """Unit vector from foot to ball centre, outward; `normal` unless that is an interpolated one."""
    if settings["normal"] == "facet":
        return feet.normal
    clear = np.abs(feet.distance) > 1e-9
    safe = np.where(clear, feet.distance, 1.0)[:, None]
    return np.where(clear[:, None], (points - feet.foot) / safe, feet.normal)


def _feet(
    points: np.ndarray, nominal: Nominal, faces: np.ndarray | None, *, smooth: bool, ambiguity: float | None
) -> Feet:
    """Feet on the whole model, or row by row on the face asked for (-1: any)."""
    if faces is None:
        return nominal.engine.feet(points, smooth=smooth, ambiguity=ambiguity)
    parts = []
    for face in np.unique(faces):
        rows = np.flatnonzero(faces == face)
        if face < 0:
            part = nominal.engine.feet(points[rows], smooth=smooth, ambiguity=ambiguity)
        else:
            engine, own = nominal.engine.of_face(int(face))
            part = engine.feet(points[rows], smooth=smooth)
            part = replace(part, facet=np.where(part.facet >= 0, own[part.facet], -1))
        parts.append((rows, part))
    if not parts:
        return nominal.engine.feet(points)
    whole = {}
    for field in fields(parts[0][1]):
        values = getattr(parts[0][1], field.name)
        whole[field.name] = np.empty((len(points), *values.shape[1:]), dtype=values.dtype)
        for rows, part in parts:
            whole[field.name][rows] = getattr(part, field.name)
    return type(parts[0][1])(**whole)


def _as_table(touches: pd.DataFrame | np.ndarray) -> pd.DataFrame:
    import pandas as pd

    if isinstance(touches, pd.DataFrame):
        missing = [c for c in "xyz" if c not in touches]
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
    return pd.DataFrame(
        {"touch": np.arange(1, len(points) + 1), "feature": "", "x": points[:, 0], "y": points[:, 1], "z": points[:, 2]}
    )


def _radius(table: pd.DataFrame, stylus: Stylus | float | None) -> float:
    recorded = table.attrs.get("recorded")
    if recorded == "contact":
        if stylus is not None:
            raise InputError(
                "the touches are contact points, so no ball must be taken off",
                file=table.attrs.get("source"),
                todo='Leave out stylus=, or set attrs["recorded"] = "centre" if they are ball centres.',
            )
        return 0.0
    if recorded == "centre" and stylus is None:
        raise InputError(
            "the touches are ball centres, and no stylus was given",
            file=table.attrs.get("source"),
            expected="stylus=, a Stylus or its effective radius in mm",
        )
    if stylus is None:
        return 0.0
    radius = float(stylus.effective_radius if isinstance(stylus, Stylus) else stylus)
    if not (np.isfinite(radius) and radius >= 0):
        raise InputError("the effective radius of the stylus is not usable", found=radius, expected="mm, zero or more")
    return radius


def _bound_by(table: pd.DataFrame, nominal: Nominal) -> str:
    """Which column binds touches to faces: "face", "feature", "target" or "nothing"."""
    before = table.attrs.get("projection")
    if before is not None and "foot_x" in table:
        return before["by"]
    if "face" in table and (table["face"].astype(object).fillna("") != "").any():
        return "face"
    if "feature" in table and set(table["feature"].unique()) & set(nominal.face_names):
        return "feature"
    return "target" if {"x0", "y0", "z0"} <= set(table) and table["x0"].notna().any() else "nothing"


def _faces(table: pd.DataFrame, nominal: Nominal, by: str) -> np.ndarray | None:
    """(n,) face index asked for by each touch, -1 for any; None if no touch asks."""
    import pandas as pd

    if by == "nothing":
        return None
    faces = np.full(len(table), -1, dtype=np.int32)
    if by in ("face", "feature"):
        code, names = pd.factorize(table[by].astype(object).fillna(""))
        known = {name: i for i, name in enumerate(nominal.face_names)}
        if by == "face":
            for name in names:
                if name:
                    nominal.face_index(str(name))
        faces = np.array([known.get(str(name), -1) for name in names] or [-1], dtype=np.int32)[code]
    loose = np.flatnonzero(faces < 0)
    if len(loose) and {"x0", "y0", "z0"} <= set(table):
        at = nominal.engine.feet(_columns(table, "x0", "y0", "z0")[loose])
        faces[loose] = np.where(at.flags & AT_EDGE, -1, at.face)  # a target on the edge between two means neither
    return faces


def _targets(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    if not {"x0", "y0", "z0", "i", "j", "k"} <= set(table):
        raise InputError(
            'along="target" needs targets',
            expected="columns x0, y0, z0, i, j, k",
            todo='Use along="foot" without targets.',
        )
    target, normal = _columns(table, "x0", "y0", "z0"), _columns(table, "i", "j", "k")
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


def _columns(table: pd.DataFrame, *names: str) -> np.ndarray:
    """Columns as an (n, k) float array."""
    out = np.empty((len(table), len(names)))
    for k, name in enumerate(names):
        out[:, k] = table[name].to_numpy(dtype=float)
    return out


def _with_columns(
    table: pd.DataFrame,
    nominal: Nominal,
    contact: np.ndarray,
    feet: Feet,
    face: np.ndarray,
    deviation: np.ndarray,
    flags: np.ndarray,
    settings: dict[str, Any],
) -> pd.DataFrame:
    import pandas as pd

    new: dict[str, Any] = {}
    for names, values in (
        (("cx", "cy", "cz"), contact),
        (("foot_x", "foot_y", "foot_z"), feet.foot),
        (("nx", "ny", "nz"), feet.normal),
    ):
        for k, name in enumerate(names):
            new[name] = values[:, k]
    new["face"] = pd.Categorical.from_codes(face, categories=list(nominal.face_names))
    new["deviation"] = deviation
    if isinstance(feet, ExactFeet):
        new["foot_by"] = pd.Categorical.from_codes(feet.how, categories=list(HOW))
    new["flag"] = pd.Categorical.from_codes(flags, categories=_ALL_FLAGS)
    added = pd.DataFrame(new, index=table.index, copy=False)
    kept = table.drop(columns=[c for c in table.columns if c in new])
    out = pd.concat([kept, added], axis=1)
    out.attrs = {**table.attrs, "projection": settings}
    return out
