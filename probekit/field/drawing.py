"""Fields drawn given the touches: the offset of each group, the smooth form and the finer form, at nodes and touches.

Matheron's rule: a field drawn without the touches is corrected by what it got wrong at them (Wilson et al., JMLR 22,
2021, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .belief import Belief
from .kernel import correlation, distances

__all__ = ["Drawing"]

_FREE = 1e3  # an offset that is not known, in zones
_FIRM = 1e-8  # keeps the root of a correlation real


@dataclass(eq=False)
class Drawing:
    """What the draws of all sets of the grid have in common, at the m nodes and n touches.

    Attributes
    ----------
    belief : Belief
    points : (m + n, 6) float
    offsets : (m + n, g) float
        One column of ones for each group.
    cell : (m + n,) int
        Where the finer form is drawn once.
    side : (m + n,) int
        Side of the part.
    error : (n, n) float
        Root of the covariance of the touches.
    """

    belief: Belief
    points: np.ndarray
    offsets: np.ndarray
    cell: np.ndarray
    side: np.ndarray
    error: np.ndarray
    _last: tuple[tuple[float, float], np.ndarray, np.ndarray] | None = None

    @classmethod
    def at(cls, belief: Belief, points: np.ndarray, group: np.ndarray) -> Drawing:
        """At nodes (m, 6) of groups (m,)."""
        n, names = len(belief.points), np.unique(belief.group)
        offsets = (np.concatenate([group, belief.group])[:, None] == names[None, :]).astype(float)
        fine = np.concatenate([_cells(points, belief.apart), -1 - np.arange(n)])
        side = np.zeros(len(points) + n, dtype=int)
        if belief.sides is not None:
            nearest = distances(points, belief.points).argmin(axis=1)
            side = np.append(belief.sides.side[nearest], belief.sides.side)
        return cls(
            belief,
            np.vstack([points, belief.points]),
            offsets,
            np.unique(fine, return_inverse=True)[1],
            side,
            np.linalg.cholesky(belief.noise + 1e-15 * np.eye(n)),
        )

    def given(self, number: int, y: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """(k, m + n) fields [mm] by one set of the grid, each given k deviations of the touches (k, n) [mm].

        Where the part has several sides, what each has of its own is drawn, once for all k.
        """
        from scipy.linalg import cho_factor, cho_solve

        strength, white, smooth, root = self._form(number, rng)
        count, n = y.shape
        m, free = len(self.cell) - n, (_FREE * self.belief.zone) ** 2
        prior = (
            strength * (rng.standard_normal((count, m + n)) @ root.T)
            + white * rng.standard_normal((count, int(self.cell.max()) + 1))[:, self.cell]
            + np.sqrt(free) * rng.standard_normal((count, self.offsets.shape[1])) @ self.offsets.T
        )
        errors = rng.standard_normal((count, n)) @ self.error.T
        of_surface = (strength[:, None] * strength[m:]) * smooth[:, m:] + free * self.offsets @ self.offsets[m:].T
        of_surface[m:] += white**2 * np.eye(n)
        touched = of_surface[m:] + self.belief.noise
        answer = cho_solve(cho_factor(touched, lower=True), (y - prior[:, m:] - errors).T)
        return prior + (of_surface @ answer).T

    def _form(self, number: int, rng: np.random.Generator) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
        """Strength (m + n,) and finer form [mm], correlation (m + n, m + n) of the smooth form and its root."""
        grid, sides = self.belief.grid, self.belief.sides
        if sides is not None:
            own = grid[sides.drawn(number, rng)][self.side]
            smooth = correlation(self.points, self.points, own[:, 1], own[0, 0], own[:, 1])
            return own[:, 2], float(own[0, 3]), smooth, _root(smooth)
        roughness, length, strength, white = grid[number]
        if self._last is None or self._last[0] != (roughness, length):  # what differs in strength alone has one form
            smooth = correlation(self.points, self.points, length, roughness)
            self._last = (roughness, length), smooth, _root(smooth)
        return np.full(len(self.points), strength), white, *self._last[1:]


def _root(smooth: np.ndarray) -> np.ndarray:
    return np.linalg.cholesky(smooth + _FIRM * np.eye(len(smooth)))


def _cells(points: np.ndarray, apart: float) -> np.ndarray:
    """(m,) cell of half the distance of the touches in which each node lies: finer form is drawn once in each."""
    cell = np.floor(points / (0.5 * apart)).astype(np.int64)
    return np.unique(cell, axis=0, return_inverse=True)[1].reshape(-1)
