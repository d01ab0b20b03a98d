"""Many B-spline surfaces of the same degrees as one: each row of what is asked is on a surface of its own.

A search on thousands of patches is then one run of Newton's method, not one for each patch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .edge_table import ranges
from .splines import Spline, at_local, newton
from .surfaces import Closest, Derivatives
from .taylor import surface_pieces

__all__ = ["SplineRows"]

_TOGETHER = 64  # surfaces whose pieces are worked out at once


class _Table:
    """Polynomial pieces of surfaces, each entered when first asked for: of a large model few are.

    Pieces are numbered through all surfaces; `place` tells the row of `pieces` that holds each, or -1. What has not
    been entered takes no memory.
    """

    def __init__(self, surfaces: Sequence[Spline]) -> None:
        self.surfaces = surfaces
        self.rational = surfaces[0].weights is not None
        (p, q), c = surfaces[0].degrees, 4 if self.rational else 3
        self.periods = np.array([one.periods for one in surfaces])
        self.low = np.array([[one.breaks[k][0] for k in (0, 1)] for one in surfaces])
        self.high = np.array([[one.breaks[k][-1] for k in (0, 1)] for one in surfaces])
        self.spans = np.array([[len(one.breaks[k]) - 1 for k in (0, 1)] for one in surfaces])
        many = self.spans.prod(axis=1)
        self.first = np.cumsum(many) - many
        self.breaks = [np.concatenate([one.breaks[k] for one in surfaces]) for k in (0, 1)]
        self.first_break = np.cumsum(self.spans + 1, axis=0) - (self.spans + 1)
        self.pieces = np.empty((many.sum(), q + 1, p + 1, c))
        self.place = np.full(len(self.pieces), -1, dtype=np.int32)
        self._entered = 0

    def enter(self, number: np.ndarray) -> None:
        """Work out the pieces (n,) that are not there yet, those of surfaces with the same knots together."""
        new = np.unique(number[self.place[number] < 0])
        if not len(new):
            return
        surfaces, first, count = np.unique(
            np.searchsorted(self.first, new, side="right") - 1, return_index=True, return_counts=True
        )
        alike: dict[object, list[int]] = {}
        for k, surface in enumerate(surfaces.tolist()):
            one = self.surfaces[surface]
            alike.setdefault((*(knots.tobytes() for knots in one.knots), one.poles.shape), []).append(k)
        for ways in alike.values():
            for at in range(0, len(ways), _TOGETHER):
                some = np.array(ways[at : at + _TOGETHER])
                which = np.repeat(np.arange(len(some)), count[some])
                asked = new[ranges(first[some], count[some])]
                self._enter(asked, surfaces[some], which)

    def _enter(self, number: np.ndarray, surfaces: np.ndarray, which: np.ndarray) -> None:
        """Work out pieces (n,) of surfaces with the same knots, of which `which` (n,) says the place among these."""
        own = [self.surfaces[k] for k in surfaces.tolist()]
        poles, one = np.array([each.poles for each in own]), own[0]
        weights = np.array([each.weights for each in own]) if self.rational else None
        span = number - self.first[surfaces[which]]
        rows = np.arange(self._entered, self._entered + len(number))
        self.pieces[rows] = surface_pieces(poles, weights, one.knots, one.degrees, one.breaks, which, span)
        self.place[number] = rows
        self._entered += len(number)


@dataclass(frozen=True, eq=False)
class SplineRows:
    """B-spline surfaces of the same degrees as rows: the n-th row of what is asked is on the n-th surface.

    Attributes
    ----------
    which : (n,) int
        Surface of each row.
    """

    _table: _Table
    which: np.ndarray

    @classmethod
    def stacked(cls, surfaces: Sequence[Spline]) -> SplineRows:
        """Surfaces as rows; of the same degrees, and all rational or none."""
        return cls(_Table(surfaces), np.arange(len(surfaces)))

    @staticmethod
    def key(surface: Spline) -> tuple[int, int, bool]:
        """What surfaces that can be stacked have in common."""
        return *surface.degrees, surface.weights is not None

    def rows(self, index: np.ndarray) -> SplineRows:
        """Some of the rows, in any order and number."""
        return replace(self, which=self.which[index])

    def evaluate(self, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) at parameters (n, 2)."""
        table, which = self._table, self.which
        low, high, periods = table.low[which], table.high[which], table.periods[which]
        turned = low + np.mod(uv - low, np.where(periods > 0, periods, 1.0))
        uv = np.minimum(np.maximum(np.where(periods > 0, turned, uv), low), high)
        span, local = table.first[which], np.empty((2, len(uv)))
        for k in (0, 1):
            breaks, start, count = table.breaks[k], table.first_break[which, k], table.spans[which, k]
            own = np.zeros(len(uv), dtype=np.int64)
            for step in range(int(count.max(initial=1)).bit_length() - 1, -1, -1):
                ahead = own + (1 << step)
                reached = (ahead < count) & (breaks[start + np.minimum(ahead, count)] <= uv[:, k])
                own = np.where(reached, ahead, own)
            span = span + own * (table.spans[which, 1] if k == 0 else 1)
            local[k] = uv[:, k] - 0.5 * (breaks[start + own] + breaks[start + own + 1])
        table.enter(span)
        return at_local(table.pieces, table.place[span], local, order, rational=table.rational)

    def closest(self, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest point of each of `points` (n, 3), by Newton's method from `near` (n, 2)."""
        table, which = self._table, self.which
        free = table.periods[which] > 0
        low, high = np.where(free, -np.inf, table.low[which]), np.where(free, np.inf, table.high[which])
        return newton(self, points, near, low, high)
