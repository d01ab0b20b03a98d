"""Closest points on facets: one reusable tree per nominal, with face-aware feet, signs and flags.

The bare search is libigl's axis-aligned bounding-box tree in float64; large batches are put in Morton order first,
which keeps neighbouring queries in the same branches. Barycentric coordinates, sign, normals and flags are ours.

symbol    variable        meaning
q         points          query (ball centre or contact) [mm]
c         foot            closest point on the facets [mm]
n         normal          outward unit normal at the foot
d         distance        (q - c) . n [mm]; its gradient over q is n, also on edges and vertices
"""

from __future__ import annotations

from functools import cached_property, partial
from typing import Any

import numpy as np

from ..errors import InputError
from .bending import hollow_curvatures
from .feet import (
    AMBIGUOUS,
    AT_BOUNDARY,
    AT_EDGE,
    Feet,
    OnOtherFaces,
    in_order,
    joined,
)
from .nearby import ApartTree, FaceGrid
from .topology import BOUNDARY, FACE_EDGE, INSIDE, Topology, rounding, topology

__all__ = ["FacetEngine"]

_NONE = np.zeros(0, dtype=np.int64)
_CHUNK = 16384  # rows handled at a time, so that the work stays in cache


class FacetEngine:
    """Search structures of one mesh. Everything but the copy of the arrays is built when first needed."""

    def __init__(
        self,
        vertices: np.ndarray,
        facets: np.ndarray,
        facet_face: np.ndarray,
        n_faces: int,
        tables: Topology | None = None,
        searched: np.ndarray | None = None,
    ) -> None:
        self.vertices = np.ascontiguousarray(vertices, dtype=np.float64)
        self.facets = np.ascontiguousarray(facets, dtype=np.int64)
        self.facet_face = np.ascontiguousarray(facet_face, dtype=np.int32)
        self.n_faces = n_faces
        if tables is not None:
            self.tables = tables
        self._by_face: dict[int, tuple[FacetEngine, np.ndarray]] = {}
        self.chosen = searched
        self._facing: dict[tuple[float, ...], FacetEngine | None] = {}

    @cached_property
    def tree(self) -> Any:
        """The libigl tree of the facets that have an area; on others it would give feet beside the facet."""
        import igl

        tree = igl.AABB()
        tree.init(self.vertices, self._searched)
        return tree

    @cached_property
    def _face_tree(self) -> ApartTree:
        face = self.facet_face if self._sound is None else self.facet_face[self._sound]
        return ApartTree(self.vertices, self._searched, face)

    @cached_property
    def _searched(self) -> np.ndarray:
        return self.facets if self._sound is None else self.facets[self._sound]

    @cached_property
    def _sound(self) -> np.ndarray | None:
        """Facets to be searched: all that have an area, or some of these; None if it is all there are."""
        if self.chosen is not None:
            return self.chosen
        sound = np.flatnonzero(self.tables.normal.any(axis=1))
        if not len(sound):
            raise InputError("the model has no facet with an area")
        return None if len(sound) == len(self.facets) else sound

    @cached_property
    def tables(self) -> Topology:
        """Edges, borders and normals."""
        return topology(self.vertices, self.facets, self.facet_face)

    @cached_property
    def grid(self) -> FaceGrid:
        """Which cells of space have more than one face near."""
        face = self.facet_face if self._sound is None else self.facet_face[self._sound]
        return FaceGrid(self.vertices, self._searched, face)

    @cached_property
    def _packed(self) -> np.ndarray:
        """(f, 12): first corner, two dual vectors that give barycentric coordinates, normal; zeros without area."""
        corner = self.vertices[self.facets]
        e1, e2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
        cross = np.cross(e1, e2)  # its rounding is that of the slivers' width, not of its square
        squared = np.einsum("fc,fc->f", cross, cross)
        scale = np.divide(1.0, squared, out=np.zeros_like(squared), where=self.tables.normal.any(axis=1))[:, None]
        return np.hstack([corner[:, 0], np.cross(e2, cross) * scale, np.cross(cross, e1) * scale, self.tables.normal])

    @cached_property
    def _heights(self) -> np.ndarray:
        """(f, 3) height of the facet over the edge opposite each corner [mm]; zero without area."""
        g1, g2 = self._packed[:, 3:6], self._packed[:, 6:9]
        gradient = np.stack([np.linalg.norm(g, axis=1) for g in (g1 + g2, g1, g2)], axis=1)
        return np.divide(1.0, gradient, out=np.zeros_like(gradient), where=gradient > 0)

    @cached_property
    def hollow(self) -> np.ndarray:
        """(f,) curvature of the hollow that each facet is part of, estimated [1/mm]."""
        return hollow_curvatures(
            self.vertices, self.facets, self.facet_face, self.tables.normal, self.tables.corner_normal[:]
        )

    @cached_property
    def _edge_tolerance(self) -> float:
        return rounding(self.box[1] - self.box[0])

    @cached_property
    def box(self) -> np.ndarray:
        """(2, 3) lower and upper corner of the facets [mm]."""
        used = self.vertices[self.facets.ravel()]
        return np.array([used.min(axis=0), used.max(axis=0)])

    def of_face(self, face: int) -> tuple[FacetEngine, np.ndarray]:
        """Engine of one face alone, and the facets (in this mesh) that it is made of."""
        if face not in self._by_face:
            chosen = np.flatnonzero(self.facet_face == face)
            if len(chosen) == len(self.facets) and self.chosen is None:
                return self, chosen
            own = topology(self.vertices, self.facets[chosen], self.facet_face[chosen])
            tables = Topology(
                own.normal,
                own.edge_normal,
                own.vertex_normal,
                own.corner_normal,
                self.tables.edge_kind[chosen],
                self.tables.vertex_kind[chosen],
            )
            engine = FacetEngine(self.vertices, self.facets[chosen], self.facet_face[chosen], self.n_faces, tables)
            self._by_face[face] = engine, chosen
        return self._by_face[face]

    def facing(self, direction: np.ndarray) -> FacetEngine | None:
        """Engine that searches only facets whose normals are less than 90 degrees off `direction` (3,), if any."""
        key = tuple(np.asarray(direction, dtype=float).tolist())
        if key not in self._facing:
            chosen = np.flatnonzero(self.tables.normal @ np.array(key) > 0)
            parts = (self.vertices, self.facets, self.facet_face, self.n_faces, self.tables, chosen)
            self._facing[key] = FacetEngine(*parts) if len(chosen) else None
        return self._facing[key]

    def regrouped(self, face: np.ndarray, n_faces: int) -> FacetEngine:
        """Engine of the same facets by other faces (f,), for `other_faces` alone: its tables stay those of these."""
        out = FacetEngine(self.vertices, self.facets, face, n_faces, self.tables, self.chosen)
        out._packed = self._packed
        return out

    def feet_on(self, points: np.ndarray, face: np.ndarray, *, smooth: bool = False) -> Feet:
        """Feet of points (n, 3) on faces (n,), as `of_face` gives them."""
        parts = []
        for one in np.unique(face).tolist():
            rows, (engine, facets) = np.flatnonzero(face == one), self.of_face(one)
            parts.append((rows, engine.feet(points[rows], smooth=smooth).renumbered(facets)))
        return joined(parts)

    def seeds_on(self, points: np.ndarray, face: np.ndarray) -> Feet:
        """The same for finite points in one search of all faces."""
        _, facet, foot = self._face_tree.search(points, face)
        facet = facet if self._sound is None else self._sound[facet]
        inside, normal = self.tables.edge_kind[facet] == INSIDE, self.tables.normal[facet]
        corner = self.tables.corner_normal[facet]
        tables = Topology(
            normal,
            np.where(inside[:, :, None], self.tables.edge_normal[facet], normal[:, None, :]),
            *(corner, corner),
            *(self.tables.edge_kind[facet], self.tables.vertex_kind[facet]),
        )
        alone = FacetEngine(self.vertices, self.facets[facet], face, self.n_faces, tables)
        alone._edge_tolerance = self._edge_tolerance
        out = (np.empty_like(foot), np.empty_like(foot), np.empty(len(foot)), np.zeros(len(foot), dtype=np.uint8))
        alone._finish(points, foot, np.arange(len(foot)), out, smooth=False)
        return Feet(foot, facet, face, *out)

    def search(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Bare search: squared distance (n,), facet (n,), foot (n, 3) of finite points (n, 3)."""
        squared, facet, foot = self.tree.squared_distance(self.vertices, self._searched, points)
        return squared, facet if self._sound is None else self._sound[facet], foot

    def feet(self, points: np.ndarray, *, smooth: bool = False, ambiguity: float | None = None) -> Feet:
        """Closest point of every query.

        Parameters
        ----------
        points : (n, 3) float
            Queries [mm]; rows with NaN or infinity come back flagged `MISSED`.
        smooth : bool
            Give the normal interpolated between the corners (within the face) instead of the facet's own.
        ambiguity : float, optional
            Flag a foot `AMBIGUOUS` when another face is at most this much further away [mm]. None: do not look.

        Returns
        -------
        Feet
        """
        return in_order(points, self.box, partial(self.feet_of_finite, smooth=smooth, ambiguity=ambiguity))

    def feet_of_finite(self, points: np.ndarray, *, smooth: bool = False, ambiguity: float | None = None) -> Feet:
        """The same for points that are finite, and of which neighbours follow each other."""
        _, facet, foot = self.search(points)
        barycentric, normal = np.empty_like(foot), np.empty_like(foot)
        distance, flags = np.empty(len(foot)), np.zeros(len(foot), dtype=np.uint8)
        for at in range(0, len(foot), _CHUNK):
            rows = slice(at, at + _CHUNK)
            self._finish(
                points[rows],
                foot[rows],
                facet[rows],
                (barycentric[rows], normal[rows], distance[rows], flags[rows]),
                smooth=smooth,
            )
        face = self.facet_face[facet]
        if ambiguity is not None:
            reach = np.abs(distance) + ambiguity
            flags[self.other_faces(points, face, reach).row] |= AMBIGUOUS
        return Feet(foot, facet, face, barycentric, normal, distance, flags)

    def _finish(
        self,
        points: np.ndarray,
        foot: np.ndarray,
        facet: np.ndarray,
        out: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
        *,
        smooth: bool,
    ) -> None:
        """Barycentric coordinates, normal, signed distance and edge flags of one chunk, written into `out`."""
        barycentric, normal, distance, _ = out
        packed = self._packed.take(facet, axis=0)
        barycentric[:] = _weights(packed, foot)
        normal[:] = packed[:, 9:12]
        away = points - foot
        np.einsum("ij,ij->i", away, normal, out=distance)
        length = np.sqrt(np.einsum("ij,ij->i", away, away))
        over_edge = barycentric * self._heights.take(facet, axis=0)
        on_edge = over_edge <= self._edge_tolerance
        slanted = length - np.abs(distance) > self._edge_tolerance  # then it is on an edge, whatever the weights say
        rows = np.flatnonzero(on_edge[:, 0] | on_edge[:, 1] | on_edge[:, 2] | slanted)
        if len(rows):
            on_edge = on_edge[rows]
            on_edge[np.arange(len(rows)), over_edge[rows].argmin(axis=1)] = True
            self._finish_on_edges(rows, on_edge, facet[rows], away[rows], out)
        if smooth:
            corner = self.tables.corner_normal[facet]
            mixed = np.einsum("ik,ikc->ic", barycentric, corner)
            length = np.linalg.norm(mixed, axis=1)
            good = length > 0
            normal[good] = mixed[good] / length[good, None]

    def _finish_on_edges(
        self,
        rows: np.ndarray,
        on_edge: np.ndarray,
        facet: np.ndarray,
        away: np.ndarray,
        out: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    ) -> None:
        """Feet on edges and vertices: clean weights, pseudo-normal, sign, flags."""
        barycentric, normal, distance, flags = out
        weights = np.where(on_edge, 0.0, np.clip(barycentric[rows], 0.0, 1.0))
        weights /= weights.sum(axis=1, keepdims=True)
        barycentric[rows] = weights
        at_vertex = (weights > 0).sum(axis=1) == 1
        vertex = weights.argmax(axis=1)
        edge = weights.argmin(axis=1)
        pseudo = np.where(
            at_vertex[:, None], self.tables.vertex_normal[facet, vertex], self.tables.edge_normal[facet, edge]
        )
        kind = np.where(at_vertex, self.tables.vertex_kind[facet, vertex], self.tables.edge_kind[facet, edge])
        length = np.linalg.norm(away, axis=1)
        signed = np.where(np.einsum("ij,ij->i", away, pseudo) < 0, -length, length)
        distance[rows] = signed
        # off the surface, the line from the foot to the query is the normal: it lies in the cone of the edge's normals
        clear = (length > 1e3 * self._edge_tolerance)[:, None]
        normal[rows] = np.where(clear, away / np.where(clear, signed[:, None], 1.0), pseudo)
        flags[rows] |= np.where(kind == FACE_EDGE, AT_EDGE, np.where(kind == BOUNDARY, AT_BOUNDARY, 0)).astype(np.uint8)

    def other_faces(self, points: np.ndarray, face: np.ndarray, reach: np.ndarray) -> OnOtherFaces:
        """Closest points on faces other than the nearest, as far as they lie within reach.

        Parameters
        ----------
        points : (n, 3) float [mm]
        face : (n,) int
            Face that needs no look.
        reach : (n,) float [mm]

        Returns
        -------
        OnOtherFaces
        """
        row, other = self.grid.faces_near(points, face, reach) if self.n_faces > 1 else (_NONE, _NONE)
        near = points.take(row, axis=0)
        squared, facet, foot = self._face_tree.search(near, other) if len(row) else self.search(near)
        distance = np.sqrt(squared)
        kept = np.flatnonzero(distance <= reach[row])
        facet, foot = facet[kept] if self._sound is None else self._sound[facet[kept]], foot[kept]
        barycentric = _weights(self._packed.take(facet, axis=0), foot)
        return OnOtherFaces(row[kept], other[kept], facet, foot, barycentric, distance[kept])

    def another_near(self, points: np.ndarray, facet: np.ndarray, reach: np.ndarray) -> np.ndarray:
        """Whether a face other than that of each facet (n,) may lie within reach (n,) [mm]: False is certain.

        Reach is at least the distance of points (n, 3) from their own face.
        """
        out = np.zeros(len(points), dtype=bool)
        out[self.other_faces(points, self.facet_face[facet], reach).row] = True
        return out


def _weights(packed: np.ndarray, foot: np.ndarray) -> np.ndarray:
    """(n, 3) barycentric coordinates of feet (n, 3) on facets, of which there are rows of `FacetEngine._packed`."""
    local = foot - packed[:, :3]
    out = np.empty_like(local)
    np.einsum("ij,ij->i", local, packed[:, 3:6], out=out[:, 1])
    np.einsum("ij,ij->i", local, packed[:, 6:9], out=out[:, 2])
    out[:, 0] = 1.0 - out[:, 1] - out[:, 2]
    return out
