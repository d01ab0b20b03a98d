"""Branches: several nearest points that one face may have, as over a hollow or beside a fold.

A search that starts from the nearest facet finds the nearest point only of the branch that this facet is on. Another
branch may be nearer by up to twice the deflection. So faces are divided into patches of few facets, and each patch that
the facets cannot rule out gives a start of its own. Where the surface is hollow towards the touch, with about its
distance for a radius, branches lie so close together that one patch may hold two; there each facet gives one.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ..facets import FacetEngine
from ..feet import OnOtherFaces
from ..nearby import ApartTree, by_group
from ..topology import facet_normals
from .brep import Brep
from .surfaces import Elementary, across, lengths, principal_curvatures

__all__ = ["Branches"]

_FACETS = 64  # of a patch at most
_LEAN = 0.7  # between components of the normals of a patch
_HOLLOW = 0.4  # distance, in radii of a hollow, from which one patch may hold two branches
_STARTS = 24  # of one touch within its patches
_PATCHES = 8  # of one touch that are looked into; if more are as near it is at a centre, and all are alike


class Branches:
    """Starts for the search of the nearest point, on the patches of all faces.

    Elementary surfaces have their nearest point in closed form: each such face is one patch.

    Parameters
    ----------
    brep : Brep
    searched : (m,) int, optional
        Facets to start from; by default all.
    """

    def __init__(self, brep: Brep, searched: np.ndarray | None = None) -> None:
        self._brep, self._searched = brep, searched
        self._plain = np.array([isinstance(face.surface, Elementary) for face in brep.faces])
        self._hollows: dict[int, np.ndarray] = {}
        #: Whether a face may have more than one branch.
        self.any = not self._plain.all()

    @cached_property
    def _of_faces(self) -> tuple[np.ndarray, np.ndarray]:
        """Facets by face, see `by_group`."""
        return by_group(self._brep.facet_face, len(self._brep.faces))

    @cached_property
    def _of_patches(self) -> tuple[np.ndarray, np.ndarray]:
        """Places among the facets of curved faces, by patch."""
        return by_group(self._patch[self._bent], int(self._patch.max()) + 1)

    @cached_property
    def _patch(self) -> np.ndarray:
        """(f,) patch of each facet: a face, or a part of one.

        Parts are divided in the parameter plane, so that a patch never holds two sheets of a face, as the two sides of
        a tube, and until the facets of each lean at most a little against each other.
        """
        brep = self._brep
        patch = np.array(brep.facet_face, dtype=np.int32)
        order, ends = self._of_faces
        new = len(brep.faces)
        middle = brep.corner_uv.mean(axis=1)
        normal = facet_normals(brep.vertices, brep.facets)[0]
        for face in np.flatnonzero(~self._plain):
            own = order[ends[face] : ends[face + 1]]
            left = [own]
            while left:
                some = left.pop()
                if len(some) > 1 and (len(some) > _FACETS or max(np.ptp(normal[some, k]) for k in (0, 1, 2)) > _LEAN):
                    left += _halves(middle[some], brep.vertices[brep.facets[some, 0]], normal[some], some)
                elif left:  # the last one keeps the number of the face
                    patch[some], new = new, new + 1
        return patch

    @cached_property
    def _patches(self) -> FacetEngine:
        brep = self._brep
        patch = self._patch
        return FacetEngine(brep.vertices, brep.facets, patch, int(patch.max()) + 1, searched=self._searched)

    @cached_property
    def _single(self) -> ApartTree:
        """The facets of curved faces, each apart from the others."""
        facets = self._brep.facets[self._bent]
        return ApartTree(self._brep.vertices, facets, np.arange(len(facets)))

    @cached_property
    def _bent(self) -> np.ndarray:
        """Facets that may be started from on faces that have more than one branch."""
        bent = ~self._plain[self._brep.facet_face]
        if self._searched is not None:
            bent &= np.isin(np.arange(len(bent)), self._searched)
        return np.flatnonzero(bent)

    def others(self, points: np.ndarray, facet: np.ndarray, reach: np.ndarray) -> OnOtherFaces:
        """Starts within reach (n,) [mm] of points (n, 3), on all patches but that of the facet each has (n,)."""
        found = self._patches.other_faces(points, self._patch[facet], reach)
        return found._replace(face=self._brep.facet_face[found.facet])

    def curved(self, facet: np.ndarray) -> np.ndarray:
        """Places of those of facets (n,) that are on faces which may have more than one branch."""
        return np.flatnonzero(~self._plain[self._brep.facet_face[facet]])

    def hollow(self, facet: np.ndarray, distance: np.ndarray) -> np.ndarray:
        """Rows for which one patch may hold two branches, by the facet (n,) and signed distance (n,) of each."""
        face = self._brep.facet_face[facet]
        rows = np.flatnonzero(~self._plain[face])
        bend = np.zeros(len(rows))
        for own in np.unique(face[rows]):
            if own not in self._hollows:
                self._hollows[int(own)] = self._hollow_of(int(own))
            some = np.flatnonzero(face[rows] == own)
            at = rows[some]
            bend[some] = self._hollows[int(own)][self._place[facet[at]], np.where(distance[at] < 0, 1, 0)]
        return rows[np.abs(distance[rows]) * bend > _HOLLOW]

    @cached_property
    def _place(self) -> np.ndarray:
        """(f,) place of each facet among those of its face."""
        order, first = self._of_faces
        place = np.empty(len(order), dtype=np.int64)
        place[order] = np.arange(len(order)) - np.repeat(first[:-1], np.diff(first))
        return place

    def _hollow_of(self, face: int) -> np.ndarray:
        """(f, 2) largest curvature in the patch of each of a face's facets, outward and inward of the part [1/mm]."""
        exact = self._brep.faces[face]
        order, first = self._of_faces
        uv = self._brep.corner_uv[order[first[face] : first[face + 1]]]
        derivatives = exact.surface.evaluate(uv.reshape(-1, 2), 2)
        normal = exact.outward * across(derivatives[1], derivatives[2])
        normal /= np.maximum(lengths(normal), 1e-300)[:, None]
        bend = principal_curvatures(derivatives, normal) * [1.0, -1.0]
        known = np.isfinite(bend)
        most = np.where(known, bend, 0.0).max(axis=0, initial=0.0)
        own = np.where(known, bend, most).reshape(-1, 3, 2).max(axis=1)
        # a touch beside a flat part of its patch may have another branch where this bends
        patch = np.unique(self._patch[order[first[face] : first[face + 1]]], return_inverse=True)[1]
        most_of = np.zeros((int(patch.max()) + 1, 2))
        np.maximum.at(most_of, patch, own)
        return most_of[patch]

    def around(self, points: np.ndarray, rows: np.ndarray, facet: np.ndarray, reach: np.ndarray) -> OnOtherFaces:
        """Starts of `rows` of points (n, 3) on single facets, within reach (n,), of the patches of facets (n,).

        `rows` may name a point several times, with a facet of another patch each.
        """
        order = np.argsort(rows, kind="stable")
        order = order[_spread(rows[order], _PATCHES)]
        rows, facet = rows[order], facet[order]
        order, bounds = self._of_patches
        asked = self._patch[facet]
        first = bounds[asked]
        count = bounds[asked + 1] - first
        row = np.repeat(rows, count)
        own = order[np.arange(count.sum()) + np.repeat(first - (np.cumsum(count) - count), count)]
        squared, _, foot = self._single.search(points[row], own)
        distance = np.sqrt(squared)
        kept = np.flatnonzero(distance <= reach[row])
        kept = kept[_spread(row[kept], _STARTS)]
        chosen = self._bent[own[kept]]
        corners = self._brep.vertices[self._brep.facets[chosen]]
        return OnOtherFaces(
            row[kept], self._brep.facet_face[chosen], chosen, foot[kept], _weights(corners, foot[kept]), distance[kept]
        )


