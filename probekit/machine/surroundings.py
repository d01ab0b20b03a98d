"""All that the virtual machine may run into: the part as made, and clamps and stock of its own, apart from any plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..errors import InputError
from ..nominal import Nominal
from ..nominal.feet import AT_BOUNDARY
from ..plan.access.clearance import Obstacles
from .made import Made

__all__ = ["Surroundings"]


@dataclass(frozen=True, eq=False)
class Surroundings:
    """The part as made, clamps and other fixtures as they really stand, and stock.

    Parameters
    ----------
    made : Made
    fixtures : sequence of Nominal
        In the part frame as the machine believes it to be; tables carry them with the part.
    stock : Nominal, optional
        Material that is still on, likewise.

    Raises
    ------
    InputError
        If one of them is no model, or there are fixtures beside a part that has no facets.
    """

    made: Made
    fixtures: Sequence[Nominal] = ()
    stock: Nominal | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "fixtures", tuple(self.fixtures))
        for one in self.others:
            if not isinstance(one, Nominal):
                raise InputError("a fixture or the stock is no model", found=type(one).__name__, expected="a Nominal")
        if self.others and not hasattr(self.made, "solid"):
            raise InputError(
                "an artefact in closed form has no fixtures", column="fixtures", found=len(self.others), expected="none"
            )

    @property
    def others(self) -> tuple[Nominal, ...]:
        """The fixtures, and the stock if there is one."""
        return (*self.fixtures, *(() if self.stock is None else (self.stock,)))

    @cached_property
    def obstacles(self) -> Obstacles | None:
        """All of it as facets; None for an artefact in closed form."""
        return Obstacles(self.made.solid, self.fixtures, self.stock) if hasattr(self.made, "solid") else None

    def distance(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance (n,) of points (n, 3) from what is nearest [mm], and its outward unit normal (n, 3)."""
        distance, normal = self.made.distance(points)
        distance, normal = distance.copy(), normal.copy()
        for one in self.others:
            feet = one.engine.feet(np.asarray(points, dtype=float))
            away = np.where(feet.flags & AT_BOUNDARY, np.abs(feet.distance), feet.distance)
            nearer = away < distance
            distance[nearer], normal[nearer] = away[nearer], feet.normal[nearer]
        return distance, normal

    def what(self, point: np.ndarray) -> str:
        """What is nearest to a point (3,): "the part", "the fixture 'clamp left'", "the stock"."""
        points = np.asarray(point, dtype=float)[None]
        near = [self.made.distance(points)[0], *(one.engine.feet(points).distance for one in self.others)]
        number = int(np.argmin(np.concatenate(near)))
        if number == 0:
            return "the part"
        return f"the fixture '{self.fixtures[number - 1].name}'" if number <= len(self.fixtures) else "the stock"
