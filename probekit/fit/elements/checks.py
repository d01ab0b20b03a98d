"""What the touches must be for an element, and what they do not tell about it."""

from __future__ import annotations

import numpy as np

from ...errors import InputError, TouchesError
from .model import METHODS
from .shapes import KINDS, Kind, State

__all__ = ["arc_degrees", "arcs_of_torus", "checked_points", "checked_request", "coverage_notes", "per_touch"]

_FLAT = 1e-9  # spread across over spread along, below which touches are on a line or in a plane
_FACING = 6  # different touches that tell by themselves which of them face each other across a width
_RANK = {"point": 0, "line2": 1, "line": 1, "plane": 2, "circle": 2, "circle2": 2, "ellipse2": 2, "slot2": 2}
_FORMS = {1: "at one place", 2: "on one straight line", 3: "in one plane"}
_DEFINED = {
    "minimum_zone": tuple(name for name in KINDS if name != "point"),
    "maximum_inscribed": ("circle2", "circle", "sphere", "cylinder", "width"),
    "minimum_circumscribed": ("circle2", "circle", "sphere", "cylinder", "width"),
    "tangent": ("plane", "line2"),
    "least_squares": tuple(KINDS),
}

#: Arc [degrees] below which the radius is said to be weakly determined, and that below which a warning is given too.
NOTED_ARC, WARNED_ARC = 180.0, 90.0


def checked_request(kind: str, method: str, ball: float, material: str, outward: object, weights: object) -> Kind:
    """The kind asked for, once the request makes sense.

    Raises
    ------
    InputError
        If kind, method or material is not known, a method is not defined for the kind, or the side is needed.
    """
    if kind not in KINDS:
        raise InputError("no such kind of element", found=kind, expected=", ".join(KINDS))
    if method not in METHODS:
        raise InputError("no such method", found=method, expected=", ".join(METHODS))
    if kind not in _DEFINED[method]:
        raise InputError(f"{method} is not defined for a {kind}", expected=f"one of {', '.join(_DEFINED[method])}")
    if material not in ("inside", "outside"):
        raise InputError("material lies inside or outside", found=material, expected='"inside" or "outside"')
    if not (np.ndim(ball) == 0 and np.isfinite(ball) and ball >= 0):
        raise InputError("ball is the effective radius of the stylus ball [mm]", found=ball, expected="0 or more")
    if kind in ("plane", "line2", "point") and outward is None and (ball > 0 or method == "tangent"):
        raise InputError(f"a {kind} does not say on which side the ball was", todo="Give outward=, away from material.")
    if kind == "line" and ball > 0:
        raise InputError(
            "a line in space has no side on which to compensate for the ball",
            todo="Fit the faces that meet in it instead.",
        )
    if weights is not None and method != "least_squares":
        raise InputError(f"weights have no meaning for {method}", expected="least_squares")
    if outward is not None:
        vector = np.asarray(outward, dtype=float)
        if vector.shape != (KINDS[kind].dims,) or not np.isfinite(vector).all() or not vector.any():
            raise InputError("outward is a direction", found=outward, expected=f"{KINDS[kind].dims} numbers, not all 0")
    return KINDS[kind]


def per_touch(values: object, n: int, name: str, *, scalar: bool) -> np.ndarray | None:
    """One number per touch (n,), zero or more and not all zero, or None.

    Raises
    ------
    InputError
    """
    if values is None:
        return None
    array = np.asarray(values, dtype=float)
    if scalar and array.ndim == 0:
        array = np.full(n, float(array))
    if array.shape != (n,) or not np.isfinite(array).all() or (array < 0).any() or not array.any():
        raise InputError(f"{name} must be one number per touch, zero or more, not all zero", found=values)
    return array


