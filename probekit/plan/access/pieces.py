"""A tree of spheres over facets, for distances to swept pieces of the probe.

Facets longer than a fraction of the model are cut, so that their spheres are small; the pieces are sorted along a
Morton curve, and every four neighbours have a parent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...nominal.nearby import morton_order

__all__ = ["BRANCHES", "Level", "PieceTree"]

BRANCHES = 4  # children of a node
_TOP = 48  # nodes at which a search starts
_CUT = 24  # pieces along the diagonal of the model


@dataclass(frozen=True, eq=False)
class Level:
    """The nodes of one level.

    Attributes
    ----------
    centre : (n, 3) float
        Centre of a sphere around all that the node holds [mm].
    radius : (n,) float
        Its radius [mm].
    face : (n,) int
        Face that all its pieces belong to; -1 if they belong to several.
    normal : (n, 3) float
        Axis of a cone that holds all its normals.
    spread : (n,) float
        Half the opening of the cone [rad].
    """

    centre: np.ndarray
    radius: np.ndarray
    face: np.ndarray
    normal: np.ndarray
    spread: np.ndarray


class PieceTree:
    """Search structure over the facets of one or several solids.

    Parameters
    ----------
    corner : (f, 3, 3) float
        Corners of the facets [mm].
    face : (f,) int
        Face of each facet, counted over all solids.

    Attributes
    ----------
    corner : (m, 3, 3) float
        Corners of the pieces, in the order of the tree [mm].
    facet : (m,) int
        Facet that each piece was cut from.
    levels : tuple of Level
        From the pieces upwards.
    """

    def __init__(self, corner: np.ndarray, face: np.ndarray) -> None:
        points = corner.reshape(-1, 3)
        box = np.array([points.min(axis=0), points.max(axis=0)])
        pieces, facet = _cut(corner, max(float(np.linalg.norm(box[1] - box[0])) / _CUT, 1e-9))
        order = morton_order(pieces.mean(axis=1), box)
        self.corner, self.facet = np.ascontiguousarray(pieces[order]), facet[order]
        levels = [_pieces_level(self.corner, face[self.facet])]
        while len(levels[-1].radius) > _TOP:
            levels.append(_parents(levels[-1]))
        self.levels = tuple(levels)


def _cut(corner: np.ndarray, longest: float) -> tuple[np.ndarray, np.ndarray]:
    """Halve the longest side of facets (f, 3, 3) until none is longer than `longest`; and the facet of each piece."""
    done, facet_done, facet = [], [], np.arange(len(corner))
    while len(corner):
        side = np.linalg.norm(corner[:, [1, 2, 0]] - corner, axis=2)
        long = side.max(axis=1) > longest
        done.append(corner[~long])
        facet_done.append(facet[~long])
        corner, facet, first = corner[long], facet[long], side[long].argmax(axis=1)
        turned = np.take_along_axis(corner, ((first[:, None] + [0, 1, 2]) % 3)[:, :, None], axis=1)
        a, b, c = turned[:, 0], turned[:, 1], turned[:, 2]
        middle = (a + b) / 2
        corner = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
        facet = np.concatenate([facet, facet])
    return np.concatenate(done), np.concatenate(facet_done)


def _pieces_level(corner: np.ndarray, face: np.ndarray) -> Level:
    centre = corner.mean(axis=1)
    radius = np.linalg.norm(corner - centre[:, None], axis=2).max(axis=1)
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    size = np.linalg.norm(normal, axis=1)
    normal = np.divide(normal, size[:, None], out=np.zeros_like(normal), where=size[:, None] > 0)
    return Level(centre, radius, face, normal, np.zeros(len(corner)))


def _parents(below: Level) -> Level:
    first = np.arange(0, len(below.radius), BRANCHES)
    own = np.arange(len(below.radius)) // BRANCHES
    low = np.minimum.reduceat(below.centre - below.radius[:, None], first)
    high = np.maximum.reduceat(below.centre + below.radius[:, None], first)
    centre = (low + high) / 2
    radius = np.maximum.reduceat(np.linalg.norm(below.centre - centre[own], axis=1) + below.radius, first)
    face_low, face_high = np.minimum.reduceat(below.face, first), np.maximum.reduceat(below.face, first)
    normal = np.add.reduceat(below.normal, first)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", below.normal, normal[own]), -1.0, 1.0))
    spread = np.maximum.reduceat(turn + below.spread, first)
    return Level(centre, radius, np.where(face_low == face_high, face_low, -1), normal, spread)
