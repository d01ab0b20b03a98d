"""The places at which a surface is judged between its touches.

A form that is estimated by touches goes farthest wrong where it is carried on beyond them: on the edges of the faces
and in their corners. So nodes stand there as well, in the room of others. They count for the surface; no further touch
is made there. A hill may be anywhere: what would be seen of it is asked of places that are even over the area.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..errors import InputError
from ..nominal import Nominal
from ..plan.targets.snapping import face_numbers, snap_each
from ..plan.targets.spread import candidates, poisson_disc
from ..show import shown
from .kernel import six

__all__ = ["Nodes", "nodes"]

_FILL = 0.66  # squared least distance over area per node where no more find room, by random darts: measured
_EDGE = 0.75  # the same along a line, as a distance: darts leave gaps
_ROOM = 0.4  # squared, of a node from those on the edges
_TRIED, _MOST = 4000, 8000  # places by which a part of the faces is sized; nodes on all of them that it may take
_CORNER = 0.5  # change of the unit direction of an edge, 29 degrees


@shown
@dataclass(frozen=True, eq=False)
class Nodes:
    """Places on a surface.

    Attributes
    ----------
    places, normals : (m, 3) float
        [mm]; unit, outward.
    face : (m,) int
        Number of the face of each.
    area : float
        Area of the faces [mm2].
    edges : int
        How many of them, the last ones, stand on the edges of the faces.
    even : Nodes, optional
        Places that are even over the area, up to the edges but not on them; None where the nodes are that themselves.
    """

    places: np.ndarray
    normals: np.ndarray
    face: np.ndarray
    area: float
    edges: int = 0
    even: Nodes | None = None

    @property
    def spacing(self) -> float:
        """Mean distance of neighbours: side of the square of which each node has one [mm]."""
        return float(np.sqrt(self.area / max(len(self.places), 1)))

    @property
    def sentence(self) -> str:
        """How many, how close."""
        return f"{len(self.places)} nodes on {self.area:.4g} mm2, one per {self.spacing:.2g} mm"


def nodes(
    nominal: Nominal,
    n: int,
    rng: np.random.Generator,
    *,
    faces: str | Iterable[str] | None = None,
    edges: bool = False,
    between: Mapping[str, tuple[float, float]] | None = None,
) -> Nodes:
    """About `n` places spread over faces without clusters or gaps.

    Parameters
    ----------
    nominal : Nominal
    n : int
        How many; the answer may differ by a tenth.
    rng : numpy.random.Generator
    faces : str or several, optional
        Default all.
    edges : bool
        Put some of them on the edges of the faces, corners first: for `surface`.
    between : mapping, optional
        Axis -> two values [mm]: only the part of the faces that lies between them.

    Returns
    -------
    Nodes

    Raises
    ------
    InputError
        If no part of the faces lies there.
    """
    from scipy.spatial import KDTree

    if between:
        share = float(_inside(candidates(nominal, faces, _TRIED, rng).points, between).mean())
        if not share:
            raise InputError("no part of the faces lies between these values", found=dict(between))
        return _cut(nodes(nominal, min(round(n / share), _MOST), rng, faces=faces, edges=edges), between, share)

    chosen = face_numbers(nominal, faces)
    area, number = float(nominal.face_areas[chosen].sum()), {name: k for k, name in enumerate(nominal.face_names)}
    if not edges:
        return _spread(nominal, np.sqrt(_FILL * area / n), rng, faces, area, number)
    one, two, owner = _edges(nominal, chosen)
    length = float(np.linalg.norm(two - one, axis=1).sum())
    apart = (0.5 * length + np.sqrt(0.25 * length**2 + 4.0 * n * area)) / (2.0 * n)  # n = area / a^2 + length / (2 a)
    inner = _spread(nominal, np.sqrt(_FILL) * apart, rng, faces, area, number)
    if not len(one):
        return inner
    given, owners = _along(one, two, owner, 0.1 * apart, rng)
    found = snap_each(nominal, given, owners)
    points = six(found.points, found.normals)
    kept = _apart(points, _EDGE * apart)
    away = KDTree(points[kept]).query(six(inner.places, inner.normals))[0] > np.sqrt(_ROOM) * apart
    return Nodes(
        np.vstack([inner.places[away], found.points[kept]]),
        np.vstack([inner.normals[away], found.normals[kept]]),
        np.append(inner.face[away], found.face[kept]),
        area,
        len(kept),
        inner,
    )


def _inside(places: np.ndarray, between: Mapping[str, tuple[float, float]]) -> np.ndarray:
    """(m,) whether places lie between the values of each axis."""
    spans = [(places[:, "xyz".index(axis)], *span) for axis, span in between.items()]
    return np.logical_and.reduce([(along >= low) & (along <= high) for along, low, high in spans])


def _cut(at: Nodes, between: Mapping[str, tuple[float, float]], share: float) -> Nodes:
    """The nodes between some values, where this share of the area is."""
    kept = _inside(at.places, between)
    edges = int(kept[len(kept) - at.edges :].sum())
    even = None if at.even is None else _cut(at.even, between, share)
    return replace(
        at,
        places=at.places[kept],
        normals=at.normals[kept],
        face=at.face[kept],
        area=share * at.area,
        edges=edges,
        even=even,
    )


def _spread(
    nominal: Nominal,
    apart: float,
    rng: np.random.Generator,
    faces: str | Iterable[str] | None,
    area: float,
    number: dict[str, int],
) -> Nodes:
    made = poisson_disc(nominal, apart, rng, faces=faces)
    return Nodes(
        made[["x0", "y0", "z0"]].to_numpy(dtype=float),
        made[["i", "j", "k"]].to_numpy(dtype=float),
        made["face"].map(number).to_numpy(dtype=int),
        area,
    )


def _edges(nominal: Nominal, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ends (k, 3) of the segments that bound each chosen face, and that face (k,)."""
    on = np.isin(nominal.facet_face, chosen)
    facets, owner = nominal.facets[on].astype(np.int64), np.repeat(nominal.facet_face[on], 3)
    start, end, count = facets.ravel(), facets[:, [1, 2, 0]].ravel(), len(nominal.vertices)
    ends = np.sort(np.column_stack([start, end]), axis=1)
    name = (owner * count + ends[:, 0]) * count + ends[:, 1]
    _, at, times = np.unique(name, return_inverse=True, return_counts=True)
    single = times[at.reshape(-1)] == 1
    return nominal.vertices[start[single]], nominal.vertices[end[single]], owner[single]


