"""The surfaces of many faces at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from .spline_rows import SplineRows
from .splines import Spline
from .surfaces import Closest, Derivatives, Elementary, Surface

__all__ = ["Surfaces", "alike", "stacked"]

_MANY = 200  # rows for each surface from which splines are quicker one by one


class Surfaces:
    """Surfaces of faces: elementary ones of a kind, and B-splines of the same degrees, are one batch.

    Parameters
    ----------
    surfaces : sequence of Surface
        One per face.
    """

    def __init__(self, surfaces: Sequence[Surface]) -> None:
        self._surfaces = surfaces
        self._batches: list[Surface] = []
        self._batch = np.empty(len(surfaces), dtype=np.int64)
        self._place = np.empty(len(surfaces), dtype=np.int64)
        for faces in alike(surfaces):
            self._batch[faces], self._place[faces] = len(self._batches), np.arange(len(faces))
            self._batches.append(stacked([surfaces[face] for face in faces]))

    def closest(self, face: np.ndarray, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest points of `points` (n, 3) on the whole surfaces of faces (n,), from parameters `near` (n, 2)."""
        found = [(rows, one.closest(points[rows], near[rows])) for rows, one in self._by_surface(face)]
        return Closest(*_together(len(points), found))

    def evaluate(self, face: np.ndarray, uv: np.ndarray, order: int = 2) -> Derivatives:
        """Value and derivatives up to `order` (1 or 2) of the surfaces of faces (n,) at parameters (n, 2)."""
        return _together(len(uv), [(rows, one.evaluate(uv[rows], order)) for rows, one in self._by_surface(face)])

    def _by_surface(self, face: np.ndarray) -> Iterator[tuple[np.ndarray | slice, Surface]]:
        """Rows of `face` (n,) that are answered together, and the surface that does."""
        batch = self._batch[face]
        found = np.flatnonzero(np.bincount(batch)) if len(face) else np.zeros(1, dtype=np.int64)
        for k in found.tolist():
            own = np.flatnonzero(batch == k)
            rows: np.ndarray | slice = slice(None) if len(found) == 1 else own
            surface = self._batches[k]
            if isinstance(surface, SplineRows):
                faces = np.unique(face[own])
                if len(own) > _MANY * len(faces):
                    for one in faces.tolist():
                        yield own[face[own] == one], self._surfaces[one]
                    continue
            if isinstance(surface, Elementary | SplineRows):
                surface = surface.rows(self._place[face[own]])
            yield rows, surface


def _together(count: int, parts: list[tuple[np.ndarray | slice, tuple[np.ndarray, ...]]]) -> tuple[np.ndarray, ...]:
    """Columns of `count` rows, of which each part gives some."""
    if len(parts) == 1:
        return parts[0][1]
    back = np.empty(count, dtype=np.int64)
    back[np.concatenate([rows for rows, _ in parts])] = np.arange(count)
    columns = zip(*(values for _, values in parts), strict=True)
    return tuple(np.concatenate(values).take(back, axis=0) for values in columns)


def alike(surfaces: Sequence[Surface]) -> list[list[int]]:
    """Places of surfaces that can be stacked; each other one is alone."""
    found: dict[object, list[int]] = {}
    for place, surface in enumerate(surfaces):
        key: object = place
        if isinstance(surface, Elementary):
            key = surface.kind
        elif isinstance(surface, Spline):
            key = SplineRows.key(surface)
        found.setdefault(key, []).append(place)
    return list(found.values())


def stacked(surfaces: Sequence[Surface]) -> Surface:
    """Surfaces that are alike as rows of one; a lone B-spline, or one of another kind, as it is."""
    if isinstance(surfaces[0], Elementary):
        return Elementary.stacked(surfaces)
    if isinstance(surfaces[0], Spline) and len(surfaces) > 1:
        return SplineRows.stacked(surfaces)
    return surfaces[0]
