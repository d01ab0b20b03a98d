"""Numbers as few bytes: differences, planes of bytes, deflate, base64.

`assets/unpack.js` is the other half. An array of whole numbers is written column by column and byte by byte (all low
bytes, then all next ones), so that what changes little stands together; deflate (RFC 1951, in the frame of RFC 1950)
then finds it.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass, field

import numpy as np

__all__ = ["Packed", "mesh_order", "pack"]

_BYTES = {"u1": 1, "u2": 2, "i2": 2, "u4": 4, "i4": 4, "f4": 4}
_LEVEL = 9


@dataclass
class Packed:
    """Named arrays in one stream.

    Attributes
    ----------
    entries : dict
        Name -> kind of the numbers, rows, columns, and how they were changed before packing: "" not at all, "d" by
        differences down each column, "h" as the distance below the highest index yet.
    """

    entries: dict[str, tuple[str, int, int, str]] = field(default_factory=dict)
    _parts: list[bytes] = field(default_factory=list)

    def add(self, name: str, array: np.ndarray, kind: str, how: str = "") -> None:
        """Append an array of (n,) or (n, c) numbers.

        Parameters
        ----------
        name : str
        array : ndarray
        kind : str
            "u1", "u2", "i2", "u4", "i4" or "f4", little-endian in the end.
        how : str
            See `entries`.
        """
        values = np.ascontiguousarray(array, dtype=f"<{kind}")
        rows, columns = len(values), 1 if values.ndim == 1 else values.shape[1]
        width = _BYTES[kind]
        whole = values.reshape(rows, columns).view(f"<u{width}")
        if how == "h":
            flat = whole.astype(np.int64).ravel()
            highest = np.maximum.accumulate(np.concatenate([[-1], flat]))[:-1]
            whole = (highest + 1 - flat).reshape(rows, columns).astype(f"<u{width}")
        elif how == "d":
            whole = _zigzag(np.diff(whole, axis=0, prepend=np.zeros((1, columns), whole.dtype)), width)
        planes = whole.T.copy().view(np.uint8).reshape(columns, rows, width).transpose(0, 2, 1)
        self.entries[name] = (kind, rows, columns, how)
        self._parts.append(planes.tobytes())

    def text(self) -> str:
        """All of them, deflated, as base64."""
        return base64.b64encode(zlib.compress(b"".join(self._parts), _LEVEL)).decode("ascii")


def _zigzag(steps: np.ndarray, width: int) -> np.ndarray:
    """Small steps of either sign as small whole numbers: 0, -1, 1, -2, 2 ... as 0, 1, 2, 3, 4."""
    signed = steps.view(f"<i{width}")
    return ((signed << 1) ^ (signed >> (8 * width - 1))).view(f"<u{width}")


def mesh_order(vertices: np.ndarray, facets: np.ndarray, vertex_face: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Order of facets and vertices in which neighbours stand together and vertices come as they are first used.

    Parameters
    ----------
    vertices : (v, 3) float
    facets : (f, 3) int
    vertex_face : (v,) int
        The face that a vertex belongs to; faces stay together.

    Returns
    -------
    facet_order : (f,) int
    vertex_order : (v,) int
        Vertices that no facet uses come last.
    """
    if not len(facets):
        return np.zeros(0, dtype=np.int64), np.arange(len(vertices))
    low = vertices.min(axis=0)
    cell = ((vertices - low) / max(float((vertices.max(axis=0) - low).max()), 1e-9) * 1023).astype(np.int64)
    middle = cell[facets].sum(axis=1) // 3
    code = sum(_spread(middle[:, k]) << k for k in range(3))
    facet_order = np.lexsort((code, vertex_face[facets[:, 0]]))
    used = facets[facet_order].ravel()
    found, first = np.unique(used, return_index=True)
    rest = np.setdiff1d(np.arange(len(vertices)), found, assume_unique=True)
    return facet_order, np.concatenate([found[np.argsort(first)], rest])


def _spread(x: np.ndarray) -> np.ndarray:
    """Ten bits of each number with two zeros between any two of them (a curve of G. M. Morton, 1966)."""
    x = (x | (x << 16)) & 0x030000FF
    x = (x | (x << 8)) & 0x0300F00F
    x = (x | (x << 4)) & 0x030C30C3
    return (x | (x << 2)) & 0x09249249


def pack(array: np.ndarray, kind: str) -> str:
    """Base64 of the array's numbers as little-endian `kind`."""
    return base64.b64encode(np.ascontiguousarray(array, dtype=kind).tobytes()).decode("ascii")
