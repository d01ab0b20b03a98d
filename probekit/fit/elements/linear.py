"""Elements that are flat: narrowest zones and tangent planes, exactly, from convex hulls.

The width of points (or the larger of the widths of two groups) along a unit normal n is the largest n . d over the
differences d within a group: the support function of a polytope about the origin. Its least value is the distance of
the nearest facet. Facets of the hull of differences are the antipodal vertex-facet and edge-edge pairs of the hull of
the points (M. E. Houle, G. T. Toussaint, Computing the width of a set, IEEE Trans. PAMI 10 (1988) 761-765, from
memory).
"""

from __future__ import annotations

import numpy as np

from ...errors import TouchesError
from .minimax import Found
from .shapes import Kind, State, unit_frame
from .starts import frame_in_plane, principal_axes

__all__ = ["active_rows", "difference_normals", "narrowest", "tangent", "zone_of_planes"]


def active_rows(gap: np.ndarray, form: float) -> tuple[int, ...]:
    """Rows whose gap (n,) to what they fix is zero, up to rounding."""
    return tuple(int(row) for row in np.nonzero(gap <= 1e-7 * form + 1e-13)[0])


def difference_normals(groups: list[np.ndarray]) -> np.ndarray:
    """Normals (m, d) of the facets of the hull of all differences within groups of points (h, d).

    The differences are stretched to a round cloud first, which changes no facet but lets thin ones be told apart.
    """
    from scipy.spatial import ConvexHull

    spread = np.vstack([group - group.mean(axis=0) for group in groups])
    _, axes, width = principal_axes(spread)
    axes = axes.T
    if width[-1] <= 1e-14 * width[0]:
        return axes[[-1]]
    stretch = axes.T / width
    differences = np.vstack([(g[:, None, :] - g[None, :, :]).reshape(-1, g.shape[1]) @ stretch for g in groups])
    normals = ConvexHull(differences).equations[:, :-1] @ stretch.T
    return normals / np.linalg.norm(normals, axis=1)[:, None]


def narrowest(groups: list[np.ndarray]) -> tuple[np.ndarray, float, float]:
    """Unit normal along which the widest of some groups of points is narrowest.

    Parameters
    ----------
    groups : list of (n, d) float

    Returns
    -------
    normal : (d,) float
    width : float
        Along that normal, of the widest group.
    bound : float
        No normal has a smaller width than this.

    Notes
    -----
    The exact answer for a few points of each group is a lower bound for all; the points that stick out most along
    it are added until none sticks out.
    """
    d = groups[0].shape[1]
    pooled = np.vstack([group - group.mean(axis=0) for group in groups])
    axes = principal_axes(pooled)[1].T
    looks = np.vstack([axes, axes[:1] + axes[1:2], axes[:1] - axes[1:2]])
    chosen = [set((g @ looks.T).argmax(axis=0)) | set((g @ looks.T).argmin(axis=0)) for g in groups]
    while True:
        few = [group[sorted(rows)] for group, rows in zip(groups, chosen, strict=True)]
        normals = difference_normals(few)
        widths = np.max([np.ptp(group @ normals.T, axis=0) for group in few], axis=0)
        normal, bound = normals[np.argmin(widths)], float(widths.min())
        heights = [group @ normal for group in groups]
        width = float(max(np.ptp(height) for height in heights))
        before = sum(map(len, chosen))
        for rows, height in zip(chosen, heights, strict=True):
            rows |= {int(height.argmax()), int(height.argmin())}
        if width <= bound * (1 + 1e-12) + 1e-15 or sum(map(len, chosen)) == before:
            return normal.reshape(d), width, min(bound, width)


