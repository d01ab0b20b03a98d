"""What the ball and the stem may come near to, because touching it is what the move is for: the ground of a target.

A facet is ground of a target

- if it belongs to the same smooth region and is turned less than 60 degrees from the target's normal, or
- if it is turned less than 60 degrees and lies within a ball's radius of the target, or
- if its smooth region meets that of the target in convex edges only, and it is turned less than 100 degrees: there the
  part falls away, as beside the rim of a bore.

Smooth regions are bounded by edges sharper than 25 degrees, whatever the faces are called. Fixtures are never ground.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np

from ...nominal.topology import edge_pairs, edge_table, facet_normals
from ...show import shown
from .convex import closest_on_triangle
from .pieces import Level, PieceTree

__all__ = ["Ground", "convex_neighbours"]

_FACING = np.cos(np.radians(60.0))
_FALLING = np.cos(np.radians(100.0))


@shown
@dataclass(frozen=True, eq=False)
class Ground:
    """The ground of swept pieces of a probe, one target per piece.

    Attributes
    ----------
    region : (n,) int
        Smooth region of the target, counted over all solids; -2 for a piece that has no ground.
    target, normal : (n, 3) float
        Target [mm] and its outward unit normal.
    near : (n,) float
        Radius of the ball [mm].
    able : (r,) bool
        Whether a region can be ground at all.
    falling : (k,) int
        Pairs of regions that meet in convex edges only, as `convex_neighbours` gives them.
    """

    region: np.ndarray
    target: np.ndarray
    normal: np.ndarray
    near: np.ndarray
    able: np.ndarray = field(repr=False)
    falling: np.ndarray = field(repr=False)

    def take(self, rows: np.ndarray | slice) -> Self:
        """Some of the rows."""
        return replace(
            self, region=self.region[rows], target=self.target[rows], normal=self.normal[rows], near=self.near[rows]
        )

    def covers(self, rows: np.ndarray, level: Level, node: np.ndarray) -> np.ndarray:
        """Whether all that nodes hold is surely ground of pieces, by region and the cone of the normals."""
        sure = (self.region[rows] >= 0) & (level.face[node] == self.region[rows])
        some = np.flatnonzero(sure)
        turn = np.einsum("ij,ij->i", level.normal[node[some]], self.normal[rows[some]])
        room = np.arccos(_FACING) - level.spread[node[some]]
        sure[some] = (room >= 0) & (turn >= np.cos(np.maximum(room, 0.0)))
        return sure

    def holds(self, rows: np.ndarray, tree: PieceTree, piece: np.ndarray) -> np.ndarray:
        """Whether single pieces of facets are ground of pieces of the probe."""
        level = tree.levels[0]
        held = np.zeros(len(rows), dtype=bool)
        some = np.flatnonzero(self.region[rows] > -2)
        row, region = rows[some], level.face[piece[some]]
        turn = np.einsum("ij,ij->i", level.normal[piece[some]], self.normal[row])
        facing, falling = (self.able[region] & (turn >= limit) for limit in (_FACING, _FALLING))
        ground = facing & (region == self.region[row])
        ground |= falling & np.isin(self.region[row] * len(self.able) + region, self.falling)
        close = np.flatnonzero(facing & ~ground)
        squared = closest_on_triangle(tree.corner[piece[some[close]]] - self.target[row[close], None])[1]
        ground[close[squared <= self.near[row[close]] ** 2]] = True
        held[some] = ground
        return held


def convex_neighbours(vertices: np.ndarray, facets: np.ndarray, region: np.ndarray, n_regions: int) -> np.ndarray:
    """Pairs of smooth regions that meet, and do so in convex edges only.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    region : (f,) int
    n_regions : int
        How many there are in all.

    Returns
    -------
    (k,) int
        ``one * n_regions + other``, both ways round.
    """
    normal, _ = facet_normals(vertices, facets)
    one, two = (side // 3 for side in edge_pairs(*edge_table(facets, len(vertices))))
    apart = region[one] != region[two]
    one, two = one[apart], two[apart]
    middle = vertices[facets].mean(axis=1)
    hollow = np.einsum("ij,ij->i", middle[two] - middle[one], normal[one]) > 0
    keys = np.concatenate([region[one] * n_regions + region[two], region[two] * n_regions + region[one]])
    return np.setdiff1d(keys, keys[np.concatenate([hollow, hollow])])
