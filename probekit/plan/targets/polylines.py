"""Polylines on the way to curves: segments put end to end, made dense, cut into pieces."""

from __future__ import annotations

import numpy as np

from ...nominal import Nominal
from .curves import Curve

__all__ = ["chain", "curve_of", "dense_line", "pieces", "step_of"]


def chain(start: np.ndarray, end: np.ndarray) -> list[tuple[np.ndarray, bool]]:
    """Directed segments put end to end.

    Parameters
    ----------
    start, end : (m,) int
        Nodes that each segment joins.

    Returns
    -------
    list of (segments (k,), closed)
        Indices of segments in order, and whether the last ends where the first starts.
    """
    leaving: dict[int, list[int]] = {}
    for segment, node in enumerate(start.tolist()):
        leaving.setdefault(node, []).append(segment)
    # open chains first, from nodes that nothing enters
    entered = set(end.tolist())
    order = sorted(range(len(start)), key=lambda s: int(start[s]) in entered)
    used = np.zeros(len(start), dtype=bool)
    found = []
    for first in order:
        if used[first]:
            continue
        path, segment = [], first
        while segment is not None:
            used[segment] = True
            path.append(segment)
            onward = [s for s in leaving.get(int(end[segment]), ()) if not used[s]]
            segment = onward[0] if onward else None
        found.append((np.array(path), bool(end[path[-1]] == start[path[0]])))
    return found


def step_of(nominal: Nominal, line: np.ndarray) -> float:
    """Distance of neighbouring points of a curve [mm]."""
    length = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    return max(min(nominal.diagonal / 500.0, length / 200.0), 1e-6 * nominal.diagonal)


def dense_line(line: np.ndarray, closed: bool, owner: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray] | None:
    """A polyline with points at most `step` apart, and the owner of each segment; None if it has no length."""
    ends = np.vstack([line, line[:1]]) if closed else line
    length = np.linalg.norm(np.diff(ends, axis=0), axis=1)
    kept = length > 1e-9 * max(1.0, float(np.ptp(line, axis=0).max(initial=0.0)))
    if not kept.any():
        return None
    start, end, owner = ends[:-1][kept], ends[1:][kept], owner[kept]
    count = np.maximum(np.ceil(length[kept] / step - 1e-9), 1).astype(np.int64)
    segment = np.repeat(np.arange(len(count)), count)
    part = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[segment]
    points = start[segment] + part[:, None] * (end[segment] - start[segment])
    return (points if closed else np.vstack([points, end[-1:]])), owner[segment]


def curve_of(nominal: Nominal, points: np.ndarray, owner: np.ndarray, closed: bool, name: str) -> Curve | None:
    """A curve without segments that have no length; None if nothing is left."""
    ends = np.vstack([points, points[:1]]) if closed else points
    kept = np.linalg.norm(np.diff(ends, axis=0), axis=1) > 1e-9 * nominal.diagonal
    if kept.sum() < (3 if closed else 1):
        return None
    line = points[kept] if closed else np.vstack([points[:-1][kept], points[-1:]])
    return Curve(line, closed, tuple(nominal.face_names[int(k)] for k in owner[kept]), name)


def pieces(nominal: Nominal, points: np.ndarray, face: np.ndarray, joined: np.ndarray, name: str) -> tuple[Curve, ...]:
    """Curves from points in order, of which each is `joined` to the next (n,), the last to the first."""
    n = len(points)
    if joined.all():
        curve = curve_of(nominal, points, face, True, name)
        return () if curve is None else (curve,)
    first = int(np.flatnonzero(~joined)[-1]) + 1  # after the last break: at the start, if it is open
    turn = (np.arange(n) + first) % n
    points, face, joined = points[turn], face[turn], joined[turn]
    breaks = np.flatnonzero(~joined)
    starts = np.concatenate([[0], breaks[:-1] + 1])
    curves = []
    for start, stop in zip(starts, breaks, strict=True):
        if stop > start:
            curve = curve_of(nominal, points[start : stop + 1], face[start:stop], False, name)
            curves += [] if curve is None else [curve]
    return tuple(curves)
