"""Damped descent to a nearest point: for the starts from which Newton's method circles, or ends further off."""

from __future__ import annotations

import numpy as np

from .surfaces import Derivatives, Surface, dot, lengths

__all__ = ["BLIND", "descended", "least_bend"]

#: Square of the ratio of the tangents' lengths below which one has none.
BLIND = 1e-18

_MOST = 60  # steps
_STILL = 1e-7  # a step this short ends the descent [mm]
_CONVEX = 1e-3  # least eigenvalue that the Hessian over lengths along the surface is lifted to
_PUSHES = 1e-2, 1e-4  # off a saddle, as parts of the distance from it
_DAMPED, _MORE, _LESS = 0.1, 4.0, 0.125  # the first damping of a step that led up, and its factors up and down


def descended(surface: Surface, points: np.ndarray, start: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Parameters (n, 2) at or near a nearest point within a domain, never further from its point than the start.

    Parameters
    ----------
    surface : Surface
        Of as many rows as there are points, if it has rows.
    points : (n, 3) float [mm]
    start : (n, 2) float
        Parameters in the domain.
    low, high : (2,) or (n, 2) float
        The domain.

    Notes
    -----
    A projected Newton method (D. P. Bertsekas, SIAM J. Control Optim. 20 (1982) 221-246, from memory): parameters at
    the border that the gradient holds there are left out of the step, which is then clipped. Steps that lead up are
    damped as Levenberg and Marquardt do, until they lead down. From a saddle the way in which the distance bends down
    leads off.
    """
    uv, damping = _off_saddles(surface, points, start, low, high), np.zeros(len(start))
    here = surface.evaluate(uv, 2)
    for _ in range(_MOST):
        trial = np.clip(uv + _step(here, points, uv, damping, low, high), low, high)
        there = surface.evaluate(trial, 2)
        du, dv = (trial - uv).T[:, :, None]
        if (lengths(du * here[1] + dv * here[2]) < _STILL).all():
            break
        nearer = lengths(there[0] - points) < lengths(here[0] - points)
        damping = np.where(nearer, _LESS * damping, np.maximum(_MORE * damping, _DAMPED))
        damping[damping < 1e-3 * _DAMPED] = 0.0
        uv = np.where(nearer[:, None], trial, uv)
        here = tuple(np.where(nearer[:, None], new, old) for new, old in zip(there, here, strict=True))
    return uv


def least_bend(here: Derivatives) -> tuple[np.ndarray, np.ndarray]:
    """Least eigenvalue (n,) of the Hessian of half the squared distance, over lengths along the surface; its direction.

    `here` is what `evaluate` gives, with the vector from the touch in the place of the point. The direction (n, 2) is
    in parameters, one length along the surface long.
    """
    r, su, sv, suu, suv, svv = here
    e, g = dot(su, su), dot(sv, sv)
    size = np.maximum(np.maximum(e, g), 1e-200)
    blind = np.column_stack([e <= BLIND * size, g <= BLIND * size])  # at a pole one parameter moves nothing
    e, g = np.where(blind[:, 0], size, e), np.where(blind[:, 1], size, g)
    a, c = 1.0 + dot(r, suu) / e, 1.0 + dot(r, svv) / g
    b = (dot(su, sv) + dot(r, suv)) / np.sqrt(e * g)
    a[blind[:, 0]], c[blind[:, 1]], b[blind.any(axis=1)] = 1.0, 1.0, 0.0
    value = 0.5 * (a + c) - np.hypot(0.5 * (a - c), b)
    turn = 0.5 * np.arctan2(2.0 * b, a - c) + 0.5 * np.pi
    way = np.column_stack([np.cos(turn) / np.sqrt(e), np.sin(turn) / np.sqrt(g)])
    way[blind] = 0.0
    return value, way


def _off_saddles(surface: Surface, points: np.ndarray, uv: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Parameters (n, 2), those from where the distance bends down replaced by nearer ones beside them, if there are."""
    s, *rest = surface.evaluate(uv, 2)
    away = s - points
    least, way = least_bend((away, *rest))
    best, out = lengths(away), uv.copy()
    way[least >= 0] = 0.0
    way *= best[:, None]
    for part in (*_PUSHES, *(-push for push in _PUSHES)):
        trial = np.clip(uv + part * way, low, high)
        distance = lengths(surface.evaluate(trial, 1)[0] - points)
        nearer = distance < best
        best, out = np.where(nearer, distance, best), np.where(nearer[:, None], trial, out)
    return out


def _step(
    here: Derivatives, points: np.ndarray, uv: np.ndarray, damping: np.ndarray, low: np.ndarray, high: np.ndarray
) -> np.ndarray:
    """Step (n, 2), in lengths along the surface first, so that damping (n,) has no unit."""
    s, su, sv, suu, suv, svv = here
    r, e, g = s - points, dot(su, su), dot(sv, sv)
    gradient = np.column_stack([dot(r, su), dot(r, sv)])
    held = np.column_stack([e <= BLIND * g, g <= BLIND * e])
    held |= (uv <= low) & (gradient > 0) | (uv >= high) & (gradient < 0)
    speed = np.sqrt(np.maximum(np.column_stack([e, g]), 1e-200))
    gu, gv = (gradient / speed).T
    a, c = 1.0 + dot(r, suu) / speed[:, 0] ** 2, 1.0 + dot(r, svv) / speed[:, 1] ** 2
    b = (dot(su, sv) + dot(r, suv)) / (speed[:, 0] * speed[:, 1])
    b[held.any(axis=1)] = 0.0  # each parameter alone
    shift = np.maximum(_CONVEX - (0.5 * (a + c) - np.hypot(0.5 * (a - c), b)), 0.0) + damping
    a, c = a + shift, c + shift
    step = np.column_stack([b * gv - c * gu, b * gu - a * gv]) / ((a * c - b * b)[:, None] * speed)
    step[held] = 0.0
    return step
