"""Thinned meshes kept in the cache: every page on a model that was thinned before draws the same mesh at once.

A mesh is kept as a line of JSON and the raw little-endian numbers of its arrays. It is named by what it was made of:
the full mesh, how far to thin it, and the versions of what thins it, source included. That a mesh cannot be thinned
is kept, too.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .. import __version__, cache
from ..lazily import installed_version

__all__ = ["Thinned", "thinned_once"]

_HERE = Path(__file__).parent
_MADE_BY = (Path(__file__), _HERE / "thinning.py", _HERE / "surface.py")
_WHOLE = b"{}\n"  # instead of a mesh that could not be thinned


@dataclass(frozen=True, eq=False)
class Thinned:
    """A thinned mesh, and how it was compared with the full one.

    Attributes
    ----------
    vertices : (v, 3) float
        Positions [mm].
    facets : (f, 3) int
        Vertex indices.
    facet_face : (f,) int
        Face of each facet.
    off : float
        The largest distance found between both meshes [mm].
    places : int
        At so many places.
    """

    vertices: np.ndarray
    facets: np.ndarray
    facet_face: np.ndarray
    off: float
    places: int


def thinned_once(
    make: Callable[[], Thinned | None],
    vertices: np.ndarray,
    facets: np.ndarray,
    facet_face: np.ndarray,
    left: int,
    place: Path | None,
    label: str,
) -> Thinned | None:
    """The thinned mesh, from the cache if it was made of the same before.

    Parameters
    ----------
    make : callable
        Thins the mesh; None if that cannot be done faithfully.
    vertices, facets, facet_face
        The full mesh.
    left : int
        Facets to thin to.
    place : Path or None
        Folder of the cache; None for no cache.
    label : str
        What stands beside the file where the cache is listed.
    """
    if place is None:
        return make()
    versions = (__version__, np.__version__, installed_version("libigl"), cache.source_of(*_MADE_BY))
    name = cache.name_of("thinned", *map(_sum, (vertices, facets, facet_face)), left, versions)
    content = cache.fetch(name, place)
    try:
        if content is not None:
            return None if content == _WHOLE else _read(content, facet_face)
    except (ValueError, TypeError, KeyError, RecursionError):
        pass  # not as it was written: it is made anew
    made = make()
    cache.keep(name, label, [_WHOLE] if made is None else _written(made), place)
    return made


def _sum(array: np.ndarray) -> tuple[str, tuple[int, ...], str]:
    return array.dtype.str, array.shape, hashlib.sha256(np.ascontiguousarray(array).data).hexdigest()


def _written(mesh: Thinned) -> list[bytes]:
    about = {"vertices": len(mesh.vertices), "facets": len(mesh.facets), "off": mesh.off, "places": mesh.places}
    arrays = ((mesh.vertices, "<f8"), (mesh.facets, "<i8"), (mesh.facet_face, "<i8"))
    return [json.dumps(about).encode() + b"\n", *(np.ascontiguousarray(one, kind).tobytes() for one, kind in arrays)]


def _read(content: memoryview, facet_face: np.ndarray) -> Thinned:
    """What `_written` wrote; `facet_face` of the full mesh says of what type faces are, and which there are."""
    head, mark, _ = bytes(content[:400]).partition(b"\n")
    about = json.loads(head)
    v, f, off, places = (about[key] for key in ("vertices", "facets", "off", "places"))
    at = np.cumsum([len(head + mark), 24 * v, 24 * f, 8 * f])
    _expect(
        all(type(one) is int and one > 0 for one in (v, f, places)) and type(off) is float and at[-1] == len(content)
    )
    vertices, facets, faces = (
        np.frombuffer(content[begin:end], kind).astype(np.dtype(kind).newbyteorder("="))
        for begin, end, kind in zip(at, at[1:], ("<f8", "<i8", "<i8"), strict=False)
    )
    _expect(bool(np.isfinite(vertices).all()) and math.isfinite(off) and off >= 0)
    _expect(facets.min() >= 0 and facets.max() < v and faces.min() >= 0 and faces.max() <= facet_face.max())
    return Thinned(vertices.reshape(v, 3), facets.reshape(f, 3), faces.astype(facet_face.dtype), off, places)


def _expect(right: bool) -> None:
    if not right:
        raise ValueError("not as it was written")
