"""Planned sections as plain data, for other programs: where along the curve each touch lies, and what it says there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .tables import plain

if TYPE_CHECKING:
    from ..scene.model import Scene, Section

__all__ = ["section_data"]

_OF_TOUCHES = {
    "touch": "touch",
    "face": "face",
    "deviation": "deviation",
    "u_judged": "u",
    "lower": "lower",
    "upper": "upper",
    "verdict": "verdict",
}


def section_data(scene: Scene) -> list[dict[str, Any]]:
    """The planned sections of a scene, as what strict JSON knows; lengths [mm].

    Parameters
    ----------
    scene : Scene
    """
    return [_section(scene, one) for one in scene.sections]


def _section(scene: Scene, one: Section) -> dict[str, Any]:
    table = scene.touches.iloc[one.rows]
    columns = {name: table[column].tolist() for column, name in _OF_TOUCHES.items() if column in table}
    touches = [
        {"station": station, **dict(zip(columns, values, strict=True))}
        for station, *values in zip(one.stations.tolist(), *columns.values(), strict=True)
    ]
    return plain(
        {
            "name": one.name,
            "length": one.curve.length,
            "closed": bool(one.curve.closed),
            "exact": bool(one.exact),
            "chord_error": one.chord_error,
            "within": one.within,
            "faces": list(dict.fromkeys(one.curve.faces)),
            "zones": [{name: getattr(zone, name) for name in ("start", "end", "lower", "upper")} for zone in one.zones],
            "untouched": one.untouched,
            "touches": touches,
            "sentence": one.sentence,
        }
    )
