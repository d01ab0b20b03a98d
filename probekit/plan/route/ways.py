"""Ways of the ball that clear part and fixture: up to the clearance plane, and from touch to touch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..access.clearance import Clear
from ..access.tries import STEM_BACK_OFFS
from .pace import Pace
from .tour import improve_tour, short_tour

__all__ = ["Ways", "rises"]

_BACK_OFFS = (0.0, 1.0, 3.0, 10.0)  # along the normal before rising, in standoffs
_ROUNDS = 50  # of touring, checking the links, touring again


def rises(
    starts: np.ndarray,
    normal: np.ndarray,
    standoff: np.ndarray,
    stem: np.ndarray,
    axis: np.ndarray,
    attitude: np.ndarray,
    plane: np.ndarray,
    clear: Clear,
    margin: float,
) -> tuple[np.ndarray, np.ndarray]:
    """(n, 3, 3) start, backed off, on the clearance plane; and whether all that clears.

    The least back-off along the normal is taken; of a side tip, if a short one does not do, the least along its stem.
    The rise is at least a standoff, so that no rapid move ends at the start of a touch.

    Parameters
    ----------
    starts, normal : (n, 3) float
        Centre of the reference ball at the standoff [mm], outward normal.
    standoff : (n,) float
        [mm]
    stem : (n, 3) float
        Way that draws the stem of the tip that touches back to its hub [mm]; zero for the straight tip.
    axis : (n, 3) float
        Tool axis in the part frame.
    attitude : (n, 3) or (n, 3, 3) float
        What `clear` takes.
    plane : (n,) float
        Height of the clearance plane along the tool axis [mm].
    clear : callable
    margin : float
        [mm]
    """
    found = np.repeat(starts[:, None], 3, axis=1)
    safe = np.zeros(len(starts), dtype=bool)
    back_offs = [(back * standoff)[:, None] * normal for back in _BACK_OFFS]
    back_offs[-1:-1] = [part * stem for part in STEM_BACK_OFFS[1:]]
    for number, way in enumerate(back_offs):
        open_ = np.flatnonzero(~safe & (way.any(axis=1) | (number == 0)))
        if not len(open_):
            continue
        off = starts[open_] + way[open_]
        up = np.maximum(plane[open_] - np.einsum("nc,nc->n", off, axis[open_]), standoff[open_])
        tried = np.stack([starts[open_], off, off + up[:, None] * axis[open_]], axis=1)
        clears = np.asarray(clear(off, tried[:, 2], attitude[open_])) >= margin
        if number > 0:
            clears &= np.asarray(clear(starts[open_], off, attitude[open_])) >= margin
        found[open_[clears]], safe[open_[clears]] = tried[clears], True
    return found, safe


class Ways:
    """Ways between the touches of one pose, costed in minutes; a straight way is checked when a tour first uses it.

    Parameters
    ----------
    starts : (n, 3) float
        Centre of the reference ball at the standoff of each target [mm].
    rises : (n, 3, 3) float
        From `rises`.
    attitude : (n, 3) or (n, 3, 3) float
        What `clear` takes.
    clear : callable
    margin : float
        [mm]
    pace : Pace
    """

    def __init__(
        self, starts: np.ndarray, rises: np.ndarray, attitude: np.ndarray, clear: Clear, margin: float, pace: Pace
    ) -> None:
        self.starts, self.attitude, self.clear, self.margin = starts, attitude, clear, margin
        up = np.linalg.norm(np.diff(rises, axis=1), axis=2).sum(axis=1) / pace.positioning
        over = rises[:, -1]
        self.over = up[:, None] + up + np.linalg.norm(over[:, None] - over, axis=2) / pace.rapid
        self.straight = np.linalg.norm(starts[:, None] - starts, axis=2) / pace.positioning
        self.up = up
        self.known = self.straight >= self.over  # nothing to find out: over the top is as quick
        np.fill_diagonal(self.known, True)

    def is_straight(self, a: int, b: int) -> bool:
        """Whether the way between two touches of the tour is one straight move."""
        return bool(self.straight[a, b] < self.over[a, b])

    def tour(self, progress: Callable[[float], None]) -> np.ndarray:
        """(n,) order; the tour begins and ends on the clearance plane, place 0 of the cost."""
        tour = short_tour(self._cost(), progress=lambda done: progress(0.6 * done))
        for at in range(_ROUNDS):
            progress(0.6 + 0.4 * at / _ROUNDS)
            if not self._find_out(tour[1:-1] - 1, tour[2:] - 1):
                break
            tour = improve_tour(tour, self._cost())
        self._find_out(tour[1:-1] - 1, tour[2:] - 1)
        return tour[1:] - 1

    def _cost(self) -> np.ndarray:
        cost = np.zeros((len(self.up) + 1, len(self.up) + 1))
        cost[0, 1:] = cost[1:, 0] = self.up
        cost[1:, 1:] = np.minimum(self.straight, self.over)
        np.fill_diagonal(cost, 0.0)
        return cost

    def _find_out(self, a: np.ndarray, b: np.ndarray) -> bool:
        """Check the straight ways not yet known; whether one of them is blocked."""
        new = ~self.known[a, b]
        a, b = a[new], b[new]
        if not len(a):
            return False
        blocked = ~(np.asarray(self.clear(self.starts[a], self.starts[b], self.attitude[a])) >= self.margin)
        self.known[a, b] = self.known[b, a] = True
        self.straight[a[blocked], b[blocked]] = self.straight[b[blocked], a[blocked]] = np.inf
        return bool(blocked.any())
