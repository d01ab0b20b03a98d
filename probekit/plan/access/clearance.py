"""How near the probe comes to the part, the fixture and the stock along straight moves.

Distances are to the facets, less the estimated chord error of the facets, so that they are never larger than those to
the true surfaces as far as the model tells.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Protocol

import numpy as np

from ...errors import InputError
from ...geometry import across
from ...nominal import Nominal, chord_error
from ...nominal.faces import group_facets
from ...nominal.facets import FacetEngine
from ...nominal.feet import AT_BOUNDARY
from ...nominal.topology import BOUNDARY
from ...show import shown
from ..probe import Probe, Segment
from .convex import Swept
from .ground import Ground, convex_neighbours
from .pieces import PieceTree
from .sweep import least_distance

__all__ = ["Clear", "Hindrance", "Obstacles", "clearance_along", "drawn_out", "swept"]

#: (start (n, 3), end (n, 3), tool axis (n, 3)) -> (n,) least distance [mm] of the probe to part and fixture along
#: straight moves of the reference ball's centre in the part frame. Of a probe with further tips the third argument is
#: its whole attitude, (n, 3, 3) rotations from probe coordinates to the part frame. See `clearance_along`.
Clear = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]

_AMPLE = 0.01  # clearances beyond the margin by more than this need not be known [mm]
_SMOOTH = 25.0  # facets that meet at less than this are one smooth region [degree]


class Hindrance(Protocol):
    """What stands in the way of a probe: `Obstacles`, or anything that can tell the same of itself."""

    @property
    def points(self) -> np.ndarray:
        """(m, 3) points whose convex hull holds all of it [mm]."""
        ...

    def clear_of(self, probe: Probe, margin: float) -> Clear:
        """What tells the clearance of the probe along straight moves; from the margin on it may tell less [mm]."""
        ...


@shown
@dataclass(frozen=True, eq=False)
class Obstacles:
    """All that the probe must not hit. The search structures are built once, when first needed.

    Parameters
    ----------
    nominal : Nominal
        The part.
    fixtures : tuple of Nominal
        Clamps, vice, table, in the part frame.
    stock : Nominal, optional
        Material still to be removed, in the part frame.

    Raises
    ------
    InputError
        If one of them is not a `Nominal`.
    """

    nominal: Nominal
    fixtures: tuple[Nominal, ...] = ()
    stock: Nominal | None = None

    def __post_init__(self) -> None:
        given = (self.fixtures,) if isinstance(self.fixtures, Nominal) else tuple(self.fixtures)
        object.__setattr__(self, "fixtures", given)
        for solid in self.solids:
            if not isinstance(solid, Nominal):
                raise InputError(
                    "an obstacle is not a model",
                    found=type(solid).__name__,
                    expected="a Nominal",
                    todo="Load it with probekit.nominal.load, or make it with probekit.nominal.from_arrays.",
                )

    @property
    def sentence(self) -> str:
        """What there is to hit, in one line."""
        stock = ", and the stock" if self.stock is not None else ""
        return f"{self.nominal.sentence}; {len(self.fixtures)} fixtures{stock}"

    @property
    def solids(self) -> tuple[Nominal, ...]:
        """The part, the fixtures, and the stock if there is one."""
        return (self.nominal, *self.fixtures, *(() if self.stock is None else (self.stock,)))

    @cached_property
    def safe_box(self) -> np.ndarray:
        """(2, 3) lower and upper corner of the box around everything [mm]."""
        bounds = np.array([solid.bounds for solid in self.solids])
        return np.array([bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)])

    @cached_property
    def chord(self) -> float:
        """Estimated largest distance of the facets from the surfaces they stand for [mm]."""
        return max(float(chord_error(replace(solid, brep=None)).max(initial=0.0)) for solid in self.solids)

    @cached_property
    def engines(self) -> tuple[FacetEngine, ...]:
        """Closest points on the facets of each solid."""
        return tuple(
            FacetEngine(solid.vertices, solid.facets, solid.facet_face, len(solid.face_names))
            if solid.exact
            else solid.engine
            for solid in self.solids
        )

    @cached_property
    def regions(self) -> np.ndarray:
        """(f,) smooth region of each facet, counted over all solids: no edge in it is sharper than 25 degrees."""
        found, count = [], 0
        for solid in self.solids:
            own = group_facets(solid.vertices, solid.facets, angle=_SMOOTH)
            found.append(own + count)
            count += int(own.max(initial=-1)) + 1
        return np.concatenate(found)

    @cached_property
    def tree(self) -> PieceTree:
        """The facets of all solids; those of the part come first, then the fixtures', then the stock's."""
        corner = np.concatenate([solid.vertices[solid.facets] for solid in self.solids])
        return PieceTree(corner, self.regions)

    def prepare(self, tell: Callable[[], None]) -> None:
        """Find what else would be found when first asked for, up to a second each on a large model.

        Parameters
        ----------
        tell : callable
            Called before each.
        """
        for name in ("engines", "regions", "tree", "others", "chord", "_grounds"):
            tell()
            getattr(self, name)

    @cached_property
    def _first_facet(self) -> np.ndarray:
        return np.cumsum([0] + [len(solid.facets) for solid in self.solids])

    @cached_property
    def others(self) -> PieceTree | None:
        """As `tree`, without the part; None if there is nothing else."""
        if len(self.solids) == 1:
            return None
        corner = np.concatenate([solid.vertices[solid.facets] for solid in self.solids[1:]])
        return PieceTree(corner, self.regions[len(self.nominal.facets) :])

    def ground(self, region: np.ndarray, target: np.ndarray, normal: np.ndarray, near: np.ndarray) -> Ground:
        """The ground of targets; arguments as of `Ground`."""
        able, falling = self._grounds
        return Ground(region, target, normal, near, able, falling)

    @cached_property
    def _grounds(self) -> tuple[np.ndarray, np.ndarray]:
        """Whether each region may be ground, not being of a fixture; and which regions meet in convex edges only."""
        able = np.ones(int(self.regions.max(initial=-1)) + 1, dtype=bool)
        falling = []
        for number, solid in enumerate(self.solids):
            own = self.regions[self._first_facet[number] : self._first_facet[number + 1]]
            able[own] = not 0 < number <= len(self.fixtures)
            falling.append(convex_neighbours(solid.vertices, solid.facets, own, len(able)))
        return able, np.concatenate(falling)

    @cached_property
    def points(self) -> np.ndarray:
        """(m, 3) vertices of all solids: their convex hull holds everything [mm]."""
        return np.concatenate([solid.vertices for solid in self.solids])

    def clear_of(self, probe: Probe, margin: float) -> Clear:
        """What tells the clearance of a probe to all of it along moves, exact up to the margin [mm] and a little more.

        Takes start, end and axis as `clearance_along` does.
        """
        return partial(clearance_along, self, probe, enough=margin + _AMPLE)

    def what(self, facet: int) -> str:
        """What a facet, counted over all solids, is of: "face 'bore' of the part", "the fixture 'clamp'"."""
        number = int(np.searchsorted(self._first_facet, facet, side="right")) - 1
        solid = self.solids[number]
        if number == 0:
            return f"face '{solid.face_names[solid.facet_face[facet]]}' of the part"
        return "the stock" if number > len(self.fixtures) else f"the fixture '{solid.name}'"

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Signed distance of points to the nearest solid.

        Parameters
        ----------
        points : (n, 3) float [mm]

        Returns
        -------
        (n,) float
            Negative inside [mm]; NaN for a point that is not finite. A model that is not closed has no inside beyond
            its border: there the distance is positive.
        """
        found = []
        for engine in self.engines:
            feet = engine.feet(np.atleast_2d(np.asarray(points, dtype=float)))
            found.append(np.where(feet.flags & AT_BOUNDARY, np.abs(feet.distance), feet.distance))
        return np.min(found, axis=0)

    def inside(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """How deep (n,) points (n, 3) lie in a solid [mm], and the facet nearest to those that do.

        Zero and -1 outside, and in a model that is not closed; facets are counted over all solids.
        """
        depth, facet = np.zeros(len(points)), np.full(len(points), -1)
        for number, (solid, engine) in enumerate(zip(self.solids, self.engines, strict=True)):
            rows = np.flatnonzero(((points >= solid.bounds[0]) & (points <= solid.bounds[1])).all(axis=1))
            if len(rows) and not (engine.tables.edge_kind == BOUNDARY).any():
                feet = engine.feet(points[rows])
                deeper = -feet.distance > depth[rows]
                depth[rows[deeper]] = -feet.distance[deeper]
                facet[rows[deeper]] = feet.facet[deeper] + self._first_facet[number]
        return depth, facet

    def least(
        self, pieces: Swept, *, enough: float = np.inf, ground: Ground | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Clearance (n,) [mm] of swept pieces of a probe, and the nearest facet; as `sweep.least_distance`.

        It is less by the chord error, and negative for a piece that is all inside a closed solid.
        """
        distance, facet = least_distance(self.tree, pieces, enough=enough + self.chord, ground=ground)
        depth, around = self.inside(pieces.foot)
        lost = (depth > 0) & (distance > 0)
        distance[lost], facet[lost] = -depth[lost], around[lost]
        # adding the chord error and taking it off again would round a gap that is wide enough to one that is not
        return np.where(facet >= 0, distance - self.chord, enough), facet

    def least_of_others(self, pieces: Swept, *, enough: float) -> tuple[np.ndarray, np.ndarray]:
        """As `least`, without the part and without looking inside."""
        if self.others is None:
            return np.full(len(pieces), enough), np.full(len(pieces), -1)
        distance, facet = least_distance(self.others, pieces, enough=enough + self.chord)
        near = facet >= 0
        return np.where(near, distance - self.chord, enough), np.where(near, facet + len(self.nominal.facets), -1)


def swept(segment: Segment, frame: np.ndarray, origin: np.ndarray, move: np.ndarray) -> Swept:
    """One piece of the probe on many straight moves.

    Parameters
    ----------
    segment : Segment
    frame : (n, 3, 3) float
        Rotation from probe coordinates to the part frame.
    origin : (n, 3) float
        Origin of the probe coordinates at the start of the move, in the part frame [mm].
    move : (n, 3) float
        [mm]

    Returns
    -------
    Swept
    """
    start, end = np.array(segment.start), np.array(segment.end)
    height = float(np.linalg.norm(end - start))
    axis = (end - start) / height if height > 0 else np.array([0.0, 0.0, 1.0])
    sizes = (height, segment.start_radius, segment.end_radius, segment.grown)
    return Swept(origin + frame @ start, frame @ axis, *(np.full(len(origin), size) for size in sizes), move)


def drawn_out(segment: Segment, frame: np.ndarray, origin: np.ndarray, way: np.ndarray) -> Swept:
    """One piece of the probe on its way along the tool axis; arguments as for `swept`, but `way` (n,) [mm].

    What lies on the axis and goes along it is given as a longer piece that stands still. Of a body that widens upwards
    that is only what comes above where it stands at first.
    """
    axis = frame[:, :, 2]
    if any(segment.start[:2]) or any(segment.end[:2]):
        return swept(segment, frame, origin, way[:, None] * axis)
    widest = max(segment.start_radius, segment.end_radius)
    upper = segment.end_radius >= segment.start_radius
    height = segment.end[2] if upper else segment.start[2]
    sizes = (way, *(np.full(len(way), size) for size in (widest, widest, segment.grown)))
    return Swept(origin + height * axis, axis, *sizes, np.zeros_like(origin))


def clearance_along(
    obstacles: Obstacles,
    probe: Probe,
    start: np.ndarray,
    end: np.ndarray,
    axis: np.ndarray,
    *,
    enough: float = 10.0,
) -> np.ndarray:
    """Least distance of the whole probe to everything, along straight moves of the reference ball's centre.

    Parameters
    ----------
    obstacles : Obstacles
    probe : Probe
    start, end : (n, 3) float
        Ends of the moves, in the part frame [mm].
    axis : (3,), (n, 3) or (n, 3, 3) float
        Unit vector of the tool axis from the ball towards the spindle, in the part frame; for a probe with further
        tips the rotation from probe coordinates to the part frame, of which it is the last column.
    enough : float
        Clearances from here on are given as this [mm]: what is far away costs most. Infinity gives all.

    Returns
    -------
    (n,) float
        [mm], exact to a micrometre and never larger than the distance to the facets. Negative if the probe enters
        something, by about the depth; NaN where a move is not finite.

    Raises
    ------
    InputError
        If shapes do not agree, or the probe has tips and only its axis is given.
    """
    start, end = (np.atleast_2d(np.asarray(points, dtype=float)) for points in (start, end))
    if start.shape != end.shape or start.shape[1] != 3:
        raise InputError("starts and ends differ in shape", found=f"{start.shape} and {end.shape}")
    frame = _frames(probe, np.asarray(axis, dtype=float), len(start))
    least = np.full(len(start), np.nan)
    usable = np.isfinite(np.hstack([start, end, frame.reshape(-1, 9)])).all(axis=1)
    start, move, frame = start[usable], (end - start)[usable], frame[usable]
    found = np.full(len(start), float(enough))
    for segment in probe.outline():
        np.minimum(found, obstacles.least(swept(segment, frame, start, move), enough=enough)[0], out=found)
    least[usable] = found
    return least


def _frames(probe: Probe, axis: np.ndarray, n: int) -> np.ndarray:
    """(n, 3, 3) rotations from an axis, or as given."""
    if axis.shape == (n, 3, 3):
        return axis
    if axis.shape not in ((3,), (n, 3)):
        raise InputError(
            "the tool axis has the wrong shape", found=axis.shape, expected=f"(3,), ({n}, 3) or ({n}, 3, 3)"
        )
    axis = np.broadcast_to(axis, (n, 3))
    upright = np.abs(axis - [0.0, 0.0, 1.0]).max(initial=0.0) < 1e-9
    if upright:
        return np.broadcast_to(np.eye(3), (n, 3, 3))
    if not probe.turned:
        raise InputError(
            "a probe with several tips needs its full orientation, not only the tool axis",
            column="axis",
            expected="(n, 3, 3) rotations",
            todo="Take them from probekit.plan.pose_frame.",
        )
    size = np.linalg.norm(axis, axis=1)
    axis = axis / np.where((size > 0) & (size < np.inf), size, np.nan)[:, None]
    return np.concatenate([across(axis), axis[:, None]], axis=1).transpose(0, 2, 1)
