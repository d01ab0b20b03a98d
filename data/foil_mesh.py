"""The demo part "foil" as one closed triangle mesh, made from its exact shape. All of it is invented.

Neighbouring faces share the same boundary points, so that the pieces join without gaps: equal coordinates are
one vertex.
"""

from __future__ import annotations

import numpy as np
from foil_shape import BASE, BORE, HEIGHT, SLOT, skin, skin_distance, skin_normal
from scipy.spatial import Delaunay, cKDTree

ROUND = 180  # facets round the skin, per strip
UP = 52  # strips up the wing
BORE_SIDES = 180
SLOT_SIDES = 60  # per half cylinder
LEVELS = 4  # strips down the sides, the bore and the slot
DECIMALS = 4  # of every coordinate of the mesh [mm]

FACES = (
    "skin",
    "trailing_edge",
    "tip",
    "base_top",
    "base_bottom",
    "side_front",
    "side_right",
    "side_back",
    "side_left",
    "bore",
    "slot",
)


def _graded(step: np.ndarray, count: int) -> np.ndarray:
    """(count + 1,) parameters in [0, 1] with steps in proportion to `step`, which is sampled evenly over [0, 1]."""
    density = 1.0 / step
    total = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    return np.round(np.interp(np.linspace(0.0, 1.0, count + 1), total / total[-1], np.linspace(0.0, 1.0, len(step))), 6)


def skin_parameters() -> tuple[np.ndarray, np.ndarray]:
    """Parameters u (ROUND + 1,) and v (UP + 1,) of the mesh lines on the skin, closer where it is more curved.

    A chord of parameter length h leaves the surface by h^2 |S'' . n| / 8: steps go with 1 / sqrt |S'' . n|.
    """
    u, v = np.linspace(0.0, 1.0, 1001), np.linspace(0.0, 1.0, 201)
    grid_u, grid_v = np.meshgrid(u, v[::10], indexing="ij")
    bend = np.abs((skin(grid_u, grid_v, 2, 0) * skin_normal(grid_u, grid_v)).sum(axis=-1)).max(axis=1)
    # A floor under the bend keeps every facet shorter than a few millimetres.
    step_u = 1.0 / np.sqrt(bend + 0.1 * bend.mean())
    grid_u, grid_v = np.meshgrid(u[::10], v, indexing="ij")
    bend = np.abs((skin(grid_u, grid_v, 0, 2) * skin_normal(grid_u, grid_v)).sum(axis=-1)).max(axis=0)
    step_v = 1.0 / np.sqrt(bend + 0.5 * bend.mean())
    return _graded(step_u, ROUND), _graded(step_v, UP)


def _strip(rows: np.ndarray) -> np.ndarray:
    """(k, 3, 3) facets between neighbouring rows (r, c, 3) of points; seen from outside, columns run right, rows up."""
    a, b, c, d = rows[:-1, :-1], rows[:-1, 1:], rows[1:, 1:], rows[1:, :-1]
    # Of the two diagonals the shorter one.
    swap = (np.linalg.norm(a - c, axis=-1) > np.linalg.norm(b - d, axis=-1))[..., None, None]
    first = np.where(swap, np.stack([a, b, d], axis=-2), np.stack([a, b, c], axis=-2))
    second = np.where(swap, np.stack([b, c, d], axis=-2), np.stack([a, c, d], axis=-2))
    return np.concatenate([first, second], axis=2).reshape(-1, 3, 3)


def _wall(loop: np.ndarray, closed: bool = True) -> np.ndarray:
    """(k, 3, 3) facets of a vertical wall through the base over a (n, 2) path; outside is on the right of the path."""
    path = np.concatenate([loop, loop[:1]]) if closed else loop
    z = np.linspace(-BASE[2], 0.0, LEVELS + 1)
    rows = np.empty((len(z), len(path), 3))
    rows[..., :2], rows[..., 2] = path, z[:, None]
    return _strip(rows)


def _inside(points: np.ndarray, loop: np.ndarray) -> np.ndarray:
    """(n,) whether the points (n, 2) lie inside a closed loop (m, 2): crossings of a ray, counted."""
    (x0, y0), (x1, y1) = loop.T, np.roll(loop, -1, axis=0).T
    px, py = points[:, :1], points[:, 1:]
    straddles = (y0 > py) != (y1 > py)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = straddles & (px < x0 + (py - y0) / (y1 - y0) * (x1 - x0))
    return crossing.sum(axis=1) % 2 == 1


