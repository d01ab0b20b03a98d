"""Where a drafted study suggests to touch: every feature that a table is about, by the ways of `probekit.plan`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .features import Feature, Features
from .tables import FILL_IN, Table

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["plan_tables"]

_RINGS, _ROUND = 3, 6  # depths, and touches at each: opposed in pairs, and more than fix the axis
_SHORT = 4.0  # a cylinder with less has two rings, a quarter off its ends [mm]
_IN_UNIT, _MOST = 3.0, 500  # spacings in a unit that a tolerance holds per; touches on a face at most, about
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
    return [_ways(part, name, known.get(name), units.get(name)) for name in named]


def _ways(part: Nominal, name: str, feature: Feature | None, unit: float | None) -> dict[str, Any]:
    if unit is not None:
        faces = feature.faces if feature is not None else (name,)
        area = sum(float(part.face_areas[part.face_names.index(face)]) for face in faces)
        spacing = round(max(unit / _IN_UNIT, float(np.sqrt(area / _MOST))), 3)
        return {"how": "poisson_disc", "faces": name, "spacing": spacing, "feature": name}
    if feature is None or not feature.radius or not feature.point or not feature.direction:
        sides = 2 if feature is not None and feature.kind == "width" else 1
        return {"how": "blue_noise", "faces": name, "n": _ELSE * sides, "feature": name}
    axis = {"point": list(feature.point), "direction": list(feature.direction), "radius": feature.radius}
    own = np.isin(part.facet_face, [part.face_names.index(face) for face in feature.faces])
    long = float(np.ptp(part.vertices[part.facets[own]].reshape(-1, 3) @ np.array(feature.direction)))
    table = {"how": "rings", "face": name, "axis": axis, "depths": _RINGS, "n": _ROUND, "feature": name}
    return table if long > _SHORT else table | {"depths": 2, "inset": round(long / 4, 3)}
