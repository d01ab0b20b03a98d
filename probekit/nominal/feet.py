"""Feet: closest points on the nominal, one row per query, as the engines give them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import ClassVar, NamedTuple, Self, TypeVar

import numpy as np

from ..show import shown
from .nearby import morton_order

__all__ = [
    *("AMBIGUOUS", "AT_BOUNDARY", "AT_EDGE", "FAR", "MISSED", "OTHER_SIDE", "TOO_TIGHT"),
    *("Feet", "OnOtherFaces", "in_order", "joined"),
]

#: Flags of a foot, as bits: on an edge between faces, on the border of an open mesh, another face as near,
#: further away than asked, no point to project; on a side that the touch cannot have come from, in a hollow narrower
#: than the ball.
AT_EDGE, AT_BOUNDARY, AMBIGUOUS, FAR, MISSED, OTHER_SIDE, TOO_TIGHT = 1, 2, 4, 8, 16, 32, 64

_SORT_FROM = 4096  # below this the sort costs more than it saves


@shown
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
        Sum of `AT_EDGE`, `AT_BOUNDARY`, `AMBIGUOUS`, `FAR`, `MISSED`, `OTHER_SIDE`, `TOO_TIGHT`.
    """

    foot: np.ndarray
    facet: np.ndarray
    face: np.ndarray
    barycentric: np.ndarray
    normal: np.ndarray
    distance: np.ndarray
    flags: np.ndarray

    #: What a row without a foot holds, where that is not NaN.
    _empty: ClassVar[dict[str, int]] = {"facet": -1, "face": -1, "flags": MISSED}

    @property
    def sentence(self) -> str:
        """How many, and how far from the surface, in one line."""
        there = self.distance[np.isfinite(self.distance)]
        span = f", distance {there.min():+z.4f} to {there.max():+z.4f} mm" if len(there) else ""
        return f"{len(self.foot)} closest points{span}, {int((self.flags > 0).sum())} flagged"

    def put(self, at: np.ndarray, count: int) -> Self:
        """The rows put at the places `at` (n,) of `count` rows; those between them hold no foot."""
        place = np.full(count, -1)
        place[at] = np.arange(len(at))
        missing = np.flatnonzero(place < 0)
        columns = []
        for field in fields(self):
            values = getattr(self, field.name)
            out = values.take(place, axis=0) if len(at) else np.empty((count, *values.shape[1:]), dtype=values.dtype)
            out[missing] = self._empty.get(field.name, np.nan)
            columns.append(out)
        return type(self)(*columns)

    def renumbered(self, facets: np.ndarray) -> Self:
        """The same feet where the facets are part of a larger mesh, of which they have the numbers `facets` (k,)."""
        return replace(self, facet=np.where(self.facet >= 0, facets[self.facet], -1))


AnyFeet = TypeVar("AnyFeet", bound=Feet)


class OnOtherFaces(NamedTuple):
    """Closest points of queries on faces that are not their own, ordered by face.

    Attributes
    ----------
    row : (m,) int
        Query; one may have several, one per face.
    face, facet : (m,) int
        Face, and facet in the whole mesh.
    foot : (m, 3) float [mm]
    barycentric : (m, 3) float
        Weights of the facet's corners at the foot.
    distance : (m,) float
        Without a sign [mm].
    """

    row: np.ndarray
    face: np.ndarray
    facet: np.ndarray
    foot: np.ndarray
    barycentric: np.ndarray
    distance: np.ndarray


def joined(parts: list[tuple[np.ndarray, AnyFeet]]) -> AnyFeet:
    """Feet whose rows are in several parts; with each the rows (k,) that it gives."""
    if len(parts) == 1:
        return parts[0][1]
    back = np.argsort(np.concatenate([rows for rows, _ in parts]))
    kind = type(parts[0][1])
    return kind(*(np.concatenate([getattr(part, field.name) for _, part in parts])[back] for field in fields(kind)))


def in_order(points: np.ndarray, box: np.ndarray, work: Callable[[np.ndarray], AnyFeet]) -> AnyFeet:
    """Feet of all points (n, 3): `work` gets those that are finite, neighbours together if they are many."""
    points = np.ascontiguousarray(points, dtype=np.float64)
    count = len(points)
    at = np.arange(count) if np.isfinite(points).all() else np.flatnonzero(np.isfinite(points).all(axis=1))
    if len(at) >= _SORT_FROM:
        at = at[morton_order(points if len(at) == count else points.take(at, axis=0), box)]
    elif len(at) == count:
        return work(points)
    return work(points.take(at, axis=0)).put(at, count)
