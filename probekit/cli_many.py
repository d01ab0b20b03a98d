"""The commands on many parts, made or invented: their options, and calls of the library."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from .console import say
from .errors import InputError
from .files import refuse_overwriting

__all__ = ["add_commands"]


def add_commands(commands: Any) -> None:
    """Add the commands to those of the command line."""
    told = commands.add_parser(
        "history",
        help="what an archive of parts tells: trends, drift, capability, touches",
        description="Tell the history of the parts in an archive (probekit inspect --archive): tolerances with control "
        "charts and capability, drift of cutters and set-up, which touches earn their time. Parts of another study, "
        "model or plan are left out and counted. Exit status 1 if --verify finds a fault.",
    )
    told.add_argument("folder", type=Path, help="the archive")
    told.add_argument("--like", type=int, metavar="N", help="the revision of this record (default: of the last one)")
    told.add_argument("--to", type=Path, metavar="PATH", help="page to write, or folder of an export")
    told.add_argument("--verify", action="store_true", help="check that every record is there as it was written")
    told.add_argument("--head", metavar="N:HASH", help="with --verify: a record's hash that was kept elsewhere")
    told.add_argument(
        "--export",
        choices=("csv", "parquet", "json"),
        help="write everything, or with --like the parts of one revision, into the folder of --to",
    )
    told.add_argument("--migrate", type=Path, metavar="FOLDER", help="copy into a new archive of the present layout")
    told.set_defaults(run=_history)
    _add_watch(commands)
    fewer = commands.add_parser(
        "fewer",
        help="what fewer touches, or touches placed otherwise, would feel and say",
        description="Compare the plan of a study with other numbers of touches and other ways of placing them, for "
        "each profile: which hills and dents each would feel, and with --form how many of some invented parts each "
        "would accept, and how many of those are bad. Targets are taken as planned, whether the probe reaches them or "
        "not. Prints sentence and table; with --to writes a table (CSV) and a figure (SVG) for each profile.",
    )
    fewer.add_argument("study", type=Path, help="the study file (TOML), with [[plan]] tables")
    fewer.add_argument("--to", type=Path, metavar="FOLDER", help="folder for tables and figures")
    fewer.add_argument(
        "--form",
        type=float,
        nargs=2,
        metavar=("LENGTH", "RMS"),
        help="try parts whose smooth form changes over so many mm and is so large [mm]",
    )
    fewer.add_argument("--parts", type=int, default=20, help="how many, for each number and way (default: 20)")
    fewer.add_argument("--counts", type=int, nargs="+", metavar="N", help="numbers of touches (default: by the plan)")
    fewer.add_argument("--only", metavar="NAME", help="this profile alone")
    fewer.set_defaults(run=_fewer)


def _add_watch(commands: Any) -> None:
    seen = commands.add_parser(
        "watch",
        help="inspect results files as they arrive in a folder",
        description="Inspect the results files that arrive in a folder, append each part to an archive, and write its "
        "page. Goes on until it is interrupted; what was inspected before is not inspected again.",
    )
    seen.add_argument("folder", type=Path, help="where results files arrive")
    seen.add_argument("--study", type=Path, required=True, help="the study file that judges them")
    seen.add_argument("--archive", type=Path, required=True, metavar="FOLDER", help="the archive of the parts")
    seen.add_argument("--to", type=Path, metavar="FOLDER", help="folder for a page per part and history.html of all")
    seen.add_argument("--pattern", default="*.csv", help="names of results files (default: *.csv)")
    seen.add_argument("--every", type=float, default=2.0, metavar="SECONDS", help="time between two looks")
    seen.add_argument("--settle", type=float, default=4.0, metavar="SECONDS", help="a file unchanged so long is whole")
    seen.add_argument("--once", action="store_true", help="end when all that is there has been done")
    seen.set_defaults(run=_watch)


def _watch(options: argparse.Namespace) -> int:
    from . import archive

    given = {name: getattr(options, name) for name in ("archive", "to", "pattern", "every", "settle", "once")}
    words = []
    for arrival in archive.watch(options.folder, options.study, **given):
        words.append(arrival.word)
        say(arrival.sentence)
        sys.stdout.flush()
    return 0 if set(words) <= {"conforms", "again"} else 1


def _fewer(options: argparse.Namespace) -> int:
    from . import study
    from .csv_text import csv_text
    from .files import file_name, store
    from .gauge import fewer_touches

    wanted = study.load(options.study)
    for name, part, targets, width, u, white, margin in study.blind.profiles_planned(wanted, options.only):
        form = None if options.form is None else tuple(options.form)
        found = fewer_touches(
            part, targets, width=width, u=u, white=white, margin=margin, counts=options.counts, form=form,
            parts=options.parts,
        )  # fmt: skip
        say(f"{name}: {found.sentence}\n\n{found.table.round(3).to_string(index=False)}\n")
        for note in found.notes:
            say(f"  {note}")
        if options.to is not None:
            options.to.mkdir(parents=True, exist_ok=True)
            for suffix, text in ((".csv", csv_text(found.table)), (".svg", found._repr_svg_())):
                place = options.to / file_name(f"fewer {name}".replace(" ", "_"), suffix)
                refuse_overwriting([place], study.places.inputs_of(wanted))
                store(place, text.encode("utf-8"))
                say(f"written: {place}")
    return 0


def _history(options: argparse.Namespace) -> int:
    from . import archive

    kept = archive.Archive(options.folder)
    if options.to is not None:
        kept_in = {f"the archive, {path.name}": path for path in options.folder.rglob("*") if path.is_file()}
        refuse_overwriting([options.to], kept_in)
    if options.migrate is not None:
        made = archive.migrate(kept, options.migrate)
        say(f"copied: {made.sentence}; {options.folder} stays as it was")
        return 0
    if options.verify:
        return _verify(kept, options.head)
    if options.export is not None:
        if options.to is None:
            raise InputError("an export needs a folder", todo="Name a new one with --to.")
        chosen = None if options.like is None else archive.choosing.choose(kept, like=options.like)
        records = None if chosen is None else chosen.parts["record"].tolist()
        paths = archive.export(kept, options.to, how=options.export, records=records)
        if chosen is not None:
            say(chosen.sentence)
        say("written: " + ", ".join(str(path) for path in paths))
        return 0
    found = archive.history(kept, like=options.like)
    say(archive.showing.history_text(found))
    if options.to is not None:
        say(f"written: {archive.showing.history_page(found, options.to)}")
    return 0


def _verify(kept: Any, head: str | None) -> int:
    from . import archive

    wanted = None
    if head is not None:
        number, _, checksum = head.partition(":")
        if not (number.isdigit() and checksum):
            raise InputError(
                "the kept hash is not usable", found=head, expected="number of the record, colon, its hash"
            )
        wanted = (int(number), checksum)
    found = archive.verify(kept, head=wanted)
    say(found.sentence)
    for row in found.table.itertuples():
        say(f"  record {row.record}{f' ({row.part})' if row.part else ''}: {row.fault}")
    for note in found.notes:
        say(f"  note: {note}")
    if found.records:
        say(f"Keep this elsewhere: {found.records}:{found.head}")
    return 0 if found.whole else 1
