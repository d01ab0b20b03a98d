"""A smooth field through deviations at touches, on the surface that they are on: with how sure it is, and nothing where
no touch is near.

symbol    variable    meaning
x, n      place       foot and outward normal of a touch
l, s      length      how far deviations are alike [mm], and their size [mm]: the pair that makes the touches likeliest
w         white       what does not belong to the field: scatter of the touch [mm]
k                     s^2 (1 + q) exp(-q), q = sqrt(3) times the distance of (x / l, n / 0.5)

Mean and variance are those of a Gaussian process with mean zero (C. E. Rasmussen, C. K. I. Williams, Gaussian
Processes for Machine Learning (2006), eq. 2.25, 2.26 and 4.17; from memory). Normals belong to the place, so that the
two sides of a thin wall do not know of each other. What is small and lies between touches is not seen by any of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Field", "smooth"]

_TURN = 0.5  # difference of normals that counts as one length
_LENGTHS = (0.7, 1.0, 1.5, 2.5, 5.0)  # of the spacing of the touches, tried
_SIZES = (0.5, 1.0, 2.0, 4.0, 8.0)  # of the root mean square of the deviations, tried
_MANY = 400  # touches that length and size are found from


@dataclass(frozen=True)
class Field:
    """A field that has learned from touches.

    Attributes
    ----------
    length, size : float
        How far deviations are alike, and how large they are [mm].
    """

    length: float
    size: float
    _places: np.ndarray
    _lower: np.ndarray
    _weights: np.ndarray

    def at(self, feet: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and standard uncertainty (m,) at places (m, 3) with normals (m, 3) [mm]."""
        from scipy.linalg import solve_triangular

        cross = _kernel(_place(feet, normals, self.length), self._places, self.size)
        half = solve_triangular(self._lower, cross.T, lower=True)
        return cross @ self._weights, np.sqrt(np.maximum(self.size**2 - np.sum(half**2, axis=0), 0.0))


def smooth(feet: np.ndarray, normals: np.ndarray, values: np.ndarray, white: np.ndarray, spacing: float) -> Field:
    """Learn a field from touches.

    Parameters
    ----------
    feet, normals : (n, 3) float
    values, white : (n,) float
        Deviations, and standard deviation of what is in them but does not belong to the field [mm].
    spacing : float
        Usual distance between neighbouring touches [mm].
    """
    some = np.random.default_rng(0).permutation(len(values))[:_MANY]
    root = max(float(np.sqrt(np.mean(values**2))), 1e-6)
    tried = [(length * spacing, size * root) for length in _LENGTHS for size in _SIZES]
    length, size = max(tried, key=lambda one: _likely(feet[some], normals[some], values[some], white[some], *one))
    places = _place(feet, normals, length)
    lower, weights = _solved(places, values, white, size)
    return Field(length, size, places, lower, weights)


def _likely(
    feet: np.ndarray, normals: np.ndarray, values: np.ndarray, white: np.ndarray, length: float, size: float
) -> float:
    lower, weights = _solved(_place(feet, normals, length), values, white, size)
    return float(-0.5 * values @ weights - np.log(np.diag(lower)).sum())


def _solved(places: np.ndarray, values: np.ndarray, white: np.ndarray, size: float) -> tuple[np.ndarray, np.ndarray]:
    from scipy.linalg import cho_solve, cholesky

    covariance = _kernel(places, places, size)
    covariance[np.diag_indices(len(places))] += white**2 + 1e-12
    lower = cholesky(covariance, lower=True)
    return lower, cho_solve((lower, True), values)


def _place(feet: np.ndarray, normals: np.ndarray, length: float) -> np.ndarray:
    return np.hstack([feet / length, normals / _TURN])


def _kernel(one: np.ndarray, two: np.ndarray, size: float) -> np.ndarray:
    from scipy.spatial.distance import cdist

    away = np.sqrt(3.0) * cdist(one, two)
    return size**2 * (1.0 + away) * np.exp(-away)
