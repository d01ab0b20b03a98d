"""What is written and said of a plan, its program and a run on the virtual machine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from .. import cache, qif, report, scene
from .. import program as programs
from ..columns import TURN
from ..csv_text import csv_text
from ..files import store
from ..plan.access.poses import pose_frame
from ..program.checking.told import told_decisions
from ..program.deciding.asked import bearings
from ..program.deciding.paths import straight
from .artefact import FILE
from .blind import blind_spots
from .by_hand import told_following, write_following
from .deciding_parts import decides_itself
from .doubt import budget_of, typical_u
from .foreseen import foreseen
from .kept_plan import to_json
from .machinery import other_radius
from .model import Study
from .places import results_of
from .playing import with_plays
from .prepared import Plan, Program, dialect_of
from .releasing import all_moves, write_sheet

if TYPE_CHECKING:
    import pandas as pd

    from .. import machine
    from ..field.artefact_plan import Proposal
    from .trying import Trial

__all__ = ["summary", "view", "write_preparation"]


def write_preparation(
    study: Study,
    folder: str | Path,
    planned: Plan,
    programmed: Program | None = None,
    ran: machine.results.Run | None = None,
    tried: Trial | None = None,
    *,
    artefact: Proposal | None = None,
    as_qif: bool = False,
) -> tuple[Path, ...]:
    """Write the plan; of a program its text, moves, changes and release sheet; of a run simulated.csv, of a trial its
    table.

    Parameters
    ----------
    study : Study
    folder : str or Path
        Made if need be. The files are published as one set (`probekit.published`): those of an earlier run go into
        its folder ``old``.
    planned : Plan
    programmed : Program, optional
    ran : Run, optional
    tried : Trial, optional
        It is shown on the release sheet, too.
    artefact : Proposal, optional
        Touches that tell most of the machine; they are written as ``artefact.csv``.
    as_qif : bool
        Write the targets that can be touched as ``plan.qif``, too (QIF 3.0).

    Returns
    -------
    tuple of Path
        The files written, the last one last.

    Raises
    ------
    InputError
        If the folder cannot be written to, or one of the files is an input of the study.
    """
    command = "plan" if programmed is None else "program" if ran is None else "simulate"
    results = results_of(study, folder, command)
    provenance = _set_up(study, planned)
    with results.publishing() as there:
        names = [_csv(there / "plan.csv", _posed(planned)), "plan.html"]
        if (kept := to_json(planned.targets, planned.route, planned.inputs)) is not None:
            store(there / "plan.json", kept)
            names.insert(1, "plan.json")
        if artefact is not None and len(artefact.table):
            names.append(_csv(there / FILE, artefact.table))
        if as_qif:
            store(there / "plan.qif", qif.plan(planned.route.targets, part=planned.part.name))
            names.append("plan.qif")
        scene, unplayed = with_plays(view(planned), planned)
        report.plan_page(
            scene,
            route=planned.route,
            time=planned.time,
            cautions=(CAUTION,),
            provenance=provenance,
            notes=(*planned.notes, *unplayed),
            stamp=f"study {study.sha256[:8] or 'unknown'}, model {planned.part.sha256[:8] or 'unknown'}",
            to=there / "plan.html",
        )
        if programmed is not None:
            names += _write_program(there, programmed, planned, provenance, tried)
        if tried is not None:
            store(there / "trial.json", tried.text.encode())
            names.append("trial.json")
        if ran is not None and len(ran.table):
            names += ran.write_logged(there)
            names.append(ran.write(there / "simulated.csv").name)
    return tuple(results.folder / name for name in names)


def _write_program(
    there: Path, programmed: Program, planned: Plan, provenance: list[tuple[str, str]], tried: Trial | None
) -> list[str]:
    """Write the program, its moves, what it changes and its release sheet into a folder; their names."""
    text = f"{programmed.name}{programmed.suffix}"
    store(there / text, programmed.text.encode("ascii") if programmed.merged is None else programmed.merged.data)
    store(there / programmed.dry_name, programmed.dry.encode("ascii"))
    names = [
        text,
        programmed.dry_name,
        _csv(there / "moves.csv", programs.table_of(all_moves(programmed), slots=programmed.dialect.slots)),
    ]
    if programmed.merged is not None:
        found = programmed.merged.difference
        store(there / "changes.txt", f"{found.sentence}\n\n{found.text()}\n".encode())
        names.append("changes.txt")
    write_sheet(there, programmed, planned, provenance, tried)
    names.append("release.html")
    names += write_following(there, programmed, planned, provenance)
    return names


def view(planned: Plan, *, at: int | None = None) -> scene.model.Scene:
    """The 3D view of a plan: part, fixtures, targets, ways, and the probe at one of the targets.

    Parameters
    ----------
    planned : Plan
    at : int, optional
        The touch that the probe stands at; the first one by default.

    Returns
    -------
    Scene
    """
    return scene.plan_scene(
        planned.part,
        planned.targets,
        route=planned.route,
        probe=planned.probe,
        kinematics=planned.kinematics,
        fixtures=planned.obstacles.fixtures,
        at=at,
        cache=cache.folder(),
    )


def summary(
    planned: Plan,
    programmed: Program | None = None,
    ran: machine.results.Run | None = None,
    tried: Trial | None = None,
    artefact: Proposal | None = None,
) -> list[str]:
    """What a person wants to read first of a plan, its program, its run and its trial, line by line.

    Parameters
    ----------
    planned : Plan
    programmed : Program, optional
    ran : Run, optional
    tried : Trial, optional
    artefact : Proposal, optional

    Returns
    -------
    list of str
    """
    route = planned.route
    lines = [f"{planned.part.name}: {len(route.targets)} of {len(planned.targets)} targets can be touched", ""]
    lines += [f"  {feature or '(no feature)':<14} {done}" for feature, done in _by_feature(planned).items()]
    poses = int(route.indexed.sum())
    lines += ["", f"Route: {poses} pose{'s' * (poses != 1)}, {planned.time.sentence}", bearing(planned)]
    if planned.reused:
        lines += [f"The plan is that of the previous run, made of the same inputs (SHA-256 {planned.inputs[:12]}...)."]
    if programmed is None:
        lines += _blind(planned)
        lines += (
            [] if artefact is None else ["", "The part as its own artefact", *[f"  {text}" for text in artefact.said]]
        )
    if not planned.again and (lost := foreseen(planned)):
        lines += ["", "NOT ENOUGH TOUCHES: if every touch of this plan is made, this cannot be judged"]
        lines += [f"  - {text}" for text in lost]
    if not route.left_out.empty:
        lines += ["", "Left out"]
        lines += [f"  {row.touch:>5} {row.feature:<12} {row.reason}" for row in route.left_out.itertuples()]
    if planned.notes:
        lines += ["", "Noticed", *[f"  - {text}" for text in planned.notes]]
    if programmed is not None:
        lines += ["", f"Program {programmed.name}: {len(straight(programmed.moves))} moves"]
        lines += [f"  {one}" for one in told_decisions(programmed.moves)]
        lines += [f"  {text}" for text in programmed.omitted]
        if programmed.merged is not None:
            lines += [f"  {programmed.merged.place}. {programmed.merged.difference.sentence}"]
            lines += [f"  {note}" for note in programmed.merged.notes]
        if programmed.findings is None:
            lines += [
                "  NO CHECK WAS MADE: the checks cannot read this dialect. A qualified person must check the program."
            ]
        else:
            lines += [f"  {programmed.findings.sentence}"]
            lines += [
                f"  {one.severity:<5} line {one.line}: {one.said}"
                for one in programmed.findings
                if one.severity != "note"
            ]
        lines += _of_dry_run(programmed) + told_following(programmed, planned)
        lines += ["", f"Caution: {CAUTION}"]
    if ran is not None:
        stopped = [f"STOPPED at line {ran.stopped_line} of the program: {ran.stopped}"] if ran.stopped else []
        lines += [
            "",
            *stopped,
            ran.sentence,
            *[f"  - {text}" for text in (*ran.findings, *other_radius(planned.study))],
        ]
    if tried is not None:
        lines += ["", tried.sentence, *[f"  {name:<26} {what}; {found}" for name, what, _, found in tried.rows]]
    return lines


def _of_dry_run(programmed: Program) -> list[str]:
    """What to say of the dry run."""
    found = programmed.dry_findings
    lines = [f"  Dry run, first of all and without a part: {programmed.dry_name}"]
    if found is not None and found.of("stop"):
        lines += [f"  {one.severity:<5} line {one.line} of it: {one.said}" for one in found.of("stop")]
    return lines


def _blind(planned: Plan) -> list[str]:
    """What lies between the touches of the plan, unfelt."""
    settings = planned.study.settings
    u = typical_u(planned.study, budget_of(planned.study, planned.part, None))
    told = blind_spots(planned.part, settings["tolerance"], planned.route.targets, u, settings.get("surface"))
    return ["", "Blind spot of the plan", *[f"  {line}" for line in told]] if told else []


def bearing(planned: Plan) -> str:
    """How far the part may sit from where the program believes it to be.

    Parameters
    ----------
    planned : Plan

    Returns
    -------
    str
    """
    if planned.phases:
        return _bearing_by_phase(planned)
    beyond = float(planned.targets["overtravel"].min())
    return (
        f"Set up first: the plan tolerates a set-up error of {min(beyond, planned.margin):g} mm. Beyond that, touches "
        f"miss (overtravel {beyond:g} mm) or the probe comes too close (margin {planned.margin:g} mm)."
    )


def _bearing_by_phase(planned: Plan) -> str:
    """The same where a program shifts its work offset: each phase bears its own."""
    errors = bearings(planned.phases, by_hand=not decides_itself(dialect_of(planned.study)))
    told = [f"phase '{phase.name}' {error:g} mm" for phase, error in zip(planned.phases, errors, strict=True)]
    return (
        f"Set up first: of set-up error the plan tolerates in {', in '.join(told)}, and keeps its margin of "
        f"{planned.margin:g} mm beside. Beyond the first, touches miss or the probe comes too close."
    )


#: Stands wherever a program is handed out.
CAUTION = (
    "a spindle moves. Someone qualified for the machine reads the program, releases it and runs it first above the "
    "part, in single block, with reduced override, hands clear; the machine's manual and local law come first."
)


def _by_feature(planned: Plan) -> dict[str, str]:
    found = planned.targets.assign(left=planned.targets["touch"].isin(planned.route.left_out["touch"]))
    return {
        str(name): f"{len(of)} targets" + (f", {int(of['left'].sum())} left out" if of["left"].any() else "")
        for name, of in found.groupby("feature", sort=False)
    }


def _posed(planned: Plan) -> pd.DataFrame:
    """The targets as a file holds them, with how the probe stands at each."""
    table, kinematics = planned.table.drop(columns="directions", errors="ignore"), planned.kinematics
    if not kinematics.axes:
        return table
    turns = np.full((len(table), 3), np.nan)
    for row, at in enumerate(planned.route.targets.get("direction", ())):
        frame = pose_frame(kinematics, planned.route.poses[int(at)])
        turns[row] = Rotation.from_matrix(frame.T).as_rotvec(degrees=True)
    return table.assign(**{name: np.round(turns[:, k], 9) + 0.0 for k, name in enumerate(TURN)})


def _csv(path: Path, table: pd.DataFrame) -> str:
    """Write a table whose lengths are in mm, with the number of its rows: a file cut short is found out."""
    store(path, csv_text(table, ("unit: mm", f"rows: {len(table)}")).encode())
    return path.name


def _set_up(study: Study, planned: Plan) -> list[tuple[str, str]]:
    part = planned.part
    return [
        ("part", part.name),
        ("nominal", f"{Path(part.source).name}, SHA-256 {part.sha256}"),
        ("study", f"{study.path.name}, SHA-256 {study.sha256}"),
        ("fixtures", ", ".join(solid.name for solid in planned.obstacles.fixtures) or "none described"),
        ("touches", f"{len(planned.route.targets)}; left out: {len(planned.route.left_out)}"),
        ("estimated time", planned.time.sentence),
        ("margin", f"{planned.margin:g} mm between probe and everything described"),
        ("set-up error", bearing(planned)),
    ]