def _flat(loops: list[np.ndarray], z: float, up: bool, spacing: float) -> np.ndarray:
    """(k, 3, 3) facets of a plane face at height z: inside the first loop, outside the others.

    Delaunay triangles of the boundary and of quasi-random inner points (no ties, so the same triangles everywhere); the
    boundary is sampled finely enough to come out as edges, which the closed mesh proves.
    """
    border = np.concatenate(loops)
    low, size = loops[0].min(axis=0), np.ptp(loops[0], axis=0)
    count = int(size.prod() / (0.8 * spacing**2))
    golden = 1.32471795724474602596  # root of x^3 = x + 1: evenly spread points in the plane
    inner = low + size * ((0.5 + np.arange(1, count + 1)[:, None] / np.array([golden, golden**2])) % 1.0)
    inner = np.round(inner, DECIMALS)

    def within(points: np.ndarray) -> np.ndarray:
        return np.logical_xor.reduce([_inside(points, loop) for loop in loops])

    clear = cKDTree(border).query(inner)[0] > 0.6 * spacing
    points = np.concatenate([border, inner[clear & within(inner)]])
    facets = Delaunay(points).simplices
    facets = facets[within(points[facets].mean(axis=1))]
    corner = points[facets]
    edge_1, edge_2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    turned = (edge_1[:, 0] * edge_2[:, 1] - edge_1[:, 1] * edge_2[:, 0] > 0.0) != up
    corner[turned] = corner[turned][:, ::-1]
    return np.concatenate([corner, np.full((*corner.shape[:2], 1), z)], axis=-1)


def _arc(x: float, y: float, radius: float, start: float, sweep: float, sides: int) -> np.ndarray:
    """(sides + 1, 2) points on an arc; angles in degrees."""
    angle = np.radians(start + sweep * np.arange(sides + 1) / sides)
    return np.round(np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=-1), DECIMALS)


def build() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Build the mesh of the whole part.

    Returns
    -------
    vertices : (n, 3) float
        [mm], rounded to DECIMALS, sorted.
    facets : (k, 3) int
        Counter-clockwise seen from outside.
    facet_face : (k,) int
        Index into FACES.
    """
    u, v = skin_parameters()
    wing = np.round(skin(*np.meshgrid(u, v, indexing="xy")), DECIMALS)  # (UP + 1, ROUND + 1, 3)
    wing[0, :, 2], wing[-1, :, 2] = 0.0, HEIGHT
    length, width, _ = BASE
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array([length, width]) / 2.0
    sides = [np.linspace(corners[i], corners[(i + 1) % 4], n + 1) for i, n in enumerate((20, 13, 20, 13))]
    outline = np.concatenate([side[:-1] for side in sides])
    bore = _arc(*BORE, 0.0, 360.0, BORE_SIDES)[:-1]
    left, right, middle, radius = SLOT
    flat = np.round(np.linspace(left, right, 11)[1:-1], DECIMALS)
    slot = np.concatenate(
        [
            _arc(right, middle, radius, -90.0, 180.0, SLOT_SIDES),
            np.stack([flat[::-1], np.full_like(flat, middle + radius)], axis=-1),
            _arc(left, middle, radius, 90.0, 180.0, SLOT_SIDES),
            np.stack([flat, np.full_like(flat, middle - radius)], axis=-1),
        ]
    )
    pieces = {
        "skin": _strip(wing),
        "trailing_edge": _strip(wing[:, [-1, 0]]),
        "tip": _flat([wing[-1, :, :2]], HEIGHT, True, 3.0),
        "base_top": _flat([outline, wing[0, :, :2], bore, slot], 0.0, True, 5.0),
        "base_bottom": _flat([outline, bore, slot], -BASE[2], False, 5.0),
        "bore": _wall(bore[::-1]),
        "slot": _wall(slot[::-1]),
    }
    for name, side in zip(("side_front", "side_right", "side_back", "side_left"), sides, strict=True):
        pieces[name] = _wall(side, closed=False)
    corners_of_all = np.concatenate([pieces[name] for name in FACES])
    facet_face = np.repeat(np.arange(len(FACES)), [len(pieces[name]) for name in FACES])
    whole = np.round(corners_of_all.reshape(-1, 3) * 10**DECIMALS).astype(np.int64)
    unique, index = np.unique(whole, axis=0, return_inverse=True)
    facets = index.reshape(-1, 3)
    first = facets.argmin(axis=1)[:, None]
    facets = np.take_along_axis(facets, (first + np.arange(3)) % 3, axis=1)
    order = np.lexsort((facets[:, 2], facets[:, 1], facets[:, 0], facet_face))
    return unique / 10**DECIMALS, facets[order], facet_face[order]


def chord_error(vertices: np.ndarray, facets: np.ndarray, facet_face: np.ndarray) -> float:
    """Largest distance of the skin's facets from the exact skin [mm], sampled at 15 points of every facet."""
    weights = np.array([[i, j, 4 - i - j] for i in range(5) for j in range(5 - i)]) / 4.0
    points = (weights @ vertices[facets[facet_face == FACES.index("skin")]]).reshape(-1, 3)
    return float(np.abs(skin_distance(points)).max())
