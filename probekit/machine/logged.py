"""What a control keeps of a run: the parameters that the program filled, and a log of where the probe triggered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from ..plan.kinematics import Kinematics
from ..program.reading.interpreter import Interpreter
from ..program.reading.motions import Trigger
from ..program.reading.steps import Step

__all__ = ["log_table", "log_text", "parameters_after", "parameters_text"]

_OWN = 5061  # from here on parameters are the control's: NISTIR 6556, 3.2.1, from memory


def parameters_after(
    blocks: Sequence[object],
    walked: int,
    *,
    kinematics: Kinematics,
    trigger: Trigger,
    start: Sequence[float],
    offsets: Mapping[str, Sequence[float]],
) -> dict[int, float]:
    """The parameters that a program has set when the machine has done so many of its steps.

    Parameters
    ----------
    blocks : sequence of Block
        The program.
    walked : int
        Steps that were done.
    kinematics, trigger, start, offsets
        As `probekit.program.run` takes them.

    Returns
    -------
    dict
        Number -> value, as the program's unit has it; those below 5061, which are free.
    """
    control = Interpreter(kinematics=kinematics, trigger=trigger, start=start, offsets=offsets)
    done = 0
    for block in blocks:
        before = dict(control.parameters)
        done += len(control.block(block))
        if done > walked:
            return {number: value for number, value in before.items() if number < _OWN}
        if control.ended:
            break
    return {number: value for number, value in control.parameters.items() if number < _OWN}


def log_table(steps: Sequence[Step], letters: Sequence[str], decimals: int) -> pd.DataFrame:
    """Where the probe triggered, one row per record line that has a trigger.

    Parameters
    ----------
    steps : sequence of Step
        That were done.
    letters : sequence of str
        Of the rotary axes.
    decimals : int

    Returns
    -------
    DataFrame
        touch; x, y, z in program coordinates [mm]; ``angle_a``, ... [degree].
    """
    records = [step.detail for step in steps if step.kind == "record" and step.detail.trigger is not None]
    at = np.round(np.array([one.trigger for one in records], dtype=float).reshape(-1, 3), decimals) + 0.0
    angles = np.array([one.angles for one in records], dtype=float).reshape(len(records), len(letters))
    table = pd.DataFrame({"touch": [one.touch for one in records]}).assign(**dict(zip("xyz", at.T, strict=True)))
    return table.assign(**{f"angle_{letter.lower()}": angles[:, k] for k, letter in enumerate(letters)})


def log_text(table: pd.DataFrame) -> str:
    """The log as a file that says what it holds."""
    head = ("unit: mm", "recorded: centre", "coordinates: program", f"rows: {len(table)}")
    return "".join(f"# {line}\n" for line in head) + table.to_csv(index=False, lineterminator="\n")


def parameters_text(parameters: Mapping[int, float]) -> str:
    """A parameter file: header, a blank line, then number and value (NISTIR 6556, 3.2.1, from memory)."""
    lines = [f"{number}\t{value:.6f}" for number, value in sorted(parameters.items())]
    return "\n".join(["Parameter\tValue", "", *lines]) + "\n"
