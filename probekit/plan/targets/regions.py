"""Regions that clamps and fixtures take up: boxes, cylinders, balls, closed meshes, with the distance from them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np

from ...errors import InputError
from ...nominal import Nominal
from ...nominal.facets import FacetEngine
from ...show import shown
from .snapping import as_direction, as_points

__all__ = ["Ball", "Box", "Cylinder", "Region", "Solid"]


class Region(Protocol):
    """What every region can do."""

    name: str

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the region [mm]; negative inside."""


@shown
@dataclass(frozen=True, eq=False)
class Box:
    """A box.

    Attributes
    ----------
    low, high : (3,) float
        Its corners, along its own axes about the origin of the part frame [mm].
    axes : (3, 3) float
        Rows: its axes as orthogonal unit vectors of the part frame; those of the frame by default.
    name : str
    """

    low: np.ndarray
    high: np.ndarray
    axes: np.ndarray = field(default_factory=lambda: np.eye(3))
    name: str = "box"

    def __post_init__(self) -> None:
        low, high = as_points(self.low, "a corner of the box")[0], as_points(self.high, "a corner of the box")[0]
        axes = as_points(self.axes, "the axes of the box")
        if axes.shape != (3, 3) or np.abs(axes @ axes.T - np.eye(3)).max() > 1e-6:
            raise InputError("the axes of a box must be three orthogonal unit vectors", found=str(axes.tolist()))
        if not (high > low).all():
            raise InputError("a box needs low < high along each axis", found=f"{low.tolist()}, {high.tolist()}")
        for name, value in (("low", low), ("high", high), ("axes", axes)):
            object.__setattr__(self, name, value)

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the box [mm]; negative inside."""
        local = points @ self.axes.T
        beyond = np.maximum(self.low - local, local - self.high)
        return np.linalg.norm(np.maximum(beyond, 0.0), axis=1) + np.minimum(beyond.max(axis=1), 0.0)


@shown
@dataclass(frozen=True, eq=False)
class Cylinder:
    """A cylinder with flat ends.

    Attributes
    ----------
    start, end : (3,) float
        Ends of its axis [mm].
    radius : float [mm]
    name : str
    """

    start: np.ndarray
    end: np.ndarray
    radius: float
    name: str = "cylinder"

    def __post_init__(self) -> None:
        for name in ("start", "end"):
            object.__setattr__(self, name, as_points(getattr(self, name), f"the {name} of the cylinder")[0])
        as_direction(self.end - self.start, "the axis of the cylinder")
        _positive(self.radius, "the radius of a cylinder")

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the cylinder [mm]; negative inside."""
        axis = self.end - self.start
        length = float(np.linalg.norm(axis))
        away = points - self.start
        height = away @ axis / length
        out = np.linalg.norm(np.cross(away, axis / length), axis=1) - self.radius
        beyond = np.column_stack([out, np.maximum(-height, height - length)])
        return np.linalg.norm(np.maximum(beyond, 0.0), axis=1) + np.minimum(beyond.max(axis=1), 0.0)


@shown
@dataclass(frozen=True, eq=False)
class Ball:
    """A ball.

    Attributes
    ----------
    centre : (3,) float [mm]
    radius : float [mm]
    name : str
    """

    centre: np.ndarray
    radius: float
    name: str = "ball"

    def __post_init__(self) -> None:
        object.__setattr__(self, "centre", as_points(self.centre, "the centre of the ball")[0])
        _positive(self.radius, "the radius of a ball")

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the ball [mm]; negative inside."""
        return np.linalg.norm(points - self.centre, axis=1) - self.radius


@shown
@dataclass(frozen=True, eq=False)
class Solid:
    """A closed mesh, say of a clamp.

    Attributes
    ----------
    vertices : (v, 3) float [mm]
    facets : (f, 3) int
        Counter-clockwise seen from outside.
    name : str
    """

    vertices: np.ndarray
    facets: np.ndarray
    name: str = "solid"

    def __post_init__(self) -> None:
        as_points(self.vertices, "the vertices of the solid")
        facets = np.asarray(self.facets)
        start, end = facets[:, [0, 1, 2]].ravel(), facets[:, [1, 2, 0]].ravel()
        forth, back = (a.astype(np.int64) * len(self.vertices) + b for a, b in ((start, end), (end, start)))
        if not len(facets) or not np.array_equal(np.sort(forth), np.sort(back)):
            raise InputError(f"the mesh of {self.name!r} is not closed, so it has no inside", todo="Repair the mesh.")

    @classmethod
    def of(cls, nominal: Nominal) -> Solid:
        """The solid of a model, say one of a fixture read from a file."""
        return cls(nominal.vertices, nominal.facets, nominal.name)

    @cached_property
    def _engine(self) -> FacetEngine:
        return FacetEngine(self.vertices, self.facets, np.zeros(len(self.facets)), 1)

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 3) from the solid [mm]; negative inside."""
        return self._engine.feet(points).distance


def _positive(value: float, what: str) -> None:
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{what} must be positive", found=value, expected="a length [mm]")
