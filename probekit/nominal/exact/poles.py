"""Poles of a face: points, such as an apex, where one parameter of its surface moves nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..topology import corner_angles
from .surfaces import UNSETTLED, Closest, Elementary, Surface, lengths

__all__ = ["Pole"]

_DIRECTIONS = 128


@dataclass(frozen=True, eq=False)
class Pole:
    """A pole, and what the facets round it tell.

    Attributes
    ----------
    at : (3,) float [mm]
    size : float
        How far the facets that touch it reach [mm].
    normal : (3,) float
        Of the surface, if it is smooth there; at an apex the mean unit normal of those facets, each weighted with its
        angle at the pole (see `probekit.nominal.topology`).
    uv : (k, 2) float
        Parameters at the pole.
    inward : (k, 3) float
        Tangents there that point into the face, as derivatives over the parameter `along`; none where not needed.
    along : int
        Parameter that leads away from the pole.
    sense : float
        +1 if it grows on the way, else -1.
    smooth : bool
        Whether the surface has a normal there; if not, it is an apex.
    near : float
        A foot this near to the pole is on it, and has no normal of its own [mm].
    """

    at: np.ndarray
    size: float
    normal: np.ndarray
    uv: np.ndarray
    inward: np.ndarray
    along: int = 1
    sense: float = 1.0
    smooth: bool = False
    near: float = 1e-6

    @classmethod
    def among(
        cls,
        position: np.ndarray,
        surface: Surface,
        corners: np.ndarray,
        corner_uv: np.ndarray,
        near: float = 1e-6,
        gap: float = 0.0,
    ) -> Pole:
        """A pole of a face, by the corners (f, 3, 3) of its facets and the parameters (f, 3, 2) there.

        The file states a `position` that may lie off the surface, and off the facets, by the `gap` of the body.
        """
        from_pole, within = np.linalg.norm(corners - position, axis=2), near + 2.0 * gap
        touching = np.flatnonzero((from_pole <= within).sum(axis=1) == 1)  # what has two corners there is a sliver
        from_pole, uv, corners = from_pole[touching], corner_uv[touching], corners[touching]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(across, axis=1, keepdims=True)
        angle = np.where(
            from_pole <= within, corner_angles(corners.reshape(-1, 3), np.arange(corners.size // 3).reshape(-1, 3)), 0.0
        ).sum(axis=1)
        mean = (angle[:, None] * across / np.where(length > 0, length, 1.0)).sum(axis=0)
        normal = mean / max(float(np.linalg.norm(mean)), 1e-300)
        size = float(from_pole.max(initial=0.0))
        at, round_it = uv[from_pole <= within], uv[from_pole > within]
        if isinstance(surface, Elementary) or not len(round_it):
            smooth = surface.kind == "sphere"
            if isinstance(surface, Elementary) and smooth:
                radial = (position - surface.origin) / np.linalg.norm(position - surface.origin)
                normal = radial if radial @ normal >= 0 else -radial
            return cls(position, size, normal, np.zeros((0, 2)), np.zeros((0, 3)), smooth=smooth, near=near)
        (position,), su, sv = surface.evaluate(at[:1], 1)
        along = 1 if np.linalg.norm(su) < np.linalg.norm(sv) else 0
        line = np.empty((_DIRECTIONS, 2))
        line[:, along] = at[0, along]
        line[:, 1 - along] = np.linspace(round_it[:, 1 - along].min(), round_it[:, 1 - along].max(), _DIRECTIONS)
        sense = float(np.sign(round_it[:, along].mean() - at[0, along]))
        inward = sense * surface.evaluate(line, 1)[1 + along]
        useful = np.linalg.norm(inward, axis=1) > 0
        line, inward = line[useful], inward[useful]
        exact = _smooth_normal(inward, normal)
        smooth = exact is not None
        return cls(position, size, exact if smooth else normal, line, inward, along, sense, smooth, near)

    def retry(self, surface: Surface, points: np.ndarray, found: Closest, rows: np.ndarray) -> None:
        """Start Newton's method anew, in the right direction, for those of `rows` that got stuck at the pole."""
        if not len(self.inward):
            return
        from_pole = lengths(found.foot[rows] - self.at)
        rows = rows[(from_pole <= self.near) | ((found.how[rows] == UNSETTLED) & (from_pole <= self.size))]
        if not len(rows):
            return
        speed = lengths(self.inward)
        ahead = (points[rows] - self.at) @ (self.inward / speed[:, None]).T
        best = ahead.argmax(axis=1)
        start = self.uv[best]
        start[:, self.along] += self.sense * np.maximum(ahead.max(axis=1), 0.0) / speed[best]
        again = surface.closest(points[rows], start)
        before, after = (lengths(points[rows] - feet) for feet in (found.foot[rows], again.foot))
        better = (again.how != UNSETTLED) & ((after < before - 1e-7 * self.near) | (found.how[rows] == UNSETTLED))
        for values, new in zip(found, again, strict=True):
            values[rows[better]] = new[better]

    def mend_normals(self, points: np.ndarray, found: Closest, normal: np.ndarray, rows: np.ndarray) -> None:
        """Give feet on the pole its normal, or at an apex the direction of their touch, as their own is lost."""
        rows = rows[lengths(found.foot[rows] - self.at) <= self.near]
        if self.smooth:
            normal[rows] = self.normal
            return
        away = points[rows] - found.foot[rows]
        side = np.where(away @ self.normal < 0, -1.0, 1.0)[:, None]
        off = lengths(away)[:, None]
        normal[rows] = np.where(off > 0.1 * self.near, side * away / np.maximum(off, 1e-300), self.normal)


def _smooth_normal(inward: np.ndarray, normal: np.ndarray) -> np.ndarray | None:
    """Normal of the plane that all tangents lie in, on the side of `normal`; None if they lie in none."""
    if not len(inward):
        return None
    unit = inward / np.linalg.norm(inward, axis=1, keepdims=True)
    across = np.cross(unit[0], unit)
    widest = across[np.einsum("ij,ij->i", across, across).argmax()]
    length = float(np.linalg.norm(widest))
    if length < 1e-6 or np.abs(unit @ widest).max() > 1e-9:
        return None
    return widest / length * (1.0 if widest @ normal >= 0 else -1.0)
