"""The release sheet of a program, be it of a milling machine, a measuring machine, or a dialect that is not read."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from .. import program as programs
from ..program.checking.unread import unread_sheet
from ..program.deciding.decisions import decides
from ..program.deciding.paths import straight
from ..program.measuring.sheet import measuring_sheet
from .by_hand import places_by_hand
from .prepared import Plan, Program

if TYPE_CHECKING:
    from ..program.moves import Move
    from .trying import Trial

__all__ = ["all_moves", "write_sheet"]


def write_sheet(
    there: Path, programmed: Program, planned: Plan, provenance: list[tuple[str, str]], tried: Trial | None
) -> None:
    """Write ``release.html`` into a folder.

    Parameters
    ----------
    there : Path
    programmed : Program
    planned : Plan
    provenance : list of (str, str)
        What the sheet says of part, study and plan.
    tried : Trial, optional
    """
    if programmed.findings is not None and programmed.dialect.language:
        measuring_sheet(
            programmed.text,
            programmed.findings,
            title=programmed.name,
            frame=programmed.dialect.work_offsets[programmed.first_offset],
            steps=programmed.moves,
            omitted=programmed.omitted,
            set_up=[*provenance, *_of_dialect(planned, programmed)],
            kinematics=planned.kinematics,
            probe=planned.probe,
            trial=() if tried is None else tried.rows,
            to=there / "release.html",
        )
    elif programmed.findings is not None:
        programs.release_sheet(
            programmed.probing if programmed.merged is None else programmed.merged,
            programmed.findings,
            title=programmed.name,
            set_up=[*provenance, *_of_dialect(planned, programmed), *places_by_hand(programmed, planned)[:1]],
            kinematics=planned.kinematics,
            probe=planned.probe,
            trial=() if tried is None else tried.rows,
            decided=programmed.moves if decides(programmed.moves) else (),
            enter=programmed.enter,
            flow=programmed.dialect.reckoning.flow,
            to=there / "release.html",
        )
    else:
        unread_sheet(
            programmed.text,
            all_moves(programmed),
            title=programmed.name,
            omitted=programmed.omitted,
            set_up=[*provenance, *_of_dialect(planned, programmed)],
            kinematics=planned.kinematics,
            probe=planned.probe,
            to=there / "release.html",
        )


def all_moves(programmed: Program) -> tuple[Move, ...]:
    """The moves of a program and of those that follow it, on their straight way, as `inspect` reads results by them."""
    parts = (programmed.moves, *(one.part.steps for one in programmed.following))
    return tuple(one for part in parts for one in straight(part))


def _of_dialect(planned: Plan, programmed: Program) -> list[tuple[str, str]]:
    """What the sheet says of the dry run and of the dialect."""
    dialect, touching = programmed.dialect, planned.touching
    watched = (
        "watched: the approach stops on contact"
        if dialect.watched
        else "NOT watched: between the touches nothing stops the axes if the probe meets something"
    )
    if touching.near_feed is not None:
        watched += f"; the last {touching.near:g} mm to each touch at {touching.near_feed:g} mm/min"
    checked = "" if programmed.dry_findings is None else f": {programmed.dry_findings.sentence}"
    digest = hashlib.sha256(programmed.dry.encode("ascii")).hexdigest()
    return [
        ("dry run", f"{programmed.dry_name}, SHA-256 {digest}{checked}"),
        (
            "dialect",
            f"{dialect.name}, " + (f"released by {dialect.released_by}" if dialect.released_by else "NOT released"),
        ),
        ("positioning", watched),
    ]
