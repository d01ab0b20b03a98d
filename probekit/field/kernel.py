"""How alike the deviations of two places of a surface are.

symbol   variable    meaning
x, n     places, normals
a        across      how far apart opposite normals are, as a length [mm]
d        distances   (|x - x'|^2 + a^2 |n - n'|^2)^1/2 [mm]
l        length      distance at which the correlation has fallen to about one half [mm]
nu       roughness   1/2, 3/2 or 5/2: how smooth the field is

The distance is that of a space of six dimensions, so that the Matern functions of it are correlations whatever the part
looks like (Schoenberg 1938, from memory); the two sides of a thin wall stand apart in it as they do for the cutter. A
distance along the surface is not used: put into a Matern function it gives no correlation on a closed surface (Feragen,
Lauze, Hauberg, CVPR 2015; cited from memory).
"""

from __future__ import annotations

import numpy as np

__all__ = ["ACROSS", "distances", "matern", "six"]

ACROSS = 25.0  # [mm]


def six(places: np.ndarray, normals: np.ndarray, across: float = ACROSS) -> np.ndarray:
    """(n, 6) places and normals as points between which the straight distance is the distance of the field [mm]."""
    return np.hstack([np.asarray(places, dtype=float), across * np.asarray(normals, dtype=float)])


def distances(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """(n, m) distances between points (n, 6) and (m, 6) [mm]."""
    from scipy.spatial.distance import cdist

    return cdist(one, two)


def matern(distance: np.ndarray, length: float, roughness: float) -> np.ndarray:
    """Correlation at a distance (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, 4.17).

    Parameters
    ----------
    distance : array
        [mm].
    length : float
        [mm].
    roughness : float
        0.5, 1.5 or 2.5.
    """
    a = np.sqrt(2.0 * roughness) / length * distance
    falling = np.exp(-a)
    if roughness == 0.5:
        return falling
    return (1.0 + a) * falling if roughness == 1.5 else (1.0 + a + a * a / 3.0) * falling
