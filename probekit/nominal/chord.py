"""How far the facets of a mesh probably stand off the surface they came from.

Two estimates are made for each facet, and the smaller counts, for either can be far too large where a flat facet
borders on a rounding. Along an edge with ends x1, x2 and surface normals n1, n2 there, a surface bulges by the sagitta
(n2 - n1).(x2 - x1)/8; inside a triangle by at most 4/3 of its largest. And where two facets of width h meet at an angle
theta, strips bulge by h theta/8, an even net of triangles on a sphere by h theta/3. Elementary geometry of the circle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .topology import edge_pairs, edge_table, facet_normals, topology

if TYPE_CHECKING:
    from .model import Nominal

__all__ = ["chord_error"]


def chord_error(nominal: Nominal) -> np.ndarray:
    """Estimated largest chord error of each face.

    Parameters
    ----------
    nominal : Nominal

    Returns
    -------
    (n_faces,) float
        Estimated distance of the facets from the true surface [mm]: zero for a plane face, and for all faces of a
        model with exact surfaces.
    """
    found = np.zeros(len(nominal.face_names))
    if nominal.exact:
        return found
    normals = topology(nominal.vertices, nominal.facets, nominal.facet_face).corner_normal[:]
    corners = nominal.vertices[nominal.facets]
    turned, along = (np.roll(a, -1, axis=1) - a for a in (normals, corners))
    by_normals = np.abs(np.einsum("fkc,fkc->fk", turned, along)).max(axis=1) / 6.0
    np.maximum.at(found, nominal.facet_face, np.minimum(by_normals, _by_angles(nominal)))
    return found


def _by_angles(nominal: Nominal) -> np.ndarray:
    """(f,) estimate from the angles to the neighbours in the same face [mm]."""
    normal, double_area = facet_normals(nominal.vertices, nominal.facets)
    edge, count = edge_table(nominal.facets, len(nominal.vertices))
    one, two = edge_pairs(edge, count)
    same = nominal.facet_face[one // 3] == nominal.facet_face[two // 3]
    one, two = one[same], two[same]
    ends = nominal.vertices[nominal.facets[:, [[1, 2], [2, 0], [0, 1]]].reshape(-1, 2)[one]]
    length = np.maximum(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), 1e-300)
    width = np.minimum(double_area[one // 3], double_area[two // 3]) / length
    n1, n2 = normal[one // 3], normal[two // 3]
    theta = np.arctan2(np.linalg.norm(np.cross(n1, n2), axis=1), np.einsum("ij,ij->i", n1, n2))
    found = np.zeros(len(nominal.facets))
    for side in (one, two):
        np.maximum.at(found, side // 3, width * theta / 3.0)
    return found
