"""The part as its own artefact: the same unknown points touched in several poses tell of the part and of the machine.

symbol   variable     meaning
y        deviation    deviations of the touches [mm]
f        form         unknown deviation of each point: form and set-up of the part, the same in every pose
p                     unknown numbers of the machine (`probekit.field.unknowns`), known before to within their prior
J        effect       what they do to each touch
L, s     noise        what touches share by drift, straightness, direction and rotary positions; what each has to itself

y = F f + J p + L w + s z, with nothing known of f before: only what differs between the poses of one point tells of the
machine. That is the old reversal, for all errors at once and with what is known beforehand: a square measured, turned
over and measured again shows the square and the squareness of the machine. All is linear and normal, so the estimate is
a least squares with priors and its covariance is exact (A. Gelman et al., Bayesian Data Analysis, chapter 14, from
memory). What no pose can tell stays as it was before: the ratio of both standard deviations says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..columns import FOOT, FOOT_NORMAL, NORMAL, TARGET, TURN, array, has
from ..errors import InputError
from ..show import shown
from ..uncertainty import Scatter
from ..uncertainty import touches as scatter_by_budget
from ..uncertainty.common import numbered
from ..uncertainty.when import elapsed
from .joint import drift_seen, rigid_left_out, solved
from .unknowns import GROUPS, Unknowns, effects, head_effects, in_program, index_effects

if TYPE_CHECKING:
    from ..uncertainty.budget import Budget

__all__ = ["Artefact", "angles_of", "estimate", "noise_of"]

CONSISTENT = 0.01  # touches that the model gives more rarely are not explained by it
LEARNED, NOTHING = 0.5, 0.9  # ratio of posterior and prior below which an error is learned, above which nothing is
STRANGE = 3.5  # an error so many times its standard uncertainty before is hardly what was stated
WORTH = 0.8  # the form must get so much surer for the extra touches to be worth it; our judgement
_KEPT = ("straightness", "drift", "probe by direction")  # common causes that differ from pose to pose
_RADIUS = "effective radius"  # of each tip its own: the same in every pose where there is one tip
_SAME = 4  # decimals of a target by which two touches are of one point
_ROUND = 0.6  # of the run: so far apart are touches that tell its drift; our judgement


@shown
@dataclass(frozen=True, eq=False)
class Artefact:
    """What the touches of one part in several poses tell of the machine and of the part.

    Attributes
    ----------
    unknowns : Unknowns
    value : (p,) float
        Estimated errors of the machine, in the units of the unknowns.
    covariance : (p, p) float
    points : DataFrame
        A row for each point: x0, y0, z0, i, j, k, `poses` it was touched in, `form` [mm] and its standard uncertainty
        `u` [mm], and `touches`.
    touches : int
    poses : int
    before, after : float
        Standard uncertainty of the form of the points, root mean square, with the set-up left out [mm]: if all touches
        of each point were made in one pose, and as they were made. NaN where too few points are left beside the set-up.
    chance : float
        How often touches of this model would fit it as badly as these do, or differ as much from early to late ones.
    drifted : bool
        Whether it is a drift beyond that of the budget that does not fit, for with it all would.
    again : bool
        Whether a point was touched in the same pose early and late: only that tells a drift from the machine.
    notes : tuple of str
    """

    unknowns: Unknowns
    value: np.ndarray
    covariance: np.ndarray
    points: pd.DataFrame
    touches: int
    poses: int
    before: float
    after: float
    chance: float
    drifted: bool
    again: bool
    notes: tuple[str, ...] = field(default=())

    @property
    def u(self) -> np.ndarray:
        """(p,) standard uncertainty of the estimated errors, in their units."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def left(self) -> np.ndarray:
        """(p,) what is left of each prior: standard deviation after the touches over that before, 0 to 1."""
        return self.u / self.unknowns.u

    @property
    def consistent(self) -> bool:
        """Whether the errors that are taken into account explain the touches."""
        return self.chance >= CONSISTENT

    @property
    def table(self) -> pd.DataFrame:
        """Each error with its estimate, standard uncertainty before and after, and what is left of the prior [%]."""
        each = self.unknowns.each
        return pd.DataFrame(
            {
                "error": self.unknowns.names,
                "unit": [one.unit for one in each],
                "estimate": self.value,
                "u": self.u,
                "u before": self.unknowns.u,
                "left [%]": 100.0 * self.left,
            }
        )

    @property
    def sentence(self) -> str:
        """What was learned, what it is worth for the form, and what no pose can tell."""
        known = f"{self.touches} touches of {len(self.points)} points in {self.poses} poses"
        if not self.consistent:
            why = f"{DRIFTED}; if that is not it, {DOUBT}" if self.drifted else self._larger or DOUBT
            return (
                f"{known} are not explained by the errors of the machine that are looked for ({self._chance}): {why}; "
                "nothing may be corrected by it"
            )
        told = f"{learned_of(self.unknowns, self.left)}{worth_of(self.before, self.after)}"
        return f"{known}: {told}. {untold_of(self.poses, again=self.again)}"

    @property
    def _chance(self) -> str:
        return "under 1 in 1000 would fit as badly" if self.chance < 1e-3 else f"1 in {1 / self.chance:.0f} would"

    @property
    def _larger(self) -> str:
        """The error that would have to be far larger than is stated, in words; empty if there is none."""
        times = np.abs(self.value) / self.unknowns.u
        k = max(self.unknowns.of(GROUPS), key=lambda one: times[one])
        if times[k] < STRANGE:
            return ""
        one, before = self.unknowns.each[k], self.unknowns.u[k]
        return (
            f"{one.name} would be {self.value[k]:z.0f} {one.unit}, {times[k]:.0f} times its standard uncertainty "
            f"before ({before:.2g} {one.unit}): if it can be so large, state it; if not, {DOUBT}"
        )

    def factors(self, effect: np.ndarray, groups: tuple[str, ...] = GROUPS) -> np.ndarray:
        """What touches share after a correction for some groups of errors: (n, k) [mm] of independent parts.

        Parameters
        ----------
        effect : (n, p) float
            See `probekit.field.unknowns.effects`.
        groups : tuple of str
            Groups that are corrected.
        """
        own = self.unknowns.of(groups)
        values, vectors = np.linalg.eigh(self.covariance[np.ix_(own, own)])
        return effect[:, own] @ (vectors * np.sqrt(np.maximum(values, 0.0)))


