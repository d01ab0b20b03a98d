"""Local defects between the touches: how many of them would be seen, and what declaring them does to the verdict.

A hill of height H and radius r is H (1 - t^2)^3 with t = distance / r, zero beyond; a dent the same with H below zero.
It is seen if some touch of the same side would have moved by more than k standard uncertainties: if one stands closer
to its middle than r (1 - (k u / H)^1/3)^1/2. No model of the surface enters: where the touches stand decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..errors import InputError
from ..plan.targets.gaps import nearest
from ..show import shown
from .nodes import Nodes

__all__ = ["Defects", "blind_spot", "hills", "radius_seen", "seen"]

SEEN = 3.0  # standard uncertainties by which a touch must move


@shown
@dataclass(frozen=True)
class Defects:
    """Local defects that a process makes.

    Attributes
    ----------
    rate : float
        Mean number on the faces that are judged.
    radius, height : (low, high)
        [mm]; hills and dents alike.
    """

    rate: float
    radius: tuple[float, float]
    height: tuple[float, float]

    def __post_init__(self) -> None:
        for what, values in (("rate", (self.rate,)), ("radius", self.radius), ("height", self.height)):
            if not all(np.isfinite(v) and v > 0 for v in values) or list(values) != sorted(values):
                raise InputError(f"{what} of a defect must be positive, the smaller value first", found=values)

    @property
    def sentence(self) -> str:
        """What is declared."""
        return (
            f"{self.rate:g} hills or dents a part, of {self.radius[0]:g} to {self.radius[1]:g} mm radius and "
            f"{self.height[0]:g} to {self.height[1]:g} mm"
        )


def seen(at: Nodes, touches: np.ndarray, normals: np.ndarray, radius: float, height: float, u: float) -> float:
    """Share of the places of a surface at which a hill or dent would be seen by the touches.

    Parameters
    ----------
    at : Nodes
        The places.
    touches, normals : (n, 3) float
        Places of the touches [mm] and outward normals there.
    radius, height : float
        Of the hill [mm].
    u : float
        Standard uncertainty of a touch, with the finer form of the surface [mm].
    """
    if not (np.isfinite([radius, height, u]).all() and min(radius, height, u) > 0):
        raise InputError("radius, height and u must be positive", found=(radius, height, u))
    return float((_nearest(at, touches, normals) < radius * _felt(height, u)).mean())


def radius_seen(at: Nodes, touches: np.ndarray, normals: np.ndarray, height: float, u: float, share: float) -> float:
    """Radius from which a hill or dent of a height would be seen at a share of the places of a surface [mm].

    Parameters
    ----------
    at, touches, normals, height, u
        See `seen`.
    share : float
        0 to 1.

    Returns
    -------
    float
        Infinite for a hill that no touch tells from its uncertainty, or if there is no touch on that side.
    """
    felt = _felt(height, u)
    away = float(np.quantile(_nearest(at, touches, normals), share, method="higher"))
    return away / felt if felt > 0 else np.inf


def _felt(height: float, u: float) -> float:
    """Part of its radius within which a hill moves a touch by more than can be its uncertainty."""
    return float(np.sqrt(max(1.0 - np.cbrt(SEEN * u / height), 0.0)))


def _nearest(at: Nodes, touches: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """(m,) distance of places that are even over the area from the nearest touch of their side [mm]."""
    at = at.even or at
    if not len(touches):
        return np.full(len(at.places), np.inf)
    there = np.asarray(touches, dtype=float), np.asarray(normals, dtype=float)
    return nearest(at.places, at.normals, *there).min(axis=1)


def blind_spot(
    at: Nodes,
    touches: np.ndarray,
    normals: np.ndarray,
    u: float,
    *,
    radii: tuple[float, ...],
    heights: tuple[float, ...],
) -> pd.DataFrame:
    """What touches at these places would see of hills and dents, before any touch is made.

    Parameters
    ----------
    at : Nodes
        Places of the surface.
    touches, normals : (n, 3) float
        Places of the touches [mm] and outward normals there.
    u : float
        Standard uncertainty of a touch, with the finer form of the surface [mm].
    radii, heights : tuple of float
        [mm].

    Returns
    -------
    DataFrame
        Share of the places at which a hill would be seen: a row for each height, a column for each radius [mm].
    """
    rows = [[seen(at, touches, normals, r, h, u) for r in radii] for h in heights]
    return pd.DataFrame(rows, index=pd.Index(heights, name="height"), columns=pd.Index(radii, name="radius"))


Hill = tuple[np.ndarray, float, float]  # middle as a point of six [mm], radius, height [mm]


def hills(sets: list[list[Hill]], points: np.ndarray) -> np.ndarray:
    """(k, m) height of k sets of hills at points (m, 6) [mm]."""
    from ..machine.made import Hill as Shape

    made = np.zeros((len(sets), len(points)))
    for k, one in enumerate(sets):
        for middle, radius, height in one:
            same = np.linalg.norm(points[:, 3:] - middle[3:], axis=1) < np.linalg.norm(middle[3:])  # within 60 degrees
            shape = Shape(tuple(middle[:3].tolist()), radius, height)
            made[k] += np.where(same, shape(points[:, :3], points[:, 3:]), 0.0)
    return made
