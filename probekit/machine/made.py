r"""The part as it was made: the exact nominal, moved along its own normal by a field, and placed a little wrong.

A point x of the nominal with outward normal n becomes :math:`y = x + \delta(x)\,n`. With g the gradient of
:math:`\delta` along the surface, the made surface's normal is :math:`n' = (n - g)/\sqrt{1 + g^2}`, up to a factor
:math:`1 + \delta\kappa` on g (curvature times displacement: under 1 %, and it enters the distance squared). The ball
centre p is nearest to y where :math:`p = y + d\,n'`; written for the nominal,

.. math:: p + (h - \delta)\,g = x + h\,n , \qquad d = (h - \delta)\sqrt{1 + g^2} ,

so x is the foot, on the *nominal*, of a point slightly beside p. Feet are found to rounding by `probekit.nominal`, and
the equation is solved by iterating them. The distance is that to a point of the made surface, and stationary there, so
what is left of the error in x enters it squared. Derived here.

symbol  variable  meaning
p       points    ball centre [mm]
h       distance  of the shifted point from the nominal [mm]
delta   left      material left on (+) or missing (-) along the normal [mm]
g       lean      slope of the made surface against the nominal, tangential
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from ..errors import InputError, ProbekitWarning
from ..geometry import apply_motion, is_rigid
from ..nominal import Nominal
from ..nominal.topology import facet_normals
from ..show import shown

__all__ = ["AsMade", "Hill", "Made"]

_STEP = 1e-3  # of the central differences over the field [mm]
_NEAR = 25.0  # beyond this the slope of the field is not followed: the distance is only stepped by [mm]
_ROUNDS = 80
_ONE_PLANE = 0.03  # facets around a vertex that are less far from one plane than this are taken for one
_SETTLED = 1e-7  # change of the shift at which the iteration stops [mm]

Field = Callable[[np.ndarray, np.ndarray], np.ndarray]


class Made(Protocol):
    """What the virtual machine can touch."""

    def distance(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance (n,) of points (n, 3) from the surface [mm], and its outward unit normal (n, 3) there."""
        ...


@shown
@dataclass(frozen=True)
class Hill:
    """A smooth hill of material left on, or a dent: height (1 - t^2)^3, t the distance from the centre over the radius.

    Parameters
    ----------
    centre : (3,) float
        On the nominal, part frame [mm].
    radius : float
        Where the hill ends [mm].
    height : float
        At the centre [mm]; negative for a dent.
    normal : (3,) float, optional
        Outward normal at the centre: the hill is then only where the part faces the same way, which matters on a thin
        wall.

    Raises
    ------
    InputError
        If a value is not usable.
    """

    centre: tuple[float, float, float]
    radius: float
    height: float
    normal: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        for name, value in (("centre", self.centre), ("normal", self.normal)):
            if value is not None and (np.shape(value) != (3,) or not np.isfinite(np.asarray(value, float)).all()):
                raise InputError("the hill is not usable", column=name, found=value, expected="three numbers")
        if not (np.isfinite(self.radius) and self.radius > 0 and np.isfinite(self.height)):
            raise InputError("the hill is not usable", found=self, expected="radius > 0, and a height in mm")

    def __call__(self, points: np.ndarray, normals: np.ndarray) -> np.ndarray:
        """(n,) height at points (n, 3) of the nominal with outward normals (n, 3) [mm]."""
        away = np.linalg.norm(points - np.asarray(self.centre, float), axis=1) / self.radius
        left = self.height * np.clip(1.0 - away**2, 0.0, None) ** 3
        return left if self.normal is None else np.where(normals @ np.asarray(self.normal, float) > 0, left, 0.0)


