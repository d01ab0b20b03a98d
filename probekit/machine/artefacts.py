"""Reference artefacts in closed form, and where to touch them: a sphere and a ring of known size."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET
from ..errors import InputError
from ..show import shown

__all__ = ["FORM_TEST", "ReferenceRing", "ReferenceSphere"]

#: Polar angle [degree], number of touches, azimuth of the first [degree]: the 25 touches that ISO 10360-5 recommends
#: for the form error of a probing system (from memory): pole, 4, 8, 4 and 8 touches, each group turned by 22.5 degree.
FORM_TEST = ((0.0, 1, 0.0), (22.5, 4, 0.0), (45.0, 8, 22.5), (67.5, 4, 45.0), (90.0, 8, 67.5))


@shown
@dataclass(frozen=True)
class ReferenceSphere:
    """A sphere of known diameter.

    Parameters
    ----------
    diameter : float
        [mm]
    centre : (3,) float
        Where it really stands, in the part frame [mm].

    Raises
    ------
    InputError
        If a value is not usable.
    """

    diameter: float
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        _check(self.diameter, self.centre)

    def distance(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance (n,) of points (n, 3) from the sphere [mm], and its outward normal (n, 3)."""
        away = np.asarray(points, dtype=float) - np.asarray(self.centre, dtype=float)
        length = np.linalg.norm(away, axis=1)
        normal = np.where(length[:, None] > 0, away / np.maximum(length, 1e-300)[:, None], [0.0, 0.0, 1.0])
        return length - self.diameter / 2, normal

    def targets(
        self,
        pattern: Sequence[tuple[float, int, float]] = FORM_TEST,
        *,
        centre: tuple[float, float, float] = (0.0, 0.0, 0.0),
    ) -> pd.DataFrame:
        """Targets on the sphere, about the part frame's Z; rows of one polar angle after the other, from the pole.

        Parameters
        ----------
        pattern : sequence of (polar angle [degree], number of touches, azimuth of the first [degree])
            By default the 25 touches of ISO 10360-5 (from memory).
        centre : (3,) float
            Where the sphere is believed to stand [mm].

        Returns
        -------
        DataFrame
            ``touch, feature, x0, y0, z0, i, j, k, face``.
        """
        normals = []
        for polar, count, first in pattern:
            if not 0 <= polar <= 90 or count < 1:
                raise InputError(
                    "a ring of targets is not usable",
                    found=(polar, count),
                    expected="0 to 90 degrees from the pole, and at least one target",
                )
            turn = np.radians(first + 360.0 * np.arange(count) / count)
            away, up = math.sin(math.radians(polar)), math.cos(math.radians(polar))
            normals.append(np.column_stack([away * np.cos(turn), away * np.sin(turn), np.full(count, up)]))
        return _table(np.concatenate(normals), self.diameter / 2, centre, "sphere", 1.0)


@shown
@dataclass(frozen=True)
class ReferenceRing:
    """A ring gauge: a bore of known diameter along Z, taken to be endless.

    Parameters
    ----------
    diameter : float
        Of the bore [mm].
    centre : (3,) float
        A point on its axis, where it really stands, in the part frame [mm].

    Raises
    ------
    InputError
        If a value is not usable.
    """

    diameter: float
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        _check(self.diameter, self.centre)

    def distance(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance (n,) of points (n, 3) from the bore's wall [mm], and its normal (n, 3), into the bore."""
        away = np.asarray(points, dtype=float) - np.asarray(self.centre, dtype=float)
        away[:, 2] = 0.0
        length = np.linalg.norm(away, axis=1)
        normal = np.where(length[:, None] > 0, -away / np.maximum(length, 1e-300)[:, None], [1.0, 0.0, 0.0])
        return self.diameter / 2 - length, normal

    def targets(
        self, count: int = 12, *, first: float = 0.0, centre: tuple[float, float, float] = (0.0, 0.0, 0.0)
    ) -> pd.DataFrame:
        """Targets evenly round the bore.

        Parameters
        ----------
        count : int
        first : float
            Azimuth of the first [degree].
        centre : (3,) float
            Where the ring is believed to stand [mm].

        Returns
        -------
        DataFrame
            ``touch, feature, x0, y0, z0, i, j, k, face``.
        """
        if count < 1:
            raise InputError("a ring needs targets", found=count, expected="one or more")
        turn = np.radians(first + 360.0 * np.arange(count) / count)
        inward = -np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
        return _table(inward, self.diameter / 2, centre, "ring", -1.0)


def _check(diameter: float, centre: tuple[float, float, float]) -> None:
    if isinstance(diameter, bool) or not isinstance(diameter, int | float | np.number) or not 0 < diameter < math.inf:
        raise InputError("the artefact has no usable diameter", found=diameter, expected="a positive number in mm")
    if np.shape(centre) != (3,) or not np.isfinite(np.asarray(centre, dtype=float)).all():
        raise InputError("the artefact has no usable centre", found=centre, expected="three numbers in mm")


def _table(
    normals: np.ndarray, radius: float, centre: tuple[float, float, float], name: str, side: float
) -> pd.DataFrame:
    points = np.asarray(centre, dtype=float) + side * radius * normals
    table = pd.DataFrame({"touch": np.arange(1, len(normals) + 1), "feature": name})
    for names, values in ((TARGET, points), (NORMAL, normals)):
        for column, letter in enumerate(names):
            table[letter] = values[:, column] + 0.0
    table["face"] = name
    table.attrs = {"part": f"reference {name}", "unit": "mm"}
    return table
