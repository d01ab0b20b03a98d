"""What is unknown of a machine, and what it does to touches in many poses: squareness, scales, places of rotary axes.

symbol   variable     meaning
p_j      value        size of unknown j, in its own unit
d(p)                  where the ball really was, less where the control says, in the part frame [mm]
n        normal       outward normal of the part
J_kj     effect       change of the deviation of touch k with unknown j: -n . d/dp_j [mm per unit]

The control believes its own kinematics; the ball is where those of the machine carry it (`probekit.machine.axes`, which
alone says how errors act). A touch ends where the ball meets the part, so what the machine does wrong stands in the
deviation with the opposite sign.

Three scales are told as what they have in common and as two differences. What they have in common cannot be told from
the size of the part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ..errors import InputError
from ..machine.axes import Axes
from ..machine.errors import MachineError, Place, RotaryError, Scale, Squareness
from ..plan.kinematics import Kinematics, RotaryAxis
from ..show import shown
from ..uncertainty.common import numbered

if TYPE_CHECKING:
    from ..uncertainty.budget import Budget

__all__ = ["GROUPS", "TILT", "Unknown", "Unknowns", "effects", "head_effects", "index_effects", "really_at", "unknowns"]

#: Groups of unknowns that a correction can be asked for by name; "scales" are estimated with them and never applied.
GROUPS = ("squareness", "rotary")

#: Largest tilt of a rotary axis where nothing is stated [um/m]; common practice, no source.
TILT = 60.0

_STEP = 10.0  # of each unknown, for its effect, in um or um/m


@dataclass(frozen=True)
class Unknown:
    """One number that is unknown of a machine.

    Attributes
    ----------
    name : str
    unit : {"um", "um/m"}
    group : {"squareness", "rotary", "scales"}
    error : callable
        Its value in that unit -> the `MachineError` that it is.
    """

    name: str
    unit: str
    group: str
    error: Callable[[float], MachineError] = field(repr=False, compare=False)


@shown
@dataclass(frozen=True, eq=False)
class Unknowns:
    """All that is taken for unknown of a machine, with what is known of it before.

    Attributes
    ----------
    kinematics : Kinematics
        As the control believes them to be.
    each : tuple of Unknown
    prior : (p, p) float
        Covariance before any touch, in the units of the unknowns; all means are zero.
    length : float
        From the spindle nose to the ball centre [mm].
    pivot : float
        Standard uncertainty, in each direction, of where the axes of a head meet and how far the ball is from there
        [mm]; never estimated, for no `MachineError` says it.
    """

    kinematics: Kinematics
    each: tuple[Unknown, ...]
    prior: np.ndarray
    length: float = 0.0
    pivot: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """Of the unknowns."""
        return tuple(one.name for one in self.each)

    @property
    def u(self) -> np.ndarray:
        """(p,) standard uncertainty before any touch, in the units of the unknowns."""
        return np.sqrt(np.diag(self.prior))

    @property
    def sentence(self) -> str:
        """What is unknown, in one line."""
        told = [f"{one.name} {u:.2g} {one.unit}" for one, u in zip(self.each, self.u, strict=True)]
        return "unknown, with its standard uncertainty: " + ", ".join(told)

    def of(self, groups: Sequence[str]) -> np.ndarray:
        """Positions of the unknowns of some groups."""
        return np.flatnonzero([one.group in groups for one in self.each])

    def errors(self, value: np.ndarray) -> tuple[MachineError, ...]:
        """The errors of a machine with these values (p,)."""
        return tuple(one.error(float(v)) for one, v in zip(self.each, value, strict=True) if v != 0.0)


def unknowns(
    kinematics: Kinematics,
    budget: Budget,
    *,
    squareness: float | None = None,
    place: float | None = None,
    tilt: float = TILT,
    length: float = 0.0,
) -> Unknowns:
    """What is unknown of a machine with rotary axes.

    Parameters
    ----------
    kinematics : Kinematics
    budget : Budget
        Squareness and scales [um/m] and the place of the rotary axes [um] come from it.
    squareness, place, tilt : float, optional
        Largest error between two linear axes [um/m], of the place of a rotary axis in each direction across it [um],
        and of its direction [um/m], in place of what the budget says; it says nothing of the last.
    length : float
        From the spindle nose to the ball centre [mm]; matters for heads only.

    Returns
    -------
    Unknowns
        Of a head there is no place: its axes meet in one pivot in this model. That they do not, and that the ball is
        not as far from it as believed, makes touches uncertain: see `head_effects`.

    Raises
    ------
    InputError
        If the machine has no rotary axis: then no point can be touched in a second pose.
    """
    if not kinematics.axes:
        raise InputError(
            "the machine has no rotary axis, so no point of the part can be touched in a second pose",
            column="machine.axes",
            expected="one or two rotary axes",
        )
    root3 = np.sqrt(3.0)
    s = budget.u("squareness_um_per_m") if squareness is None else squareness / root3
    p = budget.u("pivot_um") if place is None else place / root3
    c, t = budget.u("scale_um_per_m"), tilt / root3
    each = [_squareness(plane) for plane in ("xy", "xz", "yz")]
    u = [s] * 3
    for axis in kinematics.axes:
        for across, name in _across(axis):
            if axis.moves == "table":
                each.append(Unknown(f"{axis.letter}, place in {name}", "um", "rotary", _offset(axis.letter, across)))
                u.append(p)
            each.append(Unknown(f"{axis.letter}, tilt about {name}", "um/m", "rotary", _tilt(axis.letter, across)))
            u.append(t)
    n = len(each)
    each += [
        Unknown("scale, common", "um/m", "scales", _scales((1.0, 1.0, 1.0))),
        Unknown("scale, y less x", "um/m", "scales", _scales((-1 / 3, 2 / 3, -1 / 3))),
        Unknown("scale, z less x", "um/m", "scales", _scales((-1 / 3, -1 / 3, 2 / 3))),
    ]
    prior = np.zeros((n + 3, n + 3))
    prior[:n, :n] = np.diag(np.square(u))
    prior[n:, n:] = c**2 * np.array([[1 / 3, 0.0, 0.0], [0.0, 2.0, 1.0], [0.0, 1.0, 2.0]])
    return Unknowns(kinematics, tuple(each), prior, length, 1e-3 * p)


def effects(points: np.ndarray, normals: np.ndarray, angles: np.ndarray, known: Unknowns) -> np.ndarray:
    """What each unknown does to the deviation of each touch.

    Parameters
    ----------
    points, normals : (n, 3) float
        Ball centres in the part frame [mm] and outward normals there.
    angles : (n, n_axes) float
        Of the rotary axes [degree].
    known : Unknowns

    Returns
    -------
    (n, p) float
        [mm per unit of the unknown], by central differences of what the virtual machine does.
    """
    columns = []
    for one in known.each:
        away = [really_at(points, angles, known, (one.error(step),)) for step in (_STEP, -_STEP)]
        columns.append(-np.einsum("ij,ij->i", normals, away[0] - away[1]) / (2.0 * _STEP))
    return np.column_stack(columns)


def index_effects(
    points: np.ndarray, normals: np.ndarray, angles: np.ndarray, known: Unknowns, u_rad: float
) -> np.ndarray:
    """(n, k) what one standard uncertainty of each rotary position does: another in each pose, of each axis [mm].

    `u_rad` is in radians; the other arguments are those of `effects`.
    """
    pose, columns = numbered(angles), []
    step = 1e-3  # degree
    for axis in range(angles.shape[1]):
        turned = angles.copy()
        turned[:, axis] += step
        away = really_at(points, angles, known, (), turned=turned) - points
        by = -np.einsum("ij,ij->i", normals, away) * u_rad / np.radians(step)
        columns += [np.where(pose == one, by, 0.0) for one in range(pose.max() + 1)]
    return np.column_stack(columns)


def head_effects(normals: np.ndarray, angles: np.ndarray, known: Unknowns) -> np.ndarray:
    """(n, k) what a head does whose axes do not meet, or whose ball is nearer or farther than believed [mm].

    With H = H1 .. Hm the rotations of the head, the ball stands off by (H1 .. Hj - 1) d: for each axis j an unknown d,
    fixed to what that axis turns, of one standard uncertainty in each direction. No column without a head.
    """
    heads = [k for k, axis in enumerate(known.kinematics.axes) if axis.moves == "head"]
    columns = np.zeros((len(normals), 3 * len(heads)))
    for pose in np.unique(angles, axis=0):
        own = (angles == pose).all(axis=1)
        in_machine = normals[own] @ known.kinematics.part_motion(tuple(pose.tolist()))[:3, :3].T
        turned = np.eye(3)
        for number, k in enumerate(heads):
            turned = turned @ known.kinematics.axes[k].turned(pose[k])
            columns[own, 3 * number : 3 * number + 3] = known.pivot * in_machine @ (turned - np.eye(3))
    return columns


def really_at(
    points: np.ndarray,
    angles: np.ndarray,
    known: Unknowns,
    errors: Sequence[MachineError],
    *,
    turned: np.ndarray | None = None,
) -> np.ndarray:
    """(n, 3) where balls really are that the control reports at `points` (n, 3), in the part frame [mm].

    Parameters
    ----------
    points, angles, known
        See `effects`.
    errors : sequence of MachineError
        Of the machine.
    turned : (n, n_axes) float, optional
        Where the rotary axes really stand, if not at `angles` [degree].
    """
    axes = Axes(known.kinematics, errors, length=known.length, spindle_angle=0.0)
    shown_at = in_program(points, angles, known)
    place = Place(shown_at, np.zeros_like(shown_at), np.zeros(len(shown_at)))
    return axes.ball(place, angles if turned is None else turned, np.zeros(3))


def in_program(points: np.ndarray, angles: np.ndarray, known: Unknowns) -> np.ndarray:
    """(n, 3) what the scales show for balls at `points` (n, 3) of the part [mm]."""
    out = np.empty_like(points)
    poses, which = np.unique(angles, axis=0, return_inverse=True)
    for number, pose in enumerate(poses):
        own = which.reshape(-1) == number
        out[own] = known.kinematics.to_program(points[own], tuple(pose.tolist()), length=known.length)
    return out


def _squareness(plane: str) -> Unknown:
    name = f"squareness of {plane[0].upper()} and {plane[1].upper()}"
    return Unknown(name, "um/m", "squareness", lambda v: Squareness(**{plane: v}))


def _scales(shares: tuple[float, float, float]) -> Callable[[float], MachineError]:
    return lambda v: Scale(*(v * share for share in shares))


def _offset(letter: str, across: np.ndarray) -> Callable[[float], MachineError]:
    return lambda v: RotaryError(letter, offset=tuple((1e-3 * v * across).tolist()))


def _tilt(letter: str, across: np.ndarray) -> Callable[[float], MachineError]:
    return lambda v: RotaryError(letter, tilt=tuple(np.degrees(1e-6 * v * across).tolist()))


def _across(axis: RotaryAxis) -> list[tuple[np.ndarray, str]]:
    """Two unit vectors across an axis, each named by the coordinate that it lies nearest to."""
    along = np.array(axis.direction)
    found: list[tuple[np.ndarray, str]] = []
    for number in sorted(range(3), key=lambda k: abs(along[k]))[:2]:
        vector = np.eye(3)[number] - along[number] * along
        for before, _ in found:
            vector = vector - (vector @ before) * before
        found.append((vector / np.linalg.norm(vector), "xyz"[number]))
    return sorted(found, key=lambda one: one[1])
