"""Which points to touch in which poses, so that a part tells most of the machine; and when it is not worth it.

D-optimality: of all touches that can be made, those after which the determinant of the covariance of the errors of the
machine is smallest (V. Fedorov, Theory of Optimal Experiments, 1972, from memory). Poses first, each time the one that
helps most if every point is touched in it as well; then touches, two at a time for a point that has none yet, for one
pose of a point tells nothing. Halfway and at the end some points are touched again in the first pose: what differs then
is drift, which else passes for errors of the machine. Neither step looks back (a greedy choice), and none needs a
result: the covariance of a linear model with priors does not depend on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from ..show import shown
from ..uncertainty.budget import Budget
from .artefact import WORTH, Artefact, estimate, learned_of, noise_of, untold_of, worth_of
from .unknowns import GROUPS, Unknowns, effects

__all__ = ["Proposal", "propose"]

_FLAT = 1.0  # standard deviation of the form of a point before any touch [mm]: as good as unknown
_ENOUGH = 0.05  # a further pose must make the errors surer by this on average (logarithm of the ratio)
_AGAIN, _SHARE = 6, 5  # touches that are made again, and of so many at most one
_MOST_POINTS = 60  # that are looked at; more lie close to these


@shown
@dataclass(frozen=True, eq=False)
class Proposal:
    """Touches that would tell most of the machine, and what they would tell.

    Attributes
    ----------
    table : DataFrame
        Targets: touch, x0, y0, z0, i, j, k, the further columns of the targets, and the angles of the rotary axes.
        Touches of one target in several poses stand in several rows, in the order of touching; some of the first pose
        come again halfway, and at the end.
    poses : tuple of (n_axes,) tuples
        Those that are used [degree].
    foreseen : Artefact or None
        What these touches would leave; estimate and form in it are zero. None if no point can be touched in two poses.
    notes : tuple of str
    """

    table: pd.DataFrame
    poses: tuple[tuple[float, ...], ...]
    foreseen: Artefact | None
    notes: tuple[str, ...] = field(default=())

    @property
    def worth(self) -> bool:
        """Whether the form of the part becomes surer by it than by as many touches in one pose."""
        one = self.foreseen
        return one is not None and bool(np.isfinite(one.after)) and one.after < WORTH * one.before

    @property
    def sentence(self) -> str:
        """What would be learned, at which price, and whether it is worth it."""
        one = self.foreseen
        if one is None:
            return "not worth it: no point can be touched in two poses, so the part tells nothing of the machine"
        known = f"{one.touches} touches of {len(one.points)} points in {one.poses} poses"
        untold = untold_of(one.poses, again=one.again)
        told = f"{learned_of(one.unknowns, one.left)}{worth_of(one.before, one.after)}. {untold}"
        return f"{known} would have " + told if self.worth else f"not worth it: {known} would have {told}"

    @property
    def said(self) -> list[str]:
        """The same for a summary, with the poses."""
        letters = () if self.foreseen is None else self.foreseen.unknowns.kinematics.letters
        poses = ["/".join(f"{a}{v:g}" for a, v in zip(letters, pose, strict=True)) for pose in self.poses]
        return [self.sentence + ".", *([f"Poses: {', '.join(poses)}."] if poses else [])]


def propose(
    targets: pd.DataFrame,
    directions: Sequence[Sequence[int]],
    poses: Sequence[Sequence[float]],
    known: Unknowns,
    budget: Budget,
    *,
    touches: int = 40,
    most_poses: int = 4,
) -> Proposal:
    """Choose points and poses by what they would tell of the machine.

    Parameters
    ----------
    targets : (n rows) DataFrame
        Targets table.
    directions : n sequences of int
        Poses in which each target can be touched, as `probekit.plan.reach` gives them.
    poses : sequence of (n_axes,) float
        What `directions` points into [degree].
    known : Unknowns
    budget : Budget
    touches : int
        How many are made at most, with those made again.
    most_poses : int
        In how many poses at most; each costs time and turns the part.

    Returns
    -------
    Proposal

    Raises
    ------
    InputError
        For fewer than four touches or two poses, or without a target.
    """
    if touches < 4 or most_poses < 2 or not len(targets):
        raise InputError(
            "too few touches, poses or targets to learn anything of the machine",
            found=f"{touches} touches, {most_poses} poses, {len(targets)} targets",
            expected="4 touches, 2 poses, 1 target or more",
        )
    kept = _spread(array(targets, TARGET), np.array([len(set(ways)) for ways in directions]) > 1)
    every = [tuple(float(a) for a in pose) for pose in poses]
    point = np.array([k for k in kept for _ in directions[k]], dtype=int)
    pose = np.array([way for k in kept for way in directions[k]], dtype=int)
    if not len(point):
        return Proposal(targets.iloc[:0], (), None)
    letters = [f"angle_{letter.lower()}" for letter in known.kinematics.letters]
    table = targets.iloc[point].reset_index(drop=True)
    table = table.drop(columns=[c for c in table if c.startswith("turn_")], errors="ignore")
    table[letters] = np.array(every)[pose]
    state = _State.before(table, point, known, budget)
    chosen = _poses_of(state, pose, most_poses)
    again = min(_AGAIN, touches // _SHARE)
    rows = _touches_of(state, point, pose, chosen, touches - again)
    made = _in_rounds([of for _, of in table.iloc[rows].groupby(pose[rows])], again)
    used = tuple(every[one] for one in sorted(set(pose[rows].tolist())))
    return Proposal(made, used, estimate(made.assign(deviation=0.0), known, budget))


def _in_rounds(by_pose: list[pd.DataFrame], again: int) -> pd.DataFrame:
    """The touches of all poses, with so many of the first made again: half of them halfway, between other poses."""
    first, *others = by_pose
    rounds = 2 if len(others) > 1 and again > 1 else 1
    repeated = first.iloc[_facing_apart(array(first, NORMAL), again // rounds)]
    parts, half = [first], -(-len(others) // rounds)
    for start in range(0, rounds * half, half):
        parts += [*others[start : start + half], repeated]
    made = pd.concat(parts, ignore_index=True)
    return made.assign(touch=np.arange(1, len(made) + 1))


def _facing_apart(normals: np.ndarray, count: int) -> list[int]:
    """Rows of so many normals (n, 3) that together tell most of a shift, each time the best (D-optimality)."""
    told = 1e-3 * np.eye(3)
    chosen: list[int] = []
    for _ in range(min(count, len(normals))):
        gains = np.einsum("ni,ij,nj->n", normals, np.linalg.inv(told), normals)
        gains[chosen] = -1.0
        chosen.append(int(gains.argmax()))
        told = told + np.outer(normals[chosen[-1]], normals[chosen[-1]])
    return chosen


@dataclass(frozen=True, eq=False)
class _State:
    """What is known of candidates (c) and of the machine (g) before any touch, in units of the priors of the machine.

    All is normal, so what some touches leave is found by conditioning on them: matrices as large as their number.
    """

    covariance: np.ndarray  # (c, c) of what the candidates would see, without what each has to itself
    machine: np.ndarray  # (g, c) covariance of the errors of the machine with that
    own: np.ndarray  # (c,)

    @classmethod
    def before(cls, table: pd.DataFrame, point: np.ndarray, known: Unknowns, budget: Budget) -> _State:
        noise, _ = noise_of(table, known, budget)
        place, normal = array(table, TARGET), array(table, NORMAL)
        angles = array(table, [f"angle_{letter.lower()}" for letter in known.kinematics.letters])
        whole = effects(place, normal, angles, known) @ np.linalg.cholesky(known.prior)
        same = _FLAT**2 * (point[:, None] == point[None, :])
        seen = whole @ whole.T + noise.factors @ noise.factors.T + same
        return cls(seen, whole[:, known.of(GROUPS)].T, noise.own)

    def given(self, rows: np.ndarray) -> np.ndarray:
        """(t, c) weights: what the candidates share with some touches, by what those see together with their noise."""
        total = self.covariance[np.ix_(rows, rows)] + np.diag(self.own[rows] ** 2)
        return np.linalg.solve(total, self.covariance[rows])

    def left(self, rows: np.ndarray) -> np.ndarray:
        """(g, g) covariance of the machine that some touches leave; one before any."""
        total = self.covariance[np.ix_(rows, rows)] + np.diag(self.own[rows] ** 2)
        shared = self.machine[:, rows]
        return np.eye(len(shared)) - shared @ np.linalg.solve(total, shared.T)

    def size(self, rows: np.ndarray) -> float:
        """Logarithm of the determinant that is to be small."""
        return float(np.linalg.slogdet(self.left(rows))[1])

    def gains(self, rows: np.ndarray, pairs: np.ndarray) -> np.ndarray:
        """(k,) by how much the logarithm falls with each pair of candidates (k, 2); twice the same is one touch.

        The determinant of a changed covariance by that of a small matrix (matrix determinant lemma).
        """
        weights, inverse = self.given(rows), np.linalg.inv(self.left(rows))
        of_machine = (self.machine - self.machine[:, rows] @ weights).T[pairs]
        machine = np.einsum("kap,pr,kbr->kab", of_machine, inverse, of_machine)
        total = self.covariance[pairs[:, :, None], pairs[:, None, :]]
        total = total - np.einsum("kat,tkb->kab", self.covariance[:, rows][pairs], weights[:, pairs])
        total[:, [0, 1], [0, 1]] += self.own[pairs] ** 2
        single = pairs[:, 0] == pairs[:, 1]
        for matrix, diagonal in ((total, 1.0), (machine, 0.0)):  # one touch alone: the other one sees nothing
            matrix[single, 0, 1] = matrix[single, 1, 0] = 0.0
            matrix[single, 1, 1] = diagonal
        rest = np.eye(2) - np.linalg.solve(total, machine)
        return -np.log(np.maximum(np.linalg.det(rest), 1e-300))


def _spread(place: np.ndarray, usable: np.ndarray) -> np.ndarray:
    """Positions of so many targets far from each other among those of several poses."""
    rows = np.flatnonzero(usable)
    if len(rows) <= _MOST_POINTS:
        return rows
    away, kept = np.full(len(rows), np.inf), [0]
    while len(kept) < _MOST_POINTS:
        away = np.minimum(away, np.linalg.norm(place[rows] - place[rows[kept[-1]]], axis=1))
        kept.append(int(away.argmax()))
    return rows[np.sort(kept)]


def _poses_of(state: _State, pose: np.ndarray, most: int) -> list[int]:
    """Poses, the best first, until a further one adds little; the first two by the best pair."""
    names = sorted(set(pose.tolist()))
    rows_of = {name: np.flatnonzero(pose == name) for name in names}

    def size(wanted: list[int]) -> float:
        return state.size(np.concatenate([rows_of[name] for name in wanted]))

    pairs = {(a, b): size([a, b]) for n, a in enumerate(names) for b in names[n + 1 :]}
    best = min(pairs, key=lambda pair: pairs[pair])
    chosen, reached = list(best), pairs[best]
    while len(chosen) < most and len(chosen) < len(names):
        after = {name: size([*chosen, name]) for name in names if name not in chosen}
        name = min(after, key=lambda one: after[one])
        if reached - after[name] < _ENOUGH * len(state.machine):
            break
        chosen, reached = [*chosen, name], after[name]
    return chosen


def _touches_of(state: _State, point: np.ndarray, pose: np.ndarray, chosen: list[int], touches: int) -> np.ndarray:
    """Rows of the candidates that are touched."""
    free = np.isin(pose, chosen)
    taken: list[int] = []
    while len(taken) < touches:
        begun = np.isin(point, point[taken])
        alone = np.flatnonzero(free & begun)
        alone = alone[~np.isin(alone, taken)]
        pairs = [(row, row) for row in alone]
        if len(taken) + 2 <= touches:
            for one in np.unique(point[free & ~begun]):
                rows = np.flatnonzero(free & (point == one))
                pairs += [(a, b) for n, a in enumerate(rows) for b in rows[n + 1 :]]
        if not pairs:
            break
        given = np.array(pairs)
        gains = state.gains(np.array(taken, dtype=int), given)
        each = gains / np.where(given[:, 0] == given[:, 1], 1.0, 2.0)
        best = given[int(each.argmax())]
        taken += sorted(set(best.tolist()))
    return np.array(sorted(taken), dtype=int)
