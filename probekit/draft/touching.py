"""Where a drafted study suggests to touch: every feature that a table is about, by the ways of `probekit.plan`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..geometry import across
from .features import Feature, Features
from .tables import FILL_IN, Table

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["plan_tables"]

_RINGS, _ROUND = 3, 6  # depths, and touches at each: opposed in pairs, and more than fix the axis
_SHORT = 4.0  # a cylinder with less has two rings [mm]
_INSET = 4.0  # of rings from the ends at most, so that a ball of twice that has room; shared evenly if less [mm]
_IN_UNIT, _MOST = 3.0, 500  # spacings in a unit that a tolerance holds per; touches on a face at most, about
_WHOLE = 60.0  # a cylinder is no bore or boss to touch in rings if it is open by more than this [degree]
_OFF = 0.05  # a datum target further off the part is left to a person [mm]
_ELSE = 16  # touches on each side of any other feature; common practice, no source


def plan_tables(part: Nominal, features: Features, tables: list[Table]) -> list[dict[str, Any]]:
    """Keys of [[plan]] tables, one for each feature that tolerances or datums name.

    Parameters
    ----------
    part : Nominal
        As loaded, without the names of the features.
    features : Features
    tables : list of Table
    """
    known = {one.name: one for one in features.all}
    listed = (table.keys.get("features", ()) for table in tables)
    named = dict.fromkeys(name for names in listed if names != FILL_IN for name in names)
    units = {name: table.keys["unit"] for table in tables if "unit" in table.keys for name in table.keys["features"]}
    ways = [_ways(part, name, known.get(name), units.get(name)) for name in named]
    return ways + [way for table in tables for way in _on_targets(part, table)]


def _on_targets(part: Nominal, table: Table) -> list[dict[str, Any]]:
    """A touch at each datum target of a table that lies on the part, which touches of whole features need not meet."""
    targets = table.keys.get("targets", ())
    points = [] if targets == FILL_IN else [one["point"] for one in targets]
    if not points:
        return []
    on = np.abs(part.engine.feet(np.array(points, dtype=float)).distance) <= _OFF
    points = [point for point, there in zip(points, on, strict=True) if there]
    return [{"how": "pick", "points": points, "feature": f"targets_{table.keys['letter']}"}] if points else []


def _ways(part: Nominal, name: str, feature: Feature | None, unit: float | None) -> dict[str, Any]:
    if unit is not None:
        faces = feature.faces if feature is not None else (name,)
        area = sum(float(part.face_areas[part.face_names.index(face)]) for face in faces)
        spacing = round(max(unit / _IN_UNIT, float(np.sqrt(area / _MOST))), 3)
        return {"how": "poisson_disc", "faces": name, "spacing": spacing, "feature": name}
    if feature is None or not feature.radius or not feature.point or not feature.direction:
        sides = 2 if feature is not None and feature.kind == "width" else 1
        return {"how": "blue_noise", "faces": name, "n": _ELSE * sides, "feature": name}
    own = np.isin(part.facet_face, [part.face_names.index(face) for face in feature.faces])
    point, direction = np.array(feature.point), np.array(feature.direction)
    from_point = part.vertices[part.facets[own]].reshape(-1, 3) - point
    height = from_point @ direction
    if _open_angle(from_point, direction) > _WHOLE:
        return {"how": "blue_noise", "faces": name, "n": _ELSE, "feature": name}
    middle = point + 0.5 * (height.min() + height.max()) * direction  # digits of a direction count from here
    axis = {"point": middle.tolist(), "direction": list(feature.direction), "radius": feature.radius}
    long = float(np.ptp(height))
    depths = _RINGS if long > _SHORT else 2
    inset = round(min(long / (depths + 1), _INSET), 3)
    return {"how": "rings", "face": name, "axis": axis, "depths": depths, "n": _ROUND, "inset": inset, "feature": name}


def _open_angle(arms: np.ndarray, axis: np.ndarray) -> float:
    """The largest angle about an axis (3,) in which there is none of some points (n, 3) from it [degree]."""
    u, v = across(axis)
    angle = np.sort(np.degrees(np.arctan2(arms @ v, arms @ u)))
    return float(np.diff(angle, append=angle[0] + 360.0).max())
