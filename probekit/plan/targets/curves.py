"""Curves on the nominal as dense polylines, and targets redistributed along them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from ...errors import InputError
from ...nominal import Nominal
from ...show import shown
from .snapping import as_points, snap_each
from .table import join, place

__all__ = ["Curve", "along"]

_MANY = 100_000  # targets along one curve

_SMOOTH = np.cos(np.radians(10.0))  # where a polyline turns by more, it has a corner


@shown
@dataclass(frozen=True, eq=False)
class Curve:
    """A polyline on the nominal, dense enough that its chords stand for the curve.

    Attributes
    ----------
    points : (n, 3) float
        On the nominal [mm]; of a closed curve the first is not repeated.
    closed : bool
    faces : tuple of str
        Face of each segment: n - 1 of them, or n if it is closed.
    name : str
        What the curve is; the feature of targets on it, if no other is given.
    """

    points: np.ndarray
    closed: bool
    faces: tuple[str, ...]
    name: str = "curve"

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", as_points(self.points, "the points of a curve"))
        if len(self.points) < 2:
            raise InputError("a curve needs at least two points", found=f"{len(self.points)} points")
        wanted = len(self.points) - (0 if self.closed else 1)
        if len(self.faces) != wanted:
            raise InputError(
                "a curve needs one face per segment", found=f"{len(self.faces)} faces", expected=f"{wanted}"
            )
        if not self.length > 0:
            raise InputError("a curve has no length", found=f"{len(self.points)} points that coincide")
        self.points.setflags(write=False)

    @property
    def sentence(self) -> str:
        """Name, length and faces in one line."""
        kind = "closed" if self.closed else "open"
        return f"{self.name!r}: {kind}, {self.length:.3f} mm, on {', '.join(dict.fromkeys(self.faces))}"

    @cached_property
    def _line(self) -> np.ndarray:
        return np.vstack([self.points, self.points[:1]]) if self.closed else self.points

    @cached_property
    def stations(self) -> np.ndarray:
        """(m + 1,) arc length at the ends of its m segments [mm]."""
        return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(self._line, axis=0), axis=1))])

    @property
    def length(self) -> float:
        """Arc length [mm]."""
        return float(self.stations[-1])

    @cached_property
    def _tangents(self) -> tuple[np.ndarray, np.ndarray]:
        """Unit tangent (m, 3) at start and end of each segment: the mean of both sides, or its own at a corner."""
        span = np.maximum(np.diff(self.stations), 1e-300)[:, None]
        slope = np.diff(self._line, axis=0) / span
        before, gap = np.roll(slope, 1, axis=0), np.roll(span, 1, axis=0)
        mean = (before * span + slope * gap) / (span + gap)  # slope of the parabola through three points
        smooth = np.einsum("ij,ij->i", before, slope) > _SMOOTH
        if not self.closed:
            smooth[0] = False
        start = np.where(smooth[:, None], mean, slope)
        end = np.where(np.roll(smooth, -1)[:, None], np.roll(mean, -1, axis=0), slope)
        return start, end

    def at(self, stations: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Points (n, 3) [mm] at arc lengths (n,) [mm], and the segment (n,) each is on.

        Between the points of the polyline cubics that have its tangents stand for the curve, but for corners.
        """
        stations = np.asarray(stations, dtype=np.float64)
        segment = np.clip(np.searchsorted(self.stations, stations, side="right") - 1, 0, len(self.faces) - 1)
        span = np.diff(self.stations)[segment]
        t = np.clip((stations - self.stations[segment]) / np.where(span > 0, span, 1.0), 0.0, 1.0)[:, None]
        start, end = self._line[segment], self._line[segment + 1]
        out, into = (tangent[segment] * span[:, None] for tangent in self._tangents)
        bow = t * (1.0 - t) * ((1.0 - t) * (out - (end - start)) - t * (into - (end - start)))  # Hermite's cubic
        return start + t * (end - start) + bow, segment

    def reversed(self) -> Curve:
        """The same curve the other way; a closed one starts at the same point."""
        points = np.roll(self.points[::-1], 1, axis=0) if self.closed else self.points[::-1]
        return replace(self, points=points.copy(), faces=self.faces[::-1])

    def started_near(self, point: np.ndarray) -> Curve:
        """The same curve from the end, or if closed from the point of it, nearest to `point` (3,) [mm]."""
        away = np.linalg.norm(self.points - point, axis=1)
        if not self.closed:
            return self if away[0] <= away[-1] else self.reversed()
        first = int(away.argmin())
        return replace(
            self, points=np.roll(self.points, -first, axis=0), faces=(*self.faces[first:], *self.faces[:first])
        )


