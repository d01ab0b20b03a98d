"""The errors of a machine and of its probe, each alone: any selection makes a machine.

Errors of *place* move the ball away from where the scales say it is; errors of *trigger* let it travel on after contact
before the position is taken; an error of a *rotary axis* changes the machine's own kinematics. Signs: an error of place
is what is added to the position that the scales show, in program coordinates.

These are models of common errors in the words of ISO 230-1 (from memory), not those of any machine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from numbers import Real

import numpy as np

from ..errors import InputError
from ..plan.kinematics import Kinematics

__all__ = [
    "Backlash",
    "BallOffset",
    "ErrorGrid",
    "Latency",
    "Lobing",
    "MachineError",
    "MissedTriggers",
    "Repeatability",
    "RotaryError",
    "Scale",
    "Squareness",
    "Stuck",
    "Warming",
]


@dataclass(frozen=True)
class Place:
    """Where the scales show the ball to be: n positions.

    Attributes
    ----------
    position : (n, 3) float
        Program coordinates [mm].
    heading : (n, 3) float
        Sense of the last motion of each linear axis: 1, -1, or 0 if it has not moved yet.
    seconds : (n,) float
        Time since the program began.
    """

    position: np.ndarray
    heading: np.ndarray
    seconds: np.ndarray


@dataclass(frozen=True)
class Contact:
    """Contacts of the ball with the part: n of them.

    Attributes
    ----------
    direction : (n, 3) float
        Outward unit normal of the part, in the probe's own frame: z from the ball to the spindle.
    feed : (n,) float
        Of the probing move [mm/min].
    chance : (n,) float
        A number between 0 and 1, drawn for this error and this touch alone.
    """

    direction: np.ndarray
    feed: np.ndarray
    chance: np.ndarray


@dataclass(frozen=True)
class MachineError:
    """An error that does nothing; the others say what is different. Every number must be finite."""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            numbers = value if isinstance(value, tuple) else (value,)
            if item.type in ("float", "float | None", "int", "tuple[float, float, float]") and not (
                len(numbers) == (3 if item.type.startswith("tuple") else 1)
                and all(isinstance(v, Real) and not isinstance(v, bool) and math.isfinite(v) for v in numbers)
            ):
                raise InputError(
                    f"a machine error is not usable: {type(self).__name__}",
                    column=item.name,
                    found=value,
                    expected="three finite numbers" if item.type.startswith("tuple") else "a finite number",
                )

    def displacement(self, place: Place) -> np.ndarray:
        """(n, 3) what is added to the position that the scales show [mm]."""
        return np.zeros_like(place.position)

    def travel(self, contact: Contact) -> np.ndarray:
        """(n,) way from the contact to the trigger, along the probing move [mm]."""
        return np.zeros(len(contact.direction))

    def fails(self, contact: Contact) -> np.ndarray:
        """(n,) whether the probe does not trigger at all."""
        return np.zeros(len(contact.direction), dtype=bool)

    def signals(self, contact: Contact) -> np.ndarray:
        """(n,) whether the probe signals before the probing move begins."""
        return np.zeros(len(contact.direction), dtype=bool)

    def kinematics(self, ideal: Kinematics) -> Kinematics:
        """The machine as it really turns."""
        return ideal

    def ball_offset(self) -> tuple[float, float, float]:
        """Where the ball really is, beside the spindle's axis, in the probe's own frame [mm]."""
        return (0.0, 0.0, 0.0)

    def _not_negative(self, *names: str) -> None:
        for name in names:
            if getattr(self, name) < 0:
                what = f"a machine error is not usable: {type(self).__name__}"
                raise InputError(what, column=name, found=getattr(self, name), expected="zero or more")


@dataclass(frozen=True)
class Scale(MachineError):
    """Linear error of the scales: an axis moves too far by so much per length [um/m]. A length then measures small."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0

    def displacement(self, place: Place) -> np.ndarray:  # noqa: D102
        return place.position * (np.array([self.x, self.y, self.z]) * 1e-6)


@dataclass(frozen=True)
class Squareness(MachineError):
    """The angle between two axes is larger than a right angle by so much [um/m]; X, then Y, are the reference."""

    xy: float = 0.0
    xz: float = 0.0
    yz: float = 0.0

    def displacement(self, place: Place) -> np.ndarray:  # noqa: D102
        _, y, z = place.position.T
        moved = np.zeros_like(place.position)
        moved[:, 0] = -(self.xy * y + self.xz * z) * 1e-6
        moved[:, 1] = -self.yz * z * 1e-6
        return moved


