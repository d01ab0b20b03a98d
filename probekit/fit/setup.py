"""Set-up: touches on the clamped part -> where the part frame lies in the machine, and the change of the work offset.

The same datums, simulators and fits that judge a part also find it. Touches are in machine coordinates, targets in part
coordinates; the work offset says where the control takes the part frame to be now.

symbol   variable          meaning
W        work_offset       (4, 4) part coordinates -> machine coordinates, as the control has them now
M        alignment.motion  work coordinates, as measured -> part coordinates, as they should be
W M^-1   part_in_machine   (4, 4) part coordinates -> machine coordinates, as found
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from ..deviation import Projection
from ..deviation.projection import projection_on
from ..errors import InputError
from ..geometry import (
    apply_motion,
    cross_matrix,
    invert_motion,
    is_rigid,
    left_jacobian,
    motion_parameters,
    rigid_motion,
)
from ..show import shown
from .alignment import Alignment, Shared, with_shared
from .datums import Datum, DatumFrame, datum_frame
from .motion import FREEDOMS, move_touches
from .rigid import rigid

if TYPE_CHECKING:
    import pandas as pd

    from ..nominal import Nominal

__all__ = ["SetUp", "set_up", "work_offset_change"]

_CAUTION = (
    "This is a computation, not an order: a person qualified for this machine decides. A wrong sign or frame drives "
    "the spindle into the part. Before anything runs: compare the numbers with the control's own way of writing "
    "offsets, touch one known point again after the change, then dry run above the part, single block, low override, "
    "hand on the feed hold."
)
_AXES = ("X", "Y", "Z")


@shown
@dataclass(frozen=True, eq=False)
class SetUp:
    """Where the part lies, and what to add to the work offset.

    Attributes
    ----------
    part_in_machine : (4, 4) float
        Part coordinates to machine coordinates, as found.
    work_offset : (4, 4) float
        The same as the control has it now.
    shift : (3,) float
        To add to the work offset along the machine's X, Y, Z [mm]: new origin less present one.
    rotation_deg : (3,) float
        To turn the work coordinates by, about the part's origin: rotation vector along the machine's axes,
        right-handed [deg].
    covariance : (6, 6) float
        Of shift and rotation [mm, deg]; NaN where it is not known.
    found : tuple of bool
        Which of the six the touches found; the others stay as they are.
    alignment : Alignment or DatumFrame
        What it was taken from: work coordinates to part coordinates.
    caution : str
    """

    part_in_machine: np.ndarray
    work_offset: np.ndarray
    shift: np.ndarray
    rotation_deg: np.ndarray
    covariance: np.ndarray
    found: tuple[bool, ...]
    alignment: Alignment | DatumFrame
    caution: str = field(default=_CAUTION)

    @property
    def uncertainty(self) -> np.ndarray:
        """(6,) standard uncertainty of shift [mm] and rotation [deg]."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def origin(self) -> np.ndarray:
        """(3,) where the part's origin lies in machine coordinates [mm]."""
        return self.part_in_machine[:3, 3]

    @property
    def sentence(self) -> str:
        """Where the part lies and what to change, sign and frame spelled out."""
        u = self.uncertainty
        at = ", ".join(f"{a} {v:+z.4f}" for a, v in zip(_AXES, self.origin, strict=True))
        text = f"The part's origin lies at {at} mm in machine coordinates. "
        shifts = self._listed(self.shift, u[:3], self.found[:3], "mm")
        turns = self._listed(self.rotation_deg, u[3:], self.found[3:], "deg")
        text += (
            f"Add to the work offset, along the machine's axes: {shifts} (new = present + this). "
            if shifts
            else "These touches determine no shift. "
        )
        if turns:
            text += (
                f"Turn the work coordinates about the part's origin by: {turns} (right-handed: a positive turn about Z "
                "goes from X towards Y). "
            )
            tilt = [k for k in (0, 1) if self.found[3 + k] and abs(self.rotation_deg[k]) > 3 * np.nan_to_num(u[3 + k])]
            if tilt:
                named = " and ".join(_AXES[k] for k in tilt)
                text += f"The turn about {named} needs a machine that can tilt the frame, or a new clamping. "
        missing = [f"shift {a}" for a, ok in zip(_AXES, self.found[:3], strict=True) if not ok]
        missing += [f"turn about {a}" for a, ok in zip(_AXES, self.found[3:], strict=True) if not ok]
        if missing:
            text += f"Not determined by these touches, unchanged: {', '.join(missing)}. "
        return text + "u is a standard uncertainty."

    @staticmethod
    def _listed(values: np.ndarray, u: np.ndarray, found: tuple[bool, ...], unit: str) -> str:
        return ", ".join(
            f"{axis} {value:+z.4f} {unit} (u {f'{one:.4f}' if np.isfinite(one) else 'not known'})"
            for axis, value, one, ok in zip(_AXES, values, u, found, strict=True)
            if ok
        )

    def _repr_html_(self) -> str:
        u, values = self.uncertainty, (*self.shift, *self.rotation_deg)
        rows = "".join(
            f"<tr><td>{'shift' if k < 3 else 'turn about'} {_AXES[k % 3]}</td>"
            + (f"<td>{values[k]:+z.4f}</td><td>{u[k]:.4f}</td>" if self.found[k] else "<td>not found</td><td></td>")
            + f"<td>{'mm' if k < 3 else 'deg'}</td></tr>"
            for k in range(6)
        )
        return (
            f"<p>{escape(self.sentence)}</p><table><tr><th></th><th>change</th><th>u</th><th></th></tr>{rows}</table>"
            f"<p><b>Caution.</b> {escape(self.caution)}</p>"
        )


