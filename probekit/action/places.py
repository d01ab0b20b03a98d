"""Close places on some faces of the nominal: a finer mesh of these faces, the rest as it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ..nominal import Nominal

__all__ = ["Places", "on_faces"]

_FINE = 3.0  # places for each spacing of the touches
_MOST = 20_000  # places on one face
_EQUILATERAL = np.sqrt(3.0) / 2  # area of two triangles of side one


@dataclass(frozen=True)
class Places:
    """A mesh of the part that is fine on some faces.

    Attributes
    ----------
    vertices, facets : (v, 3) float, (f, 3) int
    feet, normals : (v, 3) float
        Where the vertices lie on the nominal, and its outward normal there; NaN on faces that were not refined.
    of_face : dict of (k,) int
        Vertices of each face that was refined.
    """

    vertices: np.ndarray
    facets: np.ndarray
    feet: np.ndarray
    normals: np.ndarray
    of_face: dict[str, np.ndarray]


def on_faces(nominal: Nominal, spacing: Mapping[str, float]) -> Places:
    """Refine faces until their places are a third as far apart as the touches are.

    Parameters
    ----------
    nominal : Nominal
    spacing : mapping
        Face -> distance of its touches [mm].
    """
    import trimesh

    names = np.array(nominal.face_names, dtype=object)[nominal.facet_face]
    rest = trimesh.Trimesh(nominal.vertices, nominal.facets[~np.isin(names, list(spacing))], process=False)
    rest.remove_unreferenced_vertices()
    meshes, of_face, begin = [rest], {}, len(rest.vertices)
    feet, normals = [np.full((begin, 3), np.nan)], [np.full((begin, 3), np.nan)]
    for face, apart in spacing.items():
        own = trimesh.Trimesh(nominal.vertices, nominal.facets[names == face], process=False)
        own.remove_unreferenced_vertices()
        least = np.sqrt(own.area / (_EQUILATERAL * _MOST))
        edge = max(apart / _FINE, 1.5 * least) if apart > 0 else own.scale
        corners, triangles = trimesh.remesh.subdivide_to_size(own.vertices, own.faces, edge, max_iter=30)
        fine = trimesh.Trimesh(corners, triangles, process=False)
        fine.merge_vertices()
        on, across = np.array(fine.vertices), np.array(fine.vertex_normals)
        if nominal.exact:
            found = nominal.engine.feet(on)
            here = (found.face == nominal.face_index(face)) & (np.einsum("ij,ij->i", found.normal, across) > 0)
            on, across = np.where(here[:, None], found.foot, on), np.where(here[:, None], found.normal, across)
        meshes.append(fine)
        feet.append(on)
        normals.append(across)
        of_face[face] = np.arange(begin, begin + len(on))
        begin += len(on)
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    facets = np.vstack([mesh.faces + start for mesh, start in zip(meshes, starts, strict=True)])
    whole = np.vstack(feet)
    vertices = np.where(np.isfinite(whole), whole, np.vstack([mesh.vertices for mesh in meshes]))
    return Places(vertices, facets, whole, np.vstack(normals), of_face)
