"""Corners, where edges end: the pseudo-normals that tell inside from outside for touches whose foot is one.

The pseudo-normal is the sum of the normals of the faces that meet there, each weighted with the angle that the face
fills at the corner (J. A. Baerentzen, H. Aanaes, 2005, see `probekit.nominal.topology`). Where the surface of a face is
smooth, both are exact, from its tangents and from the directions in which the edges leave; elsewhere (an apex, the end
of a crease) the facets stand in.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from ..topology import corner_angles, facet_normals
from .batch import Surfaces
from .borders import Borders
from .brep import Brep
from .creases import Creased
from .poles import Pole
from .surfaces import across, dot, lengths

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

__all__ = ["Corners"]

_TURN = 2.0 * np.pi


class Corners:
    """The ends of edges, and what meets there.

    Parameters
    ----------
    brep : Brep
    border : Borders
        Of its faces.
    surfaces : Surfaces
        Of its faces.
    poles : sequence of (int, Pole)
        Poles, and the face that each is one of.
    """

    def __init__(self, brep: Brep, border: Borders, surfaces: Surfaces, poles: Sequence[tuple[int, Pole]]) -> None:
        self._brep, self._border, self._surfaces, self._poles = brep, border, surfaces, poles
        self._known: dict[int, np.ndarray] = {}

    @cached_property
    def _ends(self) -> tuple[cKDTree, np.ndarray, np.ndarray]:
        """Tree of the ends of the edges, the mesh vertex (2 e,) of each, -1 if there is none, and directions (2 e, 3).

        The direction is that in which the edge leaves its end.
        """
        from scipy.spatial import cKDTree

        places, tangents = self._border.ends()
        used = np.unique(self._brep.facets)
        distance, nearest = cKDTree(self._brep.vertices[used]).query(places.reshape(-1, 3))
        vertex = np.where(distance <= max(0.25 * self._brep.deflection, self._brep.negligible), used[nearest], -1)
        leaving = tangents * np.array([[[1.0], [-1.0]]])
        return cKDTree(places.reshape(-1, 3)), vertex, leaving.reshape(-1, 3)

    @cached_property
    def _corner_of_facet(self) -> tuple[np.ndarray, np.ndarray]:
        """Corners of facets, 3 f + k, in the order of their vertices, and those vertices."""
        flat = self._brep.facets.ravel()
        order = np.argsort(flat, kind="stable")
        return order, flat[order]

    def pseudo_normals(self, feet: np.ndarray) -> np.ndarray:
        """Pseudo-normals (n, 3), of any length, at feet (n, 3) on edges; NaN where the foot is not on a corner."""
        out = np.full((len(feet), 3), np.nan)
        if not len(feet) or not self._border.edges:
            return out
        tree, vertex, _ = self._ends
        distance, end = tree.query(feet)
        at = np.where(distance <= self._brep.negligible, vertex[end], -1)
        asked = np.unique(at[at >= 0])
        new = np.array([v for v in asked.tolist() if v not in self._known], dtype=np.int64)
        if len(new):
            self._known.update(zip(new.tolist(), self._sums(new), strict=True))
        for v in asked.tolist():
            out[at == v] = self._known[v]
        return out

    def _sums(self, vertices: np.ndarray) -> np.ndarray:
        """Pseudo-normals (m, 3) at mesh vertices (m,), ascending."""
        brep = self._brep
        order, of = self._corner_of_facet
        corner = order[np.isin(of, vertices)]
        facet, k = corner // 3, corner % 3
        angle = corner_angles(brep.vertices, brep.facets[facet])[np.arange(len(facet)), k]
        normal = facet_normals(brep.vertices, brep.facets[facet])[0]
        # one sector for each face at each of the vertices
        place = np.searchsorted(vertices, brep.facets[facet, k])
        key, first, sector = np.unique(
            place * len(brep.faces) + brep.facet_face[facet], return_index=True, return_inverse=True
        )
        place, face = key // len(brep.faces), key % len(brep.faces)
        rough = np.bincount(sector, weights=angle)
        sums = np.column_stack([np.bincount(sector, weights=angle * normal[:, c]) for c in range(3)])
        near = brep.corner_uv[facet[first], k[first]]
        natural, smooth = self._normals(face, brep.vertices[vertices[place]], near)
        exact = self._angles(vertices, key, natural, rough)
        smooth &= np.isfinite(exact)
        outward = np.array([brep.faces[f].outward for f in face])
        sums[smooth] = (exact * outward)[smooth, None] * natural[smooth]
        out = np.zeros((len(vertices), 3))
        np.add.at(out, place, sums)
        return out

    def _normals(self, face: np.ndarray, points: np.ndarray, near: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Unit Su x Sv (s, 3) of faces (s,) at points (s, 3), and whether the surface is smooth there."""
        found = self._surfaces.closest(face, points, near)
        natural = across(found.su, found.sv)
        size = lengths(natural)
        smooth = size > 1e-6 * lengths(found.su) * lengths(found.sv)
        smooth &= np.array([not isinstance(self._brep.faces[f].surface, Creased) for f in face], dtype=bool)
        natural /= np.where(size > 0, size, 1.0)[:, None]
        for own, pole in self._poles:
            rows = np.flatnonzero((face == own) & (lengths(points - pole.at) <= self._brep.negligible))
            natural[rows], smooth[rows] = self._brep.faces[own].outward * pole.normal, pole.smooth
        return natural, smooth

    def _angles(self, vertices: np.ndarray, key: np.ndarray, natural: np.ndarray, rough: np.ndarray) -> np.ndarray:
        """Angle (s,) that each sector fills, from the directions of its edges; NaN where these do not tell.

        Seen from the tip of `natural`, a face lies to the left of the edges that run round it: it fills the way from
        each edge that leaves the corner to one that comes in. That sum does not depend on how they are paired, but for
        whole turns, which the facets (`rough`) tell.
        """
        _, at, leaving = self._ends
        use_face, use_edge, sense = self._border.uses()
        end = np.concatenate([2 * use_edge, 2 * use_edge + 1])
        role = np.concatenate([-sense, sense])  # -1 where the edge leaves in its sense, +1 where it comes in
        own = np.concatenate([use_face, use_face])
        some = np.flatnonzero(np.isin(at[end], vertices))
        end, role, own = end[some], role[some], own[some]
        wanted = np.searchsorted(vertices, at[end]) * len(self._brep.faces) + own
        sector = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
        good = key[sector] == wanted
        end, role, sector = end[good], role[good], sector[good]
        x = across(natural, np.eye(3)[np.abs(natural).argmin(axis=1)])
        x /= np.maximum(lengths(x), 1e-300)[:, None]
        y = across(natural, x)
        way = leaving[end]
        flat = np.hypot(dot(way, x[sector]), dot(way, y[sector]))
        turn = np.arctan2(dot(way, y[sector]), dot(way, x[sector]))
        turn[flat <= 1e-9 * np.maximum(lengths(way), 1e-300)] = np.nan
        total = np.bincount(sector, weights=role * turn, minlength=len(key))
        balance = np.bincount(sector, weights=role, minlength=len(key))
        count = np.bincount(sector, minlength=len(key))
        off = np.mod(total - rough + np.pi, _TURN) - np.pi
        return np.where((balance == 0) & (count > 0), rough + off, np.nan)
