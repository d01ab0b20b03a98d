"""Facets of the CAD kernel's faces as plain arrays, and which closed faces are divided before it makes them."""

from __future__ import annotations

from typing import Any

import numpy as np

from .convert_splines import plain
from .extent import explore
from .kernel import kernel

__all__ = ["Divided", "facets_of", "facets_of_all"]

_ROUND = 60  # poles round the seam of a closed face from which on it is divided
_SPLIT = 3  # seams more that it then has


class Divided:
    """A body to make facets of, its closed faces divided if one of them is a B-spline of many poles round its seam.

    Of such faces as a whole the kernel makes far too many facets, or does not come to an end.
    """

    def __init__(self, shape: Any) -> None:
        brep, geom, topods, upgrade = kernel("BRep", "Geom", "TopoDS", "ShapeUpgrade")
        self.whole, self._context = shape, None
        for face in explore(shape, "FACE"):
            surface = plain(brep.BRep_Tool.Surface_s(topods.TopoDS.Face(face)))
            if not isinstance(surface, geom.Geom_BSplineSurface):
                continue
            round_u, round_v = surface.IsUClosed(), surface.IsVClosed()
            if max(round_u * surface.NbUPoles(), round_v * surface.NbVPoles()) > _ROUND:
                divide = upgrade.ShapeUpgrade_ShapeDivideClosed(shape)
                divide.SetNbSplitPoints(_SPLIT)
                if divide.Perform():
                    self.whole, self._context = divide.Result(), divide.GetContext()
                return

    def __call__(self, face: Any) -> list[Any]:
        """The faces of the body to be meshed that make up a face."""
        (topods,) = kernel("TopoDS")
        if self._context is None:
            return [face]
        return [topods.TopoDS.Face(part) for part in explore(self._context.Apply(face), "FACE")]


def facets_of_all(faces: list[Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """As `facets_of`, of several faces on one surface; nodes that they share are one."""
    found = [facets_of(face) for face in faces]
    if len(found) == 1:
        return found[0]
    first = np.cumsum([0, *(len(points) for points, _, _ in found)])
    nodes = np.concatenate([np.hstack([points, uv]) for points, uv, _ in found])
    kept, index = np.unique(nodes, axis=0, return_inverse=True)
    corners = np.concatenate([own + start for (_, _, own), start in zip(found, first, strict=False)])
    return kept[:, :3], kept[:, 3:], index.reshape(-1)[corners]


def facets_of(face: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Nodes (n, 3), their parameters (n, 2; NaN where they have none) and triangles (t, 3) of a meshed face."""
    brep, toploc = kernel("BRep", "TopLoc")
    location = toploc.TopLoc_Location()
    mesh = brep.BRep_Tool.Triangulation_s(face, location)
    if mesh is None:
        return np.zeros((0, 3)), np.zeros((0, 2)), np.zeros((0, 3), dtype=np.int64)
    nodes = (mesh.Node(k + 1) for k in range(mesh.NbNodes()))
    if not location.IsIdentity():
        move = location.Transformation()
        nodes = (node.Transformed(move) for node in nodes)
    points = np.array([node.Coord() for node in nodes]).reshape(-1, 3)
    uv = np.full((len(points), 2), np.nan)
    if mesh.HasUVNodes():
        uv[:] = [mesh.UVNode(k + 1).Coord() for k in range(mesh.NbNodes())]
    corners = np.array([mesh.Triangle(k + 1).Get() for k in range(mesh.NbTriangles())], dtype=np.int64) - 1
    return points, uv, corners.reshape(-1, 3)
