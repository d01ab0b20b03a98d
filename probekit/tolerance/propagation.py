"""How far uncertainty reaches what a tolerance judges: that of its touches, and that of the frame it is judged in.

symbol   variable     meaning
u_i                   standard uncertainty of the deviation of touch i [mm]
J_i      rows         change of a deviation with a small motion: shift of the origin [mm], turn [rad]
Sigma    covariance   covariance of that motion: of the alignment, or of the datum frame of the tolerance
g_i      gradient     change of the actual value with the deviation of touch i
s        slope        change of the actual value with a small motion

A touch is judged with u_i^2 + J_i Sigma J_i' (law of propagation: JCGM 100:2008, 5.1.2 and 5.2.2; JCGM 102:2011, 6.2;
clauses from memory). What the zone's own placement takes up of the motion is no error: J is taken less its projection,
by least squares over the touches, on the motions that are free. What the touches share moves the frame and what is
judged in it together, and a touch that made the frame is correlated with it: both are counted through the gain of the
frame where it is known (`judged_scatter`). A value judged as a whole has the uncertainty of g e + s (motion).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..fit import FREEDOMS
from ..fit.datums.freedom import Freedom
from ..fit.motion import typical_arm
from ..geometry import cross_matrix, left_jacobian, motion_parameters
from ..show import shown
from ..uncertainty import Scatter

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from .evaluation import Evaluation
    from .play import Play

__all__ = [
    "FRAME",
    "OWN",
    "Carried",
    "carry",
    "element_gain",
    "if_common",
    "judged_scatter",
    "less_placement",
    "motion_covariance",
    "motion_rows",
    "motion_step",
    "own_uncertainty",
]

FRAME = "datum frame, by the scatter of its touches"
OWN = "touches, each by itself"

_NOTHING = 1e-9  # a row this small, against the largest, is none
_FIXED = 1e-2  # a motion that changes the deviations by less than this part of the strongest is not fixed by them


@shown
@dataclass(frozen=True, eq=False)
class Carried:
    """What the uncertainty of a frame does to what is judged in it.

    Attributes
    ----------
    rows : (m, 6) float
        Change of each deviation (or, m = 1, of the actual value) with the shift of the origin [mm] and the turn [rad].
    covariance : (6, 6) float
        Of that motion; NaN if it is not known.
    gain : (6, a) float, optional
        Change of that motion with the deviation of each touch that made the frame.
    used : (a,) int
        Positions of those touches in the table.
    spread : (a,) float
        Least standard uncertainty of each of them [mm]: what their residuals showed.
    lift : (6, k) float
        Bias of that motion, which is not taken off: k further common causes.
    play : tuple of Play
        What the play of each datum at a material boundary does besides; see `probekit.tolerance.play`.
    """

    rows: np.ndarray
    covariance: np.ndarray
    gain: np.ndarray | None = None
    used: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    spread: np.ndarray = field(default_factory=lambda: np.zeros(0))
    lift: np.ndarray = field(default_factory=lambda: np.zeros((6, 0)))
    play: tuple[Play, ...] = ()

    @property
    def each(self) -> np.ndarray:
        """(m,) standard uncertainty that each takes from the frame [mm]; NaN where it is not known."""
        return self.along(np.eye(len(self.rows)))

    def along(self, weights: np.ndarray) -> np.ndarray:
        """The same of weighted sums: `weights` (..., m) -> (...) [mm]."""
        rows = np.asarray(weights, dtype=float) @ self.rows
        matters = np.abs(rows).max(axis=-1) > _NOTHING * max(float(np.abs(self.rows).max(initial=0.0)), 1.0)
        if not np.isfinite(self.covariance).all():
            return np.where(matters, np.nan, 0.0)
        return np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", rows, self.covariance, rows), 0.0))


def own_uncertainty(deviations: pd.DataFrame, u: float | None = None) -> np.ndarray:
    """Standard uncertainty of each touch by itself: its entry in the column `u`, else `u`, else zero.

    Parameters
    ----------
    deviations : DataFrame
        Touches or deviations table.
    u : float, optional
        Of the touches that have none of their own [mm].

    Returns
    -------
    (n,) float
        [mm].

    Raises
    ------
    InputError
        If one is negative, or `u` is not finite.
    """
    given = 0.0 if u is None else float(u)
    if not (np.isfinite(given) and given >= 0):
        raise InputError("the standard uncertainty must be zero or more", found=u, expected="mm")
    if "u" not in deviations:
        return np.full(len(deviations), given)
    column = deviations["u"].to_numpy(dtype=float)
    own = np.where(np.isfinite(column), column, given)
    if (own < 0).any():
        raise InputError("a standard uncertainty cannot be negative", column="u", found=float(own.min()))
    return own


def motion_step(alignment: Alignment) -> np.ndarray:
    """(6, 6) small motion of the aligned part, shift of the origin [mm] and turn [rad], with its parameters [mm, deg].

    Its parameters p are t [mm] about the pivot and w [deg]; a change turns by J_l(w) dw and shifts the point pivot + t
    by dt, see `probekit.geometry.left_jacobian`.
    """
    shift, turn = motion_parameters(alignment.motion, pivot=alignment.pivot)
    turning = left_jacobian(np.radians(turn)) * (np.pi / 180.0)
    step = np.zeros((6, 6))
    step[:3, :3], step[3:, 3:] = np.eye(3), turning
    step[:3, 3:] = cross_matrix(np.asarray(alignment.pivot, dtype=float) + shift) @ turning
    return step


def motion_covariance(alignment: Alignment) -> np.ndarray:
    """Covariance (6, 6) of an alignment as a small motion of the aligned part: shift of the origin [mm], turn [rad]."""
    step = motion_step(alignment)
    return step @ alignment.covariance @ step.T


def carry(evaluation: Evaluation, deviations: pd.DataFrame, alignment: Alignment | None) -> Evaluation:
    """The evaluation with what the uncertainty of its frame does to it, as `carried`.

    Parameters
    ----------
    evaluation : Evaluation
    deviations : DataFrame
        The deviations table it was made of.
    alignment : Alignment or None
        What brought the table to where it is: the alignment of the part, or the datum frame of the tolerance. None:
        nothing did, and the evaluation is returned as it is.
    """
    if alignment is None:
        return evaluation
    if evaluation.slope is not None:
        rows = evaluation.slope[None]
    elif evaluation.gradient is not None:
        rows = np.zeros((1, 6))
    else:
        chosen = deviations.iloc[evaluation.rows]
        if not {"cx", "nx"} <= set(chosen):
            raise InputError(
                "the uncertainty of an alignment needs to know where the touches are",
                expected="a deviations table of probekit.deviation.project",
            )
        at, normal = (chosen[list(names)].to_numpy(dtype=float) for names in (("cx", "cy", "cz"), ("nx", "ny", "nz")))
        rows = less_placement(motion_rows(at, normal), evaluation.freedom or _named(evaluation.free))
    step = motion_step(alignment)
    carried = Carried(rows, motion_covariance(alignment))
    if alignment.gain is not None and alignment.spread is not None and np.isfinite(alignment.spread).all():
        lift = np.zeros((6, 0)) if alignment.lift is None else step @ alignment.lift
        carried = replace(carried, gain=step @ alignment.gain, used=alignment.used, spread=alignment.spread, lift=lift)
    return replace(evaluation, carried=carried)


def judged_scatter(evaluation: Evaluation, scatter: Scatter, change: np.ndarray | None = None) -> Scatter:
    """Scatter of what is judged, with that of the frame it is judged in.

    A touch that made the frame moves it and is judged in it: what it does to both is counted as one cause.

    Parameters
    ----------
    evaluation : Evaluation
    scatter : Scatter
        Of the whole table.
    change : (m, n) float, optional
        Change of m values with the deviation of each touch judged; of the deviations themselves by default, one by one.
        It goes with the rows of `evaluation.carried`.

    Returns
    -------
    Scatter
        Of the n deviations, or the m values, [mm]; without what is not known of the frame.
    """
    judged, carried = scatter.of(evaluation.rows), evaluation.carried
    if change is not None:
        each = change * judged.own
        judged = Scatter(
            np.zeros(len(change)),
            np.hstack([change @ judged.factors, each]),
            (*judged.causes, *(OWN,) * each.shape[1]),
        )
    if carried is None or not (np.abs(carried.rows).max(initial=0.0) or carried.play):
        return judged
    if carried.gain is None:
        if not np.isfinite(carried.covariance).all():
            return judged
        size, axes = np.linalg.eigh(carried.covariance)
        return judged.with_causes(carried.rows @ (axes * np.sqrt(np.maximum(size, 0.0))), (FRAME,) * 6)
    own, (rows, gain, lift) = scatter.own[carried.used], _with_play(carried)
    moved = rows @ gain
    factors, keep = judged.factors.copy(), judged.own.copy()
    factors[:, : len(scatter.causes)] += moved @ scatter.factors[carried.used]
    _, at, made = np.intersect1d(evaluation.rows, carried.used, return_indices=True)
    both = moved[:, made] * own[made]
    if change is None:
        both[at, np.arange(len(at))] += keep[at]
        keep[at] = 0.0
    else:
        factors[:, len(scatter.causes) + at] += both
        both = both[:, :0]
    alone = np.maximum(own, carried.spread)
    alone[made] = np.sqrt(np.maximum(alone[made] ** 2 - own[made] ** 2, 0.0))
    turned = gain * alone
    size, axes = np.linalg.eigh(turned @ turned.T)
    frame = np.hstack([rows @ (axes * np.sqrt(np.maximum(size, 0.0))), rows @ lift, both])
    return Scatter(keep, np.hstack([factors, frame]), (*judged.causes, *(FRAME,) * frame.shape[1]), judged.own_causes)


def if_common(evaluation: Evaluation, scatter: Scatter, change: np.ndarray | None = None) -> np.ndarray:
    """Change of what is judged if all that is each touch's own were one cause of all, those of the frame among them.

    A radius that is off moves a face outward, and the datum on the other side as well. Parameters as of
    `judged_scatter`.

    Returns
    -------
    (m,) float
        [mm]; its size is a standard uncertainty.
    """
    own, carried = scatter.own[evaluation.rows], evaluation.carried
    moved = own if change is None else change @ own
    if carried is None or carried.gain is None:
        return moved
    rows, gain, _ = _with_play(carried)
    return moved + rows @ (gain @ scatter.own[carried.used])


def _with_play(carried: Carried) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows, gain and bias of the frame, and of the play of its datums: one more thing that the touches move."""
    rows, gain, lift = carried.rows, carried.gain, carried.lift
    for play in carried.play:
        gain = np.vstack([gain, play.gain(carried.used, carried.gain)])
        rows, lift = np.column_stack([rows, play.change]), np.vstack([lift, play.weight @ play.moved @ carried.lift])
    return rows, gain, lift


