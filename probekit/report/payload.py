"""The scene as compact numbers inside the page."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import CONTACT, NORMAL, TARGET
from ..scene.pictures import choose_directions
from ..verdict.words import WORST_FIRST
from .tables import plain
from .words import known

if TYPE_CHECKING:
    from ..scene.model import Scene, Solid

__all__ = ["pack", "payload"]

_UNKNOWN = -32768  # stands for NaN among the packed deviations


def payload(scene: Scene) -> str:
    """Return the data block of the page: JSON that is safe inside a `<script>` element.

    Positions are rounded to 1/65535 of the part's box, deviations to 1/32767 of the largest; the table keeps full
    numbers, so this touches the picture only. Indices take three bytes; vertices are ordered by face. What is estimated
    between the touches is `field_mean` and `field_doubt`, float32 per vertex [mm], NaN where nothing is said.
    """
    low = scene.vertices.min(axis=0).astype(float)
    step = np.maximum(scene.vertices.max(axis=0) - low, 1e-9) / 65535.0
    largest = float(np.nanmax(np.abs(scene.deviation))) if np.isfinite(scene.deviation).any() else 0.0
    unit = largest / 32767.0 or 1.0
    value = np.where(np.isnan(scene.deviation), _UNKNOWN, np.rint(np.nan_to_num(scene.deviation) / unit))
    glyphs = scene.glyphs
    local = glyphs.vertices - scene.anchor[glyphs.vertex_touch]
    reach = float(np.abs(local).max()) if len(local) else 1.0
    columns = ("touch", "feature", "face", "tolerance", "pose", "tip_name", "flag", "doubt", "reason")
    numbers = (
        *("deviation", "lower", "upper", "margin", "share", "u_judged", "p_conform", *CONTACT),
        *(*TARGET, *NORMAL, "order", "approach_angle", "clearance"),
    )
    touches = scene.touches
    data: dict[str, Any] = {
        "mesh": {
            "low": low.tolist(),
            "step": step.tolist(),
            "position": pack(np.rint((scene.vertices - low) / step), "<u2"),
            "facets": pack(scene.facets.astype("<u4")[..., None].view(np.uint8)[..., :3], "u1"),
            "edges": pack(scene.edges, "<u4"),
            "value": pack(value, "<i2"),
            "valueStep": unit,
            "faceCounts": np.bincount(scene.vertex_face, minlength=len(scene.face_names)).tolist(),
            "faceLimits": _face_limits(scene),
        },
        "glyphs": {
            "local": pack(np.rint(local / reach * 32767), "<i2"),
            "localStep": reach / 32767.0,
            "touch": pack(glyphs.vertex_touch, "<u4"),
            "colour": pack(glyphs.colours, "u1"),
            "size": scene.glyph_size,
        },
        "anchor": pack(scene.anchor, "<f4"),
        "direction": pack(scene.direction, "<f4"),
        "touches": {
            "word": scene.words.tolist(),
            **{name: [known(v) for v in touches[name]] for name in columns if name in touches},
            **{
                name: plain(touches[name].to_numpy(dtype=float, na_value=np.nan)) for name in numbers if name in touches
            },
        },
        "wordOrder": list(WORST_FIRST),
        "span": scene.legend.span,
        "stops": [stop[1] for stop in scene.legend.stops],
        "unknown": scene.legend.unknown,
        "frame": [scene.still.min(axis=0).tolist(), scene.still.max(axis=0).tolist()],
        "plain": not scene.measured,
        "lines": [
            {"points": pack(one.points, "<f4"), "rows": pack(one.rows, "<u4"), "colour": one.colour}
            for one in scene.lines
        ],
        "solids": [_solid(one) for one in scene.solids],
        "at": scene.at,
        "toward": choose_directions(scene, 1)[0].tolist(),
    }
    if scene.field_mean is not None and scene.field_doubt is not None:
        data |= {"field_mean": pack(scene.field_mean, "<f4"), "field_doubt": pack(scene.field_doubt, "<f4")}
    return json.dumps(data, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c").replace("&", "\\u0026")


def pack(array: np.ndarray, kind: str) -> str:
    """Base64 of the array's numbers as little-endian `kind`."""
    return base64.b64encode(np.ascontiguousarray(array, dtype=kind).tobytes()).decode("ascii")


def _solid(solid: Solid) -> dict[str, Any]:
    """Motions go column by column, as the page applies them; NaN where the body is not shown."""
    return {
        "name": solid.name,
        "position": pack(solid.vertices, "<f4"),
        "colours": pack(solid.colours, "u1"),
        "edges": pack(solid.edges, "<f4"),
        "opacity": solid.opacity,
        "motions": None if solid.motions is None else pack(solid.motions.transpose(0, 2, 1), "<f8"),
    }


def _face_limits(scene: Scene) -> list[list[float] | None]:
    """Limits of each face whose touches were all judged by the same, for the lines drawn where they are crossed."""
    touches = scene.touches
    if not {"lower", "upper"} <= set(touches):
        return [None] * len(scene.face_names)
    judged = touches[touches["lower"].notna() & touches["upper"].notna()]
    found = {face: group.drop_duplicates() for face, group in judged[["lower", "upper"]].groupby(judged["face"])}
    return [
        plain(found[face].to_numpy(dtype=float)[0]) if face in found and len(found[face]) == 1 else None
        for face in scene.face_names
    ]
