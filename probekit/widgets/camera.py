"""Where the camera stands: pure functions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..geometry import across as square_to
from ..scene.pictures import choose_directions

if TYPE_CHECKING:
    from ..scene.model import Scene

__all__ = ["FIELD_OF_VIEW", "Pose", "facing", "overview"]

#: Vertical opening angle of the camera [degrees].
FIELD_OF_VIEW = 30.0
_UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Pose:
    """A camera looking from `eye` to `target`.

    Attributes
    ----------
    eye, target : tuple of 3 float
        Positions in the part frame [mm].
    """

    eye: tuple[float, ...]
    target: tuple[float, ...]

    @property
    def axes(self) -> np.ndarray:
        """(3, 3) unit rows: right, up and backward of the camera; z of the part points up in the picture."""
        back = np.subtract(self.eye, self.target)
        back = back / np.linalg.norm(back)
        right = np.cross(_UP, back)
        if np.linalg.norm(right) < 1e-9:
            right = np.array([1.0, 0.0, 0.0])
        right = right / np.linalg.norm(right)
        return np.array([right, np.cross(back, right), back])

    @property
    def quaternion(self) -> tuple[float, ...]:
        """(x, y, z, w) rotation from camera axes to part axes."""
        from scipy.spatial.transform import Rotation

        return tuple(float(q) for q in Rotation.from_matrix(self.axes.T).as_quat())


def overview(scene: Scene, aspect: float = 1.5) -> Pose:
    """Pose that shows the whole part, from the side that faces most touches.

    Parameters
    ----------
    scene : Scene
        The scene.
    aspect : float
        Width of the picture over its height.

    Returns
    -------
    Pose

    Notes
    -----
    A point at (x, y, z) of the camera axes through the centre is seen by a camera shifted by c, at distance d, if
    ``|x - c| <= a t (d - z)``, with a the aspect and t the tangent of half the opening angle; so for y with a = 1.
    The smallest such d is the mean of the largest ``x / (a t) + z`` and the largest ``-x / (a t) + z``; c is half
    their difference, times a t.
    """
    points = scene.still.astype(float)
    low, high = points.min(axis=0), points.max(axis=0)
    centre = (low + high) / 2
    axes = Pose(tuple((centre + choose_directions(scene, most=1)[0]).tolist()), tuple(centre.tolist())).axes
    slope = np.tan(np.deg2rad(FIELD_OF_VIEW) / 2)
    *flat, z = axes @ (points - centre).T
    sides = [(flat[0] / aspect / slope, aspect * slope), (flat[1] / slope, slope)]
    reach = [((s + z).max(), (z - s).max(), scale) for s, scale in sides]
    distance = 1.06 * max(*((plus + minus) / 2 for plus, minus, _ in reach), 1e-6)
    shift = [(plus - minus) / 2 * scale for plus, minus, scale in reach]
    target = centre + shift @ axes[:2]
    return Pose(tuple((target + distance * axes[2]).tolist()), tuple(target.tolist()))


def _past(axis: np.ndarray, normal: np.ndarray, now: np.ndarray) -> np.ndarray:
    """(3,) unit vector to look from at a target where the probe stands: from its side, 30 degrees off its axis."""
    flat, across = normal - (normal @ axis) * axis, np.cross(axis, normal)
    if np.linalg.norm(across) < 0.1:
        across = now - (now @ axis) * axis
        if np.linalg.norm(across) < 1e-6:
            across = square_to(axis)[0]
    across = 0.6 * across / np.linalg.norm(across)
    side = flat + (across if across @ now >= 0 else -across)
    return 0.87 * axis + 0.5 * side / np.linalg.norm(side)


def facing(scene: Scene, row: int | None, pose: Pose) -> Pose:
    """Pose that looks at a touch from outside the material, as far away as `pose`; `pose` itself if that is impossible.

    Parameters
    ----------
    scene : Scene
        The scene.
    row : int or None
        Row of the touch.
    pose : Pose
        Where the camera stands now.
    """
    if row is None or not (np.isfinite(scene.anchor[row]).all() and np.isfinite(scene.direction[row]).all()):
        return pose
    target = scene.anchor[row].astype(float)
    now = np.subtract(pose.eye, pose.target)
    distance = float(np.linalg.norm(now))
    normal = scene.direction[row].astype(float)
    away = normal + 0.35 * now / distance  # slanted, so that the glyph shows its shape
    for solid in scene.solids:
        if solid.motions is not None and (motion := solid.standing(row)) is not None:
            away = _past(motion[:3, 2], normal, now / distance)
    eye = target + away / np.linalg.norm(away) * distance
    return Pose(tuple(eye.tolist()), tuple(target.tolist()))
