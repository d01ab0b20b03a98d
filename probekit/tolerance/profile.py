"""Profile of a surface.

The zone lies between two surfaces offset from the nominal along its normals: `outside` on the side of more material,
`width - outside` on the other (ASME Y14.5-2018, clause 11; the part outside is what stands after the symbol for an
unequally disposed profile there). It is written as the limits lower <= d <= upper of the deviation d, with
upper = outside and lower = outside - width. A zone that is not uniform lies between two boundaries, each a distance
from the nominal that varies over the surface.

The actual value is the smallest width of a zone, grown and shrunk evenly from the middle of the specified one, to
which the touches conform (ASME Y14.5.1-2019, actual value by growing zone; from memory): 2 max |d - m| with
m = (lower + upper)/2. For equal disposition that is twice the largest deviation. It is at most `width` exactly when
every touch lies within the limits. With degrees of freedom left to the zone, it is the smallest value that any
motion in them can reach: a minimax placement. A dynamic profile (Y14.5-2018, 11.10, from memory) leaves the offset
of the zone free as well: it holds the form, not the size. Of a zone that is not uniform, the zone is grown in
proportion at each place, and the actual value is given in terms of its largest width (a convention of ours).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np

from ..columns import CONTACT, FOOT_NORMAL, array
from ..deviation.projection import distance_function, projection_on
from ..errors import InputError, ProbekitWarning, TouchesError
from ..fit import FREEDOMS, rigid
from ..fit.datums.freedom import Freedom
from ..geometry import apply_motion
from ..show import shown
from .around import around_notes, checked_around
from .blocks import Block, of_motions
from .boundaries import Boundaries, boundary_limits, limits
from .cover import covered_rows
from .enough import few, require_enough, require_unfitted
from .evaluation import Evaluation
from .nominal_shape import require
from .per_unit import in_windows
from .placement import TOGETHER, Free, freedom_of, place
from .spec import Direction, Length, Tolerance, Vector, stated
from .tangent import placed_heights, tangent_plane

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["Profile", "other_fits", "per_unit", "profile"]


@shown
@dataclass(frozen=True, kw_only=True)
class Profile(Tolerance):
    """Profile of a surface; ASME Y14.5.1-2019, see the head of this module for what of it is from memory.

    Attributes
    ----------
    outside : float or None
        Part of the zone outside the material [mm]; see `probekit.tolerance.boundaries.limits`.
    boundaries : pair or mapping, optional
        A zone that is not uniform: its lower and upper boundary, in place of `width`; see
        `probekit.tolerance.boundaries.boundary_limits`.
    free : tuple of str
        Degrees of freedom that the zone may still take up, of tx, ty, tz, rx, ry, rz: none when a full datum frame
        holds it, all six (`probekit.fit.FREEDOMS`) without a datum frame. Per unit: those of the zone in each window,
        all if none is named.
    dynamic : bool
        Leave a uniform offset of the zone free as well: form only.
    unit : float or None
        Per unit area: diameter of the window [mm]. The value is the largest over all windows, wherever they lie, and
        does not judge touches one by one.
    along : (3,) float or None
        Per unit length: direction along which the window of length `unit` lies.
    tangent : bool
        The tangent plane of a flat feature is judged, (T), at the touched places, not the surface; as a whole.
    separate : bool
        Not to be met at one placement together with others that share its datums.
    around : str
        "all over": every face of the part; all touches are judged unless `features` says which. "all around": the faces
        along an outline, which `features` names. Either is drawn, and when the tolerance is evaluated each face that
        has no touch is named in a note and a warning; faces "all around" that do not close to a ring get a note.
    """

    outside: float | None = None
    boundaries: Boundaries | None = None
    free: tuple[str, ...] = ()
    dynamic: bool = False
    unit: Length | None = None
    along: Direction | None = None
    tangent: bool = field(default=False, metadata=stated(tangent_plane=True))
    separate: bool = field(default=False, metadata=stated(separate_requirement=True))
    around: Literal["", "all over", "all around"] = field(default="", metadata=stated(all_around="all around"))

    characteristic: ClassVar[str] = "profile of a surface"
    kinds: ClassVar = {"profile": {}}
    instead_of_width: ClassVar = ("boundaries",)

    def _check(self) -> None:
        super()._check()
        other = [key for key in ("boundaries", "dynamic", "unit", "along") if getattr(self, key)]
        if self.tangent and (other or self.around):
            what = f"tolerance '{self.name}': a tangent plane is judged in a uniform zone, over a whole flat feature"
            raise InputError(what, column="tangent", found=", ".join([*other, *([self.around] if self.around else [])]))
        checked_around(self.around, self.features, self.name)

    def around_notes(self, deviations: pd.DataFrame, rows: np.ndarray, nominal: Nominal | None) -> tuple[str, ...]:
        """Notes on the faces that "all over" or "all around" asks for and that have no touch among `rows` (n,)."""
        part = None if nominal is None else projection_on(nominal).nominal
        return around_notes(deviations, rows, part, self.around, self.features, self.name)

    def sides(self, deviations: pd.DataFrame) -> np.ndarray:
        """(n, 2) limits of the deviation at each touch of a table [mm]."""
        if self.boundaries is None:
            if self.width is None:
                raise InputError("a profile tolerance needs width= or boundaries=")
            return np.tile(limits(self.width, self.outside), (len(deviations), 1))
        if self.width is not None or self.outside is not None:
            raise InputError("a zone between two boundaries takes no width= and no outside=")
        return boundary_limits(deviations, self.boundaries)

    def _evaluate(self, deviations: pd.DataFrame, nominal: Nominal | None, free: Freedom) -> Evaluation:
        if self.tangent:
            one = self._of_tangent_plane(deviations, free)
        elif self.unit is None:
            one = self._zone(deviations, nominal, free)
        else:
            one = in_windows(deviations, self, nominal, freedom_of(self.free or FREEDOMS))
        return replace(one, notes=(*one.notes, *self.around_notes(deviations, one.rows, nominal)))

    def _zone(self, deviations: pd.DataFrame | np.ndarray, nominal: Nominal | None, free: Freedom) -> Evaluation:
        bare = not hasattr(deviations, "columns")
        if bare:
            deviations = self._table(np.asarray(deviations, dtype=float), free)
        sides = self.sides(deviations)
        covered, names = covered_rows(deviations, self.features or None, self.between)
        good = np.isfinite(deviations["deviation"].to_numpy(dtype=float))
        rows, missed = np.flatnonzero(covered & good), np.flatnonzero(covered & ~good)
        if not len(rows):
            what = f"tolerance '{self.name}' covers no touch that triggered"
            raise TouchesError(what, found=f"{len(missed)} missed touches")
        middle, half = sides[rows].mean(axis=1), np.diff(sides[rows], axis=1)[:, 0] / 2
        chosen, offset = deviations.iloc[rows], self.dynamic
        if {CONTACT[0], FOOT_NORMAL[0]} <= set(chosen):
            at, normal = array(chosen, CONTACT), array(chosen, FOOT_NORMAL)
            require_unfitted(self.name, at, normal, free, offset=offset)
        placed = place(chosen, nominal, free, middle, half, name=self.name, offset=offset)
        notes = (f"dynamic: the zone is offset by {placed.offset:+z.4f} mm, so that only the form is judged",) * offset
        return Evaluation.by_touch(
            deviations,
            rows,
            placed.deviations,
            float(np.diff(sides[rows], axis=1).max()) if self.width is None else self.width,
            name=self.name,
            kind=self.characteristic,
            limits=sides[rows],
            settled=5e-6 if free or offset else 1e-9,
            features=names,
            missed_rows=missed,
            free=free.names,
            freedom=free,
            blocks=_blocks(chosen, free, offset),
            motion=placed.motion,
            details={"offset": placed.offset} if offset else {},
            notes=notes,
            between=self.between,
            alternatives=None if bare else partial(other_fits, chosen, nominal, middle, half),
        )

    def _of_tangent_plane(self, deviations: pd.DataFrame, free: Freedom) -> Evaluation:
        """Where the tangent plane lies in the zone, at the touched places; noise counts as that of the worst touch."""
        covered, width = self.covered(deviations), self.needed_width()
        require(covered, "plane")
        require_enough("plane", covered.contact, "a tangent plane", self.name)
        sides, plane = limits(width, self.outside), tangent_plane(covered)
        square, at = plane.outward, covered.foot.mean(axis=0)
        level = float(at @ square) + sum(sides) / 2  # of the middle of the zone
        off = placed_heights(plane.under(covered.contact), square, level, free)
        alone = (TOGETHER,) if free and not self.separate else ()
        return Evaluation.as_whole(
            deviations,
            covered.rows,
            2.0 * float(np.abs(off).max()),
            width,
            name=self.name,
            kind="profile of a tangent plane",
            features=covered.names,
            lower=sides[0],
            upper=sides[1],
            high=float(off.max() + sum(sides) / 2),
            low=float(off.min() + sum(sides) / 2),
            ruling=tuple(covered.ids[list(plane.active)].tolist()),
            missed_rows=covered.missed,
            free=free.names,
            freedom=free,
            notes=(*plane.notes, *alone, *few("plane", len(covered.rows), "a tangent plane")),
        )

    def _table(self, deviation: np.ndarray, free: Freedom) -> pd.DataFrame:
        """Bare deviations (n,) as a table, if it can be judged without one."""
        import pandas as pd

        if free or self.features or self.between is not None or self.boundaries is not None:
            raise InputError(
                "features, limits and free placement need a deviations table, not bare deviations",
                todo="Use probekit.deviation.project(touches, nominal).",
            )
        table = pd.DataFrame({"touch": np.arange(1, len(deviation) + 1), "deviation": deviation})
        return table.assign(x=0.0, y=0.0, z=0.0)

    def _amount(self) -> str:
        return f"{self.width:g} mm" if self.boundaries is None else "between two boundaries"

    def _words(self) -> Iterator[str]:
        if self.outside is not None:
            yield f"{self.outside:g} mm of it outside the material"
        if self.free:
            yield "free: " + ", ".join(self.free)
        if self.tangent:
            yield "of the tangent plane"
        if self.dynamic:
            yield "dynamic: the offset of the zone is free"
        if self.unit is not None:
            yield f"within each {self.unit:g} mm " + ("across" if self.along is None else "of length")
        if self.separate:
            yield "separate requirement"
        if self.around:
            yield self.around

    def _cells(self) -> list[list[str]]:
        text = f"{self.width:g}" if self.boundaries is None else "a \N{LEFT RIGHT ARROW} b"
        text += "" if self.outside is None else f"(U){self.outside:g}"
        text += "(D)" * self.dynamic + "(T)" * self.tangent
        text += "" if self.unit is None else f"/{'dia ' if self.along is None else ''}{self.unit:g}"
        return [[text, *self.datums]]


def _blocks(chosen: pd.DataFrame, free: Freedom, offset: bool) -> tuple[Block, ...] | None:
    """What shares the placement of the zone; None if it is held, or nothing says where the touches are."""
    if not (free or offset) or not {CONTACT[0], FOOT_NORMAL[0]} <= set(chosen):
        return None
    return of_motions(array(chosen, CONTACT), array(chosen, FOOT_NORMAL), free, offset=offset)


def profile(
    deviations: pd.DataFrame | np.ndarray,
    width: float | None = None,
    *,
    free: Free = (),
    nominal: Nominal | None = None,
    pivot: Vector = (0.0, 0.0, 0.0),
    **options: Any,
) -> Evaluation:
    """Evaluate profile of a surface [mm] of the table `deviations`, or of bare deviations (n,) [mm].

    `width` and `options` are attributes of `Profile`; `free`, `nominal` and `pivot` those of `Tolerance.evaluate`.
    """
    one = Profile(width=width, **{"name": "profile", **options})
    return one.evaluate(deviations, nominal, free=free, pivot=pivot)


def per_unit(
    deviations: pd.DataFrame,
    width: float,
    *,
    size: float,
    free: Free = FREEDOMS,
    nominal: Nominal | None = None,
    **options: Any,
) -> Evaluation:
    """Evaluate profile per unit area or length [mm] of the table `deviations`.

    `width` and `options` are attributes of `Profile`, `size` its `unit`; `free` is left to the zone in each window, and
    `nominal` as in `Tolerance.evaluate`.
    """
    one = Profile(width=width, unit=size, **{"name": "profile per unit", **options})
    return in_windows(deviations, one, nominal, freedom_of(free))


def other_fits(chosen: pd.DataFrame, nominal: Nominal | None, middle: np.ndarray, half: np.ndarray) -> dict[str, float]:
    """Actual value [mm] that other placements of the zone would have given: held, least squares, minimax."""
    share = half.max() / half

    def value(deviations: np.ndarray) -> float:
        return 2.0 * float((share * np.abs(deviations - middle)).max())

    values = {"zone held where the datum frame puts it": value(chosen["deviation"].to_numpy(dtype=float))}
    if nominal is None or len(chosen) < 3:
        return values
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ProbekitWarning)  # what the touches do not fix does not matter here
        fitted = rigid(chosen, nominal, undetermined="hold")
    points = apply_motion(fitted.motion, chosen[["x", "y", "z"]].to_numpy(dtype=float))
    values["least squares over all six freedoms"] = value(distance_function(chosen, nominal)(points)[0])
    every = Freedom.named(FREEDOMS)
    placed = place(chosen, nominal, every, middle, half, name="another fit")
    values["minimax over all six freedoms"] = value(placed.deviations)
    floating = place(chosen, nominal, every, middle, half, offset=True, name="another fit")
    values["minimax over all six freedoms and a uniform offset"] = value(floating.deviations)
    return values
