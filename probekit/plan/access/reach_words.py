"""Why a target cannot be touched, in words, and what would help."""

from __future__ import annotations

import numpy as np

from ..kinematics import Kinematics
from .tries import FAULTS, Setting, Tries

__all__ = ["pose_name", "why_not"]

_HELP = {
    "ball": "a smaller ball or a shorter standoff",
    "stem": "a longer or thinner stem, or a larger ball",
    "body": "a longer stylus",
}


def pose_name(kinematics: Kinematics, angles: tuple[float, ...]) -> str:
    """A pose as people write it: "A-90 C30"; "the only pose" without rotary axes."""
    pairs = zip(kinematics.letters, angles, strict=True)
    return " ".join(f"{letter}{angle:g}" for letter, angle in pairs) or "the only pose"


def why_not(
    tries: Tries,
    rows: np.ndarray,
    setting: Setting,
    kinematics: Kinematics,
    poses: tuple[tuple[float, ...], ...],
) -> dict[int, str]:
    """Reason for each target of `rows` that no try reaches.

    Parameters
    ----------
    tries : Tries
        Judged.
    rows : (m,) int
        Targets.
    setting : Setting
    kinematics : Kinematics
    poses : tuple of tuples

    Returns
    -------
    dict
        Target -> one or two sentences, about the least bad try.
    """
    order = np.argsort(tries.target, kind="stable")
    starts = np.searchsorted(tries.target[order], rows, side="left")
    ends = np.searchsorted(tries.target[order], rows, side="right")
    return {
        int(row): _reason(tries.take(order[start:end]), setting, kinematics, poses)
        for row, start, end in zip(rows, starts, ends, strict=True)
    }


def _reason(own: Tries, setting: Setting, kinematics: Kinematics, poses: tuple[tuple[float, ...], ...]) -> str:
    """Reason of one target from its tries: what fails last counts."""
    within = own.fault != FAULTS.index("angle")
    if not within.any():
        best = int(own.stem_angle.argmin())
        where = _where(own, best, setting, kinematics, poses)
        return (
            f"every allowed direction is more than {setting.move.max_angle:g} degrees from the normal; the nearest, "
            f"{where}, is {own.stem_angle[best]:.1f} degrees from it. A pose that turns the tool towards the normal "
            "would help."
        )
    met = own.fault >= FAULTS.index("fit")
    if not met.any():
        best = int(np.where(within, own.beyond, np.inf).argmin())
        where = _where(own, best, setting, kinematics, poses)
        return (
            f"the linear axes cannot reach it: {where} would need {own.beyond[best]:.1f} mm more travel. "
            "Another pose, or clamping the part elsewhere, would help."
        )
    best = int(np.where(met, own.clearance, -np.inf).argmax())
    part = setting.probe.outline()[own.segment[best]].part
    hit, clearance = setting.obstacles.what(int(own.facet[best])), float(own.clearance[best])
    if FAULTS[own.fault[best]] == "fit":
        return (
            f"the ball does not fit: at the touch it would overlap {hit} by {-clearance:.2f} mm. "
            "A smaller ball would help."
        )
    when = {
        "touch": f"during the touch (margin {setting.move.margin:g} mm)",
        "overtravel": f"if the ball travels to the end of the overtravel (margin {setting.move.margin:g} mm)",
        "withdraw": f"during retraction (margin {setting.move.margin:g} mm)",
        "stem": f"when the ball touches (minimum gap {setting.move.stem_gap:g} mm)",
    }[FAULTS[own.fault[best]]]
    how = "would touch"  # neither a gap nor a depth that is worth a number
    if clearance >= 0.005:
        how = f"would come within {clearance:.2f} mm of"
    elif clearance <= -0.05:
        how = f"would go about {-clearance:.1f} mm into"
    help_ = "clamping elsewhere" if hit.startswith("the fixture") else _HELP[part]
    others = "" if len(poses) == 1 and not setting.probe.tips else "best of all tries, "
    where = _where(own, best, setting, kinematics, poses)
    helps = f"{help_[0].upper()}{help_[1:]}, or another direction, would help."
    return f"{others}{where}: the {part} {how} {hit} {when}. {helps}"


def _where(own: Tries, row: int, setting: Setting, kinematics: Kinematics, poses: tuple[tuple[float, ...], ...]) -> str:
    name = pose_name(kinematics, poses[own.pose[row]])
    return f"{name} with {setting.probe.tip_name(int(own.tip[row]))}" if setting.probe.tips else name