#: What is said where the touches do not fit the model.
DOUBT = "look for dirt, clamps, a wrong pose, a bad point, or an axis that turns the other way"
DRIFTED = (
    "late touches differ from early ones by more than the drift that is stated: let the machine warm up, look for a "
    "part that moved, and touch anew"
)
#: What no pose can tell.
COMMON = (
    "A scale that all three axes have in common cannot be told from the size of the part, nor the place of a table's "
    "axis from tool length and run-out: it is counted from this ball"
)
#: What two poses leave open besides: between them a moved part is as good as a moved axis.
TWO_POSES = (
    "Two poses do not tell the machine from a part that moved or a zero that drifted between them: a third would"
)


#: What is left open where no pose was touched again at the end.
ONCE = (
    "No point was touched again in its pose at the end: a machine that drifts more than is stated, or a part that "
    "moved, can pass for errors of the machine"
)


def untold_of(poses: int, *, again: bool) -> str:
    """What so many poses cannot tell, in words, with touches made again at the end or without."""
    return ". ".join([COMMON, *([] if poses > 2 else [TWO_POSES]), *([] if again else [ONCE])])


def learned_of(known: Unknowns, left: np.ndarray) -> str:
    """Which errors are learned and which are not, in words; scales that only go with them are left out."""
    own = known.of(GROUPS)
    learned = [k for k in own if left[k] <= LEARNED]
    nothing = [known.names[k] for k in own if left[k] > NOTHING]
    some = f"learned {len(learned)} of {len(own)} errors of the machine"
    if learned:
        best = sorted(learned, key=lambda k: float(left[k]))[:3]
        told = ", ".join(f"{known.names[k]} to {100 * left[k]:z.0f} %" for k in best)
        some += f" (of what was unknown before: {told}{', ..' if len(learned) > 3 else ''})"
    return some + (
        f"; nothing of {', '.join(nothing[:3])}{' and others' if len(nothing) > 3 else ''}" if nothing else ""
    )


