"""Touches of invented elements, with or without form error, for the tests of this folder."""

from __future__ import annotations

import numpy as np

KINDS = (
    *("point", "line2", "line", "plane", "circle2", "circle", "sphere", "cylinder", "cone", "torus"),
    *("ellipse2", "slot2", "width"),
)
RADIAL = ("circle2", "circle", "sphere", "cylinder", "width")


def turned(rng: np.random.Generator) -> np.ndarray:
    """A random rotation (3, 3)."""
    frame = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    return frame * np.sign(np.linalg.det(frame))


def surface(kind: str, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) spread all over an element of some 10 mm, and its outward unit normals, in its own frame."""
    t = 2 * np.pi * (np.arange(n) + rng.uniform(0, 0.5, n)) / n
    v = rng.permutation(np.linspace(-1, 1, n))
    zero, cos, sin = np.zeros(n), np.cos(t), np.sin(t)
    flat, up = np.column_stack([cos, sin, zero]), np.column_stack([zero, zero, zero + 1])
    if kind == "point":
        return np.zeros((n, 3)), up
    if kind == "line2":
        return np.column_stack([15 * v, zero, zero]), np.tile([0.0, 1.0, 0.0], (n, 1))
    if kind == "line":
        return 15 * v[:, None] * up, flat
    if kind == "plane":
        return np.column_stack([12 * cos, 20 * v, zero]), up
    if kind in ("circle2", "circle"):
        return 10 * flat, flat
    if kind == "sphere":
        normal = np.column_stack([np.sqrt(1 - 0.9 * v * v) * cos, np.sqrt(1 - 0.9 * v * v) * sin, np.sqrt(0.9) * v])
        return 10 * normal, normal
    if kind == "cylinder":
        return 10 * flat + 15 * v[:, None] * up, flat
    if kind == "cone":
        psi = 0.35
        along = 30 + 12 * v
        normal = np.cos(psi) * flat - np.sin(psi) * up
        return along[:, None] * (np.sin(psi) * flat + np.cos(psi) * up), normal
    if kind == "torus":
        s = 2 * np.pi * rng.permutation(n) / n
        normal = np.cos(s)[:, None] * flat + np.sin(s)[:, None] * up
        return 30 * flat + 8 * normal, normal
    if kind == "ellipse2":
        normal = flat * [6, 10, 0]
        return flat * [10, 6, 0], normal / np.linalg.norm(normal, axis=1)[:, None]
    if kind == "slot2":
        straight = np.arange(n) % 2 == 0
        normal = np.where(straight[:, None], np.sign(sin)[:, None] * [0, 1, 0], flat)
        middle = np.where(straight, 9 * v, np.sign(cos) * 10)
        return 5 * normal + middle[:, None] * [1.0, 0, 0], normal
    side = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    return np.column_stack([12 * cos, 20 * v, 7.5 * side]), side[:, None] * up


def touches(kind: str, n: int = 40, *, noise: float = 0.02, seed: int = 0, ball: float = 0.0) -> np.ndarray:
    """Touches (n, 3) or (n, 2) of an element placed at random, with even noise along normals, a ball's radius out."""
    rng = np.random.default_rng(seed)
    points, normals = surface(kind, n, rng)
    points = points + normals * (rng.uniform(-noise, noise, size=(n, 1)) + ball)
    if kind == "point":
        points = rng.normal(scale=noise, size=(n, 3))
    if kind.endswith("2"):
        angle = rng.uniform(-3, 3)
        frame = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        return points[:, :2] @ frame.T + rng.uniform(-50, 50, 2)
    return points @ turned(rng).T + rng.uniform(-50, 50, 3)


def methods_of(kind: str) -> tuple[str, ...]:
    """The methods that are defined for a kind."""
    found = ("least_squares",)
    if kind != "point":
        found += ("minimum_zone",)
    if kind in RADIAL:
        found += ("maximum_inscribed", "minimum_circumscribed")
    if kind in ("plane", "line2"):
        found += ("tangent",)
    return found


EVERY = [(kind, method) for kind in KINDS for method in methods_of(kind)]
