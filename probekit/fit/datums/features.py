"""Datum features: what a drawing says about one, and the touches that stand for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ...columns import FOOT, FOOT_NORMAL, MEASURED, NORMAL, TARGET, array
from ...deviation.projection import distance_function
from ...errors import InputError, TouchesError
from ...show import shown
from ..select import select
from .counterparts import KINDS, Counterpart, from_measure, from_normals, from_parameters
from .simulators import SIMULATORS
from .two_sides import one_width

if TYPE_CHECKING:
    import pandas as pd

    from ...nominal import Nominal

__all__ = ["Datum", "DatumTarget", "Touched", "touched"]

_SIZED = ("cylinder", "sphere", "width")


@shown
@dataclass(frozen=True)
class DatumTarget:
    """A point, line or area of the nominal on which a datum stands.

    Attributes
    ----------
    name : str
        As on the drawing, "A1".
    point : (3,) float
        Where it is, in nominal coordinates [mm].
    to : (3,) float, optional
        The other end, of a line [mm].
    radius : float
        Touches whose target is within this of the point or line belong to it [mm].
    """

    name: str
    point: tuple[float, float, float]
    to: tuple[float, float, float] | None = None
    radius: float = 1.0

    def distance(self, points: np.ndarray) -> np.ndarray:
        """(n,) distance of points (n, 3) from it [mm]."""
        start = np.asarray(self.point, dtype=float)
        if self.to is None:
            return np.linalg.norm(points - start, axis=1)
        along = np.asarray(self.to, dtype=float) - start
        part = np.clip((points - start) @ along / max(float(along @ along), 1e-300), 0.0, 1.0)
        return np.linalg.norm(points - start - part[:, None] * along, axis=1)


@shown
@dataclass(frozen=True)
class Datum:
    """One datum of a frame.

    Attributes
    ----------
    letter : str
        "A"; of a multiple feature "A-B".
    kind : str or tuple of str
        "plane"; "cylinder" (the axis of a bore or boss); "cone"; "sphere" (a point); "width" (the middle of two
        parallel planes, of a slot or web); "targets" (the nominal at its targets, point by point); "face" (a face of
        the nominal as it is, freeform). For a multiple feature one for all, or one each.
    features : str or tuple of str
        Features, or faces, of the touches. More than one make a multiple feature (A-B), which acts as one datum; two of
        kind "width" that are one side each make one width.
    simulator : str
        "default", or one of `SIMULATORS`. The default is "tangent" for planes and cones, "mating" for features of size
        that are touched all round, "least_squares" for others, for targets and faces (see `probekit.fit.datum_frame`).
    boundary : str or (str, float, ...)
        "RMB", or ("MMB", size), or ("LMB", size), with the size of the boundary [mm]: diameter, or width. Of several
        features, a pattern that is one datum, one size for all or one for each. Tolerances, and the alignment of a
        study, use it where they write "D(M)" or "D(L)"; a reference without a modifier is at RMB.
    material : {"inside", "outside"}, optional
        Where the material is, seen from the axis, middle or centre. Found from the targets; needed without them.
    orientation_only : bool
        It takes turns, no shifts (ISO 5459: ><).
    translation : (3,) float, optional
        Direction, in nominal coordinates, along which its simulator may leave its basic place to the datums before it
        (translation modifier of ASME Y14.5; distance variable, DV, of ISO 5459).
    targets : tuple of DatumTarget
        For kind "targets": which touches count, and together.
    nominal : mapping, optional
        Nominal parameters, for touches without targets: `point`, `direction`, and `radius`, `width` [mm] or
        `half_angle` [deg], by kind.
    """

    letter: str
    kind: str | tuple[str, ...]
    features: str | tuple[str, ...] = ()
    simulator: str = "default"
    boundary: str | tuple[str | float, ...] = "RMB"
    material: str | None = None
    orientation_only: bool = False
    translation: tuple[float, float, float] | None = None
    targets: tuple[DatumTarget, ...] = field(default=())
    nominal: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        names = (self.features,) if isinstance(self.features, str) else tuple(self.features)
        kinds = (self.kind,) * max(len(names), 1) if isinstance(self.kind, str) else tuple(self.kind)
        object.__setattr__(self, "features", names)
        object.__setattr__(self, "kind", kinds)
        if not isinstance(self.boundary, str):
            object.__setattr__(self, "boundary", tuple(self.boundary))
        if self.translation is not None:
            object.__setattr__(self, "translation", tuple(self.translation))
        self._check(kinds, names)

    @property
    def sentence(self) -> str:
        """Letter, kind and what settles it, in one line."""
        where = f" on {', '.join(self.features)}" if self.features else ""
        at = "" if self.boundary == "RMB" else f" at {self.boundary_words} mm"
        if self.translation is not None:
            at += ", free to translate along ({:g}, {:g}, {:g})".format(*self.translation)
        return f"{self.letter}: {', '.join(self.kind)}{where}, simulator {self.settles_by}{at}"

    @property
    def boundary_words(self) -> str:
        """Its material boundary with its sizes [mm], or RMB."""
        return (
            self.boundary
            if isinstance(self.boundary, str)
            else " ".join(f"{one:g}" if k else str(one) for k, one in enumerate(self.boundary))
        )

    @property
    def boundary_sizes(self) -> np.ndarray:
        """Size of the material boundary of each feature [mm]; NaN at RMB."""
        sizes = np.array([np.nan] if self.boundary == "RMB" else self.boundary[1:], dtype=float)
        return np.broadcast_to(sizes, len(self.kind)).copy()

    @property
    def material_side(self) -> int:
        """1 at MMB, where the material stays on its side of the boundary, -1 at LMB, where it goes beyond; 0 at RMB."""
        return {"MMB": 1, "LMB": -1}.get(str(self.boundary[0]), 0)

    def _check(self, kinds: tuple[str, ...], names: tuple[str, ...]) -> None:
        where = {"column": f"datum {self.letter}"}
        for one in kinds:
            if one not in KINDS:
                raise InputError("unknown kind of datum", found=one, expected="one of " + ", ".join(KINDS), **where)
        if len(kinds) != max(len(names), 1):
            raise InputError("each feature needs one kind", found=f"{len(kinds)} for {len(names)}", **where)
        if self.simulator != "default" and self.simulator not in SIMULATORS:
            known = "default, " + ", ".join(SIMULATORS)
            raise InputError("unknown simulator", found=self.simulator, expected="one of " + known, **where)
        if self.simulator in ("mating", "least_material") and not set(kinds) <= set(_SIZED):
            raise InputError(
                "only a feature of size has a mating envelope, or one of least material",
                found=", ".join(kinds),
                **where,
            )
        if self.simulator in ("tangent", "tangent_minimax") and set(kinds) & {*_SIZED, "targets"}:
            raise InputError(
                "a tangent simulator is for planes, cones and faces", found=", ".join(kinds), expected="mating", **where
            )
        if self.simulator == "tangent_minimax" and "face" in kinds:
            raise InputError("a face takes the simulators tangent, minimax or least_squares", **where)
        self._check_boundary(kinds, where)
        if self.translation is not None:
            good = len(self.translation) == 3 and np.isfinite(self.translation).all() and np.any(self.translation)
            if not good:
                raise InputError(
                    "a translation is along a direction", found=self.translation, expected="[x, y, z]", **where
                )
            if self.boundary != "RMB" or self.orientation_only:
                what = "a datum that is free to translate is judged at RMB only, and takes a place"
                raise InputError(
                    what, found=f"{self.boundary_words}, orientation_only = {self.orientation_only}", **where
                )
        if self.targets and set(kinds) != {"targets"}:
            raise InputError('datum targets need kind="targets"', found=", ".join(kinds), **where)
        if self.nominal is not None and len(kinds) != 1:
            raise InputError("nominal parameters are for a single feature", **where)

    def _check_boundary(self, kinds: tuple[str, ...], where: dict[str, Any]) -> None:
        if self.boundary == "RMB":
            return
        sizes = self.boundary[1:] if isinstance(self.boundary, tuple) else ()
        good = bool(self.material_side) and bool(sizes)
        if not good or not all(isinstance(one, int | float) and one > 0 for one in sizes):
            expected = '"RMB", ("MMB", size) or ("LMB", size)'
            raise InputError("unknown boundary", found=self.boundary, expected=expected, **where)
        if not set(kinds) <= set(_SIZED):
            raise InputError("only features of size have a material boundary", found=", ".join(kinds), **where)
        if len(sizes) not in (1, len(kinds)):
            what = "a pattern has one material boundary for all of its features, or one for each"
            raise InputError(what, found=f"{len(sizes)} sizes for {len(kinds)} features", **where)
        usual = "mating" if self.material_side > 0 else "least_material"
        if len(kinds) > 1 and self.simulator not in ("default", usual):
            what = f"a pattern at {self.boundary[0]} settles among its boundaries"
            raise InputError(what, found=self.simulator, expected="no simulator", **where)

    @property
    def settles_by(self) -> str:
        """Its simulator, with the default in place of "default"."""
        if self.simulator != "default":
            return self.simulator
        if set(self.kind) <= set(_SIZED):
            return "least_material" if self.material_side < 0 else "mating"
        return "tangent" if set(self.kind) <= {"plane", "cone"} else "least_squares"


@dataclass(frozen=True, eq=False)
class Touched:
    """A datum with its touches: positions in the table, the counterparts, and which of these each touch is on.

    Attributes
    ----------
    datum : Datum
    rows : (n,) int
    points : (n, 3) float
        As measured: ball centres or contact points [mm].
    counterparts : tuple of Counterpart
    part : (n,) int
    weight : (n,) float
    expected : (n, 3) float
        Where the measured point would be on the nominal; NaN if not known [mm].
    notes : tuple of str
    """

    datum: Datum
    rows: np.ndarray
    points: np.ndarray
    counterparts: tuple[Counterpart, ...]
    part: np.ndarray
    weight: np.ndarray
    expected: np.ndarray
    notes: tuple[str, ...]

    def measure(self, moved: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Deviations (n,) [mm] of moved points (n, 3) from the counterparts, and gradients (n, 3)."""
        deviation, gradient = np.empty(len(moved)), np.empty((len(moved), 3))
        for k, one in enumerate(self.counterparts):
            deviation[self.part == k], gradient[self.part == k] = one.measure(moved[self.part == k])
        return deviation, gradient

    @property
    def reach(self) -> np.ndarray:
        """(features,) how far the material boundary of each stands outside the nominal [mm]; NaN at RMB."""
        nominal = np.array([one.radius for one in self.counterparts])
        return np.array([one.outward for one in self.counterparts]) * (
            self.datum.boundary_sizes[: len(nominal)] / 2 - nominal
        )

    def translated(self, shift: np.ndarray) -> Touched:
        """The same with its counterparts moved by a shift (3,) [mm]."""
        return replace(self, counterparts=tuple(one.translated(shift) for one in self.counterparts))


