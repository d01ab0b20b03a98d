"""Two features that are the two sides of one slot or web."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

__all__ = ["one_width"]

_ALONG = np.cos(np.radians(1.0))  # normals of facets of a plane lean from it by less


def one_width(kinds: Sequence[str], normals: Sequence[np.ndarray]) -> bool:
    """Whether two features of kind "width" are one side each, by the outward unit normals (n, 3) under their touches.

    A feature that is a slot or web by itself has normals both ways.
    """
    if tuple(kinds) != ("width", "width") or not all(len(one) and np.isfinite(one).all() for one in normals):
        return False
    along = normals[0][0]
    return bool((normals[0] @ along > _ALONG).all() and (normals[1] @ along < -_ALONG).all())
