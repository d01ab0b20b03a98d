"""Position of an axis, a centre or a middle plane: regardless of feature size, or with a material condition.

symbol   variable    meaning (all [mm])
t        width       tolerance on the drawing: diameter of the zone, or distance of its planes
P        actual      position value: twice the largest distance of the axis from its true position, over the length
S        size        size of the mating envelope (MMC), or of the minimum material envelope (LMC)
b        bonus       what the departure from the material condition adds: M: |S - MMC|, L: |S - LMC|
VC                   virtual condition: bore MMC - t, boss MMC + t (M); bore LMC + t, boss LMC - t (L)

P <= t regardless of feature size, P <= t + b with a material condition (resolved geometry: the axis). The surface
interpretation (no touch beyond the boundary of size VC about the true position) is computed as well and comes first
in Y14.5 where both differ. ASME Y14.5-2018 clauses 5.9 and 10, from memory. ISO 2692 knows the surface interpretation
only (maximum material virtual size). Without a material condition ISO 1101 takes the extracted median line where Y14.5
takes the axis of the unrelated actual mating envelope.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Literal

import numpy as np

from ..errors import InputError
from ..fit.elements import element
from .axes import axis_of, envelope, sides, size_of
from .cover import Covered, cover, direction_of, few, positive
from .evaluation import Evaluation
from .form import material_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["bonus_of", "position", "virtual_condition"]

_SHAPES = {"axis": "cylinder", "centre": "sphere", "middle plane": "width"}
_OTHERS = ("least_squares", "maximum_inscribed", "minimum_circumscribed")


def bonus_of(size: float, limits: tuple[float, float], modifier: str, *, bore: bool) -> float:
    """Bonus tolerance [mm] of a feature of a size, never negative, never more than the tolerance of size.

    Parameters
    ----------
    size : float
        Size of the envelope [mm].
    limits : (float, float)
        Smallest and largest size allowed [mm].
    modifier : {"", "M", "L"}
    bore : bool
        Whether the feature is internal (bore, slot).
    """
    if not modifier:
        return 0.0
    from_lower = (modifier == "M") == bore  # a bore is at MMC at its smallest, a boss at its largest
    departure = size - limits[0] if from_lower else limits[1] - size
    return float(np.clip(departure, 0.0, limits[1] - limits[0]))


def virtual_condition(width: float, limits: tuple[float, float], modifier: str, *, bore: bool) -> float:
    """Virtual condition [mm]: the constant boundary that tolerances of size and position make together.

    Parameters
    ----------
    width : float
        Tolerance of position, without bonus [mm].
    limits, modifier, bore
        See `bonus_of`; the modifier is M or L.
    """
    sign = -1.0 if (modifier == "M") == bore else 1.0
    return limits[0] + sign * width if sign < 0 else limits[1] + width


def position(
    found: pd.DataFrame,
    width: float,
    *,
    of: Literal["axis", "centre", "middle plane"] = "axis",
    at: Iterable[float] | None = None,
    direction: Iterable[float] | None = None,
    across: Iterable[float] | None = None,
    modifier: Literal["", "M", "L"] = "",
    limits: tuple[float, float] | None = None,
    length: tuple[float, float] | None = None,
    method: str | None = None,
    features: Iterable[str] | None = None,
    between: Mapping[str, tuple[float, float]] | None = None,
    name: str = "position",
) -> Evaluation:
    """Evaluate position in the datum frame.

    Parameters
    ----------
    found : DataFrame
        Deviations table, in the datum frame.
    width : float
        Tolerance [mm]: a diameter, or the distance of two planes if `across` is given or a middle plane is judged.
    of : {"axis", "centre", "middle plane"}
        Of a cylinder, a sphere, two parallel planes.
    at : (3,) float, optional
        A point of the true position [mm]; that of the nominal under the touches by default.
    direction : (3,) float, optional
        Direction of the true axis, or normal of the true middle plane; that of the nominal by default.
    across : (3,) float, optional
        Direction square to a zone of two parallel planes, in place of a round one.
    modifier : {"", "M", "L"}
        Regardless of feature size, at maximum or at least material condition.
    limits : (float, float), optional
        Smallest and largest size allowed [mm], needed with a modifier.
    length : (float, float), optional
        Heights over `at`, along `direction`, between which the axis is judged [mm]: outside the feature for a
        projected zone. Those of the touches by default.
    method : str, optional
        Element whose axis it is; the actual mating envelope by default (minimum material envelope with "L").
    features, between, name
        See `probekit.tolerance.profile`.

    Returns
    -------
    Evaluation
        Judged as a whole. `width` includes the bonus; `details` has size, bonus, virtual condition and the room that
        the touches leave to its boundary.

    Raises
    ------
    InputError
        If the touches do not fix the element, or a modifier lacks limits of size.
    """
    width, covered = positive(width), cover(found, features, between, name=name)
    bore = material_of(covered) == "outside"
    _check(of, modifier, limits)
    method = method or envelope(covered, least_material=modifier == "L")
    where = _true(covered, of, at, direction)
    off, heights, notes = _distances(covered, of, method, where, across, length)
    actual = 2.0 * float(off.max())
    details: dict[str, float] = {}
    notes = [*few(_SHAPES[of], len(covered.rows), "a position"), *notes]
    bonus = 0.0
    if modifier:
        size = size_of(covered, _SHAPES[of], envelope(covered, least_material=modifier == "L"))[0]
        bonus = bonus_of(size, limits, modifier, bore=bore)
        boundary = virtual_condition(width, limits, modifier, bore=bore)
        details |= {"size": size, "bonus": bonus, "virtual condition": boundary}
        if not limits[0] <= size <= limits[1]:
            notes.append(f"the size {size:.4f} mm is outside {limits[0]:g} to {limits[1]:g} mm: it fails by itself")
        if across is None:
            room = _room(covered, of, where, boundary, inside=bore == (modifier == "M"))
            details["room to the boundary of the virtual condition"] = room
            if (room >= 0) != (actual <= width + bonus):
                notes.append(
                    f"by the surface the tolerance is {'met' if room >= 0 else 'not met'} (room {room:+.4f} mm), by "
                    "the axis it is not so: in Y14.5 the surface comes first"
                )
    if heights is not None:
        details |= {"from height": float(heights[0]), "to height": float(heights[1])}
    return Evaluation(
        name=name,
        features=covered.names,
        width=width + bonus,
        lower=0.0,
        upper=(width + bonus) / 2,
        actual=actual,
        high=float(off.max()),
        low=float(off.min()),
        rows=covered.rows,
        deviations=size_of(covered, _SHAPES[of], "least_squares")[1].residuals,
        ruling=(),
        missed_rows=covered.missed,
        free=(),
        motion=np.eye(4),
        kind=f"position of {'an' if of == 'axis' else 'a'} {of}"
        + {"": "", "M": " at maximum material condition", "L": " at least material condition"}[modifier],
        by_touch=False,
        notes=tuple(notes),
        details=details,
        alternatives=lambda: {
            how.replace("_", " "): 2.0 * float(_distances(covered, of, how, where, across, length)[0].max())
            for how in _OTHERS
        },
    )


def _check(of: str, modifier: str, limits: tuple[float, float] | None) -> None:
    if of not in _SHAPES:
        raise InputError("a position is that of an axis, a centre or a middle plane", found=of)
    if modifier not in ("", "M", "L"):
        raise InputError("unknown material condition", found=modifier, expected="M, L or none")
    if modifier and limits is None:
        raise InputError("a material condition needs the limits of size", expected="limits=(smallest, largest)")
    if limits is not None and not (len(limits) == 2 and 0 < limits[0] < limits[1]):
        raise InputError("limits of size are two rising lengths", found=limits)


def _true(
    covered: Covered, of: str, at: Iterable[float] | None, direction: Iterable[float] | None
) -> tuple[np.ndarray, np.ndarray]:
    """Point and unit direction of the true position, as given or from the nominal under the touches."""
    point = None if at is None else np.asarray(at, dtype=float)
    if point is not None and (point.shape != (3,) or not np.isfinite(point).all()):
        raise InputError("a true position is three numbers", found=at)
    axis = np.array([0.0, 0.0, 1.0]) if of == "centre" else None
    axis = direction_of(direction, "of the true position") if direction is not None else axis
    if point is None or axis is None:
        fitted = element(covered.foot, _SHAPES[of], **sides(covered, _SHAPES[of])).parameters
        point = np.asarray(fitted["centre" if of == "centre" else "point"]) if point is None else point
        axis = np.asarray(fitted["direction"]) if axis is None else axis
    return point, axis


def _distances(
    covered: Covered,
    of: str,
    method: str,
    where: tuple[np.ndarray, np.ndarray],
    across: Iterable[float] | None,
    length: tuple[float, float] | None,
) -> tuple[np.ndarray, np.ndarray | None, tuple[str, ...]]:
    """Distances (k,) of the derived feature from its true position [mm], heights judged, notes."""
    point, true = where
    square = None if across is None else direction_of(across, "square to the zone")
    if of == "centre":
        fitted = size_of(covered, "sphere", method)[1]
        shift = np.asarray(fitted.parameters["centre"]) - point
        return np.array([np.linalg.norm(shift) if square is None else abs(shift @ square)]), None, fitted.notes
    if of == "middle plane":
        fitted = size_of(covered, "width", method)[1]
        middle, normal = (np.asarray(fitted.parameters[key]) for key in ("point", "direction"))
        # each touch, moved into the middle plane along the true normal
        height = (covered.contact - middle) @ normal / (normal @ true)
        return np.abs((covered.contact - height[:, None] * true - point) @ true), None, fitted.notes
    axis = axis_of(covered, method)
    heights = np.asarray(length, dtype=float) if length is not None else _extent((covered.contact - point) @ true)
    rise = axis.direction / (axis.direction @ true)
    ends = axis.point + (heights - (axis.point - point) @ true)[:, None] * rise
    shift = ends - point - ((ends - point) @ true)[:, None] * true
    return (np.linalg.norm(shift, axis=1) if square is None else np.abs(shift @ square)), heights, axis.notes


def _room(covered: Covered, of: str, where: tuple[np.ndarray, np.ndarray], boundary: float, *, inside: bool) -> float:
    """Room [mm, in size] between touches and the boundary about the true position; negative if one is beyond it.

    `inside`: the boundary lies inside the surface touched (bore at M, boss at L).
    """
    point, true = where
    off = covered.contact - point
    if of == "middle plane":
        reach = 2.0 * np.abs(off @ true)
    else:
        reach = 2.0 * np.linalg.norm(off if of == "centre" else off - (off @ true)[:, None] * true, axis=1)
    return float(reach.min() - boundary if inside else boundary - reach.max())


def _extent(values: np.ndarray) -> np.ndarray:
    return np.array([values.min(), values.max()])