def touched(deviations: pd.DataFrame, datum: Datum, nominal: Nominal | None, ball: float) -> Touched:
    """The touches of a datum and its nominal counterparts.

    Raises
    ------
    InputError
        If there are no touches, or they say nothing about where the nominal is.
    """
    parts, notes, rows, weights, expected = [], [], [], [], []
    found = [_rows(deviations, name, datum.letter) for name in datum.features or (None,)]
    kinds = datum.kind
    if datum.nominal is None and one_width(kinds, [_on_nominal(deviations.iloc[k], deviations)[1] for k, _ in found]):
        found, kinds = [(np.concatenate([k for k, _ in found]), sum(missed for _, missed in found))], kinds[:1]
    for (own, missed), kind in zip(found, kinds, strict=True):
        if missed:
            notes.append(f"datum {datum.letter}: {missed} missed touches are not included")
        at, normals = _on_nominal(deviations.iloc[own], deviations)
        if kind == "targets" and datum.targets:
            own, at, normals, weight = _of_targets(datum, own, at, normals)
        else:
            weight = np.ones(len(own))
        if kind == "width" and datum.nominal is None:
            own, at, normals, weight, said = _parallel(datum.letter, own, at, normals, weight)
            notes += said
        parts.append(_counterpart(deviations, datum, kind, nominal, ball, (own, at, normals)))
        rows.append(own)
        weights.append(weight)
        expected.append(at + ball * normals)
    part = np.repeat(np.arange(len(rows)), [len(r) for r in rows])
    rows = np.concatenate(rows)
    points = array(deviations, MEASURED)[rows]
    return Touched(
        datum,
        rows,
        points,
        tuple(parts),
        part,
        np.concatenate(weights),
        np.concatenate(expected) if _has_targets(deviations) else np.full_like(points, np.nan),
        tuple(notes),
    )