def _along(
    one: np.ndarray, two: np.ndarray, owner: np.ndarray, step: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Points (k, 3) on segments, at most a step apart, and the face of each; the corners of the lines first."""
    way = two - one
    length = np.linalg.norm(way, axis=1)
    unit = way / np.maximum(length, 1e-12)[:, None]
    ends = np.column_stack([np.vstack([one, two]), np.tile(owner, 2)])
    vertex, at = np.unique(ends, axis=0, return_inverse=True)
    turn = np.zeros((len(vertex), 3))
    np.add.at(turn, at.reshape(-1), np.vstack([unit, -unit]))
    corner = vertex[np.linalg.norm(turn, axis=1) > _CORNER]
    parts = np.maximum(np.ceil(length / step).astype(int), 1)
    row = np.repeat(np.arange(len(one)), parts)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[row]
    order = rng.permutation(len(row))
    points = (one[row] + share[:, None] * way[row])[order]
    return np.vstack([corner[:, :3], points]), np.append(corner[:, 3].astype(int), owner[row][order])


def _apart(points: np.ndarray, least: float) -> np.ndarray:
    """Rows of points (k, 6), taken in their order, that stand at least so far from those taken before."""
    from scipy.spatial import KDTree

    near = KDTree(points).query_ball_point(points, least)
    free, kept = np.ones(len(points), dtype=bool), []
    for k, beside in enumerate(near):
        if free[k]:
            kept.append(k)
            free[beside] = False
    return np.array(kept, dtype=int)
