"""The demo part "foil": its exact shape. All of it is invented.

This file is the definition of the part: the poles and knots of the skin, and the sizes of the base. Everything else
in this folder (mesh, as-made part, touches) is derived from it. Millimetres, z up; the part frame has its origin in
the middle of the base's top face.

On the skin, u runs round the section: 0 at the trailing edge on the suction side (+y), about 0.5 at the leading edge,
1 at the trailing edge on the pressure side (-y). v runs up the wing: z = 100 v (to 0.0001 mm), since the poles lie at
the Greville abscissae.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import NdBSpline
from scipy.spatial import cKDTree

HEIGHT = 100.0  # of the wing above the base [mm]
BASE = (140.0, 90.0, 20.0)  # length along x, width along y, thickness of the base; its top face is z = 0 [mm]
BORE = (-45.0, 26.0, 10.0)  # x and y of the axis, radius [mm]; right through the base
SLOT = (15.0, 45.0, 27.0, 5.0)  # x of the two arc centres, y of both, radius (half the width) [mm]; right through
TRAILING_WIDTH = 1.2  # of the blunt trailing edge [mm]

DEGREE = 3
_X = (1.0, 0.88, 0.68, 0.46, 0.25, 0.09, 0.0)  # section poles, trailing to leading edge, in chords
_H = (0.0, 0.157, 0.360, 0.489, 0.517, 0.397, 0.157)  # their half thickness, in section thicknesses
_ROWS = 7  # of poles up the wing


def _clamped(count: int) -> np.ndarray:
    """Clamped uniform knots on [0, 1] for `count` poles."""
    spans = count - DEGREE
    return np.concatenate([np.zeros(DEGREE), np.arange(spans + 1) / spans, np.ones(DEGREE)])


def _poles() -> np.ndarray:
    """(14, 7, 3) poles of the skin [mm], rounded to 0.0001 mm so that they can be handed on exactly."""
    x = np.array(_X + _X[::-1])
    side = np.repeat([1.0, -1.0], len(_X))
    half = np.array(_H + _H[::-1])
    knots = _clamped(_ROWS)
    rows = []
    for row in range(_ROWS):
        t = knots[row + 1 : row + 1 + DEGREE].mean()  # Greville abscissa
        chord = 80.0 - 35.0 * t**1.5
        thickness = 0.115 - 0.03 * t  # of the section, in chords
        along = (x - 0.35) * chord  # the section turns about the point at 35 % of the chord
        camber = 0.08 * x * (1.0 - x) * chord
        across = camber + side * (half * thickness * chord + 0.5 * TRAILING_WIDTH * x)
        twist = np.radians(8.0 * t)
        rows.append(
            np.stack(
                [
                    -12.0 + 4.0 * t + np.cos(twist) * along - np.sin(twist) * across,  # swept back a little
                    -10.0 + 10.0 * t**2 + np.sin(twist) * along + np.cos(twist) * across,  # bent sideways
                    np.full_like(x, HEIGHT * t),
                ],
                axis=-1,
            )
        )
    return np.round(np.stack(rows, axis=1), 4)


POLES = _poles()
KNOTS_U = _clamped(POLES.shape[0])
KNOTS_V = _clamped(POLES.shape[1])
_SPLINE = NdBSpline((KNOTS_U, KNOTS_V), POLES, DEGREE)


def skin(u: np.ndarray, v: np.ndarray, du: int = 0, dv: int = 0) -> np.ndarray:
    """(..., 3) point of the skin [mm], or its derivative of order `du`, `dv`, at parameters u, v in [0, 1]."""
    uv = np.stack(np.broadcast_arrays(u, v), axis=-1)
    return np.asarray(_SPLINE(uv, nu=(du, dv)))


def skin_normal(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """(..., 3) outward unit normal of the skin."""
    normal = np.cross(skin(u, v, 1, 0), skin(u, v, 0, 1))
    return normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def skin_distance(points: np.ndarray) -> np.ndarray:
    """(n,) signed distance of points (n, 3) from the nominal skin [mm], positive outside.

    Newton's method for the parameters of the foot, from the nearest point of a fine grid.
    """
    grid = np.stack(np.meshgrid(np.linspace(0.0, 1.0, 501), np.linspace(0.0, 1.0, 101)), axis=-1).reshape(-1, 2)
    u, v = grid[cKDTree(skin(*grid.T)).query(points)[1]].T
    for _ in range(8):
        gap = points - skin(u, v)
        along_u, along_v = skin(u, v, 1, 0), skin(u, v, 0, 1)
        e = (along_u * along_u - gap * skin(u, v, 2, 0)).sum(-1)
        f = (along_u * along_v - gap * skin(u, v, 1, 1)).sum(-1)
        g = (along_v * along_v - gap * skin(u, v, 0, 2)).sum(-1)
        p, q = (gap * along_u).sum(-1), (gap * along_v).sum(-1)
        u = np.clip(u + (g * p - f * q) / (e * g - f * f), 0.0, 1.0)
        v = np.clip(v + (e * q - f * p) / (e * g - f * f), 0.0, 1.0)
    gap = points - skin(u, v)
    return np.copysign(np.linalg.norm(gap, axis=-1), (gap * skin_normal(u, v)).sum(-1))
