"""Rigid motion between paired points, where each measured point has a known partner (reference spheres, fiducials)."""

from __future__ import annotations

import numpy as np

from ..errors import InputError
from ..geometry import apply_motion, rigid_motion

__all__ = ["paired"]


def paired(
    measured: np.ndarray, reference: np.ndarray, *, weights: np.ndarray | None = None
) -> tuple[np.ndarray, float]:
    """Least-squares motion that takes measured points to their partners.

    Parameters
    ----------
    measured, reference : (n, 3) float
        Partners row by row [mm]; at least three that are not on a line.
    weights : (n,) float, optional

    Returns
    -------
    motion : (4, 4) float
    rms : float
        Weighted root mean square distance left [mm].

    Raises
    ------
    InputError
        If the shapes differ, a number cannot be used, or the points do not fix a rotation.

    Notes
    -----
    W. Kabsch, Acta Cryst. A32 (1976) 922-923, as `scipy.spatial.transform.Rotation.align_vectors` has it.
    """
    from scipy.spatial.transform import Rotation

    measured, reference = np.asarray(measured, dtype=float), np.asarray(reference, dtype=float)
    if measured.shape != reference.shape or measured.ndim != 2 or measured.shape[1] != 3:
        raise InputError(
            "paired points must have the same shape", found=f"{measured.shape} and {reference.shape}", expected="(n, 3)"
        )
    if not (np.isfinite(measured).all() and np.isfinite(reference).all()):
        raise InputError("paired points must be finite", todo="Leave out pairs that were not measured.")
    weight = np.ones(len(measured)) if weights is None else np.asarray(weights, dtype=float)
    if weight.shape != (len(measured),) or not (np.isfinite(weight).all() and (weight >= 0).all() and weight.any()):
        raise InputError("weights must be one number per pair, zero or more, not all zero", found=weight)
    counted = weight > 0
    measured, reference, weight = measured[counted], reference[counted], weight[counted]
    from_centre, to_centre = (np.average(p, axis=0, weights=weight) for p in (measured, reference))
    spreads = [np.linalg.svd(p - p.mean(axis=0), compute_uv=False) for p in (measured, reference)]
    if len(measured) < 3 or any(s[1] <= 1e-9 * max(s[0], 1e-300) for s in spreads):
        raise InputError("the points do not fix a rotation", expected="three or more that are not on a line")
    rotation, _ = Rotation.align_vectors(reference - to_centre, measured - from_centre, weights=weight)
    motion = rigid_motion(rotation.as_matrix(), to_centre - rotation.apply(from_centre))
    left = apply_motion(motion, measured) - reference
    return motion, float(np.sqrt(np.average(np.sum(left**2, axis=1), weights=weight)))
