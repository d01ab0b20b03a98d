"""The re-cut map: how much stock to remove where, by which tool, and where no tool may.

It speaks of stock, so it is never negative: material that is missing does not come back. At the touches it is what was
measured above the middle of the zone; between them it is smoothed, fades out beside the last touch that needs it, and
is nothing where the tool would cut into the part elsewhere. What lies in a gap, further from any touch of its face than
these are from one another, is not known, and its area is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..show import shown
from ..tolerance.propagation import judged_scatter
from .ball_reach import reach
from .cutters import cut_by
from .noise import MATERIAL, proved_outside, stated
from .places import on_faces
from .regions import neighbours, spacing_of
from .smooth import smooth

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal
    from ..tolerance import Evaluation
    from ..uncertainty import Scatter
    from ..verdict.results import Verdict
    from .cutters import Cutter

__all__ = ["RecutMap", "blocked", "dents_beside", "recut_map", "to_cut"]

_WHOLE, _NOTHING = 0.75, 1.5  # spacings from a touch that needs it, up to which stock counts in full, or at all
_ALIKE = 0.5  # cosine of the angle between normals of the same side
_OVER = "the smoothed field takes off at no touch more than it has, but for"
_LEAST = 5e-4  # scatter of a touch at least: what a table with four decimals can hold, and a little more [mm]
_PART_WAY = 0.5  # of the way to the limit, above which a neighbour of what is cut is cut along
_SURE = 4.0  # uncertainties of a touch that noise hardly makes
_GAP = 1.0  # spacings: what is further from any touch of its face is a gap
_AREA = 0.25  # of the square of a spacing: a smaller gap is none
_BESIDE = 1.8  # spacings within which a dent is a neighbour


@shown
@dataclass(frozen=True, eq=False)
class RecutMap:
    """How much stock to remove, at the touches and between them.

    Attributes
    ----------
    table : DataFrame
        One row per touch that needs it: `touch, face, x, y, z` (the foot on the nominal), `nx, ny, nz` (outward
        normal), `stock` and its standard uncertainty `u` [mm], `field` (the same in the smoothed field), `tool,
        operation`, `why` no tool may remove it ("" if it may; `stock` is then 0 and `left` what stays) and `left`
        [mm].
    field : DataFrame
        The same at close places of those faces, smoothed: `x, y, z, nx, ny, nz, face, stock, u, tool, operation, why`.
    vertices, facets, stock : (v, 3) float, (f, 3) int, (v,) float
        The whole part as a mesh with the stock at its vertices [mm].
    notes : tuple of str
        What it rests on, and what it does not know.
    gaps : tuple of str
        Those of the notes that tell of area next to what is cut which no touch tells of.
    """

    table: pd.DataFrame
    field: pd.DataFrame
    vertices: np.ndarray
    facets: np.ndarray
    stock: np.ndarray
    notes: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """How many places, faces and how much, in one line."""
        cut = self.table[self.table["stock"] > 0]
        away = len(self.table) - len(cut)
        worst = float(cut["stock"].max()) if len(cut) else 0.0
        faces = ", ".join(dict.fromkeys(cut["face"])) or "no face"
        return f"re-cut map: {len(cut)} touched places on {faces}, up to {worst:.3f} mm of stock" + (
            f"; {away} that no tool may reach" if away else ""
        )

    @property
    def by_face(self) -> pd.DataFrame:
        """Each face with `places` to cut, most `stock` [mm], `tool`, `operation` and `left` [mm]."""
        return (
            self.table.groupby(["face", "tool", "operation"], sort=False)
            .agg(places=("stock", lambda s: int((s > 0).sum())), stock=("stock", "max"), left=("left", "max"))
            .reset_index()
        )


def recut_map(
    verdict: Verdict,
    nominal: Nominal,
    *,
    scatter: Scatter | None = None,
    cutters: Sequence[Cutter] = (),
    tolerances: Iterable[str] | None = None,
) -> RecutMap:
    """Stock to remove where touches are proved to lie above their limits, and beside them as far as material is left.

    Parameters
    ----------
    verdict : Verdict
    nominal : Nominal
    scatter : Scatter, optional
        Uncertainty of the touches of the verdict's table; by default that of its column `u`.
    cutters : sequence of Cutter
        Which tool cut which faces. A radius lets it be seen where the ball does not reach, an axis undercuts.
    tolerances : iterable of str, optional
        Names of those to cut for; by default all that are judged from the nominal.

    Returns
    -------
    RecutMap

    Raises
    ------
    InputError
        If two cutters name the same face.
    """
    import pandas as pd

    known, table = stated(verdict, scatter), verdict.table
    named = None if tolerances is None else set(tolerances)
    wanted = [one for one in verdict.evaluations if one.from_nominal and (named is None or one.name in named)]
    off, u, middle = _stock(wanted, known, len(table))
    needed = to_cut(verdict, proved_outside(verdict, known) & (off > 0))
    why, cut = blocked(verdict, nominal, cutters, needed), cut_by(table, cutters)
    may = needed & (why == "")
    rows = np.flatnonzero(needed)
    faces = table["face"].astype(str).to_numpy(dtype=object)
    chosen = pd.DataFrame({"touch": table["touch"].to_numpy()[rows], "face": faces[rows]})
    chosen[["x", "y", "z"]], chosen[list(FOOT_NORMAL)] = array(table, FOOT)[rows], array(table, FOOT_NORMAL)[rows]
    chosen["stock"], chosen["u"] = np.where(may, off, 0.0)[rows], u[rows]
    chosen["tool"], chosen["operation"] = _named(cut[rows], cutters)
    chosen["why"], chosen["left"] = why[rows], np.where(may, 0.0, off)[rows]
    field, mesh, taken, gaps = _between(table, nominal, off, known, may, cutters, verdict)
    chosen.insert(chosen.columns.get_loc("u") + 1, "field", taken[rows])
    too_much = float(np.nanmax(taken - np.maximum(off, 0.0), initial=0.0))
    notes = (*_notes(chosen, cutters, cut[rows], middle[may]), *gaps, f"{_OVER} {too_much:.4f} mm")
    return RecutMap(chosen, field, *mesh, notes=notes, gaps=tuple(gaps))


def _stock(wanted: list[Evaluation], scatter: Scatter, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Height above the middle of the zone, its standard uncertainty, and that middle: (n,) each, NaN where not judged.

    Of several tolerances on one touch, the one that takes off least counts.
    """
    off, u, middle = np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan)
    for one in wanted:
        here = one.deviations - one.middles
        least = ~(here >= off[one.rows])
        rows = one.rows[least]
        off[rows], u[rows] = here[least], judged_scatter(one, scatter).u[least]
        middle[rows] = np.broadcast_to(one.middles, here.shape)[least]
    return off, u, middle


