r"""Whether deviations differ from pose to pose as an error of a rotary axis makes them: a bad machine is no bad part.

A touch at p, with angles a, is reckoned by the control's kinematics K; with the axes as they are, K', it was at
:math:`K'^{-1}(K(p, a), a)`. To first order in what is wrong with an axis the deviation changes by minus the normal
times that difference. Three models are compared by least squares:

- what the part may do: a rigid motion of all, and a motion and a size of each feature that has touches enough;
- the same, and one fault of one axis (its place, its direction, or both; the pivot length of a head);
- a rigid motion of all and sizes only, and one fault.

The first against the second tells an axis from a feature out of place, because a feature that is touched in several
poses cannot move otherwise in each. Where features have one pose each only the third model can speak, and it cannot
tell the two apart; the finding says so. Of several faults that with the least Bayes information criterion is named
(G. Schwarz, Annals of Statistics 6 (1978) 461-464, from memory); significance is by the F test of nested linear models.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import FOOT, FOOT_NORMAL, array
from ..geometry import apply_motion, invert_motion
from ..plan.kinematics import Kinematics
from .finding import Finding
from .residuals import left_over, motions_and_sizes

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment

__all__ = ["by_pose"]

_SURE = 1e-6  # chance that touches without such a fault look as if they had it
_SHARE = 0.75  # of what the part's own freedoms leave that a fault must explain, so that form is not taken for it
_TELLING = 3.0  # times u that the fault must move touches by, root mean square
_LEAST = 0.005  # the same where u is smaller or not stated [mm]
_FAR = 0.03  # from here on the axis is to be proved before a part is called bad [mm]; common practice, no source
_SECOND = 0.05  # of what a fault does, that a model of first order may miss
_MOTION = 9  # touches of a feature from which on it has a motion of its own
_STEP = 1e-4  # of the differences [mm, degree]


@dataclass(frozen=True, eq=False)
class _Fault:
    """One fault of one axis: its words, its columns (n, k) per mm or degree, and their directions (k, 3)."""

    words: str
    columns: np.ndarray
    directions: np.ndarray
    offsets: int  # columns in mm, before those in degree


def by_pose(
    aligned: pd.DataFrame,
    kinematics: Kinematics,
    alignment: Alignment | None,
    *,
    length: float = 0.0,
    u: float | None = None,
) -> list[Finding]:
    """Findings on rotary axes that are not where the control believes them to be.

    Parameters
    ----------
    aligned : DataFrame
        Deviations table after the alignment, with the angles of each touch, ``angle_a``, ... [degree]. Without those of
        every axis nothing can be said.
    kinematics : Kinematics
        As the control believes it to be, in the frame that the touches were measured in.
    alignment : Alignment or None
    length : float
        From the spindle nose to the ball centre [mm]; matters for heads.
    u : float, optional
        Standard uncertainty of a deviation [mm].

    Returns
    -------
    list of Finding
        One at most: "look" where the touches tell the axis from the part, or where it matters; else "note".
    """
    names = [f"angle_{letter.lower()}" for letter in kinematics.letters]
    if not names or not set(names) <= set(aligned):
        return []
    angles, y = array(aligned, names), aligned["deviation"].to_numpy(dtype=float)
    rows = np.isfinite(angles).all(axis=1) & np.isfinite(y) & np.isfinite(array(aligned, FOOT)).all(axis=1)
    used, angles, y = aligned[rows], angles[rows], y[rows]
    if len(np.unique(angles.round(3), axis=0)) < 2:
        return []
    back = np.eye(4) if alignment is None else invert_motion(alignment.motion)
    points, normals = apply_motion(back, array(used, FOOT)), array(used, FOOT_NORMAL) @ back[:3, :3].T
    faults = list(_faults(points, normals, angles, kinematics, length))
    least = max(_LEAST, _TELLING * (u or 0.0))
    told, proved = (_best(y, nuisance, faults, least) for nuisance in (motions_and_sizes(used), _own_motions(used)))
    best = told or proved
    return (
        [] if best is None else [_finding(*best, sure=proved is not None, far=best[1] > max(_FAR, 10.0 * (u or 0.0)))]
    )


def _own_motions(used: pd.DataFrame) -> np.ndarray:
    """Columns of a motion of all, and of a size and a motion of each feature that has touches enough."""
    common = motions_and_sizes(used)
    feature = used["feature"].astype(str).to_numpy()
    motions = common[:, :6]
    own = [
        motions * (feature == name)[:, None] for name in dict.fromkeys(feature) if (feature == name).sum() >= _MOTION
    ]
    return np.hstack([common, *own])


def _faults(
    points: np.ndarray, normals: np.ndarray, angles: np.ndarray, kinematics: Kinematics, length: float
) -> Iterator[_Fault]:
    """What may be wrong, each axis by itself."""
    from ..machine.errors import RotaryError  # here: inspections of studies without turned poses do not need it

    def column(really: Kinematics) -> np.ndarray:
        """Change of the deviations per step."""
        moved = np.empty_like(points)
        poses, which = np.unique(angles, axis=0, return_inverse=True)
        for number, pose in enumerate(poses):
            own = which.ravel() == number
            there = kinematics.to_program(points[own], pose, length=length)
            moved[own] = really.to_part(there, pose, length=length) - points[own]
        return -np.einsum("ij,ij->i", normals, moved) / _STEP

    for axis in kinematics.axes:
        across = np.linalg.svd(np.array(axis.direction)[None])[2][1:]
        tilts = [column(RotaryError(axis.letter, tilt=_scaled(one)).kinematics(kinematics)) for one in across]
        name = f"axis {axis.letter}"
        if axis.moves == "table":
            offsets = [column(RotaryError(axis.letter, offset=_scaled(one)).kinematics(kinematics)) for one in across]
            yield _Fault(f"the place of {name}", np.column_stack(offsets), across, 2)
            yield _Fault(f"the direction of {name}", np.column_stack(tilts), across, 0)
            both = np.vstack([across, across])
            yield _Fault(f"place and direction of {name}", np.column_stack([*offsets, *tilts]), both, 2)
        else:
            yield _Fault(f"the direction of {name}", np.column_stack(tilts), across, 0)
    if any(axis.moves == "head" for axis in kinematics.axes):
        longer = column(Kinematics(kinematics.axes, kinematics.gauge + _STEP, kinematics.travel))
        yield _Fault("the length from the pivot of the head to the ball", longer[:, None], np.full((1, 3), np.nan), 1)


def _scaled(direction: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (_STEP * direction).tolist()
    return x, y, z


def _best(
    y: np.ndarray, nuisance: np.ndarray, faults: list[_Fault], least: float
) -> tuple[_Fault, float, np.ndarray, np.ndarray] | None:
    """The fault that explains best what the nuisance leaves, if it is sure and moves touches by more than `least`.

    With the size that it moves touches by, root mean square, its parameters, and their standard deviations.
    """
    from scipy.special import fdtrc

    left, _, freedoms = left_over(y, nuisance)
    before, found, lowest = float(left @ left), None, np.inf
    for fault in faults:
        clean = np.column_stack([left_over(column, nuisance)[0] for column in fault.columns.T])
        basis, weight, turn = np.linalg.svd(clean, full_matrices=False)
        keep = weight > 1e-3 * np.linalg.norm(fault.columns)  # what the nuisance does as well is not told
        basis, weight, turn = basis[:, keep], weight[keep], turn[keep]
        count, share = int(keep.sum()), basis.T @ left
        rest, gained = freedoms - count, float(share @ share)
        if not count or rest < 5 or gained <= max(_SHARE * before, len(y) * least**2):
            continue
        after = max(before - gained, 1e-12 * before)
        if fdtrc(count, rest, gained / count / (after / rest)) >= _SURE:
            continue
        score = len(y) * np.log((after + _SECOND**2 * gained) / len(y)) + count * np.log(len(y))
        if score < lowest:
            spread = np.sqrt(after / rest * np.sum((turn.T / weight) ** 2, axis=1))
            lowest, found = score, (fault, float(np.sqrt(gained / len(y))), turn.T @ (share / weight), spread)
    return found


def _finding(fault: _Fault, size: float, value: np.ndarray, spread: np.ndarray, *, sure: bool, far: bool) -> Finding:
    told = []
    for part, unit, digits in ((slice(0, fault.offsets), "mm", 3), (slice(fault.offsets, None), "degrees", 4)):
        if len(value[part]):
            vector = value[part] @ fault.directions[part]
            along = "" if np.isnan(vector).any() else f" along ({', '.join(f'{v:+.{digits}f}' for v in vector)})"
            amount, doubt = np.linalg.norm(value[part]), np.linalg.norm(spread[part])
            told.append(f"about {amount:.{digits}f} {unit}{along}, standard deviation {doubt:.{digits}f}")
    return Finding(
        "look" if sure or far else "note",
        f"the deviations differ from pose to pose as if {fault.words} were wrong"
        + ("" if sure else "; a feature that is out of place, and touched in one pose, would look the same"),
        found=f"{'; '.join(told)}; it moves the touches by {size:.3f} mm, root mean square",
        expected="deviations that do not depend on the pose",
        cause="the rotary axes do not stand where the work offset and the control's values for them say"
        + ("" if sure else ", or the part"),
        todo="Touch one place, such as a sphere, in several poses; correct the values and touch the part again, or "
        "accept this finding with the date of that proof",
        name="rotary axes",
    )
