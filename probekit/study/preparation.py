"""Before the cut: targets on the model, reach, order, program text, merged program, and a run on the virtual machine.

`plan` gives the targets, which of them can be touched and how, and in which order; `program` the moves, their text,
merged with the milling program and checked; `simulate` runs that text on the virtual machine.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from .. import plan as planning
from .. import program as programs
from ..errors import InputError, ProbekitWarning
from ..limits import MOST_TOUCHES
from ..making import blaming
from ..plan.access.few import mixed_features
from ..program.deciding.decisions import Recut, ShiftOffset, linear
from ..program.deciding.paths import straight
from ..program.deciding.phases import cut_again, places_of
from .agreeing import unproved, with_check
from .asked import targets_made
from .by_hand import cuts_of
from .deciding_parts import check_phases, decides_itself, entered_after, later_parts
from .doubt import narrow_zones
from .kept_plan import from_json, inputs_sum
from .machinery import fixtures_of, kinematics_of, probe_of
from .model import Study, nominal_of, runnable
from .phases_measured import copies_of
from .phasing import by_phase, phases_of, routed
from .places import program_names
from .planning import targets_from
from .posing import in_rounds, poses_of, reached_as_posed
from .prepared import Plan, Program, aliases_of, dialect_of, offset_of, stated_tool, tool_of
from .running import machine_of, ran
from .sectioning import sections_of

if TYPE_CHECKING:
    import pandas as pd

    from .. import machine
    from ..plan.route.route import Route
    from ..program.checking.findings import Findings
    from ..program.deciding.decisions import Step
    from ..program.writing.dialect import Dialect

__all__ = ["Plan", "Program", "check_program", "machine_of", "plan", "program", "simulate"]

Progress = Callable[[str, float], None]

_MARGIN = 1.0  # least clearance on every way if the study gives none [mm]; common practice, no source


def plan(
    study: Study, *, only: str | Path | None = None, earlier: bytes | None = None, progress: Progress | None = None
) -> Plan:
    """Plan the touches that a study asks for.

    Parameters
    ----------
    study : Study
        With tables ``[[plan]]``, ``[stylus]``, and perhaps ``[machine]`` and ``[reach]``.
    only : str or Path, optional
        A plan to take in place of ``[[plan]]``, such as the touches to make again (again.csv).
    earlier : bytes, optional
        The plan.json that an earlier run wrote. Its targets and route are taken if they were made of the same inputs,
        and the plan says so; else it has no effect.
    progress : callable, optional
        Told each step and the part of the job done so far (0 to 1).

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a table is missing or cannot be used.
    """
    tell = progress or (lambda _step, _done: None)
    study, notes = runnable(study, lambda step, done: tell(f"loading the nominal: {step}", 0.1 * done))
    if not study.settings.get("plan") and only is None:
        raise InputError(
            "the study plans no touches", file=study.path, todo="Add [[plan]] tables that say how and where."
        )
    if only is not None and not Path(only).is_file():
        raise InputError("the plan cannot be read: it is not there", file=only, todo="Correct --only.")
    tell("loading the nominal", 0.0)
    part = nominal_of(study, lambda step, done: tell(f"loading the nominal: {step}", 0.1 * done))
    sections_of(study, part)  # a plane that misses the part is told before the cut, not after it
    probe, kinematics = probe_of(study), kinematics_of(study)
    obstacles, inputs = planning.Obstacles(part, fixtures_of(study)), inputs_sum(study, only)
    margin = study.settings.get("reach", {}).get("margin", _MARGIN)
    stands = None if earlier is None else from_json(earlier, inputs)
    if stands is None:
        tell("choosing targets", 0.1)
        on = partial(tell, "choosing targets", 0.15)
        targets = targets_made(study, part, on) if only is None else targets_from(only, part)
        _room_for(study, len(targets))
        targets, route = _ordered(study, targets, probe, kinematics, obstacles, margin, tell)
    else:
        targets, route = stands
        _room_for(study, len(targets))
    if targets["critical"].any() and "stop_outside" not in study.settings.get("program", {}):
        notes.append(
            "critical = true in [[plan]] has no effect: it takes [program] stop_outside = [low, high] for a touch to "
            "stop the program"
        )
    tell("done", 1.0)
    notes += unproved(study, targets) + narrow_zones(study, part) + _notes_of(targets)
    said = (*notes, mixed) if (mixed := mixed_features(targets)) else tuple(notes)
    reused, again = stands is not None, only is not None
    return Plan(study, part, probe, kinematics, obstacles, targets, route, margin, said, inputs, reused, again)


def _ordered(
    study: Study,
    targets: pd.DataFrame,
    probe: planning.Probe,
    kinematics: planning.Kinematics,
    obstacles: planning.Obstacles,
    margin: float,
    tell: Progress,
) -> tuple[pd.DataFrame, Route]:
    """Targets with what reach found of each, and the route to those that can be touched."""
    options = dict(study.settings.get("reach", {}))
    tell("checking that the probe reaches them", 0.2)
    with blaming(study.path, "pace"):
        pace = planning.Pace(**study.settings.get("pace", {}))
    with blaming(study.path, "reach"):
        poses = poses_of(options, probe, kinematics)
        chosen = {key: options[key] for key in ("max_angle", "standoff", "overtravel") if key in options}

        def reach(own: pd.DataFrame, *, poses: Sequence[Sequence[float]] = poses, **distances: float) -> pd.DataFrame:
            return planning.reach(
                own,
                obstacles.nominal,
                probe,
                kinematics=kinematics,
                poses=poses,
                obstacles=obstacles,
                fewest=True,
                progress=lambda done: tell("checking that the probe reaches them", 0.2 + 0.4 * done),
                **(chosen | distances),
            )

        def order(found: pd.DataFrame, **distances: float) -> Route:
            tell("ordering them", 0.6)
            given = {"height": options["height"]} if "height" in options else {}
            return planning.order(
                found,
                probe,
                kinematics,
                found.attrs["poses"],
                obstacles=obstacles,
                pace=pace,
                progress=lambda done: tell("ordering them", 0.6 + 0.4 * done),
                **(given | distances),
            )

        if phases := phases_of(study):
            targets = targets.assign(phase=by_phase(targets, phases, study))
            by_hand = not decides_itself(dialect_of(study))
            return routed(targets, phases, chosen, reach, order, margin, by_hand=by_hand)
        posed = reached_as_posed(targets, kinematics, partial(reach, margin=margin))
        judged = reach(targets, margin=margin) if posed is None else posed
        chosen_order = partial(order, margin=margin) if posed is None else in_rounds(partial(order, margin=margin))
        return with_check(judged, study, kinematics, partial(reach, margin=margin), chosen_order)


def check_program(study: Study) -> Dialect:
    """Refuse a table ``[program]`` that no program can be written from, before any work is done on it.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Dialect
        The one that the study asks for.

    Raises
    ------
    InputError
        If a key is missing, the dialect cannot be read or cannot spell what is asked for, or the milling program is
        not there.
    """
    options = study.settings.get("program", {})
    stated_tool(study)
    with blaming(study.path, "program"):
        dialect = dialect_of(study)
        known, offset = dialect.work_offsets, options.get("work_offset")
        if offset is not None and (offset not in known or offset in copies_of(study)):
            raise InputError(
                "the dialect has no such work offset", column="work_offset", found=offset, expected=", ".join(known)
            )
        if "stop_outside" in options and "stop_if" in dialect.omit:
            raise InputError(
                f"the dialect {dialect.name} cannot stop on a measured deviation",
                column="stop_outside",
                found=dialect.omit["stop_if"],
                todo="Omit stop_outside, or use a dialect that can; no program was written.",
            )
        if phases_of(study):
            check_phases(study, dialect)
    if "milling" in options:
        if dialect.language:
            raise InputError(
                "a measuring machine does not mill: the probing cannot be put into a milling program",
                file=study.path,
                column="program.milling",
                found=options["milling"],
                todo="Leave out milling and after, or use a dialect of a milling machine.",
            )
        if "after" not in options:
            raise InputError(
                "the place of the probing in the milling program is not stated", file=study.path, column="program.after"
            )
        if not study.file(options["milling"]).is_file():
            raise InputError(
                "the program cannot be read: it is not there",
                file=study.file(options["milling"]),
                todo="Correct milling = ... in [program].",
            )
    program_names(study)
    return dialect


def program(study: Study, planned: Plan, *, progress: Progress | None = None) -> Program:
    """Write the program of a plan: probing alone, or merged with the milling program that the study names.

    Parameters
    ----------
    study : Study
        With a table ``[program]``.
    planned : Plan
    progress : callable, optional

    Returns
    -------
    Program

    Raises
    ------
    InputError
        If a table is missing or cannot be used, or the milling program cannot take the probing.
    """
    tell = progress or (lambda _step, _done: None)
    options, dialect = dict(study.settings.get("program", {})), check_program(study)
    if planned.route.targets.empty:
        why = "; ".join(dict.fromkeys(planned.route.left_out["reason"]))
        raise InputError("no target can be touched, so there is no program", file=study.path, found=why[:500])
    tell("writing the program", 0.0)
    probe, kinematics = planned.probe, planned.kinematics
    name = options.get("name", study.path.stem)
    safe_name, suffix = program_names(study)

    def write(moves: tuple[Step, ...], called: str, *, whole: bool) -> str:
        with blaming(study.path, "program"), warnings.catch_warnings():
            warnings.simplefilter("ignore", ProbekitWarning)  # what is left out is said in `omitted`
            return programs.write(
                moves,
                dialect,
                kinematics=kinematics,
                probe=probe,
                name=called,
                work_offset=options.get("work_offset"),
                away=options.get("lift"),
                whole=whole,
            )

    with blaming(study.path, "program"):
        parts = planned.parts if planned.phases and not decides_itself(dialect) else ()
        moves = parts[0].steps if parts else planned.steps
    milling = None if parts else options.get("milling")
    probing = write(moves, name, whole=milling is None)
    merged = None
    if milling is not None:
        tell("merging it with the milling", 0.3)
        given = {key: options[key] for key in ("lift", "clearance") if key in options}
        places = [(options["after"], options.get("occurrence")), *places_of(moves)]
        with blaming(study.file(milling), f"after {', '.join(repr(after) for after, _ in places)}"):
            merged = programs.merge(
                study.file(milling),
                probing,
                after=[after for after, _ in places],
                occurrence=[which for _, which in places],
                kinematics=kinematics,
                aliases=aliases_of(dialect),
                known=dialect.harmless,
                flow=dialect.reckoning.flow,
                copies=[one.to for one in linear(moves) if isinstance(one, ShiftOffset | Recut)],
                again=cut_again(moves),
                **given,
            )
    tell("checking it", 0.5)

    def checks(text: str, part: int | None) -> Findings | None:
        return planned.check(text, part=part) if dialect.checked else None

    first = 0 if parts else None
    findings = checks(probing if merged is None else merged.text, first)
    dry = write(programs.moves.dry_of(straight(planned.steps)), f"{name}-DRY", whole=True)
    tell("checking the dry run", 0.8)
    dry_findings = checks(dry, None)
    omitted = programs.omissions(moves, dialect)
    following = later_parts(study, planned, dialect, (safe_name, suffix)) if parts else ()
    enter = entered_after(parts[0], study, dialect) if parts else ()
    cuts = cuts_of(study, planned, dialect, (safe_name, suffix)) if parts else ()
    tell("done", 1.0)
    checked = (merged, findings, omitted, safe_name, suffix, dry, dry_findings)
    return Program(moves, probing, dialect, *checked, following, enter, offset_of(study), cuts)


def simulate(study: Study, planned: Plan, programmed: Program) -> machine.results.Run:
    """Run the program's text on the virtual machine, on the part that ``[simulate]`` describes.

    Parameters
    ----------
    study : Study
    planned : Plan
    programmed : Program

    Returns
    -------
    Run
        What the machine recorded: a model, not a measurement.

    Raises
    ------
    InputError
        If a table cannot be used or the program cannot be run.
    """
    arguments = machine_of(study, planned, programmed)
    with blaming(study.path, "simulate"):
        return ran(programmed, arguments)


def _notes_of(targets: pd.DataFrame) -> list[str]:
    said = targets.attrs.get("notes", "")
    return str(said).split("; ") if said else []


def _room_for(study: Study, touches: int) -> None:
    """Refuse more targets than can be judged, or the dialect can keep triggers of, before any work is done on them."""
    if touches > MOST_TOUCHES:
        told = {"found": f"{touches} targets", "expected": f"at most {MOST_TOUCHES}"}
        todo = "Choose a larger spacing, or fewer targets."
        raise InputError("the study plans too many touches", file=study.path, column="plan", **told, todo=todo)
    if tool_of(study) is None:
        return
    dialect = dialect_of(study)
    most = (dialect.slots[1] - dialect.slots[0] + 1) // 3 if dialect.slots else touches
    if touches > most:
        raise InputError(
            f"the dialect {dialect.name} has not enough parameters to store all touches in",
            file=study.path,
            column="plan",
            found=f"{touches} targets",
            expected=f"at most {most}",
            todo="Choose fewer targets, or split the study into several programs.",
        )