@dataclass(frozen=True)
class Backlash(MachineError):
    """Lost motion of an axis on reversal [mm]: it stays behind by half of it, whichever way it goes."""

    x: float = 0.0
    y: float = 0.0
    z: float = 0.0

    def displacement(self, place: Place) -> np.ndarray:  # noqa: D102
        return -0.5 * place.heading * np.array([self.x, self.y, self.z])


@dataclass(frozen=True, eq=False)
class ErrorGrid(MachineError):
    """Volumetric errors, given on a grid and interpolated linearly in each direction; constant outside it.

    Parameters
    ----------
    x, y, z : (nx,), (ny,), (nz,) sequences of float
        Program coordinates of the grid, increasing [mm].
    values : (nx, ny, nz, 3) float
        Displacement at each node [mm].

    Raises
    ------
    InputError
        If the shapes do not fit, a coordinate does not increase, or a value is no number.
    """

    x: Sequence[float]
    y: Sequence[float]
    z: Sequence[float]
    values: np.ndarray

    def __post_init__(self) -> None:
        axes = [np.array(axis, dtype=float) for axis in (self.x, self.y, self.z)]
        values = np.array(self.values, dtype=float)
        for name, axis in zip("xyz", axes, strict=True):
            if axis.ndim != 1 or len(axis) < 2 or not np.isfinite(axis).all() or (np.diff(axis) <= 0).any():
                raise InputError("the error grid is not usable", column=name, found=axis, expected="increasing mm")
            object.__setattr__(self, name, tuple(axis.tolist()))
        wanted = (*(len(axis) for axis in axes), 3)
        if values.shape != wanted or not np.isfinite(values).all():
            raise InputError(
                "the error grid is not usable",
                column="values",
                found=f"shape {values.shape}",
                expected=f"{wanted}, finite numbers in mm",
            )
        values.setflags(write=False)
        object.__setattr__(self, "values", values)

    def displacement(self, place: Place) -> np.ndarray:  # noqa: D102
        from scipy.interpolate import RegularGridInterpolator

        axes = tuple(np.array(axis) for axis in (self.x, self.y, self.z))
        inside = np.clip(place.position, [axis[0] for axis in axes], [axis[-1] for axis in axes])
        return RegularGridInterpolator(axes, self.values)(inside)

    def __repr__(self) -> str:
        largest = float(np.linalg.norm(self.values, axis=-1).max())
        return f"ErrorGrid({len(self.x)} x {len(self.y)} x {len(self.z)} nodes, up to {largest:.4f} mm)"


@dataclass(frozen=True)
class Warming(MachineError):
    """The zero of the axes drifts as the machine warms: drift (1 - exp(-t / time constant)).

    Parameters
    ----------
    drift : (3,) float
        After a long time, in program coordinates [mm].
    minutes : float
        Time constant.
    """

    drift: tuple[float, float, float]
    minutes: float

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.minutes <= 0:
            raise InputError("the time constant is not usable", column="minutes", found=self.minutes, expected="> 0")

    def displacement(self, place: Place) -> np.ndarray:  # noqa: D102
        return -np.expm1(-place.seconds / (60.0 * self.minutes))[:, None] * np.array(self.drift)


@dataclass(frozen=True)
class RotaryError(MachineError):
    """A rotary axis is not where the control believes it to be.

    Parameters
    ----------
    letter : str
        Of the axis.
    offset : (3,) float
        Of the axis of a table, from where it is believed to be [mm].
    tilt : (3,) float
        Rotation vector that takes the believed direction to the real one [degree].
    """

    letter: str
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tilt: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def kinematics(self, ideal: Kinematics) -> Kinematics:  # noqa: D102
        from scipy.spatial.transform import Rotation

        if self.letter not in ideal.letters:
            there = ", ".join(ideal.letters) or "none: it has three linear axes"
            raise InputError("the machine has no such rotary axis", found=self.letter, expected=there)
        if any(self.offset) and any(axis.letter == self.letter and axis.moves == "head" for axis in ideal.axes):
            raise InputError(
                "the axes of a head meet in one pivot in this model, so none of them can be offset",
                column="offset",
                found=self.offset,
                expected="a tilt only",
            )
        turned = Rotation.from_rotvec(self.tilt, degrees=True)
        return replace(
            ideal,
            axes=tuple(
                replace(
                    axis,
                    point=tuple(np.add(axis.point, self.offset).tolist()),
                    direction=tuple(turned.apply(axis.direction).tolist()),
                )
                if axis.letter == self.letter
                else axis
                for axis in ideal.axes
            ),
        )


