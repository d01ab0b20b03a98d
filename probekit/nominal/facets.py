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

from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Self

import numpy as np

from ..errors import InputError
from .nearby import FaceGrid
from .topology import BOUNDARY, FACE_EDGE, Topology, rounding, topology

__all__ = ["AMBIGUOUS", "AT_BOUNDARY", "AT_EDGE", "FAR", "MISSED", "FacetEngine", "Feet", "morton_order"]

#: Flags of a foot, as bits: on an edge between faces, on the border of an open mesh, another face as near,
#: further away than asked, no point to project.
AT_EDGE, AT_BOUNDARY, AMBIGUOUS, FAR, MISSED = 1, 2, 4, 8, 16

_SORT_FROM = 4096  # below this the sort costs more than it saves
_CHUNK = 16384  # rows handled at a time, so that the work stays in cache


@dataclass(frozen=True, eq=False)
class Feet:
    """Closest points on the nominal, one per query. Rows of queries that were NaN are NaN with index -1.

    Attributes
    ----------
    foot : (n, 3) float
        Closest point [mm].
    facet, face : (n,) int
        Facet and face it lies on.
    barycentric : (n, 3) float
        Weights of the facet's corners at the foot.
    normal : (n, 3) float
        Outward unit normal.
    distance : (n,) float
        Signed distance [mm], positive outside the material.
    flags : (n,) uint8
        Sum of `AT_EDGE`, `AT_BOUNDARY`, `AMBIGUOUS`, `FAR`, `MISSED`.
    """

    foot: np.ndarray
    facet: np.ndarray
    face: np.ndarray
    barycentric: np.ndarray
    normal: np.ndarray
    distance: np.ndarray
    flags: np.ndarray

    def take(self, rows: np.ndarray | slice) -> Self:
        """Some of the rows, by index, mask or slice."""
        return type(self)(*(getattr(self, field.name)[rows] for field in fields(self)))

    def put_back(self, order: np.ndarray) -> Self:
        """The rows in the order that they had before `order` (n,) was applied."""
        back = np.empty_like(order)
        back[order] = np.arange(len(order))
        return self.take(back)


