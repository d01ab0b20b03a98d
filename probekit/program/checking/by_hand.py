"""What a person must enter and look at before a probing program runs, in plain words, from the kinematics.

That a length offset of a probe reaches to the centre of its ball is how this program reckons; a control may want it
otherwise. Senses follow `probekit.plan.kinematics` (ISO 841, from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np

from ...plan.kinematics import Kinematics, RotaryAxis
from ...plan.probe import BY_HAND, Probe
from ..reading.steps import Step
from .sheet_parts import unproved_poses

__all__ = ["by_hand"]

_TRIAL = 10.0  # by so much a person turns an axis to see its sense [degree]
_AXES = np.eye(3)


def by_hand(
    steps: Sequence[Step],
    kinematics: Kinematics,
    probe: Probe | None,
    probes: Collection[int | None],
    copies: Collection[str] = (),
) -> list[str]:
    """Sentences to tick, one thing each.

    Parameters
    ----------
    steps : sequence of Step
        Of the whole program.
    kinematics : Kinematics
    probe : Probe, optional
    probes : collection of int
        Numbers of the probes in the magazine.
    copies : collection of str
        Work offsets that nobody sets up: the program writes them, or they are entered after another program.

    Returns
    -------
    list of str
    """
    touches = [step for step in steps if step.kind == "probe"]
    own = dict.fromkeys(step.state.offset for step in touches if step.state.offset not in copies)
    offsets = " and ".join(own) or "the work offset"
    numbers = " and ".join(f"H{n}" for n in dict.fromkeys(step.state.length_offset for step in touches))
    return [
        *_length(numbers or "The length offset", probe),
        f"{offsets}: its zero must be the origin of the model"
        + (", with all rotary axes at zero." if kinematics.axes else "."),
        *(line for name in dict.fromkeys(copies) for line in _copy(name, offsets, kinematics)),
        *(line for axis in kinematics.axes for line in _axis(axis, offsets)),
        *_chain(kinematics, probe),
        *_start(steps, kinematics, probes),
        *_orientation(probe),
        *_proof(steps),
    ]


def _proof(steps: Sequence[Step]) -> list[str]:
    """That a person proves the rotary set-up, where the program does not."""
    poses = unproved_poses(steps)
    if not poses:
        return []
    return [
        f"NOT PROVED BY THE PROGRAM: it touches in {poses} poses, and none of its touches tells whether the rotary "
        "axes are where this sheet says. Touch one place in two of them by hand first, and compare; they differ by "
        "______ mm. To have that done before all other touches, add to [program] in the study: agree = 0.05 (your "
        "limit, mm)."
    ]


def _length(number: str, probe: Probe | None) -> list[str]:
    if probe is None:
        return [f"{number} of the probe must reach to the CENTRE of the ball, not to its lower end."]
    return [
        f"{number} of the probe must reach from the spindle nose to the CENTRE of the ball: {probe.tool_length:g} "
        "mm as "
        f"described. Measured to the lower end of the ball it is {probe.ball_diameter / 2:g} mm too long."
    ]


def _axis(axis: RotaryAxis, offsets: str) -> list[str]:
    """Place, direction, sense and limits of one rotary axis."""
    along = np.array(axis.direction)
    name = _direction(along)
    low, high = axis.limits
    lines = []
    if axis.moves == "table":
        across = [k for k in range(3) if abs(along[k]) < 1e-9]  # coordinates that tell where a straight axis runs
        told = across if len(across) == 2 else range(3)
        place = " ".join(f"{'XYZ'[k]}{axis.point[k]:g}" for k in told)
        lines.append(
            f"Table axis {axis.letter} lies along {name} and passes through {place} of {offsets}, with all rotary axes "
            "at zero. Find the position of the axis on the machine and compare: a work offset elsewhere turns the part "
            "away from where the program touches it."
        )
    else:
        lines.append(f"Head axis {axis.letter} lies along {name}, with all rotary axes at zero.")
    lines.append(f"{_sense(axis, along)} Its limits are {low:g} to {high:g} degrees.")
    return lines


def _sense(axis: RotaryAxis, along: np.ndarray) -> str:
    turn = axis.turned(_TRIAL)
    watched = np.array([0.0, 0.0, -1.0]) if axis.moves == "head" else _AXES[1 if abs(along[0]) > 0.5 else 0]
    moved = turn @ watched - watched
    if np.linalg.norm(moved) < 0.01:
        way = "counter-clockwise" if float(np.cross(_AXES[0], turn @ _AXES[0]) @ along) > 0 else "clockwise"
        seen = f"the spindle turns {way}, seen from {_direction(along)}"
        return f"Turn {axis.letter} by hand from 0 to {_TRIAL:g} degrees, clear of everything: {seen}."
    side = int(np.argmax(np.abs(moved)))
    to = _direction(np.sign(moved[side]) * _AXES[side])
    what = "the ball" if axis.moves == "head" else f"the side of the table towards {_direction(watched)}"
    return (
        f"Turn {axis.letter} by hand from 0 to {_TRIAL:g} degrees, clear of everything: {what} must move towards {to}."
    )


def _direction(vector: np.ndarray) -> str:
    for axis, letter in zip(_AXES, "XYZ", strict=True):
        if abs(float(vector @ axis)) > 1.0 - 1e-9:
            return f"{letter} {'plus' if vector @ axis > 0 else 'minus'}"
    return "({:z.4f}, {:z.4f}, {:z.4f})".format(*vector)


def _chain(kinematics: Kinematics, probe: Probe | None) -> list[str]:
    lines = []
    for moves, what in (("table", "table"), ("head", "head")):
        same = [axis.letter for axis in kinematics.axes if axis.moves == moves]
        if len(same) == 2:
            lines.append(f"Of the two {what} axes {same[0]} carries {same[1]}.")
    if any(axis.moves == "head" for axis in kinematics.axes):
        whole = kinematics.gauge + (0.0 if probe is None else probe.tool_length)
        reach = "" if probe is None else f"; from the pivot to the centre of the ball {whole:g} mm"
        lines.append(
            f"Head: from its pivot to the spindle nose {kinematics.gauge:g} mm{reach}. The program allows for it "
            "itself: no tool-centre control is on."
        )
    return lines


def _copy(name: str, offsets: str, kinematics: Kinematics) -> Iterator[str]:
    """What must hold of a work offset that takes a shifted copy."""
    yield (
        f"{name}: its X, Y and Z are those of this part alone. No other set-up, vise or program may rely on them, and "
        f"after a new set-up nothing is run in {name} before they are written or entered anew."
    )
    rotary = f"its values of {' and '.join(kinematics.letters)} must be those of {offsets}; " if kinematics.axes else ""
    yield f"{name}: {rotary}if the control keeps a rotation with a work offset, that of {name} must be zero."


def _start(steps: Sequence[Step], kinematics: Kinematics, probes: Collection[int | None]) -> list[str]:
    if not kinematics.axes or not steps:
        return []

    def told(angles: Sequence[float]) -> str:
        return " ".join(f"{letter}{angle:g}" for letter, angle in zip(kinematics.letters, angles, strict=True))

    begins = next((step for step in steps if step.state.tool in probes), steps[0])
    first = told(steps[0].angles_start)
    lines = [f"When the program starts, the display must show {first}: the program relies on it."]
    if begins.angles_start != steps[0].angles_start:
        lines.append(f"When the probe comes in (line {begins.line}), the axes must be at {told(begins.angles_start)}.")
    return lines


def _orientation(probe: Probe | None) -> list[str]:
    if probe is None or probe.turned:
        return []
    tips = "; ".join(
        f"{probe.tip_name(k)} towards ({x:g}, {y:g}, {z:g})"
        for k, (x, y, z) in enumerate((tip.direction for tip in probe.tips), start=1)
    )
    how = {
        None: "The program does not orient the spindle.",
        BY_HAND: "The program stops, and a person turns the spindle.",
    }
    told = how.get(probe.orientation, f"The program orients the spindle to {probe.orientation} degrees.")
    return [f"{told} With all rotary axes at zero the tips must then point, in X, Y, Z: {tips}."]
