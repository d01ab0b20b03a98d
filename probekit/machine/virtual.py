"""A virtual machine: runs the text of a program against an as-made part, and writes what a real one would.

It is a model. It knows the errors it is given and no others: no servo, no vibration, no bending, no dirt, no chips. It
tries programs and evaluations out; it says nothing about any real machine, and a program that runs here is not thereby
safe to run there. The order of its effects is told in `probekit.machine.axes`.

A trigger may change what the program does next, and the time until the next touch. The program is therefore run again
and again, each time with the contacts of all probing moves found at once, until the triggers agree with themselves:
three times as a rule. Contacts are causal, so this ends.

Machine coordinates are the truth: the part stands still when the program moves an origin (G10 L2, G92, G52), and what
the control then reports is counted from the new one. What the machine does not execute stops it, and so does a probing
move without a trigger: G38.2 ends in an error there (NISTIR 6556, 3.5.9, from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import InputError, ProbekitError
from ..nominal import Nominal
from ..plan.kinematics import Kinematics
from ..plan.probe import Probe
from ..program.reading.aliases import renamed
from ..program.reading.interpreter import run as steps_of
from ..program.reading.steps import Step
from ..program.reading.words import Block, parse
from .axes import Axes
from .clock import headings, seconds_of
from .collisions import Watched, first_collision
from .contact import balls_of
from .errors import MachineError
from .logged import log_table, state_after
from .made import AsMade, Made
from .results import Run
from .surroundings import Surroundings
from .tables import results_table
from .triggering import PASSES, Probing, agree, check_parts, seeds_of, told_until, triggers_of
from .watch import stems_of

__all__ = ["run"]

_LARGEST_FEED = 1e9


def run(
    text: str | bytes | Path,
    made: Made | Nominal,
    *,
    probe: Probe | float,
    kinematics: Kinematics | None = None,
    errors: Sequence[MachineError] = (),
    rng: np.random.Generator | int = 0,
    spindle_angle: float = 0.0,
    home: Sequence[float] = (0.0, 0.0, 500.0),
    rapid: float = 10_000.0,
    decimals: int = 4,
    part: str | None = None,
    program: str = "",
    offsets: Mapping[str, Sequence[float]] | None = None,
    known: Iterable[str] = (),
    goes_on: bool = False,
    fixtures: Sequence[Nominal] = (),
    stock: Nominal | None = None,
    lengths: Mapping[int, float] | None = None,
    waits: bool = True,
    aliases: Mapping[str, str] | None = None,
    flow: bool = False,
    stands_in: str | None = None,
) -> Run:
    r"""Run a program on the virtual machine.

    Many parameters: what a program takes for granted of a machine is stated: probe, axes, errors, chance, home, rapid,
    work offsets.

    Parameters
    ----------
    text : str, bytes or Path
        The program, in the RS274/NGC dialect, with its record lines; a str is the text itself.
    made : Made or Nominal
        The part as it was made and set up: `AsMade`, an artefact, or any nominal, which is then perfect.
    probe : Probe or float
        The probe, or the diameter of its only ball [mm]. Of several tips that one touches whose ball meets the part
        first, whatever the record line says; the control believes the line. It touches with the balls as they are; an
        effective radius comes out of the errors of its trigger.
    kinematics : Kinematics, optional
        As the control believes its rotary axes to be; none if not given.
    errors : sequence of MachineError
        What is wrong with the machine; nothing if empty.
    rng : Generator or int
        Source of randomness, or a seed: same seed, same results. Each error draws by its kind and its place among
        those of its kind, so that with the same seed errors of other kinds do not change what it draws.
    spindle_angle : float
        At which the spindle is held during the whole program [degree].
    home : (3,) float
        Where the machine stands at the start and after a tool change: X, Y, Z [mm].
    rapid : float
        Rate of rapid moves [mm/min].
    decimals : int
        Of the positions in the results [mm].
    part, program : str
        Names for the results file.
    offsets : mapping of str to (3,) float, optional
        Origins of the work offsets in machine coordinates [mm], with that of the first probing move. If not given,
        only that one is known, and the machine's zero is at `home`.
    known : iterable of str
        Words that are not executed and change nothing: ("M88",).
    goes_on : bool
        Whether the control goes on after a probing move without a trigger. One that keeps to RS274/NGC does not.
    fixtures : sequence of Nominal
        Clamps, vice and all else that holds the part, as they really stand, in the part frame.
    stock : Nominal, optional
        Material that is still on, likewise.
    lengths : mapping of int to float, optional
        The tool table: number of a length offset (H) -> length [mm]. If not given, every H holds the tool length of
        the probe. The spindle stands by so much too high as the entry is too long.
    waits : bool
        Whether a person continues the program at M0, M1 or M60; else the run ends there.
    aliases : mapping of str to str, optional
        Words of this control that mean a word of RS274/NGC: ``{"G901": "G38.2"}``. They are a statement of yours.
    flow : bool
        Whether the control knows flow control, which RS274/NGC does not have: `probekit.program.reading.flow`.
    stands_in : str, optional
        Work offset in which the part stands, and in which `home` is told; default that of the first probing move.

    Returns
    -------
    Run

    Raises
    ------
    InputError
        If an argument is not usable, the program cannot be read, it records a touch twice, or it names a tip that the
        probe has not.
    ProbekitError
        If the triggers of a program that reacts to them do not come to agree.

    Notes
    -----
    The whole probe is watched on every move, as far as `probe` describes it: balls against the made surface itself,
    stem and body against facets of part, fixtures and stock, so within their chord error. A stem that meets something
    in a probing move triggers, as it does on a real probe, and a finding tells by how much that touch is false; a body
    that does stops the run. Rotary moves are followed in steps of one degree.

    Examples
    --------
    >>> from probekit.machine import ReferenceSphere
    >>> from probekit.machine.errors import Lobing
    >>> text = "G21 G90 G94 T9 M6\nG43 H9\nG0 X0 Y0 Z20\nG38.2 Z12 F60\n(PROBEKIT RECORD 1 pole 0 0 12.5 0 0 1)"
    >>> found = run(text, ReferenceSphere(25.0), probe=6.0, errors=[Lobing(0.010)])
    >>> found.table["z"].tolist()  # 12.5 + 3, and 0.01 of pre-travel
    [15.49]
    """
    made = AsMade(made) if isinstance(made, Nominal) else made
    check_parts(made, errors, rng)
    world = Surroundings(made, fixtures, stock)
    ball, length = (probe.ball_diameter, probe.tool_length) if isinstance(probe, Probe) else (probe, 0.0)
    _check(ball, spindle_angle, rapid, decimals, home)
    kinematics = kinematics or Kinematics()
    axes, balls = Axes(kinematics, tuple(errors), length=length, spindle_angle=spindle_angle), balls_of(probe)
    seeds = seeds_of(rng, errors)
    blocks = renamed(parse(text), aliases or {})
    triggers: list[tuple[float, ...] | None] = []
    settled, control = False, {"kinematics": kinematics, "flow": flow}
    frame = _frame(blocks, kinematics, home, offsets, flow, stands_in)
    table_of = None if lengths is None else {h: one - length for h, one in lengths.items()}
    for _ in range(PASSES):
        steps, moved, probing = _pass(blocks, control, triggers, frame, rapid, known=settled, lengths=table_of)
        found, touching = triggers_of(probing, world, axes, (balls, stems_of(probe)), seeds)
        if settled and agree(triggers, found):
            break
        triggers, settled = found, True
    else:
        raise ProbekitError("the program reacts to its own triggers, and the run does not converge")
    seconds = seconds_of(steps, rapid)
    watched = Watched(world, axes, balls, probe if isinstance(probe, Probe) else None, seconds)
    stop, findings = first_collision(
        steps, moved, touching, watched, known=frozenset(known), goes_on=goes_on, waits=waits
    )
    table = results_table(steps[: told_until(steps, stop)], axes, balls, seconds, decimals)
    own_name = made.nominal.name if isinstance(made, AsMade) else type(made).__name__
    table.attrs |= {
        "part": own_name if part is None else part,
        "program": program,
        "stylus": "; ".join(f"ball of {2 * b.radius:g} mm" + (f" ({b.name})" if b.tip else "") for b in balls),
        "seed": int(rng) if not isinstance(rng, np.random.Generator) else "not known: a generator was given",
        "errors": "; ".join(map(repr, errors)) or "none",
        "spindle_angle": float(spindle_angle),
    }
    walked = len(steps) if stop is None else stop[0]
    reason, line = ("", None) if stop is None else (stop[1], steps[walked].line)
    given, (origins, _, start) = iter(triggers), frame
    kept, ends, taken = state_after(
        blocks, walked, trigger=lambda _: next(given), start=start, offsets=origins, **control
    )
    log = log_table(steps[:walked], kinematics.letters, decimals)
    return Run(table, reason, line, findings, float(seconds[walked]), kept, log, watched.sentence, ends, taken)


def _frame(
    blocks: Sequence[Block],
    kinematics: Kinematics,
    home: Sequence[float],
    offsets: Mapping[str, Sequence[float]] | None,
    flow: bool,
    stands_in: str | None,
) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Origins of the work offsets, that of the part, and the home counted from the first origin that is known."""
    steps = steps_of(blocks, kinematics=kinematics, start=home, flow=flow)
    first = stands_in or next((step.state.offset for step in steps if step.kind == "probe"), "G54")
    given = {first: -np.asarray(home, dtype=float)} if offsets is None else offsets
    if first not in given:
        raise InputError(
            "the work offset in which the program probes is not stated",
            column="offsets",
            found=", ".join(given) or "none",
            expected=first,
        )
    origins = {name: np.asarray(origin, dtype=float) for name, origin in given.items()}
    start = np.asarray(home, dtype=float) + origins[first] - origins.get("G54", origins[first])
    return origins, origins[first], start


