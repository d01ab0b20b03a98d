"""The demo part "foil" as it was made, and the touches taken from it. All of it is invented.

The as-made skin is the exact nominal skin moved along its own outward normal by a smooth field (`displacement`); the
other faces are perfect. The whole part then sits in the machine moved by `MOTION`. The probe drives along the outward
normal of each target and triggers where its ball meets the as-made surface.
"""

from __future__ import annotations

import numpy as np
from foil_shape import BORE, HEIGHT, SLOT, skin, skin_normal
from scipy.optimize import brentq, root
from scipy.spatial.transform import Rotation

SHIFT = (0.180, -0.120, 0.060)  # of the part in the machine, nominal -> program frame [mm]
TURN = (0.030, -0.020, 0.080)  # rotation vector about the part's origin, nominal -> program frame [degree]
OFFSET = 0.030  # left on the whole skin by a worn cutter [mm]
GOUGE = {"centre": (-7.8, 60.0), "depth": 0.16, "radius": 8.0}  # x and z on the pressure side, depth, radius [mm]
RIDGE = {"height": 0.11, "z": (3.0, 8.0), "x_full": (7.0, 20.0), "x_any": (-6.0, 36.5)}  # on the suction side [mm]
BALL_RADIUS = 2.991  # effective, from qualification [mm]
NOISE = 0.002  # standard deviation of the trigger along the approach [mm]
SEED = 7  # chosen so that the noise is unremarkable: see README.md
MISSED = 111  # this touch never triggered
ROWS = ((6.0, 9), (23.0, 8), (41.0, 8), (60.0, 8), (77.0, 7), (94.0, 6))  # z of each row of touches, touches per side


def motion() -> np.ndarray:
    """(4, 4) where the part really sits: nominal -> program frame [mm]."""
    moved = np.eye(4)
    moved[:3, :3] = Rotation.from_rotvec(TURN, degrees=True).as_matrix()
    moved[:3, 3] = SHIFT
    return moved


def _bump(t: np.ndarray) -> np.ndarray:
    """Smooth hill of height 1 over |t| < 1, with two continuous derivatives: (1 - t^2)^3."""
    return np.clip(1.0 - np.square(t), 0.0, None) ** 3


def gouge_centre() -> np.ndarray:
    """(3,) deepest point of the gouge, on the nominal skin [mm]."""
    x, z = GOUGE["centre"]
    u = np.linspace(0.5, 1.0, 2001)
    line = skin(u, z / HEIGHT)
    return skin(np.interp(x, line[:, 0], u), z / HEIGHT)


_GOUGE_CENTRE = gouge_centre()