class FacetEngine:
    """Search structures of one mesh. Everything but the copy of the arrays is built when first needed."""

    def __init__(
        self,
        vertices: np.ndarray,
        facets: np.ndarray,
        facet_face: np.ndarray,
        n_faces: int,
        tables: Topology | None = None,
    ) -> None:
        self.vertices = np.ascontiguousarray(vertices, dtype=np.float64)
        self.facets = np.ascontiguousarray(facets, dtype=np.int64)
        self.facet_face = np.ascontiguousarray(facet_face, dtype=np.int32)
        self.n_faces = n_faces
        if tables is not None:
            self.tables = tables
        self._by_face: dict[int, tuple[FacetEngine, np.ndarray]] = {}

    @cached_property
    def tree(self) -> object:
        """The libigl tree of the facets that have an area; on others it would give feet beside the facet."""
        import igl

        tree = igl.AABB()
        tree.init(self.vertices, self._searched)
        return tree

    @cached_property
    def _searched(self) -> np.ndarray:
        return self.facets if self._sound is None else self.facets[self._sound]

    @cached_property
    def _sound(self) -> np.ndarray | None:
        """Facets that have an area; None if all have."""
        sound = np.flatnonzero(self.tables.normal.any(axis=1))
        if not len(sound):
            raise InputError("there is no facet with an area to project on")
        return None if len(sound) == len(self.facets) else sound

    @cached_property
    def tables(self) -> Topology:
        """Edges, borders and normals."""
        return topology(self.vertices, self.facets, self.facet_face)

    @cached_property
    def grid(self) -> FaceGrid:
        """Which cells of space have more than one face near."""
        return FaceGrid(self.vertices, self.facets, self.facet_face)

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
    def _edge_tolerance(self) -> float:
        return rounding(self._box[1] - self._box[0])

    @cached_property
    def _box(self) -> np.ndarray:
        used = self.vertices[self.facets.ravel()]
        return np.array([used.min(axis=0), used.max(axis=0)])

    def of_face(self, face: int) -> tuple[FacetEngine, np.ndarray]:
        """Engine of one face alone, and the facets (in this mesh) that it is made of."""
        if face not in self._by_face:
            chosen = np.flatnonzero(self.facet_face == face)
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
        points = np.ascontiguousarray(points, dtype=np.float64)
        finite = np.isfinite(points).all(axis=1)
        if not finite.all():
            return _spread(self.feet(points[finite], smooth=smooth, ambiguity=ambiguity), finite)
        order = morton_order(points, self._box) if len(points) >= _SORT_FROM else None
        queries = points if order is None else points[order]
        _, facet, foot = self.search(queries)
        barycentric, normal = np.empty_like(foot), np.empty_like(foot)
        distance, flags = np.empty(len(foot)), np.zeros(len(foot), dtype=np.uint8)
        for at in range(0, len(foot), _CHUNK):
            rows = slice(at, at + _CHUNK)
            self._finish(
                queries[rows],
                foot[rows],
                facet[rows],
                (barycentric[rows], normal[rows], distance[rows], flags[rows]),
                smooth=smooth,
            )
        face = self.facet_face[facet]
        if ambiguity is not None:
            self._flag_ambiguous(queries, face, distance, flags, ambiguity)
        found = Feet(foot, facet, face, barycentric, normal, distance, flags)
        return found if order is None else found.put_back(order)

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
        packed = self._packed[facet]
        local = foot - packed[:, :3]
        v = np.einsum("ij,ij->i", local, packed[:, 3:6])
        w = np.einsum("ij,ij->i", local, packed[:, 6:9])
        barycentric[:, 0], barycentric[:, 1], barycentric[:, 2] = 1.0 - v - w, v, w
        normal[:] = packed[:, 9:12]
        away = points - foot
        np.einsum("ij,ij->i", away, normal, out=distance)
        length = np.sqrt(np.einsum("ij,ij->i", away, away))
        over_edge = barycentric * self._heights[facet]
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

    def _flag_ambiguous(
        self, points: np.ndarray, face: np.ndarray, distance: np.ndarray, flags: np.ndarray, ambiguity: float
    ) -> None:
        reach = np.abs(distance) + ambiguity
        for rows, other in self._near_boxes(points, face, reach):
            squared, _, _ = self.of_face(other)[0].search(np.ascontiguousarray(points[rows]))
            flags[rows[np.sqrt(squared) <= reach[rows]]] |= AMBIGUOUS

    def other_faces(self, points: np.ndarray, face: np.ndarray, reach: np.ndarray) -> list[tuple[np.ndarray, Feet]]:
        """Feet on faces other than the nearest, as far as they lie within reach.

        Parameters
        ----------
        points : (n, 3) float [mm]
        face : (n,) int
            Face that needs no look.
        reach : (n,) float [mm]

        Returns
        -------
        list of (rows, Feet)
            One entry per face: rows of `points`, and their feet on that face, facets counted within the face.
        """
        found = []
        for rows, other in self._near_boxes(points, face, reach):
            feet = self.of_face(other)[0].feet(points[rows])
            near = np.abs(feet.distance) <= reach[rows]
            if near.any():
                found.append((rows[near], feet.take(near)))
        return found

    def _near_boxes(self, points: np.ndarray, face: np.ndarray, reach: np.ndarray) -> Iterator[tuple[np.ndarray, int]]:
        """For each face, the rows of points that may have it within reach though it is not theirs."""
        maybe = np.flatnonzero(self.grid.may_have_two_faces(points, reach)) if self.n_faces > 1 and len(points) else []
        if not len(maybe):
            return
        points, face, reach = points[maybe], face[maybe], reach[maybe]
        for other, (low, high) in enumerate(self.grid.face_bounds):
            gap = np.maximum(np.maximum(low - points, points - high), 0.0)
            near = (face != other) & (np.einsum("ij,ij->i", gap, gap) <= reach**2)
            if near.any():
                yield maybe[near], other


def morton_order(points: np.ndarray, box: np.ndarray) -> np.ndarray:
    """Order of points along a Morton (Z-order) curve through a box.

    Parameters
    ----------
    points : (n, 3) float
    box : (2, 3) float
        Lower and upper corner; points outside are taken to its skin.

    Returns
    -------
    (n,) int
        Indices that sort the points.
    """
    span = box[1] - box[0]
    span = np.maximum(span, 1e-6 * span.max() + 1e-12)
    cells = np.clip((points - box[0]) * (1023.0 / span), 0, 1023).astype(np.uint16)
    key = _SPREAD[cells[:, 0]] | (_SPREAD[cells[:, 1]] << 1) | (_SPREAD[cells[:, 2]] << 2)
    return np.argsort(key)


def _spread_bits() -> np.ndarray:
    """(1024,) each ten-bit number with two zero bits between its bits."""
    number = np.arange(1024, dtype=np.uint32)
    return sum(((number >> bit) & 1) << (3 * bit) for bit in range(10)).astype(np.uint32)


_SPREAD = _spread_bits()


def _spread(found: Feet, where: np.ndarray) -> Feet:
    """Feet of the rows `where`, put among rows that had nothing to project."""

    def put(values: np.ndarray, empty: float) -> np.ndarray:
        out = np.full((len(where), *values.shape[1:]), empty, dtype=values.dtype)
        out[where] = values
        return out

    return Feet(
        put(found.foot, np.nan),
        put(found.facet, -1),
        put(found.face, -1),
        put(found.barycentric, np.nan),
        put(found.normal, np.nan),
        put(found.distance, np.nan),
        put(found.flags, MISSED),
    )
