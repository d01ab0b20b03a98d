"""Rigid motion between paired points, where each measured point has a known partner (reference spheres, fiducials)."""

from __future__ import annotations

import numpy as np

from ..errors import InputError

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
        If the shapes differ, or the points do not fix a rotation.

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
    weight = np.ones(len(measured)) if weights is None else np.asarray(weights, dtype=float)
    from_centre, to_centre = (np.average(p, axis=0, weights=weight) for p in (measured, reference))
    spread = np.linalg.svd(reference - to_centre, compute_uv=False)
    if len(measured) < 3 or spread[1] <= 1e-9 * max(spread[0], 1e-300):
        raise InputError("the points do not fix a rotation", expected="three or more that are not on a line")
    rotation, _ = Rotation.align_vectors(reference - to_centre, measured - from_centre, weights=weight)
    motion = np.eye(4)
    motion[:3, :3] = rotation.as_matrix()
    motion[:3, 3] = to_centre - motion[:3, :3] @ from_centre
    left = measured @ motion[:3, :3].T + motion[:3, 3] - reference
    return motion, float(np.sqrt(np.average(np.sum(left**2, axis=1), weights=weight)))
