"""The kinds of element, each as a distance in its own frame; the frame's motion gives every Jacobian.

A state is an origin, a rotation and a few sizes. In the frame's coordinates ``q = (p - origin) @ rotation`` a kind
is only its signed distance ``d(q, sizes)`` and the derivatives of that; since the frame moves rigidly,

    ====================================  ==========================
    small change                          change of d
    ====================================  ==========================
    origin along axis j of the frame      ``-grad[j]``
    frame about its axis j                ``(grad x q)[j]``
    a size                                ``d d / d size``
    ====================================  ==========================

so no kind is singular anywhere: directions are turned in their own tangent plane, a cylinder's axis moves across
itself, and a cone is given by its half angle and its distance from the origin, which stays finite from a flat cone to a
cylinder.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from ...geometry import across
from .ellipse import ellipse_distance

__all__ = ["KINDS", "Kind", "State", "derivatives", "distances", "recentre", "retract", "unit_frame", "unit_frames"]

#: (n, 3) local coordinates and sizes -> (n, m) distances, (n, m, 3) gradients, (n, m, k) derivatives by the sizes.
Distance = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Kind:
    """A kind of element: how many coordinates and touches it needs, what of its frame is free, and its distance.

    `size` is the index of the size that takes the ball (and that inscribed and circumscribed elements optimise),
    `share` how much of the distance one unit of it makes; `axis` the column of the frame that is its direction.
    """

    name: str
    distance: Distance
    dims: int
    translate: tuple[int, ...]
    rotate: tuple[int, ...]
    sizes: tuple[str, ...] = ()
    size: int | None = None
    share: float = 1.0
    axis: int = 2
    components: int = 1

    @property
    def free(self) -> int:
        """Number of independent parameters."""
        return len(self.translate) + len(self.rotate) + len(self.sizes)

    @property
    def needs(self) -> int:
        """Fewest touches that determine it."""
        return -(-self.free // self.components)


@dataclass(frozen=True, eq=False)
class State:
    """Where an element is: origin (3,), rotation (3, 3) whose columns are its axes, sizes (k,)."""

    origin: np.ndarray
    rotation: np.ndarray
    sizes: np.ndarray

    def local(self, points: np.ndarray) -> np.ndarray:
        """Points (n, 3) in the frame of the element."""
        return (points - self.origin) @ self.rotation


def _point(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return q, np.broadcast_to(np.eye(3), (len(q), 3, 3)), np.zeros((len(q), 3, len(sizes)))


def _along(axis: int) -> Distance:
    def flat(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        gradient = np.zeros((len(q), 1, 3))
        gradient[:, 0, axis] = 1.0
        return q[:, [axis]], gradient, np.zeros((len(q), 1, len(sizes)))

    return flat


def _line(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return q[:, :2], np.broadcast_to(np.eye(3)[:2], (len(q), 2, 3)), np.zeros((len(q), 2, len(sizes)))


def _rho(q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance from the third axis (n,) and its gradient (n, 3)."""
    rho = np.hypot(q[:, 0], q[:, 1])
    gradient = np.zeros_like(q)
    gradient[:, :2] = q[:, :2] / np.maximum(rho, 1e-300)[:, None]
    return rho, gradient