def to_cut(verdict: Verdict, proved: np.ndarray) -> np.ndarray:
    """(n,) touches that a re-cut takes along: those that need it, and round about the rest of the same hump.

    Neighbours along the surface join as long as they lie more than half way to their limit, and by more than noise.
    """
    near, far = neighbours(verdict.table)
    left = np.zeros(len(proved), dtype=bool)
    sure = _SURE * np.nan_to_num(verdict.table["u"].to_numpy(dtype=float))
    for one in (one for one in verdict.evaluations if one.from_nominal):
        off, half = one.deviations - one.middles, (one.uppers - one.lowers) / 2
        left[one.rows] |= (off > _PART_WAY * half) & (off > sure[one.rows])
    out = proved & left
    while out.any():
        joined = out.copy()
        joined[far[out[near]]] = joined[near[out[far]]] = True
        joined &= left
        if (joined == out).all():
            break
        out |= joined
    return out


def blocked(verdict: Verdict, nominal: Nominal, cutters: Sequence[Cutter], needed: np.ndarray) -> np.ndarray:
    """(n,) why the tool of a face may not take off what a touch has, in words; "" where it may, or is not needed."""
    why, cut = np.full(len(needed), "", dtype=object), cut_by(verdict.table, cutters)
    feet, normals = array(verdict.table, FOOT), array(verdict.table, FOOT_NORMAL)
    for number, cutter in enumerate(cutters):
        rows = np.flatnonzero(needed & (cut == number))
        why[rows] = _words(nominal, feet[rows], normals[rows], cutter, _allowed(verdict))
    return why


def _allowed(verdict: Verdict) -> float:
    return MATERIAL * min((one.width for one in verdict.evaluations if one.from_nominal), default=0.0)


