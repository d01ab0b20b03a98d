"""Targets spread over faces: blue noise, farthest points, denser where the surface bends."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable
from typing import NamedTuple

import numpy as np
import pandas as pd

from ...errors import InputError
from ...nominal import Nominal
from .margin import allowed
from .regions import Region
from .snapping import as_points, face_numbers, snap_each
from .table import place

__all__ = ["blue_noise", "candidates", "farthest", "poisson_disc"]

_PER_TARGET = 8  # candidates for each target wanted
_NAMED = 4  # faces that a note names
_PER_DISC = 25  # candidates for each disc of the wanted spacing: leaves hardly a gap


class Candidates(NamedTuple):
    """Points on faces to choose from: position and normal (n, 3), face (n,), density wanted (n,), area [mm2], note."""

    points: np.ndarray
    normals: np.ndarray
    face: np.ndarray
    density: np.ndarray
    area: float
    note: str


def candidates(
    nominal: Nominal,
    faces: str | Iterable[str] | None,
    n: int,
    rng: np.random.Generator,
    *,
    denser: float = 0.0,
    margin: float = 0.0,
    regions: Iterable[Region] = (),
    clearance: float = 0.0,
) -> Candidates:
    """About `n` random points of faces, even by area, without those that may not be touched.

    Parameters
    ----------
    nominal : Nominal
    faces : str or several, or None
        None for all.
    n : int
        How many are drawn.
    rng : numpy.random.Generator
    denser : float
        0: the density wanted is even. Otherwise it grows with the larger curvature k as 1 + denser |k| / mean |k|.
    margin, regions, clearance
        As in `keep_out`.

    Returns
    -------
    Candidates
        The area is that of what may be touched, as the candidates tell.

    Raises
    ------
    InputError
        For a face that does not exist, or nothing left to touch.
    """
    if not isinstance(rng, np.random.Generator):
        raise InputError(
            "`rng` must be a numpy Generator", found=type(rng).__name__, todo="numpy.random.default_rng(1)"
        )
    if not (np.isfinite(denser) and denser >= 0):
        raise InputError("`denser` must not be negative", found=denser)
    chosen = np.flatnonzero(np.isin(nominal.facet_face, face_numbers(nominal, faces)))
    corner = nominal.vertices[nominal.facets[chosen]]
    area = 0.5 * np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1)
    # strata of equal area rather than independent draws: fewer clumps to begin with
    total = np.cumsum(area)
    pick = np.minimum(
        np.searchsorted(total, (np.arange(n) + rng.random(n)) / n * total[-1], side="right"), len(chosen) - 1
    )
    a, b = np.sqrt(rng.random(n)), rng.random(n)
    weights = np.column_stack([1.0 - a, a * (1.0 - b), a * b])
    points = np.einsum("ik,ikc->ic", weights, corner[pick])
    found = snap_each(nominal, points, nominal.facet_face[chosen[pick]].astype(np.int64), curved=denser > 0)
    good, _ = allowed(nominal, found.points, found.face, margin=margin, regions=regions, clearance=clearance)
    if not good.any():
        raise InputError(
            "nothing is left of the faces to touch",
            found=f"margin {margin:g} mm",
            todo="Reduce the margin or the clearance.",
        )
    density = np.ones(int(good.sum()))
    if denser:
        bend = np.abs(np.nan_to_num(found.curvature[good])).max(axis=1)
        bend = np.minimum(bend, 20.0 * np.median(bend)) if np.median(bend) > 0 else bend
        density += denser * bend / bend.mean() if bend.mean() > 0 else 0.0
    share = float(good.mean())
    note = f"{1 - share:.1%} of the area kept out (margin {margin:g} mm, regions)" if share < 1 else ""
    bare = [nominal.face_names[k] for k in np.setdiff1d(found.face, found.face[good])]
    note += f", all of {', '.join(bare[:_NAMED])}" if bare else ""
    note += f" and of {len(bare) - _NAMED} more faces" if len(bare) > _NAMED else ""
    return Candidates(
        found.points[good], found.normals[good], found.face[good], density, float(total[-1]) * share, note
    )


def blue_noise(
    nominal: Nominal,
    n: int,
    rng: np.random.Generator,
    *,
    faces: str | Iterable[str] | None = None,
    denser: float = 0.0,
    margin: float = 0.0,
    regions: Iterable[Region] = (),
    clearance: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """`n` targets spread evenly without a pattern, or denser where the surface bends.

    Many parameters: it takes, besides the number, what every way of choosing targets takes: faces, distance from edges,
    regions, feature.

    Parameters
    ----------
    nominal : Nominal
    n : int
    rng : numpy.random.Generator
    faces : str or several, optional
        Default all.
    denser : float
        0: even. Otherwise the density grows with the larger curvature k as 1 + denser |k| / mean |k|; k counts up to 20
        times its median, so that a sharp fillet does not draw all targets.
    margin : float
        Least distance from the edges of each face [mm]; the radius of the stylus ball is a good choice.
    regions, clearance
        As in `keep_out`.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table; its notes say how much of the area was kept out.

    Raises
    ------
    InputError
        For a number of targets below 1, a face that does not exist, or nothing left to touch.

    Notes
    -----
    Weighted sample elimination [1]_, with weights (1 - d / 2 r_max)^8 and r_max = sqrt(A / (2 sqrt(3) n)), of eight
    candidates for each target. Distances are straight, between points whose normals are less than a right angle
    apart, so that the two sides of a thin wall do not push each other. For an uneven density each distance is divided
    by the mean spacing of its two ends.

    References
    ----------
    .. [1] C. Yuksel, "Sample Elimination for Generating Poisson Disk Sample Sets", Computer Graphics Forum 34(2), 2015.
    """
    n = _whole(n)
    given = _enough(
        n,
        lambda count: candidates(
            nominal, faces, count, rng, denser=denser, margin=margin, regions=regions, clearance=clearance
        ),
    )
    radius = np.sqrt(given.area / (2.0 * np.sqrt(3.0) * n))
    # candidates are even by area, and n points of density p lie sqrt(mean p / p) further apart than n even ones
    scale = np.sqrt(given.density.mean() / given.density)
    kept = _eliminate(given, n, radius, scale)
    return place(nominal, given.points[kept], face=given.face[kept], feature=feature, note=given.note)


def poisson_disc(
    nominal: Nominal,
    spacing: float,
    rng: np.random.Generator,
    *,
    faces: str | Iterable[str] | None = None,
    margin: float = 0.0,
    regions: Iterable[Region] = (),
    clearance: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """As many random targets as find room with a least distance between them.

    Parameters
    ----------
    nominal : Nominal
    spacing : float
        Least straight distance of two targets on the same side of the part [mm].
    rng : numpy.random.Generator
    faces : str or several, optional
        Default all.
    margin, regions, clearance
        As in `blue_noise`.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table.

    Raises
    ------
    InputError
        For a spacing that is not positive, so small that more than 20000 targets would find room, a face that does not
        exist, or nothing left to touch.

    Notes
    -----
    Dart throwing (R. L. Cook, "Stochastic sampling in computer graphics", ACM Trans. Graphics 5(1), 1986) over a finite
    set of candidates, 25 for each disc of the spacing.
    """
    if not (np.isfinite(spacing) and spacing > 0):
        raise InputError("the spacing must be positive", found=spacing, expected="a distance [mm]")
    area = float(nominal.face_areas[face_numbers(nominal, faces)].sum())
    discs = area / (0.25 * np.pi * spacing**2)
    if discs > 20000:
        raise InputError("the spacing would give too many targets", found=f"{spacing:g} mm on {area:.4g} mm2")
    count = max(int(_PER_DISC * discs), 200)
    given = candidates(nominal, faces, count, rng, margin=margin, regions=regions, clearance=clearance)
    one, two = _near_pairs(given, np.full(len(given.points), spacing))
    neighbours = _lists(len(given.points), one, two)
    order = rng.permutation(len(given.points))
    free, kept = np.ones(len(order), dtype=bool), []
    for k in order.tolist():
        if free[k]:
            kept.append(k)
            free[neighbours(k)] = False
    kept = np.array(kept)
    return place(nominal, given.points[kept], face=given.face[kept], feature=feature, note=given.note)


def farthest(
    nominal: Nominal,
    n: int,
    rng: np.random.Generator,
    *,
    faces: str | Iterable[str] | None = None,
    start: np.ndarray | None = None,
    margin: float = 0.0,
    regions: Iterable[Region] = (),
    clearance: float = 0.0,
    feature: str = "",
) -> pd.DataFrame:
    """`n` targets, each as far as can be from those before: the first few already cover the faces.

    Many parameters: it takes, besides the number, what every way of choosing targets takes: faces, distance from edges,
    regions, feature.

    Parameters
    ----------
    nominal : Nominal
    n : int
    rng : numpy.random.Generator
    faces : str or several, optional
        Default all.
    start : (k, 3) float, optional
        Points that are touched anyway: keep away from them [mm]; by default the first is drawn at random.
    margin, regions, clearance
        As in `blue_noise`.
    feature : str
        For the column of that name.

    Returns
    -------
    DataFrame
        The targets table, in the order of choosing.

    Raises
    ------
    InputError
        For a number of targets below 1, a face that does not exist, or nothing left to touch.

    Notes
    -----
    Greedy choice among 40 candidates for each target (Y. Eldar et al., "The farthest point strategy for progressive
    image sampling", IEEE Trans. Image Processing 6(9), 1997), by straight distance.
    """
    n = _whole(n)
    given = _enough(
        5 * n,
        lambda count: candidates(nominal, faces, count, rng, margin=margin, regions=regions, clearance=clearance),
    )
    away = np.full(len(given.points), np.inf)
    if start is not None:
        from scipy.spatial import cKDTree

        away = cKDTree(as_points(start, "start")).query(given.points)[0]
    kept = [int(away.argmax()) if start is not None else int(rng.integers(len(away)))]
    for _ in range(n - 1):
        away = np.minimum(away, np.linalg.norm(given.points - given.points[kept[-1]], axis=1))
        kept.append(int(away.argmax()))
    return place(nominal, given.points[kept], face=given.face[kept], feature=feature, note=given.note)


def _whole(n: int) -> int:
    if n != n or n < 1 or n != int(n):
        raise InputError("the number of targets must be a whole number of at least 1", found=n)
    return int(n)


def _enough(n: int, draw: Callable[[int], Candidates]) -> Candidates:
    """Candidates, drawn more densely if much of the area is kept out."""
    given = draw(max(_PER_TARGET * n, 60))
    if len(given.points) < _PER_TARGET * n:
        share = len(given.points) / max(_PER_TARGET * n, 60)
        given = draw(int(min(_PER_TARGET * n / share * 1.2, 50 * _PER_TARGET * n)) + 60)
    if len(given.points) < n:
        raise InputError("too little of the faces is left to touch", found=f"room for {len(given.points)}", expected=n)
    return given


def _near_pairs(given: Candidates, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of candidates, on the same side of the part, nearer than the mean of their `reach` (n,) [mm]."""
    from scipy.spatial import cKDTree

    pairs = cKDTree(given.points).query_pairs(float(reach.max()), output_type="ndarray")
    one, two = pairs[:, 0], pairs[:, 1]
    apart = np.linalg.norm(given.points[one] - given.points[two], axis=1)
    kept = apart < 0.5 * (reach[one] + reach[two])
    kept &= np.einsum("ij,ij->i", given.normals[one], given.normals[two]) > 0
    return one[kept], two[kept]


def _lists(n: int, one: np.ndarray, two: np.ndarray) -> Callable[[int], np.ndarray]:
    """A look-up of the partners of each of `n` things in pairs."""
    start = np.concatenate([one, two])
    order = np.argsort(start, kind="stable")
    end = np.concatenate([two, one])[order]
    first = np.searchsorted(start[order], np.arange(n + 1))
    return lambda k: end[first[k] : first[k + 1]]


def _eliminate(given: Candidates, n: int, radius: float, scale: np.ndarray) -> np.ndarray:
    """Indices of the `n` candidates left when always the most crowded goes, in the order they were drawn."""
    count = len(given.points)
    reach = 2.0 * radius * np.minimum(scale, 4.0)
    one, two = _near_pairs(given, reach)
    apart = np.linalg.norm(given.points[one] - given.points[two], axis=1) / (0.5 * (reach[one] + reach[two]))
    crowd = (1.0 - apart) ** 8
    weight = np.bincount(one, crowd, count) + np.bincount(two, crowd, count)
    start = np.concatenate([one, two])
    order = np.argsort(start, kind="stable")
    partner = np.concatenate([two, one])[order].tolist()
    push = np.concatenate([crowd, crowd])[order].tolist()
    first = np.searchsorted(start[order], np.arange(count + 1)).tolist()
    weights = weight.tolist()
    heap = [(-w, k) for k, w in enumerate(weights)]
    heapq.heapify(heap)
    left = [True] * count
    remaining = count
    while remaining > n:
        w, k = heapq.heappop(heap)
        if not left[k] or -w != weights[k]:
            continue  # gone, or its crowd has thinned since: a later entry stands for it
        left[k] = False
        remaining -= 1
        for at in range(first[k], first[k + 1]):
            other = partner[at]
            if left[other]:
                weights[other] -= push[at]
                heapq.heappush(heap, (-weights[other], other))
    return np.flatnonzero(left)