def worth_of(before: float, after: float) -> str:
    """What it does to the form, in words; empty where that is not known."""
    if not (np.isfinite(before) and np.isfinite(after)):
        return ""
    word = "" if after < WORTH * before else ": not worth the touches for the form alone"
    return (
        f"; form known to {1e3 * after:.2g} um (standard uncertainty); {1e3 * before:.2g} um by as many touches, "
        f"each point in one pose{word}"
    )


def estimate(deviations: pd.DataFrame, known: Unknowns, budget: Budget) -> Artefact:
    """Estimate the errors of a machine and the form of a part together.

    Parameters
    ----------
    deviations : DataFrame
        Deviations table, before any alignment, with targets and the angles of the rotary axes (``angle_a``, ...).
        Touches of one target are touches of one point. Touches without a deviation have no effect.
    known : Unknowns
    budget : Budget
        What else makes touches uncertain: own parts, drift, straightness, direction, rotary positions.

    Returns
    -------
    Artefact
        A corrected position is one that `probekit.field.unknowns.really_at` gives with the estimated errors; nothing
        is corrected here.

    Raises
    ------
    InputError
        If targets or angles are missing, no point was touched in two poses, or the touches have no own scatter.
    """
    usable = deviations[np.isfinite(array(deviations, ["deviation"])[:, 0])].reset_index(drop=True)
    angles, place, normal = angles_of(usable, known), array(usable, TARGET), array(usable, NORMAL)
    point, first = _points(place, normal)
    pose = numbered(angles)
    several = np.array([len(set(pose[point == one])) for one in range(len(first))], dtype=int)
    if (several < 2).all():
        raise InputError(
            "no point was touched in two poses, so the touches say nothing of the machine",
            found=f"{len(usable)} touches of {len(first)} points",
            todo="Make the plan by [artefact]: probekit plan writes artefact.csv.",
        )
    noise, notes = noise_of(usable, known, budget)
    effect = effects(place, normal, angles, known)
    y = usable["deviation"].to_numpy(dtype=float)
    found = solved(y, effect, noise, point, known.prior)
    when = elapsed(_timed(usable))[0]
    in_machine = in_program(place + normal, angles, known) - in_program(place, angles, known)
    seen, besides = drift_seen(found, when[:, None] * in_machine, noise, point)
    chance = min(1.0, 2.0 * min(found.chance, seen))  # one of two tests (Bonferroni)
    drifted = 2.0 * seen < CONSISTENT <= besides
    times, one = np.bincount(point), _commonest(point, pose)
    alone = effect[one] @ known.prior @ effect[one].T + noise.of(one).repeated(times).covariance()
    before = rigid_left_out(alone, place[first], normal[first])
    after = rigid_left_out(found.of_form, place[first], normal[first])
    points = pd.DataFrame(np.hstack([place[first], normal[first]]), columns=[*TARGET, *NORMAL])
    points = points.assign(touches=times, poses=several, form=found.form, u=np.sqrt(np.diag(found.of_form)))
    again, counted = _touched_again(point, pose, when), (len(usable), int(pose.max()) + 1)
    return Artefact(
        known,
        found.value,
        found.covariance,
        points,
        *counted,
        before=before,
        after=after,
        chance=chance,
        drifted=drifted,
        again=again,
        notes=tuple(notes),
    )


def angles_of(table: pd.DataFrame, known: Unknowns) -> np.ndarray:
    """(n, n_axes) angles of the rotary axes of each touch [degree]; an error if they are not told."""
    names = [f"angle_{letter.lower()}" for letter in known.kinematics.letters]
    for name in (*names, *TARGET, *NORMAL):
        if name not in table:
            raise InputError("the touches do not say their target and pose", column=name, found="no such column")
    for name in table:
        if str(name).startswith("angle_") and name not in names and np.any(array(table, [name]) != 0.0):
            raise InputError("touches were made with a rotary axis that is not described", column=name, expected=names)
    angles = array(table, names)
    if not np.isfinite(angles).all():
        row = int(np.argmin(np.isfinite(angles).all(axis=1)))
        raise InputError("a touch does not say its pose", column=names[0], found=f"touch {table['touch'].iloc[row]}")
    return angles


