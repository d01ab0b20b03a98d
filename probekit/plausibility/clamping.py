r"""Whether all touches are of one clamping: a part that moved on the way, or two runs in one file.

From some touch on all deviations change by those of one rigid motion. What else may lie on the touches is left out
first, by least squares:

- what the part may do: each feature its own motion and size; one with many touches is also strained, by a displacement
  that is linear in the place;
- what the machine may do: a drift, even in time, along each axis; and a motion of its own for each pose;

so only a feature that is touched on both sides of the change, in one pose, can tell. The best of all places of the
change is tested by the F test of nested linear models, at a rate that allows for having chosen among them, and has to
explain most of what is left, down to what the uncertainty allows, so that form is not taken for it: a part with much
form hides what it moved. Where two hills or dents explain as much, it is but a note: a gouge is no motion. So it is
where one feature that lies off as a whole does: a bore in the wrong place is none either.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from .finding import Finding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["two_clampings"]

_SURE = 1e-6  # chance that the touches of one clamping look as if they were of two
_SHARE, _ALONE = 0.6, 0.85  # of what the rest leaves that the change must explain; without a u that tells what is form
_LEFT = 1e-3  # chance of as much as it leaves, by u
_TELLING = 3.0  # times u that it must move touches by, root mean square
_LEAST = 0.01  # the same where u is smaller or not stated [mm]
_MOTION, _STRAINED = 9, 60  # touches of a feature from which on it has a motion of its own, and is strained
_HILLS, _AS_WELL = 2, 0.95  # hills have four numbers each, the motion and its touch seven; a share of its gain
_NEIGHBOURS = (0, 1, 2, 4, 8, 16)  # how many of them a hill may reach
_SIDE = 5  # touches at least before the change, and after it
_SAME = 1e-4  # columns less independent than this are one
_SEEN = 1e-2  # a motion of which the rest leaves less than this part is not told


def two_clampings(aligned: pd.DataFrame, when: np.ndarray | None = None, u: float | None = None) -> list[Finding]:
    """A look where the touches from one on lie as if the part had moved before it.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table after the alignment, in the order in which the touches were made; poses in columns
        ``angle_a``, ..., if it has them.
    when : (n,) float, optional
        When each touch was made, in place of the order of the rows.
    u : float, optional
        Standard uncertainty of a deviation [mm].
    """
    from scipy.special import chdtri, fdtrc

    y, places, normals = aligned["deviation"].to_numpy(dtype=float), array(aligned, FOOT), array(aligned, FOOT_NORMAL)
    time = np.arange(len(y), dtype=float) if when is None else np.asarray(when, dtype=float)
    good = np.isfinite(y) & np.isfinite(places).all(axis=1) & np.isfinite(normals).all(axis=1) & np.isfinite(time)
    rows = np.flatnonzero(good)[np.argsort(time[good], kind="stable")]
    used, y, time = aligned.iloc[rows], y[rows], time[rows]
    if len(y) < 2 * _SIDE or time[-1] <= time[0]:
        return []
    motions = _motions(places[rows], normals[rows])
    basis = _basis(np.hstack([motions, *_of_the_part(used, motions), *_of_the_machine(used, motions, time)]))
    lone = np.eye(len(y))[:, [np.abs(y - basis @ (basis.T @ y)).argmax()]]  # one chip is no second clamping
    basis = _basis(np.hstack([basis, lone]))
    left, rest = y - basis @ (basis.T @ y), len(y) - basis.shape[1] - motions.shape[1]
    before = float(left @ left)
    if rest < _SIDE or before <= 0.0:
        return []
    steps = {at: _step(motions, basis, at) for at in range(_SIDE, len(y) - _SIDE + 1) if time[at] > time[at - 1]}
    gains = {at: float(np.sum((way.T @ left) ** 2)) for at, (way, _) in steps.items()}
    at = max(gains, key=gains.__getitem__, default=0)
    if not at or gains[at] < (_SHARE if u else _ALONE) * before:
        return []
    way, back = steps[at]
    after = max(before - gains[at], 1e-12 * before)
    if u and after > chdtri(rest, _LEFT) * u**2:
        return []
    moved = motions[at:] @ (back @ (way.T @ left))
    size = float(np.sqrt(np.mean(moved**2)))
    chance = fdtrc(way.shape[1], rest, gains[at] / way.shape[1] / (after / rest))
    if chance >= _SURE / len(gains) or size < max(_LEAST, _TELLING * (u or 0.0)):
        return []
    found = _finding(used, at, size, np.sqrt(before / len(y)), np.sqrt(after / len(y)))
    name, gain = _by_one_feature(used, motions, left, basis, at)
    enough = before - gain <= chdtri(rest, _LEFT) * u**2 if u else gain >= _AS_WELL * gains[at]
    if enough:
        todo = f"Look where {name} lies to the others; if it lies right, check the clamps"
        what = f"{found.what}; or {name} lies off as a whole, which tells as much"
        return [replace(found, level="note", what=what, todo=todo)]
    if _by_hills(used, y, basis) < _AS_WELL * gains[at]:
        return [found]
    todo = "Look at the part where touches are high or low; if nothing is to be seen there, check its clamps"
    return [
        replace(found, level="note", what=f"{found.what}; or there is a hill or a dent, which tells as much", todo=todo)
    ]


def _motions(places: np.ndarray, normals: np.ndarray) -> np.ndarray:
    """(n, 6) change of the deviations with the shifts, and with turns that move the farthest touch by as much."""
    arm = places - places.mean(axis=0)
    return np.hstack([normals, np.cross(arm / max(float(np.abs(arm).max()), 1e-9), normals)])


def _of_the_part(used: pd.DataFrame, motions: np.ndarray) -> Iterator[np.ndarray]:
    """Columns of the size of each feature, of its own motion, and of its strain, as far as its touches carry them."""
    feature = used["feature"].astype(str).to_numpy()
    for name in dict.fromkeys(feature):
        own = (feature == name)[:, None]
        yield own.astype(float)
        if own.sum() >= _MOTION:
            yield own * motions
        if own.sum() >= _STRAINED:
            at = array(used, FOOT)
            at = (at - at[own[:, 0]].mean(axis=0)) / max(float(np.ptp(at[own[:, 0]], axis=0).max()), 1e-9)
            yield own * (motions[:, :3, None] * at[:, None, :]).reshape(len(at), -1)


def _of_the_machine(used: pd.DataFrame, motions: np.ndarray, time: np.ndarray) -> Iterator[np.ndarray]:
    """Columns of a drift along each axis, and of a motion of the touches of each pose."""
    yield motions[:, :3] * ((time - time[0]) / (time[-1] - time[0]))[:, None]
    angles = [name for name in used if str(name).startswith("angle_")]
    if angles:
        pose = np.unique(np.nan_to_num(array(used, angles)).round(3), axis=0, return_inverse=True)[1].reshape(-1)
        for one in range(1, int(pose.max()) + 1):
            yield motions * (pose == one)[:, None]


def _basis(columns: np.ndarray) -> np.ndarray:
    """(n, r) orthonormal basis of columns."""
    way, weight, _ = np.linalg.svd(columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-12), full_matrices=False)
    return way[:, weight > _SAME * weight[0]]


def _step(motions: np.ndarray, basis: np.ndarray, at: int) -> tuple[np.ndarray, np.ndarray]:
    """What a motion from touch `at` on does beside the rest (n, r), and the motion (6, r) that does so much."""
    step = np.where((np.arange(len(motions)) >= at)[:, None], motions, 0.0)
    way, weight, turn = np.linalg.svd(step - basis @ (basis.T @ step), full_matrices=False)
    told = weight > _SEEN * np.linalg.norm(step, 2)
    return way[:, told], turn[told].T / weight[told]


def _by_one_feature(
    used: pd.DataFrame, motions: np.ndarray, left: np.ndarray, basis: np.ndarray, at: int
) -> tuple[str, float]:
    """The feature that explains most of what is left if it lies off as a whole, and how much.

    Only one that was touched before the change or after it: one that was touched on both sides tells of the change.
    """
    feature, best = used["feature"].astype(str).to_numpy(), ("", 0.0)
    for name in dict.fromkeys(feature):
        if min((feature[:at] == name).sum(), (feature[at:] == name).sum()) > 1:  # the change is placed no better
            continue
        own = np.where((feature == name)[:, None], motions, 0.0)
        way, weight, _ = np.linalg.svd(own - basis @ (basis.T @ own), full_matrices=False)
        told = way[:, weight > _SEEN * np.linalg.norm(own, 2)]
        best = max(best, (name, float(np.sum((told.T @ left) ** 2))), key=lambda one: one[1])
    return best


def _by_hills(used: pd.DataFrame, y: np.ndarray, basis: np.ndarray) -> float:
    """How much of what the basis leaves is a few hills or dents: round, each at a touch of one feature, of any height.

    Their reaches are the distances to neighbours of the feature; the least is the touch alone.
    """
    place, feature = array(used, FOOT), used["feature"].astype(str).to_numpy()
    apart = np.linalg.norm(place[:, None] - place[None], axis=2)
    apart[feature[:, None] != feature[None]] = np.inf
    left = y - basis @ (basis.T @ y)
    before = float(left @ left)
    for _ in range(_HILLS):
        best, column = 0.0, np.zeros(len(y))
        for nearest in (n for n in _NEIGHBOURS if n < len(y)):
            reach = np.sort(apart, axis=1)[:, [nearest]]
            told = reach[:, 0] < np.inf  # the feature has so many neighbours
            hills = np.exp(-((apart[told] / np.maximum(reach[told], _SAME)) ** 2)).T
            hills -= basis @ (basis.T @ hills)
            norm = np.linalg.norm(hills, axis=0)
            gain = np.where(norm > _SEEN, np.abs(left @ hills) / np.maximum(norm, _SEEN), 0.0)
            if gain.max(initial=0.0) > best:
                best, column = float(gain.max()), hills[:, gain.argmax()] / norm[gain.argmax()]
        basis, left = np.column_stack([basis, column]), left - column * float(column @ left)
    return before - float(left @ left)


def _finding(used: pd.DataFrame, at: int, size: float, before: float, after: float) -> Finding:
    ids = used["touch"].to_numpy(dtype=object)
    return Finding(
        "look",
        f"the touches do not belong together: from touch {ids[at]} on they lie as if the part had moved after touch "
        f"{ids[at - 1]}",
        found=f"one rigid motion of the {len(ids) - at} touches from there on, by {size:.3f} mm, root mean square, "
        f"takes what form, drift and poses leave from {before:.4f} to {after:.4f} mm",
        expected="one clamping: deviations that do not jump on the way",
        cause="the part slipped in its clamps or was clamped anew, the work offset was changed, or two runs stand in "
        "one file",
        todo="Check the clamps and the file, and touch the part again in one run",
        touches=tuple(ids[at:].tolist()),
        name="two clampings",
    )
