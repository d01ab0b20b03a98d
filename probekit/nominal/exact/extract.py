"""Shapes of the CAD kernel meshed and taken apart into plain arrays (`Brep`)."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ...errors import InputError
from ..topology import edge_table
from .batch import alike, stacked
from .brep import Brep, ExactFace
from .contrary import contrary_borders, contrary_faces
from .convert import KernelSurface, face_surface
from .convert_splines import edge_curves
from .edges import Edge
from .extent import deflection_for, diagonal_of, explore, gap_of
from .kernel import Progress, kernel
from .meshed import Divided, facets_of, facets_of_all
from .offsets import Offset
from .spline_rows import SplineRows
from .surfaces import UNSETTLED, Elementary, Surface, lengths

__all__ = ["extract"]

_TURN = 0.35  # largest angle between neighbouring facets [rad]
_REMESH = 3  # how often facets are made anew where the kernel's are further off than asked
_NEGLIGIBLE = 1e-8  # part of the diagonal: 1 nm on a part of 100 mm
_NARROW = 1e-5  # width of a face, in diagonals of the part, up to which one without facets is passed over
_MISFIT = 10  # deflections by which the edges of a face may lie off its surface
_TOGETHER = 200  # faces looked at together
_MANY = 3000  # faces from which on facets are made in batches: all at once takes long without a word
_SAMPLED = 2000  # facets looked at on a surface that only the kernel can evaluate


@dataclass
class _Pieces:
    """What the faces of all bodies give, one entry per face, and what the bodies share."""

    nodes: list[np.ndarray] = field(default_factory=list)
    uv: list[np.ndarray] = field(default_factory=list)
    corners: list[np.ndarray] = field(default_factory=list)
    faces: list[ExactFace] = field(default_factory=list)
    body: list[int] = field(default_factory=list)
    edges: list[Edge] = field(default_factory=list)
    edge_index: dict[int, tuple[int, ...]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def extract(
    path: Path,
    shapes: list[Any],
    names: list[tuple[Any, str]],
    colours: list[tuple[Any, Any]],
    deflection: float | None,
    tell: Progress,
) -> Brep:
    """Facets with parameters, exact faces and exact edges of some shapes.

    Parameters
    ----------
    path : Path
        For messages.
    shapes : list
        Solids or shells of the kernel, in their places.
    names, colours : list of (shape, value)
        Of those faces that have one.
    deflection : float or None
        As in `read_step`.
    tell : callable
        Told each step as it begins.
    """
    tell("measuring the bodies", 0.25)
    given, size = deflection is not None, diagonal_of(path, shapes)
    deflection = deflection_for(path, size, deflection)
    asked, together = deflection, _TOGETHER if sum(len(explore(one, "FACE")) for one in shapes) > _MANY else None
    for _ in range(_REMESH if given else 1):
        pieces = _take_apart(shapes, names, colours, asked, size, path, together, tell)
        if together is not None and _open(pieces, 1e-7 * size):  # so batches may not fit each other along their edges
            together = None
            pieces = _take_apart(shapes, names, colours, asked, size, path, together, tell)
        off = _off_surfaces(pieces, tell)
        if off <= deflection:
            break
        asked *= 0.9 * deflection / off
    if given and off > deflection:
        pieces.notes.append(
            f"the facets are up to {off:.3g} mm off the exact surface, not {deflection:.3g} mm as asked"
        )
    gap = gap_of(shapes)
    if gap > deflection:
        pieces.notes.extend(_misfits(path, pieces, deflection, _MISFIT * deflection_for(path, size, None)))
    tell("joining the faces", 0.95)
    brep = _joined(pieces, max(off, deflection), 1e-7 * size)
    negligible = _NEGLIGIBLE * (size + 1e-4 * float(np.abs(brep.vertices).max()))  # far off the origin rounding is more
    return replace(brep, gap=min(gap, brep.deflection), negligible=negligible)


def _take_apart(
    shapes: list[Any],
    names: list[tuple[Any, str]],
    colours: list[tuple[Any, Any]],
    deflection: float,
    size: float,
    path: Path,
    together: int | None,
    tell: Progress,
) -> _Pieces:
    """What the faces give; facets of `together` faces are made at a time, or of each whole body."""
    mesh, tools, topabs, topods, collections = kernel("BRepMesh", "BRepTools", "TopAbs", "TopoDS", "collections")
    edge_map = collections.IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher()
    name_of, colour_of = _Lookup(names), _Lookup(colours)
    pieces, number = _Pieces(), 0
    faces = [explore(shape, "FACE") for shape in shapes]
    total = max(sum(map(len, faces)), 1)
    for body, shape in enumerate(shapes):
        tools.BRepTools.Clean_s(shape)  # of earlier facets, and of those that the file has, which lack parameters
        parts_of = Divided(shape) if together is None else None
        for place, face_shape in enumerate(faces[body]):
            if place % (together or len(faces[body])) == 0:
                tell(f"the CAD kernel makes facets, face {number + 1} of {total}", 0.27 + 0.6 * number / total)
                some = parts_of.whole if parts_of else _compound(faces[body][place : place + together])
                mesh.BRepMesh_IncrementalMesh(some, deflection, False, _TURN, True)
            if place % _TOGETHER == 0:
                tell(f"taking apart face {number + 1} of {total}", 0.27 + 0.6 * number / total)
            face = topods.TopoDS.Face(face_shape)
            points, uv, corners = facets_of_all(parts_of(face)) if parts_of else facets_of(face)
            number, name = number + 1, name_of(face)
            if not len(corners):
                pieces.notes.append(_without_facets(path, face, f"face {number}{f' ({name})' if name else ''}", size))
                continue
            backward = face.Orientation() == topabs.TopAbs_Orientation.TopAbs_REVERSED
            kind, surface = face_surface(face)
            if isinstance(surface, Offset):
                surface.require_regular(uv, f"face {number}{f' ({name})' if name else ''}")
            borders, poles = _borders(face, edge_map, pieces)
            pieces.nodes.append(points)
            pieces.uv.append(uv)
            pieces.corners.append(corners[:, ::-1] if backward else corners)
            pieces.body.append(body)
            outward = -1.0 if backward else 1.0
            pieces.faces.append(ExactFace(name or "", kind, surface, outward, borders, poles, colour_of(face)))
    if not pieces.faces:
        raise InputError("no face of the STEP file can be meshed", file=path, todo="Export the part again as a solid.")
    return pieces


def _misfits(path: Path, pieces: _Pieces, told: float, most: float) -> list[str]:
    """Notes on faces whose edges lie off their surfaces by more than is `told` [mm].

    Raises
    ------
    InputError
        If they are further off than `most`: then nobody can tell where that face is.
    """
    notes = []
    for number, (face, uv, nodes) in enumerate(zip(pieces.faces, pieces.uv, pieces.nodes, strict=True), 1):
        off = float(np.nanmax(lengths(face.surface.evaluate(uv, 1)[0] - nodes), initial=0.0))
        called = f"face {number}{f' ({face.name})' if face.name else ''}"
        if off > most:
            raise InputError(
                f"the edges of {called} do not lie on its surface",
                file=path,
                found=f"up to {off:.3g} mm off it",
                expected=f"{most:.3g} mm at most",
                todo="Repair that face, or export the part in another way or format: where it is cannot be told.",
            )
        if off > told:
            notes.append(f"the edges of {called} lie up to {off:.3g} mm off its surface: it is no more exact there")
    return notes


def _compound(shapes: list[Any]) -> Any:
    """Several shapes as one."""
    brep, topods = kernel("BRep", "TopoDS")
    out, builder = topods.TopoDS_Compound(), brep.BRep_Builder()
    builder.MakeCompound(out)
    for shape in shapes:
        builder.Add(out, shape)
    return out


def _without_facets(path: Path, face: Any, called: str, size: float) -> str:
    """A note on a face that the kernel made no facets of, if it is so narrow that nothing can touch it.

    Raises
    ------
    InputError
        If it is not: its touches would be taken for those of its neighbours.
    """
    brep, prop, tools, topods = kernel("BRep", "GProp", "BRepGProp", "TopoDS")
    found, around, length = prop.GProp_GProps(), np.zeros(3), 0.0
    tools.BRepGProp.SurfaceProperties_s(face, found)
    for shape in explore(face, "EDGE"):
        edge = topods.TopoDS.Edge(shape)
        if brep.BRep_Tool.Degenerated_s(edge):
            continue
        for curve in edge_curves(edge):
            line = curve.samples[1] if edge.Orientation().name.endswith("FORWARD") else curve.samples[1][::-1]
            around += 0.5 * np.cross(line[:-1], line[1:]).sum(axis=0)
            length += float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    area = max(abs(found.Mass()), float(np.linalg.norm(around)))  # where its surface is lost, what its border encloses
    if 2.0 * area > _NARROW * size * length:
        raise InputError(
            f"the CAD kernel makes no facets of {called}",
            file=path,
            found=f"a face of about {area:.3g} mm2",
            expected="a surface that contains its edges",
            todo="Repair that face, or export the part in another way or format (a sound file can be misread): "
            "its touches would be assigned to its neighbours.",
        )
    return f"{called} has no facets and cannot be touched (degenerate)"


class _Lookup:
    """Values by shape, wherever the same shape turns up; the first one given counts."""

    def __init__(self, pairs: list[tuple[Any, Any]]) -> None:
        (collections,) = kernel("collections")
        self._map = collections.IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher()
        self._values: list[Any] = []
        for shape, value in pairs:
            if self._map.Add(shape) > len(self._values):
                self._values.append(value)

    def __call__(self, shape: Any) -> Any:
        index = self._map.FindIndex(shape)
        return self._values[index - 1] if index else None


def _borders(face: Any, edge_map: Any, pieces: _Pieces) -> tuple[tuple[tuple[int, float], ...], tuple[np.ndarray, ...]]:
    """Edges of a face with their sense, their curves entered when first met; and its poles."""
    brep, topexp, topabs, topods = kernel("BRep", "TopExp", "TopAbs", "TopoDS")
    orientation = topabs.TopAbs_Orientation
    forward = topods.TopoDS.Face(face.Oriented(orientation.TopAbs_FORWARD))
    found, poles = [], []
    for shape in explore(forward, "EDGE"):
        edge = topods.TopoDS.Edge(shape)
        way = edge.Orientation()
        if way not in (orientation.TopAbs_FORWARD, orientation.TopAbs_REVERSED):
            continue
        if brep.BRep_Tool.Degenerated_s(edge):
            poles.append(np.array(brep.BRep_Tool.Pnt_s(topexp.TopExp.FirstVertex_s(edge)).Coord()))
            continue
        if brep.BRep_Tool.IsClosed_s(edge, forward):
            continue
        index = edge_map.Add(edge)
        if index not in pieces.edge_index:
            curves = edge_curves(edge)
            first = len(pieces.edges)
            pieces.edges.extend(curves)
            pieces.edge_index[index] = tuple(range(first, first + len(curves)))
        sense = 1.0 if way == orientation.TopAbs_FORWARD else -1.0
        found += [(part, sense) for part in pieces.edge_index[index]]
    return tuple(found), tuple(poles)


def _off_surfaces(pieces: _Pieces, tell: Progress) -> float:
    """How far the facets of all faces are off their surfaces, at their middles and at those of their sides [mm]."""
    worst, surfaces = 0.0, [face.surface for face in pieces.faces]
    for faces in alike(surfaces):
        for at in range(0, len(faces), _TOGETHER):
            some = faces[at : at + _TOGETHER]
            tell("comparing facets with surfaces", 0.87)
            corners = [pieces.corners[k] for k in some]
            if isinstance(surfaces[some[0]], KernelSurface):
                corners = [own[:: 1 + len(own) // _SAMPLED] for own in corners]
            nodes, uv = (
                np.concatenate([values[k][own] for k, own in zip(some, corners, strict=True)])
                for values in (pieces.nodes, pieces.uv)
            )
            surface = stacked([surfaces[k] for k in some])
            if isinstance(surface, Elementary | SplineRows):
                surface = surface.rows(np.repeat(np.arange(len(some)), [len(own) for own in corners]))
            for weights in ((1 / 3, 1 / 3, 1 / 3), (0.5, 0.5, 0.0), (0.0, 0.5, 0.5), (0.5, 0.0, 0.5)):
                middle, near = (np.einsum("k,fkc->fc", weights, values) for values in (nodes, uv))
                worst = max(worst, _largest_gap(surface, middle, near, worst))
    return worst


def _largest_gap(surface: Surface, points: np.ndarray, near: np.ndarray, known: float) -> float:
    """Largest distance of points from a surface near parameters, where it is more than `known` [mm]."""
    value, su, sv = surface.evaluate(near, 1)
    away = points - value
    worth = np.flatnonzero(np.einsum("ij,ij->i", away, away) > known**2)
    normal = np.cross(su[worth], sv[worth])
    length = np.linalg.norm(normal, axis=1)
    height = np.abs(np.einsum("ij,ij->i", away[worth], normal)) / np.where(length > 0, length, 1.0)
    # the tangent plane at a guess tells nearly; where that is more than what is known, look closer
    worth = worth[(height > 0.5 * known) | (length == 0)]
    if isinstance(surface, Elementary | SplineRows):
        surface = surface.rows(worth)
    found = surface.closest(points[worth], near[worth])
    gap = np.linalg.norm(points[worth] - found.foot, axis=1)
    return float(gap[found.how != UNSETTLED].max(initial=0.0))


def _joined(pieces: _Pieces, deflection: float, weld: float) -> Brep:
    """One body of all faces: nodes welded, facets without extent left out, bodies turned the right way out."""
    count = np.array([len(nodes) for nodes in pieces.nodes])
    start = np.cumsum(count) - count
    corner_node = np.vstack([corners + first for corners, first in zip(pieces.corners, start, strict=True)])
    owner = np.repeat(np.arange(len(pieces.faces), dtype=np.int32), [len(corners) for corners in pieces.corners])
    corner_uv = np.vstack([uv[corners] for uv, corners in zip(pieces.uv, pieces.corners, strict=True)])
    vertices, index = _welded(np.vstack(pieces.nodes), weld)
    facets = index[corner_node]
    kept = (facets != np.roll(facets, 1, axis=1)).all(axis=1)
    facets, owner, corner_uv = facets[kept], owner[kept], corner_uv[kept]
    corner_node = corner_node[kept].astype(np.int32)
    faces, body = list(pieces.faces), np.array(pieces.body)
    contrary, never = contrary_faces(vertices, facets, owner, body)
    _turn(contrary, owner, (facets, corner_uv, corner_node), faces)
    if contrary.any():
        for k in np.flatnonzero(contrary & contrary_borders(faces, body)):
            faces[k] = replace(faces[k], borders=tuple((edge, -sense) for edge, sense in faces[k].borders))
        pieces.notes.append(f"{contrary.sum()} faces contradicted their neighbours: their normals were reversed")
    if never.any():
        what = "faces contradict their neighbours however they are turned"
        pieces.notes.append(f"{never.sum()} {what}: which side is material is not sure")
    for number in range(body.max() + 1):
        own = np.flatnonzero(body[owner] == number)
        if len(own) and _inside_out(vertices, facets[own]):
            pieces.notes.append("a body was inside out: its normals were reversed")
            _turn(body == number, owner, (facets, corner_uv, corner_node), faces)
    return Brep(
        vertices, facets, owner, corner_uv, corner_node, tuple(faces), tuple(pieces.edges), deflection,
        notes=tuple(dict.fromkeys(pieces.notes)),
    )  # fmt: skip


def _turn(chosen: np.ndarray, owner: np.ndarray, corners: tuple[np.ndarray, ...], faces: list[ExactFace]) -> None:
    """Turn chosen faces (k,) and their facets over, by what is said of the `corners` of each facet."""
    own = np.flatnonzero(chosen[owner])
    for values in corners:
        values[own] = values[own, ::-1]
    for k in np.flatnonzero(chosen):
        faces[k] = replace(faces[k], outward=-faces[k].outward)


def _open(pieces: _Pieces, weld: float) -> bool:
    """Whether facets, joined, leave an edge with one side."""
    count = np.array([len(nodes) for nodes in pieces.nodes])
    first = np.cumsum(count) - count
    index = _welded(np.vstack(pieces.nodes), weld)[1]
    facets = index[np.vstack([corners + at for corners, at in zip(pieces.corners, first, strict=True)])]
    facets = facets[(facets != np.roll(facets, 1, axis=1)).all(axis=1)]
    return bool((edge_table(facets, int(index.max()) + 1)[1] == 1).any())


def _inside_out(vertices: np.ndarray, facets: np.ndarray) -> bool:
    """Whether facets enclose a negative volume; of an open surface nobody can tell."""
    if (edge_table(facets, len(vertices))[1] == 1).any():
        return False
    corner = vertices[facets] - vertices[facets[0, 0]]
    return float(np.einsum("fc,fc->", corner[:, 0], np.cross(corner[:, 1], corner[:, 2]))) < 0


def _welded(points: np.ndarray, within: float) -> tuple[np.ndarray, np.ndarray]:
    """Points (v, 3) with those nearer than `within` joined, and the index of each one given."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(within, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    _, index = connected_components(links, directed=False)
    first = np.unique(index, return_index=True)[1]
    return points[first], index