def _counterpart(
    deviations: pd.DataFrame,
    datum: Datum,
    kind: str,
    nominal: Nominal | None,
    ball: float,
    on: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> Counterpart:
    rows, at, normals = on
    if datum.nominal is not None:
        points = array(deviations, MEASURED)[rows]
        return from_parameters(kind, datum.nominal, datum.material, points, ball, datum.letter)
    if kind == "face" or (kind == "targets" and nominal is not None):
        if nominal is None:
            raise InputError(f"datum {datum.letter} is a face of the nominal, and no nominal was given")
        chosen = deviations.iloc[rows]
        points = array(chosen, MEASURED)
        smooth = distance_function(chosen, nominal, smooth=True)(points)[1]
        good = np.isfinite(at).all(axis=1)
        return from_measure(kind, np.where(good[:, None], at, points), smooth, distance_function(chosen, nominal))
    if not (np.isfinite(at).all() and np.isfinite(normals).all()):
        raise InputError(
            f"the touches of datum {datum.letter} do not say where the nominal is",
            found=f"{int((~np.isfinite(at).all(axis=1)).sum())} touches without target and normal",
            todo="Project them first (probekit.deviation.project), or give the datum its nominal parameters.",
        )
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    made = from_normals(kind, at, normals, ball, datum.letter)
    if datum.material is not None and kind not in ("plane", "targets"):
        if (made.outward > 0) != (datum.material == "inside"):
            raise InputError(
                f"datum {datum.letter} says the material is {datum.material}, its targets say the opposite",
                todo="Check the normals of the targets: they point out of the material.",
            )
    return made


def _rows(deviations: pd.DataFrame, name: str | None, letter: str) -> tuple[np.ndarray, int]:
    """Rows of a feature, or face, that triggered; and how many did not."""
    hit = np.isfinite(array(deviations, MEASURED)).all(axis=1)
    use = np.ones(len(deviations), dtype=bool)
    if name is not None:
        use = select(deviations, name, of=f"datum {letter}")
    if not (use & hit).any():
        raise TouchesError(f"no touch of datum {letter} triggered")
    return np.flatnonzero(use & hit), int((use & ~hit).sum())


def _has_targets(deviations: pd.DataFrame) -> bool:
    return {"x0", "y0", "z0", "i", "j", "k"} <= set(deviations)


def _on_nominal(chosen: pd.DataFrame, deviations: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Points of the nominal and outward normals: targets, or else feet; NaN where there are neither."""
    n = len(chosen)
    at, normals = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    sources = [(TARGET, NORMAL), (FOOT, FOOT_NORMAL)]
    for points, directions in sources:
        if {*points, *directions} <= set(deviations):
            p, d = chosen[list(points)].to_numpy(dtype=float), chosen[list(directions)].to_numpy(dtype=float)
            lacking = ~(np.isfinite(at) & np.isfinite(normals)).all(axis=1)
            at[lacking], normals[lacking] = p[lacking], d[lacking]
    return at, normals


def _of_targets(
    datum: Datum, rows: np.ndarray, at: np.ndarray, normals: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Touches of the datum targets; those of one target share one vote."""
    distance = np.array([one.distance(at) for one in datum.targets])
    nearest = np.nanargmin(np.where(np.isfinite(distance), distance, np.inf), axis=0)
    inside = distance[nearest, np.arange(len(rows))] <= np.array([t.radius for t in datum.targets])[nearest]
    count = np.bincount(nearest[inside], minlength=len(datum.targets))
    if (count == 0).any():
        empty = datum.targets[int(np.flatnonzero(count == 0)[0])]
        raise TouchesError(
            f"no touch is on datum target {empty.name}", expected=f"a touch within {empty.radius:g} mm of {empty.point}"
        )
    return rows[inside], at[inside], normals[inside], 1.0 / count[nearest[inside]]


def _parallel(
    letter: str, rows: np.ndarray, at: np.ndarray, normals: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, list[str]]:
    """Those touches whose normals lie along one direction, as most do; the rounded ends of a slot are set aside."""
    if not np.isfinite(normals).all():
        return rows, at, normals, weight, []
    along = np.abs(normals @ normals.T) > np.cos(np.radians(1.0))
    keep = along[along.sum(axis=1).argmax()]
    aside = int((~keep).sum())
    said = [f"datum {letter}: {aside} touches are not on its two parallel planes and were excluded"] if aside else []
    return rows[keep], at[keep], normals[keep], weight[keep], said
