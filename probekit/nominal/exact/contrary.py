"""Faces that are turned the wrong side out, as the facets of their neighbours show it.

Two faces of a body that share an edge run along it in opposite directions, each the material to the same side. A file
may say otherwise, and the CAD kernel turns faces of sound files now and then, such as the inside of a hollow closed
loft: first the loops that bound it, and then, to fit these, the face. One face turned is a sign turned for each of its
touches, and loops turned put feet beside the face in place of those in it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..topology import facet_normals
from .brep import ExactFace

__all__ = ["contrary_borders", "contrary_faces"]


def contrary_faces(
    vertices: np.ndarray, facets: np.ndarray, owner: np.ndarray, body: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Faces to be turned so that neighbours agree; of those that hang together the smaller part by area.

    Parameters
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
    owner : (f,) int
        Face of each facet.
    body : (k,) int
        Body of each face; only faces of one body are neighbours.

    Returns
    -------
    turn : (k,) bool
    never : (k,) bool
        Faces that cannot be made to agree with their neighbours, as of a surface with one side.
    """
    one, two, votes = _neighbours(facets, owner, body)
    if (votes >= 0).all():
        return np.zeros(len(body), dtype=bool), np.zeros(len(body), dtype=bool)
    area = np.bincount(owner, weights=facet_normals(vertices, facets)[1], minlength=len(body))
    return _smaller_parts(one, two, votes, area)


def contrary_borders(faces: Sequence[ExactFace], body: np.ndarray) -> np.ndarray:
    """Whether the senses (k,) of the edges of each face are to be turned, so that neighbours agree on common edges.

    Material lies to the same side of both, so the face that runs along an edge in its direction, seen from outside, has
    one neighbour that runs against it. Of those that hang together the smaller part by number is turned.
    """
    edge = np.array([edge for face in faces for edge, _ in face.borders], dtype=np.int64)
    along = np.array([face.outward * sense for face in faces for _, sense in face.borders])
    face = np.repeat(np.arange(len(faces)), [len(face.borders) for face in faces])
    a, b = _twice(edge * (int(body.max()) + 1) + body[face])
    between = face[a] != face[b]
    a, b = a[between], b[between]
    return _smaller_parts(*_votes(face[a], face[b], along[a] != along[b], len(faces)), np.ones(len(faces)))[0]


def _smaller_parts(
    one: np.ndarray, two: np.ndarray, votes: np.ndarray, area: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What is to be turned (k,) for pairs with votes below 0 to agree, and what never will (k,)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    count = len(area)
    # each face as it is and turned: those that agree hang together, k for the face as it is, count + k turned
    across = np.where(votes < 0, count, 0)
    ends = np.concatenate([one, one + count]), np.concatenate([two + across, two + (count - across)])
    graph = coo_matrix((np.ones(len(ends[0]), dtype=bool), ends), shape=(2 * count, 2 * count))
    parts, part = connected_components(graph, directed=False)
    kept, turned = part[:count], part[count:]
    left = np.bincount(kept, weights=area, minlength=parts)  # area that stays as it is, by part
    smaller = (left[turned] > left[kept]) | (left[turned] == left[kept]) & (turned < kept)
    return smaller & (kept != turned), kept == turned


def _neighbours(facets: np.ndarray, owner: np.ndarray, body: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of faces (m,), and on how many sides that they share they agree, less those where they do not (m,)."""
    number, face = int(facets.max(initial=0)) + 1, np.repeat(owner, 3)
    start, end = facets.ravel(), np.roll(facets, -1, axis=1).ravel()
    ahead = start < end
    key = (body[face] * np.int64(number) + np.minimum(start, end)) * number + np.maximum(start, end)
    del start, end
    a, b = _twice(key)
    between = np.flatnonzero(face[a] != face[b])
    a, b = a[between], b[between]
    return _votes(face[a], face[b], ahead[a] != ahead[b], len(body))


def _twice(key: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The two places (m,) of each key that is there twice."""
    order = np.argsort(key, kind="stable")
    first = np.flatnonzero(np.diff(key[order], prepend=-1))
    first = first[np.diff(first, append=len(order)) == 2]
    return order[first], order[first + 1]


def _votes(
    one: np.ndarray, two: np.ndarray, agree: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs (m,) of the faces, of `count`, that meet, and how often they agree (n,) less how often they do not (m,)."""
    key = np.minimum(one, two).astype(np.int64) * count + np.maximum(one, two)
    pairs, of = np.unique(key, return_inverse=True)
    return pairs // count, pairs % count, np.bincount(of, weights=np.where(agree, 1.0, -1.0), minlength=len(pairs))
