"""Whether touches could be where they are: from their targets no further than the probing moves went.

A touch triggers on its probing move, between the standoff before its target and the overtravel behind it, and that move
runs along the normal. So before any alignment the height of the ball's lowest point over the target is between
-overtravel and +standoff; and whatever the direction of the move, no touch is further from its target than both
together, along the surface either. Within that a good touch lies beside its target by no more than the set-up has moved
the part (the results may stand in another frame than the program), the overtravel, and three times the uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..columns import NORMAL, TARGET, array
from ..errors import InputError
from .finding import Finding
from .on_model import allowances
from .planned import Probing

if TYPE_CHECKING:
    import pandas as pd

    from ..fit.alignment import Alignment
    from ..nominal import Nominal

__all__ = ["Aimed", "aimed", "beside_target", "far_from_target"]

_ROUNDED = 0.01  # positions and targets may be rounded by this [mm]
_SEVERAL, _MOST = 5, 0.8  # touches, and share of the touches of their features, that are no slip of the hand
_FACTORS = (
    (25.4, "in inch, and read as mm"),
    (1 / 25.4, "in mm, and read as inch"),
    (1e-1, "ten times too large: a decimal point was lost, or moved"),
    (1e-2, "a hundred times too large: a decimal point was lost, or moved"),
    (1e-3, "a thousand times too large: micrometres, or decimal points were lost"),
    (1e-4, "ten thousand times too large: decimal points were lost, as where a spreadsheet takes them for thousands"),
    (1000.0, "in metres, and read as mm"),
)


@dataclass(frozen=True, eq=False)
class Aimed:
    """Touches that have a target, against it.

    Attributes
    ----------
    ids : (m,) object
    feature : (m,) str
    target, normal, measured : (m, 3) float
    height : (m,) float
        Of the measured point over the target along the normal, less the allowance there [mm]; the ball is still in it.
    allowance : (m,) float
        Machining allowance of the face [mm].
    """

    ids: np.ndarray
    feature: np.ndarray
    target: np.ndarray
    normal: np.ndarray
    measured: np.ndarray
    height: np.ndarray
    allowance: np.ndarray

    @property
    def away(self) -> np.ndarray:
        """(m, 3) from the target to the measured point [mm]."""
        return self.measured - self.target

    @property
    def beside(self) -> np.ndarray:
        """(m,) distance along the surface [mm]."""
        return np.linalg.norm(np.cross(self.away, self.normal), axis=1)


def aimed(touches: pd.DataFrame, part: Nominal, allowance: float | Mapping[str, float] = 0.0) -> Aimed:
    """Touches with a target and a measured position; normals that are not given are those of the model."""
    target, measured = (touches[list(n)].to_numpy(dtype=float) for n in (TARGET, "xyz"))
    rows = np.flatnonzero(np.isfinite(target).all(axis=1) & np.isfinite(measured).all(axis=1))
    target, measured, normal = target[rows], measured[rows], array(touches, NORMAL)[rows]
    feet = part.engine.feet(target)
    normal = np.where(np.isfinite(normal).all(axis=1)[:, None], normal, feet.normal)
    extra = allowances(part, allowance)[feet.face]
    extra = np.where(np.abs(feet.distance - extra) < np.abs(feet.distance), 0.0, extra)  # a target on it already
    return Aimed(
        touches["touch"].to_numpy(dtype=object)[rows],
        touches["feature"].astype(str).to_numpy()[rows],
        target,
        normal,
        measured,
        np.einsum("ij,ij->i", measured - target, normal) - extra,
        extra,
    )


def far_from_target(touch: Aimed, probing: Probing, *, radius: float, u: float | None) -> list[Finding]:
    """A stop where touches are further from their targets than the probing moves went."""
    if not len(touch.ids):
        return []
    slack = _ROUNDED + min(3.0 * (u or 0.0), probing.overtravel)
    height = touch.height - radius
    low = -probing.overtravel - np.maximum(touch.allowance, 0.0) - slack
    high = probing.standoff + np.maximum(-touch.allowance, 0.0) + slack
    reach = probing.standoff + probing.overtravel + slack
    bad = (height < low) | (height > high) | (touch.beside > reach)
    if not bad.any():
        return []
    away = touch.away - radius * touch.normal
    distance = np.linalg.norm(away, axis=1)
    return [
        Finding(
            "stop",
            f"{int(bad.sum())} of {len(bad)} touches are further from their targets than the probing moves could go",
            found=f"median {np.median(distance[bad]):.3f} mm, at most {distance[bad].max():.3f} mm",
            expected=f"at most {probing.standoff:g} mm before, {probing.overtravel:g} mm behind, and {reach:.3g} mm "
            f"beside the target: {probing.sentence}",
            cause=_cause(touch, radius, bad, away),
            todo="Find the mistake and correct it in the file or the frame; do not move anything by these numbers. "
            "If the program did probe from further away, say so in [reach] standoff and overtravel",
            touches=tuple(touch.ids[bad].tolist()),
            name="far from target",
        )
    ]


def beside_target(touch: Aimed, probing: Probing, alignment: Alignment | None, *, u: float | None) -> list[Finding]:
    """A look where touches lie beside their targets by more than set-up, overtravel and uncertainty allow."""
    if not len(touch.ids):
        return []
    if alignment is None:
        set_up = np.full(len(touch.ids), float(np.median(np.abs(touch.height - np.median(touch.height)))))
    else:
        set_up = np.linalg.norm(alignment.apply(touch.measured) - touch.measured, axis=1)
    limit = set_up + probing.overtravel + min(3.0 * (u or 0.0), probing.overtravel) + _ROUNDED
    bad = touch.beside > limit
    if not bad.any():
        return []
    return [
        Finding(
            "look",
            f"{int(bad.sum())} of {len(bad)} touches lie beside their targets",
            found=f"up to {touch.beside[bad].max():.3f} mm along the surface",
            expected=f"at most {limit[bad].max():.3f} mm: set-up found here, overtravel {probing.overtravel:g} mm, and "
            "three times u",
            cause="a digit or a sign lost in x, y, z, or the place of another touch",
            todo="Correct the rows from the control's own record, or touch there again",
            touches=tuple(touch.ids[bad].tolist()),
            name="beside target",
        )
    ]


def _cause(touch: Aimed, radius: float, bad: np.ndarray, away: np.ndarray) -> str:
    """The likely cause of `bad` touches far from their targets."""
    aim = touch.target + radius * touch.normal
    now = float(np.median(np.linalg.norm(away[bad], axis=1)))
    if said := _all_alike(away, now):
        return said
    if said := _by_factor(touch.measured[bad], aim[bad], now):
        return said
    if bad.mean() < 0.5:
        with_them = np.isin(touch.feature, np.unique(touch.feature[bad]))
        if bad.sum() >= _SEVERAL and bad[with_them].mean() > _MOST:
            return (
                "targets that were not those of the run: [[plan]] or the model was changed after it, or "
                f"{', '.join(map(str, dict.fromkeys(touch.feature[bad])))} named another face then"
            )
        return "a digit or a sign lost, a miss recorded as a position, or the place of another touch"
    for step in (1, -1, 2, -2):
        if np.median(np.linalg.norm(np.roll(touch.measured, step, axis=0) - aim, axis=1)) < 0.2 * now:
            return f"shifted rows: each touch carries the position of the touch {abs(step)} row away from it"
    if said := _by_motion(touch.measured, aim, now):
        return said
    from scipy.spatial import cKDTree

    if np.median(cKDTree(aim).query(touch.measured)[0]) < 0.05 * now:
        return (
            "the rows are in another order: touches carry the positions of other touches; or [[plan]] was changed "
            "after the run, and its targets have other numbers"
        )
    return "another part, another program, or targets of another run"


def _all_alike(away: np.ndarray, now: float) -> str:
    """What moves all touches, not those that are far alone, by one and the same way."""
    shift = np.median(away, axis=0)
    if np.linalg.norm(shift) < 0.5 * now or np.median(np.linalg.norm(away - shift, axis=1)) > 0.15 * now:
        return ""
    main = int(np.abs(shift).argmax())
    if np.abs(np.delete(shift, main)).max() < 0.1 * abs(shift[main]):
        offset = "the length offset of the probe (forgotten, or of another tool), or " if main == 2 else ""
        return f"all are off along {'XYZ'[main]}, by the same amount: {offset}the {'XYZ'[main]} of the work offset"
    return "all are off by the same amount: another work offset, machine coordinates, or another origin"


def _by_factor(measured: np.ndarray, aim: np.ndarray, now: float) -> str:
    """The factor that brings one coordinate, or all, nearest to where they belong."""
    best, words = 0.1 * now, ""
    for columns, who in (([0], "x is"), ([1], "y is"), ([2], "z is"), ([0, 1, 2], "the positions are")):
        for factor, said in _FACTORS:
            moved = measured.copy()
            moved[:, columns] *= factor
            left = float(np.median(np.linalg.norm(moved - aim, axis=1)))
            best, words = (left, f"{who} {said}") if left < best else (best, words)
    return words


def _by_motion(measured: np.ndarray, aim: np.ndarray, now: float) -> str:
    from ..fit import paired

    for sign, said in ((1.0, "another frame"), (-1.0, "mirrored coordinates")):
        try:
            motion, left = paired(measured * np.array([sign, 1.0, 1.0]), aim)
        except InputError:
            return ""
        if left < 0.1 * now:
            turn = float(np.degrees(np.arccos(np.clip((np.trace(motion[:3, :3]) - 1) / 2, -1, 1))))
            turned = f": turned by about {turn:.3g} degrees and shifted as a whole, as by an angle of a rotary axis"
            return said + (turned if sign > 0 else "")
    return ""