def _words(nominal: Nominal, feet: np.ndarray, normals: np.ndarray, cutter: Cutter, allowed: float) -> np.ndarray:
    found = reach(nominal, feet, normals, cutter, allowed)
    return np.array(
        [
            f"the {by} of {cutter.named} would cut {depth:.3f} mm into {face}" if by else ""
            for depth, face, by in zip(found.depth, found.face, found.by, strict=True)
        ],
        dtype=object,
    )


def dents_beside(
    verdict: Verdict, rows: np.ndarray, cutters: Sequence[Cutter] = ()
) -> list[tuple[object, float, float]]:
    """Touches beside some rows of the table that lie below the middle of their zone by more than noise and a tenth
    of it: id, distance [mm], deviation from the middle [mm]; the nearest first.
    """
    table = verdict.table
    feet, normals = array(table, FOOT), array(table, FOOT_NORMAL)
    low = np.full(len(table), np.nan)
    for one in (one for one in verdict.evaluations if one.from_nominal):
        here = one.deviations - one.middles
        sure = here < -np.maximum(2 * MATERIAL * one.width, _SURE * table["u"].to_numpy(dtype=float)[one.rows])
        low[one.rows[sure]] = here[sure]
    cut = cut_by(table, cutters)[rows]
    radius = max((cutters[k].radius or 0.0 for k in set(cut[cut >= 0].tolist())), default=0.0)
    within = max(_BESIDE * spacing_of(table[table["face"].isin(table["face"].iloc[rows])]), radius)
    found = []
    for row in np.flatnonzero(np.isfinite(low)):
        away = np.linalg.norm(feet[rows] - feet[row], axis=1)
        away = away[normals[rows] @ normals[row] >= _ALIKE]
        if len(away) and away.min() <= within:
            found.append((table["touch"].iloc[row], float(away.min()), float(low[row])))
    return sorted(found, key=lambda one: one[1])


def _named(cut: np.ndarray, cutters: Sequence[Cutter]) -> tuple[list[str], list[str]]:
    tools, operations = [str(one.tool) for one in cutters] + [""], [str(one.operation) for one in cutters] + [""]
    return [tools[k] for k in cut], [operations[k] for k in cut]


def _between(
    table: pd.DataFrame,
    nominal: Nominal,
    off: np.ndarray,
    scatter: Scatter,
    may: np.ndarray,
    cutters: Sequence[Cutter],
    verdict: Verdict,
) -> tuple[pd.DataFrame, tuple[np.ndarray, np.ndarray, np.ndarray], np.ndarray, list[str]]:
    """The smoothed field at close places of the faces that are cut, the part as a mesh that carries it, what it
    takes off at each touch (n,) [mm], and what is said of gaps.
    """
    import pandas as pd

    faces = table["face"].astype(str).to_numpy(dtype=object)
    feet, normals = array(table, FOOT), array(table, FOOT_NORMAL)
    cut, spacing = cut_by(table, cutters), {}
    for face in dict.fromkeys(faces[may].tolist()):
        spacing[face] = spacing_of(table[faces == face])
    places = on_faces(nominal, spacing)
    stock, parts, taken_at, gaps = np.zeros(len(places.vertices)), [], np.zeros(len(table)), []
    area = _areas(places.vertices, places.facets)
    for face, step in spacing.items():
        own = (faces == face) & np.isfinite(off)
        at = places.of_face[face]
        if own.sum() < 2 or not step > 0:
            gaps.append(
                f"{face}: one touch does not tell what is left beside it, so nothing is taken off between touches"
            )
            continue
        gaps += _gap(face, places.feet[at], places.normals[at], area[at], feet[own], normals[own], may[own], step)
        field = smooth(feet[own], normals[own], off[own], np.maximum(scatter.own[own], _LEAST), step)
        counts, nearest = _counts(places.feet[at], places.normals[at], feet[own & may], normals[own & may], step)
        here = _counts(feet[own], normals[own], feet[own & may], normals[own & may], step)[0]
        taken_at[own] = here * np.maximum(field.at(feet[own], normals[own])[0], 0.0)
        at, counts, nearest = at[counts > 0], counts[counts > 0], np.flatnonzero(own & may)[nearest[counts > 0]]
        mean, u = field.at(places.feet[at], places.normals[at])
        taken = counts * np.maximum(mean, 0.0)
        common = np.sqrt(np.maximum(scatter.u[nearest] ** 2 - scatter.own[nearest] ** 2, 0.0))
        why = np.full(len(at), "", dtype=object)
        for number in set(cut[nearest].tolist()) - {-1}:
            here = (cut[nearest] == number) & (taken > 0)
            where = at[here]
            why[here] = _words(nominal, places.feet[where], places.normals[where], cutters[number], _allowed(verdict))
        stock[at] = np.where(why == "", taken, 0.0)
        rows = pd.DataFrame(np.hstack([places.feet[at], places.normals[at]]), columns=["x", "y", "z", *FOOT_NORMAL])
        rows["face"], rows["stock"], rows["u"] = face, stock[at], np.hypot(u, common)
        rows["tool"], rows["operation"] = _named(cut[nearest], cutters)
        parts.append(rows.assign(why=why)[(taken > 0)])
    names = ["x", "y", "z", *FOOT_NORMAL, "face", "stock", "u", "tool", "operation", "why"]
    field_table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)
    return field_table, (places.vertices, places.facets, stock), taken_at, gaps