@shown
@dataclass(frozen=True, eq=False)
class AsMade:
    """The nominal, moved along its normal, placed by a motion. Left alone, it is the nominal itself.

    Parameters
    ----------
    nominal : Nominal
        Exact or of facets; a mesh of any as-made part will do, with nothing moved.
    offset : float or mapping
        Material left on all faces, or by name of face; faces not named have none [mm].
    hills : sequence of Hill
    further : callable, optional
        Any other displacement: takes points (n, 3) of the nominal and their normals (n, 3), gives (n,) mm. It must be
        smooth over lengths of the ball's radius.
    motion : (4, 4) float, optional
        From the nominal to the part frame as the machine believes it to be: the error of the set-up.

    Raises
    ------
    InputError
        If a face does not exist, or the motion is not a rigid one.

    Notes
    -----
    Where faces of different offset meet, the nearest point of the nominal decides which of them is touched; within
    the difference of the offsets from such an edge the model is no better than that.
    """

    nominal: Nominal
    offset: float | Mapping[str, float] = 0.0
    hills: tuple[Hill, ...] = ()
    further: Field | None = None
    motion: np.ndarray | None = None
    _by_face: np.ndarray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        names = self.nominal.face_names
        by_face = np.zeros(len(names))
        given = self.offset if isinstance(self.offset, Mapping) else dict.fromkeys(names, self.offset)
        for name, value in given.items():
            if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not np.isfinite(value):
                raise InputError("the offset of a face is not a number", column=name, found=value, expected="mm")
            by_face[self.nominal.face_index(name)] = value
        motion = np.eye(4) if self.motion is None else np.array(self.motion, dtype=float)
        if not np.isfinite(motion).all():
            raise InputError("the placement contains a value that is not a number", expected="finite numbers")
        if not is_rigid(motion):
            raise InputError("the placement is not a rigid motion", found=self.motion, expected="(4, 4)")
        motion.setflags(write=False)
        object.__setattr__(self, "motion", motion)
        object.__setattr__(self, "hills", tuple(self.hills))
        object.__setattr__(self, "_by_face", by_face)

    @property
    def sentence(self) -> str:
        """What was made of what, in one line."""
        moved = self.motion is not None and not np.allclose(self.motion, np.eye(4))
        return f"{self.nominal.sentence}; {len(self.hills)} hills" + (
            "; placed with an error of set-up" if moved else ""
        )

    @cached_property
    def solid(self) -> Nominal:
        """The made surface as facets, in the part frame as the machine believes it to be.

        A vertex goes to where the planes of its facets meet, each moved along its normal by what is left there: offsets
        of plane faces are exact up to their edges.
        """
        model = self.nominal
        points = model.vertices
        if self._by_face.any() or self.hills or self.further is not None:
            normal, _ = facet_normals(points, model.facets)
            corner, face = model.facets.ravel(), np.repeat(model.facet_face, 3)
            each = np.repeat(normal, 3, axis=0)
            left = self.left(points[corner], each, face)
            planes, wanted = np.zeros((len(points), 3, 3)), np.zeros((len(points), 3))
            np.add.at(planes, corner, each[:, :, None] * each[:, None, :])
            np.add.at(wanted, corner, left[:, None] * each)
            inverse = np.linalg.pinv(planes, rcond=_ONE_PLANE, hermitian=True)
            points = points + np.einsum("nij,nj->ni", inverse, wanted)
        return replace(model, vertices=apply_motion(self.motion, points), facets=model.facets.copy(), brep=None)

    def distance(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance from the made surface.

        Parameters
        ----------
        points : (n, 3) float
            In the part frame [mm].

        Returns
        -------
        distance : (n,) float
            Positive outside the material [mm].
        normal : (n, 3) float
            Outward unit normal of the made surface at its nearest point.

        Warns
        -----
        ProbekitWarning
            If the nearest point does not settle: the field is sharper than the ball.
        """
        turn, shift = self.motion[:3, :3], self.motion[:3, 3]
        own = (np.asarray(points, dtype=float) - shift) @ turn
        distance, normal = self._distance(own)
        return distance, normal @ turn.T

    def left(self, points: np.ndarray, normals: np.ndarray, faces: np.ndarray) -> np.ndarray:
        """(n,) material left on at points of the nominal, with their normals (n, 3) and faces (n,) [mm]."""
        total = np.append(self._by_face, 0.0)[faces]
        for part in (*self.hills, *((self.further,) if self.further is not None else ())):
            total = total + part(points, normals)
        return total

    def _distance(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        engine, sloped = self.nominal.engine, bool(self.hills) or self.further is not None
        if not sloped and not self._by_face.any():
            feet = engine.feet(points)
            return feet.distance, feet.normal
        distance, normal = np.full(len(points), np.inf), np.zeros_like(points)
        shift, rows = np.zeros_like(points), np.arange(len(points))
        for turn in range(_ROUNDS):
            feet = engine.feet(points[rows] + shift[rows])
            left = self.left(feet.foot, feet.normal, feet.face)
            height = feet.distance - left
            away = points[rows] - feet.foot - left[:, None] * feet.normal
            found = np.where(height < 0, -1.0, 1.0) * np.sqrt(np.einsum("ij,ij->i", away, away))
            lean = self._slope(feet.foot, feet.normal, feet.face) if sloped else np.zeros_like(away)
            near = np.abs(height) < _NEAR
            new = np.where(near[:, None], height[:, None] * lean, 0.0)
            moved = np.linalg.norm(new - shift[rows], axis=1)
            stretch = np.sqrt(1.0 + np.einsum("ij,ij->i", lean, lean))
            distance[rows], normal[rows] = found, (feet.normal - lean) / stretch[:, None]
            shift[rows] += (1.0 if turn < 12 else 0.5) * (new - shift[rows])
            rows = rows[near & (moved > _SETTLED)]
            if not len(rows):
                return distance, normal
        warnings.warn(
            f"the nearest point of the made surface did not converge for {len(rows)} ball positions: the displacement "
            "bends more sharply than the ball",
            ProbekitWarning,
            stacklevel=3,
        )
        return distance, normal

    def _slope(self, points: np.ndarray, normals: np.ndarray, faces: np.ndarray) -> np.ndarray:
        """(n, 3) gradient of the displacement along the surface, by central differences."""
        slope = np.empty_like(points)
        for axis in range(3):
            step = np.zeros(3)
            step[axis] = _STEP
            up, down = (self.left(points + side * step, normals, faces) for side in (1.0, -1.0))
            slope[:, axis] = (up - down) / (2.0 * _STEP)
        return slope - np.einsum("ij,ij->i", slope, normals)[:, None] * normals
