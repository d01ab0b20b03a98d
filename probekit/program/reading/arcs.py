"""Arcs of a program: centre, sweep, points on the way.

Source: NISTIR 6556, section 3.5.3 (G2, G3), from memory: I J K are increments from the start to the centre; R above
zero asks for the shorter arc, below zero for the longer; the two radii may differ by 0.002 mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Arc", "arc_about", "arc_of_radius"]

#: Plane -> (first, second, normal) axis; right-handed, so that G3 turns from the first towards the second.
PLANES = {"G17": (0, 1, 2), "G18": (2, 0, 1), "G19": (1, 2, 0)}

TOLERANCE = 0.002


@dataclass(frozen=True)
class Arc:
    """A circular or helical move.

    Attributes
    ----------
    start, end, centre : (3,) float
        Program coordinates [mm]; the centre at the height of the start.
    plane : {"G17", "G18", "G19"}
    sweep : float
        [degree], positive for G3.
    """

    start: tuple[float, ...]
    end: tuple[float, ...]
    centre: tuple[float, ...]
    plane: str
    sweep: float

    @property
    def radius(self) -> float:
        """[mm]"""
        first, second, _ = PLANES[self.plane]
        return math.hypot(self.start[first] - self.centre[first], self.start[second] - self.centre[second])

    @property
    def length(self) -> float:
        """Length of the way [mm], rise included."""
        normal = PLANES[self.plane][2]
        return math.hypot(self.radius * math.radians(abs(self.sweep)), self.end[normal] - self.start[normal])

    def points(self, chord_error: float = 0.01) -> np.ndarray:
        """(n, 3) points from start to end, no chord further from the arc than `chord_error` [mm]."""
        first, second, normal = PLANES[self.plane]
        step = 2.0 * math.acos(max(1.0 - chord_error / max(self.radius, chord_error), 0.0))
        count = min(max(2, math.ceil(math.radians(abs(self.sweep)) / step) + 1), 10_000)
        at = np.linspace(0.0, 1.0, count)
        begin = math.atan2(self.start[second] - self.centre[second], self.start[first] - self.centre[first])
        angle = begin + np.radians(self.sweep) * at
        points = np.empty((count, 3))
        points[:, first] = self.centre[first] + self.radius * np.cos(angle)
        points[:, second] = self.centre[second] + self.radius * np.sin(angle)
        points[:, normal] = self.start[normal] + (self.end[normal] - self.start[normal]) * at
        points[0], points[-1] = self.start, self.end
        return points


def arc_about(start: Sequence[float], end: Sequence[float], to_centre: Sequence[float], plane: str, word: str) -> Arc:
    """The arc whose centre is an increment away from its start. Start equal to end is a full circle.

    Parameters
    ----------
    start, end, to_centre : (3,) float
        [mm]
    plane : {"G17", "G18", "G19"}
    word : {"G2", "G3"}

    Raises
    ------
    ValueError
        If the two radii differ, or are zero.
    """
    first, second, normal = PLANES[plane]
    centre = [start[axis] + to_centre[axis] for axis in range(3)]
    centre[normal] = start[normal]
    radii = [math.hypot(point[first] - centre[first], point[second] - centre[second]) for point in (start, end)]
    if min(radii) == 0 or abs(radii[0] - radii[1]) > TOLERANCE:
        raise ValueError(f"the arc starts {radii[0]:.4f} mm from its centre and ends {radii[1]:.4f} mm from it")
    angles = [math.atan2(point[second] - centre[second], point[first] - centre[first]) for point in (start, end)]
    same = math.hypot(start[first] - end[first], start[second] - end[second]) < 1e-9
    sweep = 360.0 if same else math.degrees(angles[1] - angles[0]) % 360.0
    if word == "G2":
        sweep = -360.0 if same else sweep - 360.0
    return Arc(tuple(start), tuple(end), tuple(centre), plane, sweep)


def arc_of_radius(start: Sequence[float], end: Sequence[float], radius: float, plane: str, word: str) -> Arc:
    """The arc of a given radius from start to end; `radius` below zero asks for the longer way.

    Parameters
    ----------
    start, end : (3,) float
        [mm]
    radius : float
        [mm]
    plane : {"G17", "G18", "G19"}
    word : {"G2", "G3"}

    Raises
    ------
    ValueError
        If start and end are one point, or further apart than the diameter.
    """
    first, second, _ = PLANES[plane]
    across = (end[first] - start[first], end[second] - start[second])
    chord = math.hypot(*across)
    height_squared = radius**2 - chord**2 / 4.0
    if chord < 1e-9:
        raise ValueError("an arc given by its radius cannot be a full circle")
    if height_squared < -TOLERANCE * abs(radius):
        raise ValueError(f"the ends of the arc are {chord:.4f} mm apart, more than twice the radius")
    height = math.sqrt(max(height_squared, 0.0)) * (1.0 if (word == "G3") == (radius > 0) else -1.0)
    to_centre = [0.0, 0.0, 0.0]
    to_centre[first] = across[0] / 2.0 - height * across[1] / chord
    to_centre[second] = across[1] / 2.0 + height * across[0] / chord
    return arc_about(start, end, to_centre, plane, word)
