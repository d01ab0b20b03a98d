"""What the faces of a model are and where they lie, so that a person can tell which name means which."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .model import Nominal

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["colours_of", "faces_text", "list_faces"]

_ROUND = ("cylinder", "cone", "sphere", "torus")
_FLAT = 1e-4  # facets of a plane: largest sine of the angle between their normals


def list_faces(part: Nominal) -> pd.DataFrame:
    """The faces of a model, one row each, in its order.

    Parameters
    ----------
    part : Nominal

    Returns
    -------
    DataFrame
        `face` name, `kind` ("plane", "bore", "boss", "cone", "sphere", "torus", "freeform", or "several" joined),
        `area` [mm2], `diameter` of what is round [mm] (NaN else), a point on the face `x, y, z` [mm], which may stand
        in ``[part.faces]``, the outward normal there `i, j, k`, and `axis`: a point and the direction of the axis of
        what has one, as text; `colour` as "#rrggbb", where the file gives one.
    """
    import pandas as pd

    corner = part.vertices[part.facets]
    doubled = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    size, centre = np.linalg.norm(doubled, axis=1), corner.mean(axis=1)
    rows, colours = [], colours_of(part)
    for number, name in enumerate(part.face_names):
        own = np.flatnonzero(part.facet_face == number)
        middle = np.average(centre[own], axis=0, weights=size[own] + 1e-300)
        inside = own[size[own] >= 0.5 * np.median(size[own])]
        start = centre[inside[np.argmin(np.linalg.norm(centre[inside] - middle, axis=1))]]
        feet = part.engine.of_face(number)[0].feet(start[None])
        point, normal = feet.foot[0], feet.normal[0]
        flat = doubled[own] / np.maximum(size[own, None], 1e-300)
        surfaces = _surfaces(part, number)
        kind, diameter, axis = _what(surfaces, point, normal, bool(np.ptp(flat, axis=0).max() < _FLAT))
        rows.append((name, kind, float(part.face_areas[number]), diameter, *point, *normal, axis, colours[number]))
    columns = ["face", "kind", "area", "diameter", *"xyzijk", "axis", "colour"]
    table = pd.DataFrame(rows, columns=columns, dtype=object)  # a name may hold what no text column of pandas does
    return table.astype(dict.fromkeys(("area", "diameter", *"xyzijk"), float))


def colours_of(part: Nominal) -> list[str]:
    """Colour of each face as "#rrggbb"; nothing where the file gives none, or where joined faces differ.

    Parameters
    ----------
    part : Nominal
    """
    if part.brep is None:
        return [""] * len(part.face_names)
    own: list[set[str]] = [set() for _ in part.face_names]
    for number, behind in np.unique(np.column_stack([part.facet_face, part.brep.facet_face]), axis=0).tolist():
        own[number].add(_hexadecimal(part.brep.faces[behind].colour))
    return [one.pop() if len(one) == 1 else "" for one in own]


def _hexadecimal(linear: tuple[float, float, float] | None) -> str:
    """A colour in linear light as sRGB (IEC 61966-2-1, from memory)."""
    if linear is None:
        return ""
    value = np.clip(np.array(linear, dtype=float), 0.0, 1.0)
    encoded = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255 * float(one)):02x}" for one in encoded)


def faces_text(faces: pd.DataFrame) -> str:
    """The list of `list_faces` as lines of text.

    Parameters
    ----------
    faces : DataFrame

    Returns
    -------
    str
    """
    names = ["".join(c if c.isprintable() else ascii(c)[1:-1] for c in name) for name in faces["face"]]
    wide = max(4, *map(len, names))
    lines = [f"{'face':<{wide}}  kind      area mm2  diameter  point on it [mm]             normal"]
    several = faces["colour"].nunique() > 1
    for name, one in zip(names, faces.itertuples(), strict=True):
        size = "" if np.isnan(one.diameter) else f"{one.diameter:.4g}"
        point = "[" + ", ".join(f"{round(v, 3) + 0.0:g}" for v in (one.x, one.y, one.z)) + "]"
        lines.append(
            f"{name:<{wide}}  {one.kind:<8}{one.area:>10.1f}  {size:>8}  {point:<27}  "
            + _shown(np.array([one.i, one.j, one.k]), 2)
            + (f"; {'axis ' * one.axis.startswith('through')}{one.axis}" if one.axis else "")
            + (f"; {one.colour}" if several and one.colour else "")
        )
    return "\n".join(lines)


def _surfaces(part: Nominal, number: int) -> list[Any]:
    """Exact faces behind one face; none for a mesh."""
    if part.brep is None:
        return []
    behind = np.unique(part.brep.facet_face[part.facet_face == number])
    return [part.brep.faces[k] for k in behind]


def _what(faces: list[Any], point: np.ndarray, normal: np.ndarray, flat: bool) -> tuple[str, float, str]:
    """Kind, diameter [mm] and axis."""
    first = faces[0] if faces else None
    if first is None or len(faces) > 1:
        same = first is not None and len({one.kind for one in faces}) == 1 and first.kind == "cylinder"
        if not same or len({round(one.surface.radius, 6) for one in faces}) > 1:
            return ("plane" if flat else "freeform" if first is None else "several"), np.nan, ""
    if first.kind not in _ROUND:
        return ("plane" if first.kind == "plane" else "freeform"), np.nan, ""
    surface = first.surface
    origin, along = np.asarray(surface.origin, float), np.asarray(surface.axes[2], float)
    kind, diameter = first.kind, 2.0 * float(surface.radius)
    arm = point - origin
    if kind == "cylinder":
        origin = origin + (arm @ along) * along
        kind = "boss" if normal @ (point - origin) > 0 else "bore"
    at = _shown(origin, 2)
    axis = f"centre {at}" if kind == "sphere" else f"through {at} along {_shown(along, 3)}"
    return kind, (np.nan if kind == "cone" else diameter), axis


def _shown(vector: np.ndarray, digits: int) -> str:
    return "(" + ", ".join(f"{round(float(v), digits) + 0.0:g}" for v in vector) + ")"
