"""Still pictures of a part with the names of its faces on them, from as few sides as show all that can be seen."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from scipy import ndimage

from ..nominal.model import Nominal
from . import colour, surface
from .bodies import outlines, to_palette
from .pictures import camera, sides, to_png
from .raster import raster
from .solids import shade

__all__ = ["FacePicture", "face_pictures", "faces_svg"]

_CORNERS = [(x, y, z) for z in (0.8, -0.8) for y in (-1.0, 1.0) for x in (0.7, -0.7)]
_ALONG = [(0, 0, 1), (0, -1, 0), (1, 0, 0), (0, 1, 0), (-1, 0, 0), (0, 0, -1)]
_ROOM = 3.0  # half width of what is seen of a face, from which on it is taken to be seen well [px]
_LETTER, _LINE = 6.4, 13.0  # size of a label's letter and line [px]


@dataclass(frozen=True, eq=False)
class FacePicture:
    """A still picture with labels.

    Attributes
    ----------
    title : str
        Where it is seen from.
    width, height : int
        Size in CSS pixels.
    png : bytes
        The part.
    labels : tuple of (str, (float, float), (float, float))
        Name of a face, the place on it, and where the middle of the label stands [CSS px].
    """

    title: str
    width: int
    height: int
    png: bytes
    labels: tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]


def face_pictures(part: Nominal, *, width: int = 460, height: int = 340, most: int = 6) -> tuple[FacePicture, ...]:
    """Pictures of a part that between them show every face that can be seen from outside.

    Parameters
    ----------
    part : Nominal
    width, height : int
        Size of each [CSS px].
    most : int
        At most so many.

    Returns
    -------
    tuple of FacePicture
        A face is labelled in each picture that shows it well; if none does, in the one that shows most of it.
    """
    looks = [np.array(look, dtype=float) for look in (*_CORNERS, *_ALONG)]
    room = np.stack([_seen(part, look, width // 2, height // 2)[1][:, 2] for look in looks])  # (looks, faces)
    chosen: list[int] = []
    best = np.zeros(room.shape[1])
    while len(chosen) < most:
        gain = np.minimum(np.maximum(room, best), _ROOM).sum(axis=1) - np.minimum(best, _ROOM).sum()
        pick = int(np.argmax(gain))
        if chosen and gain[pick] <= 0:
            break
        chosen.append(pick)
        best = np.maximum(best, room[pick])
    drawn = [_seen(part, looks[k], width, height) for k in chosen]
    radius = np.stack([places[:, 2] for _, places in drawn])
    owner = np.where(radius.max(axis=0) > 0, radius.argmax(axis=0), -1)  # the picture that shows a face best
    found = []
    for n, (png, places) in enumerate(drawn):
        must = np.flatnonzero(owner == n)
        may = np.flatnonzero((owner != n) & (radius[n] >= 2 * _LINE))
        order = [*must[np.argsort(-radius[n, must])], *may[np.argsort(-radius[n, may])]]
        labels = _placed(part.face_names, places[:, :2], order, set(must.tolist()), width, height)
        found.append(FacePicture(f"seen from {sides(looks[chosen[n]])}", width, height, png, labels))
    return tuple(found)


def _seen(part: Nominal, toward: np.ndarray, width: int, height: int) -> tuple[bytes, np.ndarray]:
    """The picture, and per face (n, 3) the place furthest inside what is seen of it and how far inside [CSS px]."""
    vertices, facets = part.vertices, part.facets
    pixels = np.array([width, height]) * 3 // 2
    frame, project = camera(vertices, toward, pixels)
    _, owner, share = raster(project(vertices @ frame.T), facets, *pixels)
    covered = owner >= 0
    split, origin, _ = surface.split_faces(facets, part.facet_face)
    inks = shade(np.array(colour.PART), surface.smooth_normals(vertices[origin], split)).astype(float)
    ink = np.full((*owner.shape, 3), 255.0)
    ink[covered] = (inks[split[owner[covered]]] * share[covered][..., None]).sum(axis=1)
    lines = outlines(part.facet_face, owner)
    ink[lines] = (52, 58, 68)
    face = np.where(covered & ~lines, part.facet_face[owner] + 1, 0)
    places = np.zeros((len(part.face_names), 3))
    for number, box in enumerate(ndimage.find_objects(face, max_label=len(places))):
        if box is None:
            continue
        inside = ndimage.distance_transform_edt(np.pad(face[box] == number + 1, 1))[1:-1, 1:-1]
        row, column = np.unravel_index(int(inside.argmax()), inside.shape)
        places[number] = column + box[1].start + 0.5, row + box[0].start + 0.5, inside[row, column]
    return to_png(*to_palette(ink)), places / 1.5


def _placed(
    names: Sequence[str], places: np.ndarray, order: Sequence[int], must: set[int], width: int, height: int
) -> tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]:
    """Labels that do not cover each other: on their faces, else beside; one that need not be there is left out."""
    taken: list[tuple[float, float, float]] = []
    found = []
    for face in order:
        half = _LETTER * len(names[face]) / 2 + 3
        x, y = places[face]
        tries = [(0.0, 0.0)]
        if face in must:
            tries += [(r * np.cos(a), r * np.sin(a)) for r in range(16, 200, 12) for a in np.arange(0, 6.28, 0.52)]
        for dx, dy in tries:
            u, v = np.clip(x + dx, half, width - half), np.clip(y + dy, _LINE, height - _LINE)
            if all(abs(u - a) > half + b or abs(v - c) > _LINE + 1 for a, c, b in taken):
                taken.append((u, v, half))
                found.append((names[face], (float(x), float(y)), (float(u), float(v))))
                break
    return tuple(found)


def faces_svg(pictures: Sequence[FacePicture], *, link: bool = False) -> str:
    """Pictures one below the other, as one SVG element that can stand alone.

    Parameters
    ----------
    pictures : sequence of FacePicture
    link : bool
        Make each label a link to ``#face=`` and its name, with the name in ``data-face``.
    """
    height = sum(one.height + 24 for one in pictures)
    width = max((one.width for one in pictures), default=1)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'role="{"group" if link else "img"}" '
        'aria-label="The part with the names of its faces" font-family="sans-serif" font-size="11">'
    ]
    top = 0
    for one in pictures:
        image = base64.b64encode(one.png).decode("ascii")
        parts.append(
            f'<g transform="translate(0 {top})"><text x="6" y="15" font-size="12">{escape(one.title)}</text>'
            f'<image y="20" width="{one.width}" height="{one.height}" href="data:image/png;base64,{image}"/>'
        )
        for name, (x, y), (u, v) in one.labels:
            line = (
                f'<path d="M{x:.1f} {y + 20:.1f}L{u:.1f} {v + 20:.1f}" stroke="#0b4f8a"/>' if (x, y) != (u, v) else ""
            )
            dot = f'<circle cx="{x:.1f}" cy="{y + 20:.1f}" r="2" fill="#0b4f8a"/>' if line else ""
            wide = _LETTER * len(name) + 4
            mark = (
                f'{line}{dot}<rect x="{u - wide / 2:.1f}" y="{v + 13:.1f}" width="{wide:.1f}" height="14" rx="3" '
                f'fill="#fff" fill-opacity=".88" stroke="#8a93a3" stroke-width=".6"/>'
                f'<text x="{u:.1f}" y="{v + 24:.1f}" text-anchor="middle" fill="#0b2545">{escape(name)}</text>'
            )
            shown = escape(name)
            parts.append(f'<a href="#face" data-face="{shown}" tabindex="-1">{mark}</a>' if link else mark)
        parts.append("</g>")
        top += one.height + 24
    return "".join([*parts, "</svg>"])
