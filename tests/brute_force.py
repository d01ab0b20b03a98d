"""Nearest points of bodies by brute force: dense samples of every face and edge, each likely one refined by the kernel.

The reference of the hard shapes. Nothing of it is probekit's: the samples lie on the kernel's own surfaces and curves,
`Extrema_GenLocateExtPS` and `Extrema_LocateExtPC` take them to the nearest point, `IntTools_FClass2d` tells whether it
lies in the face, `BRepClass3d_SolidClassifier` and, where it disagrees, rays tell inside from outside. Import this only
after ``pytest.importorskip("OCP")``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from exact_shapes import (
    EDGE,
    FACE,
    VERTEX,
    inside_by_rays,
    kernel_distances,
    kernel_inside,
    kernel_projections,
    parts,
    touches,
)
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.Extrema import Extrema_GenLocateExtPS, Extrema_LocateExtPC
from OCP.gp import gp_Pnt, gp_Pnt2d
from OCP.IntTools import IntTools_FClass2d
from OCP.TopAbs import TopAbs_State
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Shape
from scipy.spatial import cKDTree

__all__ = ["BruteForce", "Judged", "hard_touches", "judge"]

_ALONG = 400  # samples of an edge
_SEEDS = 6  # samples refined for each touch, on faces, and on edges
_INSIDE = (TopAbs_State.TopAbs_IN, TopAbs_State.TopAbs_ON)


class BruteForce:
    """Samples of the faces and edges of a shape of a `size` [mm]."""

    def __init__(self, shape: TopoDS_Shape, size: float) -> None:
        self.shape, fine = shape, 1e-3 * size
        self.faces = [TopoDS.Face(face) for face in parts(shape, FACE)]
        BRepMesh_IncrementalMesh(shape, fine, False, 0.2, False)
        self._surfaces = [BRepAdaptor_Surface(face) for face in self.faces]
        self._inside = [IntTools_FClass2d(face, 1e-9) for face in self.faces]
        points, uv, owner, nodes_of = [], [], [], []
        for k, face in enumerate(self.faces):
            mesh = BRep_Tool.Triangulation_s(face, TopLoc_Location())
            if mesh is None:
                continue
            nodes = np.array([mesh.UVNode(i + 1).Coord() for i in range(mesh.NbNodes())])
            corners = np.array([mesh.Triangle(i + 1).Get() for i in range(mesh.NbTriangles())]) - 1
            # large flat facets are divided, so that no part of a face is without a sample
            at = np.vstack([nodes, *(np.einsum("k,fkc->fc", w, nodes[corners]) for w in _WEIGHTS)])
            points.append([self._surfaces[k].Value(*map(float, one)).Coord() for one in at])
            uv.append(at)
            owner.append(np.full(len(at), k))
            nodes_of.append(points[-1][: len(nodes)])
        self._points, self._uv, self._owner = np.vstack(points), np.vstack(uv), np.concatenate(owner)
        self._sure = cKDTree(np.vstack(nodes_of))  # the others may lie beside a face that is trimmed along a hollow
        self._curves = [
            BRepAdaptor_Curve(edge)
            for edge in map(TopoDS.Edge, parts(shape, EDGE))
            if not BRep_Tool.Degenerated_s(edge)
        ]
        line, t, edge = [], [], []
        for k, curve in enumerate(self._curves):
            along = np.linspace(curve.FirstParameter(), curve.LastParameter(), _ALONG)
            line += [curve.Value(float(one)).Coord() for one in along]
            t.append(along)
            edge.append(np.full(_ALONG, k))
        self._line = np.array(line).reshape(-1, 3)
        self._t, self._edge = np.array([*t]).ravel(), np.array([*edge]).ravel()

    @cached_property
    def tree(self) -> cKDTree:
        """Of the samples of the faces."""
        return cKDTree(self._points)

    @cached_property
    def _line_tree(self) -> cKDTree:
        return cKDTree(self._line)

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the shape, without a sign [mm]."""
        _, found = self.tree.query(points, k=min(60, len(self._points)))
        best = self._sure.query(points)[0]
        on_edge = self._line_tree.query(points, k=min(60, len(self._line)))[1] if len(self._line) else None
        for row, point in enumerate(points):
            at = gp_Pnt(*map(float, point))
            for k in _apart(self._points, self._owner, found[row]):
                best[row] = min(best[row], self._on_face(at, k))
            for k in _apart(self._line, self._edge, on_edge[row]) if on_edge is not None else ():
                best[row] = min(best[row], self._on_curve(at, k))
        return best

    def _on_face(self, point: gp_Pnt, sample: int) -> float:
        face = self._owner[sample]
        search = Extrema_GenLocateExtPS(self._surfaces[face], 1e-12, 1e-12)
        search.Perform(point, *map(float, self._uv[sample]), True)
        if not search.IsDone():
            return np.inf
        u, v = search.Point().Parameter()
        if self._inside[face].Perform(gp_Pnt2d(u, v), True) not in _INSIDE:
            return np.inf
        return point.Distance(self._surfaces[face].Value(u, v))

    def _on_curve(self, point: gp_Pnt, sample: int) -> float:
        curve = self._curves[self._edge[sample]]
        at = float(self._t[sample])
        step = (curve.LastParameter() - curve.FirstParameter()) / (_ALONG - 1)
        low, high = max(at - step, curve.FirstParameter()), min(at + step, curve.LastParameter())
        best = min(point.Distance(curve.Value(one)) for one in (low, at, high))
        golden = 0.5 * (np.sqrt(5.0) - 1.0)
        for _ in range(45):
            a, b = high - golden * (high - low), low + golden * (high - low)
            if point.Distance(curve.Value(a)) < point.Distance(curve.Value(b)):
                high = b
            else:
                low = a
        best = min(best, point.Distance(curve.Value(0.5 * (low + high))))
        search = Extrema_LocateExtPC(point, curve, 0.5 * (low + high), 1e-12)
        return min(best, np.sqrt(search.SquareDistance())) if search.IsDone() else best

    def medial(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Points (n, 3) within a tenth of a millimetre or less of where the nearest point jumps."""
        chosen = rng.integers(len(self._points), size=3 * count)
        start, normal = self._points[chosen], np.array([self._normal(k) for k in chosen])
        normal *= rng.choice([-1.0, 1.0], len(chosen))[:, None]
        size = float(np.linalg.norm(np.ptp(self._points, axis=0)))
        low, high = np.zeros(len(chosen)), np.full(len(chosen), 0.5 * size)
        for _ in range(40):
            middle = 0.5 * (low + high)
            distance, _ = self.tree.query(start + middle[:, None] * normal)
            own = distance > middle * (1.0 - 1e-7) - 1e-12  # still the nearest of all samples
            low, high = np.where(own, middle, low), np.where(own, high, middle)
        there = np.flatnonzero((low > 1e-3 * size) & (low < 0.49 * size))[:count]
        jitter = rng.normal(size=(len(there), 3)) * 10.0 ** rng.uniform(-7, -3.5, len(there))[:, None] * size
        return start[there] + low[there, None] * normal[there] + jitter

    def _normal(self, sample: int) -> np.ndarray:
        from OCP.gp import gp_Vec

        point, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
        self._surfaces[self._owner[sample]].D1(*map(float, self._uv[sample]), point, du, dv)
        normal = np.cross(du.Coord(), dv.Coord())
        return normal / max(float(np.linalg.norm(normal)), 1e-300)


_WEIGHTS = [np.array(w) / sum(w) for w in ((1, 1, 1), (4, 1, 1), (1, 4, 1), (1, 1, 4), (1, 1, 0), (0, 1, 1), (1, 0, 1))]


def _apart(places: np.ndarray, owner: np.ndarray, found: np.ndarray) -> list[int]:
    """Samples, nearest first, that are of different faces or far from each other."""
    out: list[int] = []
    spread = 0.1 * float(np.linalg.norm(places[found] - places[found[0]], axis=1).max()) + 1e-12
    for k in found:
        same = [j for j in out if owner[j] == owner[k] and np.linalg.norm(places[j] - places[k]) < spread]
        if not same:
            out.append(int(k))
        if len(out) == _SEEDS:
            break
    return out


@dataclass(frozen=True)
class Judged:
    """What became of the touches of one shape.

    Attributes
    ----------
    touches, wrong, silent : int
        How many; wrong in size or sign; wrong without a flag that leaves the touch undecided.
    worst : float
        Largest error of the signed deviation [mm].
    where : (k, 3) float
        The wrong ones.
    """

    touches: int
    wrong: int
    silent: int
    worst: float
    where: np.ndarray


def _from_kernel(points: np.ndarray, shape: TopoDS_Shape) -> np.ndarray:
    """Distances (n,) by the kernel's extrema; infinite where they fail."""
    out = np.full(len(points), np.inf)
    for k in range(len(points)):
        for ask in (kernel_projections, lambda one, whole: kernel_distances(one, whole)[0]):
            try:
                out[k] = min(out[k], ask(points[k : k + 1], shape)[0])
            except Exception as error:  # the kernel's errors share no base
                if "zero norm" not in str(error):
                    raise
    return out


def _wrong_side(points: np.ndarray, signed: np.ndarray, shape: TopoDS_Shape) -> np.ndarray:
    """Rows whose sign contradicts the kernel's classifier, and rays."""
    differ = np.flatnonzero(kernel_inside(points, shape) != (signed < 0))
    return differ[inside_by_rays(points[differ], shape) != (signed[differ] < 0)] if len(differ) else differ


def hard_touches(
    shape: TopoDS_Shape, truth: BruteForce, count: int, seed: int, distances: tuple[float, ...]
) -> np.ndarray:
    """Touches beside faces, edges and corners, in all directions, at given distances; some near the medial axis."""
    rng = np.random.default_rng(seed)
    beside = touches(shape, count - count // 4, seed, distances) if parts(shape, VERTEX) else np.zeros((0, 3))
    return np.vstack([beside, truth.medial(count // 4, rng)])


def judge(
    points: np.ndarray, feet: np.ndarray, signed: np.ndarray, doubtful: np.ndarray, truth: BruteForce, *, close: float
) -> Judged:
    """Compare feet (n, 3) and signed distances (n,) of touches with brute force; `close` may they be off [mm]."""
    size = truth.distance(points)
    off = np.abs(signed) - size
    # nearer than brute force: right if the kernel finds such a point, or if the foot lies on the shape, as it tells
    nearer = np.flatnonzero(off < -close)
    if len(nearer):
        theirs = _from_kernel(points[nearer], truth.shape)
        claimed = np.linalg.norm(points[nearer] - feet[nearer], axis=1)
        on_shape = truth.distance(feet[nearer]) <= 0.5 * close
        size[nearer] = np.minimum(np.minimum(size[nearer], theirs), np.where(on_shape, claimed, np.inf))
        off = np.abs(signed) - size
    wrong = ~(np.abs(off) <= close)
    error = np.where(wrong, np.abs(off), 0.0)
    told = np.flatnonzero(size > 10 * close)
    differ = told[_wrong_side(points[told], signed[told], truth.shape)]
    wrong[differ] = True
    error[differ] = np.abs(signed[differ]) + size[differ]
    silent = int((wrong & ~doubtful).sum())
    return Judged(len(points), int(wrong.sum()), silent, float(error.max(initial=0.0)), points[wrong])