def _check(ball: float, spindle_angle: float, rapid: float, decimals: int, home: Sequence[float]) -> None:
    for name, value in (("probe", ball), ("rapid", rapid)):
        if isinstance(value, bool) or not isinstance(value, int | float | np.number) or not 0 < value < _LARGEST_FEED:
            raise InputError("the virtual machine cannot use this", column=name, found=value, expected="> 0")
    if not np.isfinite(spindle_angle):
        raise InputError("the spindle needs an angle", column="spindle_angle", found=spindle_angle, expected="degree")
    if isinstance(decimals, bool) or not isinstance(decimals, int) or not 0 <= decimals <= 15:
        raise InputError("the decimals are not usable", column="decimals", found=decimals, expected="0 to 15")
    if np.shape(home) != (3,) or not np.isfinite(np.asarray(home, dtype=float)).all():
        raise InputError("the machine needs a home", column="home", found=home, expected="X, Y, Z in mm")


def _pass(
    blocks: Sequence[Block],
    control: Mapping[str, Any],
    triggers: Sequence[tuple[float, ...] | None],
    frame: tuple[dict[str, np.ndarray], np.ndarray, np.ndarray],
    rapid: float,
    *,
    known: bool,
    lengths: Mapping[int, float] | None,
) -> tuple[list[Step], np.ndarray, Probing]:
    """Run the program with given triggers; where none is known, contact is at the end.

    Returns the steps, by how much the origin of each lies off that of the part (n, 3), and the probing moves. These are
    counted from the origin of the part: what the scales show, less the true length of the probe. A tool length that
    the table tells wrongly, `lengths` by H, is a shift like that of an origin.
    """
    offsets, zero, start = frame
    asked: list[Step] = []

    def trigger(step: Step) -> tuple[float, ...] | None:
        asked.append(step)
        place = len(asked) - 1
        return triggers[place] if known and place < len(triggers) else tuple(step.end)

    steps = list(steps_of(blocks, trigger=trigger, start=start, offsets=offsets, **control))
    moved = np.array([step.origin for step in steps], dtype=float).reshape(len(steps), 3) - zero
    if lengths is not None:
        still = [step.state.length_offset == 0 and step.start[2] == step.end[2] for step in steps]
        high = [lengths.get(step.state.length_offset, np.nan) for step in steps]
        moved[:, 2] += np.where(still, 0.0, high)
    rows = [row for row, step in enumerate(steps) if step.kind == "probe"]
    if len(rows) != len(asked):
        raise ProbekitError(f"{len(asked)} probing moves asked for a trigger, {len(rows)} were made")
    count, off = len(asked), np.nan_to_num(moved[rows])
    probing = Probing(
        np.array([step.start for step in asked], dtype=float).reshape(count, 3) + off,
        np.array([step.end for step in asked], dtype=float).reshape(count, 3) + off,
        np.array([step.angles_start for step in asked], dtype=float).reshape(count, len(control["kinematics"].axes)),
        np.array([step.feed or 0.0 for step in asked], dtype=float),
        headings(steps)[rows],
        seconds_of(steps, rapid)[rows],
        off,
    )
    return steps, moved, probing
