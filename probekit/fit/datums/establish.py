"""Datum frames: the motion from measured to nominal that the datums A | B | C establish, each in its turn.

Each datum's simulator is brought onto its nominal counterpart by a motion among those still open; what the datum grips
is then taken, and what it does not see stays open for the next. So a secondary simulator keeps the angle, and a
tertiary one the place, that the drawing gives it to those before, without a rule for every combination; and no
convention about axes is needed, for the counterparts are the nominal's own faces.

Standards
---------
ASME Y14.5-2018 clause 7 and ASME Y14.5.1-2019; ISO 5459:2024. All statements about them are from memory, those on
ISO 5459 from its edition of 2011: compare them with the edition that a drawing cites. Where they differ and a drawing
says nothing:

- planes: Y14.5.1 takes the external constrained least squares plane ("tangent"), ISO 5459 the external plane with
  the smallest largest distance ("tangent_minimax");
- features of size: both take the largest inscribed or smallest circumscribed ("mating"), with the angle to higher
  datums kept; Y14.5 calls it RMB (regardless of material boundary), ISO has it when no (M) or (L) stands there;
- a plane or cone whose place is already fixed by higher datums takes only its turn: its simulator moves along the
  normal until it touches (Y14.5 RMB), which is a size here;
- a pattern of features of size that is one datum at MMB or LMB settles where its boundaries stand clear most evenly;
- a simulator that may translate (translation modifier) keeps its angle to the datums before, not its distance along
  that direction;
- ISO 5459 knows datums that fix the orientation only ("><"): `orientation_only`.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ...columns import MEASURED
from ...deviation import Projection
from ...deviation.projection import projection_on, require_same_ball
from ...deviation.table import one_radius
from ...errors import FitError, InputError, ProbekitWarning, TouchesError
from ...geometry import across, apply_motion
from ..motion import FREEDOMS, free_of
from ..paired import paired
from ..undetermined import describe_motions
from .features import Datum, Touched, touched
from .frame import DatumFrame, Step, frame_of
from .simulators import settle
from .surrounded import surrounded
from .twists import intersect, motion_of, rows_of_turning, slides_and_turns, velocity_rows

if TYPE_CHECKING:
    import pandas as pd

    from ...nominal import Nominal

__all__ = ["datum_frame"]

_SENSITIVITY = 2e-3  # a motion that changes the deviations by less than this part of itself is not determined


def datum_frame(
    deviations: pd.DataFrame | Mapping[str, np.ndarray],
    datums: Iterable[Datum],
    *,
    nominal: Nominal | Projection | None = None,
    ball: float | None = None,
    free: Iterable[str] = FREEDOMS,
    u: float | np.ndarray | None = None,
    pivot: Iterable[float] | None = None,
    nominal_frame: np.ndarray | None = None,
) -> DatumFrame:
    """Establish a datum frame.

    Parameters
    ----------
    deviations : DataFrame or mapping
        Touches or deviations table; or feature -> measured points (n, 3) [mm], for datums with nominal parameters.
        Targets and their normals say where the nominal is; feet do where there is no target.
    datums : iterable of Datum
        In order of precedence: primary, secondary, tertiary.
    nominal : Nominal or Projection, optional
        Needed for datums of kind "face"; of use for "targets".
    ball : float, optional
        Effective radius to compensate for, if the points are ball centres [mm]. By default the table's column `radius`.
    free : iterable of str
        Degrees of freedom for the datums to take, of tx, ty, tz, rx, ry, rz; the others are held at zero.
    u : float or (n,) float, optional
        Standard uncertainty of a touch [mm]. Without it a column `u`, or else the scatter of the touches about each
        datum feature by itself, is taken.
    pivot : (3,) float, optional
        Point about which the turns of the result are read [mm]. By default the origin, or a point of the axis about
        which the part may still turn.
    nominal_frame : (4, 4) float, optional
        Motion from nominal coordinates to a frame whose axes x, y, z name the degrees of freedom in the table. By
        default the nominal's own axes.

    Returns
    -------
    DatumFrame

    Raises
    ------
    InputError
        If a datum has no touches, its touches do not fix what it should take, it takes nothing although something
        is open, or the datums are none.
    FitError
        If a simulator does not settle.

    Notes
    -----
    The simulators are in `probekit.fit.datums.simulators`, the rules of precedence at the head of this module. The
    covariance is propagated from the touches, by least squares to first order; tangent and mating simulators settle
    anew on drawn touches (`probekit.fit.datums.trials`), since they rest on few touches, and on others when these are
    touched again. The scatter shifts a tangent simulator outward; that bias is not taken off, and its square is in the
    covariance. The draws are the same in every run, whatever the order of the touches.
    """
    datums, available = tuple(datums), free_of(free)
    if not datums:
        raise InputError("a datum frame needs at least one datum")
    letters = [one.letter for one in datums]
    if len(set(letters)) < len(letters):
        raise InputError("two datums have the same letter", found="|".join(letters))
    table, radius = _of_one_ball(deviations if hasattr(deviations, "columns") else _table_of(deviations), ball)
    how = None if nominal is None else projection_on(nominal)
    if how is not None and "radius" in table:
        require_same_ball(how, table.assign(radius=radius))
    nominal = None if how is None else how.nominal
    parts = [touched(table, one, nominal, radius) for one in datums]
    nowhere = np.concatenate([np.concatenate([c.points for c in part.counterparts]) for part in parts])
    centre = nowhere.mean(axis=0)
    arm = max(float(np.sqrt(np.mean(np.sum((nowhere - centre) ** 2, axis=1)))), 1e-3)
    open_ = _open_at_first(available, np.zeros(3) if pivot is None else np.asarray(pivot, dtype=float), centre, arm)
    motion, steps = _start(parts, open_, centre, arm), []
    for part in parts:
        step = _take(part, motion, open_, centre, arm, letters)
        motion, open_ = (step.settled.motion if step.settled else np.eye(4)) @ motion, step.left
        steps.append(step)
    return frame_of(
        table, steps, motion, centre=centre, arm=arm, u=u, pivot=pivot, names=nominal_frame, available=available
    )


def _table_of(points: Mapping[str, np.ndarray]) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for name, values in points.items():
        values = np.asarray(values, dtype=float)
        if values.ndim != 2 or values.shape[1] != 3:
            raise InputError("the points of a feature must have three columns", column=name, found=values.shape)
        rows.append(pd.DataFrame({"feature": name, "x": values[:, 0], "y": values[:, 1], "z": values[:, 2]}))
    if not rows:
        raise InputError("there are no touches")
    table = pd.concat(rows, ignore_index=True)
    table.insert(0, "touch", np.arange(1, len(table) + 1))
    return table


def _of_one_ball(table: pd.DataFrame, ball: float | None) -> tuple[pd.DataFrame, float]:
    """The table as if one ball had touched all, and its effective radius [mm]."""
    if ball is None and "radius" in table:
        points, radius = one_radius(table)
        alike = table.assign(**dict(zip(MEASURED, points.T, strict=True)), radius=radius)
        alike.attrs = dict(table.attrs)
        return alike, radius
    recorded = table.attrs.get("recorded")
    if ball is None and recorded == "centre":
        raise InputError(
            "the touches are ball centres", todo="Give ball=, the effective radius, or project them first."
        )
    if ball is not None and recorded == "contact" and ball:
        raise InputError(
            "the touches are contact points, so there is no ball radius to compensate for", found=f"ball = {ball}"
        )
    radius = float(ball or 0.0)
    if not (np.isfinite(radius) and radius >= 0):
        raise InputError("the radius of the ball is not usable", found=ball, expected="mm, zero or more")
    return table, radius


def _open_at_first(free: np.ndarray, pivot: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(6, k) orthonormal twists of the degrees of freedom (6,) that are free."""
    about_pivot = np.eye(6)
    about_pivot[:3, 3:] = np.cross(np.eye(3), centre - pivot).T / arm  # a turn about the pivot shifts the centre
    return np.linalg.qr(about_pivot[:, free])[0]


