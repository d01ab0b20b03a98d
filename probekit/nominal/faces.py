"""Faces of a facet model: found by grouping facets across smooth edges, named stably, renamed by the user."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..errors import InputError
from .face_list import colours_of
from .feet import AMBIGUOUS
from .model import Nominal
from .topology import edge_pairs, edge_table, facet_normals, heights

__all__ = ["group_facets", "name_faces", "stable_names", "unique_names"]

_SHARE = 0.05  # how far off the model a point may name a face, as part of the diagonal
_ON = 1e-4  # part of the diagonal: further off is said

_COLOUR = re.compile(r"colour\s+(\S.*)", re.IGNORECASE)

#: A face of the user's: an existing name, "colour #rrggbb" (all faces of it), a point on it [mm], or several of those,
#: to be joined.
FaceChoice = str | Sequence[float] | Sequence[str | Sequence[float]]


def group_facets(vertices: np.ndarray, facets: np.ndarray, *, angle: float = 25.0) -> np.ndarray:
    """Group facets that meet at an edge with a dihedral angle below `angle`.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    angle : float
        Largest angle between the normals of neighbours in one face [deg]. Edges shared by more than two facets
        always separate. A facet without area joins its neighbour over its longest side.

    Returns
    -------
    (f,) int
        Group of each facet, numbered by area, largest first; equal areas by centroid.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    normal, double_area = facet_normals(vertices, facets)
    edge, count = edge_table(facets, len(vertices))
    sides = edge_pairs(edge, count)
    one, two = (side // 3 for side in sides)
    cosine = np.einsum("ec,ec->e", normal[one], normal[two])
    flat = np.flatnonzero(double_area == 0)
    joins = np.zeros(facets.shape, dtype=bool)
    joins[flat, heights(vertices, facets[flat])[1]] = True
    both_have_area = (double_area[one] > 0) & (double_area[two] > 0)
    smooth = (cosine >= np.cos(np.radians(angle))) & both_have_area | joins.ravel()[sides[0]] | joins.ravel()[sides[1]]
    links = coo_matrix((np.ones(smooth.sum(), dtype=bool), (one[smooth], two[smooth])), shape=(len(facets),) * 2)
    n_groups, group = connected_components(links, directed=False)

    area = np.bincount(group, weights=double_area, minlength=n_groups)
    centre = vertices[facets].mean(axis=1) * double_area[:, None]
    centroid = np.column_stack([np.bincount(group, weights=centre[:, c], minlength=n_groups) for c in range(3)])
    centroid /= np.where(area > 0, area, 1.0)[:, None]
    scale = max(float(area.max(initial=0.0)), 1e-300)
    keys = (*np.round(centroid[:, ::-1].T / np.sqrt(scale), 6), -np.round(area / scale, 6))
    rank = np.empty(n_groups, dtype=np.int32)
    rank[np.lexsort(keys)] = np.arange(n_groups)
    return rank[group]


def stable_names(n_faces: int) -> tuple[str, ...]:
    """Names "face_1", "face_2", ... with as many digits as the largest needs."""
    digits = len(str(n_faces))
    return tuple(f"face_{i + 1:0{digits}d}" for i in range(n_faces))


def name_faces(nominal: Nominal, names: Mapping[str, FaceChoice], *, within: float | None = None) -> Nominal:
    """A copy with faces named by the user, who points at them.

    Parameters
    ----------
    nominal : Nominal
    names : mapping
        New name -> the face's present name, or a point on it (3,) [mm], or "colour #rrggbb" for all faces that have it
        in the file, or a list of these, which become one face.
    within : float, optional
        A point further than this from the model names nothing [mm]; by default 5 % of the part's diagonal. One that is
        more than 1e-4 of the diagonal away, and more than the edges of the file leave open, names the face beneath it
        if every other face is at least twice as far, and a note says so.

    Raises
    ------
    InputError
        If a point is further away than `within`, names an edge between faces, or two names claim one face.
    """
    limit = _SHARE * nominal.diagonal if within is None else within
    notes: list[str] = []
    wanted: dict[str, str] = {}
    for new, choice in names.items():
        for single in (one for given in _choices(choice) for one in _of_colour(nominal, given)):
            old = single if isinstance(single, str) else _face_at(nominal, new, single, limit, notes)
            if wanted.setdefault(old, new) != new:
                raise InputError(
                    f"two names claim the same face: '{wanted[old]}' and '{new}' both refer to '{old}'",
                    todo="Move one of the points, or give the face one name only.",
                )
    return replace(nominal.rename_faces(wanted), notes=(*nominal.notes, *notes))


def _choices(choice: FaceChoice) -> Sequence[str | Sequence[float]]:
    if isinstance(choice, str) or (len(choice) and isinstance(choice[0], int | float | np.number)):
        return [choice]  # type: ignore[list-item]
    return choice  # type: ignore[return-value]


def _of_colour(nominal: Nominal, choice: str | Sequence[float]) -> Sequence[str | Sequence[float]]:
    """Names of the faces that a choice by colour means; any other choice as it is."""
    said = _COLOUR.fullmatch(choice.strip()) if isinstance(choice, str) and choice not in nominal.face_names else None
    if said is None:
        return [choice]
    colours = colours_of(nominal)
    found = [name for name, one in zip(nominal.face_names, colours, strict=True) if one == said[1].lower()]
    if not found:
        known = ", ".join(sorted({one for one in colours if one})) or "none: the model has no colours"
        raise InputError("no face of the model has that colour", found=said[1], expected=f"one of {known}")
    return found


def _face_at(nominal: Nominal, name: str, point: Sequence[float], within: float, notes: list[str]) -> str:
    position = np.asarray(point, dtype=float)
    if position.shape != (3,) or not np.isfinite(position).all():
        raise InputError(
            f"the point that names face '{name}' is not a position", found=point, expected="[x, y, z] in mm"
        )
    found = nominal.engine.feet(position[None])
    away = abs(float(found.distance[0]))
    on = max(_ON * nominal.diagonal, 0.0 if nominal.brep is None else nominal.brep.gap)
    if away > on:
        found = nominal.engine.feet(position[None], ambiguity=away)
    if abs(found.distance[0]) > within:
        raise InputError(
            f"the point that names face '{name}' is not on the model",
            found=f"{list(point)}, {abs(found.distance[0]):.3f} mm away",
            expected=f"a point within {within:.3g} mm of the face",
            todo="probekit faces lists the faces, with a point on each.",
        )
    if found.flags[0] & AMBIGUOUS:
        raise InputError(
            f"the point that names face '{name}' is off the model, and more than one face is near it",
            found=f"{list(point)}, {away:.3f} mm away",
            expected="a point on the face, or with every other face at least twice as far",
            todo="probekit faces lists the faces, with a point on each.",
        )
    if found.flags[0]:
        raise InputError(
            f"the point that names face '{name}' lies on an edge",
            found=list(point),
            expected="a point inside the face",
        )
    face = nominal.face_names[found.face[0]]
    if away > on:
        notes.append(f"the point that names face '{name}' lies {away:.3g} mm off the model; the face beneath was taken")
    return face


def unique_names(names: list[str]) -> list[str]:
    """Names made different: those that several have are numbered "name_1", "name_2", ... in their order."""
    total, count, taken = Counter(names), Counter[str](), set(names)
    out = []
    for name in names:
        if total[name] == 1:
            out.append(name)
            continue
        while True:
            count[name] += 1
            numbered = f"{name}_{count[name]}"
            if numbered not in taken:
                break
        taken.add(numbered)
        out.append(numbered)
    return out
