"""What a control keeps of a run: the parameters that the program filled, and a log of where the probe triggered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from ..plan.kinematics import Kinematics
from ..program.reading.flow import executed
from ..program.reading.interpreter import Interpreter
from ..program.reading.motions import Trigger
from ..program.reading.steps import Step
from ..program.reading.words import Block

__all__ = ["log_table", "log_text", "parameters_text", "state_after"]

_OWN = 5061  # from here on parameters are the control's: NISTIR 6556, 3.2.1, from memory


def state_after(
    blocks: Sequence[Block],
    walked: int,
    *,
    kinematics: Kinematics,
    trigger: Trigger,
    start: Sequence[float],
    offsets: Mapping[str, Sequence[float]],
    flow: bool = False,
) -> tuple[dict[int, float], dict[str, tuple[float, ...]], tuple[tuple[int, bool], ...]]:
    """What a control holds when the machine has done so many steps of a program.

    Parameters
    ----------
    blocks : sequence of Block
        The program.
    walked : int
        Steps that were done.
    kinematics, trigger, start, offsets, flow
        As `probekit.program.run` takes them.

    Returns
    -------
    parameters : dict
        Number -> value, as the program's unit has it; those below 5061, which are free.
    origins : dict
        Work offset -> its values X, Y, Z in machine coordinates [mm], of those that are known.
    decisions : tuple of (int, bool)
        Line of each decision until then, and whether its condition held; each pair once.
    """
    control = Interpreter(kinematics=kinematics, trigger=trigger, start=start, offsets=offsets)
    done = 0
    held = _held(control)

    def remember(_block: Block, control: Interpreter) -> None:
        nonlocal held
        held = _held(control)

    chosen: dict[tuple[int, bool], None] = {}

    def choose(block: Block, holds: bool) -> bool:
        chosen[block.line, holds] = None
        return holds

    for _, steps in executed(blocks, control, flow=flow, before=remember, choose=choose):
        done += len(steps)
        if done > walked:
            return *held, tuple(chosen)
    return *_held(control), tuple(chosen)


def _held(control: Interpreter) -> tuple[dict[int, float], dict[str, tuple[float, ...]]]:
    own = {number: value for number, value in control.parameters.items() if number < _OWN}
    return own, {name: tuple(map(float, origin)) for name, origin in control.offsets.items()}


def log_table(steps: Sequence[Step], letters: Sequence[str], decimals: int) -> pd.DataFrame:
    """Where the probe triggered, one row per record line that has a trigger; of a touch made again the last one.

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
    last = {(step.line, step.detail.touch): step.detail for step in steps if step.kind == "record"}
    records = [one for one in last.values() if one.trigger is not None]
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