def _start(parts: list[Touched], open_: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """Where the touches lie by their targets, as far as what is open allows it: a start, however far off they are."""
    points = np.concatenate([part.points for part in parts])
    expected = np.concatenate([part.expected for part in parts])
    known = np.isfinite(expected).all(axis=1)
    points, expected = points[known], expected[known]
    if not len(points):
        return np.eye(4)
    slides, turns = slides_and_turns(open_)
    if turns.shape[1] == 3 and slides.shape[1] == 3:
        try:
            return paired(points, expected)[0]
        except InputError:
            pass  # on one line: the shift alone is known
    motion = np.eye(4)
    for _ in range(20):
        moved = apply_motion(motion, points)
        rows = np.vstack([velocity_rows(moved, np.tile(axis, (len(moved), 1)), centre, arm) for axis in np.eye(3)])
        left = (expected - moved).T.ravel()
        usable = open_ if turns.shape[1] < 3 else np.vstack([slides, np.zeros((3, slides.shape[1]))])
        step = usable @ np.linalg.lstsq(rows @ usable, left, rcond=1e-6)[0]
        motion = motion_of(step, centre, arm) @ motion
        if np.abs(step).max() < 1e-9:
            break
    return motion


def _take(
    part: Touched, motion: np.ndarray, open_: np.ndarray, centre: np.ndarray, arm: float, letters: list[str]
) -> Step:
    """Let one datum take what it grips of what is open."""
    datum = part.datum
    own_grip = [one.grip(centre, arm) for one in part.counterparts]
    grip = _less_translation(np.vstack(own_grip), _translating(datum))
    if datum.orientation_only:
        _, loose = intersect(np.eye(6), grip)
        about = slides_and_turns(loose)[1]
        grip = rows_of_turning(np.linalg.svd(about.T)[2][about.shape[1] :] if about.shape[1] else np.eye(3))
    taken, left = intersect(open_, grip)
    if not taken.shape[1]:
        said = f"datum {datum.letter} adds nothing: what it could fix is fixed already"
        if open_.shape[1]:
            words = "; ".join(describe_motions(open_, np.ones(6, dtype=bool), centre, arm))
            raise InputError(
                said + f", and the part could still {words}",
                found="|".join(letters),
                todo="Omit it, or name a datum that fixes this.",
            )
        warnings.warn(said, ProbekitWarning, stacklevel=3)
        return Step(
            part,
            open_,
            taken,
            left,
            None,
            member=np.zeros((len(part.rows), 0)),
            slope=_slope(part, motion, centre, arm),
            grip=grip,
        )
    slides, _ = slides_and_turns(open_ if not datum.orientation_only else np.zeros((6, 0)))
    grows = [k for k, one in enumerate(part.counterparts) if not one.grows_like(slides)]
    member = (part.part[:, None] == np.array(grows, dtype=int)[None]).astype(float)
    translating = _translating(datum)
    evenly = len(part.counterparts) > 1 and bool(datum.material_side)
    shared = np.ones((len(member), 1)) if evenly else member
    _check_grip(part, motion, taken, np.hstack([-_along(part, motion, translating), shared]), centre, arm)

    takes = np.hstack([_slope(part, motion, centre, arm) @ taken, -_along(part, motion, translating)])
    part = _held(part, takes, shared)
    datum = part.datum

    def off_boundaries(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        deviation, gradient = part.measure(points)
        return deviation - part.reach[part.part], gradient

    try:
        settled = settle(
            apply_motion(motion, part.points),
            off_boundaries if evenly else part.measure,
            taken,
            shared,
            part.weight,
            datum.settles_by,
            centre=centre,
            arm=arm,
            slides=translating,
        )
    except FitError as error:
        raise FitError(f"datum {datum.letter}: {error}") from error
    if evenly:
        settled = replace(settled, sizes=settled.sizes[0] + part.reach)
    if translating.shape[1]:
        part = _moved_simulator(part, settled.shift)
    if grows:  # along the normal of a plane that grows it rests nowhere
        kept = [
            rows_of_turning(across(one.direction)) if k in grows and one.kind in ("plane", "cone") else own
            for k, (one, own) in enumerate(zip(part.counterparts, own_grip, strict=True))
        ]
        grip = grip if datum.orientation_only else _less_translation(np.vstack(kept), translating)
    return Step(part, open_, taken, left, settled, member, _slope(part, settled.motion @ motion, centre, arm), grip)


def _held(part: Touched, slope: np.ndarray, member: np.ndarray) -> Touched:
    """The same, by least squares where its touches do not stand round a feature of size and nobody asked for an
    envelope.
    """
    datum = part.datum
    if datum.settles_by not in ("mating", "least_material") or surrounded(slope, member):
        return part
    said = f"the touches of datum {datum.letter} do not stand round it and hold no envelope of it"
    if datum.simulator != "default" or datum.boundary != "RMB":
        raise TouchesError(
            said,
            found="touches on about half of it, or on sides shifted against each other",
            expected="touches on all sides, beyond the half of a ball or a cylinder",
            todo='Touch more of it, or let it settle by least squares (simulator = "least_squares", at RMB).',
        )
    note = (
        f"{said}: they are on about half of it, or on sides shifted against each other. It is taken by least squares "
        "in place of its mating envelope; touch it on all sides for that"
    )
    return replace(part, datum=replace(datum, simulator="least_squares"), notes=(*part.notes, note))


def _translating(datum: Datum) -> np.ndarray:
    """(3, t) unit direction along which the simulator of a datum may leave its basic place; t is 0 or 1."""
    if datum.translation is None:
        return np.zeros((3, 0))
    along = np.asarray(datum.translation, dtype=float)
    return (along / np.linalg.norm(along))[:, None]


def _less_translation(grip: np.ndarray, translating: np.ndarray) -> np.ndarray:
    """Twists gripped (m, 6), less those that the simulator takes up by translating."""
    if not translating.shape[1]:
        return grip
    left, seen, _ = np.linalg.svd(grip[:, :3] @ translating)
    return left[:, int((seen > 1e-9).sum()) :].T @ grip


def _along(part: Touched, motion: np.ndarray, translating: np.ndarray) -> np.ndarray:
    """(n, t) change of the deviations of a datum with a translation of its touches."""
    return part.measure(apply_motion(motion, part.points))[1] @ translating


def _moved_simulator(part: Touched, shift: np.ndarray) -> Touched:
    """A datum with its simulator where it came to rest, and a note on how far that is from its basic place."""
    along = _translating(part.datum)[:, 0]
    note = (
        f"datum {part.datum.letter}: its simulator stands {shift @ along:+z.4f} mm from its basic place along "
        "({:z.3f}, {:z.3f}, {:z.3f}), as the translation modifier allows".format(*along)
    )
    return replace(part.translated(shift), notes=(*part.notes, note))


def _slope(part: Touched, motion: np.ndarray, centre: np.ndarray, arm: float) -> np.ndarray:
    """(n, 6) change of the deviations of a datum with a twist made after a motion."""
    moved = apply_motion(motion, part.points)
    return velocity_rows(moved, part.measure(moved)[1], centre, arm)


def _check_grip(
    part: Touched, motion: np.ndarray, taken: np.ndarray, member: np.ndarray, centre: np.ndarray, arm: float
) -> None:
    """Whether the touches fix what the datum takes, and its size."""
    slope = np.hstack([_slope(part, motion, centre, arm) @ taken, -member])
    unknowns = slope.shape[1]
    padded = np.vstack([slope, np.zeros((max(0, unknowns - len(slope)), unknowns))])
    _, singular, vt = np.linalg.svd(padded, full_matrices=False)
    loose = vt[singular / np.sqrt(len(slope)) < _SENSITIVITY].T
    if not loose.shape[1]:
        return
    moving = taken @ loose[: taken.shape[1]]
    left, size, _ = np.linalg.svd(moving, full_matrices=False)
    shown = left[:, size > 0.05]
    could = "; ".join(describe_motions(shown, np.ones(6, dtype=bool), centre, arm)) if shown.shape[1] else "grow"
    also = " and a size" if member.shape[1] else ""
    if len(slope) < unknowns:
        raise TouchesError(
            f"datum {part.datum.letter} has too few touches",
            found=f"{len(part.rows)} touches",
            expected=f"{unknowns} or more: {taken.shape[1]} degrees of freedom{also} are to be fixed by them",
            todo="Touch more of it, or take fewer degrees of freedom from it: name it after other datums"
            + (', or use its touches as datum targets (kind = "targets").' if member.shape[1] else "."),
        )
    raise TouchesError(
        f"the touches of datum {part.datum.letter} do not fix what the datum should fix: its simulator could still "
        f"{could}",
        found=f"{len(part.rows)} touches for {taken.shape[1]} degrees of freedom{also}",
        todo="Touch more of it, farther apart and not on one line"
        + (', or use its touches as datum targets (kind = "targets").' if member.shape[1] else "."),
    )
