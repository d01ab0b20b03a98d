r"""The effective radius of a ball by direction: what a lobed probe needs, from qualification on a sphere or in a ring.

The direction is the outward unit normal of the touched surface, from the contact to the ball's centre, in the *probe's
own frame*: z from the ball towards the spindle, turning with head and spindle. A touches table may say how the probe
stood in the columns ``turn_x, turn_y, turn_z``: the rotation vector [degree] that takes directions of the part frame to
the probe's; where it does not, the two are parallel.

**Sphere.** Real spherical harmonics, those that are even in z:

.. math:: R(w) = \sum_{l \ne 1,\ l+m\ \mathrm{even}} P_l^m(w_z)\,(a_{lm} \cos m\varphi + b_{lm} \sin m\varphi) .

A probe in a spindle touches the upper half of a sphere only. There the even functions say all that can be told, and the
odd ones would only mimic them (condition number 93 in place of 15 for the 25 touches of the form test, degree 3). The
terms with l = 1 are missing: they are the place of the sphere. Directions from below are answered as from above.

**Ring.** :math:`R(\varphi) = a_0 + \sum_{k \ge 2} a_k \cos k\varphi + b_k \sin k\varphi`; for sideways touches only.

Spherical harmonics: NIST Digital Library of Mathematical Functions, 14.30 (from memory), without the phase
:math:`(-1)^m`, scaled to mean square one over the sphere.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..columns import TURN, array
from ..errors import InputError
from ..show import shown

__all__ = ["RadiusMap", "in_probe_frame", "map_basis", "map_size", "turns_of"]

_STEEPEST = math.sin(math.radians(20.0))  # of a direction out of the ring's plane


@shown
@dataclass(frozen=True)
class RadiusMap:
    """The effective radius of a ball for every direction.

    Parameters
    ----------
    kind : {"sphere", "ring"}
        What it was found on.
    degree : int
        Highest degree of the spherical harmonics, or highest number of waves round the ring.
    coefficients : tuple of float
        In the order of `map_basis` [mm].
    covariance : tuple of tuples of float, optional
        Of the coefficients [mm2].

    Raises
    ------
    InputError
        If the kind is unknown, or the coefficients are not as many finite numbers as the degree asks for.
    """

    kind: str
    degree: int
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...] | None = None

    def __post_init__(self) -> None:
        size = map_size(self.kind, self.degree)
        given = np.array(self.coefficients, dtype=float)
        if given.shape != (size,) or not np.isfinite(given).all():
            raise InputError(
                "the coefficients of the radius map are not usable",
                column="coefficients",
                found=f"shape {given.shape}",
                expected=f"{size} finite numbers in mm",
            )
        object.__setattr__(self, "coefficients", tuple(given.tolist()))
        if self.covariance is not None:
            spread = np.array(self.covariance, dtype=float)
            if spread.shape != (size, size):
                raise InputError(
                    "the covariance of the radius map is not usable",
                    column="covariance",
                    found=f"shape {spread.shape}",
                    expected=f"({size}, {size})",
                )
            object.__setattr__(self, "covariance", tuple(map(tuple, spread.tolist())))

    @property
    def sentence(self) -> str:
        """Where it is from, its mean and how far it differs, in one line."""
        largest = max((abs(one) for one in self.coefficients[1:]), default=0.0)
        where = f"radius map of degree {self.degree} from a {self.kind}"
        return f"{where}: mean {self.mean:.4f} mm, largest coefficient {largest:.4f} mm"

    @property
    def mean(self) -> float:
        """Radius averaged over all directions that the map knows [mm]."""
        return self.coefficients[0]

    def plain(self) -> dict[str, str | int | list[float]]:
        """What makes the map, without its covariance, as plain data: ``RadiusMap(**plain)`` gives it back."""
        return {"kind": self.kind, "degree": self.degree, "coefficients": list(self.coefficients)}

    def radius(self, directions: np.ndarray) -> np.ndarray:
        """Effective radius by direction.

        Parameters
        ----------
        directions : (n, 3) float
            Outward unit normals in the probe's frame; NaN gives NaN.

        Returns
        -------
        (n,) float
            [mm]

        Raises
        ------
        InputError
            If the map is that of a ring and a direction is more than 20 degrees out of its plane.
        """
        return self._basis(directions) @ np.array(self.coefficients)

    def uncertainty(self, directions: np.ndarray) -> np.ndarray:
        """Standard uncertainty (n,) of the radius for directions (n, 3) [mm]; NaN without a covariance."""
        basis = self._basis(directions)
        if self.covariance is None:
            return np.full(len(basis), np.nan)
        return np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", basis, np.array(self.covariance), basis), 0.0))

    def _basis(self, directions: np.ndarray) -> np.ndarray:
        directions = np.asarray(directions, dtype=float)
        if self.kind == "ring" and (np.abs(directions[:, 2]) > _STEEPEST).any():
            raise InputError(
                "the probe was qualified in a ring, which says nothing about this direction",
                found=f"({', '.join(f'{c:g}' for c in directions[np.nanargmax(np.abs(directions[:, 2]))])})",
                expected="directions at most 20 degrees out of the ring's plane",
                todo="Qualify the probe on a sphere",
            )
        return map_basis(self.kind, self.degree, directions)


def _terms(kind: str, degree: int) -> Iterator[tuple[int, int]]:
    """(l, m) of the terms with a cosine; those with m > 0 have a sine too."""
    if kind == "ring":
        yield from ((wave, wave) for wave in range(degree + 1) if wave != 1)
    else:
        yield from ((n, m) for n in range(degree + 1) if n != 1 for m in range(n % 2, n + 1, 2))


def map_size(kind: str, degree: int) -> int:
    """Number of coefficients of a map.

    Raises
    ------
    InputError
        If the kind or the degree is not known.
    """
    if kind not in ("sphere", "ring"):
        raise InputError("the kind of radius map is not known", found=kind, expected="sphere or ring")
    if isinstance(degree, bool) or not isinstance(degree, int) or not 0 <= degree <= 20 or degree == 1:
        raise InputError(
            "the degree of a radius map is not usable",
            found=degree,
            expected="0, 2, 3, ... 20",
            todo="Degree 1 is the position of the artefact, not a property of the probe" if degree == 1 else None,
        )
    return sum(2 if m else 1 for _, m in _terms(kind, degree))


def map_basis(kind: str, degree: int, directions: np.ndarray) -> np.ndarray:
    """Values of the terms of a map.

    Parameters
    ----------
    kind : {"sphere", "ring"}
    degree : int
    directions : (n, 3) float
        Unit vectors in the probe's frame.

    Returns
    -------
    (n, k) float
        By l, then m, the cosine before the sine.
    """
    from scipy.special import lpmv

    x, y, z = np.asarray(directions, dtype=float).T
    azimuth, columns = np.arctan2(y, x), []
    for n, m in _terms(kind, degree):
        height = np.ones_like(z)
        if kind == "sphere":
            size = (2 if m else 1) * (2 * n + 1) * math.factorial(n - m) / math.factorial(n + m)
            height = (-1.0) ** m * math.sqrt(size) * lpmv(m, n, np.clip(z, -1.0, 1.0))
        columns += [height * np.cos(m * azimuth), *([height * np.sin(m * azimuth)] if m else ())]
    return np.column_stack(columns)


def turns_of(table: pd.DataFrame) -> np.ndarray | None:
    """(n, 3, 3) rotations from the part frame to the probe's own, by touch; None where the table says nothing.

    Raises
    ------
    InputError
        If only some of the columns are there, or a touch has only some of the values.
    """
    present = [name for name in TURN if name in table]
    if not present:
        return None
    if len(present) < 3:
        raise InputError("the turn of the probe is not complete", found=", ".join(present), expected=", ".join(TURN))
    from scipy.spatial.transform import Rotation

    vectors = array(table, TURN)
    empty = np.isnan(vectors)
    if (empty.any(axis=1) & ~empty.all(axis=1)).any():
        row = int(np.flatnonzero(empty.any(axis=1) & ~empty.all(axis=1))[0])
        raise InputError("the turn of the probe is not complete", found=vectors[row], expected="three angles, or none")
    return Rotation.from_rotvec(np.where(empty, 0.0, vectors), degrees=True).as_matrix()


def in_probe_frame(table: pd.DataFrame, directions: np.ndarray) -> np.ndarray:
    """Directions (n, 3) of the part frame, one per row of the table, as the probe sees them."""
    turns = turns_of(table)
    return directions if turns is None else np.einsum("nij,nj->ni", turns, directions)
