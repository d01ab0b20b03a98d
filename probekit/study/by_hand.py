"""Programs after the first one where the control cannot decide: their files and sheets, and what is done between."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .. import program as programs
from ..files import store
from ..making import blaming
from ..program.deciding.asked import left_name
from ..program.deciding.decisions import Recut
from ..program.merging.cut_alone import cut_alone
from .following import Cut
from .places import cut_name, sheet_name
from .prepared import aliases_of, offset_of

if TYPE_CHECKING:
    from ..program.writing.dialect import Dialect
    from .model import Study
    from .prepared import Plan, Program

__all__ = ["cuts_of", "places_by_hand", "told_following", "write_following"]


def cuts_of(study: Study, planned: Plan, dialect: Dialect, names: tuple[str, str]) -> tuple[Cut, ...]:
    """Programs that a person runs to cut an operation again, after having entered how much lower.

    Parameters
    ----------
    study : Study
    planned : Plan
    dialect : Dialect
    names : (2,) str
        Name and suffix of the first program.

    Raises
    ------
    InputError
        If the milling program cannot give the operation.
    """
    options, found = study.settings.get("program", {}), []
    given = {key: options[key] for key in ("lift", "clearance") if key in options}
    for number, part in enumerate(planned.parts, 1):
        asked = part.phase.recut
        if asked is None:
            continue
        cut = Recut(asked.operation, left_name(part.phase), asked.limit, asked.to, part.work_offset, asked.occurrence)
        name = cut_name(*names, number)
        with blaming(study.file(options["milling"]), f"phase {number}.recut"):
            text, notes = cut_alone(
                study.file(options["milling"]),
                cut,
                dialect,
                name.removesuffix(names[1]),
                aliases=aliases_of(dialect),
                known=dialect.harmless,
                **given,
            )
        origins = {one: (0.0, 0.0, 0.0) for one in (cut.of, cut.to, offset_of(study))}
        findings = programs.check(
            text, kinematics=planned.kinematics, known=dialect.harmless, aliases=aliases_of(dialect), offsets=origins
        )
        found.append(Cut(name, number, cut, text, findings, notes))
    return tuple(found)


def write_following(
    there: Path, programmed: Program, planned: Plan, provenance: Sequence[tuple[str, str]]
) -> list[str]:
    """Write the later programs, those that cut again, and their release sheets into a folder; their names."""
    names, where = [], places_by_hand(programmed, planned)
    for number, one in enumerate(programmed.following, 2):
        store(there / one.name, one.text.encode("ascii"))
        programs.release_sheet(
            one.text,
            one.findings,
            title=one.name,
            set_up=[
                *provenance,
                ("runs after", f"{programmed.name}{programmed.suffix} and what is entered then"),
                *where[number - 1 : number],
            ],
            kinematics=planned.kinematics,
            probe=planned.probe,
            decided=one.part.steps,
            enter=one.enter,
            to=there / sheet_name(number),
        )
        names += [one.name, sheet_name(number)]
    for cut in programmed.cuts:
        store(there / cut.name, cut.text.encode("ascii"))
        sheet = f"release-{Path(cut.name).stem}.html"
        programs.release_sheet(
            cut.text,
            cut.findings,
            title=cut.name,
            set_up=[*provenance, ("runs", cut.when), *(("look", note) for note in cut.notes)],
            kinematics=planned.kinematics,
            decided=(cut.cut,),
            to=there / sheet,
        )
        names += [cut.name, sheet]
    return names


def places_by_hand(programmed: Program, planned: Plan) -> list[tuple[str, str]]:
    """Where in the milling each of several programs is run, for its sheet; none if there is no milling program."""
    options = planned.study.settings.get("program", {})
    if programmed.merged is not None or "milling" not in options:
        return []
    places = [options["after"], *(phase.after for phase in planned.phases[1:])]
    told = [f"directly after program {number}" if at == "" else f"at '{at}'" for number, at in enumerate(places)]
    milling = options["milling"]
    return [("in the milling", f"{one}; nothing is put into {milling}: it must stop there (M0)") for one in told]


def told_following(programmed: Program, planned: Plan) -> list[str]:
    """What a person does between programs, and what the checks say of the later ones."""
    lines, enter = [], programmed.enter
    for number, (_, place) in enumerate(places_by_hand(programmed, planned), 1):
        lines += [f"  Program {number} runs {place}"]
    for one in programmed.following:
        lines += ["", f"Then a person reads, judges and enters, and runs {one.name}:"]
        lines += [f"  {entry.sentence}" for entry in enter]
        lines += [f"  {one.findings.sentence}"]
        lines += [f"  {f.severity:<5} line {f.line}: {f.said}" for f in one.findings if f.severity == "stop"]
        enter = one.enter
    if enter:
        lines += ["", "Then a person reads and judges:", *[f"  {entry.sentence}" for entry in enter]]
    for cut in programmed.cuts:
        lines += ["", f"{cut.name}: {cut.when}", *[f"  {note}" for note in cut.notes], f"  {cut.findings.sentence}"]
    return lines