def set_up(
    deviations: pd.DataFrame | Mapping[str, np.ndarray],
    datums: Iterable[Datum] | None = None,
    *,
    nominal: Nominal | Projection | None = None,
    work_offset: np.ndarray | Iterable[float] | None = None,
    free: Iterable[str] = FREEDOMS,
    ball: float | None = None,
    u: float | np.ndarray | None = None,
    scatter: Shared | None = None,
) -> SetUp:
    """Find the part frame in the machine.

    Parameters
    ----------
    deviations : DataFrame or mapping
        Touches table, measured positions in machine coordinates, targets in part coordinates; or feature -> measured
        points (n, 3) [mm], for datums with nominal parameters.
    datums : iterable of Datum, optional
        What was touched, in order of precedence: a plane (flat face, edge), three planes (corner), a cylinder (bore,
        boss), a width (slot, web), a face. None: the touches are fitted to the nominal as they are (freeform).
    nominal : Nominal or Projection, optional
        Needed for freeform, and for datums of kind "face".
    work_offset : (4, 4) or (3,) float, optional
        Where the control takes the part frame to be now: part to machine coordinates, or its origin [mm]. None: the
        touches are in work coordinates already.
    free : iterable of str
        Degrees of freedom that are known well enough, of tx, ty, tz, rx, ry, rz along the part's axes. A bore touched
        at one depth finds no tilt: leave out rx, ry.
    ball : float, optional
        Effective radius of the ball, if the points are its centres [mm]; by default that of the projection, or the
        table's column `radius`.
    u : float or (n,) float, optional
        Standard uncertainty of a touch [mm].
    scatter : Scatter, optional
        Uncertainty of the touches of the table with what they share (`probekit.uncertainty.touches`), in place of u: a
        radius error moves a part that is touched from one side, and no number of touches shows it.

    Returns
    -------
    SetUp

    Raises
    ------
    InputError, FitError
        As `datum_frame` and `rigid` do; also if both u and scatter are given.
    """
    if scatter is not None:
        if u is not None:
            raise InputError("u and scatter both say how uncertain the touches are", expected="one of them")
        u = scatter.own
    offset = _as_motion(work_offset)
    back = invert_motion(offset)
    how = None if nominal is None else projection_on(nominal)
    if how is not None and ball is not None:
        how = replace(how, stylus=ball)
    if hasattr(deviations, "columns"):
        in_work = move_touches(deviations, back)
    else:
        in_work = {name: apply_motion(back, np.asarray(points, dtype=float)) for name, points in deviations.items()}
    if datums is not None:
        datums = tuple(datums)
        needed = how is not None and (how.stylus is not None or any("face" in one.kind for one in datums))
        if needed and hasattr(in_work, "columns"):
            in_work, ball = how.project(in_work), None
        frame = datum_frame(in_work, datums, nominal=how, ball=ball, free=free, u=u)
        if scatter is not None:
            frame = replace(frame, alignment=with_shared(frame.alignment, scatter))
        return work_offset_change(frame, work_offset=offset)
    if how is None or not hasattr(in_work, "columns"):
        raise InputError(
            "without datums the touches are fitted to the nominal: a touches table and nominal= are needed"
        )
    fitted = rigid(how.project(in_work), how, free=free, u=u, undetermined="hold")
    fitted = fitted if scatter is None else with_shared(fitted, scatter)
    return work_offset_change(fitted, work_offset=offset)


