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
from ..nearby import by_group, on_triangles
from .batch import Surfaces
from .brep import Brep
from .surfaces import Elementary, across, lengths, principal_curvatures

__all__ = ["Branches"]

_FACETS = 64  # of a patch at most
_LEAN = 0.7  # between components of the normals of a patch
_HOLLOW = 0.4  # distance, in radii of a hollow, from which one patch may hold two branches
_STARTS = 24  # of one touch within its patches
_AT_ONCE = 50_000  # facets whose curvatures are worked out together
_ROWS = 65_536  # points and facets looked at together, so that little memory is taken
_PATCHES = 8  # of one touch that are looked into; if more are as near it is at a centre, and all are alike


class Branches:
    """Starts for the search of the nearest point, on the patches of all faces.

    Elementary surfaces have their nearest point in closed form: each such face is one patch.

    Parameters
    ----------
    brep : Brep
    seeds : FacetEngine
        Of its facets; may search but some of them.
    """

    def __init__(self, brep: Brep, seeds: FacetEngine) -> None:
        self._brep, self._seeds = brep, seeds
        self._plain = np.array([isinstance(face.surface, Elementary) for face in brep.faces])
        self._outward = np.array([face.outward for face in brep.faces])
        self._learnt = np.zeros(len(brep.faces), dtype=bool)
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
        order, first = self._of_faces
        bent = np.flatnonzero(~self._plain & (np.diff(first) > 0))
        middle, at = brep.corner_uv.mean(axis=1), brep.vertices[brep.facets[:, 0]]
        normal = self._seeds.tables.normal
        left = [order[first[face] : first[face + 1]] for face in bent.tolist()]
        ways = [(face,) for face in bent.tolist()]
        found: list[tuple[tuple[int, ...], np.ndarray]] = []
        while left:  # all parts of one size together
            large = _to_be_halved(left, normal)
            found += [(way, part) for way, part, more in zip(ways, left, large, strict=True) if not more]
            left = [part for part, more in zip(left, large, strict=True) if more]
            ways = [(*way, half) for way, more in zip(ways, large, strict=True) if more for half in (1, 0)]
            left = _halves(left, middle, at, normal)
        found.sort(key=lambda one: one[0])
        new = len(brep.faces)
        for k, (way, part) in enumerate(found[:-1]):
            if found[k + 1][0][0] == way[0]:  # the last one keeps the number of the face
                patch[part], new = new, new + 1
        return patch

    @cached_property
    def _patches(self) -> FacetEngine:
        return self._seeds.regrouped(self._patch, int(self._patch.max()) + 1)

    @cached_property
    def _bent(self) -> np.ndarray:
        """Facets that may be started from on faces that have more than one branch."""
        bent = ~self._plain[self._brep.facet_face]
        if self._seeds.chosen is not None:
            bent &= np.isin(np.arange(len(bent)), self._seeds.chosen)
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
        asked = np.unique(face[rows])
        self._learn(asked[~self._learnt[asked]])
        bend = self._bend[self._patch[facet[rows]], np.where(distance[rows] < 0, 1, 0)]
        return rows[np.abs(distance[rows]) * bend > _HOLLOW]

    @cached_property
    def _bend(self) -> np.ndarray:
        """(patches, 2) largest curvature in each patch, outward and inward of the part [1/mm], of the faces learnt."""
        return np.zeros((int(self._patch.max(initial=-1)) + 1, 2))

    def _learn(self, faces: np.ndarray) -> None:
        """Enter the curvatures of faces (n,), at the nodes of their facets.

        A touch beside a flat part of its patch may have another branch where this bends; so a patch has one number.
        """
        order, first = self._of_faces
        at_once = np.cumsum(np.diff(first)[faces]) // _AT_ONCE
        for part in np.split(faces, np.flatnonzero(np.diff(at_once)) + 1) if len(faces) else ():
            facets = np.concatenate([order[first[face] : first[face + 1]] for face in part.tolist()])
            _, place, node = np.unique(self._brep.corner_node[facets], return_index=True, return_inverse=True)
            own, uv = self._brep.facet_face[facets[place // 3]], self._brep.corner_uv[facets].reshape(-1, 2)[place]
            # what is worked out for these surfaces here is asked for once and would take much memory
            surfaces = Surfaces([self._brep.faces[face].surface for face in part.tolist()])
            derivatives = surfaces.evaluate(np.searchsorted(part, own), uv, 2)
            normal = self._outward[own, None] * across(derivatives[1], derivatives[2])
            normal /= np.maximum(lengths(normal), 1e-300)[:, None]
            bend = principal_curvatures(derivatives, normal) * [1.0, -1.0]
            most = np.zeros((len(self._brep.faces), 2))
            np.maximum.at(most, own, np.where(np.isfinite(bend), bend, 0.0))
            bend = np.where(np.isfinite(bend), bend, most[own])
            np.maximum.at(self._bend, np.repeat(self._patch[facets], 3), bend[node.reshape(-1)])
        self._learnt[faces] = True

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
        foot = np.empty((len(row), 3))
        for at in range(0, len(row), _ROWS):
            some = slice(at, at + _ROWS)
            corners = self._brep.vertices[self._brep.facets[self._bent[own[some]]]]
            foot[some] = on_triangles(points[row[some]], corners)
        distance = lengths(points[row] - foot)
        kept = np.flatnonzero(distance <= reach[row])
        kept = kept[_spread(row[kept], _STARTS)]
        chosen = self._bent[own[kept]]
        corners = self._brep.vertices[self._brep.facets[chosen]]
        return OnOtherFaces(
            row[kept], self._brep.facet_face[chosen], chosen, foot[kept], _weights(corners, foot[kept]), distance[kept]
        )


def _to_be_halved(parts: list[np.ndarray], normal: np.ndarray) -> list[bool]:
    """Whether each of some parts of facets has too many, or normals (f, 3) that lean too much against each other."""
    count = np.array([len(part) for part in parts])
    start = np.cumsum(count) - count
    of_all = normal[np.concatenate(parts)]
    spread = np.maximum.reduceat(of_all, start) - np.minimum.reduceat(of_all, start)
    return ((count > 1) & ((count > _FACETS) | (spread.max(axis=1) > _LEAN))).tolist()


def _halves(parts: list[np.ndarray], uv: np.ndarray, at: np.ndarray, normal: np.ndarray) -> list[np.ndarray]:
    """Parts of facets in two halves each, the lower one first.

    They are divided by that parameter of uv (f, 2) over which places (f, 3) and normals (f, 3) differ more.
    """
    if not parts:
        return []
    count = np.array([len(part) for part in parts])
    start = np.cumsum(count) - count
    all_at = at[np.concatenate(parts)]
    size = (np.maximum.reduceat(all_at, start) - np.minimum.reduceat(all_at, start)).max(axis=1)
    middle, apart, ways = count // 2, [], []
    cuts = np.column_stack([start, start + middle]).ravel()
    each = np.column_stack([middle, count - middle]).ravel()[:, None]
    for k in (0, 1):
        ways.append([part[np.argpartition(uv[part, k], m)] for part, m in zip(parts, middle.tolist(), strict=True)])
        rows = np.concatenate(ways[k])
        means = [np.add.reduceat(values[rows], cuts) / each for values in (at, normal)]
        place, turn = (lengths(mean[::2] - mean[1::2]) for mean in means)
        apart.append(place / np.maximum(size, 1e-300) + turn)
    second = (apart[1] > apart[0]).tolist()
    found = zip(*ways, second, middle.tolist(), strict=True)
    return [half for u, v, other, m in found for half in np.split(v if other else u, [m])]


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