def displacement(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """(...) material left on (+) or missing (-) along the outward normal of the skin [mm]."""
    point = skin(u, v)
    suction = np.asarray(u) < 0.5
    gouge = GOUGE["depth"] * _bump(np.linalg.norm(point - _GOUGE_CENTRE, axis=-1) / GOUGE["radius"])
    low, high = RIDGE["z"]
    up = _bump((point[..., 2] - 0.5 * (low + high)) / (0.5 * (high - low)))
    (x_0, x_3), (x_1, x_2) = RIDGE["x_any"], RIDGE["x_full"]
    x = point[..., 0]
    along = _bump(np.clip((x_1 - x) / (x_1 - x_0), 0.0, None)) * _bump(np.clip((x - x_2) / (x_3 - x_2), 0.0, None))
    return OFFSET + np.where(suction, RIDGE["height"] * up * along, -gouge)


def made(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """(..., 3) point of the as-made skin, in the part frame [mm]."""
    return skin(u, v) + displacement(u, v)[..., None] * skin_normal(u, v)


def made_normal(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """(..., 3) outward unit normal of the as-made skin, from central differences."""
    h = 1e-5
    normal = np.cross(made(u + h, v) - made(u - h, v), made(u, v + h) - made(u, v - h))
    return normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def _skin_targets() -> np.ndarray:
    """(n, 2) parameters u, v of the targets on the skin: both sides in rows, each row even in arc length."""
    targets = []
    for first, last in ((0.5, 0.0), (0.5, 1.0)):  # from the leading edge to the trailing edge: suction, pressure side
        for row, (z, count) in enumerate(ROWS):
            u = np.linspace(first, last, 2001)
            length = np.linalg.norm(np.diff(skin(u, z / HEIGHT), axis=0), axis=1).cumsum()
            place = np.linspace(2.5, length[-1] - 6.5, count)
            place[1:-1] += (-1.0) ** row * 1.5  # staggered
            if row % 2:  # there and back
                place = place[::-1]
            targets.append(np.stack([np.interp(place, length, u[1:]), np.full(count, z / HEIGHT)], axis=-1))
    return np.concatenate(targets)


_BASE_TARGETS = ((-62, -37), (-22, -38), (22, -38), (62, -37), (63, -8), (62, 13), (62, 38), (12, 39), (-22, 38),
                 (-62, 39), (-63, 4), (-10, 24))  # fmt: skip


def targets() -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    """Where the program asks for touches.

    Returns
    -------
    features : list of str
        Face names.
    points, normals : (120, 3) float
        As written in the program: 4 and 6 decimals [mm].
    parameters : (120, 2) float
        u, v on the skin; NaN elsewhere.
    """
    features, points, normals = ["base_top"] * 12 + ["bore"] * 8 + ["slot"] * 8, [], []
    for x, y in _BASE_TARGETS:
        points.append((x, y, 0.0))
        normals.append((0.0, 0.0, 1.0))
    x, y, radius = BORE
    for count in range(8):
        angle = np.radians(90 * (count % 4) + (15 if count < 4 else 60))
        points.append((x + radius * np.cos(angle), y + radius * np.sin(angle), -5.0 if count < 4 else -15.0))
        normals.append((-np.cos(angle), -np.sin(angle), 0.0))
    left, right, y, radius = SLOT
    for x, side, z in ((20, -1, -6), (40, -1, -14), (40, 1, -6), (20, 1, -14)):
        points.append((x, y + side * radius, z))
        normals.append((0.0, -side, 0.0))
    for x, degrees, z in ((right, -40, -6), (right, 40, -14), (left, 140, -6), (left, 220, -14)):
        angle = np.radians(degrees)
        points.append((x + radius * np.cos(angle), y + radius * np.sin(angle), z))
        normals.append((-np.cos(angle), -np.sin(angle), 0.0))
    on_skin = _skin_targets()
    features += ["skin"] * len(on_skin)
    points = np.concatenate([points, skin(*on_skin.T)])
    normals = np.concatenate([normals, skin_normal(*on_skin.T)])
    parameters = np.concatenate([np.full((28, 2), np.nan), on_skin])
    return features, np.round(points, 4) + 0.0, np.round(normals, 6) + 0.0, parameters


def _travel(feature: str, point: np.ndarray, normal: np.ndarray, start: np.ndarray) -> float:
    """Distance of the ball's centre from the target along its normal at contact [mm]; all in the part frame."""
    radius = BALL_RADIUS
    if feature == "base_top":
        return (radius - point[2]) / normal[2]
    if feature == "skin":

        def gap(unknown: np.ndarray) -> np.ndarray:
            u, v, s = unknown
            return made(u, v) + radius * made_normal(u, v) - point - s * normal

        found = root(gap, [*start, radius], tol=1e-13)
        if np.abs(gap(found.x)).max() > 1e-9:
            raise ArithmeticError(f"no contact found for the target at {point}")
        return float(found.x[2])

    def beyond(s: float) -> float:  # how much closer than the ball's radius the wall is
        x, y = (point + s * normal)[:2]
        if feature == "bore":
            return np.hypot(x - BORE[0], y - BORE[1]) - (BORE[2] - radius)
        return np.hypot(x - np.clip(x, SLOT[0], SLOT[1]), y - SLOT[2]) - (SLOT[3] - radius)

    return brentq(beyond, radius - 1.0, radius + 1.0, xtol=1e-13)


def touches() -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    """Take the touches.

    Returns
    -------
    features : list of str
    points, normals : (120, 3) float
        The targets, as `targets` gives them.
    centres : (120, 3) float
        Centre of the ball at the trigger, in the program frame, 4 decimals [mm]; NaN where it never triggered.
    """
    features, points, normals, parameters = targets()
    inverse = np.linalg.inv(motion())
    own_points = points @ inverse[:3, :3].T + inverse[:3, 3]  # the program's lines, seen from the part
    own_normals = normals @ inverse[:3, :3].T
    noise = np.random.default_rng(SEED).normal(0.0, NOISE, len(features))
    travel = np.array([_travel(*line) for line in zip(features, own_points, own_normals, parameters, strict=True)])
    centres = np.round(points + (travel + noise)[:, None] * normals, 4) + 0.0
    centres[MISSED - 1] = np.nan
    return features, points, normals, centres
