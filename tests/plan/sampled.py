"""Distance of a probe to facets by brute force: points all over its surface, against every facet in turn.

Independent of `probekit.plan`: only the probe's sizes are taken from it. The distance of a point to a facet is that of
trimesh. The answer is never smaller than the true distance, and larger by at most half the
diagonal of the net of points.
"""

from itertools import pairwise

import numpy as np
from trimesh.triangles import closest_point

from probekit.plan import Probe


def outline_points(probe: Probe, step: float) -> np.ndarray:
    """Points (m, 3) on the surface of a probe without further tips, in probe coordinates, about `step` apart."""
    r, s = probe.ball_diameter / 2, probe.stem_diameter / 2
    low = np.linspace(-np.pi / 2, np.pi / 2, int(np.ceil(np.pi * r / step)) + 1)
    rings = [(r * np.cos(a), r * np.sin(a)) for a in low]
    corners = [(s, np.sqrt(r * r - s * s)), (s, probe.length)]
    if probe.body:
        corners += [(0.0, probe.length), *((d / 2, z) for z, d in probe.body), (0.0, probe.body[-1][0])]
    for (r0, z0), (r1, z1) in pairwise(corners):
        n = int(np.ceil(np.hypot(r1 - r0, z1 - z0) / step)) + 1
        rings += list(zip(np.linspace(r0, r1, n), np.linspace(z0, z1, n), strict=True))
    points = []
    for radius, z in rings:
        n = max(1, int(np.ceil(2 * np.pi * radius / step)))
        a = 2 * np.pi * np.arange(n) / n
        points.append(np.column_stack([radius * np.cos(a), radius * np.sin(a), np.full(n, z)]))
    return np.vstack(points)


def least(points: np.ndarray, corner: np.ndarray) -> float:
    """Least distance of points (m, 3) to facets (f, 3, 3)."""
    pairs = np.repeat(corner, len(points), axis=0), np.tile(points, (len(corner), 1))
    return float(np.linalg.norm(closest_point(*pairs) - pairs[1], axis=1).min())


def along(
    probe: Probe, corner: np.ndarray, start: np.ndarray, end: np.ndarray, frame: np.ndarray, *, step: float, stops: int
) -> float:
    """Least distance along a move, looked at in `stops` places."""
    own = outline_points(probe, step) @ frame.T
    return min(least(own + start + t * (end - start), corner) for t in np.linspace(0.0, 1.0, stops))
