"""Where each probing move should stop: a program that reacts to its triggers is run with those of a nominal part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ...plan.access.poses import tip_offset
from ...plan.kinematics import Kinematics
from ...plan.probe import Probe
from ..reading.expressions import Formula
from ..reading.interpreter import run
from ..reading.steps import Recorded, Step, first_touches
from ..reading.words import Block

__all__ = ["contacts_of", "steps_to_contact"]

_PASSES = 32


def contacts_of(steps: Sequence[Step], probe: Probe | None, kinematics: Kinematics) -> dict[int, np.ndarray]:
    """Where the reference ball should be at contact, by the place of a probing move among the steps.

    Parameters
    ----------
    steps : sequence of Step
    probe : Probe, optional
        Without it nothing is known.
    kinematics : Kinematics

    Returns
    -------
    dict of int to (3,) float
        Program coordinates [mm], of the probing moves that are recorded and of the first, fast touches before them.
    """
    found: dict[int, np.ndarray] = {}
    if probe is None:
        return found
    fast = first_touches(steps)
    last: list[int] = []
    for row, step in enumerate(steps):
        if step.kind == "probe":
            last = [*(one for one in last if one in fast), row]
        elif step.kind == "record" and isinstance(step.detail, Recorded) and last:
            if step.detail.tip in probe.choices:
                angles = steps[last[-1]].angles_end
                centre = probe.tip_radius(step.detail.tip) * np.array(step.detail.normal) + step.detail.target
                centre -= tip_offset(probe, step.detail.tip, kinematics, angles)
                place = np.asarray(kinematics.to_program(centre, angles, length=probe.tool_length))
                found |= dict.fromkeys(last, place)
            last = []
    return found


def steps_to_contact(
    blocks: Sequence[Block], probe: Probe | None, kinematics: Kinematics, options: Mapping[str, Any]
) -> tuple[Step, ...]:
    """The steps of a program whose probing moves end as programmed, but which goes on from where they should trigger.

    Parameters
    ----------
    blocks : sequence of Block
    probe : Probe, optional
    kinematics : Kinematics
    options : mapping
        Further arguments of `probekit.program.run`.
    """
    steps = tuple(run(blocks, kinematics=kinematics, **options))
    if not contacts_of(steps, probe, kinematics) or not (first_touches(steps) or any(map(_reckons, blocks))):
        return steps
    for _ in range(_PASSES):  # what it decides may lead to further touches
        contacts = contacts_of(steps, probe, kinematics)
        at = [contacts.get(row) for row, step in enumerate(steps) if step.kind == "probe"]
        asked: list[Step] = []

        def trigger(step: Step, asked: list[Step] = asked, at: list[np.ndarray | None] = at) -> Sequence[float]:
            asked.append(step)
            here = at[len(asked) - 1] if len(asked) <= len(at) else None
            return step.end if here is None else here.tolist()

        again = list(run(blocks, kinematics=kinematics, trigger=trigger, **options))
        probing = iter(asked)
        steps = tuple(replace(step, end=next(probing).end) if step.kind == "probe" else step for step in again)
        if len(asked) == len(at):
            break
    return steps


def _reckons(block: Block) -> bool:
    """Whether a block reckons with something, rather than copy it."""
    values = [value for pair in (*block.words, *block.assignments) for value in pair]
    return any(isinstance(value, Formula) and len(value.steps) > 2 for value in values)
