"""Closest points on trimmed faces: the whole surface's foot where it lies inside the trim, else one on the edges."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ..nearby import by_group
from .batch import Surfaces
from .borders import Borders
from .brep import Brep
from .corners import Corners
from .poles import Pole
from .surfaces import BORDER, UNSETTLED, Closest, Elementary, across, dot, lengths

__all__ = ["TrimmedFaces"]

_BESIDE = 0.3  # of a negligible length: a touch this far beside its foot's normal is not above it


class TrimmedFaces:
    """The faces of a `Brep`, with what it takes to tell inside from outside, for touches on any of them at once.

    Far from the border the facets tell: a foot that moved less from its seed than it lies away from the border is
    inside. Nearer, a ray in the parameter plane counts crossings of the facets' own border. Within the facets'
    tolerance of an edge, the edge's exact curve decides: the foot is inside if it lies to the left of it.

    Parameters
    ----------
    brep : Brep
    edge_flags : (e,) uint8
        Flags of a foot on each of the edges of `brep`.
    """

    def __init__(self, brep: Brep, edge_flags: np.ndarray) -> None:
        self._brep = brep
        self._corner_uv = brep.corner_uv
        self.surfaces = Surfaces([face.surface for face in brep.faces])
        self._border = Borders(
            brep.edges,
            edge_flags,
            [face.borders for face in brep.faces],
            0.25 * brep.deflection,
            1e-3 * brep.negligible,
            brep.gap,
        )
        self._band = 3.0 * brep.deflection
        self._on_edge = max(brep.negligible, brep.gap)  # a foot this near to an edge may be on it [mm]
        self.outward = np.array([face.outward for face in brep.faces])
        self._bounded = np.array([bool(face.borders or face.poles) for face in brep.faces])
        self._endless = np.array(
            [isinstance(face.surface, Elementary) and face.surface.kind != "cone" for face in brep.faces]
        )
        # distances from the edges and poles of the face, or a little less [mm]: (f, 3) of the corners of each facet,
        # (f,) of the corner that is furthest off, and (f,) at least of every point of the facet
        self._clearance = np.empty(brep.facets.shape)
        self._best_clearance, self._least_clearance = np.empty((2, len(brep.facets)))
        self._entered = np.zeros(len(brep.facets), dtype=bool)

    @cached_property
    def corners(self) -> Corners:
        """Where edges end."""
        return Corners(self._brep, self._border, self.surfaces, self._poles)

    @cached_property
    def _uv_border(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Start and end (m, 2) of the facets' border in the parameter plane, ordered by face, and where each starts."""
        uv = self._corner_uv
        # a node belongs to one face, and is doubled along seams, which are borders in the parameter plane
        single = _without_reverse(self._brep.corner_node)
        face = self._brep.facet_face[single // 3]
        order = np.argsort(face, kind="stable")
        first = np.searchsorted(face[order], np.arange(len(self._brep.faces) + 1))
        single = single[order]
        return uv.reshape(-1, 2)[single], uv[:, [1, 2, 0]].reshape(-1, 2)[single], first

    @cached_property
    def _uv_box(self) -> np.ndarray:
        """(faces, 2, 2) lower and upper corner of the facets of each face in the parameter plane."""
        out = np.full((len(self._brep.faces), 2, 2), np.inf)
        out[:, 1] = -np.inf
        face = np.repeat(self._brep.facet_face, 3)
        np.minimum.at(out[:, 0], face, self._corner_uv.reshape(-1, 2))
        np.maximum.at(out[:, 1], face, self._corner_uv.reshape(-1, 2))
        return out

    @cached_property
    def _turns(self) -> list[np.ndarray]:
        """Shifts (faces, 2) in the parameter plane by nothing and by a period back and forth; NaN if there is none."""
        periods = np.array([face.surface.periods for face in self._brep.faces])
        steps = np.where(periods > 0, periods, np.nan)
        shifts = [np.where(along, steps, 0.0) for along in np.eye(2, dtype=bool)]
        return [np.zeros_like(periods), *(sign * shift for shift in shifts for sign in (-1.0, 1.0))]

    @cached_property
    def _reach(self) -> np.ndarray:
        """(faces,) how near to the border the facets tell nothing [mm]."""
        return self._band + self._border.sag

    def _enter(self, facet: np.ndarray) -> None:
        """Work out the clearances of facets (n,) that are not there yet: of a large model few are asked for."""
        new = np.unique(facet[~self._entered[facet]])
        if not len(new):
            return
        facets, count = self._brep.facets[new], len(self._brep.vertices)
        key, inverse = np.unique(
            facets + count * self._brep.facet_face[new, None].astype(np.int64), return_inverse=True
        )
        points, face = self._brep.vertices[key % count], key // count
        nearest = self._border.rough_gap(points, face)
        for own, pole in self._poles:
            rows = np.flatnonzero(face == own)
            nearest[rows] = np.minimum(nearest[rows], lengths(points[rows] - pole.at))
        corner = self._brep.vertices[facets]
        self._clearance[new] = nearest[inverse.reshape(facets.shape)]
        self._best_clearance[new] = self._clearance[new].max(axis=1)
        sides = lengths(corner - np.roll(corner, 1, axis=1))
        self._least_clearance[new] = self._best_clearance[new] - sides.max(axis=1)
        self._entered[new] = True

    @cached_property
    def _poles(self) -> list[tuple[int, Pole]]:
        """Poles, and the face that each is one of."""
        out = []
        for index, face in enumerate(self._brep.faces):
            chosen = np.flatnonzero(self._brep.facet_face == index) if face.poles else []
            facets, uv = self._brep.facets[chosen], self._corner_uv[chosen]
            beside = face.surface, self._brep.vertices[facets], uv, self._brep.negligible, self._brep.gap
            out += [(index, Pole.among(at, *beside)) for at in face.poles]
        return out

    def off_border(self, points: np.ndarray, face: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the edges of faces (n,) [mm]."""
        return self._border.nearest(points, face).distance

    def closest(
        self, face: np.ndarray, points: np.ndarray, facet: np.ndarray, barycentric: np.ndarray, seed: np.ndarray
    ) -> tuple[Closest, np.ndarray, np.ndarray]:
        """Closest points of trimmed faces.

        Parameters
        ----------
        face : (n,) int
        points : (n, 3) float [mm]
        facet : (n,) int
            Seed facet, one of the face's.
        barycentric : (n, 3) float
        seed : (n, 3) float
            Foot on that facet [mm].

        Returns
        -------
        Closest
            Feet on edges, creases and poles, which the touch need not be above, have the code `BORDER`.
        normal : (n, 3) float
            Outward unit normal of the surface there.
        flags : (n,) uint8
            Those of the edges the feet lie on.
        """
        near = np.einsum("ik,ikc->ic", barycentric, self._corner_uv.take(facet, axis=0))
        found = self.surfaces.closest(face, points, near)
        poles = [(own, pole, np.flatnonzero(face == own)) for own, pole in self._poles]
        for own, pole, rows in poles:
            pole.retry(self._brep.faces[own].surface, points, found, rows)
        normal = self._normal(face, found.su, found.sv)
        for _, pole, rows in poles:
            pole.mend_normals(points, found, normal, rows)
        flags = np.zeros(len(points), dtype=np.uint8)
        moved = lengths(found.foot - seed)
        # first by what is true of all of a facet, then, where that helps, by where on it the seed lies
        self._enter(facet)
        tight = self._least_clearance[facet] <= moved + self._band
        rows = np.flatnonzero(tight & (found.how != UNSETTLED) & self._bounded[face])
        hope = self._best_clearance[facet[rows]] > moved[rows] + self._band
        some = rows[hope]
        corner = facet[some]
        to_corner = self._brep.vertices.take(self._brep.facets[corner], axis=0) - seed.take(some, axis=0)[:, None, :]
        away = self._clearance.take(corner, axis=0) - lengths(to_corner)
        tight[some] = away.max(axis=1) <= moved[some] + self._band
        rows = rows[tight[rows]]
        if len(rows):
            self._settle(face, points, found, (normal, flags), rows, near, moved[rows])
        return found, normal, flags

    def _normal(self, face: np.ndarray, su: np.ndarray, sv: np.ndarray) -> np.ndarray:
        natural = across(su, sv)
        length = lengths(natural)
        natural *= (self.outward[face] / np.where(length > 0, length, 1.0))[:, None]
        return natural

    def _settle(
        self,
        face: np.ndarray,
        points: np.ndarray,
        found: Closest,
        beside: tuple[np.ndarray, np.ndarray],
        rows: np.ndarray,
        near: np.ndarray,
        moved: np.ndarray,
    ) -> None:
        """Decide feet near the border, and put those outside onto it; normal and flags are in `beside`."""
        normal, flags = beside
        feet, own = found.foot.take(rows, axis=0), face[rows]
        gap, reach = self._border.rough_gap(feet, own), self._reach[own]
        pole_size = self._near_pole(own, feet)
        inside = gap > moved + reach  # the way from the seed, which is inside, does not get to the border
        close = np.flatnonzero((gap < reach) | (pole_size > 0))
        far = np.flatnonzero(~inside & (gap >= reach) & (pole_size == 0))
        inside[far] = self._inside_facets(own[far], found.uv[rows[far]])
        if len(close):
            at = rows[close]
            border = self._border.nearest(feet[close], face[at], across(found.su[at], found.sv[at]))
            sharp = (border.distance < self._band) & ~border.at_end
            by_pole = pole_size[close] > 0
            unsure = np.flatnonzero(~sharp & ~by_pole)
            decided = np.where(by_pole & (border.distance > pole_size[close]), True, border.left)
            decided[unsure] = inside[close[unsure]] | self._inside_facets(face[at[unsure]], found.uv[at[unsure]])
            inside[close] = decided
            flags[at] = np.where(border.distance <= self._on_edge, border.flags, 0)
        # where the surface itself ends, its nearest point has the touch beside it, not above it
        may_end = np.flatnonzero(inside & ~self._endless[own] & (found.how[rows] != BORDER))
        at = rows[may_end]
        away, across_it = points.take(at, axis=0) - found.foot.take(at, axis=0), normal.take(at, axis=0)
        inside[may_end] = lengths(away - dot(away, across_it)[:, None] * across_it) <= _BESIDE * self._brep.negligible
        out = rows[~inside]
        if len(out):
            self._put_on_border(face, points, found, beside, out, near)

    def _put_on_border(
        self,
        face: np.ndarray,
        points: np.ndarray,
        found: Closest,
        beside: tuple[np.ndarray, np.ndarray],
        rows: np.ndarray,
        near: np.ndarray,
    ) -> None:
        normal, flags = beside
        own = face[rows]
        border = self._border.nearest(points[rows], own)
        there = self.surfaces.closest(own, border.foot, near[rows])
        found.uv[rows], found.foot[rows], found.how[rows] = there.uv, border.foot, BORDER
        found.su[rows], found.sv[rows] = there.su, there.sv
        normal[rows], flags[rows] = self._normal(own, there.su, there.sv), border.flags
        for of, pole in self._poles:
            nearer = rows[(own == of) & (lengths(points[rows] - pole.at) <= border.distance)]
            found.foot[nearer], normal[nearer], flags[nearer] = pole.at, pole.normal, 0

    def _near_pole(self, face: np.ndarray, feet: np.ndarray) -> np.ndarray:
        """Size of the facets round a pole (n,) [mm] for feet among them, where parameters tell nothing; else 0."""
        size = np.zeros(len(feet))
        for own, pole in self._poles:
            cap = 1.05 * pole.size + self._band
            rows = np.flatnonzero(face == own)
            rows = rows[lengths(feet[rows] - pole.at) <= cap]
            size[rows] = np.maximum(size[rows], cap)
        return size

    def _inside_facets(self, face: np.ndarray, uv: np.ndarray) -> np.ndarray:
        """Whether parameters (n, 2), or the same a period on, lie inside the border of faces (n,) of facets."""
        inside = np.zeros(len(uv), dtype=bool)
        box = self._uv_box
        for turn in self._turns:
            turned = uv + turn[face]
            maybe = ~inside & (turned >= box[face, 0]).all(axis=1) & (turned <= box[face, 1]).all(axis=1)
            places = np.flatnonzero(maybe)
            order, first = by_group(face[places], len(self._brep.faces))
            for own in np.flatnonzero(np.diff(first)):
                rows = places[order[first[own] : first[own + 1]]]
                inside[rows] = self._crossings_odd(own, turned[rows])
        return inside

    def _crossings_odd(self, face: int, uv: np.ndarray) -> np.ndarray:
        """Whether a ray along u from each of `uv` crosses the border of a face of facets an odd number of times."""
        starts, ends, first = self._uv_border
        some = slice(first[face], first[face + 1])
        a, b = starts[some], ends[some]
        odd = np.zeros(len(uv), dtype=bool)
        rows_at_once = max(1, 2_000_000 // max(len(a), 1))
        slope = (b[:, 0] - a[:, 0]) / np.where(b[:, 1] != a[:, 1], b[:, 1] - a[:, 1], 1.0)
        for at in range(0, len(uv), rows_at_once):
            u, v = uv[at : at + rows_at_once, :1], uv[at : at + rows_at_once, 1:]
            crosses = (a[:, 1] > v) != (b[:, 1] > v)
            odd[at : at + rows_at_once] = (crosses & (u < a[:, 0] + slope * (v - a[:, 1]))).sum(axis=1) % 2 == 1
        return odd


def _without_reverse(nodes: np.ndarray) -> np.ndarray:
    """Sides 3 f + k, from corner k of facet f (f, 3) to the next one, that no facet has the other way round; ascending.

    Sorting is many times quicker here than `np.isin`, which builds a table of hashes.
    """
    start, end = nodes.astype(np.int64).ravel(), nodes[:, [1, 2, 0]].astype(np.int64).ravel()
    key = np.minimum(start, end) * (int(nodes.max(initial=0)) + 1) + np.maximum(start, end)
    order = np.argsort(key)
    first = np.flatnonzero(np.diff(key[order], prepend=-1))
    group = np.repeat(np.arange(len(first)), np.diff(first, append=len(order)))
    ahead = (start < end)[order]
    there, back = (np.bincount(group, weights=way, minlength=len(first)) > 0 for way in (ahead, ~ahead))
    return np.sort(order[~np.where(ahead, back[group], there[group])])