def _halves(uv: np.ndarray, at: np.ndarray, normal: np.ndarray, facets: np.ndarray) -> list[np.ndarray]:
    """Facets (n,) in two halves, by that parameter of uv (n, 2) over which their places and normals differ more."""
    middle = len(facets) // 2
    size = max(float(np.ptp(at, axis=0).max()), 1e-300)
    best, most = [], -1.0
    for k in (0, 1):
        half = np.argpartition(uv[:, k], middle)
        low, high = half[:middle], half[middle:]
        apart = lengths(at[low].mean(axis=0) - at[high].mean(axis=0)) / size
        apart += lengths(normal[low].mean(axis=0) - normal[high].mean(axis=0))
        if apart > most:
            best, most = [facets[low], facets[high]], apart
    return best


def _spread(row: np.ndarray, most: int) -> np.ndarray:
    """Whether to keep each of those that `row` (m,), ascending, says the point of: of more than `most` every n-th."""
    first, last = np.searchsorted(row, row), np.searchsorted(row, row, side="right")
    place = np.arange(len(row)) - first
    return place % np.maximum(-(-(last - first) // most), 1) == 0


def _weights(corners: np.ndarray, foot: np.ndarray) -> np.ndarray:
    """(n, 3) barycentric coordinates of feet (n, 3) on triangles (n, 3, 3)."""
    one, two, at = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], foot - corners[:, 0]
    normal = across(one, two)
    area = np.maximum((normal * normal).sum(axis=1), 1e-300)
    second, third = ((across(at, two) * normal).sum(axis=1), (across(one, at) * normal).sum(axis=1))
    out = np.column_stack([area - second - third, second, third]) / area[:, None]
    return np.clip(out, 0.0, 1.0)