@dataclass(frozen=True)
class BallOffset(MachineError):
    """The ball does not run true: it stands beside the spindle's axis, and turns with the spindle [mm]."""

    x: float = 0.0
    y: float = 0.0

    def ball_offset(self) -> tuple[float, float, float]:  # noqa: D102
        return (self.x, self.y, 0.0)


@dataclass(frozen=True)
class Lobing(MachineError):
    r"""Pre-travel that depends on the direction: the way from contact to trigger.

    .. math:: p = p_0 + (m - p_0)\,s^2 + a\,s^k \cos k(\varphi - \varphi_0) ,

    s the sine of the angle between the part's normal and the tool axis, :math:`\varphi` the azimuth of the normal in
    the probe's own frame. Three lobes are what a probe with three seats shows (common practice, no source); the powers
    of s make the pattern smooth at the pole, a sum of spherical harmonics up to degree max(2, k).

    Parameters
    ----------
    mean : float
        m, average over all sideways directions [mm].
    amplitude : float
        a [mm]
    lobes : int
        k
    phase : float
        Azimuth of a lobe [degree].
    axial : float, optional
        p0, along the tool axis [mm]; by default as `mean`.
    """

    mean: float
    amplitude: float = 0.0
    lobes: int = 3
    phase: float = 0.0
    axial: float | None = None

    def __post_init__(self) -> None:
        if self.axial is None:
            object.__setattr__(self, "axial", self.mean)
        super().__post_init__()
        if not isinstance(self.lobes, int) or self.lobes < 1:
            raise InputError("the number of lobes is not usable", found=self.lobes, expected="1, 2, 3, ...")
        if min(self.mean - abs(self.amplitude), self.axial) < 0:
            raise InputError("the pre-travel would be negative somewhere", found=self, expected="amplitude <= mean")

    def travel(self, contact: Contact) -> np.ndarray:  # noqa: D102
        x, y, _ = contact.direction.T
        sideways, azimuth = np.hypot(x, y), np.arctan2(y, x) - math.radians(self.phase)
        lobed = self.amplitude * sideways**self.lobes * np.cos(self.lobes * azimuth)
        return self.axial + (self.mean - self.axial) * sideways**2 + lobed


@dataclass(frozen=True)
class Latency(MachineError):
    """The position is taken late by a time [s]: a way that grows with the feed."""

    seconds: float

    def __post_init__(self) -> None:
        super().__post_init__()
        self._not_negative("seconds")

    def travel(self, contact: Contact) -> np.ndarray:  # noqa: D102
        return contact.feed / 60.0 * self.seconds


@dataclass(frozen=True)
class Repeatability(MachineError):
    """Normal scatter of the trigger along the probing move: standard deviation [mm]."""

    sigma: float

    def __post_init__(self) -> None:
        super().__post_init__()
        self._not_negative("sigma")

    def travel(self, contact: Contact) -> np.ndarray:  # noqa: D102
        from scipy.special import ndtri

        return self.sigma * ndtri(np.clip(contact.chance, 1e-16, 1.0 - 1e-16))


@dataclass(frozen=True)
class MissedTriggers(MachineError):
    """The probe fails to trigger, once in a while: probability per touch."""

    probability: float

    def __post_init__(self) -> None:
        super().__post_init__()
        if not 0 <= self.probability <= 1:
            raise InputError("a probability is not usable", found=self.probability, expected="0 to 1")

    def fails(self, contact: Contact) -> np.ndarray:  # noqa: D102
        return contact.chance < self.probability


@dataclass(frozen=True)
class Stuck(MachineError):
    """The probe is held deflected, or its signal is: it signals before any probing move begins."""

    def signals(self, contact: Contact) -> np.ndarray:  # noqa: D102
        return np.ones(len(contact.direction), dtype=bool)
