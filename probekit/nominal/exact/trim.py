"""Closest points on a trimmed face: the whole surface's foot where it lies inside the trim, else one on its edges."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from .borders import Border
from .brep import Brep, ExactFace
from .poles import Pole
from .surfaces import BORDER, UNSETTLED, Closest, across, lengths

__all__ = ["TrimmedFace"]

_ON_EDGE = 1e-6  # a foot this near to an edge is on it [mm]
_BESIDE = 3e-7  # a touch this far beside its foot's normal is not above it [mm]


class TrimmedFace:
    """One face of a `Brep`, with what it takes to tell inside from outside.

    Far from the border the facets tell: a foot that moved less from its seed than it lies away from the border is
    inside. Nearer, a ray in the parameter plane counts crossings of the facets' own border. Within the facets'
    tolerance of an edge, the edge's exact curve decides: the foot is inside if it lies to the left of it.

    Parameters
    ----------
    brep : Brep
    index : int
        Which face.
    edge_flags : (e,) uint8
        Flags of a foot on each of the edges of `brep`.
    """

    def __init__(self, brep: Brep, index: int, edge_flags: np.ndarray) -> None:
        self.face: ExactFace = brep.faces[index]
        self._brep = brep
        edges = [edge for edge, _ in self.face.borders]
        senses = [sense for _, sense in self.face.borders]
        self._border = Border([brep.edges[edge] for edge in edges], senses, edge_flags[edges])
        self._chosen = np.flatnonzero(brep.facet_face == index)
        self._band = 3.0 * brep.deflection

    @cached_property
    def _corner_uv(self) -> np.ndarray:
        return self._brep.corner_uv[self._chosen]

    @cached_property
    def _corners(self) -> np.ndarray:
        """(f, 3, 3) corners of the face's facets [mm]."""
        return self._brep.vertices[self._brep.facets[self._chosen]]

    @cached_property
    def _uv_border(self) -> tuple[np.ndarray, np.ndarray]:
        """Start and end (m, 2) of the border segments of the facets in the parameter plane."""
        nodes, uv = self._brep.corner_node[self._chosen].astype(np.int64), self._corner_uv
        start, end = nodes[:, [0, 1, 2]].ravel(), nodes[:, [1, 2, 0]].ravel()
        a, b = uv[:, [0, 1, 2]].reshape(-1, 2), uv[:, [1, 2, 0]].reshape(-1, 2)
        # nodes are doubled along seams, so a seam is a border here, too, as it must be in the parameter plane
        n = int(nodes.max()) + 1
        forth, back = start * n + end, end * n + start
        single = ~np.isin(forth, back)
        return a[single], b[single]

    @cached_property
    def _uv_box(self) -> np.ndarray:
        """(2, 2) lower and upper corner of the facets in the parameter plane."""
        uv = self._corner_uv.reshape(-1, 2)
        return np.array([uv.min(axis=0), uv.max(axis=0)])

    @cached_property
    def _reach(self) -> float:
        """How near to the border the facets tell nothing [mm]."""
        return self._band + self._border.sag

    @cached_property
    def _clearance(self) -> np.ndarray:
        """(f, 3) distance of the corners of the face's facets from its edges and poles, or a little less [mm]."""
        facets = self._brep.facets[self._chosen]
        used, inverse = np.unique(facets, return_inverse=True)
        points = self._brep.vertices[used]
        nearest = self._border.rough_gap(points)
        for pole in self.face.poles:
            nearest = np.minimum(nearest, np.linalg.norm(points - pole, axis=1))
        return nearest[inverse.reshape(facets.shape)]

    @cached_property
    def _least_clearance(self) -> np.ndarray:
        """(f,) distance that every point of a facet has from the edges and poles, or less [mm]."""
        sides = lengths(self._corners - np.roll(self._corners, 1, axis=1))
        return self._clearance.max(axis=1) - sides.max(axis=1)

    @cached_property
    def _poles(self) -> list[Pole]:
        facets = self._brep.facets[self._chosen]
        surface = self.face.surface
        return [Pole.among(pole, surface, self._brep.vertices, facets, self._corner_uv) for pole in self.face.poles]

    def closest(
        self, points: np.ndarray, facet: np.ndarray, barycentric: np.ndarray, seed: np.ndarray
    ) -> tuple[Closest, np.ndarray, np.ndarray]:
        """Closest point of the trimmed face.

        Parameters
        ----------
        points : (n, 3) float [mm]
        facet : (n,) int
            Seed facet, counted within the face.
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
        near = np.einsum("ik,ikc->ic", barycentric, self._corner_uv[facet])
        found = self.face.surface.closest(points, near)
        for pole in self._poles:
            pole.retry(self.face.surface, points, found)
        normal = self._normal(found.su, found.sv)
        for pole in self._poles:
            pole.mend_normals(points, found, normal)
        flags = np.zeros(len(points), dtype=np.uint8)
        if self.face.borders or self.face.poles:
            moved = lengths(found.foot - seed)
            # first by what is true of all of a facet, then, of the rest, by where on it the seed lies
            rows = np.flatnonzero((self._least_clearance[facet] <= moved + self._band) & (found.how != UNSETTLED))
            if len(rows):
                corner = facet[rows]
                away = self._clearance[corner] - lengths(self._corners[corner] - seed[rows, None, :])
                rows = rows[away.max(axis=1) <= moved[rows] + self._band]
            if len(rows):
                self._settle(points, found, (normal, flags), rows, near, moved[rows])
        return found, normal, flags

    def _normal(self, su: np.ndarray, sv: np.ndarray) -> np.ndarray:
        return _unit(self.face.outward * across(su, sv))

    def _settle(
        self,
        points: np.ndarray,
        found: Closest,
        beside: tuple[np.ndarray, np.ndarray],
        rows: np.ndarray,
        near: np.ndarray,
        moved: np.ndarray,
    ) -> None:
        """Decide feet near the border, and put those outside onto it; normal and flags are in `beside`."""
        normal, flags = beside
        feet = found.foot[rows]
        gap = self._border.rough_gap(feet)
        pole_size = self._near_pole(feet)
        inside = gap > moved + self._reach  # the way from the seed, which is inside, does not get to the border
        close = np.flatnonzero((gap < self._reach) | (pole_size > 0))
        far = np.flatnonzero(~inside & (gap >= self._reach) & (pole_size == 0))
        inside[far] = self._inside_facets(found.uv[rows[far]])
        if len(close):
            at = rows[close]
            border = self._border.nearest(feet[close], across(found.su[at], found.sv[at]))
            sharp = (border.distance < self._band) & ~border.at_end
            by_pole = pole_size[close] > 0
            unsure = np.flatnonzero(~sharp & ~by_pole)
            decided = np.where(by_pole & (border.distance > pole_size[close]), True, border.left)
            decided[unsure] = inside[close[unsure]] | self._inside_facets(found.uv[at[unsure]])
            inside[close] = decided
            flags[at] = np.where(border.distance <= _ON_EDGE, border.flags, 0)
        away = points[rows] - found.foot[rows]
        sideways = away - np.einsum("ij,ij->i", away, normal[rows])[:, None] * normal[rows]
        # where the surface itself ends, its nearest point has the touch beside it, not above it
        ends = (lengths(sideways) > _BESIDE) & (found.how[rows] != BORDER)
        out = rows[~inside | ends]
        if len(out):
            self._put_on_border(points, found, beside, out, near)

    def _put_on_border(
        self,
        points: np.ndarray,
        found: Closest,
        beside: tuple[np.ndarray, np.ndarray],
        rows: np.ndarray,
        near: np.ndarray,
    ) -> None:
        normal, flags = beside
        border = self._border.nearest(points[rows])
        there = self.face.surface.closest(border.foot, near[rows])
        found.uv[rows], found.foot[rows], found.how[rows] = there.uv, border.foot, BORDER
        found.su[rows], found.sv[rows] = there.su, there.sv
        normal[rows], flags[rows] = self._normal(there.su, there.sv), border.flags
        for pole in self._poles:
            nearer = rows[lengths(points[rows] - pole.at) <= border.distance]
            found.foot[nearer], normal[nearer], flags[nearer] = pole.at, pole.normal, 0

    def _near_pole(self, feet: np.ndarray) -> np.ndarray:
        """Size of the facets round a pole (n,) [mm] for feet among them, where parameters tell nothing; else 0."""
        size = np.zeros(len(feet))
        for pole in self._poles:
            cap = 1.05 * pole.size + self._band
            size = np.maximum(size, np.where(lengths(feet - pole.at) <= cap, cap, 0.0))
        return size

    def _inside_facets(self, uv: np.ndarray) -> np.ndarray:
        """Whether parameters (n, 2), or the same a period on, lie inside the facets' border in the parameter plane."""
        if not len(uv):
            return np.zeros(0, dtype=bool)
        inside = self._crossings_odd(uv)
        for k, period in enumerate(self.face.surface.periods):
            for shift in (-period, period) if period else ():
                rest = np.flatnonzero(~inside)
                turned = uv[rest].copy()
                turned[:, k] += shift
                inside[rest] = self._crossings_odd(turned)
        return inside

    def _crossings_odd(self, uv: np.ndarray) -> np.ndarray:
        """Whether a ray along u from each of `uv` crosses the facets' border an odd number of times."""
        a, b = self._uv_border
        odd = np.zeros(len(uv), dtype=bool)
        if not ((uv >= self._uv_box[0]) & (uv <= self._uv_box[1])).all(axis=1).any():
            return odd
        rows_at_once = max(1, 2_000_000 // max(len(a), 1))
        slope = (b[:, 0] - a[:, 0]) / np.where(b[:, 1] != a[:, 1], b[:, 1] - a[:, 1], 1.0)
        for at in range(0, len(uv), rows_at_once):
            u, v = uv[at : at + rows_at_once, :1], uv[at : at + rows_at_once, 1:]
            crosses = (a[:, 1] > v) != (b[:, 1] > v)
            odd[at : at + rows_at_once] = (crosses & (u < a[:, 0] + slope * (v - a[:, 1]))).sum(axis=1) % 2 == 1
        return odd


def _unit(vectors: np.ndarray) -> np.ndarray:
    length = lengths(vectors)[:, None]
    return vectors / np.where(length > 0, length, 1.0)
