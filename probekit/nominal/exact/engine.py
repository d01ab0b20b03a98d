"""Closest points on exact surfaces, with the same face of the tool as the facet engine.

The facets seed the search; each touch is then taken to the exact surface of its face, limited to the trimmed face, and
to every other face that the facets cannot rule out. `Feet` come back as from facets, with two columns more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import ClassVar, NamedTuple

import numpy as np

from ...show import shown
from ..facets import FacetEngine
from ..feet import AMBIGUOUS, AT_BOUNDARY, AT_EDGE, Feet, OnOtherFaces, in_order, joined
from ..nearby import by_group
from .branches import Branches
from .brep import Brep
from .creases import Creased
from .projected import Projected
from .surfaces import BORDER, UNSETTLED, across, dot, lengths, principal_curvatures
from .trim import TrimmedFaces

__all__ = ["HOW", "ExactEngine", "ExactFeet"]

#: How a foot was found, by code.
HOW = ("", "formula", "newton", "edge", "kernel", "facet")


@shown
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

    _empty: ClassVar[dict[str, int]] = {**Feet._empty, "how": 0}


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
        self._tie = 1e-3 * brep.negligible  # feet on edges that differ by this are equally far [mm]
        self._by_face: dict[int, tuple[ExactEngine, np.ndarray]] = {}

    @cached_property
    def _faces(self) -> TrimmedFaces:
        return TrimmedFaces(self.brep, self._edge_flags)

    @cached_property
    def _branches(self) -> Branches:
        return Branches(self.brep, self.seeds)

    def of_face(self, face: int) -> tuple[ExactEngine, np.ndarray]:
        """Engine of one of the user's faces alone, and the facets (in this mesh) that it is made of."""
        if face not in self._by_face:
            kept = np.flatnonzero(self.group == face)
            order, first = self._facets_of_faces
            chosen = np.sort(np.concatenate([order[first[k] : first[k + 1]] for k in kept]))
            used, corner = np.unique(self.brep.facets[chosen], return_inverse=True)
            number = np.full(len(self.brep.faces), -1, dtype=np.int32)
            number[kept] = np.arange(len(kept))
            part = replace(
                self.brep,
                vertices=self.brep.vertices[used],
                facets=corner.reshape(-1, 3),
                facet_face=number[self.brep.facet_face[chosen]],
                corner_uv=self.brep.corner_uv[chosen],
                corner_node=self.brep.corner_node[chosen],
                faces=tuple(self.brep.faces[k] for k in kept),
            )
            self._by_face[face] = ExactEngine(part, np.full(len(kept), face), self._edge_flags), chosen
        return self._by_face[face]

    @cached_property
    def _facets_of_faces(self) -> tuple[np.ndarray, np.ndarray]:
        return by_group(self.brep.facet_face, len(self.brep.faces))

    @cached_property
    def _alone(self) -> np.ndarray:
        """(n,) exact face of each of the user's that is one simple face; -1 where it is not.

        Simple are those without creases and poles: at a corner of one its own normal is all that counts.
        """
        out = np.full(int(self.group.max()) + 1, -1)
        for k in np.flatnonzero(np.bincount(self.group)[self.group] == 1):
            if not self.brep.faces[k].poles and not isinstance(self.brep.faces[k].surface, Creased):
                out[self.group[k]] = k
        return out

    def feet_on(self, points: np.ndarray, face: np.ndarray, *, smooth: bool = False) -> ExactFeet:
        """Feet of points (n, 3) on the user's faces (n,): as `of_face` gives them, in one search where that can be."""
        del smooth
        together = self._alone[face] >= 0
        parts: list[tuple[np.ndarray, ExactFeet]] = []
        for one in np.unique(face[~together]).tolist():
            rows, (engine, facets) = np.flatnonzero(face == one), self.of_face(one)
            parts.append((rows, engine.feet(points[rows]).renumbered(facets)))
        rows = np.flatnonzero(together)
        finite = np.isfinite(points[rows]).all(axis=1)
        found = self._feet_on(points[rows[finite]], self._alone[face[rows[finite]]])
        return joined([*parts, (rows, found.put(np.flatnonzero(finite), len(rows)))])

    def _feet_on(self, points: np.ndarray, face: np.ndarray) -> ExactFeet:
        """Feet of finite points (n, 3) on exact faces (n,)."""
        seeds = self.seeds.seeds_on(points, face)
        away = np.abs(seeds.distance)
        row, others = self._starts(points, seeds, away + 3.0 * self.brep.deflection, alone=True)
        starts = (points, face, seeds.facet, seeds.foot, seeds.barycentric, away)
        found = self._project(*map(np.concatenate, zip(starts, (points[row], *others[1:]), strict=True)))
        least = found.least_of_lost(row)
        found, _ = self._nearest_of_each_face(found, row, len(points))
        own = Projected(*(values[: len(points)] for values in found))
        state = self._begun(points, seeds, own)
        self._doubt(points, seeds, least, state)
        self._sign(points, seeds, state, corners=False)
        return state.out

    def facing(self, direction: np.ndarray) -> ExactEngine | None:
        """Engine whose seeds lie only on facets less than 90 degrees off `direction` (3,); None if there are none."""
        seeds = self.seeds.facing(direction)
        if seeds is None:
            return None
        out = ExactEngine(self.brep, self.group, self._edge_flags)
        out.seeds, out._faces, out._branches = seeds, self._faces, Branches(self.brep, seeds)
        return out

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
        return in_order(points, self.seeds.box, partial(self._feet, ambiguity=ambiguity))

    def _feet(self, points: np.ndarray, ambiguity: float | None) -> ExactFeet:
        seeds = self.seeds.feet_of_finite(points)
        away = np.abs(seeds.distance)
        # no exact face lies further than the deflection from its facets; that is allowed for more than once
        reach = away + 3.0 * self.brep.deflection + (ambiguity or 0.0)
        row, others = self._starts(points, seeds, reach)
        starts = (points, seeds.face, seeds.facet, seeds.foot, seeds.barycentric, away)
        found = self._project(*map(np.concatenate, zip(starts, (points[row], *others[1:]), strict=True)))
        least = found.least_of_lost(row)
        found, row = self._nearest_of_each_face(found, row, len(points))
        own = Projected(*(values[: len(points)] for values in found))
        state = self._begun(points, seeds, own)
        # of those on other faces, the first of each touch, then the second, and so on
        order = np.argsort(row, kind="stable")
        start = np.flatnonzero(np.diff(row[order], prepend=-1))
        turn = np.arange(len(row)) - np.repeat(start, np.diff(start, append=len(row)))
        for k in range(int(turn.max(initial=-1)) + 1):
            some = order[turn == k]
            self._take_nearer(row[some], Projected(*(values[len(points) + some] for values in found)), state)
        self._doubt(points, seeds, least, state)
        self._sign(points, seeds, state)
        if ambiguity is not None:
            state.out.flags[state.second <= state.best + ambiguity] |= AMBIGUOUS
        return state.out

    def _begun(self, points: np.ndarray, seeds: Feet, own: Projected) -> _State:
        """What a search has when the face of each seed has been looked at."""
        out = ExactFeet(
            own.foot,
            own.facet,
            self.group[seeds.face],
            own.barycentric,
            own.normal.copy(),
            seeds.distance.copy(),
            own.flags,
            own.uv,
            own.how,
        )
        _keep_seeds(out, seeds, np.flatnonzero(own.lost))
        above = np.where(own.lost | (own.how == BORDER), np.inf, own.distance)
        upward = own.normal.copy()
        none = np.full(len(points), np.inf)
        return _State(out, ~own.lost, own.distance, none, own.normal, above, own.face.copy(), upward)

    def _starts(
        self, points: np.ndarray, seeds: Feet, reach: np.ndarray, *, alone: bool = False
    ) -> tuple[np.ndarray, OnOtherFaces]:
        """Rows, and starts beside the nearest facet: on other branches of the same face, and, unless it counts `alone`,
        on other faces within reach.
        """
        found = self._branches.others(points, seeds.facet, reach)
        if alone:
            found = OnOtherFaces(*(values[found.face == seeds.face[found.row]] for values in found))
        hollow = self._branches.hollow(seeds.facet, seeds.distance)
        if len(hollow):
            same = np.flatnonzero(np.isin(found.row, hollow))
            rows = np.concatenate([hollow, found.row[same]])
            facets = np.concatenate([seeds.facet[hollow], found.facet[same]])
            curved = self._branches.curved(facets)
            # no facet is further off the surface than the deflection, so none further than twice that is on the nearest
            near = np.abs(seeds.distance) + 2.0 * self.brep.deflection
            more = self._branches.around(points, rows[curved], facets[curved], near)
            found = OnOtherFaces(*map(np.concatenate, zip(found, more, strict=True)))
        return found.row, found

    def _nearest_of_each_face(self, found: Projected, row: np.ndarray, n: int) -> tuple[Projected, np.ndarray]:
        """Of starts on the same face only what came nearest: first one for each of `n` points, then those of `row`."""
        if not len(row) or not self._branches.any:
            return found, row
        whole = np.concatenate([np.arange(n), row])
        key = whole * len(self.brep.faces) + found.face
        order = np.lexsort((found.distance, found.lost, key))
        best = order[np.flatnonzero(np.diff(key[order], prepend=-1))]
        first = key[:n]
        place = np.searchsorted(key[best], first)
        kept = np.concatenate([best[place], np.delete(best, place)])
        return Projected(*(values[kept] for values in found)), whole[kept[n:]]

    def _project(
        self,
        points: np.ndarray,
        face: np.ndarray,
        facet: np.ndarray,
        seed: np.ndarray,
        barycentric: np.ndarray,
        away: np.ndarray,
    ) -> Projected:
        """Feet on given faces, from seeds on their facets and the distances from these."""
        found, normal, flags = self._faces.closest(face, points, facet, barycentric, seed)
        distance = lengths(points - found.foot)
        # anything further off its facets than the exact face can be did not settle
        lost = (found.how == UNSETTLED) | (np.abs(distance - away) > 4.0 * self.brep.deflection)
        came = np.where(lost, np.minimum(distance, away + self.brep.deflection), np.inf)
        distance = np.where(lost, away + self.brep.deflection, distance)
        return Projected(face, facet, barycentric, found.foot, found.uv, found.how, normal, flags, distance, lost, came)

    def _take_nearer(self, rows: np.ndarray, found: Projected, state: _State) -> None:
        """Feet of `rows`, all different, on another face: keep those that are nearer than what they have."""
        out, settled, best, second, sums, above, below, upward = state
        on_border = found.how == BORDER
        tied = (np.abs(found.distance - best[rows]) <= self._tie) & on_border
        nearer = found.distance < best[rows] - np.where(on_border, self._tie, 0.0)
        squarely = ~on_border & ~found.lost & (found.distance < above[rows])
        above[rows[squarely]], below[rows[squarely]] = found.distance[squarely], found.face[squarely]
        upward[rows[squarely]] = found.normal[squarely]
        other_group = settled[rows] & (out.face[rows] != self.group[found.face])
        # the runner-up counts only if it is on another of the user's faces
        behind = np.minimum(second[rows], np.where(nearer, best[rows], found.distance))
        second[rows] = np.where(other_group, behind, second[rows])
        sums[rows[tied]] += found.normal[tied]
        out.flags[rows[tied]] |= found.flags[tied]
        anew = nearer & ~tied
        sums[rows[anew]] = found.normal[anew]
        best[rows[nearer]] = found.distance[nearer]
        good = nearer & ~found.lost
        into = rows[good]
        settled[into] = True
        out.face[into], out.facet[into] = self.group[found.face[good]], found.facet[good]
        out.foot[into], out.uv[into], out.how[into] = found.foot[good], found.uv[good], found.how[good]
        out.barycentric[into], out.normal[into] = found.barycentric[good], found.normal[good]
        out.flags[into] = found.flags[good]

    def _doubt(self, points: np.ndarray, seeds: Feet, least: np.ndarray, state: _State) -> None:
        """Give up feet that are further off than a lost start says that the nearest point is (n,): none found that."""
        wrong = np.flatnonzero(state.settled & (lengths(points - state.out.foot) > least + self._tie))
        state.settled[wrong], state.best[wrong] = False, least[wrong]
        _keep_seeds(state.out, seeds, wrong)
        state.out.face[wrong], state.out.distance[wrong] = self.group[seeds.face[wrong]], seeds.distance[wrong]

    def _sign(self, points: np.ndarray, seeds: Feet, state: _State, *, corners: bool = True) -> None:
        """Signed distances; on edges and corners the faces that meet there decide, or far off the facets."""
        out, settled, best, _, sums, above, below, upward = state
        away = points - out.foot
        out.distance[settled] = dot(away, out.normal)[settled]
        rows = np.flatnonzero(out.how == BORDER)
        if not len(rows):
            return
        away, sums = away[rows], sums[rows]
        far = np.abs(seeds.distance[rows]) > 4.0 * self.brep.deflection
        # where edges lie off their faces, one may come a trace nearer than the face that the touch is above
        gap = max(self._tie, self.brep.gap)
        over = np.flatnonzero(above[rows] <= best[rows] + gap)
        over = over[self._faces.off_border(out.foot[rows[over]], below[rows[over]]) <= gap]
        sums[over] = upward[rows[over]]
        near = np.flatnonzero(~far)
        if corners:
            corner = self._faces.corners.pseudo_normals(out.foot[rows[near]])
            sums[near] = np.where(np.isfinite(corner), corner, sums[near])
        side = np.where(far, seeds.distance[rows], dot(away, sums))
        length = lengths(away)
        out.distance[rows] = np.where(side < 0, -length, length)
        clear = length > 0.1 * self.brep.negligible
        out.normal[rows[clear]] = away[clear] / out.distance[rows[clear], None]
        flat = sums[~clear]
        size = lengths(flat)[:, None]
        out.normal[rows[~clear]] = flat / np.where(size > 0, size, 1.0)

    def another_near(self, points: np.ndarray, facet: np.ndarray, reach: np.ndarray) -> np.ndarray:
        """As `FacetEngine.another_near`, of the user's faces; facets are off these by the deflection."""
        own = self.brep.facet_face[facet]
        found = self.seeds.other_faces(points, own, reach + 2.0 * self.brep.deflection)
        out = np.zeros(len(points), dtype=bool)
        out[found.row[self.group[found.face] != self.group[own[found.row]]]] = True
        return out

    def curvatures(self, found: ExactFeet) -> np.ndarray:
        """(n, 2) principal curvatures at feet [1/mm], larger first; positive where the part is hollow."""
        out = np.full((len(found.face), 2), np.nan)
        known = np.isfinite(found.uv).all(axis=1)
        face = self.brep.facet_face[found.facet[known]]
        derivatives = self._faces.surfaces.evaluate(face, found.uv[known], 2)
        normal = self._faces.outward[face, None] * across(derivatives[1], derivatives[2])
        normal /= np.maximum(lengths(normal), 1e-300)[:, None]
        out[known] = principal_curvatures(derivatives, normal)
        return out


def _keep_seeds(out: ExactFeet, seeds: Feet, rows: np.ndarray) -> None:
    """Put the feet on facets in the place of those of `rows`, as not settled."""
    out.foot[rows], out.normal[rows], out.flags[rows] = seeds.foot[rows], seeds.normal[rows], 0
    out.uv[rows], out.how[rows] = np.nan, UNSETTLED
    out.facet[rows], out.barycentric[rows] = seeds.facet[rows], seeds.barycentric[rows]


class _State(NamedTuple):
    """What a search has so far.

    Feet, whether settled, distance, that of the next best, sum of tied normals; and the least distance of a foot that
    its touch is squarely above, with the face and its normal there.
    """

    out: ExactFeet
    settled: np.ndarray
    best: np.ndarray
    second: np.ndarray
    sums: np.ndarray
    above: np.ndarray
    below: np.ndarray
    upward: np.ndarray


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
