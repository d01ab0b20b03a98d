"""Targets into the gaps that others leave, so that hills and dents find as little room between them as can be."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from ...columns import NORMAL, TARGET, array
from ...errors import InputError
from ...nominal import Nominal
from .regions import Region
from .spread import candidates
from .table import add_note, check, place

__all__ = ["SAME_SIDE", "fill_gaps", "nearest"]

SAME_SIDE = 0.5  # least cosine between the normals of a touch and of a place for which it speaks

_POWER = 6  # of the distance that is made small: the largest gaps count most, and the middling ones still do
_PLACES, _CHOICE = 24, 12  # places of the surface, and candidates, for each touch
_FEWEST, _MOST = 1500, 12_000  # candidates; places are at least 4000, so that narrow strips have some
_NEAR = 24  # candidates to which a touch may move in one round
_ROUNDS = 12
_SETTLED = 1e-3  # part by which a round must lessen what is made small, or it was the last
_MANY = 1000


def nearest(places: np.ndarray, normals: np.ndarray, touches: np.ndarray, sides: np.ndarray) -> np.ndarray:
    """(m, n) distance of places (m, 3) from touches (n, 3), infinite for touches of another side [mm].

    Parameters
    ----------
    places, normals : (m, 3) float
        On the surface [mm], with outward normals.
    touches, sides : (n, 3) float
        Touches [mm], with outward normals.
    """
    from scipy.spatial.distance import cdist

    return np.where(normals @ sides.T > SAME_SIDE, cdist(places, touches), np.inf)


def fill_gaps(
    nominal: Nominal,
    n: int,
    rng: np.random.Generator,
    *,
    faces: str | Iterable[str] | None = None,
    start: pd.DataFrame | None = None,
    margin: float = 0.0,
    regions: Iterable[Region] = (),
    clearance: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """`n` targets where they leave a hill or a dent the least room, beside those that are touched anyway.

    Many parameters: it takes, besides the number, what every way of choosing targets takes: faces, distance from edges,
    regions, feature.

    Parameters
    ----------
    nominal : Nominal
    n : int
        At most 1000 with those that are touched anyway.
    rng : numpy.random.Generator
    faces : str or several, optional
        Default all.
    start : DataFrame, optional
        Targets that are touched anyway; those on other faces have no effect on the sides that they do not face.
    margin : float
        Least distance of a target from the edges of its face [mm]; the surface nearer to an edge is to be felt, too.
    regions, clearance
        As in `keep_out`.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table of the `n`; its notes say what the largest gap was and is.

    Raises
    ------
    InputError
        For a number of targets below 1 or above 1000, a face that does not exist, nothing left to touch, or a table
        `start` that is no targets table.

    Notes
    -----
    What is made small is the sum over the surface of d^6, with d the distance from the nearest target of the same side
    (normals within 60 degrees): greedily at first (T. F. Gonzalez, Clustering to minimize the maximum intercluster
    distance, Theor. Computer Science 38, 1985), then by moving one target at a time to the best of its neighbours (the
    vertex substitution of M. B. Teitz, P. Bart, Operations Research 16, 1968; both from memory). No optimum is claimed.
    """
    if n != n or n < 1 or n != int(n):
        raise InputError("the number of targets must be a whole number of at least 1", found=n)
    fixed, sides = np.zeros((0, 3)), np.zeros((0, 3))
    if start is not None and len(start):
        fixed, sides = array(check(start), TARGET), array(start, NORMAL)
    whole = int(n) + len(fixed)
    if whole > _MANY:
        raise InputError("too many targets to fill gaps with", found=whole, expected=f"at most {_MANY}")
    on = candidates(nominal, faces, int(np.clip(_PLACES * whole, 4000, _MOST)), rng)
    may = candidates(
        nominal,
        faces,
        int(np.clip(_CHOICE * whole, _FEWEST, _MOST)),
        rng,
        margin=margin,
        regions=regions,
        clearance=clearance,
    )
    if len(may.points) < n:
        raise InputError("too little of the faces is left to touch", found=f"room for {len(may.points)}", expected=n)
    held = nearest(on.points, on.normals, fixed, sides).min(axis=1, initial=np.inf)
    reach = nearest(on.points, on.normals, may.points, may.normals).astype(np.float32)
    kept = _settled(reach, held, may.points, _greedy(reach, held, int(n)))
    kept.sort()
    left = np.minimum(held, reach[:, kept].min(axis=1)).max()
    before = f"{held.max():.3g} mm before, " if np.isfinite(held.max()) else ""
    table = place(nominal, may.points[kept], face=may.face[kept], feature=feature, note=may.note)
    if not np.isfinite(left):
        return add_note(table, "parts of the faces have no target on their side: more would be needed")
    return add_note(table, f"the largest gap has a radius of {before}{left:.3g} mm now")


def _greedy(reach: np.ndarray, held: np.ndarray, n: int) -> np.ndarray:
    """(n,) candidates, each the nearest one to the place that is farthest from those before it."""
    kept: list[int] = []
    away = held.astype(np.float32)
    free = np.ones(reach.shape[1], dtype=bool)
    for _ in range(n):
        # a place that no candidate of its side can speak for is left out of the choice
        for worst in np.argsort(-away, kind="stable")[:50]:
            one = int(np.where(free, reach[worst], np.inf).argmin())
            if free[one] and reach[worst, one] < away[worst]:
                break
        else:
            one = int(np.flatnonzero(free)[0])
        kept.append(one)
        free[one] = False
        away = np.minimum(away, reach[:, one])
    return np.array(kept)


def _settled(reach: np.ndarray, held: np.ndarray, points: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """(n,) candidates after each has moved among its neighbours as long as that lessens the gaps."""
    from scipy.spatial import cKDTree

    held = held.astype(np.float32)
    near = cKDTree(points).query(points, k=min(_NEAR, len(points)))[1].reshape(len(points), -1)
    finite = reach[np.isfinite(reach)]
    scale = float(np.median(np.minimum(held, reach[:, kept].min(axis=1)))) or float(np.median(finite))
    kept, last = kept.copy(), np.inf

    def cost(away: np.ndarray) -> np.ndarray:
        return (np.minimum(away, 1e3 * scale) / scale).astype(float) ** _POWER

    own = np.hstack([held[:, None], reach[:, kept]])  # column 0: what is touched anyway, t + 1: target t
    first, second, of, then = _two_nearest(own)
    for _ in range(_ROUNDS):
        for t in range(len(kept)):
            without = np.where(of == t + 1, second, first)
            choice = np.setdiff1d(near[kept[t]], np.delete(kept, t))
            local = np.flatnonzero(reach[:, choice].min(axis=1) < without)
            if not len(local):
                continue
            new = np.minimum(without[local, None], reach[np.ix_(local, choice)])
            best = choice[int(cost(new).sum(axis=0).argmin())]
            if best == kept[t]:
                continue
            kept[t], own[:, t + 1] = best, reach[:, best]
            rows = np.flatnonzero((of == t + 1) | (then == t + 1) | (own[:, t + 1] < second))
            first[rows], second[rows], of[rows], then[rows] = _two_nearest(own[rows])
        total = float(cost(first).sum())
        if total > (1.0 - _SETTLED) * last:
            break
        last = total
    return kept


def _two_nearest(own: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Least and second least of each row, and the columns of both."""
    rows, of = np.arange(len(own)), own.argmin(axis=1)
    first, rest = own[rows, of], own.copy()
    rest[rows, of] = np.inf
    then = rest.argmin(axis=1)
    return first, rest[rows, then], of, then
