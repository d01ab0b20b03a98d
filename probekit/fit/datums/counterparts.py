"""The nominal counterpart of a datum feature: plane, cylinder, cone, sphere, two parallel planes, or a face as it is.

It is found from points on the nominal and their outward normals (targets of the touches, or their feet), which fix it
without any convention about axes; and it tells the deviation of a measured touch from it, ball taken off.

symbol   variable    meaning
p, a     point, direction   a point of it; outward normal, or direction of the axis
R        radius      radius; half the width of two parallel planes [mm]; 0 for a plane
o        outward     +1 if the material is inside (boss, web, ball), -1 if outside (bore, slot, socket)
d        deviation   distance outside the material [mm]: positive = material left on
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ...errors import InputError, TouchesError
from ...geometry import across
from .twists import rows_of_turning, velocity_rows

__all__ = ["KINDS", "Counterpart", "from_measure", "from_normals", "from_parameters", "meeting"]

#: Kinds of datum feature that have a closed form; "targets" and "face" are taken as they are.
KINDS = ("plane", "cylinder", "cone", "sphere", "width", "targets", "face")

_STRAIGHT = np.sin(np.radians(1.0))  # normals of one plane, or across one axis, may differ by this

Measure = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True, eq=False)
class Counterpart:
    """Nominal geometry that one datum feature stands on.

    Attributes
    ----------
    kind : str
    point, direction : (3,) float
        See the head of the module; NaN where there is none.
    radius : float
        [mm]; NaN where there is none.
    outward : int
        +1 or -1.
    half_angle : float
        Of a cone [rad].
    side : (n,) float
        Of two parallel planes: on which side of the middle each touch lies, +1 along the direction.
    measure : callable
        Moved ball centres or contacts (n, 3) -> deviations (n,) [mm] and their gradients (n, 3).
    points, normals : (n, 3) float
        Where on the nominal it was taken from.
    """

    kind: str
    point: np.ndarray
    direction: np.ndarray
    radius: float
    outward: int
    half_angle: float
    side: np.ndarray
    measure: Measure
    points: np.ndarray
    normals: np.ndarray

    @property
    def sized(self) -> bool:
        """Whether it is a feature of size."""
        return self.kind in ("cylinder", "sphere", "width")

    def translated(self, shift: np.ndarray) -> Counterpart:
        """The same, moved by a shift (3,) [mm]."""
        measure, points = self.measure, self.points + shift
        return replace(self, point=self.point + shift, points=points, measure=lambda x: measure(x - shift))

    def grip(self, centre: np.ndarray, arm: float) -> np.ndarray:
        """(m, 6) twists that this feature can take, one row each; see `probekit.fit.datums.twists`."""
        if self.kind in ("targets", "face"):
            rows = velocity_rows(self.points, self.normals, centre, arm)
            _, singular, vt = np.linalg.svd(rows, full_matrices=False)
            return vt[singular > 2e-3 * np.sqrt(len(rows))]  # what the touches see at all
        if self.kind == "sphere":
            return velocity_rows(np.tile(self.point, (3, 1)), np.eye(3), centre, arm)
        along, square = self.direction[None], across(self.direction)
        at = np.tile(self.point, (2, 1))
        if self.kind in ("plane", "width"):
            return np.vstack([velocity_rows(at[:1], along, centre, arm), rows_of_turning(square)])
        rows = np.vstack([velocity_rows(at, square, centre, arm), rows_of_turning(square)])
        return np.vstack([rows, velocity_rows(at[:1], along, centre, arm)]) if self.kind == "cone" else rows

    def grows_like(self, slides: np.ndarray) -> bool:
        """Whether a slide that is open, of directions (3, k), does what another size would do."""
        if self.kind in ("targets", "face"):
            return True  # these have no size
        return self.kind in ("plane", "cone") and bool(np.linalg.norm(slides.T @ self.direction) > 1e-3)


def from_measure(kind: str, points: np.ndarray, normals: np.ndarray, measure: Measure) -> Counterpart:
    """A counterpart that is the nominal as it is, at these points (n, 3) with outward normals (n, 3)."""
    nothing = np.full(3, np.nan)
    return Counterpart(kind, nothing, nothing, np.nan, 1, np.nan, np.ones(len(points)), measure, points, normals)


def from_normals(kind: str, points: np.ndarray, normals: np.ndarray, ball: float, name: str) -> Counterpart:
    """Counterpart of a given kind from points on the nominal and outward unit normals there.

    Parameters
    ----------
    kind : str
        "plane", "cylinder", "cone", "sphere", "width", or "targets".
    points, normals : (n, 3) float
        On the nominal, exactly [mm].
    ball : float
        Effective radius to take off the touches that will be measured [mm]; 0 for contact points.
    name : str
        Of the datum, for errors.

    Raises
    ------
    InputError
        If the points are not on one surface of that kind, or do not fix it.
    """
    if kind == "targets":
        return from_measure(
            kind, points, normals, lambda x: (np.einsum("ij,ij->i", x - points, normals) - ball, normals)
        )
    make = {"plane": _plane, "width": _width, "cylinder": _cylinder, "cone": _cone, "sphere": _sphere}[kind]
    nothing = np.full(3, np.nan)
    blank = Counterpart(kind, nothing, nothing, np.nan, 1, np.nan, np.ones(len(points)), _none, points, normals)
    made = make(blank, points, normals, name)
    made = replace(made, measure=_measure_of(made, ball))
    off = np.abs(made.measure(points)[0] + ball)
    span = float(np.linalg.norm(np.ptp(points, axis=0)))
    if off.max() > max(2e-3, 1e-4 * span):
        raise InputError(
            f"the targets of datum {name} do not lie on one {_WORDS[kind]}",
            column=f"datum {name}",
            found=f"one is {off.max():.4f} mm off",
            todo='Choose the features, or another kind ("face" takes the nominal as it is).',
        )
    return made


_WORDS = {
    "plane": "plane",
    "width": "pair of parallel planes",
    "cylinder": "cylinder",
    "cone": "cone",
    "sphere": "sphere",
}


def _none(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros(len(points)), points


def _plane(blank: Counterpart, points: np.ndarray, normals: np.ndarray, name: str) -> Counterpart:
    mean = normals.mean(axis=0)
    length = float(np.linalg.norm(mean))
    if length < 0.5 or np.linalg.norm(normals - mean / length, axis=1).max() > _STRAIGHT:
        raise InputError(
            f"the targets of datum {name} have no common normal, so they are not on one plane", column=f"datum {name}"
        )
    return replace(blank, point=points.mean(axis=0), direction=mean / length)


def _width(blank: Counterpart, points: np.ndarray, normals: np.ndarray, name: str) -> Counterpart:
    direction = np.linalg.svd(normals)[2][0]
    direction = direction * np.sign(direction[np.abs(direction).argmax()])
    facing = normals @ direction  # +1: the outward normal points along the direction
    if (np.abs(facing) < np.cos(np.arcsin(_STRAIGHT))).any() or not ((facing > 0).any() and (facing < 0).any()):
        raise TouchesError(
            f"datum {name} needs touches on two parallel planes that face away from, or towards, each other",
            column=f"datum {name}",
            found=f"{int((facing > 0.99).sum())} on one side, {int((facing < -0.99).sum())} on the other",
        )
    along = points @ direction
    high, low = along[facing > 0].mean(), along[facing < 0].mean()
    outward = 1 if high > low else -1
    point = points.mean(axis=0)
    point = point + direction * ((high + low) / 2 - point @ direction)
    return replace(
        blank,
        point=point,
        direction=direction,
        radius=abs(high - low) / 2,
        outward=outward,
        side=np.sign(facing) * outward,
    )


def _cylinder(blank: Counterpart, points: np.ndarray, normals: np.ndarray, name: str) -> Counterpart:
    _, spread, vt = np.linalg.svd(normals)
    if len(normals) < 2 or spread[1] < 0.05 * spread[0]:
        raise TouchesError(
            f"the targets of datum {name} are too close together round the axis to fix it", column=f"datum {name}"
        )
    direction = vt[2] * np.sign(vt[2][np.abs(vt[2]).argmax()])
    if np.abs(normals @ direction).max() > _STRAIGHT:
        raise InputError(
            f"the targets of datum {name} have normals that do not lie across one axis: not a cylinder",
            column=f"datum {name}",
        )
    point, radius = meeting(points, normals, np.eye(3) - np.outer(direction, direction))
    point = point + direction * ((points.mean(axis=0) - point) @ direction)
    return replace(blank, point=point, direction=direction, radius=abs(radius), outward=int(np.sign(radius)))


def _sphere(blank: Counterpart, points: np.ndarray, normals: np.ndarray, name: str) -> Counterpart:
    if len(normals) < 2 or np.linalg.svd(normals, compute_uv=False)[1] < 0.05:
        raise TouchesError(
            f"the targets of datum {name} are too close together to fix a centre", column=f"datum {name}"
        )
    point, radius = meeting(points, normals, np.eye(3))
    return replace(blank, point=point, radius=abs(radius), outward=int(np.sign(radius)))


def meeting(points: np.ndarray, normals: np.ndarray, flat: np.ndarray) -> tuple[np.ndarray, float]:
    """Point (3,) and distance r with point + r normal = points, seen along `flat`, by linear least squares."""
    system = np.vstack([np.hstack([flat, (flat @ n)[:, None]]) for n in normals])
    solved = np.linalg.lstsq(system, (points @ flat).ravel(), rcond=1e-9)[0]
    return solved[:3], float(solved[3])


def _cone(blank: Counterpart, points: np.ndarray, normals: np.ndarray, name: str) -> Counterpart:
    # the normals lie on a circle: n . a = s for the axis a
    centred = normals - normals.mean(axis=0)
    _, spread, vt = np.linalg.svd(centred)
    if len(normals) < 3 or spread[1] < 0.05:
        raise TouchesError(
            f"the targets of datum {name} are too close together round the axis to fix a cone", column=f"datum {name}"
        )
    axis = vt[2]
    lean = float((normals @ axis).mean())
    if np.abs(normals @ axis - lean).max() > _STRAIGHT or abs(lean) < _STRAIGHT:
        raise InputError(
            f"the targets of datum {name} have normals that make no constant angle with an axis", column=f"datum {name}"
        )
    # the tangent plane of every target passes through the apex
    apex = np.linalg.lstsq(normals, np.einsum("ij,ij->i", points, normals), rcond=None)[0]
    axis = axis * np.sign((points - apex).mean(axis=0) @ axis)  # from the apex into the cone
    outward = -int(np.sign((normals @ axis).mean()))
    return replace(
        blank, point=apex, direction=axis, radius=0.0, outward=outward, half_angle=float(np.arcsin(abs(lean)))
    )


def _measure_of(made: Counterpart, ball: float) -> Measure:
    point, direction, radius, outward = made.point, made.direction, made.radius, made.outward

    def plane(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (x - point) @ direction - ball, np.tile(direction, (len(x), 1))

    def width(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        facing = made.side * outward
        return facing * ((x - point) @ direction) - outward * radius - ball, facing[:, None] * direction

    def round_(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        arm = x - point
        height = arm @ direction if made.kind != "sphere" else np.zeros(len(x))
        if made.kind != "sphere":
            arm = arm - height[:, None] * direction
        distance = np.linalg.norm(arm, axis=1)
        unit = arm / np.maximum(distance, 1e-300)[:, None]
        if made.kind == "cone":
            c, s = np.cos(made.half_angle), np.sin(made.half_angle)
            return outward * (c * distance - s * height) - ball, outward * (c * unit - s * direction)
        return outward * (distance - radius) - ball, outward * unit

    return {"plane": plane, "width": width}.get(made.kind, round_)


def from_parameters(
    kind: str, values: Mapping[str, object], material: str | None, measured: np.ndarray, ball: float, name: str
) -> Counterpart:
    """Counterpart from its nominal parameters, for touches that have no targets.

    Parameters
    ----------
    kind : str
        "plane", "cylinder", "cone", "sphere" or "width".
    values : mapping
        `point` (3,) on it (the apex of a cone, the centre of a sphere, in the middle of two planes); `direction` (3,):
        outward normal, or axis (of a cone from the apex inwards); `radius`, `width` [mm]; `half_angle` [deg].
    material : {"inside", "outside"}
        Where the material is, of all but a plane.
    measured : (n, 3) float
        The touches: they tell the two sides of a width apart [mm].
    ball : float
        As `from_normals` has it [mm].
    name : str
        Of the datum, for errors.

    Raises
    ------
    InputError
        If a value is missing or not usable.
    """
    needed = {
        "plane": ("point", "direction"),
        "cylinder": ("point", "direction", "radius"),
        "cone": ("point", "direction", "half_angle"),
        "sphere": ("point", "radius"),
        "width": ("point", "direction", "width"),
    }
    if kind not in needed or set(values) != set(needed[kind]):
        raise InputError(
            f"the nominal parameters of datum {name} do not fit its kind",
            column=f"datum {name}",
            found=f"{kind}: {', '.join(values)}",
            expected=", ".join(needed.get(kind, ("a kind with a closed form",))),
        )
    if kind != "plane" and material not in ("inside", "outside"):
        raise InputError(f"datum {name} must say where the material is", found=material, expected="inside or outside")
    point = np.asarray(values["point"], dtype=float)
    direction = np.asarray(values.get("direction", (np.nan,) * 3), dtype=float)
    if kind != "sphere":
        length = float(np.linalg.norm(direction)) if direction.shape == (3,) else np.nan
        if not length > 0:
            raise InputError(f"the direction of datum {name} is not one", found=direction)
        direction = direction / length
    radius = float(values.get("radius", float(values.get("width", 0.0)) / 2))
    if point.shape != (3,) or not np.isfinite(point).all() or not (radius > 0 or kind in ("plane", "cone")):
        raise InputError(f"a nominal parameter of datum {name} is not usable", found=dict(values))
    side = np.where((measured - point) @ direction >= 0, 1.0, -1.0) if kind == "width" else np.ones(len(measured))
    outward = -1 if material == "outside" and kind != "plane" else 1
    angle = float(np.radians(float(values.get("half_angle", 0.0))))
    made = Counterpart(kind, point, direction, radius, outward, angle, side, _none, measured, measured)
    return replace(made, measure=_measure_of(made, ball))
