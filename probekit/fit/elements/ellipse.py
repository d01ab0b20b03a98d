"""Orthogonal distance from an ellipse, with its derivatives."""

from __future__ import annotations

import numpy as np

__all__ = ["ellipse_distance"]


def ellipse_distance(points: np.ndarray, a: float, b: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Signed distance from the ellipse (x/a)^2 + (y/b)^2 = 1, positive outside.

    Parameters
    ----------
    points : (n, 2) float
        In the frame of the axes.
    a, b : float
        Semi-axes, either order.

    Returns
    -------
    distance : (n,) float
    normal : (n, 2) float
        Outward unit normal at the foot: the gradient of the distance.
    by_axes : (n, 2) float
        Derivatives of the distance by a and b.

    Notes
    -----
    The foot (a^2 x / (t + a^2), b^2 y / (t + b^2)) lies on the ellipse for the largest root t of a function that is
    convex and falls to the right of its poles; Newton's method from a point to the left of the root rises to it
    (D. Eberly, "Distance from a point to an ellipse", 2013, from memory, who bisects). t is counted
    from the pole of the minor axis so that nothing cancels.
    """
    a, b = abs(a), abs(b)
    if a < b:
        distance, normal, by_axes = ellipse_distance(points[:, ::-1], b, a)
        return distance, normal[:, ::-1], by_axes[:, ::-1]
    x, y = np.abs(points).T
    y = np.maximum(y, 1e-14 * b)  # a point on the major axis has two feet: take the upper
    gap = a * a - b * b
    t = np.maximum(b * y, a * x - gap)
    for _ in range(100):
        u, v = a * x / (t + gap), b * y / t
        value = u * u + v * v - 1.0
        slope = -2.0 * (u * u / (t + gap) + v * v / t)
        step = value / slope
        t = np.maximum(t - step, 0.5 * t)
        if (-step <= 1e-15 * t).all():  # it no longer rises
            break
    cosine, sine = a * x / (t + gap), b * y / t
    length = np.hypot(cosine, sine)
    signs = np.where(points < 0, -1.0, 1.0)
    cosine, sine = signs[:, 0] * cosine / length, signs[:, 1] * sine / length
    normal = np.column_stack([cosine / a, sine / b])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    feet = np.column_stack([a * cosine, b * sine])
    distance = np.einsum("ij,ij->i", points - feet, normal)
    return distance, normal, -normal * np.column_stack([cosine, sine])
