"""Shapes shared by tests, as facet models in closed form. Lengths in mm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import trimesh

from probekit.nominal import Nominal

BOX_FACES = ("left", "right", "front", "back", "bottom", "top")  # -x +x -y +y -z +z


def grid(
    place: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]],
    u: np.ndarray,
    v: np.ndarray,
    *,
    skew: float = 0.0,
    closed: bool = False,
) -> Nominal:
    """One face over a grid of parameters; `skew` shears the grid, so that no edge runs along a symmetry of the shape.

    The outward normal is du x dv. `closed` joins the last row of u to the first (the last u is then left out).
    """
    un, vn = len(u) - (1 if closed else 0), len(v)
    uu, vv = np.meshgrid(u[:un], v, indexing="ij")
    points = np.stack(place(uu + skew * vv, vv), axis=-1).reshape(-1, 3)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(un if closed else un - 1), np.arange(vn - 1), indexing="ij"))
    a, b = i * vn + j, (i + 1) % un * vn + j
    facets = np.vstack([np.column_stack([a, b, b + 1]), np.column_stack([a, b + 1, a + 1])])
    return _model(points, facets)


def height_field(height: Callable[[np.ndarray, np.ndarray], np.ndarray], *, size: float = 60.0, n: int = 60) -> Nominal:
    """z = height(x, y) over a square about the origin; material below."""
    axis = np.linspace(-size / 2, size / 2, n + 1)
    return grid(lambda x, y: (x, y, height(x, y)), axis, axis)


def plane_patch(*, size: float = 60.0, n: int = 12) -> Nominal:
    """The square |x|, |y| <= size/2 of the plane z = 0; material below."""
    return height_field(lambda x, _y: np.zeros_like(x), size=size, n=n)


def saddle(*, size: float = 60.0, n: int = 80, bend: float = 60.0) -> Nominal:
    """A doubly curved patch without any symmetry of sliding or turning."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return (x**2 - 0.7 * y**2 + 0.5 * x * y) / (2 * bend) + x**3 / 8e3 - y**3 / 6e3

    return height_field(height, size=size, n=n)


def turned(
    radius: Callable[[np.ndarray], np.ndarray], *, height: float = 50.0, n: int = 120, skew: float = 0.01
) -> Nominal:
    """Surface of revolution about z, without caps: r = radius(z), 0 <= z <= height."""
    return grid(
        lambda a, z: (radius(z) * np.cos(a), radius(z) * np.sin(a), z),
        np.linspace(0, 2 * np.pi, n + 1),
        np.linspace(0, height, n // 2 + 1),
        skew=skew,
        closed=True,
    )


def cylinder(*, radius: float = 15.0, height: float = 50.0, n: int = 120) -> Nominal:
    """Cylinder about z, without caps."""
    return turned(lambda z: np.full_like(z, radius), height=height, n=n)


def cone(*, radius: float = 20.0, height: float = 50.0, n: int = 120) -> Nominal:
    """Cone about z that narrows from `radius` at z = 0 to half of it, without caps."""
    return turned(lambda z: radius * (1 - z / (2 * height)), height=height, n=n)


def prism(*, height: float = 50.0, n: int = 160) -> Nominal:
    """A smooth closed profile without symmetry, drawn out along z, without caps."""

    def place(a: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        r = 20.0 * (1 + 0.2 * np.cos(2 * a + 0.3) + 0.08 * np.sin(3 * a))
        return r * np.cos(a), r * np.sin(a), z

    return grid(place, np.linspace(0, 2 * np.pi, n + 1), np.linspace(0, height, 41), skew=0.01, closed=True)


def ball(*, radius: float = 20.0, centre: tuple[float, float, float] = (0.0, 0.0, 0.0), finer: int = 5) -> Nominal:
    """Sphere of 20 * 4**finer facets, vertices on the sphere."""
    mesh = trimesh.creation.icosphere(subdivisions=finer, radius=radius)
    return _model(mesh.vertices + np.array(centre), mesh.faces)


def bumpy_ball(*, radius: float = 25.0, finer: int = 5) -> Nominal:
    """A closed smooth shape without symmetry: a sphere with low waves."""
    mesh = trimesh.creation.icosphere(subdivisions=finer, radius=1.0)
    x, y, z = mesh.vertices.T
    wave = 1 + 0.12 * x * y + 0.1 * z**3 - 0.08 * x * z + 0.06 * y**2 + 0.07 * x**3
    return _model(radius * wave[:, None] * mesh.vertices, mesh.faces)


def box(
    *, size: tuple[float, float, float] = (60.0, 40.0, 20.0), centre: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> Nominal:
    """Box of twelve facets; faces named `BOX_FACES`."""
    mesh = trimesh.creation.box(extents=size)
    normal = mesh.face_normals
    axis = np.abs(normal).argmax(axis=1)
    face = 2 * axis + (normal[np.arange(12), axis] > 0)
    return _model(mesh.vertices + np.array(centre), mesh.faces, face, BOX_FACES)


def sample(nominal: Nominal, n: int, rng: np.random.Generator, *, inner: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) spread evenly over the model and the unit normals (n, 3) of their facets.

    `inner` < 1 keeps them off the edges of the facets, as that part of the way from the centroid.
    """
    corner = nominal.vertices[nominal.facets]
    cross = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    double_area = np.linalg.norm(cross, axis=1)
    facet = rng.choice(len(corner), size=n, p=double_area / double_area.sum())
    weights = rng.dirichlet((1.0, 1.0, 1.0), size=n) * inner + (1.0 - inner) / 3.0
    return np.einsum("ik,ikc->ic", weights, corner[facet]), cross[facet] / double_area[facet, None]


def sample_box(nominal: Nominal, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """As `sample`, of a `box`: the same number on each face, in turn, clear of its edges by a tenth of each side."""
    centre, half = nominal.bounds.mean(axis=0), (nominal.bounds[1] - nominal.bounds[0]) / 2
    face = np.arange(n) % 6
    normals = np.zeros((n, 3))
    normals[np.arange(n), face // 2] = 2.0 * (face % 2) - 1.0
    unit = np.where(normals != 0, normals, rng.uniform(-0.8, 0.8, size=(n, 3)))
    return centre + half * unit, normals


def _model(
    vertices: np.ndarray,
    facets: np.ndarray,
    facet_face: np.ndarray | None = None,
    face_names: tuple[str, ...] = ("face",),
) -> Nominal:
    """A nominal as it is, without the warning that an open patch gets on loading."""
    face = np.zeros(len(facets)) if facet_face is None else facet_face
    return Nominal(np.array(vertices, dtype=float), np.array(facets, dtype=np.int64), face.astype(np.int32), face_names)
