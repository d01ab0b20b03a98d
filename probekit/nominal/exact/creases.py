"""Surfaces with creases: B-splines whose normal jumps along a knot or along the seam, as smooth parts side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise, product

import numpy as np

from .splines import Spline
from .surfaces import BORDER, UNSETTLED, Closest, Derivatives

__all__ = ["Creased", "bends", "normals_along"]

_SMOOTH = 1e-6  # angle below which two sides of a knot are one smooth surface [rad]
_TIE = 1e-11  # part of the surface's size: feet this much further away are as near
_BESIDE = 3e-9  # part of the surface's size: a touch this far beside its foot's normal is not above it


@dataclass(frozen=True, eq=False)
class Creased:
    """Smooth B-splines that meet in creases.

    Attributes
    ----------
    parts : tuple of tuple of Spline
        The parts, along u and then along v; their parameters are those of the whole.
    periods : two float
        Period of the whole in u and v; 0 where there is none.
    """

    parts: tuple[tuple[Spline, ...], ...]
    periods: tuple[float, float] = (0.0, 0.0)
    kind: str = "spline"

    @cached_property
    def _size(self) -> float:
        """Diagonal of the box of the poles, and a little for rounding far off the origin [mm]."""
        poles = np.concatenate([part.poles.reshape(-1, 3) for row in self.parts for part in row])
        return float(np.linalg.norm(np.ptp(poles, axis=0)) + 1e-4 * np.abs(poles).max())

    @cached_property
    def _ends(self) -> tuple[np.ndarray, np.ndarray]:
        """(m, 2) first and last parameter of the parts along u, and along v."""
        columns = [row[0] for row in self.parts], list(self.parts[0])
        u, v = (np.array([[part.breaks[k][0], part.breaks[k][-1]] for part in columns[k]]) for k in (0, 1))
        return u, v

    @cached_property
    def _creases(self) -> tuple[np.ndarray, np.ndarray]:
        """Parameters along u, and along v, where parts meet."""
        found = []
        for k, ends in enumerate(self._ends):
            round_trip = bool(self.periods[k]) and not self.parts[0][0].periods[k]
            found.append(np.unique(ends) if round_trip else ends[1:, 0])
        return found[0], found[1]

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2); on a crease, those behind it."""
        at = np.array(uv)
        for k, ends in enumerate(self._ends):
            if self.periods[k]:
                at[:, k] = ends[0, 0] + np.mod(at[:, k] - ends[0, 0], self.periods[k])
        cells = [
            np.clip(np.searchsorted(ends[:, 0], at[:, k], side="right") - 1, 0, len(ends) - 1)
            for k, ends in enumerate(self._ends)
        ]
        out = tuple(np.empty((len(at), 3)) for _ in range(3 if order < 2 else 6))
        for i, j in product(range(len(self.parts)), range(len(self.parts[0]))):
            rows = np.flatnonzero((cells[0] == i) & (cells[1] == j))
            for values, new in zip(out, self.parts[i][j].evaluate(at[rows], order), strict=True):
                values[rows] = new
        return out

    def moved(self, motion: np.ndarray) -> Creased:
        """The surface in other coordinates: `motion` is (4, 4), from the present ones to the new."""
        return replace(self, parts=tuple(tuple(part.moved(motion) for part in row) for row in self.parts))

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3) on the part that `near` (n, 2) lies in and its neighbours.

        Notes
        -----
        On a crease the side that the touch is more squarely above tells whether it is outside: of two planes that
        meet, the one with the larger ``|r . n|`` has the sign of the whole.
        """
        n = len(points)
        out = Closest(np.array(near), np.full(n, UNSETTLED, np.uint8), *(np.zeros((n, 3)) for _ in range(3)))
        best, above, tie = np.full(n, np.inf), np.zeros(n), _TIE * self._size
        turns = [(-p, 0.0, p) if p else (0.0,) for p in self.periods]
        for i, j in product(range(len(self.parts)), range(len(self.parts[0]))):
            ends = np.array([self._ends[0][i], self._ends[1][j]])
            widths = np.array([_neighbours(self._ends[k], (i, j)[k]) for k in (0, 1)])
            for turn in product(*turns):
                at = near + turn
                within = (at >= ends[:, 0] - widths[:, 0]) & (at <= ends[:, 1] + widths[:, 1])
                rows = np.flatnonzero(within.all(axis=1))
                if len(rows):
                    start = np.clip(at[rows], ends[:, 0], ends[:, 1])
                    _keep_nearer(self.parts[i][j].closest(points[rows], start), points, rows, out, (best, above), tie)
        beside = best**2 - above**2 > (_BESIDE * self._size) ** 2
        on_crease = np.isin(out.uv[:, 0], self._creases[0]) | np.isin(out.uv[:, 1], self._creases[1])
        out.how[beside & on_crease & (out.how != UNSETTLED)] = BORDER
        return out


def _neighbours(ends: np.ndarray, at: int) -> tuple[float, float]:
    """Widths of the parts before and after one, the last coming before the first."""
    before, after = ends[at - 1], ends[(at + 1) % len(ends)]
    return before[1] - before[0], after[1] - after[0]


def _keep_nearer(
    found: Closest,
    points: np.ndarray,
    rows: np.ndarray,
    out: Closest,
    state: tuple[np.ndarray, np.ndarray],
    tie: float,
) -> None:
    """Put those feet of `rows` into `out` that are nearer than what is there, or as near and more squarely below.

    One that did not settle counts if it is nearer, for then no other is right; any as near that did takes its place.
    """
    best, above = state
    away = points[rows] - found.foot
    distance = np.linalg.norm(away, axis=1)
    normal = np.cross(found.su, found.sv)
    height = np.abs(np.einsum("ij,ij->i", away, normal)) / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
    height[found.how == UNSETTLED] = -1.0
    tied = (np.abs(distance - best[rows]) <= tie) & (height > above[rows])
    better = (distance < best[rows] - tie) | tied
    into = rows[better]
    for values, new in zip(out, found, strict=True):
        values[into] = new[better]
    best[into], above[into] = distance[better], height[better]


def normals_along(part: Spline, k: int, end: int) -> np.ndarray:
    """Unit normals (m, 3) of a part along its first (`end` 0) or last (-1) parameter of direction `k`."""
    breaks = part.breaks[1 - k]
    along = np.concatenate([np.linspace(a, b, 5) for a, b in pairwise(breaks)])
    uv = np.empty((len(along), 2))
    uv[:, k], uv[:, 1 - k] = part.breaks[k][end], along
    _, su, sv = part.evaluate(uv, 1)
    across = np.cross(su, sv)
    length = np.linalg.norm(across, axis=1, keepdims=True)
    return np.where(length > 1e-9 * length.max(initial=0.0), across / np.maximum(length, 1e-300), np.nan)


def bends(before: Spline, after: Spline, k: int) -> bool:
    """Whether the normal jumps from the end of one part to the start of the next along direction `k`."""
    jump = np.linalg.norm(normals_along(after, k, 0) - normals_along(before, k, -1), axis=1)
    return bool((jump > _SMOOTH).any())
