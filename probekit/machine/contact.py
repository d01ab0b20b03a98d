"""Where a ball that moves along a path first meets the made surface, for many paths at once.

The distance of a point from a surface changes no faster than the point moves, so a ball that is `gap` away may be moved
on by `gap` without passing anything ("sphere tracing", J. C. Hart, The Visual Computer 12, 1996, from memory). Near
the surface Newton's method takes over: the slope of the gap along the path is the surface's normal times the direction.
A bracket guards it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..plan.probe import Probe
from .made import Made

__all__ = ["Ball", "Path", "balls_of", "first_contact", "first_obstacle"]

_CLOSE = 1e-7  # gap that counts as contact [mm]
_ALONG = 0.01  # least step beside a surface that the path does not head for [mm]
_GRAZE = 0.05  # steps no shorter than this in the search for obstacles [mm]

Path = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Ball:
    """A ball that can touch: number and name of its tip, its place in probe coordinates (3,) [mm], its radius [mm].

    With `stem` it is not the ball of that tip but its stem.
    """

    tip: int
    name: str
    place: np.ndarray
    radius: float
    stem: bool = False


def balls_of(probe: Probe | float) -> tuple[Ball, ...]:
    """The balls of a probe, as they are, or the only one if its diameter is given [mm]."""
    if not isinstance(probe, Probe):
        return (Ball(0, "straight tip", np.zeros(3), probe / 2),)
    diameters = [probe.ball_diameter, *(tip.ball_diameter for tip in probe.tips)]
    return tuple(Ball(k, probe.tip_name(k), probe.offset(k), diameters[k] / 2) for k in probe.choices)


def first_contact(made: Made, path: Path, length: np.ndarray, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """First contact of a ball with the part on each path.

    Parameters
    ----------
    made : Made
    path : callable
        ``path(rows (m,), s (m,))`` gives ball centres (m, 3) of those rows after the ways s [mm]; nearly straight.
    length : (n,) float
        Of each path [mm].
    radius : float
        Of the ball [mm].

    Returns
    -------
    way : (n,) float
        To the contact [mm], within 0.1 nm; NaN where the ball arrives at the end without contact, 0 where it touches
        from the start.
    normal : (n, 3) float
        Outward unit normal of the part at the contact; NaN without one.
    """
    n = len(length)
    way, normal = np.full(n, np.nan), np.full((n, 3), np.nan)
    everything = np.arange(n)
    span = path(everything, length) - path(everything, np.zeros(n))
    direction = span / np.maximum(np.linalg.norm(span, axis=1), 1e-300)[:, None]
    s, low, high = np.zeros(n), np.zeros(n), np.full(n, np.inf)
    rows = everything
    turn = 0
    while len(rows):
        turn += 1
        distance, facing = made.distance(path(rows, s[rows]))
        gap = distance - radius
        slope = np.einsum("ij,ij->i", facing, direction[rows])
        settled = (np.abs(gap) < _CLOSE) | (high[rows] - low[rows] < _CLOSE)
        way[rows[settled]], normal[rows[settled]] = s[rows[settled]], facing[settled]
        arrived = ~settled & (gap > 0) & (s[rows] >= length[rows])
        outside = gap > 0
        low[rows] = np.where(outside, np.maximum(low[rows], s[rows]), low[rows])
        high[rows] = np.where(outside, high[rows], np.minimum(high[rows], s[rows]))
        head_on = slope < -0.2
        newton = -gap / np.where(head_on, slope, -1.0)
        step = np.where(outside, np.where(head_on, np.minimum(newton, 2.0 * gap), np.maximum(gap, _ALONG)), newton)
        ahead = s[rows] + step
        bracketed = np.isfinite(high[rows])
        inside = (ahead > low[rows]) & (ahead < high[rows]) & (outside | head_on) & (turn % 8 > 0)
        middle = 0.5 * (low[rows] + np.where(bracketed, high[rows], 0.0))
        s[rows] = np.where(bracketed & ~inside, middle, np.minimum(ahead, length[rows]))
        rows = rows[~(settled | arrived)]
    return way, normal


def first_obstacle(
    made: Made, path: Path, length: np.ndarray, radius: float, *, leaving: np.ndarray | None = None
) -> np.ndarray:
    """Way after which a ball on a move that should be free runs into the part.

    Parameters
    ----------
    made, path, length, radius
        As `first_contact`.
    leaving : (n,) bool, optional
        Moves that start in contact, as a retract does: they may touch for as long as the gap grows.

    Returns
    -------
    (n,) float
        [mm]; NaN where the move is free.

    Notes
    -----
    Steps are never shorter than 0.05 mm, so a graze that is less deep than half of that may pass.
    """
    n = len(length)
    hit = np.full(n, np.nan)
    leaving = np.zeros(n, dtype=bool) if leaving is None else leaving
    s, last, rows = np.zeros(n), np.full(n, -np.inf), np.arange(n)
    while len(rows):
        distance, _ = made.distance(path(rows, s[rows]))
        gap = distance - radius
        growing = leaving[rows] & (gap > last[rows])
        blocked = (gap < -_CLOSE) & ~growing
        hit[rows[blocked]] = s[rows[blocked]]
        last[rows] = gap
        done = blocked | (s[rows] >= length[rows])
        s[rows] = np.minimum(s[rows] + np.maximum(gap, _GRAZE), length[rows])
        rows = rows[~done]
    return hit
