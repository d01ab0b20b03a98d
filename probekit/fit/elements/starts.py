"""First values for the fits that iterate: algebraic fits where there are some, else the best of a fan of directions.

Points come centred on their mean and scaled to about one: nothing here depends on where a part lies or how large it is.
"""

from __future__ import annotations

import numpy as np

from .shapes import State, unit_frame, unit_frames

__all__ = ["algebraic_sphere", "frame_in_plane", "principal_axes", "split_sides", "starts"]

_FAN = 60  # directions over the half sphere
_KEPT = 6  # starts that are followed up


def principal_axes(points: np.ndarray, weights: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean (d,), axes (d, d) in columns by falling spread, and spreads (d,) (root of the weighted sum of squares)."""
    weight = np.ones(len(points)) if weights is None else weights
    mean = weight @ points / weight.sum()
    _, spread, axes = np.linalg.svd((points - mean) * np.sqrt(weight)[:, None], full_matrices=len(points) < len(mean))
    return mean, axes.T, np.append(spread, np.zeros(points.shape[1] - len(spread)))


def algebraic_sphere(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Circles (d = 2) or spheres (d = 3) through points (..., n, d): centres (..., d) and radii (...), algebraically.

    Notes
    -----
    G. Taubin, IEEE Trans. PAMI 13 (1991) 1115-1138, in the form of N. Chernov, Circular and Linear Regression, 2010,
    sec. 5.10 (from memory): it has little bias on short arcs.
    """
    mean = points.mean(axis=-2)
    centred = points - mean[..., None, :]
    square = (centred**2).sum(axis=-1)
    level = np.maximum(square.mean(axis=-1), 1e-300)
    double = 2 * np.sqrt(level)
    bent = (square - level[..., None]) / double[..., None]
    *_, axes = np.linalg.svd(np.concatenate([bent[..., None], centred], axis=-1), full_matrices=False)
    first, rest = axes[..., -1, 0] / double, axes[..., -1, 1:]
    flat = np.abs(first) * double < 2e-9  # a radius of some 1e9 spreads
    first = np.where(flat, np.copysign(2e-9 / double, first), first)
    centre = -rest / (2 * first[..., None])
    return mean + centre, np.sqrt((centre**2).sum(axis=-1) + level)


def frame_in_plane(angle: float) -> np.ndarray:
    """Rotation about the third axis by an angle [rad]."""
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])


def _state(origin: np.ndarray, rotation: np.ndarray, *sizes: float) -> State:
    return State(np.append(origin, np.zeros(3 - len(origin))), rotation, np.array(sizes, dtype=float))


def starts(kind: str, points: np.ndarray, outward: np.ndarray | None = None) -> list[State]:
    """States to begin from, the most promising first.

    Parameters
    ----------
    kind : str
        A kind that is fitted by iteration.
    points : (n, 3) float
        Centred and scaled.
    outward : (3,) float, optional
        For "width", roughly a direction across it.
    """
    if kind == "circle2":
        centre, radius = algebraic_sphere(points[:, :2])
        return [_state(centre, np.eye(3), radius)]
    if kind == "sphere":
        centre, radius = algebraic_sphere(points)
        return [_state(centre, np.eye(3), radius)]
    if kind == "circle":
        mean, axes, _ = principal_axes(points)
        return [_circle_in(points - mean, mean, unit_frame(axes[:, k])) for k in (2, 1, 0)]
    if kind == "ellipse2":
        return _ellipse_starts(points)
    if kind == "slot2":
        return _slot_starts(points)
    if kind == "width":
        return _width_starts(points, outward)
    if kind == "cylinder":
        found = _cylinders_about(points, _fan(points))
    else:
        found = (_cones_about if kind == "cone" else _tori_about)(points, _fan(points))
    if kind == "torus":
        found += _bent_tubes(points) + _bent_patches(points)
    found = [each for each in found if np.isfinite(each[0])]
    found.sort(key=lambda each: each[0])
    return _unlike([state for _, state in found]) if kind == "torus" else [state for _, state in found[:_KEPT]]


def _circle_in(centred: np.ndarray, mean: np.ndarray, frame: np.ndarray) -> State:
    centre, radius = algebraic_sphere((centred @ frame)[:, :2])
    return _state(mean + frame[:, :2] @ centre, frame, radius)