def noise_of(table: pd.DataFrame, known: Unknowns, budget: Budget) -> tuple[Scatter, list[str]]:
    """What touches have to themselves, and what those of one pose share that is no unknown of the machine.

    What a point has in every pose alike, such as expansion, clamping or the radius of the only tip, counts as its form.
    Straightness and drift act in the coordinates of the machine, so in each pose on other points.

    Parameters
    ----------
    table : DataFrame
        With targets, normals and angles.
    known : Unknowns
    budget : Budget

    Returns
    -------
    Scatter, list of str
    """
    angles, place, normal = angles_of(table, known), array(table, TARGET), array(table, NORMAL)
    tip = in_program(place + normal, angles, known)
    in_machine = in_program(place, angles, known)
    names = [*FOOT, *FOOT_NORMAL]
    moved = pd.DataFrame(np.hstack([in_machine, tip - in_machine]), columns=names)
    for name in ("tip", "time", "u"):
        if name in table:
            moved[name] = table[name].to_numpy()
    turn = _into_probe(table, angles, known)
    moved = moved.assign(**{name: turn[:, k] for k, name in enumerate(TURN)})
    scatter = scatter_by_budget(_timed(moved.assign(seconds=table["seconds"]) if "seconds" in table else moved), budget)
    kept = {*_KEPT, _RADIUS} if "tip" in table and table["tip"].nunique() > 1 else {*_KEPT}
    gone = set(scatter.causes) - kept
    noise = replace(scatter.less(*gone), own_causes=None)  # what a touch has to itself is another in each pose
    by = index_effects(place, normal, angles, known, budget.u("index_arcsec") * np.pi / (180.0 * 3600.0))
    for cause, columns in (("index", by), ("pivot of the head", head_effects(normal, angles, known))):
        columns = columns[:, np.any(columns != 0, axis=0)]
        noise = noise.with_causes(columns, (cause,) * columns.shape[1])
    if not (noise.own > 0).all():
        raise InputError("touches without a scatter of their own cannot be weighed", found="own part 0", expected="> 0")
    return noise, [note for note in scatter.notes if "time" in note]


def _into_probe(table: pd.DataFrame, angles: np.ndarray, known: Unknowns) -> np.ndarray:
    """(n, 3) rotation vectors from program coordinates into the frame of the probe [degree]."""
    from scipy.spatial.transform import Rotation

    turn = np.zeros((len(table), 3))
    for pose in np.unique(angles, axis=0):
        own = (angles == pose).all(axis=1)
        part, head = known.kinematics.part_motion(tuple(pose.tolist()))[:3, :3], np.eye(3)
        for axis, angle in zip(known.kinematics.axes, pose, strict=True):
            head = head @ axis.turned(angle) if axis.moves == "head" else head
        if has(table, TURN):  # the spindle may be turned as well
            stated = Rotation.from_rotvec(np.nan_to_num(array(table, TURN)[own]), degrees=True)
            turn[own] = (stated * Rotation.from_matrix(part.T)).as_rotvec(degrees=True)
        else:
            turn[own] = Rotation.from_matrix(head.T).as_rotvec(degrees=True)
    return turn


def _timed(table: pd.DataFrame) -> pd.DataFrame:
    """The same with a time for each touch, where the seconds of a run tell it."""
    return table.assign(time=table["seconds"]) if "seconds" in table and "time" not in table else table


def _touched_again(point: np.ndarray, pose: np.ndarray, when: np.ndarray) -> bool:
    """Whether a point was touched in one pose early and late, `when` being 0 at the first touch, 1 at the last."""
    rounds = pd.Series(when).groupby([point, pose]).agg(np.ptp)
    return bool((rounds > _ROUND).any())


def _points(place: np.ndarray, normal: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Number (n,) of the point that each touch is of, and a row of each point."""
    _, first, point = np.unique(np.hstack([place, normal]).round(_SAME), axis=0, return_index=True, return_inverse=True)
    return point.reshape(-1), first


def _commonest(point: np.ndarray, pose: np.ndarray) -> np.ndarray:
    """A row of each point: that in the pose in which most points were touched."""
    points = np.bincount(np.unique(np.column_stack([pose, point]), axis=0)[:, 0])  # touched again counts once
    order = np.lexsort((-points[pose], point))
    return order[np.unique(point[order], return_index=True)[1]]