def zone_of_planes(kind: Kind, points: np.ndarray, first: State, offset: float) -> Found:
    """Minimum zone of a line2, plane or width: global.

    Parameters
    ----------
    kind : Kind
    points : (n, 3) float
        Centred and scaled.
    first : State
        Least-squares element: gives the outer side, and which touches lie on which side of a width.
    offset : float
        Distance at which the touches lie from the element.
    """
    if kind.name == "width":
        outer = first.local(points)[:, 2] > 0
        if outer.all() or not outer.any():
            raise TouchesError("a width needs touches on both sides")
        normal, width, bound = narrowest([points[outer], points[~outer]])
        if normal @ first.rotation[:, 2] < 0:
            normal = -normal
        height = points @ normal
        upper, lower = (0.5 * (height[side].max() + height[side].min()) for side in (outer, ~outer))
        state = State(0.5 * (upper + lower) * normal, unit_frame(normal), np.array([upper - lower - 2 * offset]))
        off = np.where(outer, height - upper, lower - height)
    else:
        column = 0 if kind.name == "line2" else 2
        normal, width, bound = narrowest([points[:, : kind.dims]])
        normal = np.append(normal, np.zeros(3 - kind.dims))
        if normal @ first.rotation[:, column] < 0:
            normal = -normal
        height = points @ normal
        middle = 0.5 * (height.max() + height.min())
        frame = unit_frame(normal) if kind.name == "plane" else frame_in_plane(np.arctan2(normal[1], normal[0]))
        state = State((middle - offset) * normal, frame, np.zeros(0))
        off = height - middle
    return Found(state, active_rows(0.5 * width - np.abs(off), width), width - bound)


def tangent(kind: Kind, points: np.ndarray, first: State, offset: float, method: str) -> Found:  # noqa: ARG001
    """The plane or line2 of least squares among those that have all touches on the material side: global.

    Notes
    -----
    Constrained least-squares external plane, as ASME Y14.5.1 and ISO 5459 have it (from memory). With C the scatter of
    the points about their mean m, and h(n) the largest n . p, the sum of squares for a unit normal n is
    n C n + N (h(n) - n m)^2. Where a vertex v of the hull gives h, that is a quadratic form; so the least value lies at
    an eigenvector for a vertex, at one within the plane across an edge, or at the normal of a facet. All are tried, and
    each is judged by its true sum, so no candidate can be better than it looks.
    """
    from scipy.spatial import ConvexHull

    d, n = kind.dims, len(points)
    column = 0 if kind.name == "line2" else 2
    facing = first.rotation[:d, column]
    flat = points[:, :d]
    mean = flat.mean(axis=0)
    centred = flat - mean
    _, width, axes = np.linalg.svd(centred, full_matrices=False)
    if width[-1] <= 1e-13 * width[0]:
        candidates = facing[None, :]
    else:
        stretch = axes.T / width
        hull = ConvexHull(centred @ stretch)
        vertices = centred[hull.vertices]
        scatter = centred.T @ centred
        forms = scatter + n * np.einsum("vi,vj->vij", vertices, vertices)
        found = [hull.equations[:, :-1] @ stretch.T, np.linalg.eigh(forms)[1][:, :, 0]]
        if d == 3:
            pairs = hull.simplices[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
            pairs = np.unique(np.sort(pairs, axis=1), axis=0)
            edges = centred[pairs[:, 1]] - centred[pairs[:, 0]]
            across = np.array([unit_frame(edge)[:, :2] for edge in edges])
            ends = centred[pairs[:, 0]]
            forms = scatter + n * np.einsum("vi,vj->vij", ends, ends)
            least = np.linalg.eigh(np.einsum("eia,eij,ejb->eab", across, forms, across))[1][:, :, 0]
            found.append(np.einsum("eia,ea->ei", across, least))
        candidates = np.vstack(found)
        candidates /= np.linalg.norm(candidates, axis=1)[:, None]
        candidates *= np.where(candidates @ facing < 0, -1.0, 1.0)[:, None]
    heights = centred @ candidates.T
    sums = np.sum((heights.max(axis=0) - heights) ** 2, axis=0)
    best = int(np.argmin(sums))
    normal = candidates[best]
    height = heights[:, best]
    level = float(height.max() + mean @ normal)
    normal = np.append(normal, np.zeros(3 - d))
    frame = unit_frame(normal) if d == 3 else frame_in_plane(np.arctan2(normal[1], normal[0]))
    state = State((level - offset) * normal, frame, np.zeros(0))
    return Found(state, active_rows(height.max() - height, float(np.ptp(height))), 0.0)
