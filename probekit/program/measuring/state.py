"""What a measuring machine remembers from statement to statement, and what it has measured."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ...errors import InputError
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe

__all__ = ["Measured", "Sensor", "Setting", "sensor_of"]

_LONGEST = 48  # characters of a label that stands for a name


@dataclass(frozen=True)
class Sensor:
    """A qualified sensor: its label, the angles of the head, None where the label does not tell, and the tip."""

    label: str
    angles: tuple[float, ...] | None
    tip: int


@dataclass(frozen=True, eq=False)
class Setting:
    """The state of the machine; None is what the program has not said.

    Attributes
    ----------
    units : bool
        Whether they are said: mm and decimal degrees are the only ones that are known here.
    frame : str or None
        Label of the coordinate system in force.
    motion : (4, 4) float
        From that system to the one that was recalled: what the program itself has moved and turned.
    mode : str or None
        Minor words of MODE.
    sensor : Sensor or None
    positioning, measuring : float or None
        Rates [mm/min].
    approach, search, retract : float or None
        Distances of a measured point from surface to ball [mm].
    clearance : float or None
        To the clearance surface that the machine would go to by itself [mm].
    """

    units: bool = False
    frame: str | None = None
    motion: np.ndarray = field(default_factory=lambda: np.eye(4))
    mode: str | None = None
    sensor: Sensor | None = None
    positioning: float | None = None
    measuring: float | None = None
    approach: float | None = None
    search: float | None = None
    retract: float | None = None
    clearance: float | None = None


@dataclass(frozen=True, eq=False)
class Measured:
    """A measured point as the program states it.

    Attributes
    ----------
    line : int
        Of its PTMEAS.
    label : str
        Of its feature.
    nominal, asked : (6,) float
        Place and direction of the feature, and of the point that is measured [mm], in the system in force.
    setting : Setting
        In force then.
    row : int
        Place of its probing move among the steps.
    moved : float
        How far the machine itself goes from where it stands to where the approach begins [mm].
    """

    line: int
    label: str
    nominal: tuple[float, ...]
    asked: tuple[float, ...]
    setting: Setting
    row: int
    moved: float


def sensor_of(label: str, kinematics: Kinematics, probe: Probe, line: int) -> Sensor:
    """What a sensor's label says: ``A7_5_B_90_TIP_1`` is A7.5 B-90 and tip 1, the probe's own name no angle at all.

    Parameters
    ----------
    label : str
    kinematics : Kinematics
    probe : Probe
    line : int
        For errors.

    Raises
    ------
    InputError
        If the label is none of these, or names a tip that the probe does not have.
    """
    letters, name = kinematics.letters, re.sub(r"[^A-Za-z0-9_]", "_", probe.name)[:_LONGEST].upper() or "_"
    form = "_".join(f"{letter}(_?[0-9]+(?:_[0-9]{{1,3}})?)" for letter in letters) if letters else "(?!)"
    found = re.fullmatch(rf"(?:(?P<name>{re.escape(name)})|{form})(?:_TIP_(?P<tip>[0-9]{{1,3}}))?", label)
    tip = int(found["tip"] or 0) if found else 0
    if found is None or tip not in probe.choices:
        pose = "_".join(f"{letter}<angle>" for letter in letters)
        tips = f", with _TIP_<number> for tips {probe.choices[1:]}" if len(probe.choices) > 1 else ""
        expected = " or ".join(f"SA({one})" for one in (name, pose) if one) + tips
        raise InputError("this sensor is not known", line=line, found=f"SA({label})", expected=expected)
    if found["name"]:
        return Sensor(label, None if letters else (), tip)
    return Sensor(label, tuple(_angle(found[2 + k]) for k in range(len(letters))), tip)


def _angle(text: str) -> float:
    """An angle whose minus and point are written as underlines."""
    sign = -1.0 if text.startswith("_") else 1.0
    return sign * float(text.lstrip("_").replace("_", "."))


def told(angles: Sequence[float], letters: Sequence[str]) -> str:
    """Angles in words."""
    return " ".join(f"{letter}{angle:g}" for letter, angle in zip(letters, angles, strict=True)) or "no axis"
