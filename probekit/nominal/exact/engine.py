"""Closest points on exact surfaces, with the same face of the tool as the facet engine.

The facets seed the search; each touch is then taken to the exact surface of its face, limited to the trimmed face, and
to every other face that the facets cannot rule out. `Feet` come back as from facets, with two columns more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ..facets import AMBIGUOUS, AT_BOUNDARY, AT_EDGE, MISSED, FacetEngine, Feet
from .brep import Brep
from .surfaces import BORDER, UNSETTLED, Closest, lengths, principal_curvatures
from .trim import TrimmedFace

__all__ = ["HOW", "ExactEngine", "ExactFeet"]

#: How a foot was found, by code.
HOW = ("", "formula", "newton", "edge", "kernel", "facet")


@dataclass(frozen=True, eq=False)
class ExactFeet(Feet):
    """Feet on exact surfaces.

    Attributes
    ----------
    uv : (n, 2) float
        Parameters on the face's surface.
    how : (n,) uint8
        Index into `HOW`: by formula, by Newton's method, on an edge's curve, through the kernel; "facet" where
        nothing settled and the seed was kept.
    """

    uv: np.ndarray
    how: np.ndarray


class ExactEngine:
    """Search structures of an exact body.

    Parameters
    ----------
    brep : Brep
    group : (n,) int, optional
        Face of the user's that each exact face belongs to; each its own by default.
    edge_flags : (e,) uint8, optional
        Flags of feet on each edge; by default an edge between two of the user's faces is `AT_EDGE`, one with a single
        face is `AT_BOUNDARY`, one inside a face of the user's is nothing.
    """

    def __init__(self, brep: Brep, group: np.ndarray | None = None, edge_flags: np.ndarray | None = None) -> None:
        self.brep = brep
        self.seeds = FacetEngine(brep.vertices, brep.facets, brep.facet_face, len(brep.faces))
        self.group = np.arange(len(brep.faces)) if group is None else np.asarray(group)
        self._edge_flags = _flags_of_edges(brep, self.group) if edge_flags is None else edge_flags
        self._trimmed: dict[int, TrimmedFace] = {}
        self._by_face: dict[int, tuple[ExactEngine, np.ndarray]] = {}

    @cached_property
    def _place(self) -> np.ndarray:
        """(f,) place of each facet within its exact face."""
        order = np.argsort(self.brep.facet_face, kind="stable")
        count = np.bincount(self.brep.facet_face, minlength=len(self.brep.faces))
        place = np.empty(len(order), dtype=np.int64)
        place[order] = np.arange(len(order)) - np.repeat(np.cumsum(count) - count, count)
        return place

    def trimmed(self, face: int) -> TrimmedFace:
        """One face with its trim."""
        if face not in self._trimmed:
            self._trimmed[face] = TrimmedFace(self.brep, face, self._edge_flags)
        return self._trimmed[face]

    def of_face(self, face: int) -> tuple[ExactEngine, np.ndarray]:
        """Engine of one of the user's faces alone, and the facets (in this mesh) that it is made of."""
        if face not in self._by_face:
            kept = np.flatnonzero(self.group == face)
            chosen = np.flatnonzero(np.isin(self.brep.facet_face, kept))
            number = np.full(len(self.brep.faces), -1, dtype=np.int32)
            number[kept] = np.arange(len(kept))
            part = replace(
                self.brep,
                facets=self.brep.facets[chosen],
                facet_face=number[self.brep.facet_face[chosen]],
                corner_uv=self.brep.corner_uv[chosen],
                corner_node=self.brep.corner_node[chosen],
                faces=tuple(self.brep.faces[k] for k in kept),
            )
            self._by_face[face] = ExactEngine(part, np.full(len(kept), face), self._edge_flags), chosen
        return self._by_face[face]

    def feet(self, points: np.ndarray, *, smooth: bool = False, ambiguity: float | None = None) -> ExactFeet:
        """Closest point of every query on the exact faces.

        Parameters
        ----------
        points : (n, 3) float
            Queries [mm]; rows with NaN or infinity come back flagged.
        smooth : bool
            Taken for the sake of the facet engine's signature: an exact normal is smooth by itself.
        ambiguity : float, optional
            Flag a foot when another face is at most this much further away [mm].

        Returns
        -------
        ExactFeet
        """
        del smooth
        points = np.ascontiguousarray(points, dtype=np.float64)
        seeds = self.seeds.feet(points)
        # face by face, so that those of one face lie together; -1, which have nothing to project, come first
        order = np.argsort(seeds.face, kind="stable")
        seeds, points = seeds.take(order), points[order]
        n = len(points)
        none = int(np.searchsorted(seeds.face, 0))
        out = ExactFeet(
            seeds.foot.copy(),
            seeds.facet.copy(),
            seeds.face.copy(),
            seeds.barycentric,
            seeds.normal.copy(),
            seeds.distance.copy(),
            np.zeros(n, dtype=np.uint8),
            np.full((n, 2), np.nan),
            np.full(n, UNSETTLED, dtype=np.uint8),
        )
        out.flags[:none], out.how[:none] = MISSED, 0
        state = _State(out, np.full(n, -1), np.full(n, np.inf), np.full(n, np.inf), np.zeros((n, 3)))
        starts = np.flatnonzero(np.diff(seeds.face[none:], prepend=-1)) + none
        for start, end in pairwise([*starts.tolist(), n]):
            self._first_face(int(seeds.face[start]), points, slice(start, end), seeds, state)
        reach = state.best[none:] + 2.0 * self.brep.deflection + (ambiguity or 0.0)
        for rows, seed in self.seeds.other_faces(points[none:], seeds.face[none:], reach):
            self._other_face(int(seed.face[0]), points, rows + none, seed, state)
        self._sign(points, seeds, state)
        out.face[none:] = self.group[np.where(state.exact[none:] >= 0, state.exact[none:], seeds.face[none:])]
        if ambiguity is not None:
            out.flags[none:] |= np.where(state.second <= state.best + ambiguity, AMBIGUOUS, 0)[none:].astype(np.uint8)
        return out.put_back(order)

    def _project(
        self, face: int, points: np.ndarray, places: np.ndarray, seed: Feet
    ) -> tuple[Closest, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Feet on one face from seeds at `places` within it, their normals and flags, distances, and which are lost."""
        found, normal, flags = self.trimmed(face).closest(points, places, seed.barycentric, seed.foot)
        distance = lengths(points - found.foot)
        # the exact face lies within the deflection of its facets: anything further off did not settle
        astray = np.abs(distance - np.abs(seed.distance)) > 4.0 * self.brep.deflection
        lost = (found.how == UNSETTLED) | astray
        distance[lost] = np.abs(seed.distance[lost]) + self.brep.deflection
        return found, normal, flags, distance, lost

    def _first_face(self, face: int, points: np.ndarray, rows: slice, seeds: Feet, state: _State) -> None:
        """Project `rows` on the face that their seeds lie on."""
        seed = seeds.take(rows)
        places = self._place[seed.facet]
        found, normal, flags, distance, lost = self._project(face, points[rows], places, seed)
        out = state.out
        state.best[rows], state.sums[rows], state.exact[rows] = distance, normal, face
        out.foot[rows], out.uv[rows], out.how[rows] = found.foot, found.uv, found.how
        out.normal[rows], out.flags[rows] = normal, flags
        if lost.any():
            kept = np.flatnonzero(lost) + rows.start
            state.exact[kept], out.how[kept], out.uv[kept], out.flags[kept] = -1, UNSETTLED, np.nan, 0
            out.foot[kept], out.normal[kept] = seeds.foot[kept], seeds.normal[kept]

    def _other_face(self, face: int, points: np.ndarray, rows: np.ndarray, seed: Feet, state: _State) -> None:
        """Project `rows` on another face, and keep what is nearer than what they have."""
        out, exact, best, second, sums = state
        found, normal, flags, distance, lost = self._project(face, points[rows], seed.facet, seed)
        tied = (np.abs(distance - best[rows]) <= 1e-9) & (found.how == BORDER)
        nearer = (distance < best[rows]) & ~tied
        other_group = (exact[rows] >= 0) & (self.group[exact[rows]] != self.group[face])
        # the runner-up counts only if it is on another of the user's faces
        pushed = np.where(other_group, np.minimum(second[rows], best[rows]), second[rows])
        behind = np.where(other_group, np.minimum(second[rows], distance), second[rows])
        second[rows] = np.where(nearer, pushed, behind)
        sums[rows[tied]] += normal[tied]
        out.flags[rows[tied]] |= flags[tied]
        sums[rows[nearer]] = normal[nearer]
        best[rows[nearer]] = distance[nearer]
        good = nearer & ~lost
        into = rows[good]
        exact[into] = face
        facets = self.seeds.of_face(face)[1]
        out.foot[into], out.uv[into], out.how[into] = found.foot[good], found.uv[good], found.how[good]
        out.facet[into], out.barycentric[into] = facets[seed.facet[good]], seed.barycentric[good]
        out.normal[into], out.flags[into] = normal[good], flags[good]

    def _sign(self, points: np.ndarray, seeds: Feet, state: _State) -> None:
        """Signed distances; on edges the normals of the faces that meet there decide, or far off the facets."""
        out, _, best, _, sums = state
        away = points - out.foot
        settled = (out.how != UNSETTLED) & np.isfinite(best)
        along = np.einsum("ij,ij->i", away, out.normal)
        edge = out.how == BORDER
        far = np.abs(seeds.distance) > 4.0 * self.brep.deflection
        side = np.where(far, seeds.distance, np.einsum("ij,ij->i", away, sums))
        length = lengths(away)
        signed = np.where(edge, np.where(side < 0, -length, length), along)
        out.distance[settled] = signed[settled]
        clear = edge & settled & (length > 1e-7)
        out.normal[clear] = away[clear] / out.distance[clear, None]
        flat = edge & settled & ~clear
        size = np.linalg.norm(sums[flat], axis=1, keepdims=True)
        out.normal[flat] = sums[flat] / np.where(size > 0, size, 1.0)

    def curvatures(self, found: ExactFeet) -> np.ndarray:
        """(n, 2) principal curvatures at feet [1/mm], larger first; positive where the part is hollow."""
        out = np.full((len(found.face), 2), np.nan)
        known = np.isfinite(found.uv).all(axis=1)
        exact = np.where(known, self.brep.facet_face[found.facet], -1)
        for face in np.unique(exact[known]):
            rows = np.flatnonzero(exact == face)
            surface, outward = self.brep.faces[face].surface, self.brep.faces[face].outward
            derivatives = surface.evaluate(found.uv[rows], 2)
            normal = outward * np.cross(derivatives[1], derivatives[2])
            normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
            out[rows] = principal_curvatures(derivatives, normal)
        return out


class _State(NamedTuple):
    """What a search has so far: feet, the exact face of each, distance, that of the next best, sum of tied normals."""

    out: ExactFeet
    exact: np.ndarray
    best: np.ndarray
    second: np.ndarray
    sums: np.ndarray


def _flags_of_edges(brep: Brep, group: np.ndarray) -> np.ndarray:
    """(e,) flags of feet on each edge, by the user's faces that meet there."""
    flags = np.zeros(len(brep.edges), dtype=np.uint8)
    users: list[list[int]] = [[] for _ in brep.edges]
    for face, exact in enumerate(brep.faces):
        for edge, _ in exact.borders:
            users[edge].append(int(group[face]))
    for edge, faces in enumerate(users):
        flags[edge] = AT_BOUNDARY if len(faces) == 1 else AT_EDGE if len(set(faces)) > 1 else 0
    return flags