def _unlike(states: list[State]) -> list[State]:
    """The first states that are not much like one before: other axes by 10 degrees, or other sizes by a fifth."""
    kept: list[State] = []
    for one in states:
        same = [
            abs(one.rotation[:, 2] @ other.rotation[:, 2]) > 0.985
            and (np.abs(np.log(np.abs(one.sizes / other.sizes))) < 0.2).all()
            for other in kept
        ]
        if not any(same):
            kept.append(one)
        if len(kept) == 2 * _KEPT:
            break
    return kept


def _fan(points: np.ndarray) -> np.ndarray:
    """Directions (m, 3) over half a sphere (a Fibonacci spiral), and the principal axes."""
    up = 1.0 - (np.arange(_FAN) + 0.5) / _FAN
    turn = np.arange(_FAN) * np.pi * (3.0 - np.sqrt(5.0))
    out = np.sqrt(1.0 - up * up)
    spiral = np.column_stack([out * np.cos(turn), out * np.sin(turn), up])
    _, axes, _ = principal_axes(points)
    return np.vstack([axes.T, spiral @ axes.T])


def _cylinders_about(points: np.ndarray, directions: np.ndarray) -> list[tuple[float, State]]:
    frames = unit_frames(directions)
    flat = points @ frames[:, :, :2]
    centre, radius = algebraic_sphere(flat)
    misfit = np.linalg.norm(flat - centre[:, None], axis=2) - radius[:, None]
    origin = np.einsum("mij,mj->mi", frames[:, :, :2], centre)
    cost = (misfit**2).sum(axis=1).tolist()
    return [(one, _state(*each)) for one, *each in zip(cost, origin, frames, radius, strict=True)]


def _cones_about(points: np.ndarray, directions: np.ndarray) -> list[tuple[float, State]]:
    """Centre from the quadric of revolution x^2 + y^2 = 2 a x + 2 b y + A z^2 + B z + C, then a line in (rho, z)."""
    frames = unit_frames(directions)
    x, y, z = np.moveaxis(points @ frames, -1, 0)
    design = np.stack([2 * x, 2 * y, z * z, z, np.ones_like(z)], axis=-1)
    solved = (np.linalg.pinv(design, rcond=1e-12) @ (x * x + y * y)[..., None])[..., 0]
    section = np.stack([np.hypot(x - solved[:, :1], y - solved[:, 1:2]), z], axis=-1)
    mean = section.mean(axis=1)
    _, spread, axes = np.linalg.svd(section - mean[:, None], full_matrices=False)
    normal = axes[:, 1] * np.where(axes[:, 1, :1] >= 0, 1.0, -1.0)  # away from the axis
    distance = (normal * mean).sum(axis=1)
    origin = np.einsum("mij,mj->mi", frames[:, :, :2], solved[:, :2])
    frames = np.where((normal[:, 1] > 0)[:, None, None], frames * [1.0, -1.0, -1.0], frames)  # opens the other way
    half_angle = np.arctan2(np.abs(normal[:, 1]), normal[:, 0])
    cost = (spread[:, 1] ** 2).tolist()
    return [(one, _state(*each)) for one, *each in zip(cost, origin, frames, half_angle, distance, strict=True)]


def _tori_about(points: np.ndarray, directions: np.ndarray) -> list[tuple[float, State]]:
    """Centre of the projected points, then a circle in (rho, z)."""
    frames = unit_frames(directions)
    local = points @ frames
    centre, _ = algebraic_sphere(local[..., :2])
    section = np.stack([np.linalg.norm(local[..., :2] - centre[:, None], axis=2), local[..., 2]], axis=-1)
    middle, minor = algebraic_sphere(section)
    misfit = np.linalg.norm(section - middle[:, None], axis=2) - minor[:, None]
    origin = np.einsum("mij,mj->mi", frames, np.column_stack([centre, middle[:, 1]]))
    cost = np.where((middle[:, 0] > 0) & (middle[:, 0] < 1e3), (misfit**2).sum(axis=1), np.inf).tolist()
    return [(one, _state(*each)) for one, *each in zip(cost, origin, frames, middle[:, 0], minor, strict=True)]


