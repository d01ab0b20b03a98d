"""Whether the nominal under some touches has the shape that a tolerance is stated for.

Touches alone do not tell: the corners of a slot lie on a cylinder to the micrometre, and a bore judged as a plane is
out by its radius. The normals of the nominal at the feet tell which was touched.
"""

from __future__ import annotations

import numpy as np

from ..errors import InputError, TouchesError
from ..fit.beneath import ACROSS, ROUND
from ..fit.datums.counterparts import meeting
from .cover import Covered

__all__ = ["require", "require_turned"]

_FLAT = np.cos(np.arcsin(ACROSS))  # least cosine between the normals of one plane
_RADIAL = np.cos(np.radians(20.0))  # facets of a dozen to the turn lean from the radius by up to 15 deg
_NAMED = 4  # touches that a message names: more are cut off
_WORDS = {
    "plane": "one plane",
    "line": "straight lines",
    "width": "two parallel planes",
    "cylinder": "one cylinder",
    "sphere": "one sphere",
}


def require(covered: Covered, shape: str, part: np.ndarray | None = None) -> None:
    """Raise if the nominal under the touches is plainly of another shape.

    Parameters
    ----------
    covered : Covered
    shape : {"plane", "line", "width", "cylinder", "sphere"}
    part : (m,) int, optional
        Those of the touches that make one element; all by default.

    Raises
    ------
    InputError
        If it is: it names the touches that contradict.
    """
    chosen = np.arange(len(covered.rows)) if part is None else part
    points, normals = covered.foot[chosen], covered.normal[chosen]
    if len(points) < (2 if shape in ("plane", "line", "width") else 3):
        return
    if shape in ("plane", "line"):
        mean = normals.mean(axis=0)
        good = normals @ mean > _FLAT * max(float(np.linalg.norm(mean)), ROUND)
    elif shape == "width":
        facing = normals @ np.linalg.svd(normals, full_matrices=False)[2][0]
        good = (np.abs(facing) > _FLAT) & bool(facing.min() < 0 < facing.max())
    elif shape == "sphere":
        good = _meeting(points, normals, np.eye(3))
    else:
        axis = np.linalg.svd(normals, full_matrices=True)[2][2]
        flat = np.eye(3) - np.outer(axis, axis)
        good = (np.abs(normals @ axis) < ACROSS) & _meeting(points, normals @ flat, flat)
    _refuse(covered, chosen, good, _WORDS[shape])


def require_turned(covered: Covered, axis: np.ndarray, part: np.ndarray, at: np.ndarray | None = None) -> None:
    """Raise if the nominal under some touches is plainly not turned about an axis of that direction.

    Parameters
    ----------
    covered : Covered
    axis : (3,) float
        Unit direction.
    part : (m,) int
        The touches: of one section, if `at` is not given.
    at : (3,) float, optional
        A point of the axis [mm]; where the normals meet by default.

    Raises
    ------
    InputError
        As `require`.
    """
    points, flat = covered.foot[part], np.eye(3) - np.outer(axis, axis)
    across = covered.normal[part] @ flat
    if at is not None:
        arm = (points - at) @ flat
        reach = np.linalg.norm(arm, axis=1) * np.linalg.norm(across, axis=1)
        aside = np.abs(np.cross(arm, across) @ axis)
        good = aside <= np.sqrt(1 - _RADIAL**2) * reach + 1e-9
        _refuse(covered, part, good, "a surface turned about the datum axis")
    elif len(part) > 2:
        good = _meeting(points, across, flat)
        _refuse(covered, part, good, "a surface turned about an axis of this direction")


def _meeting(points: np.ndarray, normals: np.ndarray, flat: np.ndarray) -> np.ndarray:
    """(n,) which normals point from, or to, the place where they meet best, seen along `flat`."""
    spread = np.linalg.svd(normals, compute_uv=False)
    if spread[1] < ROUND * max(spread[0], 1.0):
        return np.zeros(len(points), dtype=bool)
    unit = normals / np.maximum(np.linalg.norm(normals, axis=1), ROUND)[:, None]
    arm = (points - meeting(points, unit, flat)[0]) @ flat
    return np.abs(np.einsum("ij,ij->i", arm, unit)) > _RADIAL * np.linalg.norm(arm, axis=1)


def _refuse(covered: Covered, part: np.ndarray, good: np.ndarray, what: str) -> None:
    if good.all():
        return
    ids = [str(one) for one in covered.ids[part][~good]]
    error = TouchesError if 2 * np.count_nonzero(good) > len(good) else InputError  # a few strays, or another kind
    raise error(
        f"tolerance '{covered.name}' needs touches on {what}, and the nominal under them is of another shape",
        found=f"normals that contradict it at touch{'es' if len(ids) > 1 else ''} {', '.join(ids[:_NAMED])}"
        + (f" and {len(ids) - _NAMED} more" if len(ids) > _NAMED else ""),
        todo="Check its features (several holes under one name are no feature: name each), its kind, what it says that "
        "they make (of, feature), and its axis where it has one.",
    )