def checked_points(points: object, kind: Kind, counted: np.ndarray | None, outward: object) -> np.ndarray:
    """Points (n, 3) that can carry the element; those of a kind in a plane get a third coordinate 0.

    Raises
    ------
    InputError
        If the shape is wrong, a number is not finite, or there are too few different points, on one line or in one
        plane where that does not do.
    """
    array = np.asarray(points, dtype=float)
    if array.ndim != 2 or array.shape[1] != kind.dims:
        raise InputError(f"a {kind.name} needs points of {kind.dims} coordinates", found=array.shape, expected=(
            f"(n, {kind.dims})"
        ))  # fmt: skip
    if not np.isfinite(array).all():
        rows = np.nonzero(~np.isfinite(array).all(axis=1))[0]
        raise InputError("a touch has no position", found=f"row {rows[0]}", todo="Omit missed touches.")
    used = array if counted is None else array[counted]
    enough = max(kind.needs, _FACING)
    different = len(np.unique(used[: 4 * enough], axis=0))  # mostly enough, and sorting all takes its time
    if different < enough:
        different = len(np.unique(used, axis=0))
    if different < kind.needs:
        repeated = f" ({len(used)} touches, some repeated)" if different < len(used) else ""
        raise TouchesError(
            f"too few touches for a {kind.name}",
            found=f"{different} different{repeated}",
            expected=f"{kind.needs} or more",
        )
    spread = np.linalg.svd(used - used.mean(axis=0), compute_uv=False)
    # rounding of coordinates far from the origin is no spread
    floor = max(_FLAT * spread[0], 8 * np.finfo(float).eps * float(np.abs(used).max()) * np.sqrt(len(used)))
    rank, wanted = int(np.count_nonzero(spread > floor)), _RANK.get(kind.name, 3)
    if rank < wanted:
        raise TouchesError(
            f"the touches do not make a {kind.name}",
            found=f"all of them {_FORMS[rank + 1]}",
            expected=f"touches that are not {_FORMS[wanted]}",
            todo="Touch it at more points.",
        )
    if kind.name == "width" and different < _FACING and outward is None:
        raise TouchesError(
            "so few touches do not show which of them face each other",
            found=f"{different} different",
            expected=f"{_FACING} or more, or outward= roughly across the width",
        )
    return np.column_stack([array, np.zeros(len(array))]) if kind.dims == 2 else array


def arc_degrees(angles: np.ndarray) -> float:
    """Arc that angles (n,) [rad] cover: a full turn less the largest gap [degrees]."""
    ordered = np.sort(np.mod(angles, 2 * np.pi))
    gaps = np.diff(np.append(ordered, ordered[0] + 2 * np.pi))
    return float(np.degrees(2 * np.pi - gaps.max()))


def arcs_of_torus(state: State, points: np.ndarray) -> tuple[float, float]:
    """Arcs [degrees] that points (n, 3) cover about the axis of a torus, and about its tube."""
    q = state.local(points)
    out = np.hypot(q[:, 0], q[:, 1]) - state.sizes[0]
    return arc_degrees(np.arctan2(q[:, 1], q[:, 0])), arc_degrees(np.arctan2(q[:, 2], out))


def coverage_notes(kind: Kind, state: State, points: np.ndarray, deviation: float) -> tuple[list[str], bool]:
    """Notes on how much of the element the touches cover, and whether they are worth a warning.

    Parameters
    ----------
    kind : Kind
    state : State
        The element [mm].
    points : (n, 3) float
        Touches [mm].
    deviation : float
        Standard uncertainty of the radius [mm]; NaN if it is not known.
    """
    q = state.local(points)
    arcs: list[tuple[str, float]] = []
    if kind.name in ("circle2", "circle", "cylinder", "cone", "ellipse2", "torus"):
        arcs.append(("arc", arc_degrees(np.arctan2(q[:, 1], q[:, 0]))))
    if kind.name == "torus":
        arcs.append(("arc of the tube", arcs_of_torus(state, points)[1]))
    if kind.name == "sphere":
        unit = q / np.maximum(np.linalg.norm(q, axis=1), 1e-300)[:, None]
        middle = unit.mean(axis=0)
        length = float(np.linalg.norm(middle))
        cosine = float((unit @ middle).min()) / length if length > 1e-9 else -1.0
        arcs.append(("arc (opening of the cap)", 2 * float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))))
    known = f": its standard uncertainty is {deviation:.2g} mm" if np.isfinite(deviation) else ""
    notes = [
        f"touches cover {arc:.0f} deg of {word}: radius is weakly determined{known}"
        for word, arc in arcs
        if arc < NOTED_ARC
    ]
    return notes, any(arc < WARNED_ARC for _, arc in arcs)