def _torus_from(points: np.ndarray, tube: np.ndarray, axis: np.ndarray, inward: np.ndarray) -> tuple[float, State]:
    """Torus about a unit axis through `tube` + `inward`, its tube through `tube`, and the minor radius that fits best.

    `inward` is square to the axis.
    """
    frame, origin = unit_frame(axis), tube + inward
    major = float(np.linalg.norm(inward))
    local = (points - origin) @ frame
    distance = np.hypot(np.hypot(local[:, 0], local[:, 1]) - major, local[:, 2])
    minor = float(distance.mean())
    if not 1e-6 < major < 1e3:
        return np.inf, _state(np.zeros(3), frame, 1.0, 1.0)
    return float(np.sum((distance - minor) ** 2)), _state(origin, frame, major, minor)


def _bent_tubes(points: np.ndarray) -> list[tuple[float, State]]:
    """Short bends: a cylinder through the points, its axis bent as what is left of them asks for.

    Where the axis of a tube is off by the vector a + b z + k z^2/2, the distance from it changes by that vector's part
    along the radius.
    """
    found = []
    for _, cylinder in sorted(_cylinders_about(points, _fan(points)), key=lambda each: each[0])[:4]:
        frame = cylinder.rotation
        local = (points - cylinder.origin) @ frame
        size = np.linalg.norm(local[:, :2], axis=1)
        out, z = local[:, :2] / np.where(size > 0, size, 1.0)[:, None], local[:, 2:]
        design = np.hstack([out * z**2 / 2, out, out * z, np.ones((len(z), 1))])
        solved = np.linalg.lstsq(design, size - cylinder.sizes[0], rcond=1e-6)[0]
        bend, off = frame[:, :2] @ solved[:2], frame[:, :2] @ solved[2:4]
        curvature = float(np.linalg.norm(bend))
        if curvature > 1e-3:
            axis = np.cross(frame[:, 2], bend / curvature)
            found.append(_torus_from(points, cylinder.origin + off, axis, bend / curvature**2))
    return found


def _bent_patches(points: np.ndarray) -> list[tuple[float, State]]:
    """Small patches: principal curvatures of a quadric, each in turn that of the tube, and the axis in many ways.

    The normal at a point of the tube meets the axis after 1/k of the other curvature k; which way the axis runs in the
    plane of the normal and the tube's circle, curvatures do not tell.
    """
    mean, axes, _ = principal_axes(points)
    x, y, height = ((points - mean) @ axes).T
    design = np.column_stack([x * x / 2, x * y, y * y / 2, x, y, np.ones(len(x))])
    solved = np.linalg.lstsq(design, height, rcond=1e-9)[0]
    curvatures, turned = np.linalg.eigh(np.array([[solved[0], solved[1]], [solved[1], solved[2]]]))
    foot, normal = mean + solved[5] * axes[:, 2], axes[:, 2]
    found = []
    for tube, bend in ((0, 1), (1, 0)):
        if min(abs(curvatures[tube]), abs(curvatures[bend])) < 1e-3:
            continue
        around = axes[:, :2] @ turned[:, tube]
        centre, meets = foot + normal / curvatures[tube], foot + normal / curvatures[bend]
        for angle in np.linspace(0.0, np.pi, 18, endpoint=False):
            axis = np.cos(angle) * around + np.sin(angle) * normal
            inward = meets - centre
            found.append(_torus_from(points, centre, axis, inward - (inward @ axis) * axis))
    return found


def _ellipse_starts(points: np.ndarray) -> list[State]:
    """Direct least-squares ellipse (R. Halir, J. Flusser, WSCG 1998, from memory), and a circle pulled out a little."""
    x, y = points[:, :2].T
    quadratic = np.column_stack([x * x, x * y, y * y])
    linear = np.column_stack([x, y, np.ones(len(x))])
    centre, radius = algebraic_sphere(points[:, :2])
    found = [
        _state(centre, frame_in_plane(angle), 1.1 * radius, 0.9 * radius) for angle in (0.0, 0.25 * np.pi, 0.5 * np.pi)
    ]
    try:
        onto = -np.linalg.solve(linear.T @ linear, linear.T @ quadratic)
        reduced = quadratic.T @ quadratic + quadratic.T @ linear @ onto
        values, vectors = np.linalg.eig(np.array([reduced[2] / 2, -reduced[1], reduced[0] / 2]))
    except np.linalg.LinAlgError:
        return found
    vectors = vectors.real
    elliptic = 4 * vectors[0] * vectors[2] - vectors[1] ** 2 > 0
    for vector in vectors[:, elliptic].T[np.argsort(np.abs(values[elliptic]))][:1]:
        (a, b, c), (d, e, f) = vector, onto @ vector
        matrix = np.array([[a, b / 2], [b / 2, c]])
        centre = -0.5 * np.linalg.solve(matrix, [d, e])
        spectrum, axes = np.linalg.eigh(matrix)
        squares = (centre @ matrix @ centre - f) / spectrum
        if (squares > 0).all():
            found.insert(0, _state(centre, frame_in_plane(np.arctan2(axes[1, 0], axes[0, 0])), *np.sqrt(squares)))
    return found


