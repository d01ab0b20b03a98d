"""Closest points on the surfaces of many faces at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .surfaces import Closest, Elementary, Surface

__all__ = ["Surfaces"]


class Surfaces:
    """Surfaces of faces: elementary ones of a kind are one batch, each other one is a batch of its own.

    Parameters
    ----------
    surfaces : sequence of Surface
        One per face.
    """

    def __init__(self, surfaces: Sequence[Surface]) -> None:
        alike: dict[object, list[int]] = {}
        for face, surface in enumerate(surfaces):
            alike.setdefault(surface.kind if isinstance(surface, Elementary) else face, []).append(face)
        self._batches: list[Surface] = []
        self._batch = np.empty(len(surfaces), dtype=np.int64)
        self._place = np.empty(len(surfaces), dtype=np.int64)
        for key, faces in alike.items():
            self._batch[faces], self._place[faces] = len(self._batches), np.arange(len(faces))
            own = [surfaces[face] for face in faces]
            self._batches.append(Elementary.stacked(own) if isinstance(key, str) else own[0])

    def closest(self, face: np.ndarray, points: np.ndarray, near: np.ndarray) -> Closest:
        """Closest points of `points` (n, 3) on the whole surfaces of faces (n,), from parameters `near` (n, 2)."""
        batch = self._batch[face]
        rows, parts = [], []
        for k in np.flatnonzero(np.bincount(batch)) if len(points) else (0,):
            own = np.flatnonzero(batch == k)
            surface = self._batches[k]
            if isinstance(surface, Elementary):
                surface = surface.rows(self._place[face[own]])
            rows.append(own)
            parts.append(surface.closest(points.take(own, axis=0), near.take(own, axis=0)))
        if len(parts) == 1:
            return parts[0]
        back = np.empty(len(points), dtype=np.int64)
        back[np.concatenate(rows)] = np.arange(len(points))
        return Closest(*(np.concatenate(values).take(back, axis=0) for values in zip(*parts, strict=True)))