def along(
    nominal: Nominal,
    curves: Curve | Iterable[Curve],
    *,
    n: int | None = None,
    spacing: float | None = None,
    denser: float = 0.0,
    inset: float = 0.0,
    feature: str | None = None,
) -> pd.DataFrame:
    """Targets along curves, evenly by arc length or denser where the surface bends.

    Parameters
    ----------
    nominal : Nominal
    curves : Curve or several
        Each is filled by itself.
    n : int, optional
        Number of targets on each curve; an open one has them at both ends, too.
    spacing : float, optional
        Instead: the largest distance between neighbours along the curve [mm]; the ends are met and the rest shared
        out evenly.
    denser : float
        0: even. Otherwise the density grows with the normal curvature k along the curve, as
        1 + denser sqrt(|k| / mean |k|): the larger, the more alike are the sagittas s^2 |k| / 8 between neighbours.
    inset : float
        Length kept free at the ends of an open curve [mm].
    feature : str, optional
        For the column of that name; the curve's name by default.

    Returns
    -------
    DataFrame
        The targets table.

    Raises
    ------
    InputError
        For no curve, both or none of `n` and `spacing`, numbers that make no sense, and a spacing or inset for which
        the curve is too short.

    Notes
    -----
    Arc length is that of the polyline; a chord of length h on radius R is short of its arc by the part h^2 / (24 R^2).
    """
    listed = [curves] if isinstance(curves, Curve) else list(curves)
    if not listed:
        raise InputError("there is no curve to put targets on")
    if (n is None) == (spacing is None):
        raise InputError("give either `n` or `spacing`", found=f"n={n}, spacing={spacing}")
    if n is not None and (n < 1 or n != int(n)):
        raise InputError("the number of targets must be a whole number of at least 1", found=n)
    if spacing is not None and not (np.isfinite(spacing) and spacing > 0):
        raise InputError("the spacing must be positive", found=spacing, expected="a distance [mm]")
    for name, value in (("denser", denser), ("inset", inset)):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(f"`{name}` must not be negative", found=value)
    return join(*(_along_one(nominal, curve, n, spacing, denser, inset, feature) for curve in listed))


def _along_one(
    nominal: Nominal,
    curve: Curve,
    n: int | None,
    spacing: float | None,
    denser: float,
    inset: float,
    feature: str | None,
) -> pd.DataFrame:
    inset = 0.0 if curve.closed else inset
    free = curve.length - 2.0 * inset
    if free <= 0:
        raise InputError(f"the insets leave nothing of {curve.name!r}", found=f"{curve.length:.4g} mm long")
    if spacing is not None:
        if spacing > free:
            raise InputError(
                f"the spacing is larger than the curve {curve.name!r}",
                found=f"{spacing:g} mm",
                expected=f"at most its length of {free:.4g} mm",
            )
        if free / spacing > _MANY:
            raise InputError(
                "the spacing would give too many targets", found=spacing, expected=f"at most {_MANY} of them"
            )
        n = int(np.ceil(free / spacing - 1e-9)) + (0 if curve.closed else 1)
    if curve.closed:
        share = np.arange(n) / n
    else:
        share = np.linspace(0.0, 1.0, n) if n > 1 else np.array([0.5])
    weight = _weights(nominal, curve, denser) if denser else np.ones(len(curve.faces))
    total = np.concatenate([[0.0], np.cumsum(weight * np.diff(curve.stations))])
    low, high = np.interp([inset, curve.length - inset], curve.stations, total)
    points, segment = curve.at(np.interp(low + share * (high - low), total, curve.stations))
    number = {name: nominal.face_index(name) for name in dict.fromkeys(curve.faces)}
    face = np.array([number[curve.faces[s]] for s in segment])
    return place(nominal, points, face=face, feature=curve.name if feature is None else feature)


def _weights(nominal: Nominal, curve: Curve, denser: float) -> np.ndarray:
    """(m,) density on each segment."""
    number = {name: nominal.face_index(name) for name in dict.fromkeys(curve.faces)}
    face = np.array([number[name] for name in curve.faces])
    span = np.diff(curve.stations)
    middle = snap_each(nominal, curve.at(curve.stations[:-1] + 0.5 * span)[0], face)
    # how far the normal turns from the middle of one segment to that of the next, on one face
    turn = np.linalg.norm(np.roll(middle.normals, -1, axis=0) - middle.normals, axis=1)
    apart = np.linalg.norm(np.roll(middle.points, -1, axis=0) - middle.points, axis=1)
    known = (np.roll(face, -1) == face) & (apart > 0)
    if not curve.closed:
        known[-1] = False
    bend = np.divide(turn, apart, out=np.zeros_like(turn), where=known)
    both = np.stack([np.roll(bend, 1), bend])
    count = np.maximum(np.roll(known, 1).astype(float) + known, 1.0)
    bend = both.sum(axis=0) / count
    mean = float(np.average(bend, weights=span)) if span.sum() > 0 else 0.0
    return 1.0 + denser * np.sqrt(bend / mean) if mean > 0 else np.ones(len(span))
