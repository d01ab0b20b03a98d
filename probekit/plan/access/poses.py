"""Poses of the rotary axes: which to allow, and how each holds the probe in the part frame."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from ...errors import InputError
from ..kinematics import Kinematics
from ..probe import Probe

__all__ = ["checked_poses", "pose_frame", "poses", "tip_offset", "tip_place"]


def pose_frame(kinematics: Kinematics, angles: Sequence[float] = ()) -> np.ndarray:
    """Rotation from probe coordinates to the part frame.

    Parameters
    ----------
    kinematics : Kinematics
    angles : (n_axes,) float
        [degree]

    Returns
    -------
    (3, 3) float
        Its last column is the tool axis, from the ball towards the spindle.

    Raises
    ------
    InputError
        If there is not one finite angle per axis.
    """
    table = kinematics.part_motion(angles)[:3, :3]
    head = np.eye(3)
    for axis, angle in zip(kinematics.axes, angles, strict=False):
        if axis.moves == "head":
            head = head @ axis.turned(angle)
    return table.T @ head


def tip_offset(probe: Probe, tip: int, kinematics: Kinematics, angles: Sequence[float] = ()) -> np.ndarray:
    """From the reference ball's centre to that of a tip, in the part frame.

    Parameters
    ----------
    probe : Probe
    tip : int
    kinematics : Kinematics
    angles : (n_axes,) float
        [degree]

    Returns
    -------
    (3,) float
        [mm]; zero for the straight tip.

    Raises
    ------
    InputError
        If the probe has no such tip, or there is not one finite angle per axis.
    """
    return pose_frame(kinematics, angles) @ probe.offset(tip)


def tip_place(
    place: np.ndarray, probe: Probe, tip: int, kinematics: Kinematics, angles: Sequence[float] = ()
) -> np.ndarray:
    """(3,) where the ball of a tip is in the part frame, the reference ball at a place (3,) of the program [mm]."""
    at = kinematics.to_part(place, angles, length=probe.tool_length)
    return np.asarray(at + tip_offset(probe, tip, kinematics, angles))


def poses(
    kinematics: Kinematics, *, step: float | Sequence[float] = 30.0, tilt: float = 90.0, turned: bool = True
) -> tuple[tuple[float, ...], ...]:
    """A list of indexed poses: all multiples of a step within the limits of the axes.

    Parameters
    ----------
    kinematics : Kinematics
    step : float or one per axis
        [degree]
    tilt : float
        Largest angle between the tool axis and the one of the pose with all axes at zero [degree].
    turned : bool
        The probe is the same from all sides (`Probe.turned`): of poses with the same tool axis only the one with the
        smallest angles is kept.

    Returns
    -------
    tuple of (n_axes,) tuples
        Angles [degree]: the least tilted first.

    Raises
    ------
    InputError
        If a step is not positive, or not one per axis.
    """
    steps = [float(s) for s in (step if isinstance(step, Sequence) else [step] * len(kinematics.axes))]
    if len(steps) != len(kinematics.axes) or not all(0 < s < math.inf for s in steps):
        raise InputError(
            "the steps of the rotary axes are not usable",
            column="step",
            found=step,
            expected="degrees > 0, one per axis",
        )
    choices = []
    for axis, one in zip(kinematics.axes, steps, strict=True):
        low, high = max(axis.limits[0], -180.0), min(axis.limits[1], 180.0)
        choices.append([n * one for n in range(math.ceil(low / one - 1e-9), math.floor(high / one + 1e-9) + 1)])
    up = kinematics.tool_axis([0.0] * len(choices)) if choices else None
    found: dict[tuple[float, ...], tuple[float, tuple[float, ...]]] = {}
    for angles in sorted(itertools.product(*choices), key=lambda a: (sum(abs(x) for x in a), [-x for x in a])):
        frame = pose_frame(kinematics, angles)
        lean = 0.0 if up is None else math.degrees(math.acos(min(1.0, max(-1.0, float(frame[:, 2] @ up)))))
        if lean <= tilt + 1e-9:
            same = frame[:, 2] if turned else frame.ravel()
            found.setdefault(tuple(np.round(same, 6) + 0.0), (round(lean, 6), angles))
    return tuple(angles for _, angles in sorted(found.values(), key=lambda one: one[0]))


def checked_poses(kinematics: Kinematics, given: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], ...]:
    """Poses as tuples of numbers, each within the limits of the axes.

    Raises
    ------
    InputError
        If there is none, a pose has not one finite angle per axis, or an angle is outside the limits.
    """
    found = tuple(tuple(float(angle) for angle in pose) for pose in given)
    if not found:
        raise InputError("no pose is allowed", column="poses", found="none", expected="angles, one tuple per pose")
    for pose in found:
        if len(pose) != len(kinematics.axes) or not all(math.isfinite(angle) for angle in pose):
            raise InputError(
                "a pose does not match the rotary axes of this machine",
                column="poses",
                found=pose,
                expected=f"{len(kinematics.axes)} finite angles ({' '.join(kinematics.letters) or 'no rotary axis'})",
            )
        for axis, angle in zip(kinematics.axes, pose, strict=True):
            if not axis.limits[0] - 1e-9 <= angle <= axis.limits[1] + 1e-9:
                raise InputError(
                    f"axis {axis.letter} cannot reach a pose",
                    column="poses",
                    found=angle,
                    expected=f"{axis.limits[0]:g} to {axis.limits[1]:g} degrees",
                )
    return found
