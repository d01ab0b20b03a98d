"""A virtual coordinate measuring machine: follows a DMIS program on an as-made part; see `probekit.machine.virtual`.

It is a model of its own kind: it goes straight from place to place, turns the head where it stands, measures a point as
`probekit.program.measuring.reader` states, and ends with an error where a point is not found (common practice, no
source). Each sensor is taken to be qualified in its pose as it really is, and the coordinate system that the program
recalls to be the one of the study; a person confirms what TEXT/MAN says. Nothing of the machine but head and probe is
there: no column, no arm.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from ..errors import ProbekitError
from ..nominal import Nominal
from ..plan.kinematics import Kinematics
from ..plan.probe import Probe
from ..program.measuring.reader import Reading, follow, read
from ..program.reading.source import load
from ..program.reading.steps import Step
from .axes import Axes
from .clock import headings, seconds_of
from .collisions import Touching, Watched, first_collision
from .contact import balls_of
from .errors import MachineError
from .made import AsMade, Made
from .results import Run
from .surroundings import Surroundings
from .tables import results_table
from .triggering import PASSES, Probing, agree, check_parts, seeds_of, told_until, triggers_of
from .watch import stems_of

__all__ = ["run_measuring"]

_UNSAID = 10_000.0  # rate of what the program does not say [mm/min]
_DECIMALS = 4


def run_measuring(
    text: str | bytes | Path,
    made: Made | Nominal,
    *,
    probe: Probe,
    kinematics: Kinematics,
    errors: Sequence[MachineError] = (),
    rng: np.random.Generator | int = 0,
    home: Sequence[float] | None = None,
    part: str | None = None,
    program: str = "",
    waits: bool = True,
    fixtures: Sequence[Nominal] = (),
    stock: Nominal | None = None,
) -> Run:
    """Run a DMIS program on the virtual measuring machine.

    Many parameters: what a program takes for granted of a machine is stated.

    Parameters
    ----------
    text : str, bytes or Path
        The program; a str is the text itself.
    made, probe, kinematics, errors, rng, part, program, waits, fixtures, stock
        As for `probekit.machine.run`.
    home : (3,) float, optional
        Where the probe stands before the program, in coordinates of a spindle that carries it [mm]. Without it the way
        of the first move is not watched.

    Returns
    -------
    Run
        Its table tells the centres of the balls that touched.

    Raises
    ------
    InputError
        If an argument is not usable, or the program cannot be followed.
    ProbekitError
        If the triggers of a program that reacts to them do not come to agree.
    """
    made = AsMade(made) if isinstance(made, Nominal) else made
    check_parts(made, errors, rng)
    world = Surroundings(made, fixtures, stock)
    axes, balls = Axes(kinematics, tuple(errors), length=probe.tool_length, spindle_angle=0.0), balls_of(probe)
    parts, seeds = (balls, stems_of(probe)), seeds_of(rng, errors)
    planned = read(load(text).text, kinematics=kinematics, probe=probe, start=home)
    triggers: list[tuple[float, ...] | None] | None = None
    for _ in range(PASSES):
        reading, probing = _pass(planned, triggers, kinematics, probe, home)
        found, touching = triggers_of(probing, world, axes, parts, seeds)
        if triggers is not None and agree(triggers, found):
            break
        triggers = found
    else:
        raise ProbekitError("the program reacts to its own triggers, and the run does not converge")
    run = _ended(reading, touching, Watched(world, axes, balls, probe, seconds_of(reading.steps, _UNSAID)), waits)
    name = made.nominal.name if isinstance(made, AsMade) else type(made).__name__
    run.table.attrs |= {
        "part": name if part is None else part,
        "program": program,
        "stylus": "; ".join(f"ball of {2 * b.radius:g} mm" + (f" ({b.name})" if b.tip else "") for b in balls),
        "seed": int(rng) if not isinstance(rng, np.random.Generator) else "not known: a generator was given",
        "errors": "; ".join(map(repr, errors)) or "none",
    }
    return run


def _pass(
    planned: Reading,
    triggers: Sequence[tuple[float, ...] | None] | None,
    kinematics: Kinematics,
    probe: Probe,
    home: Sequence[float] | None,
) -> tuple[Reading, Probing]:
    """Follow the program with given triggers; where none is known, at the end of the search."""
    asked: list[Step] = []

    def trigger(step: Step) -> tuple[float, ...] | None:
        asked.append(step)
        place = len(asked) - 1
        return triggers[place] if triggers is not None and place < len(triggers) else tuple(step.end)

    reading = follow(planned.statements, kinematics=kinematics, probe=probe, start=home, trigger=trigger)
    rows = [row for row, step in enumerate(reading.steps) if step.kind == "probe"]
    count = len(asked)
    probing = Probing(
        np.array([step.start for step in asked], dtype=float).reshape(count, 3),
        np.array([step.end for step in asked], dtype=float).reshape(count, 3),
        np.array([step.angles_start for step in asked], dtype=float).reshape(count, len(kinematics.axes)),
        np.array([step.feed or 0.0 for step in asked], dtype=float),
        headings(reading.steps)[rows],
        seconds_of(reading.steps, _UNSAID)[rows],
        np.zeros((count, 3)),
    )
    return reading, probing


def _ended(reading: Reading, touching: Touching, watched: Watched, waits: bool) -> Run:
    """What a run has come to, up to where it stops."""
    steps = reading.steps
    stop, findings = first_collision(steps, np.zeros((len(steps), 3)), touching, watched, waits=waits)
    table = results_table(steps[: told_until(steps, stop)], watched.axes, watched.balls, watched.seconds, _DECIMALS)
    walked = len(steps) if stop is None else stop[0]
    reason, line = ("", None) if stop is None else (stop[1], steps[walked].line)
    taken = tuple(dict.fromkeys(one for one in reading.taken if line is None or one[0] <= line))
    seconds = float(watched.seconds[walked])
    if stop is None and reading.ended is not None:
        line, reason = reading.ended[0], f"a safe stop of the program itself: {reading.ended[1]}"
    origins = reading.systems if stop is None else {}
    return Run(table, reason, line, findings, seconds, {}, pd.DataFrame(), watched.sentence, origins, taken)
