"""How alike the deviations of two places of a surface are.

symbol   variable    meaning
x, n     places, normals
a        ACROSS      how far apart normals are that differ by one, as a length: at least this, and at least l [mm]
d        distances   (|x - x'|^2 + a^2 |n - n'|^2)^1/2 [mm]
l        length      distance at which the correlation has fallen to about one half [mm]
nu       roughness   1/2, 3/2 or 5/2: how smooth the field is

The distance is that of a space of six dimensions, so that the Matern functions of it are correlations whatever the part
looks like (Schoenberg 1938, from memory); the two sides of a thin wall stand apart in it as they do for the cutter, by
two lengths or more: a long form of one side, such as wear of the tool along its path, says little of the other. A
distance along the surface is not used: put into a Matern function it gives no correlation on a closed surface (Feragen,
Lauze, Hauberg, CVPR 2015; cited from memory).

Sides of a part may have lengths of their own; what keeps the function a correlation then is the factor of C. Paciorek
and M. Schervish, Advances in Neural Information Processing Systems 16, 2004 (from memory).
"""

from __future__ import annotations

import numpy as np

__all__ = ["ACROSS", "correlation", "distances", "matern", "six"]

ACROSS = 25.0  # [mm]


def six(places: np.ndarray, normals: np.ndarray, across: float = ACROSS) -> np.ndarray:
    """(n, 6) places and normals as points between which the straight distance is the distance of the field [mm]."""
    return np.hstack([np.asarray(places, dtype=float), across * np.asarray(normals, dtype=float)])


def distances(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """(n, m) distances between points (n, 6) and (m, 6) [mm]."""
    from scipy.spatial.distance import cdist

    return cdist(one, two)


def correlation(
    one: np.ndarray,
    two: np.ndarray,
    length: float | np.ndarray,
    roughness: float,
    other: float | np.ndarray | None = None,
) -> np.ndarray:
    """(n, m) correlation of the deviations at points (n, 6) and (m, 6), see `six`.

    Parameters
    ----------
    one, two : array
    length : float or (n,) float
        [mm].
    roughness : float
        0.5, 1.5 or 2.5.
    other : (m,) float, optional
        Lengths of the second points, where they are not one for all [mm].
    """
    l1, l2 = np.atleast_1d(length)[:, None], np.atleast_1d(length if other is None else other)[None, :]
    n1, n2 = np.minimum(l1, ACROSS), np.minimum(l2, ACROSS)
    if other is None and l1.size == 1:
        scale = np.repeat([float(l1[0, 0]), float(n1[0, 0])], 3)
        return matern(distances(one / scale, two / scale), 1.0, roughness)
    squared = distances(one[:, :3], two[:, :3]) ** 2 / (0.5 * (l1**2 + l2**2))
    squared += distances(one[:, 3:], two[:, 3:]) ** 2 / (0.5 * (n1**2 + n2**2))
    factor = (2.0 * l1 * l2 / (l1**2 + l2**2) * (2.0 * n1 * n2 / (n1**2 + n2**2))) ** 1.5
    return factor * matern(np.sqrt(squared), 1.0, roughness)


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
