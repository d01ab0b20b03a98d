"""The scene as compact numbers inside the page; `assets/unpack.js` reads them."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..columns import CONTACT, NORMAL, TARGET
from ..scene.glyphs import SHAPES
from ..scene.pictures import choose_directions
from ..scene.sections import face_limits
from ..show import minutes_and_seconds
from ..verdict.words import WORST_FIRST
from .language import table
from .packing import Packed, mesh_order, pack
from .tables import plain
from .words import known

if TYPE_CHECKING:
    from ..scene.model import Scene, Solid
    from ..scene.playing import Played

__all__ = ["payload"]

_MISSING = -(2**31)  # stands for NaN among whole numbers of four bytes
_UNKNOWN = -(2**15)  # and among those of two
_TEXTS = ("feature", "face", "tolerance", "pose", "tip_name", "flag", "doubt", "reason")
_NUMBERS = ("deviation", "lower", "upper", "margin", "share", "u_judged", "p_conform", *CONTACT, *TARGET)
_OF_DATUMS = ("datum_residual", "datum_ratio", "datum_moves")
_OF_PLANS = (*NORMAL, "order", "approach_angle", "clearance")
_LIGHT = np.array([0.35, 0.2, 0.91])


def payload(
    scene: Scene, labels: Sequence[int] = (), results: str = "", proofs: Sequence[Mapping[str, Any]] = ()
) -> str:
    """Return the data block of the page: JSON that is safe inside a `<script>` element.

    Positions are rounded to 1/65535 of the part's box, deviations of the surface to 1/800 of the colours (never finer
    than 1/32767 of the largest), numbers of touches to 1e-6 of their unit. The tables hold full numbers: this touches
    only the picture and what is read beside it.

    Parameters
    ----------
    scene : Scene
    labels : sequence of int
        Rows of touches that the picture names, the worst first.
    results : str
        Name of the file that holds every touch.
    proofs : sequence of mapping
        What the browser adds up, from `probekit.report.proofs`.
    """
    packed = Packed()
    mesh = _mesh(scene, packed)
    anchor, low = scene.anchor.astype(float), scene.vertices.min(axis=0).astype(float)
    packed.add("anchor", _whole((anchor - low) / 1e-4), "i4")
    packed.add("direction", np.nan_to_num(np.rint(scene.direction * 32767.0)), "i2")
    data: dict[str, Any] = {
        "mesh": mesh,
        "glyphs": {"size": scene.glyph_size, "shapes": _shapes(scene)},
        "touches": _touches(scene, packed),
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
        "plays": [_play(one) for one in scene.plays],
        "at": scene.at,
        "toward": choose_directions(scene, 1)[0].tolist(),
        "labels": [int(row) for row in labels],
        "limits": [[one.name, *plain((one.lower, one.upper))] for one in scene.legend.limits],
        "results": results,
        "proofs": plain(list(map(dict, proofs))),
        "words": {language: dict(words) for language, words in table().items()},
        "states": [_state(k, one, packed) for k, one in enumerate(scene.states)],
    }
    data["entries"] = packed.entries
    data["packed"] = packed.text()
    return json.dumps(data, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c").replace("&", "\\u0026")


def _mesh(scene: Scene, packed: Packed) -> dict[str, Any]:
    """Surface in an order that packs well; vertices stay together by face."""
    low = scene.vertices.min(axis=0).astype(float)
    step = np.maximum(scene.vertices.max(axis=0) - low, 1e-9) / 65535.0
    facet_order, vertex_order = mesh_order(scene.vertices, scene.facets, scene.vertex_face)
    vertex_order = vertex_order[np.argsort(scene.vertex_face[vertex_order], kind="stable")]
    rank = np.empty(len(vertex_order), dtype=np.int64)
    rank[vertex_order] = np.arange(len(vertex_order))
    facets = rank[scene.facets[facet_order]]
    edges = np.sort(rank[scene.edges], axis=1) if len(scene.edges) else np.zeros((0, 2), dtype=np.int64)
    shown = scene.deviation[vertex_order].astype(float)
    largest = float(np.nanmax(np.abs(shown))) if np.isfinite(shown).any() else 0.0
    unit = max(largest / 32767.0, scene.legend.span / 800.0) or 1.0
    packed.add("position", np.rint((scene.vertices[vertex_order] - low) / step), "u2", "d")
    packed.add("facets", facets, "u4", "h")
    packed.add("edges", edges[np.lexsort(edges.T[::-1])], "u4", "d")
    packed.add("value", np.where(np.isnan(shown), _UNKNOWN, np.rint(np.nan_to_num(shown) / unit)), "i2", "d")
    mesh = {
        "low": low.tolist(),
        "step": step.tolist(),
        "valueStep": unit,
        "faces": list(scene.face_names),
        "faceCounts": np.bincount(scene.vertex_face, minlength=len(scene.face_names)).tolist(),
        "faceLimits": _face_limits(scene),
    }
    for how, field in (("mean", scene.field_mean), ("doubt", scene.field_doubt)):
        if field is not None and np.isfinite(field).any():
            values = np.asarray(field, dtype=float)[vertex_order]
            own = max(float(np.nanmax(np.abs(values))) / 32767.0, scene.legend.span / 800.0)
            packed.add(how, np.where(np.isnan(values), _UNKNOWN, np.rint(np.nan_to_num(values) / own)), "i2", "d")
            mesh[f"{how}Step"] = own
    return mesh


def _touches(scene: Scene, packed: Packed) -> dict[str, Any]:
    """Ids and words as text; other text as places in a list; numbers packed."""
    table, wanted = scene.touches, (*_NUMBERS, *_OF_DATUMS, *(() if scene.measured else _OF_PLANS))
    texts: dict[str, list[str]] = {}
    for name, column in (("word", scene.words), *((n, table[n]) for n in _TEXTS if n in table)):
        said = [known(value) for value in column]
        found = dict.fromkeys(said)
        place = {text: k for k, text in enumerate(found)}
        texts[name] = list(found)
        packed.add(f"text:{name}", np.array([place[text] for text in said], dtype=np.int64), "u4")
    steps = {}
    for name in wanted:
        if name in table:
            values = table[name].to_numpy(dtype=float, na_value=np.nan)
            finite = values[np.isfinite(values)]
            steps[name] = max(1e-6, float(np.abs(finite).max(initial=0.0)) / 2e9)
            packed.add(f"number:{name}", _whole(values / steps[name]), "i4")
    return {"touch": [known(v) for v in table["touch"]], "texts": texts, "steps": steps}


def _whole(values: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(values), np.rint(np.nan_to_num(values, posinf=0, neginf=0)), _MISSING).astype(np.int64)


def _state(k: int, state: Any, packed: Packed) -> dict[str, Any]:
    packed.add(f"state:{k}", _whole(state.deviation / 1e-6), "i4")
    motion = None if state.motion is None else np.asarray(state.motion)[:3].tolist()
    return {"name": state.name, "text": state.text, "motion": motion, "offsets": plain(state.offsets)}


def _shapes(scene: Scene) -> dict[str, Any]:
    """Corners of each word's glyph in thousandths of its half width, and how bright each facet is."""
    found = {}
    for entry in scene.legend.verdicts:
        facet = SHAPES[entry.shape]
        normal = np.cross(facet[:, 1] - facet[:, 0], facet[:, 2] - facet[:, 0])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        bright = 0.78 + 0.22 * np.clip(normal @ _LIGHT, 0, 1)
        found[entry.word] = {
            "corners": np.rint(facet * 1000).astype(int).ravel().tolist(),
            "bright": np.rint(bright * 100).astype(int).tolist(),
            "colour": entry.colour,
        }
    return found


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


def _play(one: Played) -> dict[str, Any]:
    """One way of the probe: places in millimetres, the turns of the probe column by column."""
    minutes, seconds = minutes_and_seconds(float(one.seconds[-1]))
    return {
        "name": one.name,
        "lasts": f"{minutes}:{seconds:02d}",
        "seconds": pack(one.seconds, "<f4"),
        "place": pack(one.place, "<f4"),
        "frame": pack(one.frame, "<u4"),
        "frames": pack(one.frames.transpose(0, 2, 1), "<f4"),
        "row": pack(one.row, "<i4"),
        "kind": pack(one.kind, "u1"),
        "kinds": list(one.kinds),
    }


def _face_limits(scene: Scene) -> list[list[float] | None]:
    """Limits of each face whose touches were all judged by the same, for the lines drawn where they are crossed."""
    found = face_limits(scene.touches)
    return [plain(list(found[face])) if face in found else None for face in scene.face_names]
