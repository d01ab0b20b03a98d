"""When each step of a program begins, reckoned from its feeds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..program.reading.arcs import Arc
from ..program.reading.steps import MOVES, Step

__all__ = ["headings", "seconds_of"]

_TOOL_CHANGE = 10.0  # [s]
_TURN_RATE = 3600.0  # of the rotary axes [degree/min]


def seconds_of(steps: Sequence[Step], rapid: float) -> np.ndarray:
    """Time at which each step begins, and at which the last one ends.

    Parameters
    ----------
    steps : sequence of Step
    rapid : float
        Rate of rapid moves, and of moves at a feed that the program does not say [mm/min].

    Returns
    -------
    (n + 1,) float
        [s]; no acceleration, 10 s for a tool change, 3600 degree/min for rotary axes.
    """
    took = np.zeros(len(steps))
    for row, step in enumerate(steps):
        if step.kind in MOVES:
            way = step.detail.length if isinstance(step.detail, Arc) else _distance(step)
            rate = rapid if step.kind in ("rapid", "index") or not step.feed else step.feed
            turn = max((abs(b - a) for a, b in zip(step.angles_start, step.angles_end, strict=True)), default=0.0)
            took[row] = 60.0 * max(way / rate, turn / _TURN_RATE)
        elif step.kind == "dwell":
            took[row] = float(step.detail)
        elif step.kind == "tool":
            took[row] = _TOOL_CHANGE
    return np.concatenate([[0.0], np.cumsum(took)])


def headings(steps: Sequence[Step]) -> np.ndarray:
    """(n, 3) sense of the last motion of each linear axis during or before each step: 1, -1, or 0 at the start."""
    moved = np.array([np.subtract(step.end, step.start) for step in steps], dtype=float).reshape(-1, 3)
    with np.errstate(invalid="ignore"):
        sense = np.where(np.abs(moved) > 1e-9, np.sign(moved), 0.0)
    last = np.maximum.accumulate(np.where(sense != 0, np.arange(len(sense))[:, None], -1), axis=0)
    return np.take_along_axis(sense, np.maximum(last, 0), axis=0) if len(sense) else sense


def _distance(step: Step) -> float:
    way = float(np.linalg.norm(np.subtract(step.end, step.start)))
    return way if np.isfinite(way) else 0.0
