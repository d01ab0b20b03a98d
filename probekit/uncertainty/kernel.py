"""Errors that neighbours share: a covariance by distance, as few common causes as it needs.

symbol   variable   meaning
K                   covariance of the touches, never formed as a whole
L        factors    K = L L' + diag(rest)
rest     rest       what is left of each variance, smaller than `LEFT` of the largest

L is a Cholesky factor whose pivots are chosen one after the other, each the touch that is known least from those
before (Harbrecht, Peters, Schneider, Appl. Numer. Math. 62 (2012) 428; from memory). It costs n r^2, not n^3, and what
it leaves out is known touch by touch.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["by_direction", "by_place", "factored"]

#: Part of the largest variance that may be left out of a touch; it is kept as the touch's own.
LEFT = 1e-4

#: 1 - cosine at which an error by direction is alike to 1/e; three or four lobes round the ball.
DIRECTION = 0.14

#: Distance over which straightness is alike [mm]: a guess for ball screws and rails of machining centres.
PLACE = 50.0


def factored(
    row: Callable[[int], np.ndarray], variance: np.ndarray, *, left: float = LEFT
) -> tuple[np.ndarray, np.ndarray]:
    """Factor a covariance of which one row at a time is computed.

    Parameters
    ----------
    row : callable
        Row i -> (n,) covariance with every touch.
    variance : (n,) float
        Its diagonal.
    left : float
        Part of the largest variance at which to stop.

    Returns
    -------
    factors : (n, r) float
    rest : (n,) float
        Standard uncertainty that the factors leave out.
    """
    rest = np.array(variance, dtype=float)
    end, columns = left * float(rest.max(initial=0.0)), np.zeros((len(rest), min(len(rest), 32)))
    count = 0
    while count < len(rest) and rest.max() > end:
        pivot = int(np.argmax(rest))
        if count == columns.shape[1]:
            columns = np.hstack([columns, np.zeros_like(columns)])
        column = row(pivot) - columns[:, :count] @ columns[pivot, :count]
        columns[:, count] = column / np.sqrt(rest[pivot])
        rest = np.maximum(rest - columns[:, count] ** 2, 0.0)
        rest[pivot] = 0.0
        count += 1
    return columns[:, :count].copy(), np.sqrt(rest)


def by_direction(direction: np.ndarray, stylus: np.ndarray, u: float) -> tuple[np.ndarray, np.ndarray]:
    """Error of a probe by direction: alike where directions are, none shared between styli.

    Parameters
    ----------
    direction : (n, 3) float
        Unit normals in the frame of the probe; zero where there is none.
    stylus : (n,) int
    u : float
        Standard uncertainty [mm].

    Returns
    -------
    factors, rest
        See `factored`.
    """

    def row(i: int) -> np.ndarray:
        alike = np.exp((direction @ direction[i] - 1.0) / DIRECTION)
        return np.where((stylus == stylus[i]) & placed, u**2 * alike, 0.0)

    placed = np.any(direction != 0, axis=1)
    return factored(row, np.where(placed, u**2, 0.0))


def by_place(place: np.ndarray, normal: np.ndarray, u: float) -> tuple[np.ndarray, np.ndarray]:
    """Straightness of three axes: alike where places are near, seen along the normal.

    Parameters
    ----------
    place, normal : (n, 3) float
        [mm]; unit normals, zero where there is none.
    u : float
        Standard uncertainty [mm].

    Returns
    -------
    factors, rest
        See `factored`.
    """

    def row(i: int) -> np.ndarray:
        apart = ((place - place[i]) ** 2).sum(axis=1)
        return u**2 * np.exp(-0.5 * apart / PLACE**2) * (normal @ normal[i])

    return factored(row, u**2 * (normal**2).sum(axis=1))
