"""Small meshes of our own for tests, plain arrays: vertices (v, 3) [mm], facets (f, 3), normals outward."""

from __future__ import annotations

import numpy as np

__all__ = ["box", "cylinder", "grid", "l_shape", "moved", "slot", "sphere", "split_box", "wedge"]

Mesh = tuple[np.ndarray, np.ndarray]


def _prism(outline: np.ndarray, cap: np.ndarray, height: float) -> Mesh:
    """Prism from z = 0 to `height` over a counter-clockwise outline (n, 2) cut into triangles `cap` (m, 3)."""
    n = len(outline)
    vertices = np.vstack([np.column_stack([outline, np.full(n, z)]) for z in (0.0, height)])
    here = np.arange(n)
    ahead = np.roll(here, -1)
    sides = np.vstack([np.column_stack([here, ahead, ahead + n]), np.column_stack([here, ahead + n, here + n])])
    return vertices, np.vstack([cap[:, ::-1], cap + n, sides])


def box(x: float = 100.0, y: float = 60.0, z: float = 20.0) -> Mesh:
    """Box from the origin; 8 vertices, 12 facets."""
    return _prism(np.array([[0, 0], [x, 0], [x, y], [0, y]], dtype=float), np.array([[0, 1, 2], [0, 2, 3]]), z)


def l_shape() -> Mesh:
    """L of 40 x 40 x 10 mm with arms 15 mm wide: one concave edge, 8 faces."""
    outline = np.array([[0, 0], [40, 0], [40, 15], [15, 15], [15, 40], [0, 40]], dtype=float)
    return _prism(outline, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]]), 10.0)


def slot(width: float = 8.0) -> Mesh:
    """Block with a slot along y, `width` wide and 12 mm deep, open above: centred on x = 0, its floor at z = 8."""
    w = width / 2
    outline = np.array([[-20, 0], [20, 0], [20, 20], [w, 20], [w, 8], [-w, 8], [-w, 20], [-20, 20]], dtype=float)
    cap = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [0, 4, 5], [0, 5, 7], [5, 6, 7]])
    vertices, facets = _prism(outline, cap, 50.0)
    return np.column_stack([vertices[:, 0], 50.0 - vertices[:, 2], vertices[:, 1]]), facets  # a turn about x


def wedge(angle: float, length: float = 50.0) -> Mesh:
    """Prism along z with a knife edge of `angle` [deg] at the origin, symmetric about x."""
    half = np.radians(angle / 2)
    outline = np.array([[0, 0], [30 * np.cos(half), -30 * np.sin(half)], [30 * np.cos(half), 30 * np.sin(half)]])
    return _prism(outline, np.array([[0, 1, 2]]), length)


def cylinder(radius: float = 10.0, height: float = 30.0, n: int = 48) -> Mesh:
    """Cylinder about z from z = 0."""
    turn = 2 * np.pi * np.arange(n) / n
    fan = np.column_stack([np.zeros(n - 2, dtype=int), np.arange(1, n - 1), np.arange(2, n)])
    return _prism(radius * np.column_stack([np.cos(turn), np.sin(turn)]), fan, height)


def sphere(radius: float = 20.0, level: int = 4) -> Mesh:
    """Icosahedron whose facets are cut in four `level` times, its vertices on the sphere."""
    import trimesh

    mesh = trimesh.creation.icosphere(subdivisions=level, radius=radius)
    return np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)


def grid(n: int = 8, size: float = 50.0, height: float = 3.0) -> Mesh:
    """Open sheet over [0, size]^2 with waves `height` high, its normals up."""
    line = np.linspace(0.0, size, n + 1)
    x, y = (a.ravel() for a in np.meshgrid(line, line, indexing="ij"))
    at = (np.arange(n)[:, None] * (n + 1) + np.arange(n)).ravel()
    quad = np.stack([at, at + n + 1, at + n + 2, at + 1], axis=1)
    z = height * np.sin(x / size * 5) * np.cos(y / size * 4)
    return np.column_stack([x, y, z]), np.vstack([quad[:, [0, 1, 2]], quad[:, [0, 2, 3]]])


def split_box() -> Mesh:
    """The box with a vertex in the middle of one edge on one side only, closed by a facet without area (T-junction)."""
    vertices, facets = box()
    top = (facets == [4, 5, 6]).all(axis=1)  # the facet of the top at the edge 4-5, which lies along x
    vertices = np.vstack([vertices, 0.5 * (vertices[4] + vertices[5])])
    return vertices, np.vstack([facets[~top], [[4, 8, 6], [8, 5, 6], [4, 5, 8]]])


def moved(vertices: np.ndarray, motion: np.ndarray) -> np.ndarray:
    """Points (n, 3) moved by a rigid motion (4, 4)."""
    return vertices @ motion[:3, :3].T + motion[:3, 3]
