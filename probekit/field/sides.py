"""Sides of a part that look in different directions, each with a form of its own size and length.

symbol   variable   meaning
g        grid       roughness, length, strength, finer form of the part as a whole: rows (t, 4)
g_k                 the same of side k: roughness and finer form are those of the whole, length and strength its own
L_k      own        (t,) likelihood of the touches of side k alone, for each row

ln length and ln strength of a side are normal about those of the whole, so that a side with many touches says little of
the form of one with few. The likelihood of g is the product over the sides of the mean of L_k over what the side may be
then, and the g_k are drawn given g. What touches of two sides tell of these numbers only together is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..show import shown

__all__ = ["Sides", "sides_of"]

_APART = 1.4  # largest difference of two unit normals of a side: nearly a right angle
_DIFFER = 0.5  # of ln length and of ln strength between sides: a factor of 1.6 is usual; our judgement


@shown
@dataclass(frozen=True, eq=False)
class Sides:
    """Likelihoods of the sides of a part.

    Attributes
    ----------
    side : (n,) int
        Side of each touch.
    own : (k, nu, l, s, w) float
        Likelihood of each side alone over the grid, scaled.
    expected : (k, nu, l, s, w) float
        The mean of `own` over what the side may be, for each row of the whole.
    steps : tuple of two arrays
        Shares (l, l) and (s, s) by which a side has another length and strength than the whole.
    share : (k,) float
        Of the surface.
    reach : (k,) float
        How far its touches stand apart, or leave a gap [mm].
    """

    side: np.ndarray
    own: np.ndarray
    expected: np.ndarray
    steps: tuple[np.ndarray, np.ndarray]
    share: np.ndarray
    reach: np.ndarray

    @classmethod
    def of(cls, side: np.ndarray, log_own: np.ndarray, grid: np.ndarray, apart: float) -> Sides:
        """By the log likelihood (k, t) of each side over the rows of the grid (t, 4), a full product of four lists.

        `apart` [mm]: of all touches, until `reaching` knows the places.
        """
        axes = [np.unique(column) for column in grid.T]
        own = np.exp(log_own - log_own.max(axis=1, keepdims=True)).reshape(len(log_own), *map(len, axes))
        lengths, strengths = (_steps(np.log(axes[k])) for k in (1, 2))
        expected, count = np.einsum("ab,cd,knbdw->knacw", lengths, strengths, own), np.bincount(side)
        return cls(side, own, expected, (lengths, strengths), count / len(side), np.full(len(count), apart))

    @property
    def sentence(self) -> str:
        """How many sides, with how many touches."""
        count = np.bincount(self.side)
        return f"{len(count)} sides with {', '.join(map(str, count))} touches"

    @property
    def log_likelihood(self) -> np.ndarray:
        """(t,) of the whole."""
        return np.log(np.maximum(self.expected, 1e-300)).sum(axis=0).ravel()

    def weights(self, weight: np.ndarray) -> np.ndarray:
        """(k, t) weights of what each side is, given those of the whole (t,)."""
        shares = weight.reshape(self.own.shape[1:]) / np.maximum(self.expected, 1e-300)
        return (self.own * np.einsum("ab,cd,knacw->knbdw", *self.steps, shares)).reshape(len(self.own), -1)

    def drawn(self, row: int, rng: np.random.Generator) -> np.ndarray:
        """(k,) rows that describe the sides, where this one describes the whole."""
        shape = self.own.shape[1:]
        nu, length, strength, white = np.unravel_index(row, shape)
        shares = self.own[:, nu, :, :, white] * np.outer(self.steps[0][length], self.steps[1][strength])
        rows = []
        for one in shares.reshape(len(self.own), -1):
            at = np.unravel_index(rng.choice(len(one), p=one / one.sum()), shape[1:3])
            rows.append(np.ravel_multi_index((nu, *at, white), shape))
        return np.array(rows)

    def unresolved(self, weight: np.ndarray, grid: np.ndarray) -> np.ndarray:
        """(k,) part of the surface on each side that changes faster than its touches follow, by weights (t,)."""
        _, length, strength, white = grid.T
        short = (length < self.reach[:, None]) | (white > strength)
        return self.share * (self.weights(weight) * short).sum(axis=1)

    def reaching(self, touches: np.ndarray, places: np.ndarray, area: float, most: float) -> Sides:
        """The same with share and reach by places (m, 6) even over the area [mm2]; `most` of them lie within a gap."""
        from scipy.spatial import KDTree

        away, nearest = KDTree(touches).query(places)
        own, count = self.side[nearest], np.bincount(self.side)
        share = np.bincount(own, minlength=len(count)) / len(own)
        gap = [np.quantile(away[own == k], most) if (own == k).any() else 0.0 for k in range(len(count))]
        return replace(self, share=share, reach=np.maximum(np.sqrt(share * area / count), gap))


def sides_of(normals: np.ndarray) -> np.ndarray:
    """(n,) number of the side of each touch, by unit normals (n, 3) that differ by less than a right angle."""
    from scipy.cluster.hierarchy import fcluster, linkage

    return fcluster(linkage(normals, "complete"), _APART, "distance") - 1


def _steps(values: np.ndarray) -> np.ndarray:
    """(v, v) shares of each value, about each value."""
    shares = np.exp(-0.5 * ((values[:, None] - values) / _DIFFER) ** 2)
    return shares / shares.sum(axis=1, keepdims=True)
