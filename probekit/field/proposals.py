"""Where a local defect is tried: anywhere, or more often by touches that disagree with their neighbours.

With y the deviations and P the quadratic form of a set of the grid, touch i is off by (P y)_i / P_ii from what the
others foretell, and by z_i = (P y)_i / P_ii^1/2 in standard deviations (from memory, as a leave-one-out residual).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .belief import Belief
from .defects import Defects
from .kernel import distances

__all__ = ["Proposal"]

_ANYWHERE = 0.5  # share of the tries that look at no touch
_SAME_SIDE = 0.8  # share of the others that have the sign by which the touch is off
_MOST = 5.0  # standard deviations beyond which a touch is tried no more often


@dataclass(frozen=True, eq=False)
class Proposal:
    """How defects are tried, for m places and n touches.

    Attributes
    ----------
    away : (m, n) float
        Distance of each place from each touch [mm], infinite where they face other ways.
    share : (m, 2) float
        Of the tries, for dents and for hills, times that of a choice without preference: the ratio that is taken off.
    near : (m, w) int
        Places that a defect may be moved to; itself where there are fewer.
    neighbours : (m,) int
        How many these are.
    """

    away: np.ndarray
    share: np.ndarray
    near: np.ndarray
    neighbours: np.ndarray

    @property
    def places(self) -> int:
        """How many places there are."""
        return len(self.away)

    @classmethod
    def of(cls, belief: Belief, defects: Defects, points: np.ndarray, forms: np.ndarray) -> Proposal:
        """For the touches of a belief, places (m, 6), and the forms (t, n, n) of sets of its grid."""
        away, m = _away(points, belief.points), len(points)
        turned, scale = forms @ belief.deviation, np.einsum("tii->ti", forms)
        off = turned / np.sqrt(np.maximum(scale, 1e-300))
        wanted = (np.minimum(np.abs(off), _MOST) ** 2).mean(axis=0)
        within = away < defects.radius[1]
        wanted = np.where(within.any(axis=0), wanted, 0.0)
        share = np.ones((m, 2))
        if wanted.sum() > 0:
            each = within / np.maximum(within.sum(axis=0), 1) * (wanted / wanted.sum())  # (m, n)
            up = np.where(off.mean(axis=0) > 0, _SAME_SIDE, 1.0 - _SAME_SIDE)
            sided = np.column_stack([each @ (1.0 - up), each @ up])
            share = _ANYWHERE + (1.0 - _ANYWHERE) * sided * (2.0 * m)
        apart = _away(points, points)
        reach = max(0.5 * defects.radius[0], 1.5 * float(np.median(np.sort(apart, axis=1)[:, min(1, m - 1)])))
        order = np.argsort(apart, axis=1, kind="stable")
        neighbours = (apart < reach).sum(axis=1)
        near = order[:, : int(neighbours.max())]
        return cls(away, share, near, neighbours)

    def read(self, place: np.ndarray, radius: np.ndarray, height: np.ndarray) -> np.ndarray:
        """(n, k) what the touches read of k defects [mm]."""
        return (height[:, None] * np.maximum(1.0 - (self.away[place] / radius[:, None]) ** 2, 0.0) ** 3).T

    def log_share(self, place: np.ndarray, height: np.ndarray) -> np.ndarray:
        """(k,) log of how much more often these are tried than without preference."""
        return np.log(self.share[place, (height > 0).astype(int)])

    def drawn(self, k: int, defects: Defects, rng: np.random.Generator) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
        """Places, radii and heights (k,) that are tried, and the log of their share."""
        steps = np.cumsum(self.share.ravel())
        one = np.searchsorted(steps, rng.random(k) * steps[-1]).clip(0, len(steps) - 1)
        place, hill = one // 2, one % 2
        height = np.where(hill == 1, 1.0, -1.0) * rng.uniform(*defects.height, size=k)
        return (place, rng.uniform(*defects.radius, size=k), height), np.log(self.share[place, hill])

    def moved(
        self, place: np.ndarray, radius: np.ndarray, height: np.ndarray, defects: Defects, rng: np.random.Generator
    ) -> tuple[tuple[np.ndarray, ...], np.ndarray]:
        """The same defects, each moved and changed a little, and the log of the ratio of the ways there and back."""
        k = len(place)
        step = rng.choice((0.05, 0.3), size=k)
        goes = rng.random(k) < 0.7
        there = self.near[place, (rng.random(k) * self.neighbours[place]).astype(int)]
        there = np.where(goes, there, place)
        ratio = np.log(self.neighbours[place] / self.neighbours[there])
        wide = _reflected(radius + step * np.ptp(defects.radius) * rng.standard_normal(k), *defects.radius)
        high = _reflected(np.abs(height) + step * np.ptp(defects.height) * rng.standard_normal(k), *defects.height)
        return (there, wide, np.sign(height) * high), ratio


def _away(places: np.ndarray, touches: np.ndarray) -> np.ndarray:
    """(m, n) distance of points of six [mm], infinite where they face more than 60 degrees apart."""
    side = np.linalg.norm(places[:, None, 3:] - touches[None, :, 3:], axis=2)
    same = side < np.linalg.norm(places[:, 3:], axis=1)[:, None]
    return np.where(same, distances(places[:, :3], touches[:, :3]), np.inf)


def _reflected(values: np.ndarray, low: float, high: float) -> np.ndarray:
    """Values thrown back at both ends of a range."""
    if high <= low:
        return np.full(len(values), low)
    folded = np.abs((values - low) % (2.0 * (high - low)))
    return low + np.minimum(folded, 2.0 * (high - low) - folded)