def work_offset_change(
    alignment: Alignment | DatumFrame, *, work_offset: np.ndarray | Iterable[float] | None = None
) -> SetUp:
    """What an alignment or a datum frame means for the work offset.

    Parameters
    ----------
    alignment : Alignment or DatumFrame
        Of touches in work coordinates.
    work_offset : (4, 4) or (3,) float, optional
        Part to machine coordinates as the control has them now, or its origin [mm]; None: the identity.

    Returns
    -------
    SetUp

    Notes
    -----
    With part_in_machine = W M^-1, an error of M by a small motion (v at the part's origin, turn w) after it shifts the
    origin found by -R^T v and turns the frame found by -R^T w, both then turned by W; covariance by that.
    """
    offset = _as_motion(work_offset)
    fitted = alignment.alignment if isinstance(alignment, DatumFrame) else alignment
    part_in_machine = offset @ fitted.inverse
    turn = part_in_machine[:3, :3] @ offset[:3, :3].T
    rotation = motion_parameters(rigid_motion(turn))[1]
    # parameters (t, w) about the pivot -> (shift of the part's origin, turn) made after the motion
    at = fitted.pivot + fitted.translation
    by_turn = np.radians(left_jacobian(np.radians(fitted.rotation_deg)))
    slope = np.eye(6)
    slope[3:, 3:] = by_turn
    slope[:3, 3:] = cross_matrix(at) @ by_turn
    outward = -part_in_machine[:3, :3]  # = -R_W R^T
    change = np.zeros((6, 6))
    change[:3, :3] = outward
    change[3:, 3:] = np.degrees(np.linalg.inv(left_jacobian(np.radians(rotation)))) @ outward
    covariance = change @ slope @ fitted.covariance @ slope.T @ change.T
    return SetUp(
        part_in_machine=part_in_machine,
        work_offset=offset,
        shift=part_in_machine[:3, 3] - offset[:3, 3],
        rotation_deg=rotation,
        covariance=covariance,
        found=_found(fitted, offset, covariance),
        alignment=alignment,
    )


def _found(fitted: Alignment, offset: np.ndarray, covariance: np.ndarray) -> tuple[bool, ...]:
    """Which shifts and turns along the machine's axes the touches fixed, at least in part."""
    free = np.array([name in fitted.free for name in FREEDOMS], dtype=float)
    turn = np.abs(offset[:3, :3])
    open_ = np.concatenate([turn @ free[:3], turn @ free[3:]]) > 0.01
    if not fitted.undetermined or not np.isfinite(covariance).all():
        return tuple(open_.tolist())
    # held at zero though free: combinations of shift and turn that do not vary at all
    scale = np.array([1.0] * 3 + [np.radians(100.0)] * 3)  # a turn as the shift it makes at 100 mm
    size, combined = np.linalg.eigh(covariance * np.outer(scale, scale))
    still = combined[:, size < 1e-9 * size[-1]]
    place, weight, vt = np.linalg.svd(still[:3], full_matrices=True)
    weight = np.concatenate([weight, np.zeros(still.shape[1] - len(weight))]) if still.shape[1] > 3 else weight
    turns = np.linalg.svd(still[3:] @ vt[weight < 1e-3].T, full_matrices=False)[0]
    held = np.concatenate([(place[:, : (weight >= 1e-3).sum()] ** 2).sum(axis=1), (turns**2).sum(axis=1)]) > 0.99
    return tuple((open_ & ~held).tolist())


def _as_motion(work_offset: np.ndarray | Iterable[float] | None) -> np.ndarray:
    if work_offset is None:
        return np.eye(4)
    given = np.asarray(work_offset, dtype=float)
    if given.shape not in ((3,), (4, 4)) or not np.isfinite(given).all():
        raise InputError("a work offset is an origin (3,) or a motion (4, 4)", found=f"shape {given.shape}")
    motion = rigid_motion(np.eye(3), given) if given.shape == (3,) else given
    if not is_rigid(motion):
        raise InputError("the work offset is not a rigid motion", todo="Its turn must be a right-handed rotation.")
    return motion