def _cylinder(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rho, gradient = _rho(q)
    return (rho - sizes[0])[:, None], gradient[:, None, :], np.full((len(q), 1, 1), -1.0)


def _circle(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rho, gradient = _rho(q)
    along = np.broadcast_to([0.0, 0.0, 1.0], gradient.shape)
    by_size = np.broadcast_to([[-1.0], [0.0]], (len(q), 2, 1))
    return np.column_stack([rho - sizes[0], q[:, 2]]), np.stack([gradient, along], axis=1), by_size


def _sphere(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    length = np.linalg.norm(q, axis=1)
    gradient = q / np.maximum(length, 1e-300)[:, None]
    return (length - sizes[0])[:, None], gradient[:, None, :], np.full((len(q), 1, 1), -1.0)


def _cone(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    half_angle, distance = sizes
    rho, gradient = _rho(q)
    cosine, sine = np.cos(half_angle), np.sin(half_angle)
    gradient = gradient * cosine
    gradient[:, 2] = -sine
    by_size = np.column_stack([-rho * sine - q[:, 2] * cosine, np.full(len(q), -1.0)])
    return (rho * cosine - q[:, 2] * sine - distance)[:, None], gradient[:, None, :], by_size[:, None, :]


def _torus(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rho, gradient = _rho(q)
    out, up = rho - sizes[0], q[:, 2]
    length = np.maximum(np.hypot(out, up), 1e-300)
    gradient = gradient * (out / length)[:, None]
    gradient[:, 2] = up / length
    by_size = np.column_stack([-out / length, np.full(len(q), -1.0)])
    return (length - sizes[1])[:, None], gradient[:, None, :], by_size[:, None, :]


def _ellipse(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    distance, normal, by_size = ellipse_distance(q[:, :2], sizes[0], sizes[1])
    gradient = np.zeros((len(q), 1, 3))
    gradient[:, 0, :2] = normal
    return distance[:, None], gradient, by_size[:, None, :]


def _slot(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    half = 0.5 * sizes[0]
    across = q * [1.0, 1.0, 0.0]
    across[:, 0] -= np.clip(q[:, 0], -abs(half), abs(half))
    length = np.linalg.norm(across, axis=1)
    gradient = across / np.maximum(length, 1e-300)[:, None]
    by_size = np.column_stack([-0.5 * np.abs(gradient[:, 0]), np.full(len(q), -1.0)])
    return (length - sizes[1])[:, None], gradient[:, None, :], by_size[:, None, :]


def _width(q: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    gradient = np.zeros((len(q), 1, 3))
    gradient[:, 0, 2] = np.where(q[:, 2] < 0, -1.0, 1.0)
    return (np.abs(q[:, 2]) - 0.5 * sizes[0])[:, None], gradient, np.full((len(q), 1, 1), -0.5)


_XY, _XYZ = (0, 1), (0, 1, 2)
KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("point", _point, 3, _XYZ, (), components=3),
        Kind("line2", _along(0), 2, (0,), (2,), axis=1),
        Kind("line", _line, 3, _XY, _XY, components=2),
        Kind("plane", _along(2), 3, (2,), _XY),
        Kind("circle2", _cylinder, 2, _XY, (), ("radius",), 0),
        Kind("circle", _circle, 3, _XYZ, _XY, ("radius",), 0, components=2),
        Kind("sphere", _sphere, 3, _XYZ, (), ("radius",), 0),
        Kind("cylinder", _cylinder, 3, _XY, _XY, ("radius",), 0),
        Kind("cone", _cone, 3, _XY, _XY, ("half_angle", "distance"), 1),
        Kind("torus", _torus, 3, _XYZ, _XY, ("major", "minor"), 1),
        Kind("ellipse2", _ellipse, 2, _XY, (2,), ("a", "b"), axis=0),
        Kind("slot2", _slot, 2, _XY, (2,), ("length", "radius"), 1, axis=0),
        Kind("width", _width, 3, (2,), _XY, ("width",), 0, 0.5),
    )
}


def distances(kind: Kind, state: State, points: np.ndarray, offset: float = 0.0) -> np.ndarray:
    """Signed distances (n, m) of points (n, 3) from the element, less `offset` in the first component."""
    found = np.array(kind.distance(state.local(points), state.sizes)[0])
    found[:, 0] -= offset
    return found


def derivatives(kind: Kind, state: State, points: np.ndarray, offset: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Distances (n m,) and their Jacobian (n m, free), in the order of `retract`'s step."""
    local = state.local(points)
    found, gradient, by_size = kind.distance(local, state.sizes)
    found = np.array(found)
    found[:, 0] -= offset
    columns = [-gradient[..., j] for j in kind.translate]
    if kind.rotate:
        for j in kind.rotate:  # component j of gradient x local
            a, b = (j + 1) % 3, (j + 2) % 3
            columns.append(gradient[..., a] * local[:, None, b] - gradient[..., b] * local[:, None, a])
    columns += [by_size[..., k] for k in range(len(kind.sizes))]
    return found.ravel(), np.stack(columns, axis=-1).reshape(found.size, -1)


def retract(kind: Kind, state: State, step: np.ndarray) -> State:
    """The state after a small step (free,): shifts along, then turns about, the frame's own axes, then sizes."""
    moves, turns = len(kind.translate), len(kind.rotate)
    origin = state.origin + state.rotation[:, list(kind.translate)] @ step[:moves]
    rotation = state.rotation
    if step[moves : moves + turns].any():
        vector = np.zeros(3)
        vector[list(kind.rotate)] = step[moves : moves + turns]
        rotation = rotation @ Rotation.from_rotvec(vector).as_matrix()
    return State(origin, rotation, state.sizes + step[moves + turns :])


def unit_frame(direction: np.ndarray, axis: int = 2) -> np.ndarray:
    """A rotation whose column `axis` is along `direction` (3,)."""
    return unit_frames(np.asarray(direction, dtype=float)[None], axis)[0]


def unit_frames(directions: np.ndarray, axis: int = 2) -> np.ndarray:
    """Rotations (m, 3, 3) whose column `axis` is along each of `directions` (m, 3)."""
    unit = directions / np.linalg.norm(directions, axis=1)[:, None]
    rows = np.concatenate([across(unit), unit[:, None]], axis=1)
    return np.roll(rows, axis - 2, axis=1).transpose(0, 2, 1)


def recentre(kind: Kind, state: State) -> State:
    """Slide the origin along what leaves the element as it is, to lie nearest the coordinate origin."""
    slide = -state.origin @ state.rotation
    slide[list(kind.translate)] = 0.0
    sizes = state.sizes
    if kind.name == "cone":
        sizes = np.array([sizes[0], sizes[1] + slide[2] * np.sin(sizes[0])])
    return replace(state, origin=state.origin + state.rotation @ slide, sizes=sizes)