def _areas(vertices: np.ndarray, facets: np.ndarray) -> np.ndarray:
    """(v,) area of a mesh that belongs to each vertex [mm^2]: a third of each of its facets."""
    a, b, c = (vertices[facets[:, k]] for k in range(3))
    each = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 6.0
    return np.bincount(facets.ravel(), np.repeat(each, 3), minlength=len(vertices))


def _gap(
    face: str,
    points: np.ndarray,
    normals: np.ndarray,
    area: np.ndarray,
    feet: np.ndarray,
    theirs: np.ndarray,
    cut: np.ndarray,
    step: float,
) -> list[str]:
    """What area of a face no touch tells of, and how much of it lies next to touches that are cut (k,)."""
    known = np.isfinite(points).all(axis=1)
    counts, nearest = _counts(points[known], normals[known], feet, theirs, step)
    unknown = counts < (_NOTHING - _GAP) / (_NOTHING - _WHOLE)
    beside = float(area[known][unknown & cut[nearest]].sum())
    if beside < _AREA * step**2:
        return []
    whole = float(area.sum())
    return [
        f"{face}: {beside:.0f} mm^2 next to what is cut lie further than {_GAP * step:.1f} mm from any touch, in gaps "
        f"or at edges (of {float(area[known][unknown].sum()):.0f} mm^2 of such area on the face of {whole:.0f} mm^2). "
        "What is left there is not known: the field fades out and takes off too little, if as much is left. Touch "
        "there before the cut, or look at it afterwards"
    ]


def _counts(
    points: np.ndarray, normals: np.ndarray, feet: np.ndarray, theirs: np.ndarray, step: float
) -> tuple[np.ndarray, np.ndarray]:
    """How far stock counts at places (m,), 0 to 1, by the nearest of some feet on the same side, and its position."""
    from scipy.spatial.distance import cdist

    away = np.where(normals @ theirs.T >= _ALIKE, cdist(points, feet), np.inf)
    nearest = away.argmin(axis=1)
    near = away[np.arange(len(points)), nearest] / step
    return np.clip((_NOTHING - near) / (_NOTHING - _WHOLE), 0.0, 1.0), nearest


def _notes(chosen: pd.DataFrame, cutters: Sequence[Cutter], cut: np.ndarray, middle: np.ndarray) -> tuple[str, ...]:
    notes = [
        "stock is measured along the outward normal, above the middle of the zone; it is never negative",
        "between touches the field is smoothed: what is small and lies between them was not seen",
    ]
    if (cut < 0).any() or any(cutters[k].radius is None for k in set(cut[cut >= 0].tolist())):
        notes.append("of faces without a [[cutter]] with a radius it was not looked at whether a tool reaches")
    if any(cutters[k].axis is None for k in set(cut[cut >= 0].tolist())):
        notes.append("without the axis of a tool only its ball was looked at, not undercuts")
    if (np.abs(middle) > 0).any():
        notes.append(f"the middle of the zone is {float(middle[np.abs(middle).argmax()]):+z.3f} mm from the nominal")
    away = int((chosen["why"] != "").sum())
    if away:
        notes.append(f"{away} touched places have stock that no named tool may remove: see the column why")
    return tuple(notes)
