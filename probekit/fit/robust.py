"""Robust weights: Huber's and Tukey's, with the scale from the median absolute deviation.

References
----------
P. J. Huber, E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley 2009. Tuning constants for 95 % efficiency on normal
data: P. W. Holland, R. E. Welsch, Commun. Statist. A6 (1977) 813-827 (constants from memory).
"""

from __future__ import annotations

import numpy as np

__all__ = ["HUBER", "TUKEY", "influence", "scale_of", "weights_of"]

HUBER, TUKEY = 1.345, 4.685


def scale_of(residuals: np.ndarray, freedoms: int = 0) -> float:
    """Standard deviation of the bulk: 1.4826 times the median absolute residual, for `freedoms` fitted parameters."""
    magnitude = np.sort(np.abs(residuals))[max(0, min(freedoms, len(residuals) - 1)) :]
    return 1.4826 * float(np.median(magnitude))


def weights_of(standardised: np.ndarray, method: str) -> np.ndarray:
    """Weight psi(z)/z of each standardised residual (n,), for method "huber" or "tukey"."""
    z = np.abs(standardised)
    if method == "huber":
        return np.where(z <= HUBER, 1.0, HUBER / np.maximum(z, 1e-300))
    return np.where(z < TUKEY, (1.0 - (z / TUKEY) ** 2) ** 2, 0.0)


def influence(standardised: np.ndarray, method: str) -> tuple[np.ndarray, np.ndarray]:
    """psi(z) and its derivative, each (n,): what the covariance of a robust fit is made of (Huber, sec. 7.6)."""
    psi = weights_of(standardised, method) * standardised
    z = np.abs(standardised)
    if method == "huber":
        return psi, (z <= HUBER).astype(float)
    ratio = (z / TUKEY) ** 2
    return psi, np.where(z < TUKEY, (1.0 - ratio) * (1.0 - 5.0 * ratio), 0.0)