def _slot_starts(points: np.ndarray) -> list[State]:
    """Half width and length from the extents along and across a fan of directions."""
    found = []
    flat = points[:, :2]
    for angle in np.linspace(0.0, np.pi, 90, endpoint=False):
        frame = frame_in_plane(angle)
        local = flat @ frame[:2, :2]
        low, high = local.min(axis=0), local.max(axis=0)
        radius = 0.5 * (high[1] - low[1])
        length = max(high[0] - low[0] - 2 * radius, 0.05 * radius)
        along = np.clip(local[:, 0] - 0.5 * (low[0] + high[0]), -0.5 * length, 0.5 * length)
        out = np.hypot(local[:, 0] - 0.5 * (low[0] + high[0]) - along, local[:, 1] - 0.5 * (low[1] + high[1]))
        state = _state(frame[:2, :2] @ (0.5 * (low + high)), frame, length, radius)
        found.append((float(np.sum((out - radius) ** 2)), state))
    found.sort(key=lambda each: each[0])
    return [state for _, state in found[:_KEPT]]


def split_sides(heights: np.ndarray) -> tuple[np.ndarray, float]:
    """Split heights (n,) in two where that leaves the smallest sum of squares: upper (n,) bool, and that sum."""
    order = np.argsort(heights, kind="stable")
    ordered = heights[order]
    n = len(ordered)
    count = np.arange(1, n)
    total, square = np.cumsum(ordered)[:-1], float(ordered @ ordered)
    rest = ordered.sum() - total
    left = square - total**2 / count - rest**2 / (n - count)
    cut = int(np.argmin(left))
    upper = np.zeros(n, dtype=bool)
    upper[order[cut + 1 :]] = True
    return upper, float(left[cut])


def _width_starts(points: np.ndarray, outward: np.ndarray | None) -> list[State]:
    """Directions that split the touches best: a fan, and the normals of many triples of touches."""
    if outward is not None:
        direction = np.asarray(outward, dtype=float)
        for _ in range(4):  # it is told roughly only
            state = _width_from(points, split_sides(points @ direction)[0])
            direction = state.rotation[:, 2]
        return [state]
    rng = np.random.default_rng(1)
    rows = np.array([rng.choice(len(points), 3, replace=False) for _ in range(400)])
    a, b, c = points[rows[:, 0]], points[rows[:, 1]], points[rows[:, 2]]
    normals = np.cross(b - a, c - a)
    length = np.linalg.norm(normals, axis=1)
    directions = np.vstack([_fan(points), normals[length > 1e-9] / length[length > 1e-9, None]])
    found = sorted((split_sides(points @ direction)[::-1] for direction in directions), key=lambda each: each[0])
    states, seen = [], set()
    for _, upper in found:
        key = min(upper.tobytes(), (~upper).tobytes())
        if key in seen:
            continue
        seen.add(key)
        states.append(_width_from(points, upper))
        if len(states) == _KEPT:
            break
    return states


def _width_from(points: np.ndarray, upper: np.ndarray) -> State:
    """Two parallel planes through the touches of either side: a least-squares fit, once the sides are known."""
    means = [points[side].mean(axis=0) for side in (upper, ~upper)]
    pooled = np.vstack([points[upper] - means[0], points[~upper] - means[1]])
    *_, axes = np.linalg.svd(pooled, full_matrices=False)
    normal = axes[2]
    apart = float(normal @ (means[0] - means[1]))
    return _state(normal * float(normal @ (means[0] + means[1])) / 2, unit_frame(normal), abs(apart))
