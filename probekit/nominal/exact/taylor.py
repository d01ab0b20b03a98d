"""Taylor coefficients of B-splines about the middles of their knot spans, as matrices on the poles of each span."""

from __future__ import annotations

from functools import lru_cache
from math import factorial

import numpy as np

__all__ = ["curve_pieces", "surface_pieces"]


def curve_pieces(
    poles: np.ndarray, weights: np.ndarray | None, knots: np.ndarray, degree: int, breaks: np.ndarray
) -> np.ndarray:
    """(..., s, degree + 1, c) Taylor coefficients of curves about the middles of spans, c = 3, or 4 if rational.

    Parameters
    ----------
    poles : (..., n, 3) float [mm]
    weights : (..., n) float or None
    knots : (n + degree + 1,) float
    degree : int
    breaks : (s + 1,) float
        Ends of the spans, each inside one knot span.
    """
    first, matrices = _spans(knots, degree, breaks)
    values = _homogeneous(poles, weights)
    return np.matmul(matrices, values[..., first[:, None] + np.arange(degree + 1), :])


def surface_pieces(
    poles: np.ndarray,
    weights: np.ndarray | None,
    knots: tuple[np.ndarray, np.ndarray],
    degrees: tuple[int, int],
    breaks: tuple[np.ndarray, np.ndarray],
    surface: np.ndarray,
    span: np.ndarray,
) -> np.ndarray:
    """(n, q + 1, p + 1, c) Taylor coefficients of chosen pieces of surfaces, those of v first; else as `curve_pieces`.

    Poles are (m, nu, nv, 3), weights (m, nu, nv) or None; `surface` (n,) says which of the m is asked for, and `span`
    (n,) which of its su x sv pieces, one row of v after the other.
    """
    (p, q), values = degrees, _homogeneous(poles, weights)
    (first_u, of_u), (first_v, of_v) = (_spans(knots[k], degrees[k], breaks[k]) for k in (0, 1))
    u, v = np.divmod(span, len(first_v))
    along_u, along_v = first_u[u, None] + np.arange(p + 1), first_v[v, None] + np.arange(q + 1)
    local = values[surface[:, None, None], along_u[:, :, None], along_v[:, None, :]]  # (n, p + 1, q + 1, c)
    across = np.matmul(of_u[u], local.reshape(len(u), p + 1, -1)).reshape(local.shape)
    pieces = np.matmul(of_v[v], np.moveaxis(across, 1, 2).reshape(len(u), q + 1, -1))
    return pieces.reshape(len(u), q + 1, p + 1, -1)


def _homogeneous(poles: np.ndarray, weights: np.ndarray | None) -> np.ndarray:
    return poles if weights is None else np.concatenate([poles * weights[..., None], weights[..., None]], axis=-1)


def _spans(knots: np.ndarray, degree: int, breaks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return _span_matrices(np.asarray(knots, float).tobytes(), degree, np.asarray(breaks, float).tobytes())


@lru_cache(maxsize=256)
def _span_matrices(knot_bytes: bytes, degree: int, break_bytes: bytes) -> tuple[np.ndarray, np.ndarray]:
    """First of the poles (s,) of each span, and matrices (s, degree + 1, degree + 1).

    Row k times the poles is the k-th Taylor coefficient about the middle. Many curves and surfaces of a model have the
    same knots, so those asked for last are kept.

    Notes
    -----
    De Boor's recursion on unit poles, of the curve and of its derivatives (C. de Boor, A Practical Guide to Splines,
    ch. X, from memory).
    """
    knots, breaks = np.frombuffer(knot_bytes), np.frombuffer(break_bytes)
    middles = 0.5 * (breaks[:-1] + breaks[1:])
    span = np.clip(np.searchsorted(knots, middles, side="right") - 1, degree, len(knots) - degree - 2)
    local = knots[span[:, None] + np.arange(1 - degree, degree + 1)]  # (s, 2 degree): the knots that matter
    poles = np.broadcast_to(np.eye(degree + 1), (len(middles), degree + 1, degree + 1))
    out = np.empty((len(middles), degree + 1, degree + 1))
    for k in range(degree + 1):
        own, d = poles, degree - k
        near = local[:, k : 2 * degree - k]  # (s, 2 d)
        for r in range(d, 0, -1):
            low, high = near[:, d - r : d], near[:, d : d + r]
            share = ((middles[:, None] - low) / (high - low))[..., None]
            own = (1.0 - share) * own[:, :-1] + share * own[:, 1:]
        out[:, k] = own[:, 0] / factorial(k)
        if d:
            poles = d * (poles[:, 1:] - poles[:, :-1]) / (near[:, d:] - near[:, :d])[..., None]
    for values in (first := span - degree, out):
        values.setflags(write=False)
    return first, out
