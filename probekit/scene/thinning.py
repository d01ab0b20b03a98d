"""Fewer facets for the picture of a large mesh, with the distance between both measured here.

Only what is drawn is thinned: deviations, verdicts, planned sections and every table come from the model itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import igl
import numpy as np

from . import surface
from .thinned import Thinned, thinned_once

if TYPE_CHECKING:
    from ..nominal.model import Nominal

__all__ = ["FACETS_LEFT", "FACETS_WHOLE", "DisplayMesh", "display_mesh", "map_off"]

#: A mesh of more facets than this is thinned, to about so many.
FACETS_WHOLE, FACETS_LEFT = 300_000, 200_000

_TRIED = 20_000  # places at which colours are compared, about
_FURTHEST = 1e-4  # of the part's diagonal: a thinned mesh that is further off is not used


@dataclass(frozen=True, eq=False)
class DisplayMesh:
    """The mesh that a view draws.

    Attributes
    ----------
    vertices : (v, 3) float
        Positions [mm].
    facets : (f, 3) int
        Vertex indices.
    facet_face : (f,) int
        Face of each facet.
    said : tuple of str
        What has to stand beside the picture; nothing for the mesh as it was.
    thinned : bool
    """

    vertices: np.ndarray
    facets: np.ndarray
    facet_face: np.ndarray
    said: tuple[str, ...] = ()
    thinned: bool = False


def display_mesh(
    vertices: np.ndarray,
    facets: np.ndarray,
    facet_face: np.ndarray,
    *,
    whole: int = FACETS_WHOLE,
    left: int = 0,
    cache: Path | None = None,
    name: str = "",
) -> DisplayMesh:
    """The mesh itself, or a thinned one if it has very many facets.

    Parameters
    ----------
    vertices : (v, 3) float
        Positions [mm].
    facets : (f, 3) int
        Vertex indices.
    facet_face : (f,) int
        Face of each facet.
    whole : int
        A mesh of up to so many facets stays as it is.
    left : int
        Facets to thin to; by default `FACETS_LEFT`.
    cache : Path, optional
        Folder of the cache, where a thinned mesh is looked for and kept.
    name : str
        Of the model, for the list of what is kept.

    Returns
    -------
    DisplayMesh
        Borders between faces, and open borders, keep every vertex and every edge: no gap opens. The mesh as it was,
        with a sentence that says so, if it cannot be thinned like that, or if the thinned one is off by more than
        1/10000 of the part's diagonal.

    Notes
    -----
    Edges are collapsed by quadric errors [1]_ (`igl.qslim`), those of all faces in one order, each face with vertices
    of its own. Its borders are held by facets that join them to a point without coordinates: an edge there has no
    finite error and is never collapsed. That it was not is checked.

    References
    ----------
    .. [1] M. Garland, P. S. Heckbert, Proc. SIGGRAPH 97 (1997) 209-216.
    """
    if len(facets) <= whole:
        return DisplayMesh(vertices, facets, facet_face)
    mesh, left = (vertices, facets, facet_face), left or FACETS_LEFT
    light = thinned_once(lambda: _faithful(*mesh, left), *mesh, left, cache, f"thinned picture of {name}")
    if light is not None:
        text = (
            f"The picture is thinned to {len(light.facets)} of {len(facets)} facets and leaves the full mesh by at "
            f"most {_rounded_up(light.off)} mm, measured at {light.places} places of both. Numbers of touches, "
            "verdicts and planned sections come from the full surface; what is interpolated between touches, and a cut "
            "laid by hand, are read off the picture."
        )
        return DisplayMesh(light.vertices, light.facets, light.facet_face, (text,), thinned=True)
    said = (
        f"The picture has all {len(facets)} facets: this mesh could not be thinned faithfully. It may be slow to turn."
    )
    return DisplayMesh(vertices, facets, facet_face, (said,))


def map_off(
    nominal: Nominal,
    value_at: Mapping[int, Callable[[np.ndarray, np.ndarray], np.ndarray]],
    vertices: np.ndarray,
    facets: np.ndarray,
    vertex_face: np.ndarray,
    shown: np.ndarray,
) -> str:
    """Say how far the colours of a thinned mesh are from what belongs there.

    Parameters
    ----------
    nominal : Nominal
    value_at : mapping
        Face -> the deviation at places (n, 3) of it with outward normals (n, 3) [mm], (n,).
    vertices, facets, vertex_face
        The mesh that is drawn, each face with vertices of its own.
    shown : (v,) float
        Deviation at its vertices, which the picture interpolates over each facet [mm].
    """
    touched = np.flatnonzero(np.isin(nominal.facet_face, list(value_at)))
    tried, off = touched[:: max(1, len(touched) // _TRIED)], [np.zeros(0)]
    for face, value in value_at.items():
        corner = nominal.vertices[nominal.facets[tried[nominal.facet_face[tried] == face]]]
        places, across = corner.mean(axis=1), np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        normals = across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-300)
        drawn = facets[vertex_face[facets[:, 0]] == face].astype(np.int64)
        if len(places) and len(drawn):
            _, at, nearest = igl.point_mesh_squared_distance(places, vertices, drawn)
            ends = drawn[at]
            share = igl.barycentric_coordinates(nearest, *(vertices[ends[:, k]] for k in range(3)))
            off.append(np.abs((share * shown[ends]).sum(axis=1) - value(places, normals)))
    found = np.concatenate(off)
    found = found[np.isfinite(found)]
    if not len(found):
        return "Its colours were not compared with those of the full mesh."
    most, half = (_rounded_up(float(value)) for value in (found.max(), np.median(found)))
    return (
        f"Between touches its colours differ from those of the full mesh by at most {most} mm, at half of the places "
        f"by less than {half} mm, tried at {len(found)}."
    )


def _faithful(vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray, left: int) -> Thinned | None:
    """The thinned mesh; None if a border did not stay as it was, or if it is too far off."""
    light = _thinned(vertices, facets, facet_face, left)
    if light is None:
        return None
    off, places = _apart((np.ascontiguousarray(vertices), facets), light[:2])
    near = off <= _FURTHEST * float(np.linalg.norm(np.ptp(vertices[np.unique(facets)], axis=0)))
    return Thinned(*light, off, places) if near else None


def _thinned(
    vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray, left: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """The thinned mesh, its borders welded again; None if a border did not stay as it was."""
    split, origin, _ = surface.split_faces(facets, facet_face)
    split, back = igl.split_nonmanifold(np.ascontiguousarray(split, dtype=np.int64))[:2]
    origin, apex = origin[back], len(back)
    rim = _open_edges(split)
    fins = np.column_stack([rim[:, ::-1], np.full(len(rim), apex)])
    held = np.vstack([vertices[origin], np.full((1, 3), np.nan)])
    closed = np.vstack([split, fins]).astype(np.int32)
    points, light, birth, of = igl.qslim(np.asfortranarray(held), np.asfortranarray(closed), left + len(fins))
    kept = (of[light] != apex).all(axis=1)
    light, birth = light[kept], birth[kept]
    on_rim = np.zeros(len(held), dtype=bool)
    on_rim[rim] = True
    fixed = on_rim[of]
    if len(light) >= len(facets) or (birth >= len(facets)).any():
        return None
    if not np.array_equal(_codes(of[_open_edges(light)]), _codes(rim)) or (points[fixed] != held[of[fixed]]).any():
        return None
    at = np.arange(len(vertices), len(vertices) + len(points))
    at[fixed] = origin[of[fixed]]  # faces share the vertices of their common border again
    used, renamed = np.unique(at[light], return_inverse=True)
    return np.vstack([vertices, points])[used], renamed.reshape(-1, 3), facet_face[birth]


def _open_edges(facets: np.ndarray) -> np.ndarray:
    """(e, 2) int, edges that one facet alone has, in its direction."""
    pairs = np.stack([facets, np.roll(facets, -1, axis=1)], axis=2).reshape(-1, 2)
    _, first, count = np.unique(surface.edge_codes(pairs), return_index=True, return_counts=True)
    return pairs[first[count == 1]]


def _codes(pairs: np.ndarray) -> np.ndarray:
    return np.sort(surface.edge_codes(pairs))


def _apart(one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray]) -> tuple[float, int]:
    """Largest distance between two meshes [mm], of vertices and middles of facets of each from the other."""
    largest, places = 0.0, 0
    for (points, of), (at, onto) in ((one, other), (other, one)):
        tried = np.vstack([points[np.unique(of)], points[of].mean(axis=1)])
        squared = igl.point_mesh_squared_distance(tried, at, np.ascontiguousarray(onto, dtype=np.int64))[0]
        largest, places = max(largest, float(squared.max())), places + len(tried)
    return float(np.sqrt(largest)), places


def _rounded_up(value: float) -> str:
    """Two digits, never less than the value."""
    step = 10.0 ** (np.floor(np.log10(value)) - 1) if value > 0 else 1.0
    return f"{np.ceil(value / step) * step:.2g}"
