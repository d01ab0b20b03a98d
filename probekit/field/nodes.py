"""The places at which a surface is judged between its touches."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..nominal import Nominal
from ..plan.targets.snapping import face_numbers
from ..plan.targets.spread import poisson_disc
from ..show import shown

__all__ = ["Nodes", "nodes"]

_FILL = 0.66  # squared least distance over area per node where no more find room, by random darts: measured


@shown
@dataclass(frozen=True, eq=False)
class Nodes:
    """Places on a surface.

    Attributes
    ----------
    places, normals : (m, 3) float
        [mm]; unit, outward.
    face : (m,) int
        Number of the face of each.
    area : float
        Area of the faces [mm2].
    """

    places: np.ndarray
    normals: np.ndarray
    face: np.ndarray
    area: float

    @property
    def spacing(self) -> float:
        """Mean distance of neighbours: side of the square of which each node has one [mm]."""
        return float(np.sqrt(self.area / max(len(self.places), 1)))

    @property
    def sentence(self) -> str:
        """How many, how close."""
        return f"{len(self.places)} nodes on {self.area:.4g} mm2, one per {self.spacing:.2g} mm"


def nodes(nominal: Nominal, n: int, rng: np.random.Generator, *, faces: str | Iterable[str] | None = None) -> Nodes:
    """About `n` places spread over faces without clusters or gaps.

    Parameters
    ----------
    nominal : Nominal
    n : int
        How many; the answer may differ by a tenth.
    rng : numpy.random.Generator
    faces : str or several, optional
        Default all.

    Returns
    -------
    Nodes
    """
    area = float(nominal.face_areas[face_numbers(nominal, faces)].sum())
    made = poisson_disc(nominal, np.sqrt(_FILL * area / n), rng, faces=faces)
    number = {name: k for k, name in enumerate(nominal.face_names)}
    return Nodes(
        made[["x0", "y0", "z0"]].to_numpy(dtype=float),
        made[["i", "j", "k"]].to_numpy(dtype=float),
        made["face"].map(number).to_numpy(dtype=int),
        area,
    )