def less_placement(rows: np.ndarray, freedom: Freedom) -> np.ndarray:
    """Rows (n, 6) less what a placement in the motions that are free without limit takes up of them."""
    freedom = freedom.without_play()
    if not freedom:
        return rows
    motions = freedom.motions.copy()
    motions[:3] -= np.cross(motions[3:].T, freedom.pivot).T  # written about the origin
    motions /= np.maximum(np.linalg.norm(motions, axis=0), 1e-300)
    free = rows @ motions
    return rows - free @ np.linalg.lstsq(free, rows, rcond=1e-9)[0]


def element_gain(points: np.ndarray, normals: np.ndarray, active: tuple[int, ...] = ()) -> tuple[np.ndarray, ...]:
    """How an element of size follows its touches, to first order.

    Parameters
    ----------
    points, normals : (n, 3) float
        Touches [mm] and the outward normals there.
    active : tuple of int
        Touches that it rests on; all of them, by least squares, if that is empty.

    Returns
    -------
    twist : (6, n) float
        Shift of the point `centre` and turn [rad per mm] with the deviation of each touch.
    outward : (n,) float
        Change of half its size, outward from the material.
    centre : (3,) float
    """
    use = np.arange(len(points)) if not active else np.array(sorted(active))
    centre = points.mean(axis=0)
    arm = np.array([1.0] * 3 + [typical_arm(points, centre)] * 3)
    off = points[use] - centre
    design = np.column_stack([normals[use], np.cross(off, normals[use]) / arm[3], np.ones(len(use))])
    gain = np.zeros((7, len(points)))
    gain[:, use] = np.linalg.pinv(design, rcond=_FIXED)
    return gain[:6] / arm[:, None], gain[6], centre


def motion_rows(at: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """(n, 6) change of the deviation at points with the shift of the origin and the turn."""
    return np.hstack([normal, np.cross(at, normal)])


def _named(names: tuple[str, ...]) -> Freedom:
    """What named freedoms allow wherever their pivot was: a turn counts where the shifts across it are free too."""
    across = {"rx": ("ty", "tz"), "ry": ("tx", "tz"), "rz": ("tx", "ty")}
    return Freedom.named(
        [name for name in names if name in FREEDOMS and all(one in names for one in across.get(name, ()))]
    )
